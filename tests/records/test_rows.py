"""Row checks: a clean row or every problem at once, in words, and never an exception."""

from __future__ import annotations

import string
from collections.abc import Callable, Mapping
from dataclasses import FrozenInstanceError, replace
from datetime import UTC, date, datetime
from inspect import Parameter, signature

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from remakes.records import schema
from remakes.records.codes import ATTRIBUTED_TO, DEFECTS, DISPOSITIONS, FOUND_AT, KINDS, PLANES
from remakes.records.rows import (
    COLUMNS,
    REQUIRED_COLUMNS,
    Problem,
    ReadingRow,
    RestorationRow,
    ReturnRow,
    check_reading,
    check_restoration,
    check_return,
    check_return_against,
    is_patient_column,
)

steady = settings(derandomize=True, deadline=None)

RESTORATION: dict[str, object] = {
    "restoration_id": "B-1001",
    "kind": "bridge",
    "teeth": "34 35 36",
    "units": "3",
    "received_on": "2026-01-05",
    "delivered_on": "2026-01-19",
}
READING: dict[str, object] = {"restoration_id": "B-1001", "step": "bonding", "reading": "bond_wait_s", "value": "180"}
RETURN: dict[str, object] = {
    "return_id": "R-1",
    "restoration_id": "B-1001",
    "reported_on": "2026-02-03",
    "defect": "chipping",
}
TABLES: dict[str, tuple[Callable[[Mapping[str, object]], tuple[object, list[Problem]]], dict[str, object]]] = {
    "restorations": (check_restoration, RESTORATION),
    "process_log": (check_reading, READING),
    "returns": (check_return, RETURN),
}


def only_problem(
    check: Callable[[Mapping[str, object]], tuple[object, list[Problem]]], raw: dict[str, object]
) -> Problem:
    row, problems = check(raw)
    assert row is None
    assert len(problems) == 1, problems
    return problems[0]


def test_the_columns_are_those_of_the_store() -> None:
    own = {"extra", "import_id", "id", "row_hash", "voided_at", "voided_why"}
    for name, model in (("restorations", RestorationRow), ("process_log", ReadingRow), ("returns", ReturnRow)):
        stored = [column.name for column in schema.metadata.tables[name].columns if column.name not in own]
        assert list(COLUMNS[name]) == stored
        had = signature(model).parameters
        assert list(had) == [*stored, "extra"]
        needed = [column for column, one in had.items() if one.default is Parameter.empty and column != "extra"]
        assert set(REQUIRED_COLUMNS[name]) == set(needed) - {"units"}


def test_a_whole_restoration() -> None:
    raw = RESTORATION | {
        "case_id": " A-17 ",
        "clinic": "C07",
        "technician": "T2",
        "framework": "base metal",
        "veneer": "lab composite",
        "difficulty": "Bruxism; limited space ;bruxism",
        "due_on": "",
        "remake_of": None,
        "alloy": "x12",
        "empty": " ",
    }
    row, problems = check_restoration(raw)
    assert problems == []
    assert row == RestorationRow(
        restoration_id="B-1001",
        case_id="A-17",
        clinic="C07",
        technician="T2",
        kind="bridge",
        teeth="34 35 36",
        units=3,
        framework="base metal",
        veneer="lab composite",
        difficulty="bruxism;limited space",
        received_on=date(2026, 1, 5),
        due_on=None,
        delivered_on=date(2026, 1, 19),
        remake_of=None,
        extra={"alloy": "x12"},
    )


def test_a_whole_return() -> None:
    raw = RETURN | {
        "entered_on": date(2026, 2, 5),
        "defect": "Show_Through",
        "primary": "Yes",
        "plane": "ADHESIVE",
        "bare_metal_pct": "40.5",
        "found_at": "in_service",
        "severity": 4.0,
        "harm": False,
        "teeth": "35",
        "disposition": "remade",
        "attributed_to": "undecided",
        "judged_by": "QA",
        "cost": "0",
        "note": "came back, in two pieces",
    }
    row, problems = check_return(raw)
    assert problems == []
    assert row is not None
    assert (row.defect, row.plane, row.primary, row.harm) == ("show_through", "adhesive", True, False)
    assert (row.bare_metal_pct, row.severity, row.cost) == (40.5, 4, 0.0)
    assert (row.reported_on, row.entered_on) == (date(2026, 2, 3), date(2026, 2, 5))
    assert (row.teeth, row.note, row.extra) == ("35", "came back, in two pieces", {})


def test_blank_is_not_recorded() -> None:
    row, _ = check_return(RETURN | dict.fromkeys(set(COLUMNS["returns"]) - set(RETURN), "  "))
    assert row is not None
    assert row == ReturnRow(return_id="R-1", restoration_id="B-1001", reported_on=date(2026, 2, 3), defect="chipping")
    assert (row.harm, row.severity, row.found_at, row.cost) == (None, None, None, None)


def test_rows_cannot_be_changed() -> None:
    row, _ = check_reading(READING)
    assert row is not None
    with pytest.raises(FrozenInstanceError):
        row.value = "200"  # type: ignore[misc]


@pytest.mark.parametrize("table", list(TABLES))
def test_a_blank_required_column_is_named(table: str) -> None:
    check, raw = TABLES[table]
    for column in REQUIRED_COLUMNS[table]:
        for blank in ("", "  ", None):
            problem = only_problem(check, raw | {column: blank})
            assert (problem.column, problem.value) == (column, "")
            assert problem.mend.startswith("Write")
    assert {problem.column for problem in check({})[1]} >= set(REQUIRED_COLUMNS[table])


def test_all_problems_of_a_row_at_once() -> None:
    row, problems = check_restoration(
        {"restoration_id": " ", "kind": "brigde", "teeth": "34 39", "units": "0", "delivered_on": "19.01.2026"}
    )
    assert row is None
    assert [problem.column for problem in problems] == ["restoration_id", "kind", "teeth", "units", "delivered_on"]


@pytest.mark.parametrize(
    ("raw", "near"),
    [
        ({"defect": "chiping"}, "chipping"),
        ({"defect": "Show through"}, "show_through"),
        ({"plane": "cohesiv"}, "cohesive"),
        ({"found_at": "in service"}, "in_service"),
        ({"disposition": "remake"}, "remade"),
        ({"attributed_to": "labs"}, "lab"),
    ],
)
def test_a_near_miss_is_suggested_not_taken(raw: dict[str, object], near: str) -> None:
    problem = only_problem(check_return, RETURN | raw)
    assert f"Did you mean {near}" in problem.mend


@pytest.mark.parametrize(
    ("column", "codes"),
    [
        ("defect", DEFECTS),
        ("plane", PLANES),
        ("found_at", FOUND_AT),
        ("disposition", DISPOSITIONS),
        ("attributed_to", ATTRIBUTED_TO),
    ],
)
def test_every_code_in_any_case(column: str, codes: Mapping[str, str] | tuple[str, ...]) -> None:
    for code in codes:
        for text in (code, code.upper(), f" {code.title()} "):
            row, problems = check_return(RETURN | {column: text})
            assert problems == []
            assert getattr(row, column) == code


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_in_any_case(kind: str) -> None:
    row, _ = check_restoration(RESTORATION | {"kind": kind.upper().replace(" ", "  ")})
    assert row is not None
    assert row.kind == kind


@pytest.mark.parametrize(
    "seen",
    [
        *("2026-03-02", " 2026-03-02 ", "2026-03-02 00:00:00", "2026-03-02T14:30", date(2026, 3, 2)),
        *(datetime(2026, 3, 2, 23, 59, tzinfo=UTC), datetime.fromisoformat("2026-03-02 00:00")),
    ],
)
def test_a_day(seen: object) -> None:
    row, problems = check_restoration(RESTORATION | {"delivered_on": seen})
    assert problems == []
    assert row is not None
    assert (row.delivered_on, type(row.delivered_on)) == (date(2026, 3, 2), date)


@pytest.mark.parametrize(
    "seen",
    [
        *("02.03.2026", "3/2/2026", "2026-3-2", "20260302", "2026-W10-1", "2026-13-01", "2026-02-30"),
        *("2026-03-02 25:00", "yesterday", "0206-03-02", "9999-12-31", "２０２６-03-02"),
        *(46056.0, 46056, True, date(1899, 12, 31)),
    ],
)
def test_what_is_no_day_is_refused_in_words(seen: object) -> None:
    problem = only_problem(check_restoration, RESTORATION | {"received_on": None, "delivered_on": seen})
    assert problem.column == "delivered_on"
    assert problem.mend


def test_a_foreign_date_points_to_the_column_map() -> None:
    problem = only_problem(check_restoration, RESTORATION | {"delivered_on": "02.03.2026"})
    assert 'dates = "%d.%m.%Y"' in problem.mend


@pytest.mark.parametrize(
    ("seen", "when"),
    [
        ("2026-03-02", "2026-03-02 00:00"),
        ("2026-03-02 14:30", "2026-03-02 14:30"),
        ("2026-03-02T14:30:05", "2026-03-02 14:30:05"),
        ("2026-03-02T14:30:05.250", "2026-03-02 14:30:05.250"),
        # The lab's own clock, as written.
        ("2026-03-02T14:30+01:00", "2026-03-02 14:30"),
        ("2026-03-02T14:30:00Z", "2026-03-02 14:30"),
        (date(2026, 3, 2), "2026-03-02 00:00"),
        (datetime(2026, 3, 2, 14, 30, tzinfo=UTC), "2026-03-02 14:30"),
    ],
)
def test_a_moment(seen: object, when: str) -> None:
    row, problems = check_reading(READING | {"recorded_at": seen})
    assert problems == []
    assert row is not None
    assert row.recorded_at == datetime.fromisoformat(when)


@pytest.mark.parametrize(("seen", "answer"), [("yes", True), ("NO", False), (True, True), ("", None)])
def test_ticks(seen: object, answer: bool | None) -> None:
    row, _ = check_return(RETURN | {"harm": seen})
    assert row is not None
    assert row.harm is answer


@pytest.mark.parametrize("seen", ["y", "1", "true", "x", "ja", 1, 0.0])
def test_other_ticks_are_not_guessed(seen: object) -> None:
    assert "yes or no" in only_problem(check_return, RETURN | {"harm": seen}).mend


@pytest.mark.parametrize(
    ("column", "seen", "words"),
    [
        ("severity", "0", "from 1 to 5"),
        ("severity", "6", "from 1 to 5"),
        ("severity", "3.5", "whole number"),
        ("bare_metal_pct", "-1", "from 0 to 100"),
        ("bare_metal_pct", "100.5", "from 0 to 100"),
        ("bare_metal_pct", "40 %", "a number"),
        ("bare_metal_pct", "40,5", 'decimal = ","'),
        ("cost", "-0.01", "0 or more"),
        ("cost", "1.234,50", 'decimal = ","'),
        ("cost", "nan", "a number"),
        ("cost", "inf", "a number"),
        ("cost", "1e999", "a number"),
        ("cost", "1_000", "a number"),
        ("cost", float("inf"), "a number"),
        ("cost", True, "a number"),
        ("cost", "٤٠", "a number"),
    ],
)
def test_numbers_out_of_range_or_form(column: str, seen: object, words: str) -> None:
    problem = only_problem(check_return, RETURN | {column: seen})
    assert problem.column == column
    assert words in problem.mend


@pytest.mark.parametrize(
    ("seen", "cost"), [("12", 12), ("12.50", 12.5), ("1e2", 100), (12, 12), (".5", 0.5), (" 7 ", 7)]
)
def test_numbers(seen: object, cost: float) -> None:
    row, _ = check_return(RETURN | {"cost": seen})
    assert row is not None
    assert row.cost == cost


@pytest.mark.parametrize(
    ("column", "ends"), [("severity", ("1", "5")), ("bare_metal_pct", ("0", "100")), ("cost", ("0", "1e6"))]
)
def test_the_ends_of_a_range_belong_to_it(column: str, ends: tuple[str, str]) -> None:
    for end in ends:
        row, problems = check_return(RETURN | {column: end})
        assert problems == []
        assert getattr(row, column) == float(end)


def test_units_from_one_tooth_to_all_of_them() -> None:
    for units in ("1", "32"):
        row, _ = check_restoration(RESTORATION | {"units": units})
        assert row is not None
        assert row.units == int(units)
    assert only_problem(check_restoration, RESTORATION | {"units": "33"}).column == "units"


def test_blank_units_are_counted_from_the_teeth() -> None:
    row, _ = check_restoration(RESTORATION | {"units": ""})
    assert row is not None
    assert row.units == 3
    assert only_problem(check_restoration, RESTORATION | {"units": "", "teeth": ""}).column == "units"
    # Faulty teeth are the one thing wrong: no second complaint about the units that cannot be counted.
    assert only_problem(check_restoration, RESTORATION | {"units": "", "teeth": "99"}).column == "teeth"


def test_units_may_differ_from_the_teeth() -> None:
    row, _ = check_restoration(RESTORATION | {"units": "5"})
    assert row is not None
    assert row.units == 5


def test_delivered_before_received_is_refused() -> None:
    problem = only_problem(check_restoration, RESTORATION | {"received_on": "2026-01-20"})
    assert problem.column == "delivered_on"
    same_day, problems = check_restoration(RESTORATION | {"received_on": "2026-01-19"})
    assert same_day is not None
    assert problems == []


def test_a_restoration_cannot_replace_itself() -> None:
    assert only_problem(check_restoration, RESTORATION | {"remake_of": "B-1001"}).column == "remake_of"


def test_reported_before_delivered() -> None:
    row, _ = check_return(RETURN)
    in_lab, _ = check_return(RETURN | {"found_at": "before_delivery"})
    assert row is not None
    assert in_lab is not None
    (problem,) = check_return_against(row, date(2026, 2, 4))
    assert problem.column == "reported_on"
    assert "before_delivery" in problem.mend
    assert check_return_against(row, date(2026, 2, 3)) == []
    assert check_return_against(in_lab, date(2026, 2, 4)) == []


@pytest.mark.parametrize(
    ("seen", "value"),
    [
        (180.0, "180"),
        (0.1, "0.1"),
        (180, "180"),
        ("00012", "00012"),
        (True, "yes"),
        (False, "no"),
        (float("nan"), None),
    ],
)
def test_values_from_spreadsheet_cells(seen: object, value: str | None) -> None:
    row, _ = check_reading(READING | {"value": seen})
    assert row is not None
    assert row.value == value


@pytest.mark.parametrize(
    "name",
    [
        "patient",
        "Patient name",
        "PATIENT_NAME",
        "surname",
        "Date of birth",
        "dob",
        "Geburtsdatum",
        "Vorname",
        "patient_no",
    ],
)
def test_patient_columns_are_never_kept(name: str) -> None:
    assert is_patient_column(name)
    for check, raw in TABLES.values():
        row, problems = check(raw | {name: "Somebody", "shade": "A3"})
        assert problems == []
        assert row is not None
        assert getattr(row, "extra") == {"shade": "A3"}  # noqa: B009 - three row types


@pytest.mark.parametrize(
    "name", [*COLUMNS["restorations"], *COLUMNS["returns"], *COLUMNS["process_log"], "shade", "unnamed"]
)
def test_other_columns_are_no_patient_columns(name: str) -> None:
    assert not is_patient_column(name)


def test_long_values_are_shortened_in_messages() -> None:
    problem = only_problem(check_return, RETURN | {"defect": "x" * 500})
    assert len(problem.value) <= 60


def test_a_nul_character_is_refused_on_both_ways_through() -> None:
    # PostgreSQL cannot keep it.
    assert only_problem(check_reading, READING | {"value": "1\x002"}).column == "value"
    assert only_problem(check_return, RETURN | {"note": "a\x00b"}).column == "note"


#: Several scripts, signs, blanks of several kinds, a NUL. Listed, since all of Unicode takes seconds to set up.
ANY_TEXT = st.text(alphabet="aZ ßÄж日٣½'\"\\;,.-+=@_%\t\n\r\x00\u00a0\u2028\ufeff🦷0123456789", max_size=12)
CELLS = st.one_of(
    st.none(),
    ANY_TEXT,
    st.text(alphabet=string.digits + "-. :T,+", max_size=20),
    st.sampled_from(["", "yes", "crown", "chipping", "34 35", "2026-03-02", "1", "5", "before_delivery"]),
    st.integers(-5, 3_000_000),
    st.floats(),
    st.booleans(),
    st.dates(),
    st.datetimes(),
)


@steady
@given(st.data())
def test_any_cells_give_a_row_or_problems(data: st.DataObject) -> None:
    table = data.draw(st.sampled_from(list(TABLES)))
    check, good = TABLES[table]
    names = st.sampled_from([*COLUMNS[table], "shade", "patient"])
    raw = good | data.draw(st.dictionaries(names, CELLS, max_size=8))
    row, problems = check(raw)
    assert (row is None) == bool(problems)
    for problem in problems:
        assert problem.column in raw or problem.column in REQUIRED_COLUMNS[table] or problem.column == "units"
        assert problem.reason.endswith((".", ")."))
        assert problem.mend
        assert "pydantic" not in str(problem)
    if isinstance(row, RestorationRow | ReadingRow | ReturnRow):
        # A clean row, read again as text, is itself.
        again, problems_again = check({k: v for k, v in row.model_dump().items() if k != "extra"} | row.extra)
        assert problems_again == []
        assert again == row


@steady
@given(st.dictionaries(st.sampled_from(COLUMNS["process_log"]), st.one_of(st.none(), ANY_TEXT), max_size=8))
def test_the_short_way_and_the_full_way_agree(raw: dict[str, object]) -> None:
    # An extra column forces the full way.
    short, short_problems = check_reading(raw)
    full, full_problems = check_reading(raw | {"shade": "A3"})
    assert short_problems == full_problems
    assert (short and replace(short, extra={"shade": "A3"})) == full

"""Late entries, what a value may be, and codes that are scanned."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.bench.asked import Asked, asked_of, not_done_value, typed_value
from remakes.records.bench.codes import StepCodes, in_use, known_values, meanings, use_at_step
from remakes.records.bench.delivery import deliver
from remakes.records.bench.late import LateCell, RefusedSheetError, pieces_of_day, save_late
from remakes.records.bench.overview import bench_stand
from remakes.records.bench.pieces import find_piece
from remakes.records.bench.readings import Written, give_reason, standing_readings, void_reading, write_reading
from remakes.records.entries import enter_return, void_return
from remakes.records.requirements import Requirement, Rule
from remakes.records.snapshot import take_snapshot
from remakes.records.standard import load_standard
from remakes.records.store import Store, open_store
from tests.records.bench_lab import AT, T2, TODAY, WHO, begin, take_standard

YESTERDAY = TODAY - timedelta(days=1)


@pytest.fixture
def bench(tmp_path: Path) -> Store:
    store = open_store(str(tmp_path / "bench.sqlite"))
    take_standard(store)
    begin(store)
    return store


def cell(number: str, reading: str, text: str) -> LateCell:
    step = {"wait_s": "bonding", "fit_check": "checking", "coats": "opaquer", "metal_mm": "framework"}[reading]
    return LateCell(restoration_id=number, step=step, reading=reading, text=text)


def readings(store: Store, table: Any = schema.bench_readings) -> list[Any]:
    with store.reader() as connection:
        return list(connection.execute(select(table).order_by(table.c.id)))


def test_a_sheet_is_saved_with_the_day_of_the_work_and_marked_as_late(bench: Store) -> None:
    cells = [cell("N1", "wait_s", "190"), cell("N1", "coats", "not done"), cell("N1", "fit_check", "no")]
    saved = save_late(bench, cells, day=YESTERDAY, who=WHO, operator="T1", lot="BA1", at=AT)
    assert (saved.readings, saved.after_return) == (3, ())
    rows = readings(bench)
    assert [(row.value, row.not_done, row.late, row.lot) for row in rows] == [
        ("190", False, True, "BA1"),
        ("0", True, True, "BA1"),
        ("no", False, True, "BA1"),
    ]
    assert {row.recorded_at for row in rows} == {datetime.combine(YESTERDAY, datetime.min.time())}
    assert {row.entered_at for row in rows} == {AT}
    deliver(bench, "N1", delivered_on=TODAY, who=WHO, today=TODAY)
    assert [row.extra for row in readings(bench, schema.process_log)] == [{"entry": "late"}] * 3


def test_refused_cells_are_named_by_row_and_column_and_nothing_is_half_saved(bench: Store) -> None:
    begin(bench, "ZR", framework="zirconia")
    begin(bench, "T2S", technician="T2")
    version = bench.data_version()
    cells = [
        cell("N1", "wait_s", "190"),
        cell("N1", "coats", "many"),
        cell("N1", "metal_mm", "not done"),
        cell("ZR", "metal_mm", "0.5"),
        cell("T2S", "fit_check", "yes"),
        cell("GONE", "fit_check", "yes"),
    ]
    with pytest.raises(RefusedSheetError, match="5 cells cannot be taken") as refused:
        save_late(bench.acting_as(T2), [*cells[1:], cell("N1", "fit_check", "maybe")], day=YESTERDAY, who="T2", at=AT)
    assert "N1, coats: N1 is the work of T1." in str(refused.value)
    with pytest.raises(RefusedSheetError) as refused:
        save_late(bench, cells, day=YESTERDAY, who=WHO, at=AT)
    assert [(one.restoration_id, one.reading) for one in refused.value.cells] == [
        ("N1", "coats"),
        ("N1", "metal_mm"),
        ("ZR", "metal_mm"),
        ("GONE", "fit_check"),
    ]
    assert bench.data_version() == version
    assert readings(bench) == []
    with pytest.raises(EntryError, match="later than today"):
        save_late(bench, cells[:1], day=TODAY + timedelta(days=1), who=WHO, at=AT)
    with pytest.raises(EntryError, match="No cell was filled in"):
        save_late(bench, [], day=YESTERDAY, who=WHO, at=AT)


def test_a_late_reading_corrects_one_of_the_same_day_and_is_refused_under_a_later_one(bench: Store) -> None:
    written = Written(restoration_id="N1", step="bonding", reading="wait_s", value="18")
    write_reading(bench, written, who=WHO, at=AT)
    save_late(bench, [cell("N1", "wait_s", "180")], day=TODAY, who=WHO, at=AT + timedelta(hours=2))
    assert standing_readings(bench, ["N1"])["N1"]["bonding", "wait_s"].value == "180"
    with pytest.raises(RefusedSheetError, match="which is later and would go on counting"):
        save_late(bench, [cell("N1", "wait_s", "200")], day=YESTERDAY, who=WHO, at=AT)


def test_what_is_written_after_the_restoration_came_back_is_marked_and_told(bench: Store) -> None:
    deliver(bench, "N1", delivered_on=TODAY, who=WHO, today=TODAY)
    assert [one.restoration_id for one in pieces_of_day(bench, YESTERDAY, technician="T1")] == ["N1"]
    assert pieces_of_day(bench, TODAY + timedelta(days=1), technician="T1") == ()
    figures = bench.figures_version()
    save_late(bench, [cell("N1", "fit_check", "yes")], day=TODAY, who=WHO, at=AT + timedelta(days=1))
    assert bench.figures_version() > figures
    raw = {"restoration_id": "N1", "reported_on": date(2026, 3, 10), "defect": "debonding"}
    enter_return(bench, raw, who="quality Q1", today=date(2026, 3, 11))
    later = AT + timedelta(days=8)
    saved = save_late(bench, [cell("N1", "wait_s", "200")], day=TODAY, who=WHO, at=later)
    assert saved.after_return == ("N1",)
    early, recalled = readings(bench, schema.process_log)
    assert (early.extra, recalled.extra) == (
        {"entry": "late"},
        {"entry": "after return", "day of work": TODAY.isoformat()},
    )
    # Of the day it was written, so that the analysis sees that the return was known by then.
    assert recalled.recorded_at.date() >= later.date()
    with pytest.raises(RefusedSheetError, match="left the lab on 2026-03-04, before that"):
        save_late(bench, [cell("N1", "coats", "2")], day=TODAY + timedelta(days=2), who=WHO, at=later)


def test_what_is_typed_late_and_whose_return_is_entered_only_then_is_not_taken_for_older(bench: Store) -> None:
    """The piece is back on the bench, its gaps are filled in, and the return is typed in the evening for last week."""
    deliver(bench, "N1", delivered_on=TODAY, who=WHO, today=TODAY)
    for days in (1, 8):
        step = {1: "coats", 8: "fit_check"}[days]
        text = {1: "2", 8: "yes"}[days]
        save_late(bench, [cell("N1", step, text)], day=TODAY, who=WHO, at=AT + timedelta(days=days))

    def counted() -> dict[str, str]:
        log = take_snapshot(bench).process_log.to_pylist()
        return {row["reading"]: row["recorded_at"][:10] for row in log}

    assert set(counted().values()) == {TODAY.isoformat()}
    raw = {"restoration_id": "N1", "reported_on": TODAY + timedelta(days=6), "defect": "debonding"}
    row_id = enter_return(bench, raw, who="quality Q1", today=TODAY + timedelta(days=8))
    assert counted() == {"coats": TODAY.isoformat(), "fit_check": (TODAY + timedelta(days=8)).isoformat()}
    void_return(bench, row_id, who="quality Q1", why="another piece")
    assert set(counted().values()) == {TODAY.isoformat()}


def test_a_reason_is_kept_with_the_reading_wherever_it_stands(bench: Store) -> None:
    written = Written(restoration_id="N1", step="bonding", reading="wait_s", value="90")
    number = write_reading(bench, written, who=WHO, at=AT)
    deliver(bench, "N1", delivered_on=TODAY, who=WHO, today=TODAY)
    figures = bench.figures_version()
    give_reason(bench, number, "telephone", who=WHO)
    assert readings(bench, schema.process_log)[0].extra == {"entry": "bench", "reason": "telephone"}
    assert standing_readings(bench, ["N1"])["N1"]["bonding", "wait_s"].reason == "telephone"
    assert bench.figures_version() == figures


def test_not_done_can_be_said_of_ticks_dwell_times_and_counts_only(bench: Store) -> None:
    standard = load_standard(bench)
    found = {one.reading: not_done_value(one) for one in standard.requirements}
    assert found == {
        "metal_mm": None,  # a measure
        "residue": None,  # words
        "wait_s": "0",
        "to_bond_min": None,  # zero would keep an upper limit
        "coats": "0",
        "cure_min": "0",
        "fit_check": "no",
    }
    # What says "not done" is always a miss.
    assert all(one.rule.met(value) is False for one in standard.requirements if (value := found[one.reading]))


def test_a_typed_value_is_read_or_refused_and_never_taken_for_zero(bench: Store) -> None:
    piece = find_piece(bench, "N1")
    assert piece is not None
    asked = {one.reading: one for found in asked_of(load_standard(bench), piece, today=TODAY).values() for one in found}
    assert [one.control for one in asked.values()] == [
        *("number", "choice", "timer", "timer", "number", "timer", "tick"),
    ]
    assert typed_value(asked["metal_mm"], "0,45") == "0.45"
    assert typed_value(asked["wait_s"], "1 200") == "1200"
    assert typed_value(asked["fit_check"], "Yes") == "yes"
    assert typed_value(asked["residue"], " steam ") == "steam"
    for reading, wrong in (("metal_mm", ""), ("wait_s", "-3"), ("fit_check", "x"), ("residue", " "), ("coats", "two")):
        with pytest.raises(EntryError):
            typed_value(asked[reading], wrong)
    with pytest.raises(EntryError, match="names no reading “height”"):
        write_reading(bench, Written(restoration_id="N1", step="bonding", reading="height", value="1"), who=WHO)
    assert readings(bench) == []


def test_a_scanned_code_is_a_restoration_a_machine_or_a_lot_or_asked_about(bench: Store) -> None:
    assert meanings(bench, "N1") == ("restoration",)
    assert meanings(bench, "F1") == ()
    version = bench.data_version()
    use_at_step(bench, "opaquer", StepCodes(operator="T1", equipment="F1"), owner="T1", today=TODAY)
    assert bench.data_version() == version  # kept for the day, no record
    assert meanings(bench, " F1 ") == ("equipment",)
    assert in_use(bench, owner="T1", today=TODAY) == {"opaquer": StepCodes(operator="T1", equipment="F1")}
    assert in_use(bench, owner="T1", today=TODAY + timedelta(days=1)) == {}
    assert in_use(bench, owner="T2", today=TODAY) == {}
    written = Written(restoration_id="N1", step="blasting", reading="residue", value="brush", lot="F1", equipment="B1")
    write_reading(bench, written, who=WHO, at=AT)
    assert meanings(bench, "F1") == ("equipment", "lot")
    assert meanings(bench, "B1") == ("equipment",)
    assert known_values(bench, "blasting", "residue") == ("brush",)


def test_the_bench_tells_what_is_recorded_and_what_comes_next(bench: Store) -> None:
    begin(bench, "ZR", framework="zirconia", due_on=TODAY)
    for step, reading, value in (("framework", "metal_mm", "0.5"), ("blasting", "residue", "brush")):
        write_reading(bench, Written(restoration_id="N1", step=step, reading=reading, value=value), who=WHO, at=AT)
    stand = bench_stand(bench, technician="T1", who=WHO, today=TODAY)
    assert [(one.piece.restoration_id, one.recorded, one.needed, one.next_step) for one in stand.pieces] == [
        ("ZR", 0, 6, "blasting"),
        ("N1", 2, 7, "bonding"),
    ]
    assert stand.unfinished == 2


@pytest.mark.parametrize(
    ("reading", "unit", "name"),
    [
        ("blast_to_bond_min", "min", "blast to bond"),
        ("wait_s", " S ", "wait"),
        ("humidity_pct", "%", "humidity"),
        ("opaquer_coats", "coats", "opaquer coats"),
        ("grit_uses", "uses", "grit uses"),
        ("uses", "uses", "uses"),
        ("s", "s", "s"),
        ("cure_s", "min", "cure s"),
    ],
)
def test_a_reading_is_named_in_words_without_its_unit(reading: str, unit: str, name: str) -> None:
    rule = Rule(kind="at_least", low=1.0)
    one = Requirement(factor="f", step="s", reading=reading, unit=unit, rule=rule, valid_from=TODAY)
    assert Asked(step="s", reading=reading, requirements=(one,)).name == name


def test_a_word_that_was_taken_back_is_not_offered_again(bench: Store) -> None:
    written = Written(restoration_id="N1", step="blasting", reading="residue", value="brsh")
    typo = write_reading(bench, written, who=WHO, at=AT)
    write_reading(bench, replace(written, value="brush"), who=WHO, at=AT)
    assert known_values(bench, "blasting", "residue") == ("brsh", "brush")
    void_reading(bench, typo, who=WHO, why="mistyped")
    assert known_values(bench, "blasting", "residue") == ("brush",)

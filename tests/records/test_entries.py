"""What a person types: checks, numbers, double entries, several defects at once, taking back, the time line."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import date
from typing import Any

import pytest
from sqlalchemy import func, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.entries import (
    DoubleEntryError,
    RefusedEntryError,
    enter_restoration,
    enter_return,
    enter_returns,
    void_return,
    void_returns,
)
from remakes.records.look_up import find_restoration, latest_returns, match_number
from remakes.records.store import Store

TODAY = date(2026, 4, 1)
RETURN: dict[str, object] = {"restoration_id": "B-1001", "reported_on": "2026-03-20", "defect": "chipping"}


def enter(store: Store, **changes: Any) -> int:
    confirm = bool(changes.pop("confirm_double", False))
    return enter_return(store, RETURN | changes, who="QA", confirm_double=confirm, today=TODAY)


def number_of_returns(store: Store) -> int:
    with store.reader() as connection:
        return connection.scalar(select(func.count()).select_from(schema.returns)) or 0


def audit_lines(store: Store) -> list[tuple[str, str, str | None]]:
    with store.reader() as connection:
        audit = schema.audit.c
        rows = connection.execute(select(audit.who, audit.what, audit.row_key).order_by(audit.id))
        return [(row.who, row.what, row.row_key) for row in rows]


def test_find_a_restoration_by_its_number(lab: Store) -> None:
    row_id = enter(lab, teeth="35", note="came back in two pieces")
    found = find_restoration(lab, " B-1001 ")
    assert found is not None
    assert (found.kind, found.teeth, found.units, found.clinic) == ("bridge", "34 35 36", 3, "C07")
    assert (found.delivered_on, found.technician, found.extra) == (date(2026, 1, 19), None, {})
    (one,) = found.returns
    assert (one.row_id, one.defect, one.teeth, one.note) == (row_id, "chipping", "35", "came back in two pieces")
    assert not one.voided
    assert find_restoration(lab, "B-9999") is None
    assert find_restoration(lab, "b-1001") is None


def test_a_blank_number_and_day_are_filled_in(lab: Store) -> None:
    enter(lab)
    enter(lab, restoration_id="B-1002", return_id=" ")
    enter(lab, restoration_id="B-1003", return_id="OUR-7", entered_on="2026-03-30")
    assert [(one.return_id, one.entered_on) for one in latest_returns(lab)] == [
        ("OUR-7", date(2026, 3, 30)),
        ("R-20260401-0002", TODAY),
        ("R-20260401-0001", TODAY),
    ]


def test_numbers_go_on_past_foreign_endings_and_9999(lab: Store) -> None:
    for return_id, defect in (("R-20260401-9999", "seating"), ("R-20260401-x", "contact")):
        enter(lab, return_id=return_id, defect=defect)
    enter(lab)
    assert latest_returns(lab, limit=1)[0].return_id == "R-20260401-10000"


def test_every_entry_is_audited_with_the_person(lab: Store) -> None:
    first = enter(lab)
    assert audit_lines(lab) == [("QA", "enter return", str(first))]


def test_faulty_fields_are_all_named_and_nothing_is_saved(lab: Store) -> None:
    with pytest.raises(RefusedEntryError, match="Nothing was saved") as refused:
        enter(lab, defect="chiping", severity="9", reported_on="20.03.2026")
    assert {problem.column for problem in refused.value.problems} == {"defect", "severity", "reported_on"}
    assert number_of_returns(lab) == 0
    assert audit_lines(lab) == []


def test_an_unknown_restoration_names_the_near_ones(lab: Store) -> None:
    with pytest.raises(EntryError, match=r"no restoration 'B-101'.*B-1001"):
        enter(lab, restoration_id="B-101")
    with pytest.raises(EntryError, match="Check the number") as refused:
        enter(lab, restoration_id="zzz")
    assert "Numbers near" not in str(refused.value)


def test_the_days_must_be_possible(lab: Store) -> None:
    with pytest.raises(RefusedEntryError, match=r"before the restoration was delivered \(2026-01-19\)"):
        enter(lab, reported_on="2026-01-18")
    with pytest.raises(RefusedEntryError, match="later than today"):
        enter(lab, reported_on="2026-04-02")
    with pytest.raises(RefusedEntryError, match="later than today"):
        enter(lab, entered_on="2027-03-20")
    assert number_of_returns(lab) == 0
    enter(lab, reported_on="2026-01-18", found_at="before_delivery")
    enter(lab, reported_on="2026-01-19", defect="seating")
    assert number_of_returns(lab) == 2


@pytest.mark.parametrize(("day", "doubled"), [("2026-03-06", True), ("2026-03-05", False), ("2026-03-31", True)])
def test_the_same_defect_within_fourteen_days_is_asked_about(lab: Store, day: str, doubled: bool) -> None:
    enter(lab)
    if not doubled:
        enter(lab, reported_on=day)
        assert number_of_returns(lab) == 2
        return
    with pytest.raises(DoubleEntryError, match="choose “Save as another return”") as asked:
        enter(lab, reported_on=day)
    assert (asked.value.return_id, asked.value.reported_on) == ("R-20260401-0001", date(2026, 3, 20))
    assert number_of_returns(lab) == 1
    enter(lab, reported_on=day, confirm_double=True)
    assert number_of_returns(lab) == 2


def test_what_differs_or_was_taken_back_is_no_double(lab: Store) -> None:
    row_id = enter(lab)
    enter(lab, defect="debonding")
    enter(lab, restoration_id="B-1003")
    void_return(lab, row_id, who="QA", why="wrong restoration")
    enter(lab)
    assert number_of_returns(lab) == 4


def test_several_defects_of_one_return_share_a_number(lab: Store) -> None:
    ids = enter_returns(lab, [RETURN | {"primary": "yes"}, RETURN | {"defect": "discoloration"}], who="QA", today=TODAY)
    found = latest_returns(lab)
    assert [one.row_id for one in found] == list(ids)[::-1]
    assert {one.return_id for one in found} == {"R-20260401-0001"}
    assert len(audit_lines(lab)) == 2


@pytest.mark.parametrize(
    ("second", "words"),
    [
        ({"defect": "rust"}, "not known"),
        ({}, "chipping is entered twice"),
        ({"defect": "contact", "restoration_id": "B-1002"}, "different restoration_id"),
        ({"defect": "contact", "reported_on": "2026-03-21"}, "different reported_on"),
        ({"defect": "contact", "return_id": "OUR-1"}, "different return_id"),
        ({"defect": "contact", "primary": "yes"}, "More than one defect is marked"),
    ],
)
def test_several_defects_are_saved_together_or_not_at_all(lab: Store, second: dict[str, object], words: str) -> None:
    with pytest.raises(RefusedEntryError, match=words):
        enter_returns(lab, [RETURN | {"primary": "yes"}, RETURN | second], who="QA", today=TODAY)
    assert number_of_returns(lab) == 0


def test_a_double_among_several_leaves_nothing_behind(lab: Store) -> None:
    enter(lab)
    with pytest.raises(DoubleEntryError):
        enter_returns(lab, [RETURN | {"defect": "contact"}, RETURN], who="QA", today=TODAY)
    assert number_of_returns(lab) == 1
    assert len(audit_lines(lab)) == 1


def test_no_defect_at_all_is_refused(lab: Store) -> None:
    with pytest.raises(EntryError, match="at least one defect"):
        enter_returns(lab, [], who="QA")


def test_a_number_that_is_taken(lab: Store) -> None:
    row_id = enter(lab, return_id="OUR-1")
    with pytest.raises(RefusedEntryError, match="OUR-1 has chipping already"):
        enter(lab, return_id="OUR-1", confirm_double=True)
    with pytest.raises(RefusedEntryError, match="OUR-1 belongs to restoration B-1001"):
        enter(lab, return_id="OUR-1", restoration_id="B-1002")
    # A further defect of the same return is what the number is for.
    enter(lab, return_id="OUR-1", defect="debonding")
    void_return(lab, row_id, who="QA", why="slip")
    with pytest.raises(RefusedEntryError, match="has chipping already, taken back"):
        enter(lab, return_id="OUR-1")


def test_taking_back_keeps_the_row_with_the_reason(lab: Store) -> None:
    row_id = enter(lab)
    void_return(lab, row_id, who="QA2", why=" wrong tooth ")
    (one,) = latest_returns(lab)
    assert one.voided
    assert one.voided_why == "wrong tooth"
    assert audit_lines(lab)[-1] == ("QA2", "take back return", str(row_id))
    with pytest.raises(EntryError, match="taken back before"):
        void_return(lab, row_id, who="QA", why="again")
    assert len(audit_lines(lab)) == 2


def test_taking_back_needs_a_row_and_a_reason(lab: Store) -> None:
    row_id = enter(lab)
    with pytest.raises(EntryError, match="No reason"):
        void_return(lab, row_id, who="QA", why="  ")
    with pytest.raises(EntryError, match="at most 2,000"):
        void_return(lab, row_id, who="QA", why="a" * 2001)
    with pytest.raises(EntryError, match="no return in row 999"):
        void_return(lab, 999, who="QA", why="slip")
    assert not latest_returns(lab)[0].voided


def test_the_latest_returns_first(lab: Store) -> None:
    ids = [enter(lab, defect=defect) for defect in ("chipping", "debonding", "contact")]
    assert [one.row_id for one in latest_returns(lab, limit=2)] == [ids[2], ids[1]]
    with pytest.raises(EntryError, match="1 or more"):
        latest_returns(lab, limit=0)


def test_other_columns_and_blanks_are_kept_as_they_are(lab: Store) -> None:
    enter(lab, severity="4", harm="no", cost="12.5", bare_metal_pct="", shelf="B", patient="somebody")
    (one,) = latest_returns(lab)
    assert (one.severity, one.harm, one.cost, one.bare_metal_pct) == (4, False, 12.5, None)
    assert one.extra == {"shelf": "B"}


def test_two_desks_at_once_never_share_a_number(lab: Store) -> None:
    defects = ["chipping", "debonding", "contact", "seating", "occlusion", "surface", "porosity", "transit"]
    with ThreadPoolExecutor(4) as desks:
        list(desks.map(lambda defect: enter(lab, defect=defect), defects))
    assert sorted(one.return_id for one in latest_returns(lab)) == [f"R-20260401-{n:04d}" for n in range(1, 9)]
    assert len(audit_lines(lab)) == 8


def test_two_desks_at_once_are_asked_about_the_same_return(lab: Store) -> None:
    def try_to_enter(_: int) -> bool:
        try:
            enter(lab)
        except DoubleEntryError:
            return False
        return True

    with ThreadPoolExecutor(4) as desks:
        saved = list(desks.map(try_to_enter, range(4)))
    assert sum(saved) == 1
    assert number_of_returns(lab) == 1


@pytest.mark.parametrize("typed", ["B-1001", " B-1001 ", "b-1001", "b - 1001", "B-1001\t"])
def test_a_number_is_found_whatever_the_scanner_made_of_it(lab: Store, typed: str) -> None:
    assert match_number(lab, typed).found == "B-1001"


def test_a_number_that_is_not_there_gives_those_near_it(lab: Store) -> None:
    assert match_number(lab, "B-101").near[:1] == ("B-1001",)
    assert match_number(lab, "  ").found is None
    assert match_number(lab, "zzz") == match_number(lab, "")


def test_two_numbers_alike_but_for_capitals_are_not_guessed_between(lab: Store) -> None:
    enter_restoration(lab, MISSING | {"restoration_id": "b-1001"}, who="QA", today=TODAY)
    assert match_number(lab, "b-1001").found == "b-1001"
    found = match_number(lab, "B -1001")
    assert (found.found, set(found.near)) == (None, {"B-1001", "b-1001"})


MISSING: dict[str, object] = {"restoration_id": "B-2000", "kind": "crown", "teeth": "11", "delivered_on": "2026-03-01"}


def test_a_missing_restoration_is_entered_so_that_its_return_can_be(lab: Store) -> None:
    assert enter_restoration(lab, MISSING | {"clinic": "C07"}, who="QA", today=TODAY) == "B-2000"
    found = find_restoration(lab, "B-2000")
    assert found is not None
    assert (found.units, found.clinic, found.import_id) == (1, "C07", None)
    assert audit_lines(lab) == [("QA", "enter restoration", "B-2000")]
    enter(lab, restoration_id="B-2000")
    assert number_of_returns(lab) == 1


@pytest.mark.parametrize(
    ("changes", "column"),
    [
        ({"restoration_id": "B-1001"}, "restoration_id"),
        ({"kind": "hat"}, "kind"),
        ({"delivered_on": "2026-04-02"}, "delivered_on"),
        ({"teeth": ""}, "units"),
    ],
)
def test_a_restoration_by_hand_is_checked_as_an_imported_one(
    lab: Store, changes: dict[str, object], column: str
) -> None:
    with pytest.raises(RefusedEntryError, match="Nothing was saved") as refused:
        enter_restoration(lab, MISSING | changes, who="QA", today=TODAY)
    assert {problem.column for problem in refused.value.problems} == {column}
    assert audit_lines(lab) == []


def test_the_rows_of_a_return_are_taken_back_together_or_not_at_all(lab: Store) -> None:
    rows = enter_returns(lab, [RETURN, RETURN | {"defect": "contact"}], who="QA", today=TODAY)
    with pytest.raises(EntryError, match="no return in row 999"):
        void_returns(lab, [*rows, 999], who="QA", why="slip")
    assert not any(one.voided for one in latest_returns(lab))
    void_returns(lab, rows, who="QA", why="slip")
    assert all(one.voided for one in latest_returns(lab))

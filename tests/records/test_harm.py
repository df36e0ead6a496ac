"""Reports of possible harm: which are open, who dealt with them, and what the database itself refuses."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.exc import DBAPIError

from remakes.errors import EntryError, NotAllowedError
from remakes.records import schema
from remakes.records.corrections import correct_return
from remakes.records.entries import enter_return, enter_returns, void_return
from remakes.records.harm import (
    LONGEST,
    HarmChangedError,
    HarmReport,
    deal_with_harm,
    deal_with_past_harm,
    harm_reports,
    harm_version,
    open_harm_again,
    recently_dealt_with,
)
from remakes.records.importers import import_paths, undo_import
from remakes.records.look_up import recorded_returns
from remakes.records.permissions import Actor, Role
from remakes.records.store import Store, open_store
from remakes.records.time_line import restoration_history
from remakes.records.upkeep import backup, check
from tests.new_stores import new_store

TODAY = date(2026, 4, 1)
RETURN: dict[str, object] = {
    "restoration_id": "B-1001",
    "reported_on": "2026-03-20",
    "defect": "chipping",
    "return_id": "R-1",
    "harm": "yes",
}


def enter(store: Store, who: str = "quality Q1", **changes: Any) -> int:
    return enter_return(store, RETURN | changes, who=who, today=TODAY)


def correct(store: Store, row_id: int, who: str = "quality Q2", **changes: object) -> None:
    (opened,) = recorded_returns(store, [row_id])
    correct_return(store, opened, changes, who=who, today=TODAY)


def report(store: Store, number: str = "R-1") -> HarmReport:
    return next(one for one in harm_reports(store) if one.return_id == number)


def deal(store: Store, done: str = "called the dentist", number: str = "R-1", **changes: Any) -> None:
    asked: dict[str, Any] = {"done": done, "who": "manager M1", "version": report(store, number).version}
    deal_with_harm(store, number, **(asked | changes))


def test_a_report_is_open_until_somebody_says_what_was_done_and_no_figure_moves(lab: Store) -> None:
    enter(lab)
    figures, data = lab.figures_version(), lab.data_version()
    before = report(lab)
    assert (before.is_open, before.version, before.last, before.defects) == (True, 0, None, ("chipping",))
    assert (before.restoration_id, before.reported_on, before.month) == ("B-1001", date(2026, 3, 20), "2026-03")
    assert before.noted is not None
    assert (before.noted.how, before.noted.who) == ("entered", "quality Q1")
    assert harm_version(lab) == 0
    deal(lab, " called the dentist, piece kept ")
    after = report(lab)
    assert after.last is not None
    assert (after.is_open, after.version, after.last.note) == (False, 1, "called the dentist, piece kept")
    assert (after.last.who, after.last.dealt_with) == ("manager M1", True)
    assert lab.figures_version() == figures
    assert (lab.data_version(), harm_version(lab)) == (data + 1, data + 1)
    with lab.reader() as connection:
        line = connection.execute(select(schema.audit).order_by(schema.audit.c.id.desc()).limit(1)).one()
    assert (line.what, line.who, line.table_name, line.row_key) == ("deal with harm", "manager M1", "harm_notes", "R-1")
    assert line.detail["restoration_id"] == "B-1001"


def test_reports_come_the_oldest_first_however_old_and_several_defects_are_one(lab: Store) -> None:
    enter(lab, return_id="R-9", reported_on="2026-03-30")
    enter(lab, return_id="R-2", restoration_id="B-1002", reported_on="2026-02-03", harm="no")
    old = enter(lab, return_id="R-3", restoration_id="B-1002", reported_on="2026-02-03", defect="loosening", harm="no")
    # Set late, on a return of long ago.
    correct(lab, old, harm="yes")
    both = [RETURN | {"return_id": "R-4", "defect": one} for one in ("debonding", "surface")]
    enter_returns(lab, both, who="quality Q1", today=TODAY)
    found = harm_reports(lab)
    assert [one.return_id for one in found] == ["R-3", "R-4", "R-9"]
    assert found[1].defects == ("debonding", "surface")
    assert found[0].noted is not None
    assert (found[0].noted.how, found[0].noted.who) == ("corrected", "quality Q2")
    assert [one.return_id for one in harm_reports(lab, restoration_id="B-1002")] == ["R-3"]
    deal(lab, number="R-4")
    assert [one.return_id for one in harm_reports(lab) if one.is_open] == ["R-3", "R-9"]


def test_a_technician_is_given_reports_on_own_pieces_only(lab: Store) -> None:
    enter(lab)
    enter(lab, return_id="R-2", restoration_id="B-1002")
    with lab.writer(may="import lists") as connection:
        table = schema.restorations
        connection.execute(table.update().where(table.c.restoration_id == "B-1002").values(technician="T1"))
    assert [one.return_id for one in harm_reports(lab, made_by="T1")] == ["R-2"]
    assert harm_reports(lab, made_by="T2") == ()


def test_it_can_be_opened_again_with_a_reason_and_dealt_with_once_more(lab: Store) -> None:
    enter(lab)
    with pytest.raises(EntryError, match="open already"):
        open_harm_again(lab, "R-1", why="x", who="manager M1", version=0)
    deal(lab)
    with pytest.raises(EntryError, match="Write why it is opened again"):
        open_harm_again(lab, "R-1", why=" ", who="manager M1", version=1)
    open_harm_again(lab, "R-1", why="the patient called again", who="quality Q1", version=1)
    again = report(lab)
    assert again.last is not None
    assert (again.is_open, again.version, again.last.dealt_with) == (True, 2, False)
    deal(lab, "dentist saw the patient")
    assert (report(lab).is_open, report(lab).version) == (False, 3)
    told = [(one.what, one.detail, one.who) for one in restoration_history(lab, "B-1001") if "harm" in one.what]
    assert told == [
        ("harm dealt with", "R-1: called the dentist", "manager M1"),
        ("harm opened again", "R-1: the patient called again", "quality Q1"),
        ("harm dealt with", "R-1: dentist saw the patient", "manager M1"),
    ]


def test_a_mark_corrected_away_closes_the_report_and_one_set_again_opens_it(lab: Store) -> None:
    row = enter(lab)
    deal(lab)
    correct(lab, row, note="seen again")
    assert not report(lab).is_open
    correct(lab, row, harm="no")
    assert harm_reports(lab) == ()
    with pytest.raises(EntryError, match="not marked as possible harm any more"):
        deal_with_harm(lab, "R-1", done="x", who="manager M1", version=1)
    correct(lab, row, harm="yes")
    again = report(lab)
    assert (again.is_open, again.version) == (True, 1)
    assert again.noted is not None
    assert again.noted.how == "corrected"
    deal(lab, "looked at again")
    assert not report(lab).is_open
    void_return(lab, row, who="quality Q1", why="wrong piece")
    assert harm_reports(lab) == ()
    # What was written stays in sight.
    assert [one.what for one in restoration_history(lab, "B-1001") if "harm" in one.what] == ["harm dealt with"] * 2


def test_a_mark_on_a_further_defect_of_the_return_opens_it_again(lab: Store) -> None:
    enter(lab)
    other = enter(lab, defect="debonding", harm="")
    deal(lab)
    assert not report(lab).is_open
    correct(lab, other, harm="yes")
    assert (report(lab).is_open, report(lab).defects) == (True, ("chipping", "debonding"))


def _file(folder: Path, harm: str) -> Path:
    file = folder / "returns.csv"
    file.write_text(f"return_id,restoration_id,reported_on,defect,harm\nR-7,B-1002,2026-02-10,chipping,{harm}\n")
    return file


def test_a_mark_that_a_file_sets_is_told_and_opens_the_report(lab: Store, tmp_path: Path) -> None:
    def take(harm: str) -> int:
        taken = import_paths(lab, [_file(tmp_path, harm)], who="quality Q3")
        number = taken.tables[0].import_id
        assert number is not None
        return number

    take("yes")
    noted = report(lab, "R-7").noted
    assert noted is not None
    assert (noted.how, noted.who) == ("imported", "quality Q3")
    deal(lab, number="R-7")
    away = take("no")
    assert harm_reports(lab) == ()
    undo_import(lab, away, who="quality Q3")
    # As before the file that was taken back: the mark was never new.
    assert not report(lab, "R-7").is_open
    take("no")
    take("yes")
    assert report(lab, "R-7").is_open


def test_reports_of_past_years_that_came_with_a_list_are_dealt_with_together_or_not_at_all(
    lab: Store, tmp_path: Path
) -> None:
    rows = "".join(f"R-{number},B-1002,2026-02-{number},chipping,yes\n" for number in (10, 11, 12))
    file = tmp_path / "returns.csv"
    file.write_text(f"return_id,restoration_id,reported_on,defect,harm\n{rows}")
    import_paths(lab, [file], who="quality Q3")
    enter(lab)
    old, later = date(2026, 5, 13), date(2026, 9, 1)
    # Up to ninety days, and what was entered here, each is dealt with by itself.
    assert [one.past(old) for one in harm_reports(lab)] == [True, True, False, False]
    assert [one.past(later) for one in harm_reports(lab)] == [True, True, True, False]
    past = harm_reports(lab)[:3]
    deal(lab, number="R-12")
    with pytest.raises(HarmChangedError, match="manager M1 dealt with it meanwhile"):
        deal_with_past_harm(lab, past, done="known then", who="manager M1", today=later)
    assert [one.return_id for one in harm_reports(lab) if one.is_open] == ["R-10", "R-11", "R-1"]
    with pytest.raises(EntryError, match="R-1 is not one of the past"):
        deal_with_past_harm(lab, [*past[:2], report(lab)], done="known then", who="manager M1", today=later)
    version = lab.figures_version()
    deal_with_past_harm(lab, past[:2], done="known then", who="manager M1", today=later)
    assert [one.return_id for one in harm_reports(lab) if one.is_open] == ["R-1"]
    assert lab.figures_version() == version
    last = report(lab, "R-10").last
    assert last is not None
    assert (last.note, last.who) == ("known then", "manager M1")


def test_what_is_written_is_short_and_not_blank(lab: Store) -> None:
    enter(lab)
    for wrong, said in ((" ", "Write what was done"), ("x" * (LONGEST + 1), "at most 300"), ("a\tb", "control sign")):
        with pytest.raises(EntryError, match=said):
            deal(lab, wrong)
    with pytest.raises(EntryError, match="blank"):
        deal(lab, who="")
    with pytest.raises(EntryError, match="not marked"):
        deal_with_harm(lab, "R-2", done="x", who="manager M1", version=0)
    assert report(lab).is_open
    assert harm_version(lab) == 0


def test_nobody_answers_unseen_what_another_has_answered(lab: Store) -> None:
    enter(lab)
    deal(lab, "called at noon", who="quality Q2")
    with pytest.raises(HarmChangedError, match=r"quality Q2 dealt with it meanwhile: “called at noon”.*“wrote a note”"):
        deal(lab, "wrote a note", version=0)
    with pytest.raises(EntryError, match="dealt with already"):
        deal(lab, "wrote a note")
    open_harm_again(lab, "R-1", why="not reached", who="quality Q2", version=1)
    with pytest.raises(HarmChangedError, match="opened it again meanwhile"):
        open_harm_again(lab, "R-1", why="mine", who="manager M1", version=1)
    assert report(lab).version == 2


@pytest.mark.parametrize(("role", "may"), [("quality", True), ("manager", True), ("technician", False)])
def test_quality_and_managers_may(tmp_path: Path, role: Role, may: bool) -> None:
    store = new_store(tmp_path / "lab.sqlite")
    with store.writer(may="import lists") as connection:
        row = {"restoration_id": "B-1001", "kind": "crown", "units": 1, "delivered_on": date(2026, 1, 1)}
        connection.execute(schema.restorations.insert().values(row))
    enter(store)
    one = store.acting_as(Actor(code="X1", roles=frozenset({role})))
    if may:
        deal(one)
    else:
        with pytest.raises(NotAllowedError, match="deal with harm"):
            deal(one)
    assert report(store).is_open is not may
    store.close()


def test_the_database_refuses_to_change_or_lose_what_was_done(lab: Store) -> None:
    enter(lab)
    deal(lab)
    for statement in ("UPDATE harm_notes SET note = 'x'", "DELETE FROM harm_notes"):
        with pytest.raises(DBAPIError, match="append-only"), lab.writer(may="import lists") as connection:
            connection.exec_driver_sql(statement)
    assert not report(lab).is_open


def test_those_dealt_with_in_the_last_twelve_months_the_latest_first(lab: Store) -> None:
    for number in ("R-1", "R-2"):
        enter(lab, return_id=number, defect="chipping" if number == "R-1" else "surface")
        deal(lab, number=number)
    reports = harm_reports(lab)
    assert [one.return_id for one in recently_dealt_with(reports)] == ["R-2", "R-1"]
    assert recently_dealt_with(reports, today=date.today() + timedelta(days=367)) == ()
    open_harm_again(lab, "R-2", why="x", who="manager M1", version=1)
    assert [one.return_id for one in recently_dealt_with(harm_reports(lab))] == ["R-1"]


def test_the_check_says_how_many_are_open_and_a_lost_guard_is_a_fault(lab: Store, tmp_path: Path) -> None:
    enter(lab)
    enter(lab, return_id="R-2", defect="surface")
    told = [one.text for one in check(lab) if "possible harm" in one.text]
    assert told == ["2 reports of possible harm are open (R-1, R-2). Say on the page Today what was done about each."]
    deal(lab, number="R-2")
    assert "1 report of possible harm is open (R-1)" in "".join(str(one) for one in check(lab))
    deal(lab)
    assert not [one for one in check(lab) if "possible harm" in one.text]
    if lab.sqlite_path is None:
        return
    copy = tmp_path / "copy.sqlite"
    backup(lab, copy)
    kept = open_store(str(copy))
    assert harm_reports(kept) == harm_reports(lab)
    with kept.writer(may="import lists") as connection:
        connection.exec_driver_sql("DROP TRIGGER harm_notes_no_update")
    assert [one.text for one in check(kept) if one.severity == "fault"] == [
        "What was done about possible harm is no longer protected against changes. Restore a backup."
    ]
    kept.close()

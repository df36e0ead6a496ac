"""A correction by a person outlives the same list; a list that says a third thing counts."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sqlalchemy import select

from remakes.records import schema
from remakes.records.corrections import correct_return
from remakes.records.importers import import_paths, list_imports, preview, undo_import
from remakes.records.look_up import RecordedReturn, recorded_return
from remakes.records.remake_links import link_remake, unlink_remake
from remakes.records.store import Store
from tests.records.importers.lists import everything, reading, restoration, returned, small_lab, write


def row_of(store: Store, return_id: str, defect: str) -> RecordedReturn:
    table = schema.returns.c
    with store.reader() as connection:
        row_id = connection.scalar(select(table.id).where(table.return_id == return_id, table.defect == defect))
        found = recorded_return(connection, int(row_id or 0))
    assert found is not None
    return found


def correct(store: Store, return_id: str, named: str, **changes: object) -> None:
    correct_return(store, row_of(store, return_id, named), changes, who="QA1")


def counts(store: Store, folder: Path) -> tuple[int, int, int]:
    report = import_paths(store, [folder])
    assert report.ok, report
    tables = report.tables
    return (sum(one.taken for one in tables), sum(one.changed for one in tables), sum(one.unchanged for one in tables))


def note_of(told: Any) -> str:
    return " ".join(note for one in told for note in one.notes)


def test_the_same_list_does_not_undo_a_correction(store: Store, tmp_path: Path) -> None:
    folder = small_lab(tmp_path / "lab")
    import_paths(store, [folder])
    correct(store, "Q2", "chipping", severity="2", note="wax", extra={"shade": "A2"})
    before = everything(store)
    (found,) = (one for one in preview([folder], store=store) if one.table == "returns")
    assert (found.taken, found.changed) == (0, 0)
    assert "1 row has what a person corrected since; the correction stays (Q2)." in found.notes
    taken, changed, _ = counts(store, folder)
    assert (taken, changed) == (0, 0)
    assert everything(store) == before


def test_a_corrected_defect_does_not_come_in_a_second_time(store: Store, tmp_path: Path) -> None:
    folder = small_lab(tmp_path / "lab")
    import_paths(store, [folder])
    correct(store, "Q2", "chipping", defect="surface")
    before = everything(store)
    assert counts(store, folder)[:2] == (0, 0)
    assert everything(store) == before
    # What else the list says of that row is news, and counts for the corrected row.
    later = write(tmp_path / "later", returns=[returned("R3", "Q2", note="new")])
    assert counts(store, later) == (0, 1, 0)
    assert row_of(store, "Q2", "surface").note == "new"
    # Another defect in the same list is another one.
    both = write(tmp_path / "both", returns=[returned("R3", "Q2"), returned("R3", "Q2", defect="surface", note="new")])
    assert counts(store, both) == (1, 0, 1)
    assert row_of(store, "Q2", "chipping").severity == 4


def test_a_list_that_says_a_third_thing_counts(store: Store, tmp_path: Path) -> None:
    folder = small_lab(tmp_path / "lab")
    import_paths(store, [folder])
    correct(store, "Q2", "chipping", severity="2")
    third = write(tmp_path / "third", returns=[returned("R3", "Q2", severity="5", note="edge")])
    assert counts(store, third) == (0, 1, 0)
    assert row_of(store, "Q2", "chipping").severity == 5
    # Now the person's word no longer stands, so the first list is news again.
    assert counts(store, folder)[1] == 1
    assert row_of(store, "Q2", "chipping").severity == 4


def test_a_correction_of_a_correction_stays_too(store: Store, tmp_path: Path) -> None:
    folder = small_lab(tmp_path / "lab")
    import_paths(store, [folder])
    correct(store, "Q2", "chipping", reported_on="2026-04-03", severity="2")
    correct(store, "Q2", "chipping", reported_on="2026-04-04", severity="4")
    assert counts(store, folder)[:2] == (0, 0)
    assert row_of(store, "Q2", "chipping").reported_on.isoformat() == "2026-04-04"


def test_a_link_of_a_remake_stays_linked_and_a_link_taken_back_stays_so(store: Store, tmp_path: Path) -> None:
    first = restoration("R1", delivered_on="2026-03-01")
    folder = write(tmp_path / "lab", restorations=[first, restoration("R2", delivered_on="2026-03-05", remake_of="")])
    import_paths(store, [folder])
    link_remake(store, "R2", replaces="R1", who="QA1")
    before = everything(store)
    assert counts(store, folder) == (0, 0, 2)
    assert everything(store) == before
    unlink_remake(store, "R2", was="R1", who="QA1", why="another case")
    linked = write(tmp_path / "b", restorations=[first, restoration("R2", delivered_on="2026-03-05", remake_of="R1")])
    report = import_paths(store, [linked])
    assert "the correction stays (R2)" in note_of(report.tables)
    with store.reader() as connection:
        assert connection.scalars(select(schema.restorations.c.remake_of)).all() == [None, None]


def test_undo_of_a_later_list_gives_the_correction_back(store: Store, tmp_path: Path) -> None:
    folder = small_lab(tmp_path / "lab")
    import_paths(store, [folder])
    correct(store, "Q2", "chipping", severity="2")
    before = everything(store)
    later = write(tmp_path / "later", returns=[returned("R3", "Q2", note="new")], process_log=[reading("R2")])
    assert counts(store, later) == (1, 1, 0)
    assert row_of(store, "Q2", "chipping").severity == 2
    for one in list_imports(store)[:2]:
        undo_import(store, one.import_id, who="QA1")
    assert everything(store) == before


def test_what_is_corrected_while_the_list_is_being_checked_stays(store: Store, tmp_path: Path) -> None:
    folder = small_lab(tmp_path / "lab")
    import_paths(store, [folder])

    def somebody_corrects(file: str, done: int, rows: int) -> None:
        if file == "returns.csv" and row_of(store, "Q2", "chipping").severity == 4:
            correct(store, "Q2", "chipping", severity="2")
        if file == "restorations.csv" and row_of(store, "Q2", "chipping").note != "wax":
            correct(store, "Q2", "chipping", note="wax")

    report = import_paths(store, [folder], progress=somebody_corrects)
    assert report.ok
    stands = row_of(store, "Q2", "chipping")
    assert (stands.severity, stands.note) == (2, "wax")
    assert "1 row has what a person corrected since; the correction stays (Q2)." in note_of(report.tables)


def test_what_is_corrected_again_while_the_list_is_being_checked_stays_as_it_is_then(
    store: Store, tmp_path: Path
) -> None:
    folder = small_lab(tmp_path / "lab")
    import_paths(store, [folder])
    correct(store, "Q2", "chipping", severity="2")

    def somebody_corrects(file: str, done: int, rows: int) -> None:
        if file == "returns.csv" and row_of(store, "Q2", "chipping").severity == 2:
            correct(store, "Q2", "chipping", severity="5")

    assert import_paths(store, [folder], progress=somebody_corrects).ok
    assert row_of(store, "Q2", "chipping").severity == 5

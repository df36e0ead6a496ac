"""Batches: the same again changes nothing, a changed row is kept to be undone, and undo gives all of it back."""

from __future__ import annotations

import hashlib
import io
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from PIL import Image
from sqlalchemy import event, select

from remakes.errors import InputError, RemakesError, StoreError
from remakes.records import schema
from remakes.records.corrective_actions import load_actions, load_costs, parse_actions, save_actions
from remakes.records.entries import enter_return, void_return
from remakes.records.importers import ImportReport, import_paths, list_imports, undo_import
from remakes.records.importers.batches import reading_hash
from remakes.records.importers.intake import _Intake
from remakes.records.photos import add_photo, void_photo
from remakes.records.rows import ReadingRow
from remakes.records.standard import load_standard, parse_standard, save_standard
from remakes.records.store import Store, open_store
from tests.new_stores import new_store
from tests.records.importers.lists import (
    ACTIONS,
    STANDARD,
    everything,
    reading,
    recorded,
    restoration,
    returned,
    small_lab,
    write,
)

TODAY = date(2026, 11, 25)
# Each example begins with an empty store.
steady = settings(
    derandomize=True, deadline=None, max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def take(store: Store, *paths: Path, **options: Any) -> ImportReport:
    return import_paths(store, paths, **({"today": TODAY} | options))


def counts(report: ImportReport) -> dict[str, tuple[int, int, int]]:
    return {table.table: (table.taken, table.changed, table.unchanged) for table in report.tables}


# --- the same rows again --------------------------------------------------------------------------


def test_the_same_files_again_change_nothing_and_leave_no_trace(store: Store, tmp_path: Path) -> None:
    folder = small_lab(tmp_path / "lab")
    take(store, folder)
    before, version, history = everything(store), store.data_version(), list_imports(store)
    report = take(store, folder)
    assert counts(report) == {
        "standard": (0, 0, 3),
        "actions": (0, 0, 1),
        "restorations": (0, 0, 3),
        "process_log": (0, 0, 3),
        "returns": (0, 0, 3),
    }
    assert all(table.saved and table.import_id is None for table in report.tables)
    assert (everything(store), store.data_version(), list_imports(store)) == (before, version, history)


def test_changed_rows_replace_the_former_ones_and_a_changed_reading_is_a_further_one(
    store: Store, tmp_path: Path
) -> None:
    take(store, small_lab(tmp_path / "lab"))
    folder = write(
        tmp_path / "lab",
        restorations=[restoration("R1", clinic="C9"), restoration("R2", technician="T2"), restoration("R4")],
        process_log=[reading("R1", value="200"), reading("R1")],
        returns=[returned("R1", "Q1", severity="5"), returned("R3", "Q2", note="")],
    )
    assert counts(take(store, folder, tmp_path / "lab")) == {
        "standard": (0, 0, 3),
        "actions": (0, 0, 1),
        "restorations": (1, 1, 1),
        "process_log": (1, 0, 1),
        "returns": (0, 2, 0),
    }
    rows = recorded(store)
    assert {row[0]: row[2] for row in rows["restorations"]} == {"R1": "C9", "R2": "C1", "R3": "C1", "R4": "C1"}
    assert sorted(row[3] for row in rows["process_log"] if row[0] == "R1") == ["180", "200"]
    with store.reader() as connection:
        returns = connection.execute(
            select(schema.returns).order_by(schema.returns.c.return_id, schema.returns.c.defect)
        )
        found = [(row.return_id, row.defect, row.severity, row.note) for row in returns]
    assert found == [("Q1", "chipping", 5, None), ("Q1", "debonding", 4, None), ("Q2", "chipping", 4, None)]
    # The row keeps the batch that brought it.
    with store.reader() as connection:
        query = select(schema.restorations.c.restoration_id, schema.restorations.c.import_id)
        brought_by = dict(connection.execute(query).all())
    earlier = next(batch.import_id for batch in list_imports(store)[::-1] if batch.table == "restorations")
    later = next(batch.import_id for batch in list_imports(store) if batch.table == "restorations")
    assert brought_by == {"R1": earlier, "R2": earlier, "R3": earlier, "R4": later}


def test_extras_count_as_content_of_a_restoration_and_not_of_a_reading(store: Store, tmp_path: Path) -> None:
    rows = write(tmp_path / "a", restorations=[restoration("R1") | {"shade": "A2"}], process_log=[reading("R1")])
    take(store, rows)
    rows = write(
        tmp_path / "a", restorations=[restoration("R1") | {"shade": "A3"}], process_log=[reading("R1") | {"x": "1"}]
    )
    assert counts(take(store, rows)) == {"restorations": (0, 1, 0), "process_log": (0, 0, 1)}
    take(store, write(tmp_path / "b", restorations=[restoration("R1")]))
    with store.reader() as connection:
        assert connection.scalar(select(schema.restorations.c.extra.is_(None))), "NULL, not the JSON text null"


def test_a_return_taken_back_by_a_person_stays_so_when_it_is_imported_again(store: Store, tmp_path: Path) -> None:
    folder = small_lab(tmp_path / "lab")
    take(store, folder)
    with store.reader() as connection:
        row_id = connection.scalar(select(schema.returns.c.id).where(schema.returns.c.return_id == "Q2"))
    void_return(store, int(row_id or 0), who="QA", why="wrong crown")
    take(store, folder)
    take(store, write(tmp_path / "other", returns=[returned("R3", "Q2", note="rim")]))
    with store.reader() as connection:
        row = connection.execute(select(schema.returns).where(schema.returns.c.return_id == "Q2")).one()
    assert (row.note, row.voided_why) == ("rim", "wrong crown")


def test_the_hash_of_a_reading_tells_every_field_apart() -> None:
    fields = {"restoration_id": "a", "step": "b", "reading": "c"}
    rows = [
        ReadingRow(**fields),
        ReadingRow(**fields, value="d"),
        ReadingRow(**fields, operator="d"),
        ReadingRow(**fields, equipment="d"),
        ReadingRow(**fields, lot="d"),
        ReadingRow(**fields, recorded_at=datetime.fromisoformat("2026-03-01")),
        ReadingRow(**fields, recorded_at=datetime.fromisoformat("2026-03-01 00:01")),
        ReadingRow(**(fields | {"step": "bc", "reading": "c"})),
    ]
    assert len({reading_hash(row) for row in rows}) == len(rows)
    assert reading_hash(rows[0]) == reading_hash(ReadingRow(**fields, extra={"note": "x"}))
    # It is kept in the store, so it must stay the same from release to release.
    digest = hashlib.blake2b(b"a\0b\0c\0d\0\0\0\0", digest_size=8).digest()
    assert reading_hash(rows[1]) == int.from_bytes(digest, "big", signed=True) == -4930517988688205475
    assert all(-(2**63) <= reading_hash(row) < 2**63 for row in rows)


# --- the history ----------------------------------------------------------------------------------


def test_the_history_and_the_audit_tell_of_each_batch(store: Store, tmp_path: Path) -> None:
    take(store, small_lab(tmp_path / "lab"), who="Q1")
    latest = list_imports(store)[0]
    assert (latest.file, latest.table, latest.who, latest.taken, latest.undone_at) == (
        *("returns.csv", "returns", "Q1", 3, None),
    )
    with store.reader() as connection:
        lines = connection.execute(select(schema.audit).order_by(schema.audit.c.id)).all()
        hashes = connection.scalars(select(schema.imports.c.sha256)).all()
    assert [(line.who, line.what, line.table_name) for line in lines] == [
        ("Q1", "import", table) for table in ("standard", "actions", "restorations", "process_log", "returns")
    ]
    assert lines[-1].detail == {"file": "returns.csv", "taken": 3, "changed": 0, "unchanged": 0, "refused": 0}
    assert {len(one) for one in hashes} == {64}


# --- undo -----------------------------------------------------------------------------------------


def undo_all(store: Store) -> None:
    for one in list_imports(store):
        if one.undone_at is None:
            undo_import(store, one.import_id, who="QA")


def test_import_then_undo_leaves_the_store_as_it_was(store: Store, tmp_path: Path) -> None:
    folder = small_lab(tmp_path / "lab")
    empty = everything(store)
    take(store, folder)
    first = everything(store)
    ahead = STANDARD.replace("at_least = 180", "at_least = 240").replace('"Invented"', '"Newer"')
    changed = write(
        tmp_path / "changed",
        standard=ahead,
        actions=ACTIONS.replace("0.9", "0.5").replace("0.8", "1.8"),
        restorations=[restoration("R1", clinic="C9") | {"shade": "A2"}, restoration("R5")],
        process_log=[reading("R1", value="200"), reading("R5")],
        returns=[returned("R1", "Q1", teeth="11"), returned("R5", "Q5")],
    )
    report = take(store, changed)
    assert report.ok
    assert load_standard(store).title == "Newer"
    for batch in list_imports(store)[:5]:
        table = next(one for one in report.tables if one.import_id == batch.import_id)
        assert undo_import(store, batch.import_id, who="QA") == table.taken + table.changed
    assert everything(store) == first
    undo_all(store)
    assert everything(store) == empty
    assert load_standard(store).requirements == ()
    assert (load_actions(store), load_costs(store).currency) == ((), "")
    assert counts(take(store, folder))["process_log"] == (3, 0, 0)  # can be imported again
    assert [row[:4] for row in recorded(store)["process_log"]] == [
        *(("R1", "bonding", "bond_wait_s", "180"), ("R2", "bonding", "bond_wait_s", None)),
        ("R3", "layering", "veneer_min_mm", "1.2"),
    ]


def test_an_undone_import_is_marked_and_audited_and_not_undone_twice(store: Store, tmp_path: Path) -> None:
    take(store, write(tmp_path / "lab", restorations=[restoration("R1")]))
    assert undo_import(store, 1, who="QA") == 1
    (batch,) = list_imports(store)
    assert batch.undone_at is not None
    with store.reader() as connection:
        line = connection.execute(select(schema.audit).order_by(schema.audit.c.id.desc())).first()
    assert line is not None
    assert (line.who, line.what, line.row_key) == ("QA", "undo import", "1")
    with pytest.raises(InputError, match=r"Import 1 \(restorations\.csv\) was taken back before"):
        undo_import(store, 1, who="QA")
    with pytest.raises(InputError, match="There is no import 7"):
        undo_import(store, 7, who="QA")


def refused(store: Store, import_id: int) -> str:
    before = everything(store), store.data_version()
    with pytest.raises(InputError) as caught:
        undo_import(store, import_id, who="QA")
    assert (everything(store), store.data_version()) == before
    return str(caught.value)


def test_undo_names_what_depends_on_the_restorations(store: Store, tmp_path: Path) -> None:
    take(store, small_lab(tmp_path / "lab"))
    enter_return(
        store, {"restoration_id": "R2", "reported_on": "2026-05-01", "defect": "contact"}, who="QA", today=TODAY
    )
    words = refused(store, 3)
    assert "3 readings of import 4 (process_log.csv)" in words
    assert "3 returns of import 5 (returns.csv)" in words
    assert "1 return entered by a person" in words
    assert "Take those back first" in words


def test_undo_names_later_imports_that_changed_the_same_rows(store: Store, tmp_path: Path) -> None:
    take(store, write(tmp_path / "lab", restorations=[restoration("R1"), restoration("R2")]))
    take(store, write(tmp_path / "lab", restorations=[restoration("R1", clinic="C2")]))
    take(store, write(tmp_path / "lab", restorations=[restoration("R1", clinic="C3")]))
    assert "import 2 (restorations.csv) changed 1 of its rows; import 3 (restorations.csv) changed 1" in refused(
        store, 1
    )
    assert "import 3" in refused(store, 2)
    for import_id in (3, 2, 1):
        assert undo_import(store, import_id, who="QA") == {3: 1, 2: 1, 1: 2}[import_id]


def test_undo_of_other_rows_does_not_wait_for_later_imports(store: Store, tmp_path: Path) -> None:
    take(store, write(tmp_path / "lab", restorations=[restoration("R1")]))
    take(store, write(tmp_path / "lab", restorations=[restoration("R2")]))
    take(store, write(tmp_path / "lab", restorations=[restoration("R2", clinic="C2")]))
    assert undo_import(store, 1, who="QA") == 1
    assert [row[0] for row in recorded(store)["restorations"]] == ["R2"]


def test_undo_names_returns_that_a_person_took_back(store: Store, tmp_path: Path) -> None:
    take(store, small_lab(tmp_path / "lab"))
    with store.reader() as connection:
        row_id = connection.scalar(select(schema.returns.c.id).where(schema.returns.c.return_id == "Q2"))
    void_return(store, int(row_id or 0), who="QA", why="wrong crown")
    assert "1 of its rows was changed by a person (Q2 with chipping)" in refused(store, 5)


def picture() -> bytes:
    to = io.BytesIO()
    Image.new("RGB", (60, 40), "red").save(to, "PNG")
    return to.getvalue()


def test_undo_names_photos_of_its_returns(store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("REMAKES_PHOTOS", str(tmp_path / "photos"))
    take(store, small_lab(tmp_path / "lab"))
    photo = add_photo(store, "Q2", picture(), who="QA")
    assert "one photo of its returns, to be taken back first (Q2)" in refused(store, 5)
    void_photo(store, photo.photo_id, who="QA", why="another piece")
    assert undo_import(store, 5, who="QA") == 3


def test_undo_does_not_move_a_delivery_behind_a_return(store: Store, tmp_path: Path) -> None:
    take(store, write(tmp_path / "a", restorations=[restoration("R1", delivered_on="2026-03-20")]))
    take(store, write(tmp_path / "b", restorations=[restoration("R1", delivered_on="2026-03-02")]))
    take(store, write(tmp_path / "c", returns=[returned("R1", "Q1", reported_on="2026-03-10")]))
    assert "returns reported before the former date of delivery (Q1)" in refused(store, 2)
    undo_import(store, 3, who="QA")
    undo_import(store, 2, who="QA")
    assert recorded(store)["restorations"][0][12] == date(2026, 3, 20)


def test_undo_of_a_standard_waits_for_later_ones(store: Store, tmp_path: Path) -> None:
    take(store, write(tmp_path / "lab", standard=STANDARD))
    take(store, write(tmp_path / "lab", standard=STANDARD.replace("180", "240")))
    assert "import 2 (standard.toml) changed the same content" in refused(store, 1)
    save_standard(store, parse_standard(STANDARD.replace("180", "300"), file="typed"), who="manager")
    assert "1 change of the same content by a person" in refused(store, 2)


def test_undo_of_actions_waits_for_what_a_person_changed(store: Store, tmp_path: Path) -> None:
    take(store, write(tmp_path / "lab", actions=ACTIONS))
    with store.writer(may="import lists") as connection:
        store.put_setting(connection, "costs", {"per_minute": 2.0, "currency": "EUR"}, who="manager")
    assert "1 change of the same content by a person" in refused(store, 1)
    actions, costs = parse_actions(ACTIONS.replace("0.9", "0.7"), file="typed")
    save_actions(store, actions, costs, who="manager")
    assert "2 changes of the same content by a person" in refused(store, 1)


# --- any rows -------------------------------------------------------------------------------------

text = st.text(st.characters(exclude_characters="\x00", exclude_categories=["Cs"]), max_size=6)
numbers = st.sampled_from(["R1", "R2", "r-2", "R 3", "Ö4"])
days = st.dates(date(2026, 1, 1), date(2026, 6, 1)).map(str)
restorations = st.builds(
    restoration,
    numbers,
    clinic=text,
    kind=st.sampled_from(["crown", "bridge", "crwn"]),
    difficulty=text,
    delivered_on=days,
    received_on=st.just(""),
    note=text,
)
readings = st.builds(reading, numbers, value=text | st.integers().map(str), lot=text, recorded_at=days | text)
returns = st.builds(returned, numbers, st.sampled_from(["Q1", "Q2", "Q3"]), reported_on=days, note=text)


@steady
@given(
    first=st.lists(restorations, min_size=1, max_size=4),
    again=st.lists(restorations, min_size=1, max_size=3),
    log=st.lists(readings, min_size=1, max_size=4),
    complaints=st.lists(returns, min_size=1, max_size=4),
)
# A delivery that moves behind its return, a number given twice, a restoration that no list knows.
@example(
    first=[restoration("R1"), restoration("R1", clinic="C2"), restoration("R2", kind="crwn")],
    again=[restoration("R1", delivered_on="2026-05-20", received_on="")],
    log=[reading("R1"), reading("R1"), reading("R9", recorded_at="soon")],
    complaints=[returned("R1", "Q1"), returned("R1", "Q1"), returned("R9", "Q2")],
)
def test_any_lists_can_be_imported_twice_and_undone(
    tmp_path: Path,
    first: list[Mapping[str, str]],
    again: list[Mapping[str, str]],
    log: list[Mapping[str, str]],
    complaints: list[Mapping[str, str]],
) -> None:
    store = new_store(tmp_path / "any.sqlite")
    try:
        folders = [
            write(tmp_path / "first", restorations=first, process_log=log, returns=complaints),
            write(tmp_path / "again", restorations=again),
        ]
        states = []
        for folder in folders:
            states.append(everything(store))
            take(store, folder, accept_good_rows=True)
            after, version = everything(store), store.data_version()
            repeated = take(store, folder, accept_good_rows=True)
            assert (everything(store), store.data_version()) == (after, version)
            assert all(table.taken == table.changed == 0 for table in repeated.tables)
        _undo_as_far_as_it_goes(store)
        assert everything(store) == states[0]
    finally:
        store.close()


def _undo_as_far_as_it_goes(store: Store) -> None:
    """Latest first; where a moved delivery stands in the way, what depends on it goes first."""
    for _ in range(3):
        for one in list_imports(store):
            if one.undone_at is None:
                try:
                    undo_import(store, one.import_id, who="QA")
                except InputError as error:
                    assert "depend on it" in str(error)  # noqa: PT017 - the next round must succeed
    assert all(one.undone_at is not None for one in list_imports(store))


@steady
@given(data=st.binary(max_size=300), name=st.sampled_from(["restorations.csv", "standard.toml", "lab.xlsx"]))
def test_any_bytes_are_imported_or_refused_in_words(tmp_path: Path, data: bytes, name: str) -> None:
    store = new_store(tmp_path / "bytes.sqlite")
    try:
        (tmp_path / name).write_bytes(data)
        report = take(store, tmp_path / name)
        assert not report.ok or name == "restorations.csv"
    except RemakesError as error:
        assert str(error)  # noqa: PT017 - any refusal of this program will do
    finally:
        store.close()


@steady
@given(lines=st.lists(st.lists(text, max_size=5), max_size=6), separator=st.sampled_from(",;\t"))
def test_any_lines_below_a_header_are_taken_or_refused(
    tmp_path: Path, lines: Sequence[Sequence[str]], separator: str
) -> None:
    store = new_store(tmp_path / "lines.sqlite")
    header = separator.join(["restoration_id", "kind", "units", "delivered_on"])
    content = "\n".join([header, *(separator.join(line) for line in lines)])
    try:
        (tmp_path / "restorations.csv").write_text(content, encoding="utf-8", newline="")
        report = take(store, tmp_path / "restorations.csv")
        assert report.tables[0].taken == 0  # such text is never a whole row
    except RemakesError as error:
        assert "restorations.csv" in str(error)  # noqa: PT017 - any refusal of this program will do
    finally:
        store.close()


# --- others at work -------------------------------------------------------------------------------


def test_records_changed_between_checking_and_saving_are_told(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    take(store, write(tmp_path / "first", restorations=[restoration("R1")]))
    save = _Intake._save

    def others_first(self: _Intake, checked: Any) -> Any:
        undo_import(store, 1, who="somebody else")
        return save(self, checked)

    monkeypatch.setattr(_Intake, "_save", others_first)
    before = len(list_imports(store))
    with pytest.raises(StoreError, match=r"Somebody changed the records while returns\.csv was being checked"):
        take(store, write(tmp_path / "second", returns=[returned("R1", "Q1")]))
    assert len(list_imports(store)) == before
    assert recorded(store)["returns"] == []


IMPORT = """
import sys
from pathlib import Path
from remakes.records.importers import import_paths
from remakes.records.store import open_store
store = open_store(sys.argv[1])
for folder in sys.argv[2:]:
    assert import_paths(store, [Path(folder)]).ok
"""


def test_two_processes_import_at_once_and_lose_nothing(tmp_path: Path) -> None:
    path = str(tmp_path / "lab.sqlite")
    store = open_store(path)
    folders = [
        write(tmp_path / f"lab{n}", restorations=[restoration(f"R{n}")], process_log=[reading(f"R{n}")])
        for n in range(6)
    ]
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[3])}
    running = [
        subprocess.Popen([sys.executable, "-c", IMPORT, path, *map(str, folders[n::2])], env=environment)
        for n in (0, 1)
    ]
    assert [process.wait(60) for process in running] == [0, 0]
    assert [row[0] for row in recorded(store)["restorations"]] == [f"R{n}" for n in range(6)]
    assert len(recorded(store)["process_log"]) == 6
    store.close()


# --- size -----------------------------------------------------------------------------------------


def statements(store: Store, folder: Path) -> int:
    seen: list[str] = []

    def count(*arguments: Any) -> None:
        seen.append(str(arguments[2]))

    event.listen(store.engine, "before_cursor_execute", count)
    try:
        assert take(store, folder).ok
    finally:
        event.remove(store.engine, "before_cursor_execute", count)
    return len(seen)


def many(folder: Path, numbers: range) -> Path:
    names = [f"R{n:04d}" for n in numbers]
    return write(
        folder,
        restorations=[restoration(name) for name in names],
        process_log=[reading(name, value=str(value)) for name in names for value in (180, 200)],
        returns=[returned(name, f"Q{name}") for name in names],
    )


def test_the_number_of_statements_does_not_grow_with_the_rows(store: Store, tmp_path: Path) -> None:
    few = statements(store, many(tmp_path / "few", range(2)))
    assert statements(store, many(tmp_path / "many", range(1000, 1700))) == few
    assert statements(store, many(tmp_path / "many", range(1000, 1700))) < few  # nothing new: nothing written

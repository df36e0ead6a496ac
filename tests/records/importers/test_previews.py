"""A preview shows what an import would do, and saves nothing."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from remakes.errors import FileError
from remakes.records.importers import TablePreview, import_paths, preview
from remakes.records.store import Store
from tests.new_stores import new_store
from tests.records.importers.lists import STANDARD, everything, reading, restoration, returned, small_lab, write

TODAY = date(2026, 11, 25)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """SQLite alone: nothing is written here."""
    opened = new_store(tmp_path / "lab.sqlite")
    yield opened
    opened.close()


def of(previews: tuple[TablePreview, ...], table: str) -> TablePreview:
    (found,) = (one for one in previews if one.table == table)
    return found


def test_a_preview_tells_what_the_import_then_does(store: Store, tmp_path: Path) -> None:
    folder = small_lab(tmp_path / "lab")
    before, version = everything(store), store.data_version()
    shown = preview([folder], store=store, first=2, today=TODAY)
    assert (everything(store), store.data_version()) == (before, version)
    report = import_paths(store, [folder], today=TODAY)
    assert [(one.table, one.good_rows, one.refused_rows) for one in shown] == [
        (one.table, one.taken, one.refused_rows) for one in report.tables
    ]
    assert [dict(row)["restoration_id"] for row in of(shown, "restorations").rows] == ["R1", "R2"]
    assert of(shown, "standard").rows[0] == {
        "factor": "bond_wait",
        "step": "bonding",
        "reading": "bond_wait_s",
        "rule": "at least 180",
    }
    assert of(shown, "actions").rows[0] == {"action": "bond_timer", "title": "Timer at the bonding bench"}


def test_a_preview_shows_columns_and_faults(store: Store, tmp_path: Path) -> None:
    rows = [restoration("R1") | {"shade": "A2"}, restoration("R2", kind="crwn") | {"shade": "A3"}]
    folder = write(tmp_path / "lab", restorations=rows, returns=[returned("R2", "Q1"), returned("R1", "Q2")])
    shown = preview([folder], store=store, today=TODAY)
    table = of(shown, "restorations")
    assert (table.header_line, table.good_rows, table.refused_rows) == (1, 1, 1)
    columns = {one.name: (one.read_as, one.first_cells) for one in table.columns}
    assert columns["kind"] == ("kind", ("crown", "crwn"))
    assert columns["shade"] == ("", ("A2", "A3"))
    assert [one.line for one in table.refused] == [3]
    # As for the import: nothing of a file with a fault is saved, so neither return has its restoration.
    assert of(shown, "returns").refused_rows == 2


def test_without_a_store_an_unknown_restoration_is_no_fault(store: Store, tmp_path: Path) -> None:
    folder = write(tmp_path / "lab", process_log=[reading("R1")], returns=[returned("R1", "Q1")])
    assert [(one.table, one.good_rows) for one in preview([folder], today=TODAY)] == [
        ("process_log", 1),
        ("returns", 1),
    ]
    assert [one.refused_rows for one in preview([folder], store=store, today=TODAY)] == [1, 1]


def test_a_file_of_unknown_name_shows_its_columns(tmp_path: Path) -> None:
    folder = tmp_path / "lab"
    folder.mkdir()
    (folder / "jobs.csv").write_text("Our jobs;;\nJob;Out;Patient\n1;02.03.2026;x\n2;;y\n")
    (only,) = preview([folder / "jobs.csv"])
    assert (only.table, only.header_line, only.rows) == ("", 2, ())
    assert [(one.name, one.read_as, one.first_cells) for one in only.columns] == [
        ("Job", "", ("1", "2")),
        ("Out", "", ("02.03.2026", "")),
        ("Patient", "", ()),  # never kept, so not shown either
    ]
    with pytest.raises(FileError):
        preview([folder])


def test_a_bench_sheet_whose_readings_are_not_known_is_refused_and_shown(store: Store, tmp_path: Path) -> None:
    column_map = '[[table]]\nis = "bench_sheet"\nfile = "bench.csv"\ncolumns = { restoration_id = "No." }\n'
    folder = write(
        tmp_path / "lab", map=column_map + 'readings = { bond_wait_s = "Wait" }\n', bench="No.;Wait\nR1;200\n"
    )
    (only,) = preview([folder / "bench.csv"], folder / "map.toml", store=store)
    assert (only.table, only.good_rows) == ("process_log", 0)
    assert "there is no process standard yet" in only.refused[0].reason
    assert [one.name for one in only.columns] == ["No.", "Wait"]
    write(folder, standard=STANDARD)
    (standard, sheet) = preview([folder / "bench.csv", folder / "standard.toml"], folder / "map.toml")
    assert (standard.good_rows, sheet.good_rows, sheet.refused_rows) == (3, 1, 0)
    assert [one.read_as for one in sheet.columns] == ["restoration_id", "bond_wait_s"]


def test_mistakes_of_a_standard_are_shown(tmp_path: Path) -> None:
    folder = write(tmp_path / "lab", standard=STANDARD.replace("at_least = 180", ""))
    (only,) = preview([folder])
    assert (only.good_rows, only.refused_rows) == (0, 1)
    assert "needed is exactly one of" in only.refused[0].reason

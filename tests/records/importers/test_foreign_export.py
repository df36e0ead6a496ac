"""The messy export of an invented lab gives the same records as its clean files, as CSV and as workbook."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from remakes.records.importers import ImportReport, import_paths
from remakes.records.importers.grids import open_workbook
from remakes.records.store import Store
from synthetic_data.foreign_export import make as export
from tests.new_stores import new_store
from tests.records.importers.lists import recorded

FOLDER = export.HERE
MAP = FOLDER / "map.toml"
STANDARD = FOLDER / "clean" / "standard.toml"


@pytest.fixture
def stores(tmp_path: Path) -> Iterator[tuple[Store, Store]]:
    opened = new_store(tmp_path / "messy.sqlite"), new_store(tmp_path / "clean.sqlite")
    yield opened
    for one in opened:
        one.close()


def take(store: Store, *paths: Path, column_map: Path | None = None) -> ImportReport:
    report = import_paths(store, paths, column_map=column_map, today=date(2026, 11, 25))
    assert report.ok, [str(one) for table in report.tables for one in table.refused]
    return report


def same(stores: tuple[Store, Store]) -> None:
    messy, clean = (recorded(store) for store in stores)
    assert {table: len(rows) for table, rows in clean.items()} == {
        "restorations": 40,
        "process_log": 206,
        "returns": 11,
    }
    for table, rows in clean.items():
        assert messy[table] == rows, table


def test_the_messy_csv_files_give_the_clean_records(stores: tuple[Store, Store]) -> None:
    messy = [FOLDER / name for name in ("orders.csv", "bench.csv", "complaints.csv")]
    report = take(stores[0], STANDARD, *messy, column_map=MAP)
    take(stores[1], FOLDER / "clean")
    same(stores)
    notes = {table.file: " ".join(table.notes) for table in report.tables}
    assert "Read as Windows-1252, separator ';'. Header in line 3; lines 1-2 above it not read." in notes["orders.csv"]
    assert "Empty rows dropped: line 24. Rows of totals dropped: line 45." in notes["orders.csv"]
    assert "patient data: Patient." in notes["orders.csv"]
    assert "Rows without any reading: line 8." in notes["bench.csv"]
    assert "11 rows without a return_id" in notes["complaints.csv"]


def test_the_workbook_gives_the_same_restorations(stores: tuple[Store, Store]) -> None:
    messy = [FOLDER / name for name in ("orders.xlsx", "bench.csv", "complaints.csv")]
    take(stores[0], STANDARD, *messy, column_map=MAP)
    take(stores[1], FOLDER / "clean")
    same(stores)


def test_the_workbook_after_the_csv_file_changes_nothing(stores: tuple[Store, Store]) -> None:
    take(stores[0], FOLDER / "orders.csv", column_map=MAP)
    version = stores[0].data_version()
    (table,) = take(stores[0], FOLDER / "orders.xlsx", column_map=MAP).tables
    assert (table.sheet, table.taken, table.changed, table.unchanged) == ("Aufträge 2026", 0, 0, 40)
    assert stores[0].data_version() == version


def test_the_whole_folder_as_its_readme_says(stores: tuple[Store, Store]) -> None:
    report = take(stores[0], FOLDER, STANDARD, column_map=MAP)
    assert [table.file for table in report.tables] == [
        *("standard.toml", "orders.csv", "orders.xlsx", "bench.csv", "complaints.csv")
    ]
    take(stores[1], FOLDER / "clean")
    same(stores)


def test_the_files_are_what_the_script_makes(tmp_path: Path) -> None:
    export.make(tmp_path)
    made = {path.relative_to(tmp_path) for path in tmp_path.rglob("*.csv")}
    assert len(made) == 6
    for path in made:
        assert (tmp_path / path).read_bytes() == (FOLDER / path).read_bytes(), path
    # Another release of the writer packs a workbook differently; within one release the bytes are the same.
    (tmp_path / "again").mkdir()
    export.make(tmp_path / "again")
    assert (tmp_path / "orders.xlsx").read_bytes() == (tmp_path / "again" / "orders.xlsx").read_bytes()
    grids = [
        open_workbook("orders.xlsx", (folder / "orders.xlsx").read_bytes()).grid("Aufträge 2026")
        for folder in (tmp_path, FOLDER)
    ]
    assert grids[0] == grids[1]


def test_other_seeds_make_other_lists_that_agree_too(tmp_path: Path, stores: tuple[Store, Store]) -> None:
    export.make(tmp_path / "other", seed=7)
    messy = [tmp_path / "other" / name for name in ("orders.xlsx", "bench.csv", "complaints.csv")]
    take(stores[0], STANDARD, *messy, column_map=MAP)
    take(stores[1], STANDARD, tmp_path / "other" / "clean")
    messy_rows, clean_rows = (recorded(store) for store in stores)
    assert messy_rows == clean_rows
    assert (tmp_path / "other" / "orders.csv").read_bytes() != (FOLDER / "orders.csv").read_bytes()

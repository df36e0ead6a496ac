"""Refused rows as a file: as they were, with reasons; mended, the file comes in as it is; nothing in it runs."""

from __future__ import annotations

import zipfile
from io import BytesIO
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import select

from remakes.records import schema
from remakes.records.importers import ColumnMap, TableMap, import_paths, preview
from remakes.records.importers.grids import open_workbook, read_csv
from remakes.records.importers.mending import RowsToMend, mending_csv, mending_workbook, rows_to_mend
from remakes.records.importers.mending_columns import MENDING_COLUMNS, armed_again, disarmed
from remakes.records.store import Store
from tests.records.importers.lists import restoration, write

steady = settings(derandomize=True, deadline=None)


def refused(folder: Path) -> tuple[RowsToMend, ...]:
    paths = [folder / "restorations.csv"]
    return rows_to_mend(paths, None, preview(paths))


def faulty(folder: Path) -> Path:
    rows = [
        restoration("R1"),
        restoration("R2", units="none", note="=1+1", Patient="Somebody"),
        restoration("R3", delivered_on="2.3.26", kind="Br"),
    ]
    return write(folder, restorations=rows)


@pytest.mark.parametrize("as_csv", [True, False])
def test_the_mended_file_comes_in_as_it_is(store: Store, tmp_path: Path, as_csv: bool) -> None:
    folder = faulty(tmp_path / "lists")
    (found,) = refused(folder)
    assert found.name == "restorations"
    assert found.header[:5] == MENDING_COLUMNS
    assert "Patient" not in found.header
    assert [row[0] for row in found.rows] == [3, 4]
    assert found.rows[1][1] == "kind\ndelivered_on"
    at = {name: place for place, name in enumerate(found.header)}
    mended = [list(row) for row in found.rows]
    mended[0][at["units"]] = "2"
    mended[1][at["kind"]], mended[1][at["delivered_on"]] = "bridge", "2026-03-02"
    after = RowsToMend(name=found.name, header=found.header, rows=tuple(map(tuple, mended)))
    back = tmp_path / ("restorations.csv" if as_csv else "rows to mend.xlsx")
    back.write_bytes(mending_csv(after) if as_csv else mending_workbook([after]))
    import_paths(store, [folder / "restorations.csv"], accept_good_rows=True)
    report = import_paths(store, [back])
    assert report.ok, report.tables[0].refused
    assert report.tables[0].taken == 2
    assert "its columns about what was wrong were not read" in " ".join(report.tables[0].notes)
    columns = schema.restorations.c
    with store.reader() as connection:
        extras = {row[0]: row[1] for row in connection.execute(select(columns.restoration_id, columns.extra))}
    # The apostrophe of the text file is taken off again, and the reasons are no content.
    assert extras == {"R1": None, "R2": {"note": "=1+1"}, "R3": None}


def test_unmended_rows_are_refused_again_for_the_same_reasons(store: Store, tmp_path: Path) -> None:
    (found,) = refused(faulty(tmp_path / "lists"))
    back = tmp_path / "rows to mend.xlsx"
    back.write_bytes(mending_workbook([found]))
    (table,) = import_paths(store, [back]).tables
    assert [(one.column, one.value) for one in table.refused] == [
        *(("units", "none"), ("kind", "Br"), ("delivered_on", "2.3.26"))
    ]


def test_a_second_round_of_mending_adds_nothing_and_names_like_formulas_come_back(store: Store, tmp_path: Path) -> None:
    text = b"restoration_id,kind,units,delivered_on,-,@who\nR1,crwn,1,2026-01-05,=1+1,'=2\n"
    back = write(tmp_path / "lists", restorations=text) / "restorations.csv"
    for _ in range(3):
        (found,) = refused(back.parent)
        assert found.header[5:] == ("restoration_id", "kind", "units", "delivered_on", "-", "@who")
        assert found.rows[0][5:] == ("R1", "crwn", "1", "2026-01-05", "=1+1", "'=2")
        back.write_bytes(mending_csv(found))
    back.write_bytes(back.read_bytes().replace(b"crwn", b"crown"))
    assert import_paths(store, [back]).ok
    with store.reader() as connection:
        assert connection.scalar(select(schema.restorations.c.extra)) == {"-": "=1+1", "@who": "'=2"}


@pytest.mark.parametrize("as_csv", [True, False])
def test_a_row_with_too_many_cells_stays_refused_until_it_is_mended(store: Store, tmp_path: Path, as_csv: bool) -> None:
    text = b"restoration_id,kind,,units,delivered_on\nR1,crown,,1,2026-01-05,tail\n"
    folder = write(tmp_path / "lists", restorations=text)
    (found,) = refused(folder)
    back = tmp_path / ("restorations.csv" if as_csv else "rows to mend.xlsx")
    back.write_bytes(mending_csv(found) if as_csv else mending_workbook([found]))
    (table,) = import_paths(store, [back]).tables
    assert (table.taken, table.refused_rows) == (0, 1)


def test_no_cell_of_the_workbook_is_a_formula_or_a_link() -> None:
    texts = ("=1+1", "+1", "-x", "@a", "http://example.org", "{=1}")
    found = RowsToMend(name="a/b:c", header=(*MENDING_COLUMNS, *texts), rows=((2, "", "", "", "", *texts),))
    data = mending_workbook([found, found])
    with zipfile.ZipFile(BytesIO(data)) as archive:
        sheet = archive.read("xl/worksheets/sheet1.xml")
    assert b"<f>" not in sheet
    assert b"<hyperlink" not in sheet
    workbook = open_workbook("m.xlsx", data)
    assert workbook.visible == ("a b c", "a b c 2")
    assert workbook.grid("a b c").rows[1][1][5:] == list(texts)


def test_mapped_rows_keep_what_the_map_reads(store: Store, tmp_path: Path) -> None:
    file = tmp_path / "orders.csv"
    file.write_bytes("Nr;Art;Stück;Aus\nA1;crown;1;05.01.2026\nA2;Br;3;06.01.2026\n".encode())
    columns = {"restoration_id": "Nr", "kind": "Art", "units": "Stück", "delivered_on": "Aus"}
    block = TableMap(table="restorations", file="*", columns=columns, dates="%d.%m.%Y")
    column_map = ColumnMap(file="map.toml", tables=(block,))
    (found,) = rows_to_mend([file], column_map, preview([file], column_map))
    assert found.rows == ((3, "Art", "Br", found.rows[0][3], found.rows[0][4], "A2", "Br", "3", "06.01.2026"),)
    back = tmp_path / "rows to mend.xlsx"
    back.write_bytes(mending_workbook([found]))
    with_word = TableMap(
        table="restorations", file="*", columns=columns, dates="%d.%m.%Y", values={"kind": {"br": "bridge"}}
    )
    report = import_paths(store, [back], column_map=ColumnMap(file="map.toml", tables=(with_word,)))
    assert report.ok
    assert report.tables[0].taken == 1


@steady
@given(st.text(alphabet="=+-@'a1\t", max_size=6))
def test_a_disarmed_text_is_no_formula_and_comes_back(text: str) -> None:
    assert not str(disarmed(text)).startswith(("=", "+", "-", "@", "\t"))
    assert armed_again(str(disarmed(text))) == text


@steady
@given(st.lists(st.text(alphabet="ab;,\"'=-\n 0", max_size=5), min_size=1, max_size=4))
def test_any_row_comes_back_from_the_text_file(cells: list[str]) -> None:
    header = (*MENDING_COLUMNS, *(f"c{n}" for n in range(len(cells))))
    found = RowsToMend(name="x", header=header, rows=((2, "c", "v", "r", "m", *cells),))
    grid = read_csv("x.csv", mending_csv(found), known=header)
    assert [armed_again(cell) for cell in grid.rows[1][1][5:]] == cells

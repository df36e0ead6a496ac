"""Importing files: which are read, which rows are refused and how that is told, and what is saved."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter
from sqlalchemy import func, select

from remakes.errors import FileError, InputError, MapError
from remakes.records import schema
from remakes.records.entries import enter_return, void_return
from remakes.records.importers import ImportReport, Refusal, TableReport, import_paths, list_imports
from remakes.records.importers.checking import check_table
from remakes.records.importers.ledger import Ledger
from remakes.records.importers.sources import find_sources
from remakes.records.standard import load_standard
from remakes.records.store import Store
from tests.new_stores import new_store
from tests.records.importers.lists import (
    STANDARD,
    csv_text,
    reading,
    recorded,
    restoration,
    returned,
    small_lab,
    write,
)

TODAY = date(2026, 11, 25)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """SQLite alone: what is read and refused does not depend on the database."""
    opened = new_store(tmp_path / "lab.sqlite")
    yield opened
    opened.close()


def take(store: Store, *paths: Path, **options: Any) -> ImportReport:
    return import_paths(store, paths, **({"today": TODAY} | options))


def counts(report: ImportReport) -> dict[str, tuple[int, int, int, int]]:
    return {table.table: (table.taken, table.changed, table.unchanged, table.refused_rows) for table in report.tables}


def of(report: ImportReport, table: str) -> TableReport:
    (found,) = (one for one in report.tables if one.table == table)
    return found


def told(refused: Sequence[Refusal]) -> list[tuple[int | None, str]]:
    return [(one.line, one.column) for one in refused]


def rows_in(store: Store, table: str) -> int:
    with store.reader() as connection:
        return connection.scalar(select(func.count()).select_from(schema.metadata.tables[table])) or 0


# --- which files ----------------------------------------------------------------------------------


def test_a_folder_is_saved_in_working_order(store: Store, tmp_path: Path) -> None:
    folder = small_lab(tmp_path / "lab")
    (folder / "notes.docx").write_bytes(b"x")
    report = take(store, folder)
    assert report.ok
    assert [table.table for table in report.tables] == [
        *("standard", "actions", "restorations", "process_log", "returns")
    ]
    assert counts(report) == {
        "standard": (3, 0, 0, 0),
        "actions": (1, 0, 0, 0),
        "restorations": (3, 0, 0, 0),
        "process_log": (3, 0, 0, 0),
        "returns": (3, 0, 0, 0),
    }
    assert report.notes == ("Not read, since their names tell nothing: notes.docx.",)
    assert [batch.table for batch in list_imports(store)] == [table.table for table in report.tables][::-1]
    assert len({batch.import_id for batch in list_imports(store)}) == 5
    assert [table.import_id for table in report.tables] == [1, 2, 3, 4, 5]


def test_files_in_any_order_and_twice(store: Store, tmp_path: Path) -> None:
    folder = small_lab(tmp_path / "lab")
    names = ("returns.csv", "process_log.csv", "restorations.csv", "returns.csv", "standard.toml")
    report = take(store, *(folder / name for name in names))
    assert [table.table for table in report.tables] == ["standard", "restorations", "process_log", "returns"]
    assert report.ok


def test_a_blank_value_is_taken_and_means_not_recorded(store: Store, tmp_path: Path) -> None:
    take(store, small_lab(tmp_path / "lab"))
    values = {(row[0], row[2]): row[3] for row in recorded(store)["process_log"]}
    assert values == {("R1", "bond_wait_s"): "180", ("R2", "bond_wait_s"): None, ("R3", "veneer_min_mm"): "1.2"}


@pytest.mark.parametrize(
    ("files", "named", "words"),
    [
        ({}, "", r"holds no file that is known by its name; there is: nothing\. Needed is"),
        ({"other": "a,b\n1,2\n"}, "", r"there is: other\.csv"),
        ({"other": "a,b\n1,2\n"}, "other.csv", r"other\.csv: this name tells nothing .*column map"),
        ({}, "restorations.csv", r"restorations\.csv cannot be read \(No such file"),
        ({}, "unknown.csv", r"unknown\.csv does not exist"),
        ({"restorations": b""}, "", r"restorations\.csv is empty"),
        ({"restorations": b"\x81;\x8d"}, "", "UTF-8 and Windows-1252"),
        ({"standard": b"\xff\xff"}, "", r"standard\.toml is not UTF-8"),
        ({"standard": 'steps = ["a\\u0000"]'}, "", "holds a NUL character"),
    ],
)
def test_files_that_cannot_be_read(
    store: Store, tmp_path: Path, files: dict[str, str | bytes], named: str, words: str
) -> None:
    folder = write(tmp_path / "lab", **files)
    with pytest.raises(FileError, match=words):
        take(store, folder / named if named else folder)


def test_nothing_is_saved_if_one_file_cannot_be_read(store: Store, tmp_path: Path) -> None:
    folder = small_lab(tmp_path / "lab")
    (folder / "returns.csv").write_bytes(b'return_id\n"open')
    with pytest.raises(FileError, match="line 2"):
        take(store, folder)
    assert store.data_version() == 0
    with pytest.raises(FileError, match="No file was named"):
        take(store)


def workbook(path: Path, sheets: dict[str, list[list[Any]]], *, hidden: Sequence[str] = ()) -> Path:
    with xlsxwriter.Workbook(str(path)) as book:
        day = book.add_format({"num_format": "dd.mm.yyyy"})
        for name, rows in sheets.items():
            sheet = book.add_worksheet(name)
            if name in hidden:
                sheet.hide()
            else:
                sheet.set_first_sheet()
                sheet.activate()
            for n, row in enumerate(rows):
                for column, cell in enumerate(row):
                    if isinstance(cell, date):
                        sheet.write_datetime(n, column, cell, day)
                    else:
                        sheet.write(n, column, cell)
    return path


LISTS: dict[str, list[list[Any]]] = {
    "Returns": [["return_id", "restoration_id", "reported_on", "defect"], ["Q1", 17, date(2026, 4, 1), "chipping"]],
    "process_log": [
        ["restoration_id", "step", "reading", "value", "recorded_at"],
        [17, "bonding", "bond_wait_s", 180, 46056.5],  # a bare day number with a time: noon
        [17, "layering", "veneer_min_mm", 0.85, None],
        [17, "finishing", "polished", True, date(2026, 2, 28)],
    ],
    "Prices": [["restoration_id", "price"]],
    "standard": [["factor"]],
    "restorations": [
        ["restoration_id", "kind", "teeth", "units", "received_on", "delivered_on", "price"],
        [17, "crown", 11, 1, 46056, date(2026, 3, 2), 99.9],
    ],
}


def test_a_workbook_with_sheets_of_the_known_names(store: Store, tmp_path: Path) -> None:
    report = take(store, workbook(tmp_path / "lab.xlsx", LISTS, hidden=["Prices"]))
    assert report.ok
    assert [(table.sheet, table.taken) for table in report.tables] == [
        *(("restorations", 1), ("process_log", 3), ("Returns", 1))
    ]
    assert report.notes == (
        "lab.xlsx: the sheet standard was not read. The standard is kept in a file of its own, standard.toml.",
        "lab.xlsx: sheets not read: Prices (hidden).",
    )
    with store.reader() as connection:
        row = connection.execute(select(schema.restorations)).one()
        log = {one.reading: one for one in connection.execute(select(schema.process_log))}
    assert (row.restoration_id, row.teeth, row.units, row.received_on) == ("17", "11", 1, date(2026, 2, 3))
    assert row.extra == {"price": "99.9"}
    assert [log[name].value for name in ("bond_wait_s", "veneer_min_mm", "polished")] == ["180", "0.85", "yes"]
    assert log["bond_wait_s"].recorded_at.isoformat() == "2026-02-03T12:00:00"
    assert log["polished"].recorded_at.isoformat() == "2026-02-28T00:00:00"


def test_the_same_rows_as_workbook_and_as_csv_are_the_same(store: Store, tmp_path: Path) -> None:
    take(store, workbook(tmp_path / "lab.xlsx", LISTS, hidden=["Prices"]))
    folder = write(
        tmp_path / "lab",
        restorations="restoration_id,kind,teeth,units,received_on,delivered_on,price\n17,crown,11,1,2026-02-03,2026-03-02,99.9\n",
        process_log="restoration_id,step,reading,value,recorded_at\n17,bonding,bond_wait_s,180,2026-02-03T12:00\n",
    )
    assert counts(take(store, folder)) == {"restorations": (0, 0, 1, 0), "process_log": (0, 0, 1, 0)}


def test_a_workbook_is_read_from_a_folder_only_where_it_stands_alone(store: Store, tmp_path: Path) -> None:
    folder = write(tmp_path / "both", restorations=[restoration("R1")])
    workbook(folder / "lab.xlsx", LISTS)
    assert [table.file for table in take(store, folder).tables] == ["restorations.csv"]
    (folder / "restorations.csv").unlink()
    assert {table.file for table in take(store, folder).tables} == {"lab.xlsx"}


def test_workbooks_without_a_known_sheet(store: Store, tmp_path: Path) -> None:
    named = workbook(tmp_path / "restorations.xlsx", {"Sheet1": LISTS["restorations"]})
    assert counts(take(store, named)) == {"restorations": (1, 0, 0, 0)}  # known by the file's own name
    with pytest.raises(
        FileError, match=r"jobs\.xlsx has no visible sheet named .*its visible sheets are: Sheet1\. Rename"
    ):
        take(store, workbook(tmp_path / "jobs.xlsx", {"Sheet1": LISTS["restorations"]}))


def test_an_open_document_spreadsheet(store: Store, tmp_path: Path) -> None:
    opendocument = pytest.importorskip("odf.opendocument")
    table, text = pytest.importorskip("odf.table"), pytest.importorskip("odf.text")
    book = opendocument.OpenDocumentSpreadsheet()
    sheet = table.Table(name="restorations")
    rows: list[list[dict[str, Any]]] = [
        [{"text": name} for name in ("restoration_id", "kind", "units", "delivered_on")],
        [
            *({"valuetype": "float", "value": 17}, {"text": "crown"}, {"valuetype": "float", "value": 2.0}),
            {"valuetype": "date", "datevalue": "2026-03-02"},
        ],
    ]
    for row in rows:
        line = table.TableRow()
        for cell in row:
            words = cell.pop("text", "")
            one = table.TableCell(**(cell or {"valuetype": "string"}))
            one.addElement(text.P(text=words))
            line.addElement(one)
        sheet.addElement(line)
    book.spreadsheet.addElement(sheet)
    book.save(str(tmp_path / "lab.ods"))
    report = take(store, tmp_path / "lab.ods")
    assert report.ok, [str(one) for table in report.tables for one in table.refused]
    assert recorded(store)["restorations"][0][0] == "17"
    assert date(2026, 3, 2) in recorded(store)["restorations"][0]


# --- headers and rows that are none ---------------------------------------------------------------


def test_titles_empty_rows_and_totals_are_passed_over_and_told(store: Store, tmp_path: Path) -> None:
    text = (
        "Job list;;;;\n;;;;\nspring 2026;;kind;;\n"
        "Restoration_ID ; KIND;units;delivered_on;colour\n"
        "R1;crown;1;2026-03-02;A2\n;;;;\n;;;;\n R2 ;Bridge;3;2026-03-03;\n;;;;\nSumme: 2;;4;;\nTotal;;;;\n"
    )
    report = take(store, write(tmp_path / "lab", restorations=text))
    assert counts(report) == {"restorations": (2, 0, 0, 0)}
    assert of(report, "restorations").notes == (
        "Read as UTF-8, separator ';'.",
        "Header in line 4; lines 1, 3 above it not read.",
        "Columns kept as they are, not used in any figure: colour.",
        "Empty rows dropped: lines 6-7, 9.",
        "Rows of totals dropped: lines 10-11.",
    )
    with store.reader() as connection:
        extras = dict(
            connection.execute(select(schema.restorations.c.restoration_id, schema.restorations.c.extra)).all()
        )
    assert extras == {"R1": {"colour": "A2"}, "R2": None}


def test_a_row_that_names_a_restoration_is_no_row_of_totals(store: Store, tmp_path: Path) -> None:
    text = (
        "clinic,restoration_id,kind,units,delivered_on\n"
        "Sum,R1,crown,1,2026-03-02\n"  # a clinic's code
        "Total,,,1,\n"
        "Sum,,crown,1,2026-03-02\n"
    )
    report = take(store, write(tmp_path / "lab", restorations=text))
    assert counts(report) == {"restorations": (1, 0, 0, 0)}
    assert "Rows of totals dropped: lines 3-4." in of(report, "restorations").notes
    # In German and French "Totale" is a full denture: told as an unknown kind, not dropped as a sum.
    text = "kind,restoration_id,units,delivered_on\nTotale,R2,1,2026-03-02\n"
    report = take(store, write(tmp_path / "lab", restorations=text))
    assert told(of(report, "restorations").refused) == [(2, "kind")]


def test_columns_of_patients_are_not_kept(store: Store, tmp_path: Path) -> None:
    folder = write(
        tmp_path / "lab", restorations=[restoration("R1") | {"Patient": "x", "date of birth": "y", "shade": "A2"}]
    )
    report = take(store, folder)
    assert (
        "Columns not kept, since they look like patient data: Patient, date of birth."
        in of(report, "restorations").notes
    )
    with store.reader() as connection:
        assert connection.scalar(select(schema.restorations.c.extra)) == {"shade": "A2"}


@pytest.mark.parametrize(
    ("text", "column", "words"),
    [
        ("a,b\n1,2\n", "", "No header row was found"),
        (
            "restoration_id,kind,teeth\nR1,crown,11\n",
            "delivered_on",
            "delivered_on is missing. The header has: restoration_id, kind, teeth.",
        ),
        ("restoration_id,kind,delivered_on\nR1,crown,2026-03-02\n", "units", "units is missing"),
        ("restoration_id,kind,units,delivered_on,Kind\nR1,crown,1,2026-03-02,x\n", "", "'Kind', 'kind' more than once"),
        ("restoration_id,kind,units,delivered_on,x,X \nR1,crown,1,2026-03-02,,\n", "", "'X', 'x' more than once"),
    ],
)
def test_a_header_that_cannot_be_used_refuses_the_file(
    store: Store, tmp_path: Path, text: str, column: str, words: str
) -> None:
    (table,) = take(store, write(tmp_path / "lab", restorations=text)).tables
    assert not table.saved
    assert table.refused_rows >= 1
    assert [one.column for one in table.refused] == [column]
    assert words in table.refused[0].reason
    assert table.refused[0].mend
    assert rows_in(store, "restorations") == 0


def test_a_column_of_patients_may_stand_there_twice(store: Store, tmp_path: Path) -> None:
    text = "restoration_id,kind,units,delivered_on,Name,name\nR1,crown,1,2026-03-02,A,B\n"
    assert take(store, write(tmp_path / "lab", restorations=text)).ok


def test_codes_that_are_written_nearly_alike_are_told(store: Store, tmp_path: Path) -> None:
    rows = [restoration("R1", technician="T1", clinic="K-7"), restoration("R2", technician="T2", clinic="K7\u200b")]
    notes = of(take(store, write(tmp_path / "a", restorations=rows)), "restorations").notes
    assert any("column clinic" in note and "K-7 / K7" in note for note in notes)
    assert not any("column technician" in note for note in notes)
    # Those of the records count too, the restorations' technicians as operators.
    log = [reading("R1", operator="t01", lot="L1"), reading("R2", operator="T2", lot="L11")]
    notes = of(take(store, write(tmp_path / "b", process_log=log)), "process_log").notes
    assert any("column operator" in note and "T1 / t01" in note and "T2" not in note for note in notes)
    assert not any("column lot" in note for note in notes)


def test_a_log_needs_its_column_of_values(store: Store, tmp_path: Path) -> None:
    folder = write(
        tmp_path / "lab", restorations=[restoration("R1")], process_log="restoration_id,step,reading\nR1,a,b\n"
    )
    assert told(of(take(store, folder), "process_log").refused) == [(1, "value")]


def test_a_row_longer_than_the_header_is_refused(store: Store, tmp_path: Path) -> None:
    text = "restoration_id,kind,units,delivered_on,note\nR1,crown,1,2026-03-02,high, adjusted\nR2,crown,1,2026-03-02\n"
    (table,) = take(store, write(tmp_path / "lab", restorations=text)).tables
    assert told(table.refused) == [(2, "")]
    assert "6 cells, the header 5" in table.refused[0].reason
    assert table.held_back == 1  # the shorter row is sound: its last cells are blank


def test_lines_of_refusals_are_true_below_line_breaks_inside_a_cell(store: Store, tmp_path: Path) -> None:
    text = 'restoration_id,kind,units,delivered_on,note\nR1,crown,1,2026-03-02,"a\nb\nc"\nR2,crwn,1,2026-03-02,\n'
    (table,) = take(store, write(tmp_path / "lab", restorations=text)).tables
    assert told(table.refused) == [(5, "kind")]
    assert "Did you mean crown" in table.refused[0].mend


# --- rows refused ---------------------------------------------------------------------------------


def test_every_fault_of_every_row_is_told_and_nothing_saved(store: Store, tmp_path: Path) -> None:
    rows = [
        restoration("R1"),
        restoration("R2", kind="crwn", delivered_on="02.03.2026"),
        restoration("", units="0"),
        restoration("R4", received_on="2026-03-05"),
        restoration("R5", teeth="19"),
    ]
    (table,) = take(store, write(tmp_path / "lab", restorations=rows)).tables
    assert told(table.refused) == [
        *((3, "kind"), (3, "delivered_on"), (4, "restoration_id"), (4, "units"), (5, "delivered_on"), (6, "teeth"))
    ]
    assert (table.refused_rows, table.held_back, table.saved, table.import_id) == (4, 1, False, None)
    assert all(one.file == "restorations.csv" and one.reason and one.mend for one in table.refused)
    assert str(table.refused[0]).startswith("restorations.csv, line 3, column kind: 'crwn' is not known here.")
    assert store.data_version() == 0


def test_good_rows_are_saved_if_one_says_so(store: Store, tmp_path: Path) -> None:
    folder = write(
        tmp_path / "lab",
        restorations=[restoration("R1"), restoration("R2", kind="crwn")],
        returns=[returned("R1", "Q1"), returned("R2", "Q2")],
    )
    report = take(store, folder, accept_good_rows=True)
    assert counts(report) == {"restorations": (1, 0, 0, 1), "returns": (1, 0, 0, 1)}
    assert not report.ok
    assert all(table.saved for table in report.tables)
    assert of(report, "returns").refused[0].reason == (
        "Restoration R2 is not in the records: its row in restorations.csv was refused."
    )
    assert [batch.refused for batch in list_imports(store)] == [1, 1]


def test_accepting_good_rows_where_there_is_none_saves_nothing(store: Store, tmp_path: Path) -> None:
    (table,) = take(
        store, write(tmp_path / "lab", restorations=[restoration("R1", units="x")]), accept_good_rows=True
    ).tables
    assert not table.saved
    assert list_imports(store) == ()


def test_rows_of_restorations_that_were_not_saved_are_refused_for_that_reason(store: Store, tmp_path: Path) -> None:
    folder = write(
        tmp_path / "lab",
        restorations=[restoration("R1"), restoration("R2", kind="crwn")],
        process_log=[reading("R1"), reading("R2"), reading("R9")],
    )
    report = take(store, folder)
    reasons = [one.reason for one in of(report, "process_log").refused]
    assert reasons == [
        "Restoration R1 is not in the records: nothing of restorations.csv was saved, "
        "because other rows of it were refused.",
        "Restoration R2 is not in the records: its row in restorations.csv was refused.",
        "There is no restoration R9 in the records.",
    ]
    assert rows_in(store, "process_log") == 0


def test_a_restoration_already_recorded_does_not_need_its_row_again(store: Store, tmp_path: Path) -> None:
    take(store, write(tmp_path / "first", restorations=[restoration("R1")]))
    folder = write(
        tmp_path / "second",
        restorations=[restoration("R1", kind="crwn")],
        process_log=[reading("R1")],
    )
    assert counts(take(store, folder)) == {"restorations": (0, 0, 0, 1), "process_log": (1, 0, 0, 0)}


def test_more_than_a_thousand_refusals_are_counted_and_summed_up(store: Store, tmp_path: Path) -> None:
    rows = [restoration(f"R{n}") for n in range(1, 3)]
    log = [reading("R1", recorded_at="2026-13-01")] * 3 + [reading("R7", value=str(n)) for n in range(1200)]
    log += [reading("R1", value="x", recorded_at="yesterday"), reading("R1", recorded_at="later")]
    report = take(store, write(tmp_path / "lab", restorations=rows, process_log=log, standard=STANDARD))
    table = of(report, "process_log")
    assert table.refused_rows == 3 + 1200 + 2
    assert len(table.refused) == 1000 + 2
    assert [(one.line, one.column) for one in table.refused[-2:]] == [(None, "restoration_id"), (None, "recorded_at")]
    assert table.refused[-2].reason == (
        "203 more rows up to line 1206 were refused: they name restorations that are not in the records."
    )
    assert table.refused[-1].reason.startswith(
        "2 more rows up to line 1206 were refused for what stands in this column"
    )
    assert report.refused_rows == 1205


def test_unknown_restorations_and_near_misses(store: Store, tmp_path: Path) -> None:
    folder = write(
        tmp_path / "lab",
        restorations=[restoration("B-0017"), restoration("B-0018"), restoration("Z9")],
        returns=[returned("b17", "Q1"), returned("B-00l7", "Q2"), returned("XYZ", "Q3")],
    )
    table = of(take(store, folder), "returns")
    assert told(table.refused) == [(2, "restoration_id"), (3, "restoration_id"), (4, "restoration_id")]
    assert "Did you mean B-0017?" in table.refused[0].reason
    assert "Did you mean B-0017" in table.refused[1].reason
    assert "Did you mean" not in table.refused[2].reason


def test_doubled_numbers_with_different_content_are_all_refused(store: Store, tmp_path: Path) -> None:
    folder = write(
        tmp_path / "lab",
        restorations=[restoration("R1"), restoration("R2"), restoration("R1", units="2"), restoration("R2")],
    )
    (table,) = take(store, folder).tables
    assert told(table.refused) == [(2, "restoration_id"), (4, "restoration_id")]
    assert "R1 stands in line 4 too, with other content" in table.refused[0].reason
    assert "Rows that repeat an earlier one, counted as unchanged: line 5." in table.notes


def test_a_repeated_row_is_unchanged(store: Store, tmp_path: Path) -> None:
    folder = write(
        tmp_path / "lab",
        restorations=[restoration("R1"), restoration("R1")],
        process_log=[reading("R1"), reading("R1"), reading("R1", value="200")],
        returns=[returned("R1", "Q1"), returned("R1", "Q1")],
    )
    assert counts(take(store, folder)) == {
        "restorations": (1, 0, 1, 0),
        "process_log": (2, 0, 1, 0),
        "returns": (1, 0, 1, 0),
    }


def test_returns_must_fit_their_restoration(store: Store, tmp_path: Path) -> None:
    folder = write(
        tmp_path / "lab",
        restorations=[restoration("R1", teeth="11 12", units="2"), restoration("R2")],
        returns=[
            returned("R1", "Q1", reported_on="2026-03-01"),
            returned("R1", "Q2", reported_on="2026-03-01", found_at="before_delivery"),
            returned("R1", "Q3"),
            returned("R2", "Q3"),
            returned("R1", "Q4", teeth="12 13"),
        ],
    )
    table = of(take(store, folder), "returns")
    assert told(table.refused) == [(2, "reported_on"), (4, "return_id"), (5, "return_id")]
    assert "Taken, but odd: 1 row naming teeth that their restoration does not have." in table.notes


def test_a_return_of_another_restoration_in_the_records_is_refused(store: Store, tmp_path: Path) -> None:
    restorations = [restoration("R1"), restoration("R2")]
    take(store, write(tmp_path / "first", restorations=restorations, returns=[returned("R1", "Q1")]))
    again = write(tmp_path / "again", returns=[returned("R2", "Q1")])
    (table,) = take(store, again).tables
    assert "Return Q1 with chipping belongs to restoration R1 already." in table.refused[0].reason
    other_defect = write(tmp_path / "again", returns=[returned("R1", "Q1", defect="debonding")])
    assert counts(take(store, other_defect)) == {"returns": (1, 0, 0, 0)}


def test_a_delivery_cannot_move_behind_a_recorded_return(store: Store, tmp_path: Path) -> None:
    take(store, write(tmp_path / "a", restorations=[restoration("R1")], returns=[returned("R1", "Q1")]))
    moved = write(tmp_path / "b", restorations=[restoration("R1", delivered_on="2026-04-02")])
    (table,) = take(store, moved).tables
    assert told(table.refused) == [(2, "delivered_on")]
    assert "Return Q1 of this restoration was reported before, on 2026-04-01." in table.refused[0].reason
    with store.reader() as connection:
        row_id = connection.scalar(select(schema.returns.c.id)) or 0
    void_return(store, row_id, who="QA", why="wrong crown")
    assert take(store, moved).ok  # a return that was taken back binds nothing


def test_a_fault_caught_in_the_lab_does_not_bind_the_delivery(store: Store, tmp_path: Path) -> None:
    caught = returned("R1", "Q1", found_at="before_delivery", reported_on="2026-02-27")
    take(store, write(tmp_path / "a", restorations=[restoration("R1")], returns=[caught]))
    moved = write(tmp_path / "b", restorations=[restoration("R1", delivered_on="2026-04-02")])
    assert counts(take(store, moved)) == {"restorations": (0, 1, 0, 0)}


@pytest.mark.parametrize("value", ["12,5", "long", "180 s", "1e999", "nan"])
def test_a_reading_that_must_be_a_number(store: Store, tmp_path: Path, value: str) -> None:
    rows = [reading("R1", value=value), reading("R1", step="finishing", reading="polished", value="12,5")]
    folder = write(tmp_path / "lab", standard=STANDARD, restorations=[restoration("R1")], process_log=rows)
    table = of(take(store, folder), "process_log")
    assert told(table.refused) == [(2, "value")]
    assert "needs one for bond_wait_s" in table.refused[0].reason
    assert ("decimal" in table.refused[0].mend.split(";")[-1]) == ("," in value)


def test_the_standard_in_the_store_counts_too(store: Store, tmp_path: Path) -> None:
    rows = write(tmp_path / "rows", restorations=[restoration("R1")], process_log=[reading("R1", value="long")])
    assert take(store, rows).ok  # no standard: any text may be a reading
    take(store, write(tmp_path / "standard", standard=STANDARD))
    rows = write(tmp_path / "rows", process_log=[reading("R1", value="longer")])
    assert told(of(take(store, rows), "process_log").refused) == [(2, "value")]


def test_odd_but_possible_things_are_taken_and_told(store: Store, tmp_path: Path) -> None:
    folder = write(
        tmp_path / "lab",
        standard=STANDARD,
        restorations=[restoration("R1", remake_of="R0"), restoration("R2", delivered_on="2026-12-01", remake_of="R1")],
        process_log=[reading("R1", reading="humidity"), reading("R2", reading="humidity", value="60")],
        returns=[
            returned("R1", "Q1", bare_metal_pct="0.3"),
            returned("R1", "Q2", bare_metal_pct="1", reported_on="2026-11-26"),
        ],
    )
    report = take(store, folder)
    assert report.ok
    assert of(report, "restorations").notes[-2:] == (
        "Taken, but odd: 1 row delivered after today (2026-11-25).",
        "Taken, but odd: 1 remakes of restorations that are not in the records (R0).",
    )
    assert of(report, "process_log").notes[-1] == (
        "Taken, but odd: 2 rows with a reading that the process standard does not name (humidity in bonding)."
    )
    assert of(report, "returns").notes[-2:] == (
        "Taken, but odd: 1 row reported after today (2026-11-25).",
        "All shares of bare metal are 1 % or less: were the cells formatted as percentages? Then multiply by 100.",
    )


def test_many_unknown_readings_are_counted_not_all_named(store: Store, tmp_path: Path) -> None:
    log = [reading("R1", reading=f"extra {n}") for n in range(20)]
    folder = write(tmp_path / "lab", standard=STANDARD, restorations=[restoration("R1")], process_log=log)
    odd = [note for note in of(take(store, folder), "process_log").notes if note.startswith("Taken, but odd")]
    assert len(odd) == 9
    assert odd[-1] == "Taken, but odd: 12 more rows in 12 more ways like these."


# --- standard, actions, observed_until ------------------------------------------------------------


def test_a_standard_with_mistakes_is_refused_with_all_of_them(store: Store, tmp_path: Path) -> None:
    text = STANDARD.replace("at_least = 180", "at_leest = 180").replace('step = "layering"', 'step = "layring"')
    folder = write(tmp_path / "lab", standard=text, restorations=[restoration("R1")])
    report = take(store, folder)
    table = of(report, "standard")
    lines = text.splitlines()
    assert {(one.column, lines[(one.line or 0) - 1].split(" =")[0]) for one in table.refused} >= {("step", "step")}
    assert any("at_leest" in one.column for one in table.refused)
    assert len(table.refused) >= 3
    assert not table.saved
    assert load_standard(store).requirements == ()
    assert of(report, "restorations").saved  # does not depend on it


def test_a_standard_that_loses_a_step_of_earlier_requirements_is_refused(store: Store, tmp_path: Path) -> None:
    take(store, write(tmp_path / "lab", standard=STANDARD))
    text = 'steps = ["other"]\n[[requirement]]\nfactor = "x"\nstep = "other"\nreading = "y"\nat_most = 3\n'
    text += "may_cause = []\nvalid_from = 2026-01-01\n"
    (table,) = take(store, write(tmp_path / "lab", standard=text)).tables
    assert not table.saved
    assert "no longer names steps" in table.refused[0].reason
    assert load_standard(store).steps == ("bonding", "layering", "finishing")


def test_actions_with_mistakes_and_with_unknown_factors(store: Store, tmp_path: Path) -> None:
    text = '[[action]]\naction = "a"\ntitle = "A"\ncorrects = { bond_wait = 1.5 }\n'
    (table,) = take(store, write(tmp_path / "lab", actions=text)).tables
    assert table.refused[0].line == 4
    assert not table.saved
    (table,) = take(store, write(tmp_path / "lab", actions=text.replace("1.5", "0.5"))).tables
    assert table.saved
    assert table.notes == ("Factors that the process standard does not name, so they change nothing yet: bond_wait.",)


def test_observed_until_is_kept_only_if_every_file_was_saved(store: Store, tmp_path: Path) -> None:
    bad = write(tmp_path / "bad", restorations=[restoration("R1", kind="crwn")])
    report = take(store, bad, observed_until=date(2026, 10, 31))
    assert store.observed_until() is None
    assert "2026-10-31 was not noted, since not every file was saved: restorations.csv" in report.notes[0]
    good = write(tmp_path / "good", restorations=[restoration("R1")])
    assert take(store, good, observed_until=date(2026, 10, 31)).notes == ()
    assert store.observed_until() == date(2026, 10, 31)
    version = store.data_version()
    take(store, good, observed_until=date(2026, 10, 31))
    assert store.data_version() == version


def test_one_return_typed_in_later_does_not_say_that_all_returns_up_to_then_are_in(
    store: Store, tmp_path: Path
) -> None:
    def enter(day: date) -> None:
        raw = {"restoration_id": "R1", "reported_on": day, "defect": "debonding"}
        enter_return(store, raw, who="quality Q1", today=day, confirm_double=True)

    assert take(store, write(tmp_path / "made", restorations=[restoration("R1")])).ok
    enter(date(2026, 3, 4))
    # Nothing but what is typed tells how far returns go.
    assert store.observed_until() == date(2026, 3, 4)
    returns = tmp_path / "returns.csv"
    returns.write_text("return_id,restoration_id,reported_on,defect\nQ1,R1,2026-03-05,contact\n")
    take(store, returns)
    enter(date(2026, 3, 20))
    assert store.observed_until() == date(2026, 3, 5)


def test_a_day_to_come_is_not_taken_for_one_up_to_which_returns_are_complete(store: Store, tmp_path: Path) -> None:
    good = write(tmp_path / "good", restorations=[restoration("R1")])
    report = take(store, good, observed_until=date(2036, 10, 31))
    assert report.ok
    assert "2036-10-31 is still to come" in report.notes[0]
    assert store.observed_until() != date(2036, 10, 31)


# --- column maps ----------------------------------------------------------------------------------

BENCH_MAP = """
[[table]]
is = "bench_sheet"
file = "bench.csv"
columns = { restoration_id = "No.", technician = "Who", recorded_at = "Day", lot = "Lot" }
dates = "%d.%m.%Y"
decimal = ","
readings = { bond_wait_s = { column = "Bond min", times = 60 }, veneer_min_mm = "Thin", polished = "P" }
yes = ["x"]
no = ["-"]
"""
BENCH = "No.;Who;Day;Lot;Bond min;Thin;P;Remark\n"


def bench(folder: Path, rows: str, *, column_map: str = BENCH_MAP, standard: str = STANDARD) -> Path:
    return write(
        folder,
        standard=standard,
        restorations=[restoration("R1"), restoration("R2")],
        bench=BENCH + rows,
        map=column_map,
    )


def test_a_bench_sheet_gives_readings(store: Store, tmp_path: Path) -> None:
    folder = bench(tmp_path / "lab", "R1;T1;01.03.2026;L7;2,5;0,9;x;late\nR2;T2;;;;;-;\nR1;;;;;;;only a remark\n")
    report = take(store, folder, column_map=folder / "map.toml")
    table = of(report, "process_log")
    assert (table.taken, table.refused_rows, table.saved) == (4, 0, True)
    assert table.notes[-2:] == (
        "Rows without any reading: line 4.",
        "The rows of the bench sheet hold 4 readings; a blank cell is not recorded.",
    )
    with store.reader() as connection:
        rows = connection.execute(select(schema.process_log).order_by(schema.process_log.c.id)).all()
    assert [(row.restoration_id, row.step, row.reading, row.value, row.operator, row.lot) for row in rows] == [
        ("R1", "bonding", "bond_wait_s", "150", "T1", "L7"),
        ("R1", "layering", "veneer_min_mm", "0.9", "T1", "L7"),
        ("R1", "finishing", "polished", "yes", "T1", "L7"),
        ("R2", "finishing", "polished", "no", "T2", None),
    ]
    assert [row.extra for row in rows] == [{"Remark": "late"}, None, None, None]


def test_faults_of_a_bench_sheet_are_told_by_its_own_columns(store: Store, tmp_path: Path) -> None:
    rows = "R1;T1;31.02.2026;L7;long;1.5;?;\nR9;T1;01.03.2026;L7;3;1,5;x;\nR2;T1;01.03.2026;L7;3;1,5;x;\n"
    folder = bench(tmp_path / "lab", rows)
    table = of(take(store, folder, column_map=folder / "map.toml"), "process_log")
    assert told(table.refused) == [(2, "Day"), (2, "Bond min"), (2, "Thin"), (2, "P"), (3, "No.")]
    assert (table.refused_rows, table.held_back) == (2, 3)


def test_readings_the_standard_does_not_name_stop_the_import(store: Store, tmp_path: Path) -> None:
    folder = bench(tmp_path / "lab", "R1;;;;3;1;x;\n", column_map=BENCH_MAP.replace("bond_wait_s", "bond_wait"))
    with pytest.raises(
        MapError, match=r"bond_wait: the process standard names no such reading\. Did you mean bond_wait_s"
    ):
        take(store, folder, column_map=folder / "map.toml")
    assert store.data_version() == 0
    (folder / "standard.toml").unlink()
    with pytest.raises(MapError, match=r"there is no process standard yet .*Import standard\.toml first"):
        take(store, folder, column_map=folder / "map.toml")


def test_a_reading_of_two_steps_needs_its_step_in_the_map(store: Store, tmp_path: Path) -> None:
    twice = STANDARD + STANDARD[STANDARD.index("[[requirement]]") :].split("\n\n")[0].replace(
        '"bond_wait"', '"bond_wait_2"'
    ).replace('step = "bonding"', 'step = "finishing"')
    folder = bench(tmp_path / "lab", "R1;;;;3;1;x;\n", standard=twice)
    with pytest.raises(MapError, match=r"names it in the steps bonding and finishing\. Say which one"):
        take(store, folder, column_map=folder / "map.toml")
    said = BENCH_MAP.replace("times = 60", 'times = 60, step = "finishing"')
    folder = bench(tmp_path / "lab", "R1;;;;3;1;x;\n", standard=twice, column_map=said)
    assert take(store, folder, column_map=folder / "map.toml").ok
    assert ("R1", "finishing", "bond_wait_s", "180") in [row[:4] for row in recorded(store)["process_log"]]


def test_a_refused_standard_is_told_before_the_bench_sheet_that_needs_it(store: Store, tmp_path: Path) -> None:
    folder = bench(tmp_path / "lab", "R1;;;;3;1;x;\n", standard=STANDARD.replace("at_least = 180", ""))
    report = take(store, folder, column_map=folder / "map.toml")
    assert [(table.table, table.saved) for table in report.tables] == [
        *(("standard", False), ("restorations", True), ("process_log", False))
    ]
    assert "the process standard was not taken" in of(report, "process_log").refused[0].reason


def test_a_mapped_log_turns_numbers_only_where_numbers_are_needed(store: Store, tmp_path: Path) -> None:
    column_map = """
[[table]]
is = "process_log"
file = "log.txt"
columns = { restoration_id = "A", step = "B", reading = "C", value = "D" }
decimal = ","
yes = ["ja"]
values = { step = { "Bond" = "bonding", "Fin" = "finishing" } }
"""
    folder = write(tmp_path / "lab", standard=STANDARD, restorations=[restoration("R1")], map=column_map)
    (folder / "log.txt").write_text(
        "A\tB\tC\tD\nR1\tBond\tbond_wait_s\t1.234,5\nR1\tFin\tpolished\tJa\nR1\tBond\tlot\t1.234,5\n"
    )
    report = take(store, folder, column_map=folder / "map.toml")
    assert report.ok, of(report, "process_log").refused
    assert [row[2:4] for row in recorded(store)["process_log"]] == [
        *(("bond_wait_s", "1234.5"), ("lot", "1.234,5"), ("polished", "yes"))
    ]


RETURNS_MAP = """
[[table]]
is = "returns"
file = "complaints*.csv"
columns = { restoration_id = "Job", reported_on = "Day", defect = "Why", teeth = "Tooth", cost = "Cost" }
dates = "%d.%m.%Y"
decimal = ","
teeth = "universal"
values = { defect = { "chip" = "chipping", "off" = "debonding" } }

[[table]]
is = "restorations"
file = "jobs.xlsx"
columns = { restoration_id = "Job", kind = "Kind", units = "Units", delivered_on = "Out" }
"""


def test_returns_without_a_number_get_one_from_restoration_and_date(store: Store, tmp_path: Path) -> None:
    folder = write(tmp_path / "lab", restorations=[restoration("R1", teeth="23")], map=RETURNS_MAP)
    text = "Job;Day;Why;Tooth;Cost;defect\nR1;01.04.2026;chip;11;1.234,50;seen twice\n"
    text += "R1;01.04.2026;off;;;\nR1;02.04.2026;chip;;;\n"
    (folder / "Complaints 2026.csv").write_text(text)
    report = take(store, folder, column_map=folder / "map.toml")
    table = of(report, "returns")
    assert "3 rows without a return_id: it was built from the restoration and the date of the report." in table.notes
    assert "Not mapped, although named as in the records: defect." in table.notes
    assert report.notes == ("map.toml: no file fits the block for restorations, file = 'jobs.xlsx'.",)
    with store.reader() as connection:
        rows = connection.execute(select(schema.returns).order_by(schema.returns.c.id)).all()
    assert [(row.return_id, row.defect, row.teeth, row.cost) for row in rows] == [
        ("R1/2026-04-01", "chipping", "23", 1234.5),
        ("R1/2026-04-01", "debonding", "", None),
        ("R1/2026-04-02", "chipping", "", None),
    ]
    assert rows[0].extra == {"defect (in the file)": "seen twice"}
    assert counts(take(store, folder, column_map=folder / "map.toml"))["returns"] == (0, 0, 3, 0)


def test_cells_that_cannot_be_turned_are_told_once_each(store: Store, tmp_path: Path) -> None:
    folder = write(tmp_path / "lab", restorations=[restoration("R1")], map=RETURNS_MAP)
    (folder / "complaints.csv").write_text("Job;Day;Why;Tooth;Cost\nR1;2026-04-01;crack;33;1.5\n")
    table = of(take(store, folder, column_map=folder / "map.toml"), "returns")
    assert sorted(one.column for one in table.refused) == ["Cost", "Day", "Tooth", "Why"]
    assert {one.value for one in table.refused} == {"2026-04-01", "crack", "33", "1.5"}


def test_sheets_the_map_names(store: Store, tmp_path: Path) -> None:
    column_map = RETURNS_MAP.replace('file = "jobs.xlsx"', 'file = "jobs.xlsx"\nsheet = "Jobs"')
    rows = [["Job", "Kind", "Units", "Out"], ["R7", "crown", 1, date(2026, 3, 2)]]
    folder = write(tmp_path / "lab", map=column_map)
    workbook(folder / "jobs.xlsx", {"first": [["x"]], "jobs ": rows}, hidden=["jobs "])
    report = take(store, folder / "jobs.xlsx", column_map=folder / "map.toml")
    assert counts(report) == {"restorations": (1, 0, 0, 0)}  # named outright, so hidden or not
    workbook(folder / "jobs.xlsx", {"first": [["x"]]})
    with pytest.raises(MapError, match=r"has no sheet 'Jobs', which the column map names\. Its sheets are: first"):
        take(store, folder / "jobs.xlsx", column_map=folder / "map.toml")
    (folder / "map.toml").write_text(column_map.replace("jobs.xlsx", "jobs.csv"))
    (folder / "jobs.csv").write_text("Job;Kind\n")
    with pytest.raises(MapError, match="which is no workbook"):
        take(store, folder / "jobs.csv", column_map=folder / "map.toml")


def test_a_mapped_column_that_is_missing_refuses_the_file(store: Store, tmp_path: Path) -> None:
    folder = write(tmp_path / "lab", map=RETURNS_MAP)
    (folder / "complaints.csv").write_text("Job;Dy;Why;Tooth;Cost\n1;2;3;4;5\n")
    (table,) = take(store, folder, column_map=folder / "map.toml").tables
    assert [one.column for one in table.refused] == ["Day"]
    assert "Day (for reported_on) is missing. The header has: Job, Dy, Why, Tooth, Cost." in table.refused[0].reason


def test_a_map_that_is_wrong_stops_before_any_file(store: Store, tmp_path: Path) -> None:
    folder = write(small_lab(tmp_path / "lab"), map="[[table]]\nis = 'returns'\n")
    with pytest.raises(InputError, match=r"map\.toml: \d mistakes"):
        take(store, folder, column_map=folder / "map.toml")
    assert store.data_version() == 0


def test_progress_is_told(store: Store, tmp_path: Path) -> None:
    calls: list[tuple[str, int, int]] = []
    folder = write(tmp_path / "lab", restorations=csv_text(restoration(f"R{n}") for n in range(6000)))
    take(store, folder, progress=lambda *call: calls.append(call))
    assert calls == [("restorations.csv", 5000, 6000), ("restorations.csv", 6000, 6000)]


def test_a_long_log_takes_little_room(tmp_path: Path) -> None:
    rows = 4_000
    lines = ["restoration_id,step,reading,value,recorded_at,operator,equipment,lot"]
    lines += [
        f"R{at // 10:05d},step {at % 10},reading {at % 10},{at % 97},2026-03-01 10:00,T1,M1,L1" for at in range(rows)
    ]
    source = find_sources([write(tmp_path, process_log="\n".join(lines) + "\n")], None).in_order()[0]
    ledger = Ledger()
    for at in range(rows // 10):
        ledger.admit_restoration(f"R{at:05d}", delivered_on=TODAY, teeth="")
    tracemalloc.start()
    try:
        checked = check_table(source, ledger, today=TODAY)
        held, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert len(checked.rows) == rows
    # 300,000 readings of a large lab are then held in less than 100 MB.
    assert held / rows < 330
    # A text that comes again is kept once.
    first, other = (cells for _, cells in source.rows_grid.rows[1:3])
    assert first[0] is other[0]

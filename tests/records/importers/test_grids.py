"""Files to grids: encoding, separator, line numbers and sheets are found, told, or refused in words."""

from __future__ import annotations

import contextlib
import csv
import io
import zipfile
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter
from hypothesis import given, settings
from hypothesis import strategies as st

from remakes.errors import FileError
from remakes.records.importers.grids import Grid, open_workbook, read_bytes, read_csv

steady = settings(derandomize=True, deadline=None)
KNOWN = frozenset({"restoration_id", "kind", "größe"})


def read(text: str | bytes, **options: Any) -> Grid:
    return read_csv("list.csv", text if isinstance(text, bytes) else text.encode(), known=KNOWN, **options)


@pytest.mark.parametrize(
    ("encoding", "told"),
    [
        ("utf-8", "UTF-8,"),
        ("utf-8-sig", "UTF-8 (byte order mark)"),
        ("utf-16", "UTF-16 (byte order mark)"),
        ("cp1252", "Windows-1252"),
    ],
)
def test_encoding_is_found_and_told(encoding: str, told: str) -> None:
    grid = read("restoration_id;Größe\nR1;groß – 5 €\n".encode(encoding))
    assert grid.rows == [(1, ["restoration_id", "Größe"]), (2, ["R1", "groß – 5 €"])]
    assert told in grid.notes[0]


def test_a_declared_encoding_counts() -> None:
    data = "restoration_id;kind\nR1;můstek\n".encode("cp1250")
    assert read(data, encoding="cp1250").rows[1][1] == ["R1", "můstek"]
    assert "cp1250 as declared" in read(data, encoding="cp1250").notes[0]
    assert read(data).rows[1][1] != ["R1", "můstek"]  # Windows-1252 has other letters in these places
    with pytest.raises(FileError, match=r"cannot be read as utf-8 as declared.*Save it again"):
        read(data, encoding="utf-8")


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
@pytest.mark.parametrize("declared", ["utf-8", "cp1252", "utf-16-le"])
def test_a_byte_order_mark_counts_before_what_a_map_declares(encoding: str, declared: str) -> None:
    # A list that was saved again by a spreadsheet: the mark must not become part of the first name.
    grid = read("restoration_id;Größe\nR1;groß\n".encode(encoding), encoding=declared)
    assert grid.rows[0][1] == ["restoration_id", "Größe"]


def test_an_encoding_that_gives_half_characters_is_refused() -> None:
    # UTF-7 can spell half a surrogate pair, which no database and no other encoding can store.
    data = b"restoration_id;kind\nR1;+2AA-\n"
    assert "\ud800" in data.decode("utf-7")
    with pytest.raises(FileError, match="cannot be read as utf-7 as declared"):
        read(data, encoding="utf-7")


def test_bytes_of_no_encoding_are_refused() -> None:
    with pytest.raises(FileError, match="UTF-8 and Windows-1252"):
        read(b"restoration_id;kind\nR1;\x81\x8d\n")
    with pytest.raises(FileError, match=r"NUL characters.*utf-16"):
        read("restoration_id;kind\nR1;crown\n".encode("utf-16-le"))


@pytest.mark.parametrize("separator", [";", ",", "\t", "|"])
def test_separator_is_found_by_the_known_names(separator: str) -> None:
    # Dates and decimals hold the other separators; the header decides.
    header, row = ["restoration_id", "kind", "a;b,c|d"], ["R1", "1,5;2|3", "x"]
    text = io.StringIO()
    csv.writer(text, delimiter=separator).writerows([header, row])
    assert read(text.getvalue()).rows == [(1, header), (2, row)]


def test_separator_without_known_names_is_the_one_that_gives_even_rows() -> None:
    assert read("Job;Art\n1;a,b\n2;c\n").rows[0][1] == ["Job", "Art"]


def test_a_separator_line_is_read_and_keeps_the_line_numbers() -> None:
    assert read("sep=|\nrestoration_id|kind\nR1|a;b\n").rows == [(2, ["restoration_id", "kind"]), (3, ["R1", "a;b"])]


def test_line_numbers_are_those_of_an_editor() -> None:
    text = 'restoration_id;kind\n\nR1;"two\nlines"\n;\nR2;"three\r\nmore\r\nlines"\rR3;end'
    grid = read(text)
    assert [line for line, _ in grid.rows] == [1, 3, 6, 9]
    assert grid.blank_lines == (2, 5)
    assert grid.rows[1][1] == ["R1", "two\nlines"]


def test_an_open_quotation_mark_is_refused_with_its_line() -> None:
    with pytest.raises(FileError, match=r"list\.csv, line 3: .*quotation mark"):
        read('restoration_id;kind\nR1;crown\nR2;"crown\nR3;bridge\n')


def test_a_workbook_under_a_csv_name_is_refused(tmp_path: Path) -> None:
    with xlsxwriter.Workbook(str(tmp_path / "a.xlsx")) as book:
        book.add_worksheet().write(0, 0, "restoration_id")
    with pytest.raises(FileError, match="is a workbook, not a CSV file"):
        read((tmp_path / "a.xlsx").read_bytes())


def test_missing_and_empty_files_are_refused(tmp_path: Path) -> None:
    (tmp_path / "empty.csv").write_bytes(b" \r\n\n")
    with pytest.raises(FileError, match=r"empty\.csv is empty"):
        read_bytes(tmp_path / "empty.csv")
    with pytest.raises(FileError, match=r"nothing\.csv cannot be read \(No such file"):
        read_bytes(tmp_path / "nothing.csv")


# A NUL is refused; a lone surrogate is no text that a file can hold.
cells = st.text(st.characters(exclude_characters="\x00", exclude_categories=["Cs"]), max_size=12)


@steady
@given(
    rows=st.lists(st.lists(cells, min_size=3, max_size=3), max_size=8),
    separator=st.sampled_from(";,\t|"),
    ending=st.sampled_from(["\n", "\r\n"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
)
def test_any_cells_come_back_from_a_csv_file(rows: list[list[str]], separator: str, ending: str, encoding: str) -> None:
    text = io.StringIO(newline="")
    # The writer forgets to quote a lone carriage return, which then ends the row for every reader.
    quoting = csv.QUOTE_ALL if any("\r" in cell for row in rows for cell in row) else csv.QUOTE_MINIMAL
    writer = csv.writer(text, delimiter=separator, lineterminator=ending, quoting=quoting)
    writer.writerows([["restoration_id", "kind", "note"], *rows])
    grid = read(text.getvalue().encode(encoding))
    expected = [row for row in rows if any(cell.strip() for cell in row)]
    assert [cells for _, cells in grid.rows[1:]] == expected
    assert len(grid.blank_lines) == len(rows) - len(expected)


@steady
@given(data=st.binary(min_size=1) | st.text(min_size=1).map(lambda text: text.encode("utf-8", "replace")))
def test_any_bytes_give_a_grid_or_a_refusal(data: bytes) -> None:
    with contextlib.suppress(FileError):
        assert all(cells for _, cells in read(data).rows)
    with contextlib.suppress(FileError):
        open_workbook("a.xlsx", data)


@steady
@given(
    spoils=st.lists(st.tuples(st.integers(0, 10**6), st.sampled_from(b'0123456789<>"/=abAZ ')), min_size=1, max_size=6)
)
def test_a_spoilt_workbook_gives_a_grid_or_a_refusal(
    spoils: list[tuple[int, int]], workbook_parts: dict[str, bytes]
) -> None:
    packed = io.BytesIO()
    names = sorted(workbook_parts)
    parts = {name: bytearray(workbook_parts[name]) for name in names}
    for place, letter in spoils:
        part = parts[names[place % len(names)]]
        part[place % len(part)] = letter
    with zipfile.ZipFile(packed, "w") as archive:
        for name in names:
            archive.writestr(name, bytes(parts[name]))
    with contextlib.suppress(FileError):
        book = open_workbook("a.xlsx", packed.getvalue())
        for sheet in book.visible:
            book.grid(sheet)


@pytest.fixture(scope="module")
def workbook_parts(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    path = tmp_path_factory.mktemp("book") / "a.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        sheet = book.add_worksheet()
        sheet.write_row(0, 0, ["restoration_id", 13, 0.5])
        sheet.write_datetime(1, 0, date(2026, 3, 2), book.add_format({"num_format": "dd.mm.yyyy"}))
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def test_sheets_cells_and_lines_of_a_workbook(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        book.add_worksheet("first").hide()
        sheet = book.add_worksheet("list")
        sheet.activate()
        sheet.set_first_sheet()
        sheet.merge_range("B2:D2", "A title")
        day, clock = book.add_format({"num_format": "dd.mm.yyyy"}), book.add_format({"num_format": "hh:mm"})
        sheet.write_row(3, 1, ["00012", 13, 0.85])
        sheet.write_datetime(4, 1, date(2026, 3, 2), day)
        sheet.write_number(4, 2, 0.125, clock)
        sheet.write_boolean(4, 3, True)
        book.add_chartsheet("chart")
    opened = open_workbook("a.xlsx", path.read_bytes())
    assert (opened.visible, opened.hidden) == (("list",), ("first",))
    grid = opened.grid("list")
    assert grid.rows == [
        (2, ["A title", "", ""]),
        (4, ["00012", 13.0, 0.85]),
        (5, [date(2026, 3, 2), time(3, 0), True]),
    ]
    assert grid.blank_lines == (1, 3)


def test_a_stray_cell_in_the_far_corner_is_refused_before_it_takes_the_memory(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        sheet = book.add_worksheet()
        sheet.write(0, 0, "restoration_id")
        sheet.write(1_048_575, 16_383, "x")
    with pytest.raises(FileError, match=r"reaches to XFD1048576.*delete the empty rows"):
        open_workbook("a.xlsx", path.read_bytes())


def rewritten(data: bytes, part: str, old: bytes, new: bytes) -> bytes:
    """The same workbook with one of its parts written otherwise."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as before, zipfile.ZipFile(out, "w") as after:
        for name in before.namelist():
            content = before.read(name)
            assert name != part or old in content
            after.writestr(name, content.replace(old, new) if name == part else content)
    return out.getvalue()


def small_book(*, far: bool = False, formula: bool = False) -> bytes:
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True}) as book:
        sheet = book.add_worksheet("a & b")
        sheet.write_row(0, 0, ["restoration_id", "kind"])
        if far:
            sheet.write(1_048_575, 16_383, "x")
        elif formula:
            sheet.write_formula(1, 1, "=NA()", None, "#N/A")
            sheet.write_formula(2, 4, "=1/0", None, "#DIV/0!")
    return out.getvalue()


def test_a_workbook_that_does_not_tell_its_size_ends_no_program() -> None:
    # The reader asks for memory that no machine has, and the process ends: it must be another process.
    part, dimension = "xl/worksheets/sheet1.xml", b'<dimension ref="A1:XFD1048576"/>'
    data = rewritten(small_book(far=True), part, dimension, b"")
    with pytest.raises(FileError, match=r"damaged, or some cell far from the table.*save it again"):
        open_workbook("a.xlsx", data)
    sound = rewritten(small_book(), part, b'<dimension ref="A1:B1"/>', b"")
    assert open_workbook("a.xlsx", sound).grid("a & b").rows == [(1, ["restoration_id", "kind"])]


def test_cells_with_an_error_are_told() -> None:
    (note,) = open_workbook("a.xlsx", small_book(formula=True)).grid("a & b").notes
    assert note == "2 cells hold an error of the spreadsheet, such as #N/A, and are read as blank: B2, E3."
    assert open_workbook("a.xlsx", small_book()).grid("a & b").notes == ()


def test_what_a_sheet_does_not_show_is_told() -> None:
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True}) as book:
        sheet = book.add_worksheet("list")
        sheet.write_row(0, 0, ["restoration_id", "kind", "note"])
        for line in range(1, 9):
            sheet.write_row(line, 0, [f"R{line}", "crown", "x"])
        sheet.set_row(3, None, None, {"hidden": True})
        sheet.set_row(30, None, None, {"hidden": True})  # nothing stands in it
        sheet.set_column(2, 2, None, None, {"hidden": True})
        sheet.set_column(7, 16_383, None, None, {"hidden": True})
        sheet.write_formula(4, 1, '="crown" & ""', None, "never")
        sheet.write_formula(6, 1, '="bridge"', None, "bridge")
        sheet.merge_range("A8:A9", "R7")
    data = out.getvalue()
    never = b't="str"><f>"crown" &amp; ""</f><v>never</v>'
    for unknown in (b"", b"<v></v>", b"<v/>"):
        sent = rewritten(data, "xl/worksheets/sheet1.xml", never, b'><f>"crown" &amp; ""</f>' + unknown)
        grid = open_workbook("a.xlsx", sent).grid("list")
        assert grid.notes == (
            "1 cell holds a formula that was never worked out, and is read as blank: B5. Open the file in a "
            "spreadsheet program and save it again.",
            "1 group of cells is merged: only its first cell has the value, the others are read as blank: A8:A9.",
            "1 filled row is hidden in the sheet, by a filter perhaps, and is read all the same: line 4.",
            "1 filled column is hidden in the sheet, and is read all the same: C.",
        )
        cells = dict(grid.rows)
        assert cells[5][1] in ("", None)
        assert cells[7][1] == "bridge"
        assert cells[4][0] == "R3"
    # A formula that was worked out to an empty text has a value.
    empty = rewritten(data, "xl/worksheets/sheet1.xml", b"<v>never</v>", b"<v></v>")
    assert not [one for one in open_workbook("a.xlsx", empty).grid("list").notes if "formula" in one]


@pytest.mark.parametrize("since_1904", [False, True])
def test_days_counted_from_1904_are_the_same_days(since_1904: bool) -> None:
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True, "date_1904": since_1904}) as book:
        sheet = book.add_worksheet("list")
        sheet.write(0, 0, "delivered_on")
        sheet.write_datetime(1, 0, datetime.fromisoformat("2026-03-02"), book.add_format({"num_format": "yyyy-mm-dd"}))
    (_, (day,)) = open_workbook("a.xlsx", out.getvalue()).grid("list").rows[1]
    assert isinstance(day, date)
    assert day.isoformat()[:10] == "2026-03-02"


@pytest.mark.parametrize("data", [b"PK\x03\x04 broken", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), b"text"])
def test_what_is_no_workbook_is_refused(data: bytes) -> None:
    with pytest.raises(FileError, match=r"a\.xlsx cannot be read as a workbook .*save"):
        open_workbook("a.xlsx", data)

"""Refused rows as a file to mend: the rows as they were, each with why it was refused; mended, it comes in again.

Nothing in the file runs: every text is stored as text, whatever sign it begins with.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Final

from remakes.records.importers.column_map import ColumnMap
from remakes.records.importers.grids import Cell
from remakes.records.importers.layout import Layout, lay_out
from remakes.records.importers.mending_columns import MENDING_COLUMNS, disarmed, is_mending
from remakes.records.importers.reports import Refusal, RefusalList, TablePreview, TableReport
from remakes.records.importers.sources import Source, find_sources
from remakes.records.rows import is_patient_column
from remakes.texts import later, t

if TYPE_CHECKING:
    from xlsxwriter import Workbook
    from xlsxwriter.format import Format
    from xlsxwriter.worksheet import Worksheet

__all__ = ["RowsToMend", "mending_csv", "mending_workbook", "rows_to_mend"]

#: What the file format allows for the name of a sheet and the text of a cell.
_NAME_LENGTH: Final = 31
_FORBIDDEN: Final = str.maketrans(dict.fromkeys("[]:*?/\\'", " "))
_TEXT_LENGTH: Final = 32_767
_WIDTHS: Final = (14, 22, 22, 60, 60)
_FIRST_DAY: Final = date(1900, 3, 1)
_SUMMED: Final = later("One of many refused alike: mend it as the rows above.")


@dataclass(frozen=True, slots=True, kw_only=True)
class RowsToMend:
    """The refused rows of one file or sheet.

    Attributes
    ----------
    name : str
        What the sheet of the mended file is called, so that it is known again.
    header : tuple of str
        The columns of `MENDING_COLUMNS`, then the file's own that are kept.
    rows : tuple of tuple
        In the order of the file.
    """

    name: str
    header: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


def rows_to_mend(
    paths: Sequence[Path], column_map: ColumnMap | None, told: Iterable[TablePreview | TableReport]
) -> tuple[RowsToMend, ...]:
    """The refused rows of these files, as `preview` or `import_paths` told them.

    Files refused as a whole are left out: there is no row to mend. Columns that look like patient data are left out.
    """
    refused = {(one.file, one.sheet, _table(one.table)): one for one in told if one.refused_lines}
    if not refused:
        return ()
    found = []
    for source in find_sources(list(paths), column_map, keep_unknown=True).in_order():
        one = refused.get((source.file, source.sheet, _table(source.table)))
        if one is None or source.grid is None:
            continue
        layout = lay_out(source, RefusalList(file=source.file, sheet=source.sheet))
        if layout is not None:
            found.append(_of_source(source, layout, one))
    return tuple(found)


def _table(table: str) -> str:
    return "process_log" if table == "bench_sheet" else table


def _of_source(source: Source, layout: Layout, one: TablePreview | TableReport) -> RowsToMend:
    kept = [
        place for place, name in enumerate(layout.names) if name and not (is_patient_column(name) or is_mending(name))
    ]
    reasons: dict[int, list[Refusal]] = {}
    for refusal in one.refused:
        if refusal.line is not None:
            reasons.setdefault(refusal.line, []).append(refusal)
    lines = set(one.refused_lines)
    rows = [
        (line, *_joined(reasons.get(line, ())), *_own_cells(cells, kept, len(layout.names)))
        for line, cells in source.rows_grid.rows[layout.body :]
        if line in lines
    ]
    return RowsToMend(
        name=source.table if source.table_map is None else source.sheet or PurePath(source.file).stem,
        header=(*MENDING_COLUMNS, *(layout.names[place] for place in kept)),
        rows=tuple(rows),
    )


def _joined(refusals: Sequence[Refusal]) -> tuple[str, str, str, str]:
    """Column, value, reason and how to mend; of several problems one below the other."""
    if not refusals:
        return ("", "", t(_SUMMED), "")
    parts = ([one.column, one.value, one.reason, one.mend] for one in refusals)
    column, value, reason, mend = ("\n".join(filter(None, part)) for part in zip(*parts, strict=True))
    return (column, value, reason, mend)


def _own_cells(cells: Sequence[Cell], kept: Sequence[int], width: int) -> Iterator[Cell]:
    for place in kept:
        yield cells[place] if place < len(cells) else None
    yield from cells[width:]  # more cells than the header has: that is what is wrong with the row


def mending_workbook(found: Sequence[RowsToMend]) -> bytes:
    """The rows as an XLSX workbook, one sheet for each file; bring it in again as it is, once it is mended."""
    import xlsxwriter

    file = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    book = xlsxwriter.Workbook(file, options)
    names: set[str] = set()
    for one in found:
        _write_sheet(book, book.add_worksheet(_sheet_name(one.name, names)), one)
    book.close()
    return file.getvalue()


def _sheet_name(wished: str, taken: set[str]) -> str:
    plain = " ".join(wished.translate(_FORBIDDEN).split())[:_NAME_LENGTH] or "rows"
    name, number = plain, 2
    while name.casefold() in taken:
        name = f"{plain[: _NAME_LENGTH - 4]} {number}"
        number += 1
    taken.add(name.casefold())
    return name


def _write_sheet(book: Workbook, sheet: Worksheet, one: RowsToMend) -> None:
    bold, wrapped = book.add_format({"bold": True}), book.add_format({"text_wrap": True, "valign": "top"})
    days: dict[type[date], Format] = {
        date: book.add_format({"num_format": "yyyy-mm-dd"}),
        datetime: book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"}),
    }
    sheet.freeze_panes(1, 0)
    for place, name in enumerate(one.header):
        sheet.write_string(0, place, name, bold)
        sheet.set_column(place, place, _WIDTHS[place] if place < len(_WIDTHS) else 16)
    for number, row in enumerate(one.rows, start=1):
        for place, cell in enumerate(row):
            if place < len(_WIDTHS) and isinstance(cell, str):
                sheet.write_string(number, place, cell[:_TEXT_LENGTH], wrapped)
            else:
                _write(sheet, number, place, cell, days)


def _write(sheet: Worksheet, row: int, place: int, cell: Cell, days: Mapping[type[date], Format]) -> None:
    """One cell as it was typed; what the format has no type for, as text."""
    if cell is None or cell == "":
        return
    if isinstance(cell, bool):
        sheet.write_boolean(row, place, cell)
    elif isinstance(cell, int | float):
        sheet.write_number(row, place, cell)
    elif isinstance(cell, date) and _day(cell) >= _FIRST_DAY:
        is_day = not isinstance(cell, datetime) or cell.time() == time.min
        sheet.write_datetime(row, place, cell, days[date if is_day else datetime])
    else:
        text = cell.isoformat() if isinstance(cell, date | time) else str(cell)
        sheet.write_string(row, place, text[:_TEXT_LENGTH])


def _day(cell: date) -> date:
    return cell.date() if isinstance(cell, datetime) else cell


def mending_csv(one: RowsToMend) -> bytes:
    """The rows of one file as CSV in UTF-8; text that looks like a formula has an apostrophe, taken off again."""
    out = io.StringIO(newline="")
    table = csv.writer(out)
    table.writerow([disarmed(name) for name in one.header])
    table.writerows([disarmed(_text(cell)) for cell in row] for row in one.rows)
    # Spreadsheets take a file without the mark for the machine's old encoding.
    return out.getvalue().encode("utf-8-sig")


def _text(cell: Cell) -> Cell:
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    return cell.isoformat() if isinstance(cell, date | time) else cell

"""A report as a workbook: the front in words, then every table with real numbers, and nothing that runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time
from io import BytesIO
from math import isfinite
from typing import TYPE_CHECKING, Final

from remakes.evidence.estimate import Estimate
from remakes.reports.document import Cell, Column, Kind, Report, Section, Table, printed
from remakes.reports.letters import writable
from remakes.texts import later, t

if TYPE_CHECKING:
    from xlsxwriter import Workbook
    from xlsxwriter.format import Format
    from xlsxwriter.worksheet import Worksheet

__all__ = ["to_xlsx"]

#: What the file format allows for the name of a sheet and the text of a cell.
_NAME_LENGTH: Final = 31
_FORBIDDEN: Final = str.maketrans(dict.fromkeys("[]:*?/\\", " "))
_TEXT_LENGTH: Final = 32_767
_WIDEST: Final = 60
_FRONT: Final = later("Report")


@dataclass(frozen=True, slots=True)
class _Sheet:
    """The tables of one sheet as one grid: single columns only, so that a spreadsheet can sort and filter them."""

    name: str
    notes: tuple[str, ...]
    columns: tuple[Column, ...]
    rows: tuple[tuple[str | float | None, ...], ...]


def to_xlsx(report: Report) -> bytes:
    """The report as an XLSX workbook.

    Notes
    -----
    Text is stored as text, whatever sign it starts with: no cell is ever a formula or a link. Figures are numbers
    with a format; a figure that cannot be had is a blank cell. An estimate takes three columns. The properties
    name the report and its day and nobody.
    """
    import xlsxwriter

    file = BytesIO()
    options = {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "nan_inf_to_errors": False,
    }
    book = xlsxwriter.Workbook(file, options)
    book.set_properties({"title": _cell_text(report.title), "created": datetime.combine(report.made_on, time())})
    names = {t(_FRONT).casefold()}
    _write_front(book, report)
    for sheet in _sheets(report.tables, names):
        _write_sheet(book, sheet)
    book.close()
    return file.getvalue()


def _write_front(book: Workbook, report: Report) -> None:
    sheet = book.add_worksheet(t(_FRONT))
    sheet.hide_gridlines(2)
    sheet.set_column(0, 0, 110)
    wrapped = book.add_format({"text_wrap": True, "valign": "top"})
    title = book.add_format({"bold": True, "font_size": 16})
    heading = book.add_format({"bold": True, "font_size": 12, "font_color": "#0072B2"})
    lines = [(report.title, title), (report.about, wrapped), ("", wrapped)]
    for section in (*report.front, *report.charts):
        lines.append((section.heading, heading))
        lines += [(line, wrapped) for line in _lines(section)]
        lines.append(("", wrapped))
    lines.append((report.caution, wrapped))
    for row, (line, form) in enumerate(lines):
        if line:
            sheet.write_string(row, 0, _cell_text(line), form)
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)


def _lines(section: Section) -> list[str]:
    """A section of the front in words; its table as one line a row."""
    lines = [*section.sentences, *(f"• {item}" for item in section.items)]
    if section.figure is not None:
        lines.append(section.figure.alternative)
    if section.table is not None and section.table.rows:
        lines.append(
            t(
                "{caption}: see the sheet {sheet_name}.",
                caption=section.table.caption,
                sheet_name=_sheet_name(section.table.sheet),
            )
        )
    return [*lines, *section.notes]


def _sheets(tables: Sequence[Table], taken: set[str]) -> list[_Sheet]:
    """Tables of the same sheet below each other; every name allowed and used once."""
    together: dict[str, list[Table]] = {}
    for table in tables:
        if table.rows:
            together.setdefault(table.sheet, []).append(table)
    found = []
    for wanted, parts in together.items():
        name = _unused(_sheet_name(wanted), taken)
        taken.add(name.casefold())
        group = (Column(name=parts[0].group[0]),) if parts[0].group else ()
        columns = (*group, *(single for column in parts[0].columns for single in _singles(column)))
        rows = tuple(
            (
                *part.group[1:],
                *(value for cell, column in zip(row, part.columns, strict=True) for value in _values(cell, column)),
            )
            for part in parts
            for row in part.rows
        )
        notes = tuple(dict.fromkeys(note for part in parts for note in (part.note,) if note))
        found.append(_Sheet(name, notes, columns, rows))
    return found


def _sheet_name(wanted: str) -> str:
    """A name that the file format allows: no forbidden signs, no apostrophe at an end, 31 characters."""
    shown = "".join(sign for sign in wanted.translate(_FORBIDDEN) if sign.isprintable())
    return " ".join(shown.split())[:_NAME_LENGTH].strip(" '") or t("Sheet")


def _unused(name: str, taken: set[str]) -> str:
    number, free = 1, name
    while free.casefold() in taken or free.casefold() == "history":  # a name that spreadsheets keep for themselves
        number += 1
        tail = f" {number}"
        free = name[: _NAME_LENGTH - len(tail)] + tail
    return free


def _singles(column: Column) -> tuple[Column, ...]:
    """An estimate's column as three, any other as it is."""
    if not column.has_range:
        return (column,)
    kind: Kind = "share" if column.kind == "share interval" else "number"
    digits = max(column.digits, 1)
    names = (column.name, t("{name}, from", name=column.name), t("{name}, to", name=column.name))
    return tuple(Column(name=name, kind=kind, digits=digits) for name in names)


def _values(cell: Cell, column: Column) -> tuple[str | float | None, ...]:
    if column.has_range:
        ends = (cell.estimate, cell.low, cell.high) if isinstance(cell, Estimate) else (None, None, None)
        return tuple(one if one is not None and isfinite(one) else None for one in ends)
    if isinstance(cell, Estimate):
        return (printed(cell, column),)
    if isinstance(cell, str):
        return (cell or None,)
    return (float(cell) if cell is not None and isfinite(cell) else None,)


def _write_sheet(book: Workbook, content: _Sheet) -> None:
    sheet = book.add_worksheet(content.name)
    head = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
    forms = [_format(book, column) for column in content.columns]
    for place, column in enumerate(content.columns):
        sheet.write_string(0, place, _cell_text(column.name), head)
        sheet.set_column(place, place, _width(column, [row[place] for row in content.rows]))
    for number, row in enumerate(content.rows, start=1):
        for place, value in enumerate(row):
            _write(sheet, number, place, value, forms[place])
    last = len(content.rows)
    sheet.freeze_panes(1, 1)
    sheet.autofilter(0, 0, last, len(content.columns) - 1)
    sheet.repeat_rows(0)
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
    for number, note in enumerate(content.notes, start=last + 2):
        sheet.write_string(number, 0, _cell_text(note))


def _write(sheet: Worksheet, row: int, place: int, value: str | float | None, form: Format) -> None:
    if value is None:
        return
    if isinstance(value, str):
        sheet.write_string(row, place, _cell_text(value), form)
    else:
        sheet.write_number(row, place, value, form)


def _format(book: Workbook, column: Column) -> Format:
    decimals = f".{'0' * column.digits}" if column.digits else ""
    if column.kind == "share":
        return book.add_format({"num_format": f"0{decimals}%"})
    if column.kind == "number":
        return book.add_format({"num_format": f"#,##0{decimals}"})
    return book.add_format({"num_format": "@"})


def _width(column: Column, values: Sequence[str | float | None]) -> float:
    longest = max((len(value) for value in values if isinstance(value, str)), default=8)
    # The filter's button takes room beside the head, which may wrap.
    head = max((len(word) for word in column.name.split()), default=0) + 4
    return float(min(max(longest + 2, head, 10), _WIDEST))


def _cell_text(text: str) -> str:
    return writable(text)[:_TEXT_LENGTH]

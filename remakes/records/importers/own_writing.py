"""A sheet with our own headings that is written another way: days as 02.03.2026, decimal commas, words for codes.

That is what a template becomes once it is filled in and saved by a spreadsheet of another language. It is asked
about like any foreign sheet, instead of refusing it row by row.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Final

from remakes.records.cells import RefusedCell, day, moment, number_from_text
from remakes.records.importers.column_map import MAP_CODES
from remakes.records.importers.conversions import DATE_COLUMNS, NUMBER_COLUMNS
from remakes.records.importers.grids import column_key
from remakes.records.importers.sheets import Sheet
from remakes.records.importers.ways_of_writing import counted_texts
from remakes.records.rows import COLUMNS
from remakes.records.teeth import ToothError, parse_teeth

__all__ = ["written_as_ours"]

#: A way of writing shows in the first rows; a long log is not read twice for it.
_ROWS: Final = 1_000
_DECIMAL_COMMA: Final = re.compile(r"[+-]?[0-9.]*,[0-9]+")


def written_as_ours(sheet: Sheet, table: str) -> bool:
    """Can most cells of each column be read without a map?

    A few cells that cannot are mistakes, to be refused one by one; more than half of a column are a way of writing.
    Typed cells and blanks need no map.
    """
    for column in COLUMNS[table]:
        fits = _check_of(column)
        if fits is None:
            continue
        cells = sheet.cells(column, most=_ROWS)
        misfits = sum(rows for text, rows in counted_texts(cells).items() if not fits(text))
        if misfits > len(cells) / 2:
            return False
    return True


def _check_of(column: str) -> Callable[[str], bool] | None:
    if column in DATE_COLUMNS:
        return lambda text: _is_read(day, text)
    if column in MAP_CODES:
        return lambda text: column_key(text) in MAP_CODES[column]
    if column in NUMBER_COLUMNS:
        return lambda text: number_from_text(text) is not None
    return {
        "recorded_at": lambda text: _is_read(moment, text),
        "teeth": _names_teeth,
        # Readings of words stand beside numbers: only a decimal comma tells another way of writing.
        "value": lambda text: _DECIMAL_COMMA.fullmatch(text) is None,
    }.get(column)


def _is_read(reader: Callable[[object], object], text: str) -> bool:
    try:
        reader(text)
    except RefusedCell:
        return False
    return True


def _names_teeth(text: str) -> bool:
    try:
        parse_teeth(text)
    except ToothError:
        return False
    return True

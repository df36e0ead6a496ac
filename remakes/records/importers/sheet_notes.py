"""Notes of what a sheet of a workbook does not show at first sight, in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from remakes.records.importers.sheet_marks import SheetMarks, sheet_marks
from remakes.texts import t, tn

__all__ = ["sheet_notes"]

_MOST_NAMED: Final = 5
Rows = Sequence[tuple[int, Sequence[object]]]


def sheet_notes(data: bytes, sheet: str, rows: Rows) -> Iterator[str]:
    """What a person must know who sees the sheet in a spreadsheet program, where its values alone were read.

    Parameters
    ----------
    data : bytes
        The workbook.
    rows : sequence of (line, cells)
        The filled rows, as they were read.
    """
    marks = sheet_marks(data, sheet)
    if marks.errors:
        yield tn(
            len(marks.errors),
            "1 cell holds an error of the spreadsheet, such as #N/A, and is read as blank: {some}.",
            "{n:,} cells hold an error of the spreadsheet, such as #N/A, and are read as blank: {some}.",
            some=_some(marks.errors),
        )
    if marks.uncalculated:
        yield tn(
            len(marks.uncalculated),
            "1 cell holds a formula that was never worked out, and is read as blank: {some}. Open the file in a "
            "spreadsheet program and save it again.",
            "{n:,} cells hold a formula that was never worked out, and are read as blank: {some}. Open the file in a "
            "spreadsheet program and save it again.",
            some=_some(marks.uncalculated),
        )
    if marks.merged:
        yield tn(
            len(marks.merged),
            "1 group of cells is merged: only its first cell has the value, the others are read as blank: {some}.",
            "{n:,} groups of cells are merged: only the first cell of each has the value, the others are read as "
            "blank: {some}.",
            some=_some(marks.merged),
        )
    yield from _hidden(marks, rows)


def _hidden(marks: SheetMarks, rows: Rows) -> Iterator[str]:
    lines = set(marks.hidden_rows)
    filled = [str(line) for line, _ in rows if line in lines]
    if filled:
        yield tn(
            len(filled),
            "1 filled row is hidden in the sheet, by a filter perhaps, and is read all the same: line {some}.",
            "{n:,} filled rows are hidden in the sheet, by a filter perhaps, and are read all the same: lines {some}.",
            some=_some(filled),
        )
    width = max((len(cells) for _, cells in rows), default=0)
    columns = [
        _letters(place)
        for place in marks.hidden_columns
        if place < width and any(place < len(cells) and cells[place] not in ("", None) for _, cells in rows)
    ]
    if columns:
        yield tn(
            len(columns),
            "1 filled column is hidden in the sheet, and is read all the same: {some}.",
            "{n:,} filled columns are hidden in the sheet, and are read all the same: {some}.",
            some=_some(columns),
        )


def _letters(place: int) -> str:
    """The name of a column: A, B … Z, AA."""
    letters = ""
    place += 1
    while place:
        place, letter = divmod(place - 1, 26)
        letters = chr(ord("A") + letter) + letters
    return letters


def _some(names: Sequence[str]) -> str:
    some = ", ".join(names[:_MOST_NAMED])
    left = len(names) - _MOST_NAMED
    return t("{named} and {left} more", named=some, left=left) if left > 0 else some

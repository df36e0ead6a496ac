"""What stands in a foreign sheet, before anybody has said what it holds: its header, its columns, what is odd."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from itertools import islice
from pathlib import PurePath

from remakes.errors import FileError
from remakes.records.cells import shown
from remakes.records.importers.conversions import header_names, typed
from remakes.records.importers.grids import (
    HEADER_SEARCH,
    WORKBOOK_ENDINGS,
    Cell,
    Grid,
    Workbook,
    column_key,
    is_blank,
    known_names_in,
    open_workbook,
)
from remakes.records.importers.headings import KNOWN_HEADINGS, heading_key
from remakes.records.importers.mending_columns import is_mending
from remakes.records.importers.text_lists import read_text_list
from remakes.records.rows import COLUMNS, REQUIRED_COLUMNS, is_patient_column
from remakes.texts import t

__all__ = ["Sheet", "SheetColumn", "SheetFile", "open_sheets", "shape_of"]

_FIRST_CELLS = 3
_TEXT_ENDINGS = frozenset({".csv", ".tsv", ".txt"})


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetColumn:
    """One named column: its position in a row, and its first filled cells as text."""

    name: str
    place: int
    first_cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One list of a file.

    Attributes
    ----------
    grid : Grid
    header : int
        Position in `grid.rows` of the row that names the columns.
    columns : tuple of SheetColumn
        Those with a name; none that looks like patient data, and none of a list of refused rows.
    oddities : tuple of str
        What a person should look at before saying what the columns hold.
    faults : tuple of str
        What must be mended in the file first.
    """

    grid: Grid
    header: int
    columns: tuple[SheetColumn, ...]
    oddities: tuple[str, ...]
    faults: tuple[str, ...]

    @property
    def shape(self) -> str:
        """By what a file of the same columns is known again."""
        return shape_of(one.name for one in self.columns)

    @property
    def rows(self) -> int:
        """Filled rows below the header."""
        return max(len(self.grid.rows) - self.header - 1, 0)

    def cells(self, name: str, *, most: int | None = None) -> list[Cell]:
        """The filled cells of a column, below the header, the first `most` of them; empty without such a column."""
        place = next((one.place for one in self.columns if column_key(one.name) == column_key(name)), None)
        if place is None:
            return []
        below = (row for _, row in islice(self.grid.rows, self.header + 1, None))
        return list(islice((row[place] for row in below if place < len(row) and not is_blank(row[place])), most))

    def holds(self, table: str) -> bool:
        """Has it the columns of one of our own tables, under our own names?"""
        names = {column_key(one.name) for one in self.columns}
        return names.issuperset(REQUIRED_COLUMNS[table])


class SheetFile:
    """An uploaded list, opened."""

    def __init__(self, file: str, data: bytes, *, encoding: str | None = None) -> None:
        self.file = file
        self._workbook: Workbook | None = None
        self._grids: dict[str, Grid] = {}
        if PurePath(file).suffix.casefold() in WORKBOOK_ENDINGS:
            self._workbook = open_workbook(file, data)
            self.sheets = self._workbook.visible
            self.hidden = self._workbook.hidden
        else:
            known = set(KNOWN_HEADINGS) | {column for columns in COLUMNS.values() for column in columns}
            self._grids[""] = read_text_list(file, data, known=known, encoding=encoding)
            self.sheets, self.hidden = ("",), ()
        if not self.sheets:
            raise FileError(
                t("{file} has no visible sheet. Show the sheet with the list and save the file again.", file=file)
            )

    def sheet(self, name: str, *, header_line: int | None = None, shapes: Collection[str] = ()) -> Sheet:
        """One of its sheets.

        Parameters
        ----------
        name : str
            As in `sheets`; empty for a text file.
        header_line : int, optional
            The line that names the columns; default: found.
        shapes : collection of str
            Shapes that are known: a row that has one of them is the header.

        Raises
        ------
        FileError
            The sheet is empty or damaged.
        """
        if name not in self._grids and self._workbook is not None:
            self._grids[name] = self._workbook.grid(name)
        grid = self._grids[name]
        if not grid.rows:
            raise FileError(
                t(
                    "The sheet {sheet} of {file} is empty. Choose another sheet, or save the list again.",
                    sheet=name,
                    file=self.file,
                )
                if name
                else t("{file} holds no text. Save the list again.", file=self.file)
            )
        lines = [line for line, _ in grid.rows[:HEADER_SEARCH]]
        header = lines.index(header_line) if header_line in lines else _likely_header(grid, shapes)
        columns = tuple(_columns(grid, header))
        return Sheet(
            grid=grid,
            header=header,
            columns=columns,
            oddities=tuple(_oddities(grid, header)),
            faults=tuple(_faults(grid, header, columns)),
        )


def open_sheets(file: str, data: bytes, *, encoding: str | None = None) -> SheetFile:
    """Open a text file or a workbook.

    Raises
    ------
    FileError
        Empty, no list at all, damaged, locked by a password, or in another encoding.
    """
    if not data.strip():
        raise FileError(t("{file} is empty. Save the list again; it needs at least its header row.", file=file))
    if PurePath(file).suffix.casefold() not in WORKBOOK_ENDINGS | _TEXT_ENDINGS:
        raise FileError(t("{file} is no list. Save it as CSV or as a workbook (.xlsx, .xls or .ods).", file=file))
    return SheetFile(file, data, encoding=encoding)


def shape_of(names: Iterable[str]) -> str:
    """The fingerprint of a header: the same for the same names in any order; columns not kept play no part."""
    keys = sorted({column_key(name) for name in names if name and not (is_patient_column(name) or is_mending(name))})
    return hashlib.sha256("\n".join(keys).encode()).hexdigest()[:16]


def _likely_header(grid: Grid, shapes: Collection[str]) -> int:
    """The row of a known shape, else the one with most known headings, else with most different texts."""

    def score(position: int) -> tuple[int, int, int]:
        row = grid.rows[position][1]
        texts = {column_key(cell) for cell in row if isinstance(cell, str) and any(map(str.isalpha, cell))}
        keys = {heading_key(text) for text in texts}
        return (int(shape_of(header_names(row)) in shapes), len(keys & KNOWN_HEADINGS.keys()), len(texts))

    top = range(len(grid.rows[:HEADER_SEARCH]))
    best = max(map(score, top))
    # Without a known heading, rows of data hold as many texts as the header: then the first of the full rows is it.
    return next(position for position in top if score(position) == best)


def _columns(grid: Grid, header: int) -> Iterable[SheetColumn]:
    body = [row for _, row in grid.rows[header + 1 :]]
    for place, name in enumerate(header_names(grid.rows[header][1])):
        if not name or is_patient_column(name) or is_mending(name):
            continue
        filled = (row[place] for row in body if place < len(row) and not is_blank(row[place]))
        cells = [cell for cell, _ in zip(filled, range(_FIRST_CELLS), strict=False)]
        yield SheetColumn(name=name, place=place, first_cells=tuple(shown(typed(cell)) for cell in cells))


def _faults(grid: Grid, header: int, columns: tuple[SheetColumn, ...]) -> Iterable[str]:
    keys = [column_key(one.name) for one in columns]
    doubled = [one.name for one in columns if keys.count(column_key(one.name)) > 1]
    if doubled:
        yield t(
            "Line {line} names {names} more than once, so it is not clear which column counts. Rename or delete the "
            "doubled columns in the file, or choose another header row.",
            line=grid.rows[header][0],
            names=", ".join(dict.fromkeys(doubled)),
        )
    if len(grid.rows) <= header + 1:
        yield t("There is no row below line {line}. Choose the row that names the columns.", line=grid.rows[header][0])


def _oddities(grid: Grid, header: int) -> Iterable[str]:
    yield from grid.notes
    above = [line for line, _ in grid.rows[:header]]
    if above:
        yield t("Titles above line {line} are not read.", line=grid.rows[header][0])
    names = header_names(grid.rows[header][1])
    dropped = [name for name in names if is_patient_column(name)]
    if dropped:
        yield t("Not shown and not kept, since they look like patient data: {names}.", names=", ".join(dropped))
    if _looks_like_second_header(grid, header):
        yield t(
            "Line {line} looks like a second header row, of units perhaps. If it names the columns, choose it as "
            "header row; otherwise it is refused as a row, which harms nothing.",
            line=grid.rows[header + 1][0],
        )


def _looks_like_second_header(grid: Grid, header: int) -> bool:
    """Texts without any digit under the header, where the rows below have numbers or days."""
    below = grid.rows[header + 1 : header + 4]
    if len(below) < 3:
        return False
    counts = [known_names_in(cells, {column_key(cell) for cell in cells if _is_wordy(cell)}) for _, cells in below]
    first = [cell for cell in below[0][1] if not is_blank(cell)]
    return len(first) >= 2 and all(map(_is_wordy, first)) and counts[0] > max(counts[1:])


def _is_wordy(cell: Cell) -> bool:
    return isinstance(cell, str) and bool(cell.strip()) and not any(map(str.isdigit, cell))

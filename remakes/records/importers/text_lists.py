"""A list in a text file: its rows, and of a list of refused rows that comes back, the texts as they once were."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from remakes.records.importers.grids import HEADER_SEARCH, Grid, read_csv
from remakes.records.importers.mending_columns import armed_again, is_mending

__all__ = ["read_text_list"]


def read_text_list(file: str, data: bytes, *, known: Collection[str], encoding: str | None = None) -> Grid:
    """The rows of a text file, as `read_csv` gives them.

    A list of refused rows has an apostrophe before everything that looks like a formula, names of columns too; it is
    taken off here, so that no later step meets it and no second round of mending adds another.

    Raises
    ------
    FileError
        As `read_csv`.
    """
    grid = read_csv(file, data, known=known, encoding=encoding)
    if not any(is_mending(cell) for _, cells in grid.rows[:HEADER_SEARCH] for cell in cells):
        return grid
    return replace(grid, rows=[(line, list(map(armed_again, cells))) for line, cells in grid.rows])

"""The columns that a list of refused rows has before the file's own, and how they are known again."""

from __future__ import annotations

from typing import Final

from remakes.records.importers.grids import Cell, column_key

__all__ = ["FORMULA_STARTS", "MENDING_COLUMNS", "armed_again", "disarmed", "is_mending"]

#: Unlike any column of a lab's own list. They stand first, so that a row with too many cells keeps all of them.
MENDING_COLUMNS: Final = (
    "refused: line",
    "refused: column",
    "refused: value",
    "refused: reason",
    "refused: how to mend",
)
_KEYS: Final = frozenset(MENDING_COLUMNS)
#: A cell of a text file that starts like this would be run as a formula by a spreadsheet.
FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")


def is_mending(name: object) -> bool:
    """Is this a column that a list of refused rows has of its own?"""
    return column_key(name) in _KEYS


def disarmed(cell: object) -> object:
    """Text that a spreadsheet would take for a formula, with an apostrophe before it."""
    return f"'{cell}" if isinstance(cell, str) and _dangerous(cell) else cell


def armed_again(cell: Cell) -> Cell:
    """The text that `disarmed` was given."""
    return cell[1:] if isinstance(cell, str) and cell.startswith("'") and _dangerous(cell) else cell


def _dangerous(text: str) -> bool:
    # Apostrophes that stand there already are counted in, so that each way undoes the other.
    return text.lstrip("'").startswith(FORMULA_STARTS)

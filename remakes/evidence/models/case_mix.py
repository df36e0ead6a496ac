"""What restorations have in common before the bench work: the columns every model adjusts for."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.table import Attribute, PatternTable
from remakes.texts import later

__all__ = ["RIDGE_WEAK", "SHRUNKEN", "CaseMix", "weak_ridge"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

#: Effects with few levels, as they are.
_FIXED: Final = ("kind", "framework", "veneer", "span", "region", "difficulty", "lead_time", "workload")
#: Effects with many levels and few returns in each, shrunken; the one with most levels first.
SHRUNKEN: Final = ("clinic", "quarter", "technician")

_WORDS: Final = {
    "technician": later("technician"),
    "clinic": later("clinic"),
    "quarter": later("quarter of delivery"),
    "kind": later("kind"),
    "framework": later("framework material"),
    "veneer": later("veneer material"),
    "span": later("span"),
    "region": later("region of the mouth"),
    "difficulty": later("difficulty noted"),
    "lead_time": later("short lead time"),
    "workload": later("workload of the week"),
}

#: A level held by fewer restorations is merged with the commonest: it cannot be told apart anyway.
_SMALLEST_LEVEL: Final = 10
#: Precision of a weak normal prior: standard deviation 1.4 on the log odds.
RIDGE_WEAK: Final = 0.5
#: With fewer returns than this for each case-mix column, the case mix carries the weak prior.
_RETURNS_PER_COLUMN: Final = 5


class CaseMix:
    """The adjustment columns of a pattern table, made once and shared by all models.

    Attributes
    ----------
    columns : (patterns, c) array
        Case-mix indicators.
    codes : mapping of str to (patterns,) array
        Level numbers of clinic, quarter and technician.
    levels : mapping of str to int
        How many levels each of these has.
    present : tuple of str
        Names of what varies in these records, in words.
    """

    def __init__(self, table: PatternTable) -> None:
        blocks, present = [np.zeros((table.patterns, 0))], []
        for name in _FIXED:
            attribute = table.attributes[name]
            make = _tag_indicators if name == "difficulty" else _level_indicators
            block = make(attribute, table.restorations)
            if block.shape[1]:
                blocks.append(block)
                present.append(_WORDS[name])
        self.columns: Floats = np.hstack(blocks)
        self.codes: dict[str, Ints] = {name: table.attributes[name].codes for name in SHRUNKEN}
        self.levels: dict[str, int] = {name: len(table.attributes[name].levels) for name in SHRUNKEN}
        present += [_WORDS[name] for name in reversed(SHRUNKEN) if self.levels[name] > 1]
        self.present: tuple[str, ...] = tuple(present)

    def indicators(self, name: str, rows: Ints) -> Floats:
        """One column for every level of clinic, quarter or technician."""
        block: Floats = np.eye(self.levels[name])[self.codes[name][rows]]
        return block


def weak_ridge(columns: int, *, returns: float) -> float:
    """Precision of the case mix's prior: none where the returns carry its columns, weak where they do not."""
    return RIDGE_WEAK if returns < _RETURNS_PER_COLUMN * columns else 0.0


def _level_indicators(attribute: Attribute, weights: NDArray[np.int64]) -> Floats:
    held = np.bincount(attribute.codes, weights, minlength=len(attribute.levels))
    commonest = int(held.argmax())
    wanted = [k for k in range(len(held)) if k != commonest and held[k] >= _SMALLEST_LEVEL]
    indicators: Floats = (attribute.codes[:, None] == np.array(wanted, dtype=np.intp)).astype(np.float64)
    return indicators


def _tag_indicators(attribute: Attribute, weights: NDArray[np.int64]) -> Floats:
    """A column for each difficulty tag; one restoration may carry several."""
    per_level = [frozenset(tag.strip() for tag in level.split(";") if tag.strip()) for level in attribute.levels]
    tags = sorted(frozenset().union(*per_level)) if per_level else []
    columns = []
    for tag in tags:
        column = np.array([tag in held for held in per_level], dtype=np.float64)[attribute.codes]
        count = float(column @ weights)
        if _SMALLEST_LEVEL <= count <= weights.sum() - _SMALLEST_LEVEL:
            columns.append(column)
    return np.column_stack(columns) if columns else np.zeros((len(attribute.codes), 0))

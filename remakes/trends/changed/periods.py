"""Which two periods to compare where nobody has named any."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

__all__ = ["usual_periods"]

#: Months of each period.
_LENGTH: Final = 3
#: First months of a record: the lab's restorations are all new and many returns are not entered yet.
_FIRST_MONTHS: Final = 3


def usual_periods(months: Sequence[str], complete_until: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The last three complete months and the three before them.

    Parameters
    ----------
    months : sequence of str
        All months of the record, ``2026-04``, oldest first.
    complete_until : str
        The last month that is over and of which nearly all returns are entered; empty if there is none.

    Returns
    -------
    before, after : tuple of str
        Both empty where fewer than six complete months follow the record's first three.
    """
    usable = [month for month in months if month <= complete_until][_FIRST_MONTHS:]
    if len(usable) < 2 * _LENGTH:
        return (), ()
    return tuple(usable[-2 * _LENGTH : -_LENGTH]), tuple(usable[-_LENGTH:])

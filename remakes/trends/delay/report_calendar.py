"""Returns by month of the report as entered so far, and which part of each month has had time to be entered."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.delays import DelayCounts
from remakes.trends.delay.entry_clock import EntryClock
from remakes.trends.delay.reverse_time import DelayCurve

__all__ = ["EVERY_DEFECT", "ReportCalendar"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: All defects together: first returns per restoration and defect, summed.
EVERY_DEFECT: Final = "all"

_WEEK: Final = 7
#: Added to each day of the week, so that a day without a report yet does not count for nothing.
_UNSEEN: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReportCalendar:
    """Months from the first report to the end of observation.

    Attributes
    ----------
    names : tuple of str
        Months, oldest first.
    defects : tuple of str
        ``all`` first.
    counts : (months, defects) array
        First returns per restoration and defect entered so far.
    days : tuple of arrays
        Ordinals of each month's days that are observed.
    weight : (7,) array
        How many returns come on a day, by day of the week; 1 on average.
    """

    names: tuple[str, ...]
    defects: tuple[str, ...]
    counts: Floats
    days: tuple[Ints, ...]
    weight: Floats

    @classmethod
    def of(cls, delays: DelayCounts) -> ReportCalendar:
        """The calendar of these returns; without a month where there are none."""
        starts = _month_starts(int(delays.reported.min()), delays.last_reported) if len(delays.reported) else []
        counts = np.zeros((max(len(starts) - 1, 0), len(delays.defects) + 1))
        month = np.searchsorted(np.array(starts, dtype=np.int64), delays.reported, side="right") - 1
        np.add.at(counts, (month, delays.defect + 1), delays.count)
        counts[:, 0] = counts[:, 1:].sum(axis=1)
        by_day = np.bincount(delays.reported % _WEEK, delays.count, minlength=_WEEK) + _UNSEEN
        return cls(
            names=tuple(date.fromordinal(start).strftime("%Y-%m") for start in starts[:-1]),
            defects=(EVERY_DEFECT, *delays.defects),
            counts=counts,
            days=tuple(np.arange(first, min(after, delays.last_reported + 1)) for first, after in pairwise(starts)),
            weight=_WEEK * by_day / by_day.sum(),
        )

    def exposure(self) -> Floats:
        """Days of each month, weighed by how many returns come on such a day; (months,) array."""
        return np.array([self.weight[days % _WEEK].sum() for days in self.days])

    def entered(self, month: int, curve: DelayCurve, clock: EntryClock) -> Floats:
        """The part of a month's exposure whose returns are entered by now; of each curve."""
        days = self.days[month]
        return np.asarray(curve.within(clock.age(days)) @ self.weight[days % _WEEK])

    def is_over(self, month: int, curve: DelayCurve, clock: EntryClock) -> bool:
        """Whether the longest delay known of has passed since the month's last day."""
        return int(clock.age(self.days[month][-1])) >= curve.longest


def _month_starts(first: int, last: int) -> list[int]:
    """Ordinals of the first days of the months from one day to another, and of the month after."""
    start = date.fromordinal(first).replace(day=1)
    starts = [start.toordinal()]
    while starts[-1] <= last:
        start = date(start.year + start.month // 12, start.month % 12 + 1, 1)
        starts.append(start.toordinal())
    return starts

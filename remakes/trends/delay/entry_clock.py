"""The clock by which returns wait to be entered: days, or the days on which somebody sat down to enter.

In most labs a return is entered some days after its report, and the days are what counts. Where all that lies in the
tray is entered once a week or a month, the tray is empty afterwards, however young the reports: then time goes by in
entering days. Days would take the end of such a month for half empty when it is complete, and the middle for half full
when nothing has been entered yet.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from remakes.counts.delays import DelayCounts

__all__ = ["EntryClock", "calendar_clock", "entered_in_batches", "entry_clock"]

Ints = NDArray[np.int64]

#: Batches: entries fall on fewer days than this share of the days they would fall on, had each its delay by itself.
_FEW_DAYS: Final = 0.7
_SHUFFLES: Final = 10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EntryClock:
    """Days on which an entry could have been made, ascending ordinals; time is counted in them."""

    days: Ints

    def delay(self, reported: ArrayLike, entered: ArrayLike) -> Ints:
        """How many such days passed between report and entry; 0 for the first one on or after the report."""
        return np.asarray(np.searchsorted(self.days, entered) - np.searchsorted(self.days, reported), dtype=np.int64)

    def age(self, reported: ArrayLike) -> Ints:
        """The longest delay that could have been seen by now; -1 where there has been no such day since."""
        return np.asarray(len(self.days) - 1 - np.searchsorted(self.days, reported), dtype=np.int64)


def calendar_clock(delays: DelayCounts) -> EntryClock:
    """Every day from the first report to the last day known."""
    last = delays.last_known
    # A first return without a day of entry can be missing where a later one of the same restoration is not.
    first = min(int(delays.reported.min(initial=last)), int(delays.entry_reported.min(initial=last)))
    return EntryClock(days=np.arange(first, last + 1, dtype=np.int64))


def entry_clock(delays: DelayCounts) -> EntryClock:
    """Every day, or the days with entries where these come in batches."""
    if not entered_in_batches(delays):
        return calendar_clock(delays)
    return EntryClock(days=np.unique(delays.entry_reported + delays.entry_delay))


def entered_in_batches(delays: DelayCounts) -> bool:
    """Do entries fall on clearly fewer days than if each return had its own delay?

    The delays are dealt anew among the returns, ten times with a fixed seed, and the days with entries counted.
    """
    reported = np.repeat(delays.entry_reported, delays.entry_count)
    delay = np.repeat(delays.entry_delay, delays.entry_count)
    generator = np.random.default_rng(0)
    usual = []
    for _ in range(_SHUFFLES):
        dealt = reported + generator.permutation(delay)
        usual.append(len(np.unique(dealt[dealt <= delays.last_known])))
    return len(np.unique(reported + delay)) < _FEW_DAYS * float(np.mean(usual))

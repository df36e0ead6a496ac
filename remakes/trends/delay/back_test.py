"""Would the nowcast have been right before? Stand at the end of each earlier month, forecast, and look what came."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.delays import DelayCounts
from remakes.texts import t, tn
from remakes.trends.delay.nowcast import EVERY_DEFECT, MOST_COMPLETE, Nowcast, late_returns

__all__ = ["BackTest", "PastForecast", "back_test", "month_ends"]

Ints = NDArray[np.int64]

#: Fewer forecasts than this say nothing about how often an interval of 90 % holds.
_FEWEST_FORECASTS: Final = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class PastForecast:
    """What would have been said of one month at an earlier day, and what came.

    Attributes
    ----------
    cut : date
        The day stood at; only what was entered by then was used.
    month, defect : str
    entered : int
        Entered by then.
    expected, low, high : float
        Returns forecast to follow, with the prediction interval.
    came : int
        Returns reported by then and entered after.
    """

    cut: date
    month: str
    defect: str
    entered: int
    expected: float
    low: float
    high: float
    came: int

    @property
    def held(self) -> bool:
        """Whether what came lies within the interval."""
        return self.low <= self.came <= self.high


@dataclass(frozen=True, slots=True, kw_only=True)
class BackTest:
    """Forecasts of the past and how they fared.

    Attributes
    ----------
    level : float
        Of the prediction intervals: the share that should hold.
    forecasts : tuple of PastForecast
        Of months that were not complete at their cut, for ``all`` and for each defect.
    enough : bool
    missing : str
        What is missing; blank where enough.
    """

    level: float
    forecasts: tuple[PastForecast, ...]
    enough: bool
    missing: str

    def of(self, defect: str = EVERY_DEFECT) -> tuple[PastForecast, ...]:
        """The forecasts of one defect or ``all``."""
        return tuple(one for one in self.forecasts if one.defect == defect)

    def coverage(self, defect: str = EVERY_DEFECT) -> float:
        """Share of the intervals that held what came; nan without forecasts.

        Counts are whole numbers, so a right interval holds a little more than its level.
        """
        found = self.of(defect)
        return sum(one.held for one in found) / len(found) if found else float("nan")

    def mean_error(self, defect: str = EVERY_DEFECT) -> float:
        """Returns forecast less returns that came, on average; nan without forecasts."""
        found = self.of(defect)
        return sum(one.expected - one.came for one in found) / len(found) if found else float("nan")

    @property
    def sentence(self) -> str:
        """How often the forecasts held."""
        if not self.enough:
            return self.missing
        found, error = self.of(), self.mean_error()
        came = _average_came(found)
        held, cuts = sum(one.held for one in found), len({one.cut for one in found})
        return t(
            "Tried out at the ends of {cuts} earlier months with what had been entered by then: {held} "
            "of {found} intervals of {level:.0%} held what came later ({held_2:.0%}); for a month, "
            "{average_forecast:.1f} returns were forecast on average and {average_came:.1f} came.",
            cuts=cuts,
            held=held,
            found=len(found),
            level=self.level,
            held_2=held / len(found),
            average_forecast=came + error,
            average_came=came,
        )


def back_test(
    delays: DelayCounts, *, cuts: Sequence[date] | None = None, level: float = 0.90, draws: int = 500, seed: int = 0
) -> BackTest:
    """How often would the prediction intervals have held, had they been asked for at the end of earlier months?

    Parameters
    ----------
    delays : DelayCounts
    cuts : sequence of date, optional
        Days to stand at; the ends of all earlier months by default. A day is left out if the longest delay seen has
        not passed since, for what came is not known yet, or if too little had been entered by then for a nowcast.
    level, draws, seed
        As for `late_returns`.

    Returns
    -------
    BackTest
        Not enough with fewer than ten forecasts of all defects together.

    Notes
    -----
    Returns without a day of entry are left out on both sides: nobody can say when they came. Forecasts of one month at
    following cuts, and of neighbouring months at one, go with each other; the coverage is less certain than as many
    independent trials would be.
    """
    days = month_ends(delays) if cuts is None else tuple(cuts)
    longest = int(delays.entry_delay.max(initial=0))
    found: list[PastForecast] = []
    for number, cut in enumerate(days):
        if cut + timedelta(days=longest) > delays.known_until or cut > delays.observed_until:
            continue
        then = late_returns(delays.as_known_on(cut), level=level, draws=draws, seed=seed + number)
        if then.enough:
            found += _compared(delays, then, cut)
    tried = sum(one.defect == EVERY_DEFECT for one in found)
    missing = (
        ""
        if tried >= _FEWEST_FORECASTS
        else tn(
            tried,
            "The nowcast could be tried out on {n} earlier month; at least {least} are needed to say how often it "
            "holds.",
            "The nowcast could be tried out on {n} earlier months; at least {least} are needed to say how often it "
            "holds.",
            least=_FEWEST_FORECASTS,
        )
    )
    return BackTest(level=level, forecasts=tuple(found), enough=not missing, missing=missing)


def month_ends(delays: DelayCounts) -> tuple[date, ...]:
    """The last days of all calendar months from the first report on that ended before the end of observation."""
    if not len(delays.reported):
        return ()
    found = []
    day = date.fromordinal(int(delays.reported.min()))
    while (end := _month_end(day)) < delays.observed_until:
        found.append(end)
        day = end + timedelta(days=1)
    return tuple(found)


def _month_end(day: date) -> date:
    return date(day.year + day.month // 12, day.month % 12 + 1, 1) - timedelta(days=1)


def _compared(delays: DelayCounts, then: Nowcast, cut: date) -> list[PastForecast]:
    last = cut.toordinal()
    to_come = (delays.delay >= 0) & (delays.reported <= last) & (delays.reported + delays.delay > last)
    came: dict[tuple[str, str], int] = {}
    rows = (delays.reported[to_come], delays.defect[to_come], delays.count[to_come])
    for reported, defect, count in zip(*(column.tolist() for column in rows), strict=True):
        month = date.fromordinal(reported).strftime("%Y-%m")
        for name in (EVERY_DEFECT, delays.defects[defect]):
            came[month, name] = came.get((month, name), 0) + count
    return [
        PastForecast(
            cut=cut,
            month=one.month,
            defect=one.defect,
            entered=one.reported,
            expected=one.late.estimate,
            low=one.late.low,
            high=one.late.high,
            came=came.get((one.month, one.defect), 0),
        )
        for one in then.months
        if one.completeness < MOST_COMPLETE
    ]


def _average_came(forecasts: Sequence[PastForecast]) -> float:
    return sum(one.came for one in forecasts) / len(forecasts)

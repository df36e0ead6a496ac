"""How many returns of the latest months have been reported, but are not in the records yet?

The delay from report to entry gives the share of each month's returns that is entered by now; what is entered and what
months before were like give the number that is not. One delay curve serves all defects: whoever enters a return does
not wait longer for one defect than for another, and a curve for each would rest on a handful of entries.

The interval is one for prediction. It holds how little is known of the delay (weeks of reports drawn anew), of the
month's own level (a gamma distribution), and of what chance will do (Poisson, spread wider by what entries in batches
have shown).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.delays import DelayCounts
from remakes.errors import TableError
from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.texts import run_on, t, tn
from remakes.trends.delay.entry_delay import EntryDelay, entry_delay, too_little_for_delay
from remakes.trends.delay.report_calendar import EVERY_DEFECT, ReportCalendar

__all__ = ["EVERY_DEFECT", "MOST_COMPLETE", "Nowcast", "NowcastMonth", "late_returns"]

Floats = NDArray[np.float64]

#: From here on a month needs no nowcast to be read.
MOST_COMPLETE: Final = 0.995

#: Months before that tell what the level of a month may be, and how firmly they are allowed to.
_MONTHS_BEFORE: Final = 12
_FIRMNESS: Final = (1.0, 4.0)
#: Of a defect not seen in them, half a return is taken to have come.
_UNSEEN: Final = 0.5
_COMPLETE: Final = Estimate(0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class NowcastMonth:
    """One month and defect: returns entered so far, and those still to be entered.

    Attributes
    ----------
    month, defect : str
        ``all`` or a code.
    reported : int
        Entered so far: first returns per restoration and defect.
    late : Estimate
        Reported to the lab, but not entered yet; prediction interval. 0 where the month is complete, nan where the
        delay is not known.
    completeness : float
        Expected share entered so far, 0 to 1; nan where the delay is not known.
    """

    month: str
    defect: str
    reported: int
    late: Estimate
    completeness: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Nowcast:
    """All months from the first return to the end of observation, for all defects together and for each.

    Attributes
    ----------
    level : float
        Of the prediction intervals.
    enough : bool
    missing : str
        What is missing and how much; blank where enough.
    months : tuple of NowcastMonth
        ``all`` first, then by frequency; oldest month first.
    delay : EntryDelay, optional
        How long entering takes; None where that is not known.
    """

    level: float
    enough: bool
    missing: str
    months: tuple[NowcastMonth, ...]
    delay: EntryDelay | None = None

    def of(self, defect: str) -> tuple[NowcastMonth, ...]:
        """The months of one defect or ``all``; none for a defect never seen."""
        return tuple(one for one in self.months if one.defect == defect)

    def completeness(self, defect: str = EVERY_DEFECT) -> dict[str, float]:
        """Share entered so far by month, 1.0 for complete ones; empty where the delay is not known."""
        return {one.month: one.completeness for one in self.of(defect)} if self.enough else {}

    def late(self, defect: str = EVERY_DEFECT) -> dict[str, float]:
        """Returns still to be entered by month, 0.0 for complete ones; empty where the delay is not known."""
        return {one.month: one.late.estimate for one in self.of(defect)} if self.enough else {}

    @property
    def sentence(self) -> str:
        """How long entering takes, and how complete the latest months are."""
        if self.delay is None:
            return t("{missing} The latest months may still grow; they are shown as entered.", missing=self.missing)
        open_months = [one for one in self.of(EVERY_DEFECT) if one.completeness < MOST_COMPLETE]
        latest = [self._said_of(one) for one in reversed(open_months[-3:])] or [
            t("All months are as good as complete.")
        ]
        return run_on(_said_of_delay(self.delay), self.delay.changed, *latest, self.delay.quiet)

    def _said_of(self, one: NowcastMonth) -> str:
        return t(
            "{month} is {completeness:.0%} complete: {count} entered, {estimate:.1f} expected to follow "
            "({level:.0%} interval {low:.0f} to {high:.0f}).",
            month=one.month,
            completeness=one.completeness,
            count=tn(one.reported, "{n} return", "{n} returns"),
            estimate=one.late.estimate,
            level=self.level,
            low=one.late.low,
            high=one.late.high,
        )


def late_returns(delays: DelayCounts, *, level: float = 0.90, draws: int = 2000, seed: int = 0) -> Nowcast:
    """How many returns of each month are still to be entered, and how sure is that?

    Parameters
    ----------
    delays : DelayCounts
    level : float
        Of the prediction intervals, a fraction in (0, 1).
    draws, seed : int
        Draws from the predictive distribution; the same seed gives the same figures.

    Returns
    -------
    Nowcast
        With fewer than 50 dated entries, reports that go back less than 92 days, or a quarter of the entries made on
        one day (papers typed in later), the counts alone.

    Raises
    ------
    TableError
        An impossible level, or fewer than 100 draws.

    Notes
    -----
    The share entered of a month weighs its days by how many returns come on such a day of the week. A month's level has
    a gamma prior with the mean of up to twelve months before and as much weight as these agree with each other (1 to 4
    returns' worth), so a month of which little is known yet gets an honest interval, and one of which much is known is
    hardly touched. Defects are forecast one by one and need not add up to ``all`` exactly.
    """
    if not 0.0 < level < 1.0 or draws < 100:
        raise TableError(
            t(
                "A level of {level} with {draws} draws. Need a fraction such as 0.9 and at least 100 draws.",
                level=level,
                draws=draws,
            )
        )
    calendar = ReportCalendar.of(delays)
    missing = too_little_for_delay(delays)
    if missing:
        return Nowcast(level=level, enough=False, missing=missing, months=_rows(calendar, {}))
    delay = entry_delay(delays)
    found = _forecast(calendar, delay, level, draws, np.random.default_rng(seed))
    return Nowcast(level=level, enough=True, missing="", months=_rows(calendar, found), delay=delay)


def _rows(calendar: ReportCalendar, found: dict[int, tuple[float, list[Estimate]]]) -> tuple[NowcastMonth, ...]:
    """All months of all defects; what is not found is not known."""
    unknown = (float("nan"), [UNKNOWN] * len(calendar.defects))
    return tuple(
        NowcastMonth(
            month=name,
            defect=defect,
            reported=int(calendar.counts[month, number]),
            late=found.get(month, unknown)[1][number],
            completeness=found.get(month, unknown)[0],
        )
        for number, defect in enumerate(calendar.defects)
        for month, name in enumerate(calendar.names)
    )


def _forecast(
    calendar: ReportCalendar, delay: EntryDelay, level: float, draws: int, generator: np.random.Generator
) -> dict[int, tuple[float, list[Estimate]]]:
    """Share entered and returns to come, by month; the latter for all defects in order."""
    curves = delay.sets.resampled(draws, generator)
    months = range(len(calendar.names))
    exposure = calendar.exposure()
    entered = np.array([float(calendar.entered(month, delay.curve, delay.clock)) for month in months])
    totals = calendar.counts.sum(axis=0)
    # What is entered together widens one defect's count only as far as that defect is a large part of it.
    spreads = 1.0 + (delay.spread - 1.0) * totals / max(totals[0], 1.0)
    found: dict[int, tuple[float, list[Estimate]]] = {}
    for month in months:
        if calendar.is_over(month, delay.curve, delay.clock):
            found[month] = (1.0, [_COMPLETE] * len(calendar.defects))
            continue
        mean, firmness = _level_before(calendar.counts, entered, month)
        by_now = calendar.entered(month, curves, delay.clock)[:, None]
        shape = np.broadcast_to(firmness + calendar.counts[month] / spreads, (draws, len(spreads)))
        rate = generator.standard_gamma(shape) / (firmness / mean + by_now / spreads)
        to_come = rate * np.maximum(exposure[month] - by_now, 0.0)
        found[month] = (float(entered[month] / exposure[month]), _predicted(to_come, spreads, level, generator))
    return found


def _level_before(counts: Floats, entered: Floats, month: int) -> tuple[Floats, Floats]:
    """Returns per weighed day in the months before, by defect, and how many returns' worth that is to weigh."""
    before = slice(max(0, month - _MONTHS_BEFORE), month)
    n, by_now = counts[before], entered[before]
    if not by_now.sum() > 0:
        n, by_now = counts, entered
    total = max(float(by_now.sum()), 1.0)
    mean = np.maximum(n.sum(axis=0), _UNSEEN) / total
    expected = np.outer(by_now, mean)
    # Moments of a gamma mixture: variance less mean, over the squared mean.
    extra = ((n - expected) ** 2 - expected).sum(axis=0)
    firm = np.divide((expected**2).sum(axis=0), extra, out=np.full(len(mean), np.inf), where=extra > 0)
    least, most = _FIRMNESS
    # A single month before tells a level, not how levels differ.
    return mean, np.clip(firm, least, most) if len(n) > 2 else np.full(len(mean), least)


def _predicted(mean: Floats, spreads: Floats, level: float, generator: np.random.Generator) -> list[Estimate]:
    """Whole numbers to come, (draws, defects) means: their average and the limits of the middle `level`."""
    extra = spreads - 1.0
    wide = extra > 0.01
    scale = np.where(wide, extra, 1.0)
    mixed = np.where(wide, generator.standard_gamma(np.maximum(mean, 1e-12) / scale) * scale, mean)
    drawn = generator.poisson(mixed)
    low, high = np.quantile(drawn, [(1.0 - level) / 2.0, (1.0 + level) / 2.0], axis=0, method="inverted_cdf")
    average = mean.mean(axis=0)
    # Of something rare the upper limit can be 0 and the average not; one return is not ruled out then.
    return [
        Estimate(float(m), float(min(lo, m)), float(max(hi, np.ceil(m))))
        for m, lo, hi in zip(average, low, high, strict=True)
    ]


def _said_of_delay(delay: EntryDelay) -> str:
    said = t(
        "Half of the returns are entered {days} of the report, nine in ten {days_2}; the longest "
        "took {count} ({count_2}), and nothing is known beyond that.",
        days=_days(delay.usual_days),
        days_2=_days(delay.most_days),
        count=tn(delay.longest_days, "{n} day", "{n} days"),
        count_2=tn(delay.entries, "{n} dated entry", "{n} dated entries"),
    )
    if not delay.batch_days:
        return said
    return t(
        "{said} Returns are entered in batches, on {count} in all; time is counted in these.",
        said=said,
        count=tn(delay.batch_days, "{n} day", "{n} days"),
    )


def _days(days: int) -> str:
    return tn(days, "within {n} day", "within {n} days") if days else t("on the day")

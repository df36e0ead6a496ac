"""How long entering takes in this lab: the curve, how sure it is, and when it cannot be had."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.delays import DelayCounts
from remakes.texts import t, tn
from remakes.trends.delay.entry_clock import EntryClock, calendar_clock, entry_clock
from remakes.trends.delay.reverse_time import DelayCurve, RiskSets, risk_sets

__all__ = ["FEWEST_ENTRIES", "EntryDelay", "entry_delay", "too_little_for_delay"]

Ints = NDArray[np.int64]

FEWEST_ENTRIES: Final = 50
#: Within a shorter time long delays cannot have been seen, and the latest months would be taken for more complete.
_FEWEST_DAYS: Final = 92
#: If more than this share was entered on a single day, old papers were typed in, and the delay says nothing.
_MOST_ON_ONE_DAY: Final = 0.25
#: How entering goes now is told by so many latest days, if enough entries were reported in them.
_RECENT_DAYS: Final = 548
#: By fewer, if these differ clearly from the rest (in standard errors) and are long enough for nearly every delay.
_LATEST_DAYS: Final = 122
_CLEARLY: Final = 3.0
_NEARLY_ALL: Final = 0.99
_AS_GOOD_AS_ALL: Final = 0.95
_WEEK: Final = 7
_QUARTERS: Final = (0.25, 0.5, 0.75)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EntryDelay:
    """The delay between report and entry.

    Attributes
    ----------
    clock : EntryClock
        What time is counted in.
    sets : RiskSets
        By week of the report.
    curve : DelayCurve
        Share entered, by time on that clock.
    usual_days, most_days, longest_days : int
        Days by which half and nine tenths are entered, and the longest seen lately.
    entered_until : date
        The last day of a report by which 95 % have had time to be entered: up to it, what the records show is what
        there was.
    batch_days : int
        On how many days entries were made, where they come in batches; else 0.
    spread : float
        How much wider than chance alone what is entered varies from week to week; 1 is chance.
    changed : str
        A sentence if entering has become slower or quicker lately; else blank.
    quiet : str
        A caution if nothing has been entered for longer than usual; else blank.
    """

    clock: EntryClock
    sets: RiskSets
    curve: DelayCurve
    usual_days: int
    most_days: int
    longest_days: int
    entered_until: date
    batch_days: int
    spread: float
    changed: str
    quiet: str

    @property
    def entries(self) -> int:
        """Returns the curve rests on."""
        return int(self.sets.entered.sum())


def too_little_for_delay(delays: DelayCounts) -> str:
    """Why the records do not tell how long entering takes; blank where they do."""
    if delays.entries < FEWEST_ENTRIES:
        return tn(
            delays.entries,
            "Only {n} return has a usable day of entry; at least {least} are needed to know how long entering takes.",
            "Only {n} returns have a usable day of entry; at least {least} are needed to know how long entering takes.",
            least=FEWEST_ENTRIES,
        )
    history = delays.last_known - int(delays.entry_reported.min())
    if history < _FEWEST_DAYS:
        return t(
            "The returns with a usable day of entry go back {history} days; at least {fewest_days} are "
            "needed for long delays to be seen.",
            history=history,
            fewest_days=_FEWEST_DAYS,
        )
    entered = delays.entry_reported + delays.entry_delay
    on_one_day = int(np.bincount(entered - entered.min(), delays.entry_count).max())
    if on_one_day > _MOST_ON_ONE_DAY * delays.entries:
        return t(
            "{on_one_day} of {entries} dated entries were made on a single day, as when old papers are "
            "typed in, which does not tell how long entering usually takes.",
            on_one_day=on_one_day,
            entries=delays.entries,
        )
    return ""


def entry_delay(delays: DelayCounts) -> EntryDelay:
    """How long does entering take, of returns whose wait is over and of those whose wait is not?

    Notes
    -----
    Only where `too_little_for_delay` is blank. From the last 18 months of reports if they have 50 dated entries, or
    else from all. If the last 4 months have 50 and their delays differ clearly from the others' (log-rank test in
    reverse time, 3 standard errors), from these alone: how a predecessor entered is no guide.
    """
    clock = entry_clock(delays)
    calendar = calendar_clock(delays)
    age = delays.last_known - delays.entry_reported
    recent = age <= _RECENT_DAYS
    if delays.entry_count[recent].sum() < FEWEST_ENTRIES:
        recent = np.ones(len(age), dtype=np.bool_)
    slower = _slower_lately(delays, calendar, recent)
    if abs(slower) > _CLEARLY:
        recent = age <= _LATEST_DAYS
    sets = _sets(delays, clock, recent)
    curve = sets.curve()
    in_batches = len(clock.days) < len(calendar.days)
    in_days = _sets(delays, calendar, recent).curve() if in_batches else curve
    return EntryDelay(
        clock=clock,
        sets=sets,
        curve=curve,
        usual_days=in_days.quantile(0.5),
        most_days=in_days.quantile(0.9),
        longest_days=in_days.longest,
        entered_until=_entered_until(delays, clock, curve),
        batch_days=len(clock.days) if in_batches else 0,
        spread=_spread(delays, clock, curve),
        changed=_said_of_change(slower),
        quiet=_quiet(delays),
    )


def _slower_lately(delays: DelayCounts, clock: EntryClock, recent: NDArray[np.bool_]) -> float:
    """How clearly the latest months wait longer than the recent ones before; 0 where they cannot tell by themselves."""
    latest = delays.last_known - delays.entry_reported <= _LATEST_DAYS
    sets = _sets(delays, clock, recent)
    if delays.entry_count[latest].sum() < FEWEST_ENTRIES or 2 * sets.curve().quantile(_NEARLY_ALL) > _LATEST_DAYS:
        return 0.0
    weeks = np.unique(delays.entry_reported[recent] // _WEEK)
    return sets.slower(weeks * _WEEK >= delays.last_known - _LATEST_DAYS)


def _said_of_change(slower: float) -> str:
    if abs(slower) <= _CLEARLY:
        return ""
    if slower > 0:
        return t("Entering has become slower; only the last four months tell how long it takes now.")
    return t("Entering has become quicker; only the last four months tell how long it takes now.")


def _sets(delays: DelayCounts, clock: EntryClock, chosen: NDArray[np.bool_]) -> RiskSets:
    reported, delay = delays.entry_reported[chosen], delays.entry_delay[chosen]
    _weeks, group = np.unique(reported // _WEEK, return_inverse=True)
    return risk_sets(
        group=group,
        delay=clock.delay(reported, reported + delay),
        age=clock.age(reported),
        count=delays.entry_count[chosen],
    )


def _entered_until(delays: DelayCounts, clock: EntryClock, curve: DelayCurve) -> date:
    """The last report day of which enough is entered; the day before the first where there is none."""
    days = np.arange(int(delays.entry_reported.min()), delays.last_reported + 1)
    enough = np.flatnonzero(curve.within(clock.age(days)) >= _AS_GOOD_AS_ALL)
    return date.fromordinal(int(days[enough[-1]] if len(enough) else days[0] - 1))


def _spread(delays: DelayCounts, clock: EntryClock, curve: DelayCurve) -> float:
    """Pearson's dispersion of returns over weeks and quarters of the delay, of weeks that are complete; at least 1."""
    old = (delays.delay >= 0) & (clock.age(delays.reported) >= curve.longest)
    if not old.any():
        return 1.0
    reported = delays.reported[old]
    cuts = sorted({curve.quantile(share) for share in _QUARTERS})
    delay = np.minimum(clock.delay(reported, reported + delays.delay[old]), curve.longest)
    _weeks, week = np.unique(reported // _WEEK, return_inverse=True)
    cells = np.zeros((int(week.max()) + 1, len(cuts) + 1))
    np.add.at(cells, (week, np.searchsorted(cuts, delay, side="left")), delays.count[old])
    cells = cells[:, cells.sum(axis=0) > 0]
    expected = np.outer(cells.sum(axis=1), cells.sum(axis=0)) / cells.sum()
    free = (cells.shape[0] - 1) * (cells.shape[1] - 1)
    return max(1.0, float(((cells - expected) ** 2 / expected).sum()) / free) if free else 1.0


def _quiet(delays: DelayCounts) -> str:
    """A caution after a silence of more than twice the longest there was before."""
    days = np.unique(delays.entry_reported + delays.entry_delay)
    longest = int(np.diff(days).max(initial=_WEEK))
    last = int(days[-1])
    silent = delays.last_known - last
    if silent <= 2 * longest:
        return ""
    return t(
        "Nothing has been entered since {fromordinal}, {silent} days before the end of observation; "
        "if entering has stopped, more is missing than is said here.",
        fromordinal=date.fromordinal(last),
        silent=silent,
    )

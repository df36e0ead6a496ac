"""Month after month, each held against those before it: single months outside the limits, pairs near one, slow drifts.

What signals
    One month outside the limits; two of three near the same limit (run rules); a cumulative sum of distances.
What is learnt from
    A month is held against the earlier months under the same requirement. Months with a signal are not learnt from,
    and neither are those of a drift, from its beginning. A drift ends when two months in a row add nothing to it. One
    that lasts long enough to know its level becomes what later months are held against.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from remakes.trends.limits.cusum import SIDES, CumulativeSums
from remakes.trends.limits.run_rules import NEAR, OUTSIDE, RunRule, marked
from remakes.trends.limits.shares import moving_range_sigma, predict, standard_scores

__all__ = ["FALSE_SIGNALS", "LEAST_IN_MONTH", "LEAST_MONTHS", "JudgedShares", "false_signals_a_month", "judge_shares"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]

#: A month with fewer restorations is neither judged nor learnt from; months to learn from before one is judged.
LEAST_IN_MONTH: Final = 10
LEAST_MONTHS: Final = 6

#: Cumulative sum: what is taken off each distance, and where it signals, in standard deviations. For known limits one
#: false signal in 168 months (two sides).
_REFERENCE: Final = 0.5
_THRESHOLD: Final = 4.0
#: No month counts for more in the sum, so that a single one makes no drift.
_MOST_OF_ONE: Final = 3.5
#: So many months in a row that add nothing end a drift.
_BACK: Final = 2
#: By sigma, months of 24 judged ones that carry a signal though nothing changed. Simulated with these very rules, 4000
#: series of 100 restorations a month and a share of one in ten, six months to learn from at first; fewer restorations
#: or rarer events give fewer. A test simulates them again.
_JUDGED_MONTHS: Final = 24
FALSE_SIGNALS: Final[Mapping[float, float]] = MappingProxyType(
    {1.0: 0.14, 1.25: 0.41, 1.5: 0.64, 2.0: 0.86, 3.0: 1.0, 4.0: 1.24}
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JudgedShares:
    """Series of monthly shares, judged; (series, months) arrays.

    Attributes
    ----------
    centre, low, high : array
        Share of the months learnt from, and the limits; nan in months that are not judged.
    z : array
        Distance from the centre in standard deviations; nan where not judged.
    outside, near, drift : array
        1 where the rule signals upwards, -1 downwards, 0 where it does not.
    since : array
        Of a month that signals, position of the first month of what it signals; -1 without a signal.
    sigma : (series,) array
        Variation between the months learnt from over that of chance, at the last month.
    """

    centre: Floats
    low: Floats
    high: Floats
    z: Floats
    outside: Ints
    near: Ints
    drift: Ints
    since: Ints
    sigma: Floats

    @property
    def signals(self) -> Flags:
        """Where any rule signals."""
        found: Flags = (self.outside != 0) | (self.near != 0) | (self.drift != 0)
        return found


def judge_shares(events: ArrayLike, totals: ArrayLike, *, restarts: ArrayLike | None = None) -> JudgedShares:
    """Which months have another share than the months before them, and since when?

    Parameters
    ----------
    events, totals : (series, months) array_like
        Whole counts, oldest month first.
    restarts : (series, months) array_like of bool, optional
        Months that cannot be held against those before them; learning begins anew with them.

    Returns
    -------
    JudgedShares
        Months with fewer than `LEAST_IN_MONTH` in all, or fewer than `LEAST_MONTHS` to learn from, are not judged.

    Notes
    -----
    Distances are those of `shares.predict`, independent while nothing changes, so that rules and sums have the run
    lengths that independent normal points give them as long as sigma is well known. Sigma comes from the ranges of
    successive months, as in Laney's chart: a shift among the months learnt from widens the limits little.
    """
    x, n = (np.atleast_2d(np.asarray(a, dtype=np.float64)) for a in (events, totals))
    anew = (
        np.zeros(x.shape, dtype=np.bool_) if restarts is None else np.atleast_2d(np.asarray(restarts, dtype=np.bool_))
    )
    judge = _Judge(x, n)
    for month in range(x.shape[1]):
        judge.restart(anew[:, month])
        judge.settle()
        judge.measure(month)
        judge.signal(month)
        judge.learn(month)
    return judge.found()


class _Judge:
    """What is known about every series at one month; moves on month by month, all series at once."""

    def __init__(self, x: Floats, n: Floats) -> None:
        self.x, self.n = x, n
        self.usable = n >= LEAST_IN_MONTH
        self.learnt = np.zeros(x.shape, dtype=np.bool_)
        #: Months of a drift that still goes on, and which way it goes.
        self.drifting = np.zeros(x.shape, dtype=np.bool_)
        self.way = np.zeros(len(x), dtype=np.intp)
        self.quiet = np.zeros(len(x), dtype=np.intp)
        self.sums = CumulativeSums(len(x), reference=_REFERENCE, threshold=_THRESHOLD, most_of_one=_MOST_OF_ONE)
        #: Distances from the present centre; nan before it held.
        self.recent = np.full(x.shape, np.nan)
        self.centre, self.low, self.high, self.z = (np.full(x.shape, np.nan) for _ in range(4))
        self.outside, self.near, self.drift = (np.zeros(x.shape, dtype=np.intp) for _ in range(3))
        self.since = np.full(x.shape, -1, dtype=np.intp)
        self.sigma = np.ones(len(x))

    def restart(self, anew: Flags) -> None:
        """Forget everything about these series."""
        self.learnt[anew] = False
        self.drifting[anew] = False
        self._hold_against_other(anew)

    def settle(self) -> None:
        """A drift that lasted long enough is the level from now on."""
        lasting = np.count_nonzero(self.drifting, axis=1) >= LEAST_MONTHS
        self.learnt[lasting] = self.drifting[lasting]
        self.drifting[lasting] = False
        self._hold_against_other(lasting)

    def _hold_against_other(self, which: Flags) -> None:
        self.recent[which] = np.nan
        self.quiet[which] = 0
        self.sums.restart(which)

    def measure(self, month: int) -> None:
        """How far does the month lie from those learnt from?"""
        earlier_x, earlier_n = np.where(self.learnt, self.x, 0.0), np.where(self.learnt, self.n, 0.0)
        distances = np.where(self.learnt, standard_scores(earlier_x, earlier_n), np.nan)
        # Less variation than chance makes is not used to narrow the limits; it is chance itself.
        self.sigma = np.fmax(moving_range_sigma(distances), 1.0)
        ahead = predict(
            self.x[:, month],
            self.n[:, month],
            earlier_events=earlier_x.sum(axis=1),
            earlier_totals=earlier_n.sum(axis=1),
            sigma=self.sigma,
            beyond=OUTSIDE.beyond,
        )
        judged = self.usable[:, month] & (np.count_nonzero(self.learnt, axis=1) >= LEAST_MONTHS)
        for kept, value in ((self.centre, ahead.centre), (self.low, ahead.low), (self.high, ahead.high)):
            kept[judged, month] = value[judged]
        self.z[judged, month] = self.recent[judged, month] = ahead.z[judged]

    def signal(self, month: int) -> None:
        """Which rules signal, and since when?"""
        drifts = self.sums.add(self.z[:, month], point=month)
        for side in SIDES:
            self._runs(month, OUTSIDE, side, self.outside)
            self._runs(month, NEAR, side, self.near)
            self._drifts(month, side, drifts[side])

    def _runs(self, month: int, rule: RunRule, side: int, signals: Ints) -> None:
        first = max(0, month + 1 - rule.of)
        window = self.recent[:, first : month + 1]
        found = marked(window, rule, side=side)[:, -1]
        signals[found, month] = side
        self._note(month, side, found, first + np.argmax(side * window > rule.beyond, axis=1))

    def _drifts(self, month: int, side: int, found: Flags) -> None:
        """The months of a drift are set apart; one that went the other way is over."""
        self.drift[found, month] = side
        self.drifting[found & (self.way != side)] = False
        self.way[found] = side
        months = np.arange(self.x.shape[1])
        run = found[:, None] & (months >= self.sums.start[side][:, None]) & (months <= month) & self.usable
        self.drifting |= run
        self.learnt &= ~run
        self._note(month, side, found, np.full(len(found), month))
        self.sums.restart(found)
        self.quiet[found] = 0

    def _note(self, month: int, side: int, found: Flags, start: Ints) -> None:
        """Of several rules the change that began first counts, and a drift in that direction that still goes on."""
        goes_on = self.drifting.any(axis=1) & (self.way == side)
        start = np.where(goes_on, np.minimum(start, np.argmax(self.drifting, axis=1)), start)
        before = self.since[:, month]
        self.since[:, month] = np.where(found, np.where(before < 0, start, np.minimum(before, start)), before)

    def learn(self, month: int) -> None:
        """Put the month with those of the drift, or with those to learn from, or aside if it signals."""
        z = self.z[:, month]
        adds_nothing = self.way * z <= _REFERENCE
        self.quiet = np.where(np.isnan(z), self.quiet, np.where(adds_nothing, self.quiet + 1, 0))
        self.drifting[self.quiet >= _BACK] = False
        goes_on = self.drifting.any(axis=1)
        signals = (self.outside[:, month] != 0) | (self.near[:, month] != 0) | (self.drift[:, month] != 0)
        self.drifting[:, month] = goes_on & self.usable[:, month]
        self.learnt[:, month] = ~goes_on & ~signals & self.usable[:, month]

    def found(self) -> JudgedShares:
        return JudgedShares(
            centre=self.centre,
            low=self.low,
            high=self.high,
            z=self.z,
            outside=self.outside,
            near=self.near,
            drift=self.drift,
            since=self.since,
            sigma=self.sigma,
        )


def false_signals_a_month(sigma: float) -> float:
    """How many months in which nothing changed carry a signal, by these rules together?

    Parameters
    ----------
    sigma : float
        Variation between months over that of chance.

    Returns
    -------
    float
        Signals per judged month; between the simulated values of sigma by straight lines, beyond them the last.
    """
    return float(np.interp(sigma, list(FALSE_SIGNALS), list(FALSE_SIGNALS.values()))) / _JUDGED_MONTHS

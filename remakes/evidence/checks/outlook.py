"""Returns to expect from the months ahead, were the lab to go on as in the last twelve.

As many deliveries a month, missed as often, recorded as often, coming back at the same ages. What is already
delivered matures beside it. A table knows deliveries by quarter; within one they are taken as even.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import xlogy

from remakes.counts.table import BIN_EDGES, DAYS_PER_MONTH, PatternTable
from remakes.deviations.detect import MET, MISSED, NOT_APPLICABLE, NOT_RECORDED

__all__ = ["MONTHS_AHEAD", "ReturnsAhead"]

Floats = NDArray[np.float64]

#: How far ahead is looked: who plans longer than five years at the present pace?
MONTHS_AHEAD: Final = 60
#: Share of all months at risk that the oldest ages must hold together to have a hazard of their own: one early
#: return in the few months that anything has lasted so long would otherwise be carried over years.
_OLD_AGE: Final = 0.1


class ReturnsAhead:
    """Returns to expect on recorded restorations with and without a miss, for every month from now on.

    Attributes
    ----------
    missed, met : (MONTHS_AHEAD + 1,) arrays
        Returns so far and to come, by the hazards of the lab as a whole: the same for missed and met. The first
        is that of today.

    Notes
    -----
    Hazards are those of the defect by month in service, over all restorations to which the requirement applies.
    Restorations leave service, and the risk of a first return, at the rate seen so far.
    """

    def __init__(self, table: PatternTable, *, factor: str, defect: str, all_recorded: bool = False) -> None:
        status = table.status_of(factor)
        at_risk, events = table.events_of(defect)
        applies = status != NOT_APPLICABLE
        hazard = _hazard(at_risk[applies].sum(axis=0), events[applies].sum(axis=0))
        quarters = _Quarters(table)
        kept = min(1.0, float(at_risk.sum()) / quarters.months_possible())
        by_status = {code: quarters.delivered(status == code) for code in (MISSED, MET, NOT_RECORDED)}
        pace = {code: quarters.pace(delivered) for code, delivered in by_status.items()}
        recorded = pace[MISSED] + pace[MET]
        if all_recorded and recorded > 0:
            wider = 1.0 + pace[NOT_RECORDED] / recorded
            pace = {code: wider * pace[code] for code in (MISSED, MET)}
        maturing = quarters.further_months() @ hazard
        new = _months_of_new_deliveries() @ hazard

        def expected(code: int) -> Floats:
            so_far = float(at_risk[status == code].sum(axis=0) @ hazard)
            ahead: Floats = so_far + kept * (by_status[code] @ maturing + pace[code] * new)
            return ahead

        self.missed, self.met = expected(MISSED), expected(MET)

    @property
    def any_missed(self) -> bool:
        """Whether any return is to be expected on a restoration with the miss, and any without."""
        return bool(self.missed[-1] > 0 and self.met[-1] > 0)

    def parted(self, odds_ratio: float) -> tuple[Floats, Floats]:
        """Returns with and without the miss under an odds ratio, which parts those of today and leaves their sum.

        Returns
        -------
        missed, met : (MONTHS_AHEAD + 1,) arrays
        """
        today = int(np.argmax(self.missed + self.met > 0))
        missed, met = float(self.missed[today]), float(self.met[today])
        scale = (missed + met) / (odds_ratio * missed + met)
        return scale * odds_ratio * self.missed, scale * self.met

    def signal(self, odds_ratio: float, *, design_effect: float) -> Floats:
        """How many standard errors from no effect the odds ratio would show, for every month.

        Returns
        -------
        (MONTHS_AHEAD + 1,) array
            Signed root of the expected deviance of a test of no effect, given the sum of the returns.
        """
        missed, met = self.parted(odds_ratio)
        # By how much the sum of the returns differs from that under no effect, which the test is free to match.
        even = np.maximum(self.missed + self.met, 1e-300) / np.maximum(missed + met, 1e-300)
        deviance = xlogy(missed, even * _ratio(missed, self.missed)) + xlogy(met, even * _ratio(met, self.met))
        root: Floats = np.sqrt(np.maximum(2.0 * deviance / design_effect, 0.0))
        return root

    def within_reach(self, aim: float, *, design_effect: float) -> float:
        """The smallest odds ratio whose signal reaches the aim after `MONTHS_AHEAD`; infinite beyond 100."""
        # Loading it takes longer than the search itself.
        from scipy.optimize import brentq

        def beyond(log_odds: float) -> float:
            return float(self.signal(float(np.exp(log_odds)), design_effect=design_effect)[-1]) - aim

        largest = float(np.log(100.0))
        return float(np.exp(brentq(beyond, 0.0, largest, xtol=1e-9))) if beyond(largest) >= 0 else float("inf")


def _ratio(a: Floats, b: Floats) -> Floats:
    return np.divide(a, b, out=np.ones_like(a), where=b > 0)


def _hazard(at_risk: Floats, events: Floats) -> Floats:
    """Returns per month at risk by bin; the oldest ages, and those nothing has reached yet, share one."""
    older = np.cumsum(at_risk[::-1])[::-1]
    old = int(np.flatnonzero(older >= _OLD_AGE * older[0])[-1])
    hazard = np.divide(events, at_risk, out=np.zeros(len(events)), where=at_risk > 0)
    hazard[old:] = events[old:].sum() / older[old]
    return hazard


class _Quarters:
    """Deliveries by quarter, each quarter in three equal parts, and their ages at the end of observation."""

    _PARTS: Final = 3

    def __init__(self, table: PatternTable) -> None:
        attribute = table.attributes["quarter"]
        self._table, self._codes, self._size = table, attribute.codes, len(attribute.levels)
        spans = [_span(level, table) for level in attribute.levels]
        self._first_days = [first for first, _days in spans]
        part = (np.arange(self._PARTS) + 0.5) / self._PARTS
        #: (quarters, parts) months in service at the end of observation.
        self.ages: Floats = np.array(
            [((table.observed_until - first).days - days * part) / DAYS_PER_MONTH for first, days in spans]
        ).clip(min=0.0)

    def delivered(self, rows: NDArray[np.bool_]) -> Floats:
        """(quarters,) restorations of these patterns."""
        weights = self._table.restorations[rows].astype(np.float64)
        return np.asarray(np.bincount(self._codes[rows], weights, minlength=self._size), dtype=np.float64)

    def months_possible(self) -> float:
        """Months in service had nothing left it; the month of delivery counts whole, as in the table."""
        possible = np.maximum(self.ages, 1.0).mean(axis=1)
        return float(self.delivered(np.ones(len(self._codes), dtype=bool)) @ possible)

    def pace(self, delivered: Floats) -> float:
        """Restorations a month over the quarters that began within the last twelve months of deliveries."""
        last = self._table.last_delivered
        recent = [k for k, first in enumerate(self._first_days) if (last - first).days < 365]
        days = (last - min(self._first_days[k] for k in recent)).days + 1
        return float(delivered[recent].sum()) / max(days / DAYS_PER_MONTH, 1.0)

    def further_months(self) -> Floats:
        """(quarters, MONTHS_AHEAD + 1, bins) months of a restoration in each bin after so many more months."""
        ahead = np.arange(MONTHS_AHEAD + 1.0)
        first, last = _bin_ends()
        ages = self.ages[:, :, None, None]
        until = np.minimum(ages + ahead[:, None], last)
        months: Floats = np.maximum(until - np.maximum(ages, first), 0.0).mean(axis=1)
        return months


def _span(level: str, table: PatternTable) -> tuple[date, int]:
    """First day and length in days of the part of a quarter ("2025 Q3") that the table covers."""
    year, number = level.split(" Q")
    begins = date(int(year), 3 * int(number) - 2, 1)
    ends = date(int(year) + int(number) // 4, 3 * int(number) % 12 + 1, 1) - timedelta(days=1)
    first, last = max(begins, table.first_delivered), min(ends, table.last_delivered)
    return first, (last - first).days + 1


def _bin_ends() -> tuple[Floats, Floats]:
    first = np.array(BIN_EDGES, dtype=np.float64)
    return first, np.append(first[1:], np.inf)


def _months_of_new_deliveries() -> Floats:
    """(MONTHS_AHEAD + 1, bins) months at risk after so many months, of one delivery a month, evenly spread."""
    ahead = np.arange(MONTHS_AHEAD + 1.0)[:, None]
    first, last = (np.minimum(ends, ahead) for ends in _bin_ends())
    months: Floats = (ahead * last - last**2 / 2.0) - (ahead * first - first**2 / 2.0)
    return months

"""Crude odds ratios of every factor and defect, from the pattern table.

Over month bins alone the Mantel-Haenszel odds ratio is the discrete-time log-rank comparison; over month
bin x technician x kind it removes the coarsest confounding without any model. Where fewer than five
returns are expected on either side, the exact conditional estimate with its mid-p interval stands in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.table import PatternTable, months_within, share_within
from remakes.deviations.detect import MET, MISSED
from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.evidence.tables.contingency import exact_conditional, homogeneity, mantel_haenszel

__all__ = ["CrudeEvidence", "MonthsBySide", "crude_evidence"]

Floats = NDArray[np.float64]

#: Below this many expected returns on either side the large-sample interval is not used.
_SMALL_EXPECTED: Final = 5.0
#: Below this expected count in some cell the homogeneity test is not read.
_LEAST_EXPECTED_CELL: Final = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CrudeEvidence:
    """One factor and defect without adjustment.

    Attributes
    ----------
    odds_ratio : Estimate
        Missed against met, per month at risk, over month bins.
    method : str
        "Mantel-Haenszel", "exact conditional, mid-p" or "not estimable".
    p : float
        Cochran-Mantel-Haenszel without continuity correction, or mid-p; matches the interval's method.
    stratified : Estimate
        Mantel-Haenszel over month bin x technician x kind.
    homogeneity_p : float
        Breslow-Day-Tarone test of one odds ratio for all technicians; nan where the strata are too thin for it.
    risk_met, risk_missed : float
        Share returned within the horizon as the hazards of each side say, case mix as it is.
    avoidable : float
        Returns within the horizon, among recorded misses, beyond what the hazards of the met side give.
    """

    odds_ratio: Estimate
    method: str
    p: float
    stratified: Estimate
    homogeneity_p: float
    risk_met: float
    risk_missed: float
    avoidable: float


@dataclass(frozen=True, slots=True)
class _Sides:
    """Months at risk and returns, missed and met; factors first, strata last."""

    missed_events: Floats
    missed_total: Floats
    met_events: Floats
    met_total: Floats

    def each(self, change: Callable[[Floats], Floats]) -> _Sides:
        """The same change to all four."""
        return _Sides(*(change(s) for s in (self.missed_events, self.missed_total, self.met_events, self.met_total)))


class MonthsBySide:
    """Months at risk of each factor, missed and met, by technician x kind and month bin; the same for all defects.

    Only returns differ between defects, and they are few: what holds for every restoration is summed once.
    """

    def __init__(self, table: PatternTable) -> None:
        person, kind = table.attributes["technician"], table.attributes["kind"]
        held, cell = np.unique(person.codes * len(kind.levels) + kind.codes, return_inverse=True)
        self._cell: NDArray[np.intp] = cell.reshape(-1)
        #: One row a technician, one column a cell.
        self._person: Floats = (np.arange(len(person.levels))[:, None] == held // len(kind.levels)).astype(np.float64)
        self._sides = tuple((table.status == status).astype(np.float64) for status in (MISSED, MET))
        rows = np.argsort(self._cell, kind="stable")
        starts = np.searchsorted(self._cell[rows], np.arange(len(held)))
        # (cells, bins, factors)
        self._months = tuple(
            np.stack(
                [np.add.reduceat(side[rows] * months[:, None], starts, axis=0) for months in table.at_risk[rows].T],
                axis=1,
            )
            for side in self._sides
        )

    def sides(self, table: PatternTable, defect: str) -> _Sides:
        """Months at risk and returns for one defect; (factors, cells, bins)."""
        mine = table.event_defect == table.defects.index(defect)
        pattern, month_bin = table.event_pattern[mine], table.event_bin[mine]
        parts = []
        for side, months in zip(self._sides, self._months, strict=True):
            returned, total = np.zeros_like(months), months.copy()
            concerned = side[pattern]
            np.add.at(returned, (self._cell[pattern], month_bin), table.event_count[mine, None] * concerned)
            np.subtract.at(total, self._cell[pattern], table.event_lost[mine][:, :, None] * concerned[:, None, :])
            parts += [returned, total]
        return _Sides(*(np.ascontiguousarray(part.transpose(2, 0, 1)) for part in parts))

    def by_person(self, of_cell: Floats) -> Floats:
        """(factors, cells) summed to (factors, technicians)."""
        summed: Floats = of_cell @ self._person.T
        return summed


def crude_evidence(table: PatternTable, months: MonthsBySide, defect: str, *, horizon: int) -> dict[str, CrudeEvidence]:
    """Crude evidence of all factors for one defect.

    Parameters
    ----------
    table : PatternTable
    months : MonthsBySide
        Of the same table.
    defect : str
    horizon : int
        Months of service that the risks look at.

    Returns
    -------
    dict by factor
    """
    cells = months.sides(table, defect)
    plain = cells.each(lambda side: side.sum(axis=1))
    pooled = _pool(plain)
    fine = _pool(cells.each(lambda side: side.reshape(len(side), -1)))
    alike = _homogeneity_p(cells.each(lambda side: months.by_person(side.sum(axis=2))))
    found = {}
    for k, factor in enumerate(table.factors):
        one = _Sides(plain.missed_events[k], plain.missed_total[k], plain.met_events[k], plain.met_total[k])
        odds_ratio, method, p = pooled[k], "Mantel-Haenszel", float(pooled[k].p)
        if not _estimable(one):
            chosen, method, p = UNKNOWN, "not estimable", float("nan")
        elif odds_ratio.least_expected < _SMALL_EXPECTED:
            chosen, p = _exact(one)
            method = "exact conditional, mid-p"
        else:
            chosen = odds_ratio.interval
        risk_met, risk_missed, avoidable = _plain_risks(one, months_within(horizon), share_within(horizon))
        found[factor] = CrudeEvidence(
            odds_ratio=chosen,
            method=method,
            p=p,
            stratified=fine[k].interval,
            homogeneity_p=alike[k],
            risk_met=risk_met,
            risk_missed=risk_missed,
            avoidable=avoidable,
        )
    return found


@dataclass(frozen=True, slots=True)
class _Pooled:
    interval: Estimate
    p: float
    least_expected: float


def _pool(sides: _Sides) -> list[_Pooled]:
    result = mantel_haenszel(
        exposed_events=sides.missed_events,
        exposed_total=sides.missed_total,
        unexposed_events=sides.met_events,
        unexposed_total=sides.met_total,
    )
    total = sides.missed_total + sides.met_total
    returned = sides.missed_events + sides.met_events
    share = np.divide(returned, total, out=np.zeros_like(total), where=total > 0)
    least = np.minimum((sides.missed_total * share).sum(axis=-1), (sides.met_total * share).sum(axis=-1))
    return [
        _Pooled(Estimate(float(e), float(lo), float(hi)), float(p), float(m))
        for e, lo, hi, p, m in zip(result.estimate, result.low, result.high, result.p, least, strict=True)
    ]


def _estimable(one: _Sides) -> bool:
    """Both sides at risk in some bin with a return."""
    returned = one.missed_events + one.met_events
    return bool(np.any((returned > 0) & (one.missed_total > 0) & (one.met_total > 0)))


def _exact(one: _Sides) -> tuple[Estimate, float]:
    result = exact_conditional(
        exposed_events=one.missed_events,
        exposed_total=one.missed_total,
        unexposed_events=one.met_events,
        unexposed_total=one.met_total,
    )
    return Estimate(result.estimate, result.mid_p_low, result.mid_p_high), result.mid_p


def _homogeneity_p(persons: _Sides) -> list[float]:
    """Is the odds ratio the same for all technicians? One p a factor; nan where a cell expects less than one."""
    result = homogeneity(
        exposed_events=persons.missed_events,
        exposed_total=persons.missed_total,
        unexposed_events=persons.met_events,
        unexposed_total=persons.met_total,
    )
    return [
        float(p) if least >= _LEAST_EXPECTED_CELL else float("nan")
        for p, least in zip(result.tarone_p, result.least_expected, strict=True)
    ]


def _plain_risks(one: _Sides, months: Floats, share: Floats) -> tuple[float, float, float]:
    """Risks within the horizon on each side, and the excess of the missed side in returns."""

    def hazard(returned: Floats, total: Floats) -> Floats:
        return np.divide(returned, total, out=np.full_like(total, np.nan), where=total > 0)

    h1, h0 = hazard(one.missed_events, one.missed_total), hazard(one.met_events, one.met_total)
    needed = months > 0

    def risk(h: Floats) -> float:
        # A bin nobody has reached yet adds nothing that could be known.
        return float(-np.expm1(np.nansum(months[needed] * np.log1p(-np.minimum(h[needed], 1 - 1e-12)))))

    if np.all(np.isnan(h1[needed])) or np.all(np.isnan(h0[needed])):
        return float("nan"), float("nan"), float("nan")
    return risk(h0), risk(h1), float(np.nansum(share * one.missed_total * (h1 - h0)))

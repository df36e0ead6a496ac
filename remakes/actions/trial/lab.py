"""What the lab's records say about the returns to come, and a trial's design laid over it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.actions.trial.calendar import Group
from remakes.actions.trial.design import Cells, Design, cells_of, draw_weeks, returns_by_age, weeks_of
from remakes.counts.subset import subset
from remakes.counts.table import BIN_EDGES, DAYS_PER_MONTH, PatternTable
from remakes.deviations.detect import MET, MISSED
from remakes.evidence.models.case_mix import CaseMix
from remakes.evidence.models.shrinkage import estimate_shrinkage

__all__ = ["LEAST_RETURNS", "Lab", "hazard_of", "lab_spread", "miss_share", "pace_of"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: With fewer returns their pace is not known.
LEAST_RETURNS: Final = 5


def miss_share(table: PatternTable, factor: str) -> float:
    status = table.status_of(factor)
    recorded = float(table.restorations[(status == MET) | (status == MISSED)].sum())
    return float(table.restorations[status == MISSED].sum()) / recorded if recorded else float("nan")


def pace_of(table: PatternTable, rows: Flags) -> float:
    days = (table.last_delivered - table.first_delivered).days + 1
    return float(table.restorations[rows].sum()) / max(days / DAYS_PER_MONTH, 1.0)


def hazard_of(table: PatternTable, rows: Flags, defects: Sequence[str]) -> Floats:
    """Returns per restoration-month, summed over defects; an age that nobody reached has the hazard before it."""
    total = np.zeros(len(BIN_EDGES))
    for defect in defects:
        at_risk, events = (counts[rows].sum(axis=0) for counts in table.events_of(defect))
        each = np.divide(events, at_risk, out=np.full(len(events), np.nan), where=at_risk > 0)
        for age in range(len(each)):
            if np.isnan(each[age]):
                each[age] = each[age - 1] if age else 0.0
        total += each
    return total


def lab_spread(table: PatternTable, defects: Sequence[str]) -> tuple[float, float]:
    """Between-technician and between-quarter standard deviations, log odds; over defects by their returns.

    Where a defect has fewer than five returns it says nothing; without any other, nan.
    """
    case_mix = CaseMix(table)
    variances, weights = [], []
    for defect in defects:
        at_risk, events = table.events_of(defect)
        if events.sum() < LEAST_RETURNS:
            continue
        found = estimate_shrinkage(case_mix, at_risk=at_risk, events=events).sd
        variances.append([found["technician"] ** 2, found["quarter"] ** 2])
        weights.append(float(events.sum()))
    if not weights:
        return float("nan"), float("nan")
    technician, quarter = np.sqrt(np.average(variances, axis=0, weights=weights))
    return float(technician), float(quarter)


class Lab:
    """What the records say about returns, and the design laid over it for trials of any length."""

    def __init__(
        self,
        table: PatternTable,
        rows: Flags,
        defects: Sequence[str],
        design: Design,
        groups: tuple[Group, ...],
        *,
        per_month: float,
        hazard: Floats,
        seed: int,
    ) -> None:
        self.design: Design = design
        self.groups, self.per_month, self.hazard, self._seed = groups, per_month, hazard, seed
        part = subset(table, rows)
        technician, quarter = lab_spread(part, defects)
        # Where no defect is common enough, the spread at which the estimate starts.
        self.technician_sd, self.quarter_sd = (value if np.isfinite(value) else 0.4 for value in (technician, quarter))
        self._before = _by_quarter(part, defects)
        self._shares = np.array([one.share for one in groups])
        benches = sum(len(one.technicians) for one in groups)
        weekly = weeks_of(1.0)  # deliveries of a month, spread over its weeks
        typical = per_month / weekly * float(returns_by_age(hazard, np.array(12.0))) / benches
        #: As if each week of a technician differed from the next as much as technicians do: an upper bound.
        self.spread = 1.0 + typical * self.technician_sd**2

    @property
    def unit_sd(self) -> float:
        """Chance differences that the design leaves in the comparison."""
        if self.design == "alternate weeks":
            return 0.0
        if self.design == "before and after":
            return self.quarter_sd
        factor = np.average([one.sd_factor for one in self.groups], weights=self._shares)
        return self.technician_sd * float(factor)

    def weeks(self, months: int) -> Flags:
        """The calendar of a trial of this length, always drawn alike."""
        rng = np.random.default_rng([self._seed, months])
        return draw_weeks(self.design, groups=len(self.groups), weeks=weeks_of(months), rng=rng)

    def cells(self, months: int) -> Cells:
        """The trial's cells, read at its end."""
        per_week = self.per_month * 7.0 / DAYS_PER_MONTH
        return cells_of(
            self.design,
            self.weeks(months),
            shares=self._shares,
            per_week=per_week,
            hazard=self.hazard,
            before=self._before,
        )

    def returns(self, months: int) -> float:
        """Returns in the trial if the action does nothing."""
        age = np.arange(months, dtype=np.float64) + 0.5
        return self.per_month * float(returns_by_age(self.hazard, age).sum())


def _by_quarter(table: PatternTable, defects: Sequence[str]) -> Floats:
    """Returns by quarter of delivery so far."""
    quarter = table.attributes["quarter"]
    returned = sum((table.returns_by_pattern(defect) for defect in defects), np.zeros(table.patterns, dtype=np.int64))
    by: Floats = np.bincount(quarter.codes, returned, minlength=len(quarter.levels)).astype(np.float64)
    return by[by > 0]

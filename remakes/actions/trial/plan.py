"""Is a trial of an action worth starting, how long must it run, and who works how in which week?

The planner takes from the lab's records how often and how late returns come, and how much technicians and quarters
differ beyond chance and case mix. A restoration delivered in a week of the trial counts with the returns that it is
to be expected to have given by the day of reading, so that the young ones at the end count for little.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.actions.trial.calendar import Group, Span, bench_groups, next_monday, spans_of
from remakes.actions.trial.design import (
    DESIGNS,
    Cells,
    Design,
    log_ratio_variance,
    power_of,
    returns_by_age,
)
from remakes.actions.trial.figures import TrialLength, TrialPlan, TrialPower
from remakes.actions.trial.lab import LEAST_RETURNS, Lab, hazard_of, miss_share, pace_of
from remakes.actions.trial.simulation import simulated_power
from remakes.actions.trial.words import cautions_of, log_of, reading_of
from remakes.counts.table import DAYS_PER_MONTH, PatternTable
from remakes.deviations.detect import NOT_APPLICABLE
from remakes.errors import TableError
from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.evidence.tables.proportions import proportion_interval
from remakes.evidence.tables.two_groups import sample_size_two_proportions
from remakes.records.codes import defect_in_text
from remakes.texts import either, t

__all__ = ["TrialLength", "TrialPlan", "TrialPower", "plan_trial"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Falls of the returns for which the table of power is worked out, beside the one asked about.
_EFFECTS: Final = (0.3, 0.5, 0.7)
_MONTHS: Final = (3, 6, 9, 12, 18, 24)
_TRIALS: Final = 600
_LARGEST: Final = 0.95
_SMALLEST: Final = 0.01


def plan_trial(
    table: PatternTable,
    *,
    factor: str,
    defects: Sequence[str],
    design: Design = "alternate weeks",
    effect: float = 0.3,
    miss_share_now: float | None = None,
    removes: float = 0.9,
    months_max: int = 24,
    power: float = 0.8,
    error: float = 0.05,
    restorations_per_month: float | None = None,
    hazard: Floats | None = None,
    starts_on: date | None = None,
    seed: int = 0,
) -> TrialPlan:
    """How many restorations and months does it take to show that an action lowers the returns with these defects?

    Parameters
    ----------
    table : PatternTable
    factor : str
        The requirement whose misses the action removes.
    defects : sequence of str
        First returns of each count; a restoration with two of them counts twice.
    design : Design
    effect : float
        Relative fall of the returns worth having, a fraction in (0, 1).
    miss_share_now : float, optional
        Of the recorded restorations; otherwise that of the records.
    removes : float
        Share of the misses that the action removes, in (0, 1].
    months_max : int
        The longest trial that is considered, months.
    power, error : float
        How often the fall is to show, and the one-sided error rate.
    restorations_per_month : float, optional
        Deliveries that the requirement applies to; otherwise those of the records.
    hazard : (bins,) array, optional
        Returns per restoration-month by time in service; otherwise that of the records.
    starts_on : date, optional
        Otherwise the first Monday after the end of observation.
    seed : int
        Of the drawn calendar and of the simulation.

    Returns
    -------
    TrialPlan
        Fewer than five returns, one bench for a staggered start, and the like: what is missing, and no figures.

    Raises
    ------
    TableError
        An unknown factor or design, or a fraction that cannot be.
    """
    _refuse(table, factor, design, effect=effect, removes=removes, power=power, error=error, months_max=months_max)
    rows = table.status_of(factor) != NOT_APPLICABLE
    wanted = tuple(dict.fromkeys(defects))
    asked = TrialPlan(
        factor=factor,
        defects=wanted,
        design=design,
        effect=effect,
        error=error,
        power=power,
        months_max=months_max,
        starts_on=next_monday(table.observed_until) if starts_on is None else starts_on,
        miss_share_now=miss_share(table, factor) if miss_share_now is None else miss_share_now,
        removes=removes,
    )
    known = tuple(defect for defect in wanted if defect in table.defects)
    rng = np.random.default_rng(seed)
    groups = bench_groups(table, rows, rng=rng) if rows.any() else ()
    missing = _missing(table, asked, rows, known, groups)
    if missing:
        return replace(asked, missing=missing)
    pace = pace_of(table, rows) if restorations_per_month is None else restorations_per_month
    each = hazard_of(table, rows, known) if hazard is None else np.asarray(hazard, dtype=np.float64)
    if not pace * each.sum() > 0:
        return replace(
            asked, missing=t("no restoration a month, or no return, is to be expected: {pace:g} a month", pace=pace)
        )
    lab = Lab(table, rows, known, design, groups, per_month=pace, hazard=each, seed=seed)
    return _planned(lab, asked, seed=seed)


def _refuse(
    table: PatternTable,
    factor: str,
    design: str,
    *,
    effect: float,
    removes: float,
    power: float,
    error: float,
    months_max: int,
) -> None:
    if factor not in table.factors:
        raise TableError(
            t(
                "These records name no factor {factor!r}. They name: {items}. Use one.",
                factor=factor,
                items=", ".join(table.factors),
            )
        )
    if design not in DESIGNS:
        raise TableError(
            t(
                "A design {design!r} is asked for. Need one of: {items}. Choose one.",
                design=design,
                items=", ".join(DESIGNS),
            )
        )
    for name, value, top in (("effect", effect, 1.0), ("power", power, 1.0), ("error", error, 0.5)):
        if not 0.0 < value < top:
            raise TableError(
                t(
                    "{name} = {value:g}. Need a fraction between 0 and {top:g}. For 30 % write 0.3.",
                    name=name,
                    value=value,
                    top=top,
                )
            )
    if not 0.0 < removes <= 1.0 or months_max < 1:
        raise TableError(
            t(
                "removes = {removes:g}, months_max = {months_max}. Need a fraction above 0 and at most 1, "
                "and at least 1 month. Usual are 0.9 and 24.",
                removes=removes,
                months_max=months_max,
            )
        )


def _missing(table: PatternTable, asked: TrialPlan, rows: Flags, known: Sequence[str], groups: Sequence[Group]) -> str:
    if not rows.any():
        return t("{factor} applies to none of the restorations in the records", factor=asked.factor)
    returned = sum(int(table.returns_by_pattern(defect)[rows].sum()) for defect in known)
    if returned < LEAST_RETURNS:
        return t(
            "only {returned} of the restorations {factor} applies to came back with {value}; "
            "{least_returns} are needed to see the pace",
            returned=returned,
            factor=asked.factor,
            value=either(map(defect_in_text, asked.defects)) if asked.defects else t("a defect named"),
            least_returns=LEAST_RETURNS,
        )
    if asked.design == "staggered" and len(groups) < 2:
        return t("a staggered start needs two technicians or more; let weeks alternate")
    return ""


class _Power:
    """Power of the trial at every length, for any fall."""

    def __init__(self, lab: Lab, asked: TrialPlan) -> None:
        self._lab, self._error, self._aim = lab, asked.error, asked.power
        self.cells: dict[int, Cells] = {months: lab.cells(months) for months in range(1, asked.months_max + 1)}

    def at(self, months: int, effect: float) -> float:
        """Share of trials of this length that show the fall."""
        variance = log_ratio_variance(
            self.cells[months], effect=effect, unit_sd=self._lab.unit_sd, spread=self._lab.spread
        )
        return power_of(variance, effect=effect, error=self._error)

    def needed(self, effect: float) -> TrialLength:
        """The shortest trial that shows the fall often enough."""
        months = next((months for months in self.cells if self.at(months, effect) >= self._aim), None)
        made = self._lab.per_month * months if months else float("nan")
        return TrialLength(effect=effect, months=months, restorations=made)

    def design_effect(self, months: int, effect: float) -> float:
        """Variance over what it would be without chance differences beyond single returns."""
        found, plain = (
            log_ratio_variance(self.cells[months], effect=effect, unit_sd=sd, spread=spread)
            for sd, spread in ((self._lab.unit_sd, self._lab.spread), (0.0, 1.0))
        )
        return found / plain

    def within_reach(self, months: int) -> float:
        """The smallest fall that a trial of this length shows often enough; nan if none."""
        if self.at(months, _LARGEST) < self._aim:
            return float("nan")
        low, high = _SMALLEST, _LARGEST
        for _ in range(20):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if self.at(months, middle) >= self._aim else (middle, high)
        return high


def _planned(lab: Lab, asked: TrialPlan, *, seed: int) -> TrialPlan:
    power = _Power(lab, asked)
    effects = sorted({*_EFFECTS, asked.effect})
    own = power.needed(asked.effect)
    at = own.months or asked.months_max
    restorations, weeks = _to_see_misses(asked, lab.per_month)
    found = replace(
        asked,
        restorations_per_month=lab.per_month,
        returns_per_month=lab.per_month * float(returns_by_age(lab.hazard, np.array(24.0))),
        months=own.months,
        restorations=own.restorations,
        returns=lab.returns(own.months) if own.months else float("nan"),
        power_simulated=_simulated(lab, power.cells[own.months], asked, seed) if own.months else UNKNOWN,
        within_reach=power.within_reach(asked.months_max),
        needed=tuple(power.needed(effect) for effect in effects),
        table=_table(lab, power, effects, {m for m in (*_MONTHS, asked.months_max, at) if m <= asked.months_max}),
        design_effect=power.design_effect(at, asked.effect),
        technician_sd=lab.technician_sd,
        quarter_sd=lab.quarter_sd,
        unit_sd=lab.unit_sd,
        hazard=tuple(float(one) for one in lab.hazard),
        risk_ratio_needed=_risk_ratio_needed(asked),
        restorations_to_see_misses=restorations,
        weeks_to_see_misses=weeks,
        groups=lab.groups,
        calendar=_calendar(lab, own.months, asked.starts_on) if own.months else (),
        log=log_of(asked),
    )
    return replace(found, how_read=reading_of(found), cautions=cautions_of(found))


def _table(lab: Lab, power: _Power, effects: Sequence[float], months: Collection[int]) -> tuple[TrialPower, ...]:
    return tuple(
        TrialPower(
            effect=effect,
            months=length,
            restorations=lab.per_month * length,
            returns=lab.returns(length),
            power=power.at(length, effect),
        )
        for effect in effects
        for length in sorted(months)
    )


def _to_see_misses(asked: TrialPlan, per_month: float) -> tuple[float, float]:
    """Restorations, and weeks, after which the fall of the miss share itself would show; two groups of like size."""
    now = asked.miss_share_now
    then = now * (1.0 - asked.removes)
    # A share of nothing has no formula; one in two thousand is nothing at any bench.
    then = max(then, 5e-4)
    if not 0.0 < then < now < 1.0 or not per_month > 0:
        return float("nan"), float("nan")
    each = sample_size_two_proportions(p1=now, p2=then, alpha=2.0 * asked.error, power=asked.power, continuity=True)
    total = 2.0 * float(np.ceil(each))
    return total, total / per_month * DAYS_PER_MONTH / 7.0


def _risk_ratio_needed(asked: TrialPlan) -> float:
    """How many times the risk a miss must carry, for its removal to spare this share of the returns.

    Of all returns, the surplus of the misses is m (R - 1) / (1 + m (R - 1)), and the action takes away `removes` of it.
    """
    if not asked.miss_share_now > 0:
        return float("nan") if np.isnan(asked.miss_share_now) else float("inf")
    if asked.effect >= asked.removes:
        return float("inf")
    return 1.0 + asked.effect / ((asked.removes - asked.effect) * asked.miss_share_now)


def _simulated(lab: Lab, cells: Cells, asked: TrialPlan, seed: int) -> Estimate:
    share = simulated_power(
        cells,
        asked.design,
        effect=asked.effect,
        unit_sd=lab.unit_sd,
        spread=lab.spread,
        error=asked.error,
        trials=_TRIALS,
        rng=np.random.default_rng([seed, 1]),
    )
    ends = proportion_interval(events=[round(share * _TRIALS)], total=[_TRIALS])
    return Estimate(share, float(ends.low[0]), float(ends.high[0]))


def _calendar(lab: Lab, months: int, starts_on: date) -> tuple[Span, ...]:
    return spans_of(lab.weeks(months), groups=[one.name for one in lab.groups], starts_on=starts_on)

"""Reading a trial after its last day, as its plan has fixed it before the start."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from remakes.actions.trial.design import Cells, cell_numbers, returns_by_age, strata_of
from remakes.actions.trial.figures import TrialPlan
from remakes.actions.trial.ratio import RateRatio, exact_rate_ratio, shared_rate_ratio
from remakes.counts.table import DAYS_PER_MONTH
from remakes.errors import TableError
from remakes.evidence.estimate import UNKNOWN, Estimate, finite_or_none
from remakes.texts import t

__all__ = ["Placed", "TrialReading", "read_trial"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialReading:
    """What a trial showed.

    Attributes
    ----------
    plan : TrialPlan
    ratio : Estimate
        Returns with the action to returns without, within the strata of the design, with its 95 % interval.
    p_fewer : float
        One-sided p of no fall.
    plain : Estimate
        The exact ratio that allows for no chance differences between groups or quarters; for "alternate weeks" the
        same as `ratio`.
    restorations, returns, expected : tuple of two
        With the action, without; expected if it does nothing.
    left_out : int
        Restorations that the calendar has no place for.
    """

    plan: TrialPlan
    ratio: Estimate
    p_fewer: float
    plain: Estimate
    restorations: tuple[int, int]
    returns: tuple[int, int]
    expected: tuple[float, float]
    left_out: int

    @property
    def shown(self) -> bool:
        """Did returns fall, by the rule of the plan?"""
        return self.p_fewer < self.plan.error

    @property
    def ruled_out(self) -> bool:
        """Is a fall as large as the plan asked about too large for these counts?"""
        return self.ratio.low > 1.0 - self.plan.effect

    @property
    def sentence(self) -> str:
        """The result in words."""
        if not np.isfinite(self.p_fewer):
            return t("The trial cannot be read: no return came on both sides of one stratum, or one side has nobody.")
        counts = t(
            "returns with the action {returns}, of {restorations:,} restorations, and without it {returns_2}, of "
            "{restorations_2:,}; within the strata the ratio is {ratio}",
            returns=self.returns[0],
            restorations=self.restorations[0],
            returns_2=self.returns[1],
            restorations_2=self.restorations[1],
            ratio=self.ratio,
        )
        asked = t("{share:.0%}", share=self.plan.effect)
        if self.shown and self.ruled_out:
            return t("Fewer returns go with the action, though not by {asked}: {counts}.", asked=asked, counts=counts)
        if self.shown:
            return t("Fewer returns go with the action: {counts}.", counts=counts)
        if self.ruled_out:
            return t("A fall by {asked} can be ruled out: {counts}.", asked=asked, counts=counts)
        return t("The trial cannot tell: {counts}.", counts=counts)

    def as_json(self) -> dict[str, Any]:
        """In the interchange format; what cannot be had is null."""
        return {
            "factor": self.plan.factor,
            "defects": list(self.plan.defects),
            "design": self.plan.design,
            "ratio": self.ratio.as_json(),
            "p_fewer": finite_or_none(self.p_fewer),
            "plain": self.plain.as_json(),
            "restorations": list(self.restorations),
            "returns": list(self.returns),
            "expected": list(self.expected),
            "left_out": self.left_out,
            "shown": self.shown,
            "ruled_out": self.ruled_out,
            "sentence": self.sentence,
        }


def read_trial(
    plan: TrialPlan,
    *,
    delivered_on: Sequence[date],
    technician: Sequence[str],
    returns: Sequence[int],
    read_on: date,
) -> TrialReading:
    """Did fewer restorations come back in weeks with the action, as the calendar had them?

    Parameters
    ----------
    plan : TrialPlan
        With a calendar.
    delivered_on : sequence of date
        One for each restoration that the requirement applies to; for "before and after" those delivered earlier too.
    technician : sequence of str
        Codes of who made them.
    returns : sequence of int
        First returns with the plan's defects up to `read_on`.
    read_on : date

    Returns
    -------
    TrialReading
        Restorations count as planned, not as done: who forgets the action makes the difference smaller, while leaving
        out whoever forgot would leave out the hurried week.

    Raises
    ------
    TableError
        A plan without a calendar, or sequences of different lengths.
    """
    if not plan.calendar:
        raise TableError(
            t("This plan has no calendar, since the trial cannot be had. Plan one that can, then read it.")
        )
    if not len(delivered_on) == len(technician) == len(returns):
        raise TableError(
            t(
                "{delivered_on} days of delivery, {technician} technicians and {returns} counts of returns "
                "came. Need one of each for every restoration. Read them from the same rows.",
                delivered_on=len(delivered_on),
                technician=len(technician),
                returns=len(returns),
            )
        )
    known = Placed(plan, delivered_on, technician, read_on)
    back = np.asarray(returns, dtype=np.int64)[known.kept]
    cells, place = cell_numbers(known.stratum, known.unit, known.action, known.expected)
    counts = np.bincount(place, back, minlength=len(cells.expected)).astype(np.int64)
    plain = exact_rate_ratio(cells, counts)
    found = plain if plan.design == "alternate weeks" else _shared(plan, cells, counts)
    both = known.action, ~known.action
    return TrialReading(
        plan=plan,
        ratio=found.ratio,
        p_fewer=found.p_fewer,
        plain=plain.ratio,
        restorations=(int(both[0].sum()), int(both[1].sum())),
        returns=(int(back[both[0]].sum()), int(back[both[1]].sum())),
        expected=(float(known.expected[both[0]].sum()), float(known.expected[both[1]].sum())),
        left_out=len(delivered_on) - len(back),
    )


def _shared(plan: TrialPlan, cells: Cells, counts: NDArray[np.int64]) -> RateRatio:
    if not counts.sum():
        return RateRatio(ratio=UNKNOWN, p_fewer=float("nan"))
    return shared_rate_ratio(cells, counts, unit_sd=plan.unit_sd)


class Placed:
    """Where each restoration belongs in the design; those without a place, or delivered after the reading, left out.

    Attributes
    ----------
    kept : (all restorations,) array of bool
        Those with a place; the other arrays hold these only.
    action : array of bool
        With the action, as the calendar has it.
    within : array of bool
        Delivered in the weeks of the trial; the others came before, and are compared with by "before and after" only.
    stratum, unit : arrays of int
    expected : array
        Returns to be expected by the day of reading if the action does nothing.
    """

    def __init__(self, plan: TrialPlan, delivered_on: Sequence[date], technician: Sequence[str], read_on: date) -> None:
        number = {code: place for place, group in enumerate(plan.groups) for code in group.technicians}
        group = np.array([number.get(code, -1) for code in technician], dtype=np.intp)
        day = np.array([one.toordinal() for one in delivered_on], dtype=np.intp)
        week = (day - plan.starts_on.toordinal()) // 7
        weeks = _weeks(plan)
        within = (week >= 0) & (week < weeks.shape[1]) & (group >= 0)
        before = (week < 0) if plan.design == "before and after" else np.zeros(len(week), dtype=np.bool_)
        # Who came after the start has a place before it and none within: benches change, the lab remains.
        self.kept: Flags = (within | before) & (day <= read_on.toordinal())
        group, week = group[self.kept], week[self.kept]
        self.within: Flags = week >= 0
        self.action: Flags = np.where(week >= 0, weeks[group, np.maximum(week, 0)], False).astype(np.bool_)
        self.stratum, self.unit = strata_of(plan.design, group=group, week=week, groups=len(plan.groups))
        # At least half a day in service, so that whoever came back on the first day had been expected to.
        age = np.maximum(read_on.toordinal() - day[self.kept], 0.5) / DAYS_PER_MONTH
        self.expected: Floats = returns_by_age(np.array(plan.hazard), age)


def _weeks(plan: TrialPlan) -> Flags:
    """The calendar as (groups, weeks)."""
    start = plan.starts_on.toordinal()
    last = max(one.ends.toordinal() for one in plan.calendar)
    weeks = np.zeros((len(plan.groups), (last - start + 1) // 7), dtype=np.bool_)
    place = {group.name: number for number, group in enumerate(plan.groups)}
    for one in plan.calendar:
        weeks[place[one.group], (one.begins.toordinal() - start) // 7 : (one.ends.toordinal() - start) // 7 + 1] = (
            one.with_action
        )
    return weeks

"""What was to be expected of the restorations made since the start, had nothing been changed?

Learned from the months before the decision, up to three years of them and without the last three: an action is often
decided on after a bad month, and what follows a bad month is better by itself. The expectation knows the age in service
and the case mix of what was made since, with the misses that were usual before; so young restorations that have had no
time to come back are not taken for a success.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.actions.follow_up.sequential import Comparison, Periods
from remakes.counts.follow_up import FollowUpCounts
from remakes.counts.follow_up_rows import AgeCounts
from remakes.counts.table import BIN_EDGES, DAYS_PER_MONTH
from remakes.texts import t, tn
from remakes.trends.months.common_variation import overdispersion
from remakes.trends.months.expected import MIN_REFERENCE_MONTHS, MIN_REFERENCE_RETURNS
from remakes.trends.months.hazards import learn
from remakes.trends.months.report_months import EVERY, MIN_COMPLETENESS
from remakes.trends.months.signals import GUARD_MONTHS

__all__ = ["REFERENCE_MONTHS", "ExpectedReturns", "expected_returns"]

Floats = NDArray[np.float64]

#: Longest stretch of months the expectation is learned from.
REFERENCE_MONTHS: Final = 36

#: Deliveries to come are planned from so many months before the decision.
_PLAN_MONTHS: Final = 12
#: Returns of the reference that a group of ages needs.
_LEAST_OF_AGE: Final = 5.0
#: Ages with a smaller share of the reference's time in service are left out of the comparison.
_LEAST_OF_SERVICE: Final = 0.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExpectedReturns:
    """Returns since the start, and what was to be expected of them.

    Attributes
    ----------
    observed : (seen,) array
        By period, of restorations delivered since the start.
    periods : Periods or None
        The expectation from the start to the longest time to look; None where the reference is too small.
    seen : int
        Periods observed to their ends, with nearly all of their returns entered.
    reference_months, reference_returns : int
        What it was learned from.
    missing : str
        What the reference lacks; empty where it serves.
    """

    observed: Floats
    periods: Periods | None
    seen: int
    reference_months: int
    reference_returns: int
    missing: str


def expected_returns(
    counted: FollowUpCounts, *, completeness: Mapping[str, Mapping[str, float]] | None = None
) -> ExpectedReturns:
    """How many returns would the restorations made since the start have had without the action?

    Parameters
    ----------
    counted : FollowUpCounts
    completeness : mapping of str to mapping of str to float, optional
        By defect (or ``all``) and month: share of the returns entered by now; what is not named is complete.
    """
    after = max(len(counted.reference_months) - GUARD_MONTHS, 0)
    # A requirement that is younger than the records concerned nobody before.
    idle = int((counted.reference.at_risk[:after].sum(axis=(1, 2)).cumsum() <= 0.0).sum())
    first = max(idle, after - REFERENCE_MONTHS)
    entered = _entered(counted, completeness or {})
    # A month with much still to be entered waits, and so do those after it.
    seen = int((entered >= MIN_COMPLETENESS).cumprod().sum())
    returns = int(counted.reference.returns[first:after].sum())
    observed = counted.since.returns[:seen].sum(axis=(1, 2))
    missing = _missing(after - first, returns)
    return ExpectedReturns(
        observed=observed,
        periods=None if missing else _periods(counted, (first, after), entered[:seen]),
        seen=seen,
        reference_months=after - first,
        reference_returns=returns,
        missing=missing,
    )


def _missing(months: int, returns: int) -> str:
    if months >= MIN_REFERENCE_MONTHS and returns >= MIN_REFERENCE_RETURNS:
        return ""
    return t(
        "Before the decision, without the last {guard_months} months, there are {months} with {returns}; to say what "
        "was to be expected takes at least {min_reference_months} months with {min_reference_returns} such returns.",
        guard_months=GUARD_MONTHS,
        months=tn(months, "{n} month", "{n} months"),
        returns=tn(returns, "{n} return", "{n} returns"),
        min_reference_months=MIN_REFERENCE_MONTHS,
        min_reference_returns=MIN_REFERENCE_RETURNS,
    )


def _entered(counted: FollowUpCounts, completeness: Mapping[str, Mapping[str, float]]) -> Floats:
    """Share of each period's returns entered by now, of the defects by what they usually are among the returns."""
    of_all = completeness.get(EVERY, {})
    weight = np.array([counted.returns_by_defect.get(defect, 0) + 1.0 for defect in counted.defects])
    months = [f"{month:%Y-%m}" for month in _months(counted)]
    shares = [[completeness.get(d, of_all).get(month, 1.0) for d in counted.defects] for month in months]
    found: Floats = np.array(shares, dtype=np.float64).reshape(len(months), len(weight)) @ weight / weight.sum()
    return np.clip(found, 1e-6, 1.0)


def _months(counted: FollowUpCounts) -> list[date]:
    """The calendar month each seen period lies in: that of its first day."""
    return [counted.starts_on, *counted.ends][: counted.periods]


def _periods(counted: FollowUpCounts, window: tuple[int, int], entered: Floats) -> Periods:
    usual = _usual(counted, window)
    seen, (first, after) = len(entered), window
    since = usual.by_age(counted.since)[:seen] * entered[:, None]
    before = usual.by_age(counted.before)[:seen] * entered[:, None]
    # What is expected at ages that the reference hardly saw is a guess, and no measure of anything.
    served = counted.reference.at_risk[first:after].sum(axis=(0, 2))
    known = served >= _LEAST_OF_SERVICE * served.sum()
    plan = _plan(counted, usual)
    reference = usual.by_age(counted.reference)
    return Periods(
        expected=np.append(since.sum(axis=1), plan[seen:].sum(axis=1)),
        planned=float(plan.sum()),
        information=usual.information(plan.sum(axis=0)),
        overdispersion=overdispersion(
            counted.reference.returns[first:after].sum(axis=(1, 2)), reference[first:after].sum(axis=1)
        ),
        comparison=Comparison(
            returns=counted.before.returns[:seen].sum(axis=2)[:, known].sum(axis=1),
            expected=before[:, known].sum(axis=1),
            # Ages as they were before the decision, so that a month more does not rewrite what was said before it.
            information=usual.information(np.where(known, reference[-_PLAN_MONTHS:].sum(axis=0), 0.0)),
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Usual:
    """Returns per month at risk before the decision, by age and case mix.

    Ages next to each other are one group until it holds a few returns. They are not drawn to each other: what is made
    after the start is young, and an age that is drawn to the older ones would be expected to bring too little.
    """

    relative: Floats
    by_bin: Floats
    group: NDArray[np.intp]
    returns: Floats

    def by_age(self, counts: AgeCounts) -> Floats:
        """Returns expected by period and age."""
        expected: Floats = np.einsum("pbc,c->pb", counts.at_risk, self.relative) * self.by_bin
        return expected

    def information(self, parts: Floats) -> float:
        """Of a sum of parts by age, each as uncertain as the returns its hazard was learned from."""
        of_group = np.bincount(self.group, parts)
        if of_group.sum() <= 0.0:
            return float(self.returns.sum())
        return float(of_group.sum() ** 2 / (of_group**2 / self.returns).sum())


def _usual(counted: FollowUpCounts, window: tuple[int, int]) -> _Usual:
    first, after = window
    learned = learn(counted.reference.at_risk, counted.reference.returns, counted.attributes, windows=[window])
    relative = learned.relative[0]
    returns: Floats = counted.reference.returns[first:after].sum(axis=(0, 2))
    at_risk = np.einsum("pbc,c->b", counted.reference.at_risk[first:after], relative)
    group = _groups(returns)
    of_group = np.bincount(group, returns).astype(np.float64)
    served = np.bincount(group, at_risk)
    by_group = np.divide(of_group, served, out=np.zeros_like(served), where=served > 0)
    return _Usual(relative=relative, by_bin=by_group[group], group=group, returns=of_group)


def _groups(returns: Floats) -> NDArray[np.intp]:
    """Number of the group of each age, from the youngest on; what is left over belongs to the last."""
    group, number, held = np.zeros(len(returns), dtype=np.intp), 0, 0.0
    for age, count in enumerate(returns):
        if held >= _LEAST_OF_AGE and returns[age:].sum() >= _LEAST_OF_AGE:
            number, held = number + 1, 0.0
        group[age] = number
        held += count
    return group


def _plan(counted: FollowUpCounts, usual: _Usual) -> Floats:
    """Expected by period and age if as many are delivered as in the months before the decision, of the same kinds."""
    young = counted.reference.at_risk[-_PLAN_MONTHS:, 0].sum(axis=0)
    typical = float(young @ usual.relative / young.sum()) if young.sum() > 0 else 1.0
    a_month = float(counted.delivered[-_PLAN_MONTHS:].mean()) if len(counted.delivered) else 0.0
    start = counted.starts_on.toordinal()
    ends = np.array([0, *(day.toordinal() - start for day in counted.ends)]) / DAYS_PER_MONTH
    edges = np.append(np.array(BIN_EDGES, dtype=np.float64), np.inf)
    # Deliveries come evenly: half the square of the time since an age was first reached is the time spent beyond it.
    beyond = 0.5 * np.maximum(ends[:, None] - edges[None, :], 0.0) ** 2
    plan: Floats = np.diff(beyond[:, :-1] - beyond[:, 1:], axis=0) * a_month * typical * usual.by_bin
    return plan

"""Which corrective action first: expected net value, by marginal gain over the actions ranked above."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from remakes.actions.effects import DefectModel, defect_model, shrink
from remakes.counts.table import DAYS_PER_MONTH, PatternTable
from remakes.deviations.detect import NOT_APPLICABLE
from remakes.evidence.estimate import Estimate
from remakes.evidence.findings import Finding
from remakes.records.corrective_actions import CorrectiveAction, Costs

__all__ = ["RankedAction", "rank"]

Floats = NDArray[np.float64]

_DRAWS: Final = 1000
_BELIEVED: Final = ("strong", "moderate", "weak")


@dataclass(frozen=True, slots=True, kw_only=True)
class RankedAction:
    """One action at its place in the list.

    Attributes
    ----------
    action, title : str
    rank : int
    avoided_per_month, net_per_month : Estimate
        What it adds to the actions ranked above it; net in the lab's currency, one-off costs spread over the horizon.
    alone_avoided_per_month, alone_net_per_month : Estimate
        The same if it were the only one.
    joint_avoided_per_month, joint_net_per_month : Estimate
        It and all above it together.
    probability_worthwhile : float
        Share of the draws in which what it adds exceeds its cost.
    cost_per_month : float
    restorations_per_month : float
        To how many it applies.
    because : tuple of (factor, defect)
        Findings behind it.
    cautions : tuple of str
    """

    action: str
    title: str
    rank: int
    avoided_per_month: Estimate
    net_per_month: Estimate
    alone_avoided_per_month: Estimate
    alone_net_per_month: Estimate
    joint_avoided_per_month: Estimate
    joint_net_per_month: Estimate
    probability_worthwhile: float
    cost_per_month: float
    restorations_per_month: float
    because: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """The action in the interchange format."""
        return {
            "action": self.action,
            "title": self.title,
            "rank": self.rank,
            "avoided_returns_per_month": self.avoided_per_month.as_json(),
            "net_value_per_month": self.net_per_month.as_json(),
            "probability_worthwhile": self.probability_worthwhile,
            "because": [list(pair) for pair in self.because],
            "alone_avoided_returns_per_month": self.alone_avoided_per_month.as_json(),
            "alone_net_value_per_month": self.alone_net_per_month.as_json(),
            "joint_avoided_returns_per_month": self.joint_avoided_per_month.as_json(),
            "joint_net_value_per_month": self.joint_net_per_month.as_json(),
            "cost_per_month": self.cost_per_month,
            "restorations_per_month": self.restorations_per_month,
            "cautions": list(self.cautions),
        }


@dataclass(frozen=True, slots=True)
class _Worth:
    """Draws of what a set of actions avoids and saves per month."""

    avoided: Floats
    saved: Floats


def rank(
    table: PatternTable,
    findings: Sequence[Finding],
    actions: Sequence[CorrectiveAction],
    costs: Costs,
    *,
    horizon: int = 12,
    seed: int = 0,
) -> tuple[RankedAction, ...]:
    """What to change first?

    Parameters
    ----------
    table : PatternTable
    findings : sequence of Finding
        All findings of this table.
    actions : sequence of CorrectiveAction
    costs : Costs
        The lab's own rates; an unknown defect costs `default_per_return`.
    horizon : int
        Months of service whose returns count, and over which one-off costs are spread.
    seed : int
        Of the simulation; the same seed gives the same list.

    Returns
    -------
    tuple of RankedAction
        All actions, by what each adds to the expected net value of those before it.
    """
    effects = shrink(findings)
    wanted = {factor for action in actions for factor in action.corrects}
    rng = np.random.default_rng(seed)
    models = [
        defect_model(table, defect, mine, horizon=horizon, draws=_DRAWS, rng=rng)
        for defect in table.defects
        if (mine := [e for e in effects if e.defect == defect and e.factor in wanted])
    ]
    months = max(((table.last_delivered - table.first_delivered).days + 1) / DAYS_PER_MONTH, 1.0)

    def worth(chosen: Sequence[CorrectiveAction]) -> _Worth:
        corrected = _joint_correction(chosen)
        avoided, saved = np.zeros(_DRAWS), np.zeros(_DRAWS)
        for model in models:
            spared = model.avoided(corrected) / months
            avoided += spared
            saved += spared * costs.per_return.get(model.defect, costs.default_per_return)
        return _Worth(avoided, saved)

    monthly = {a.action: _monthly_cost(table, a, costs, months=months, horizon=horizon) for a in actions}
    chosen: list[CorrectiveAction] = []
    ranked: list[RankedAction] = []
    before, left = worth([]), list(actions)
    while left:
        trials = [(worth([*chosen, action]), action) for action in left]
        after, best = max(
            trials, key=lambda pair: float((pair[0].saved - before.saved).mean()) - monthly[pair[1].action][0]
        )
        chosen.append(best)
        left.remove(best)
        ranked.append(
            _ranked(table, best, len(chosen), before, after, worth([best]), monthly, chosen, findings, models)
        )
        before = after
    return tuple(ranked)


def _joint_correction(chosen: Sequence[CorrectiveAction]) -> dict[str, float]:
    """Share of each factor's misses that a set of actions removes; two actions on one factor act in turn."""
    left: dict[str, float] = {}
    for action in chosen:
        for factor, share in action.corrects.items():
            left[factor] = left.get(factor, 1.0) * (1.0 - share)
    return {factor: 1.0 - share for factor, share in left.items()}


def _monthly_cost(
    table: PatternTable, action: CorrectiveAction, costs: Costs, *, months: float, horizon: int
) -> tuple[float, float]:
    """Cost a month, and restorations a month to which the action applies."""
    known = [table.factors.index(factor) for factor in action.corrects if factor in table.factors]
    concerned = (
        (table.status[:, known] != NOT_APPLICABLE).any(axis=1) if known else np.zeros(table.patterns, dtype=bool)
    )
    restorations = float(table.restorations[concerned].sum()) / months
    each = action.cost_per_restoration + action.minutes_per_restoration * costs.per_minute
    return restorations * each + action.cost_once / horizon, restorations


def _ranked(
    table: PatternTable,
    action: CorrectiveAction,
    place: int,
    before: _Worth,
    after: _Worth,
    alone: _Worth,
    monthly: Mapping[str, tuple[float, float]],
    chosen: Sequence[CorrectiveAction],
    findings: Sequence[Finding],
    models: Sequence[DefectModel],
) -> RankedAction:
    cost, restorations = monthly[action.action]
    net = after.saved - before.saved - cost
    joint_cost = sum(monthly[a.action][0] for a in chosen)
    because = tuple(
        (f.factor, f.defect)
        for f in findings
        if f.factor in action.corrects and f.plausible and f.grade in _BELIEVED and f.adjusted.odds_ratio.estimate > 1
    )
    return RankedAction(
        action=action.action,
        title=action.title,
        rank=place,
        avoided_per_month=_summary(after.avoided - before.avoided),
        net_per_month=_summary(net),
        alone_avoided_per_month=_summary(alone.avoided),
        alone_net_per_month=_summary(alone.saved - cost),
        joint_avoided_per_month=_summary(after.avoided),
        joint_net_per_month=_summary(after.saved - joint_cost),
        probability_worthwhile=float((net > 0).mean()),
        cost_per_month=cost,
        restorations_per_month=restorations,
        because=because,
        cautions=_cautions(table, action, because, models),
    )


def _cautions(
    table: PatternTable,
    action: CorrectiveAction,
    because: tuple[tuple[str, str], ...],
    models: Sequence[DefectModel],
) -> tuple[str, ...]:
    said = []
    unknown = [factor for factor in action.corrects if factor not in table.factors]
    if unknown:
        said.append(f"The standard knows no {', '.join(unknown)}: what this part would spare cannot be estimated.")
    if not because:
        said.append("No finding stands behind this action yet: measure first, or let another one go ahead.")
    if not any(set(model.factors) & set(action.corrects) for model in models):
        said.append("No return with a defect that it could spare can be estimated in these records.")
    return tuple(said)


def _summary(draws: Floats) -> Estimate:
    low, high = np.quantile(draws, (0.025, 0.975))
    return Estimate(float(draws.mean()), float(low), float(high))

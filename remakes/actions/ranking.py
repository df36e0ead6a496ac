"""Which corrective action first: expected net value, by marginal gain over the actions ranked above.

`rank` answers once; `prepare` and `rank_prepared` answer again and again, at other costs, over other horizons or
with actions half kept up, without fitting or drawing anew.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from remakes.actions.information import WorthKnowing, worth_knowing
from remakes.actions.prepared import Portfolio, Prepared, Worth, kept_up_of, prepare
from remakes.counts.table import PatternTable
from remakes.errors import InputError
from remakes.evidence.estimate import UNKNOWN, Estimate, finite_or_none
from remakes.evidence.findings import Finding
from remakes.evidence.models.base import BaseModels
from remakes.records.corrective_actions import CorrectiveAction, Costs
from remakes.texts import t

__all__ = ["RankedAction", "next_measurement", "rank", "rank_prepared"]

Floats = NDArray[np.float64]

_BELIEVED: Final = ("strong", "moderate", "weak")
#: Between these probabilities of paying it is an open question whether to act.
_OPEN: Final = (0.2, 0.8)


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
    break_even_cost_per_month : Estimate
        What the action may cost a month, all in all, before what it adds is worth less than that.
    joint_probability_worthwhile : float
        Share of the draws in which it and all above it together are worth more than they cost.
    next_measurement : WorthKnowing or None
        Where it is not clear whether the action pays: which of its factors is best measured first.
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
    break_even_cost_per_month: Estimate = UNKNOWN
    joint_probability_worthwhile: float = float("nan")
    next_measurement: WorthKnowing | None = None

    @property
    def clear(self) -> bool:
        """A finding stands behind it, and the draws mostly agree on whether it pays."""
        return bool(self.because) and not _OPEN[0] <= self.probability_worthwhile <= _OPEN[1]

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
            "break_even_cost_per_month": self.break_even_cost_per_month.as_json(),
            "joint_probability_worthwhile": finite_or_none(self.joint_probability_worthwhile),
            "next_measurement": self.next_measurement.as_json() if self.next_measurement else None,
        }


def rank(
    table: PatternTable,
    findings: Sequence[Finding],
    actions: Sequence[CorrectiveAction],
    costs: Costs,
    *,
    horizon: int = 12,
    seed: int = 0,
    kept_up: Mapping[str, float] | None = None,
    base: BaseModels | None = None,
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
    kept_up : mapping of action to number, optional
        By which its `corrects` are multiplied, 0 (not kept up at all) to 1; left out: 1.
    base : BaseModels, optional
        Of this table, if the caller has them.

    Returns
    -------
    tuple of RankedAction
        All actions, by what each adds to the expected net value of those before it.

    Raises
    ------
    InputError
        `kept_up` outside 0 to 1, or of an action that is not in the list.
    """
    prepared = prepare(table, findings, actions, horizon=horizon, seed=seed, base=base)
    return rank_prepared(prepared, actions, costs, kept_up=kept_up)


def rank_prepared(
    prepared: Prepared,
    actions: Sequence[CorrectiveAction],
    costs: Costs,
    *,
    kept_up: Mapping[str, float] | None = None,
    horizon: int | None = None,
) -> tuple[RankedAction, ...]:
    """What to change first, if things were so? The same draws as before, so that only the question differs.

    Parameters
    ----------
    prepared : Prepared
    actions : sequence of CorrectiveAction
        With costs as they may be; their factors must be among those prepared for.
    costs : Costs
    kept_up : mapping of action to number, optional
        As for `rank`.
    horizon : int, optional
        Another one than prepared for.

    Raises
    ------
    InputError
        As for `rank`; a horizon that is not 1 to 60; an action on a factor that was not prepared for.
    """
    corrects = kept_up_of(actions, kept_up)
    _check_prepared(prepared, actions)
    question = _Question(
        prepared=prepared.over(horizon),
        costs=costs,
        corrects=corrects,
        monthly={action.action: prepared.over(horizon).cost_per_month(action, costs) for action in actions},
    )
    measures = worth_knowing(question.prepared, actions, costs, kept_up=kept_up)
    none_yet = now = question.prepared.portfolio(costs)
    left, chosen, ranked = list(actions), list[CorrectiveAction](), list[RankedAction]()
    while left:
        trials = [(now.worth_with(corrects[action.action]), action) for action in left]
        before = now.worth()
        after, best = max(trials, key=lambda t: float((t[0].saved - before.saved).mean()) - question.cost(t[1]))
        chosen.append(best)
        left.remove(best)
        alone = none_yet.worth_with(corrects[best.action])
        ranked.append(question.ranked(chosen, before=before, after=after, alone=alone, measures=measures))
        now = _then(now, corrects[best.action]) if left else now
    return tuple(ranked)


def next_measurement(ranked: Sequence[RankedAction], measures: Sequence[WorthKnowing]) -> WorthKnowing | None:
    """What to measure before acting at all; None where one action is clear and pays, or nothing is worth knowing.

    Parameters
    ----------
    ranked : sequence of RankedAction
    measures : sequence of WorthKnowing
        Of the same list, the most valuable first.
    """
    if any(action.clear and action.probability_worthwhile > _OPEN[1] for action in ranked):
        return None
    return measures[0] if measures else None


def _then(now: Portfolio, corrects: Mapping[str, float]) -> Portfolio:
    return now.with_action(corrects) if corrects else now


def _check_prepared(prepared: Prepared, actions: Sequence[CorrectiveAction]) -> None:
    strange = sorted({factor for action in actions for factor in action.corrects} - prepared.wanted)
    if strange:
        raise InputError(
            t(
                "The draws were not prepared for {items}. Prepare them again with the actions to be ranked.",
                items=", ".join(strange),
            )
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Question:
    """What all places of one list share."""

    prepared: Prepared
    costs: Costs
    corrects: Mapping[str, Mapping[str, float]]
    monthly: Mapping[str, float]

    def cost(self, action: CorrectiveAction) -> float:
        return self.monthly[action.action]

    def ranked(
        self,
        chosen: Sequence[CorrectiveAction],
        *,
        before: Worth,
        after: Worth,
        alone: Worth,
        measures: Sequence[WorthKnowing],
    ) -> RankedAction:
        """The last of the chosen at its place."""
        action, cost = chosen[-1], self.cost(chosen[-1])
        saved = after.saved - before.saved
        joint_net = after.saved - sum(self.cost(one) for one in chosen)
        because = _because(self.prepared, action)
        placed = RankedAction(
            action=action.action,
            title=action.title,
            rank=len(chosen),
            avoided_per_month=_summary(after.avoided - before.avoided),
            net_per_month=_summary(saved - cost),
            alone_avoided_per_month=_summary(alone.avoided),
            alone_net_per_month=_summary(alone.saved - cost),
            joint_avoided_per_month=_summary(after.avoided),
            joint_net_per_month=_summary(joint_net),
            probability_worthwhile=float((saved > cost).mean()),
            cost_per_month=cost,
            restorations_per_month=self.prepared.restorations_per_month(action),
            because=because,
            cautions=_cautions(self.prepared, action, because),
            break_even_cost_per_month=_summary(saved),
            joint_probability_worthwhile=float((joint_net > 0).mean()),
        )
        if placed.clear:
            return placed
        measure = next((one for one in measures if one.factor in action.corrects), None)
        return replace(placed, next_measurement=measure)


def _because(prepared: Prepared, action: CorrectiveAction) -> tuple[tuple[str, str], ...]:
    return tuple(
        (f.factor, f.defect)
        for f in prepared.findings
        if f.factor in action.corrects and f.plausible and f.grade in _BELIEVED and f.adjusted.odds_ratio.estimate > 1
    )


def _cautions(prepared: Prepared, action: CorrectiveAction, because: tuple[tuple[str, str], ...]) -> tuple[str, ...]:
    said = []
    unknown = [factor for factor in action.corrects if factor not in prepared.table.factors]
    if unknown:
        said.append(
            t(
                "The standard knows no {items}: what this part would spare cannot be estimated.",
                items=", ".join(unknown),
            )
        )
    if not because:
        said.append(t("No finding stands behind this action yet: measure first, or let another one go ahead."))
    if not any(set(model.factors) & set(action.corrects) for model in prepared.models):
        said.append(t("No return with a defect that it could spare can be estimated in these records."))
    return tuple(said)


def _summary(draws: Floats) -> Estimate:
    low, high = np.quantile(draws, (0.025, 0.975))
    return Estimate(float(draws.mean()), float(low), float(high))

"""What the ranking says its actions are worth in money, held against the planted truth.

One action a factor, which puts an end to its misses, at prices and efforts that are the same in every lab. They are
invented so that about half of the true causes pay; what an action costs is known on both sides, and only what it saves
is estimated.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from remakes.actions.prepared import Prepared
from remakes.actions.ranking import RankedAction, rank_prepared
from remakes.records.corrective_actions import CorrectiveAction, Costs
from tests.benchmarks.recovery.labs import Truth
from tests.benchmarks.recovery.service import HORIZON
from tests.benchmarks.recovery.trade import DEFECTS, NAMES

__all__ = ["COSTS", "PRICED_ACTIONS", "Priced", "price", "value_scores"]

#: What a return costs the lab, and a minute of work; no currency.
COSTS: Final = Costs(
    per_minute=0.8,
    per_return=dict(zip(DEFECTS, (210.0, 140.0, 240.0, 270.0, 260.0, 70.0, 90.0), strict=True)),
)
#: In turn over the factors: minutes for each restoration, and paid once.
_EFFORTS: Final = ((0.1, 0.0), (0.3, 60.0), (0.2, 240.0), (0.5, 0.0))
PRICED_ACTIONS: Final = tuple(
    CorrectiveAction(action=name, title=name, corrects={name: 1.0}, minutes_per_restoration=minutes, cost_once=once)
    for name, (minutes, once) in zip(NAMES, _EFFORTS * (len(NAMES) // len(_EFFORTS)), strict=True)
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Priced:
    """The actions in the order of their net value, and the months of deliveries that a month's share is of."""

    ranked: tuple[RankedAction, ...]
    months: float


def price(prepared: Prepared) -> Priced:
    """Rank the priced actions on draws that are there already."""
    return Priced(ranked=rank_prepared(prepared, PRICED_ACTIONS, COSTS), months=prepared.months)


def value_scores(truth: Truth, priced: Priced, *, first: int) -> dict[str, Any]:
    """Told and true sums of one lab, as fields of a score.

    Parameters
    ----------
    truth : Truth
    priced : Priced
    first : int
        So many actions at the head of the list are looked at together.
    """
    worth = _Worth(truth, priced.months)
    paying = [one for one in priced.ranked if one.net_per_month.estimate > 0.0]
    head = priced.ranked[:first]
    net = worth.net(head)
    last = head[-1].joint_net_per_month
    return {
        "saved_true": sum(worth.saved([one]) for one in priced.ranked),
        "saved_told": sum(one.alone_net_per_month.estimate + one.cost_per_month for one in priced.ranked),
        "paying": len(paying),
        "paying_true": worth.net(paying),
        "paying_told": sum(one.net_per_month.estimate for one in paying),
        "net_true": net,
        "net_told": last.estimate,
        "net_intervals": 1,
        "net_covered": int(last.low <= net <= last.high),
        "net_above": int(last.low > net),
        "net_below": int(last.high < net),
    }


class _Worth:
    """What an end of some misses would truly save a month, all restorations followed to the horizon."""

    def __init__(self, truth: Truth, months: float) -> None:
        follow_up = np.full(truth.hazards.follow_up.shape, float(HORIZON))
        self._hazards = replace(truth.hazards, follow_up=follow_up)
        self._prices = np.array([COSTS.of_return(defect) for defect in DEFECTS])
        self._as_made = self._hazards.expected_returns()
        self._months = months

    def saved(self, actions: Sequence[RankedAction]) -> float:
        """Per month, with these actions together."""
        left = self._hazards.expected_returns(without=frozenset(one.action for one in actions))
        return float((self._as_made - left) @ self._prices) / self._months

    def net(self, actions: Sequence[RankedAction]) -> float:
        """The same less what they cost."""
        return self.saved(actions) - sum(one.cost_per_month for one in actions)

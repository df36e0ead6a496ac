"""One invented lab: records for the analysis, and the truth behind them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from remakes.records.snapshot import Snapshot
from tests.benchmarks.recovery.bench import Bench, Log, draw_bench, draw_log
from tests.benchmarks.recovery.orders import Flags, Orders, draw_orders
from tests.benchmarks.recovery.plans import Plan
from tests.benchmarks.recovery.records import snapshot
from tests.benchmarks.recovery.service import Hazards, Returns, draw_hazards, draw_returns
from tests.benchmarks.recovery.trade import DEFECTS, NAMES

__all__ = ["Lab", "Pair", "Truth", "draw_lab"]

Pair = tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What an analysis should find.

    Attributes
    ----------
    causes : mapping of (factor, defect) to float
        Log odds ratio per month at risk of every pair in which a miss brings returns, by itself or through a later one.
    avoidable : mapping of (factor, defect) to float
        Returns to expect within horizon and follow-up beyond those had the factor never been missed.
    cannot_be_told : set of (factor, defect)
        Pairs that the lab's design does not let anyone tell apart from something else; never counted as false.
    hazards : Hazards
    """

    causes: Mapping[Pair, float]
    avoidable: Mapping[Pair, float]
    cannot_be_told: frozenset[Pair]
    hazards: Hazards

    @property
    def nulls(self) -> frozenset[Pair]:
        """Pairs without any effect."""
        every = {(factor, defect) for factor in NAMES for defect in DEFECTS}
        return frozenset(every - set(self.causes) - self.cannot_be_told)

    def avoided_by(self, factors: frozenset[str]) -> float:
        """Returns avoided, all defects together, had none of these factors ever been missed."""
        spared = self.hazards.expected_returns() - self.hazards.expected_returns(without=factors)
        return float(spared.sum())

    def best(self, size: int) -> float:
        """Returns avoided by the best choice of so many factors."""
        worth = dict.fromkeys(NAMES, 0.0)
        for (factor, _defect), returns in self.avoidable.items():
            worth[factor] += returns
        # Overlap is small, so that the best choice is among the best few one by one.
        first = sorted(worth, key=lambda factor: -worth[factor])[: size + 2]
        candidates = [factor for factor in first if worth[factor] > 0.0]
        chosen = combinations(candidates, min(size, len(candidates)))
        return max((self.avoided_by(frozenset(few)) for few in chosen), default=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lab:
    """Records and truth of one lab.

    Attributes
    ----------
    snapshot : Snapshot
        As logged.
    hidden : Snapshot
        The same lab, had everything been logged as it was, in time.
    orders : Orders
    logged : Log
        The log as a reader sees it who takes the last row of each reading, whenever it was written.
    returns : Returns
    truth : Truth
    """

    snapshot: Snapshot
    hidden: Snapshot
    orders: Orders
    logged: Log
    returns: Returns
    truth: Truth


def draw_lab(plan: Plan, *, seed: int, cannot_be_told: frozenset[Pair] = frozenset()) -> Lab:
    """Draw one lab.

    Parameters
    ----------
    plan : Plan
    seed : int
        The same seed and plan give the same lab.
    cannot_be_told : set of (factor, defect)
        See `Truth`.
    """
    rng = np.random.default_rng(seed)
    orders = draw_orders(plan, rng)
    bench = draw_bench(plan, orders, rng)
    hazards = draw_hazards(plan, orders, bench, rng)
    returns = draw_returns(hazards, orders, rng)
    log = draw_log(plan, orders, bench, rng)
    late, unstamped = _back_filled(plan, orders, returns, rng)
    nobody = np.zeros(orders.size, dtype=bool)
    complete = Log(recorded=bench.applies, missed=bench.missed())
    return Lab(
        snapshot=snapshot(orders, log, returns, rng=rng, late=late, unstamped=unstamped),
        hidden=snapshot(orders, complete, returns, rng=rng, late=nobody, unstamped=nobody),
        orders=orders,
        logged=Log(recorded=log.recorded | (late[:, None] & bench.applies), missed=log.missed & ~late[:, None]),
        returns=returns,
        truth=_truth(hazards, bench, cannot_be_told),
    )


def _back_filled(plan: Plan, orders: Orders, returns: Returns, rng: np.random.Generator) -> tuple[Flags, Flags]:
    """Whose slip is filled in once the piece is back; who leaves the time out."""
    returned = np.zeros(orders.size, dtype=bool)
    returned[returns.restoration] = True
    late = returned & (rng.random(orders.size) < plan.back_filled)
    return late, late & (rng.random(orders.size) < plan.back_filled_unstamped)


def _truth(hazards: Hazards, bench: Bench, cannot_be_told: frozenset[Pair]) -> Truth:
    as_made = hazards.expected_returns()
    causes, avoidable = {}, {}
    for factor, defects in _effects(hazards.plan):
        spared = as_made - hazards.expected_returns(without=frozenset({factor}))
        for defect in defects:
            avoidable[factor, defect] = float(spared[DEFECTS.index(defect)])
            if (factor, defect) not in cannot_be_told:
                causes[factor, defect] = hazards.log_odds_ratio(factor, defect)
    return Truth(causes=causes, avoidable=avoidable, cannot_be_told=cannot_be_told, hazards=hazards)


def _effects(plan: Plan) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Every factor with an effect, and the defects it brings about, by itself or through a later miss."""
    direct: dict[str, set[str]] = {name: set() for name in NAMES}
    for cause in plan.causes:
        direct[cause.factor].add(cause.defect)
    for pair in plan.together:
        direct[pair.one].add(pair.defect)
        direct[pair.other].add(pair.defect)
    for chain in reversed(plan.chains):
        direct[chain.early] |= direct[chain.late]
    return ((name, tuple(sorted(defects))) for name, defects in direct.items() if defects)

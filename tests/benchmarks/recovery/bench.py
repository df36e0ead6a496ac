"""What is missed at the bench, and what the log says of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit, ndtr

from tests.benchmarks.recovery.orders import Flags, Floats, Orders, applies
from tests.benchmarks.recovery.plans import Plan
from tests.benchmarks.recovery.trade import NAMES

__all__ = ["Bench", "Log", "draw_bench", "draw_log"]

#: Usual shares of misses are drawn between these, on the log scale; haste, rush and habits raise them to 4-20 %.
_MISSED_SHARE = (0.03, 0.14)
_RUSH_MISSES = 0.5
_BUSY_MISSES = 0.2
_SLOPPINESS = 0.25
_OWN_HABIT = 0.5
_BUSY_GAPS = 0.2
_OWN_GAPS = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """The hidden misses, and what they would have been had other steps been done right.

    Attributes
    ----------
    log_odds, chance : (n, factors) arrays
        Log-odds of a miss (before chains), and the uniform draw that decides.
    applies : (n, factors) array of bool
    plan : Plan
    in_bad_lot : (n,) array of bool
    """

    log_odds: Floats
    chance: Floats
    applies: Flags
    plan: Plan
    in_bad_lot: Flags

    def missed(self, *, without: frozenset[str] = frozenset(), forced: str = "") -> Flags:
        """What is missed if the factors in `without` are never missed, and `forced` always is.

        Later links of a chain follow: the same draws decide with changed odds.
        """
        log_odds = self.log_odds.copy()
        missed = np.zeros_like(self.applies)
        # Factors are in order of work, so an early miss is known when the later one is decided.
        for k, name in enumerate(NAMES):
            for chain in self.plan.chains:
                if chain.late == name:
                    log_odds[:, k] += chain.log_odds * missed[:, NAMES.index(chain.early)]
            if name not in without:
                missed[:, k] = self.applies[:, k] & ((self.chance[:, k] < expit(log_odds[:, k])) | (name == forced))
        return missed


@dataclass(frozen=True, slots=True, kw_only=True)
class Log:
    """What was written down before the outcome was known, (n, factors) arrays of bool."""

    recorded: Flags
    missed: Flags


def draw_bench(plan: Plan, orders: Orders, rng: np.random.Generator) -> Bench:
    """Draw the chances of every miss, and who worked with the bad lot."""
    n, size = orders.size, len(NAMES)
    usual = np.exp(rng.uniform(np.log(_MISSED_SHARE[0]), np.log(_MISSED_SHARE[1]), size))
    habit = rng.normal(0.0, _OWN_HABIT, (plan.technicians, size)) + rng.normal(0.0, _SLOPPINESS, (plan.technicians, 1))
    shared = (
        _RUSH_MISSES * orders.rush
        + _BUSY_MISSES * orders.busy
        + plan.hard_misses * (orders.hard - orders.hard.mean())
        + plan.haste * rng.standard_normal(n)
    )
    log_odds = logit(usual) + habit[orders.technician] + shared[:, None]
    recent = recently_made(plan, orders)
    for name, effect in plan.recent_misses.items():
        log_odds[:, NAMES.index(name)] += effect * recent
    if plan.only_recent:
        log_odds[:, NAMES.index(plan.only_recent)] = np.where(recent, 1.0, -np.inf)
    if plan.only_technician:
        log_odds[:, NAMES.index(plan.only_technician)] = np.where(orders.technician == 0, 0.0, -np.inf)
    in_window, in_bad_lot = _bad_lot(plan, orders, rng)
    if plan.bad_lot:
        log_odds[:, NAMES.index(plan.bad_lot.harmless)] += plan.bad_lot.missed_more * in_window
    return Bench(
        log_odds=log_odds,
        chance=_chances(plan, orders, rng),
        applies=applies(orders),
        plan=plan,
        in_bad_lot=in_bad_lot,
    )


def draw_log(plan: Plan, orders: Orders, bench: Bench, rng: np.random.Generator) -> Log:
    """Draw which readings are written down, and which misses are called met."""
    missed = bench.missed()
    own = rng.normal(0.0, _OWN_GAPS, plan.technicians)[orders.technician]
    every = logit(plan.gaps) + own + plan.gap_if_rush * orders.rush + _BUSY_GAPS * orders.busy if plan.gaps else -np.inf
    gap = expit(np.broadcast_to(every, orders.size)[:, None] + plan.gap_if_missed * missed)
    recorded = bench.applies & (rng.random(missed.shape) >= gap)
    honest = rng.random(missed.shape) >= plan.misreported
    return Log(recorded=recorded, missed=recorded & missed & honest)


def recently_made(plan: Plan, orders: Orders) -> Flags:
    """Which restorations were delivered in the recent period."""
    recent: Flags = orders.day >= (orders.last_day // 7 - plan.recent_weeks) * 7
    return recent


def _bad_lot(plan: Plan, orders: Orders, rng: np.random.Generator) -> tuple[Flags, Flags]:
    """Delivered while the bad lot was in the lab; made with it."""
    lot = plan.bad_lot
    if lot is None:
        return np.zeros(orders.size, dtype=bool), np.zeros(orders.size, dtype=bool)
    # Not too late: its returns must have time to come.
    first = int(rng.integers(orders.last_day // 4, orders.last_day // 2))
    in_window = (orders.day >= first) & (orders.day < first + 7 * lot.weeks)
    return in_window, in_window & (rng.random(orders.size) < lot.share)


def _chances(plan: Plan, orders: Orders, rng: np.random.Generator) -> Floats:
    own: NDArray[np.float64] = rng.standard_normal((orders.size, len(NAMES)))
    if not plan.shared_misses:
        return np.asarray(ndtr(own))
    of_case = rng.standard_normal((int(orders.case[-1]) + 1, len(NAMES)))[orders.case]
    return np.asarray(ndtr(np.sqrt(1.0 - plan.shared_misses) * own + np.sqrt(plan.shared_misses) * of_case))

"""Returns: hidden hazards by month of service, returns drawn from them, and returns to expect without a miss."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import expit

from tests.benchmarks.recovery.bench import Bench, recently_made
from tests.benchmarks.recovery.orders import Flags, Floats, Ints, Orders
from tests.benchmarks.recovery.plans import Plan
from tests.benchmarks.recovery.trade import DEFECTS, MONTHS, NAMES, profiles

__all__ = ["HORIZON", "Hazards", "Returns", "draw_hazards", "draw_returns"]

#: Months of service that avoidable returns look at.
HORIZON: Final = 12

_RETURN_SHARES: Final = dict(zip(DEFECTS, (0.24, 0.20, 0.14, 0.10, 0.12, 0.10, 0.10), strict=True))
#: How much a hard case matters to each defect, and how likely a return with it is a remake: invented.
_HARD: Final = dict(zip(DEFECTS, (1.3, 0.8, 0.3, 1.2, 1.0, 1.2, 0.5), strict=True))
_REMADE: Final = dict(zip(DEFECTS, (0.25, 0.2, 0.3, 0.5, 0.6, 0.05, 0.05), strict=True))
_FIT: Final = ("margin_fit", "occlusion")
_SILENT: Final = -3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Hazards:
    """The hidden truth of one lab's returns.

    Attributes
    ----------
    plan : Plan
    bench : Bench
    level : (defects, MONTHS) array
        Log-odds of a return in each month for a restoration with nothing to it.
    background : (n, defects) array
        What adds to it apart from misses: case, people, clinic, time, lot.
    direct : (factors, defects) array
        What each miss adds by itself.
    follow_up : (n,) array
        Months from delivery to the end of observation.
    """

    plan: Plan
    bench: Bench
    level: Floats
    background: Floats
    direct: Floats
    follow_up: Floats

    def added_by(self, missed: Flags) -> Floats:
        """What these misses add to the log-odds, (n, defects) array."""
        added = missed.astype(np.float64) @ self.direct
        for pair in self.plan.together:
            both = missed[:, NAMES.index(pair.one)] & missed[:, NAMES.index(pair.other)]
            added[:, DEFECTS.index(pair.defect)] += pair.log_odds * both
        return added

    def monthly(self, missed: Flags, defect: int, months: int) -> Floats:
        """Chance of a return in each month at risk, (n, months) array."""
        return _monthly(self.level[defect, :months], self.background[:, defect] + self.added_by(missed)[:, defect])

    def expected_returns(self, *, without: frozenset[str] = frozenset()) -> Floats:
        """First returns to expect within horizon and follow-up, had these factors never been missed.

        Removal by remakes for other defects is taken as it stands: its change is of the order of a risk squared.

        Returns
        -------
        (defects,) array
        """
        as_made, missed = self.bench.missed(), self.bench.missed(without=without)
        seen = np.clip(self.follow_up[:, None] - np.arange(HORIZON), 0.0, 1.0)
        removed = np.stack([_REMADE[name] * seen * self.monthly(as_made, d, HORIZON) for d, name in enumerate(DEFECTS)])
        added = self.background + self.added_by(missed)
        expected = np.empty(len(DEFECTS))
        for d in range(len(DEFECTS)):
            hazard = seen * _monthly(self.level[d, :HORIZON], added[:, d])
            leaves = (1.0 - hazard) * (1.0 - np.delete(removed, d, axis=0).sum(axis=0))
            in_service = np.cumprod(leaves, axis=1)
            before = np.hstack([np.ones((len(seen), 1)), in_service[:, :-1]])
            expected[d] = (hazard * before).sum()
        return expected

    def log_odds_ratio(self, factor: str, defect: str) -> float:
        """What a miss adds to the log-odds of a return, on the average of the lab's restorations.

        A direct effect is as planted. With a chain or a companion in the play it is the log ratio of the mean
        hazards with the miss forced and prevented, everything later following; hazards are small, so that ratio and
        odds ratio agree.
        """
        f, d = NAMES.index(factor), DEFECTS.index(defect)
        involved = {name for chain in self.plan.chains for name in (chain.early,)}
        involved |= {name for pair in self.plan.together if pair.defect == defect for name in (pair.one, pair.other)}
        if factor not in involved:
            return float(self.direct[f, d])
        rows = self.bench.applies[:, f]
        seen = np.clip(self.follow_up[rows, None] - np.arange(HORIZON), 0.0, 1.0)
        with_miss = (seen * self.monthly(self.bench.missed(forced=factor), d, HORIZON)[rows]).sum()
        without = (seen * self.monthly(self.bench.missed(without=frozenset({factor})), d, HORIZON)[rows]).sum()
        return float(np.log(with_miss / without))


@dataclass(frozen=True, slots=True, kw_only=True)
class Returns:
    """Returns as reported, one element each, in order of the report."""

    restoration: Ints
    defect: Ints
    day: Ints
    remade: Flags
    early: Flags


def draw_hazards(plan: Plan, orders: Orders, bench: Bench, rng: np.random.Generator) -> Hazards:
    """Draw people's and clinics' own effects and set the level that gives the planned number of returns."""
    background = _background(plan, orders, bench, rng)
    direct = np.zeros((len(NAMES), len(DEFECTS)))
    for cause in plan.causes:
        direct[NAMES.index(cause.factor), DEFECTS.index(cause.defect)] += cause.log_odds
    start = Hazards(
        plan=plan,
        bench=bench,
        level=np.log(profiles()),
        background=background,
        direct=direct,
        follow_up=orders.follow_up,
    )
    level = _calibrated(start)
    return Hazards(
        plan=plan, bench=bench, level=level, background=background, direct=direct, follow_up=orders.follow_up
    )


def draw_returns(hazards: Hazards, orders: Orders, rng: np.random.Generator) -> Returns:
    """Draw first returns by defect; a remake ends the service, the end of observation ends the record."""
    missed = hazards.bench.missed()
    rows, defects, times = [], [], []
    for d in range(len(DEFECTS)):
        hazard = hazards.monthly(missed, d, MONTHS)
        falls = rng.random(hazard.shape) < hazard
        came = np.flatnonzero(falls.any(axis=1))
        rows.append(came)
        defects.append(np.full(len(came), d))
        times.append(falls[came].argmax(axis=1) + rng.random(len(came)))
    row, defect, time = np.concatenate(rows), np.concatenate(defects), np.concatenate(times)
    remade = rng.random(len(row)) < np.array([_REMADE[name] for name in DEFECTS])[defect]
    leaves = np.full(orders.size, np.inf)
    np.minimum.at(leaves, row[remade], time[remade])
    kept = (time <= leaves[row]) & (time < orders.follow_up[row])
    row, defect, time, remade = row[kept], defect[kept], time[kept], remade[kept]
    day = orders.day[row] + np.floor(time * (365.25 / 12)).astype(np.int64)
    order = np.argsort(day, kind="stable")
    return Returns(
        restoration=row[order],
        defect=defect[order],
        day=day[order],
        remade=remade[order],
        early=(time < 0.7)[order],
    )


def _monthly(level: Floats, added: Floats) -> Floats:
    return np.asarray(expit(level[None, :] + added[:, None]))


def _background(plan: Plan, orders: Orders, bench: Bench, rng: np.random.Generator) -> Floats:
    n, size = orders.size, len(DEFECTS)
    hard = plan.hard_returns * np.array([_HARD[name] for name in DEFECTS])
    people = rng.normal(0.0, plan.technician_returns, (plan.technicians, size))
    # A clinic reports much or little of everything; how well its impressions fit is another matter.
    clinics = np.repeat(rng.normal(0.0, plan.clinic_returns, (plan.clinics, 1)), size, axis=1)
    for name in _FIT:
        clinics[:, DEFECTS.index(name)] += rng.normal(0.0, plan.clinic_returns, plan.clinics)
    silent = rng.permutation(plan.clinics) < round(plan.silent_clinics * plan.clinics)
    clinics[silent] += _SILENT
    kinds = rng.normal(0.0, 0.2, (4, size))
    season = 0.1 * np.sin(2 * np.pi * orders.day / 365.25)
    of_case = plan.case_spread * rng.standard_normal(int(orders.case[-1]) + 1)
    background = (
        np.outer(orders.hard, hard)
        + people[orders.technician]
        + clinics[orders.clinic]
        + kinds[orders.kind]
        + (season + plan.rush_returns * orders.rush + of_case[orders.case])[:, None]
    )
    background[:, DEFECTS.index("chipping")] += 0.3 * orders.posterior
    if plan.bad_lot:
        background[:, DEFECTS.index(plan.bad_lot.defect)] += plan.bad_lot.log_odds * bench.in_bad_lot
    for name, effect in plan.recent_returns.items():
        background[:, DEFECTS.index(name)] += effect * recently_made(plan, orders)
    for name, effect in plan.only_technician_returns.items():
        background[:, DEFECTS.index(name)] += effect * (orders.technician == 0)
    return np.asarray(background - background.mean(axis=0)) if n else background


def _calibrated(start: Hazards) -> Floats:
    """The level at which as many returns are to be expected in the follow-up as planned."""
    added = start.background + start.added_by(start.bench.missed())
    seen = np.clip(start.follow_up[:, None] - np.arange(MONTHS), 0.0, 1.0)
    level = start.level.copy()
    for d, name in enumerate(DEFECTS):
        wanted = start.plan.returns * _RETURN_SHARES[name]
        level[d] += np.log(wanted / (seen @ np.exp(level[d]) * np.exp(added[:, d])).sum())
        for _ in range(3):
            expected = -np.expm1((seen * np.log1p(-_monthly(level[d], added[:, d]))).sum(axis=1)).sum()
            level[d] += np.log(wanted / expected)
    return level

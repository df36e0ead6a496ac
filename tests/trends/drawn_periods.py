"""Two years of a lab drawn as counts, of which one thing changes before the last quarter.

A restoration stays three months in service, so that the last quarter holds none from before the change: restorations
in service, their age, their case mix, misses and gaps change only where they are told to.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from remakes.counts.period_counts import AGES, PeriodCounts
from remakes.counts.table import BIN_EDGES, DAYS_PER_MONTH, Attribute, PatternTable
from remakes.deviations.detect import MET, MISSED, NOT_RECORDED
from remakes.trends.changed.model import RelativeHazards
from remakes.trends.changed.parts import Split, split
from tests.evidence.drawn_tables import SINGLE, months_in_bins, rules

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BEFORE_MONTHS, AFTER_MONTHS = ("2025-04", "2025-05", "2025-06"), ("2025-10", "2025-11", "2025-12")
FIRST, CHANGE, END = date(2024, 1, 1), date(2025, 7, 1), date(2025, 12, 31)
WINDOWS = ((FIRST, END), (date(2025, 4, 1), date(2025, 6, 30)), (date(2025, 10, 1), END))
_IN_SERVICE = 91
_MONTH = np.floor(np.arange(_IN_SERVICE + 1) / DAYS_PER_MONTH).astype(np.int64)
#: The factor asked about, and one beside it.
FACTORS = ("grit_uses", "bond_wait")


@dataclass(frozen=True, kw_only=True)
class Before:
    """What the lab does, and what it does from the change on."""

    per_month: float = 200.0
    missed: tuple[float, float] = (0.1, 0.2)
    gaps: float = 0.05
    bridges: float = 0.3


@dataclass(frozen=True, kw_only=True)
class DrawnPeriods:
    """One lab: what is handed to the split, and the split that is true of it."""

    table: PatternTable
    counted: PeriodCounts
    true: Split
    true_rest: float


def drawn_periods(
    rng: np.random.Generator,
    *,
    before: Before = Before(),
    after: Before | None = None,
    ratios: tuple[float, float] = (4.0, 1.0),
    hidden: float = 1.0,
    hazard: float = 0.01,
    defect: str = "debonding",
) -> DrawnPeriods:
    """Draw a lab.

    Parameters
    ----------
    before, after
        Composition of deliveries up to and from `CHANGE`; no change where `after` is None.
    ratios
        Of the hazard, by a miss of each of `FACTORS`.
    hidden
        By how much the hazard of the last quarter is multiplied, for a reason the records do not hold.
    hazard
        Returns per month; twice as much in the first month, and at delivery half of it.
    """
    case_mix, miss_effect = np.log(2.0), np.log(np.array(ratios))
    delivered, units = _deliveries(rng, (before, after or before))
    bridge, missed, gap = units
    share = np.where(gap, 0, missed).sum(axis=0) / (~gap).sum(axis=0)
    # A gap hides misses as often as they are recorded: its hazard is the mean of the two.
    mixed = np.log1p(share * (np.array(ratios) - 1.0)) / np.where(miss_effect == 0.0, 1.0, miss_effect)
    relative = np.exp(case_mix * bridge + missed @ miss_effect)
    by_age = hazard * np.array([0.5, 2.0, *np.ones(len(AGES) - 2)])
    day = _first_day(rng, delivered, relative, by_age, hidden)
    back = np.flatnonzero(day >= 0)
    status = {
        name: np.where(gap[:, k], NOT_RECORDED, np.where(missed[:, k], MISSED, MET)) for k, name in enumerate(FACTORS)
    }
    table = _table(delivered, bridge, status, back, day[back], defect)
    counted = _counts(delivered, back, day[back], defect)
    truth = RelativeHazards(
        factors=FACTORS,
        number=np.arange(len(delivered)),
        case_mix=bridge[:, None].astype(np.float64),
        missed=np.where(gap, mixed, missed),
        not_recorded=gap.astype(np.float64),
        case_mix_effects=np.array([[case_mix]]),
        missed_effects=miss_effect[None, :],
        not_recorded_effects=np.zeros((1, 2)),
    )
    at_risk, _events = counted.of(defect)
    _record, then, now = truth.compositions(at_risk)
    parts = split(then, now, by_age[None, :])
    true_difference = float((by_age * (hidden * now.total - then.total)).sum())
    return DrawnPeriods(table=table, counted=counted, true=parts, true_rest=true_difference - float(parts.total[0]))


def _deliveries(rng: np.random.Generator, two: tuple[Before, Before]) -> tuple[Ints, tuple[NDArray[np.bool_], ...]]:
    days, units = [], []
    for one, (first, last) in zip(two, ((FIRST, CHANGE), (CHANGE, date(2026, 1, 1))), strict=True):
        length = (last - first).days
        size = round(one.per_month * length / DAYS_PER_MONTH)
        # Evenly spread, so that volume and age are what they are meant to be.
        days.append(first.toordinal() + np.arange(size) * length // size)
        missed = rng.random((size, 2)) < np.array(one.missed)
        units.append((rng.random(size) < one.bridges, missed, rng.random((size, 2)) < one.gaps))
    bridge, missed, gap = (np.concatenate([half[k] for half in units]) for k in range(3))
    return np.concatenate(days).astype(np.int64), (bridge, missed, gap)


def _first_day(rng: np.random.Generator, delivered: Ints, relative: Floats, by_age: Floats, hidden: float) -> Ints:
    """Day of service of the first return, -1 for none."""
    age = 1 + np.searchsorted(np.array(BIN_EDGES), _MONTH, side="right") - 1
    daily = by_age[age] / DAYS_PER_MONTH
    daily[0] = by_age[0]
    calendar = delivered[:, None] + np.arange(_IN_SERVICE + 1)
    first, last = (day.toordinal() for day in WINDOWS[2])
    chance = relative[:, None] * daily * np.where((calendar >= first) & (calendar <= last), hidden, 1.0)
    hit = (rng.random(chance.shape) < chance) & (calendar <= END.toordinal())
    return np.where(hit.any(axis=1), hit.argmax(axis=1), -1).astype(np.int64)


def _table(
    delivered: Ints, bridge: NDArray[np.bool_], status: dict[str, Ints], back: Ints, day: Ints, defect: str
) -> PatternTable:
    n = len(delivered)
    served = np.minimum(_IN_SERVICE, END.toordinal() - delivered) / DAYS_PER_MONTH
    months = np.maximum(1, np.floor(served + 0.5)).astype(np.int64)
    month = np.floor(day / DAYS_PER_MONTH).astype(np.int64)
    columns = {name: np.full(n, MET) for name in rules().factors} | status
    codes = {name: np.zeros(n, dtype=np.intp) for name in (*SINGLE, "technician", "clinic", "quarter")}
    codes |= {"kind": bridge.astype(np.intp), "clinic": np.arange(n) % 8}
    months[back] = np.maximum(months[back], month + 1)
    return PatternTable(
        factors=rules().factors,
        defects=(defect,),
        status=np.column_stack([columns[name] for name in rules().factors]).astype(np.int8),
        restorations=np.ones(n, dtype=np.int64),
        at_risk=months_in_bins(months),
        attributes={
            name: Attribute(code.astype(np.intp), tuple(f"{name}{k}" for k in range(int(code.max()) + 1)))
            for name, code in codes.items()
        },
        event_pattern=back.astype(np.intp),
        event_defect=np.zeros(len(back), dtype=np.intp),
        event_bin=np.searchsorted(np.array(BIN_EDGES), month, side="right") - 1,
        event_count=np.ones(len(back), dtype=np.int64),
        event_lost=months_in_bins(months[back]) - months_in_bins(month + 1),
        event_early=np.zeros(len(back), dtype=np.int64),
        observed_until=END,
        first_delivered=FIRST,
        last_delivered=END,
        returns=len(back),
        readings={},
    )


def _counts(delivered: Ints, back: Ints, day: Ints, defect: str) -> PeriodCounts:
    windows = [(first.toordinal(), last.toordinal()) for first, last in WINDOWS]
    at_risk = np.stack([_at_risk(delivered, np.ones_like(delivered), window) for window in windows])
    reported = delivered[back] + day
    age = np.where(day > 0, 1 + np.searchsorted(np.array(BIN_EDGES), day // DAYS_PER_MONTH, side="right") - 1, 0)
    return PeriodCounts(
        before=BEFORE_MONTHS,
        after=AFTER_MONTHS,
        days=np.array([last - first + 1 for first, last in windows]),
        whole=True,
        at_risk=at_risk,
        defects=(defect,),
        event_pattern=back.astype(np.intp),
        event_defect=np.zeros(len(back), dtype=np.intp),
        event_age=age.astype(np.intp),
        event_in=np.array([(reported >= first) & (reported <= last) for first, last in windows]),
        event_lost=np.stack([_at_risk(delivered[back], day + 1, window, lost=True) for window in windows]),
    )


def _at_risk(delivered: Ints, start: Ints, window: tuple[int, int], *, lost: bool = False) -> Floats:
    """Day by day: deliveries, and months of service by age from day `start` of service on."""
    days = np.arange(1, _IN_SERVICE + 1)
    calendar = delivered[:, None] + days
    inside = (calendar >= window[0]) & (calendar <= window[1]) & (days >= start[:, None])
    found = np.zeros((len(delivered), len(AGES)))
    for k in np.unique(_MONTH[1:]):
        column = 1 + int(np.searchsorted(np.array(BIN_EDGES), k, side="right")) - 1
        found[:, column] += inside[:, _MONTH[1:] == k].sum(axis=1) / DAYS_PER_MONTH
    if not lost:
        found[:, 0] = (delivered >= window[0]) & (delivered <= window[1])
    return found

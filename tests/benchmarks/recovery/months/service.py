"""Returns by calendar day: a Poisson stream of each restoration, thinned by what the calendar does to its hazard."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from remakes.counts.table import DAYS_PER_MONTH
from tests.benchmarks.recovery.months.calendar_days import LAST_DAY, first_day, month_of, opened
from tests.benchmarks.recovery.months.plans import Change, MonthsPlan
from tests.benchmarks.recovery.orders import Flags, Floats, Ints, Orders
from tests.benchmarks.recovery.service import _REMADE, Hazards, Returns
from tests.benchmarks.recovery.trade import DEFECTS, MONTHS

__all__ = ["Intensities", "draw_reported", "intensities", "multiplier"]

_TRY_IN_MONTHS: Final = 0.7
#: Months over which the expected returns of a changed defect are averaged.
_WINDOW: Final = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Intensities:
    """Returns to expect of each restoration up to each month of service, apart from what the calendar does.

    Attributes
    ----------
    cumulated : (defects, n, MONTHS + 1) array
    orders : Orders
    """

    cumulated: Floats
    orders: Orders

    def until(self, defect: int, day: int) -> Floats:
        """Returns to expect up to the beginning of a day, (n,) array."""
        age = np.clip((day - self.orders.day) / DAYS_PER_MONTH, 0.0, MONTHS - 1e-9)
        whole = age.astype(np.int64)
        rows, curve = np.arange(len(age)), self.cumulated[defect]
        before = curve[rows, whole]
        return np.asarray(before + (age - whole) * (curve[rows, whole + 1] - before))

    def between(self, defect: int, first: int, end: int) -> Floats:
        """Returns to expect from one day up to the beginning of another, (n,) array."""
        return self.until(defect, end) - self.until(defect, first)


def intensities(plan: MonthsPlan, hazards: Hazards, orders: Orders, in_lot: Flags, known: Flags) -> Intensities:
    """Hazards as planned, those of the target scaled so that as many returns are to be expected as wanted.

    Parameters
    ----------
    plan, hazards, orders
    in_lot : (n,) array of bool
        Made with the bad lot.
    known : (n,) array of bool
        Those of them that the log knows of: to these the plan's number of returns refers.
    """
    missed = hazards.bench.missed()
    monthly = np.stack([hazards.monthly(missed, d, MONTHS) for d in range(len(DEFECTS))])
    cumulated = np.concatenate([np.zeros((*monthly.shape[:2], 1)), np.cumsum(monthly, axis=2)], axis=2)
    target = DEFECTS.index(plan.target)
    if plan.expected is not None:
        made = Intensities(cumulated=cumulated, orders=orders)
        cumulated[target] *= plan.expected / _as_planned(plan, made, target, known)
    if plan.lot is not None:
        cumulated[target, in_lot] *= plan.lot.ratio
    return Intensities(cumulated=cumulated, orders=orders)


def _as_planned(plan: MonthsPlan, made: Intensities, target: int, known: Flags) -> float:
    """What the plan's number of expected returns refers to, at the level the lab's own plan gives."""
    if plan.lot is not None:
        return float(made.until(target, LAST_DAY + 1)[known].sum())
    change = plan.change or plan.missed_more
    if change is None:
        return float(made.until(target, LAST_DAY + 1).sum()) / ((LAST_DAY + 1) / DAYS_PER_MONTH)
    first, end = first_day(change.month), first_day(change.month + _WINDOW)
    return float(made.between(target, first, end).sum()) * DAYS_PER_MONTH / (end - first)


def draw_reported(plan: MonthsPlan, made: Intensities, rng: np.random.Generator) -> Returns:
    """Draw first returns by defect; a remake ends the service, what is reported after the end is not on record."""
    orders = made.orders
    drawn = [_first_of(plan, made, d, rng) for d in range(len(DEFECTS))]
    row = np.concatenate([rows for rows, _ages in drawn])
    age = np.concatenate([ages for _rows, ages in drawn])
    defect = np.repeat(np.arange(len(DEFECTS)), [len(rows) for rows, _ages in drawn])
    remade = rng.random(len(row)) < np.array([_REMADE[name] for name in DEFECTS])[defect]
    leaves = np.full(orders.size, np.inf)
    np.minimum.at(leaves, row[remade], age[remade])
    day = opened(orders.day[row] + np.floor(age * DAYS_PER_MONTH).astype(np.int64), plan.waits, rng)
    kept = np.flatnonzero((age <= leaves[row]) & (day <= LAST_DAY))
    order = kept[np.argsort(day[kept], kind="stable")]
    return Returns(
        restoration=row[order],
        defect=defect[order],
        day=day[order],
        remade=remade[order],
        early=age[order] < _TRY_IN_MONTHS,
    )


def _first_of(plan: MonthsPlan, made: Intensities, defect: int, rng: np.random.Generator) -> tuple[Ints, Floats]:
    """Restorations that come back with one defect, and their age then, in months."""
    orders = made.orders
    change = plan.change if DEFECTS[defect] == plan.target else None
    most = max(change.ratio, 1.0) if change else 1.0
    whole = made.until(defect, LAST_DAY + 1)
    row = np.repeat(np.arange(orders.size), rng.poisson(most * whole))
    age = _age_at(made.cumulated[defect][row], rng.random(len(row)) * whole[row])
    if change is not None:
        day = orders.day[row] + np.floor(age * DAYS_PER_MONTH).astype(np.int64)
        kept = rng.random(len(row)) < multiplier(change, day) / most
        row, age = row[kept], age[kept]
    order = np.lexsort((age, row))
    row, age = row[order], age[order]
    first = np.ones(len(row), dtype=bool)
    first[1:] = row[1:] != row[:-1]
    return row[first], age[first]


def multiplier(change: Change, day: Ints) -> Floats:
    """What a change makes of the hazard on each day, steps by calendar month."""
    since = month_of(np.minimum(day, LAST_DAY)) - change.month
    grown = np.clip((since + 1) / (change.over_months + 1), 0.0, 1.0) if change.over_months else (since >= 0) * 1.0
    return np.asarray(change.ratio**grown)


def _age_at(curve: Floats, wanted: Floats) -> Floats:
    """Age at which a cumulated hazard is reached, straight within months."""
    whole = np.clip((curve <= wanted[:, None]).sum(axis=1) - 1, 0, MONTHS - 1)
    rows = np.arange(len(wanted))
    low, high = curve[rows, whole], curve[rows, whole + 1]
    return np.asarray(whole + (wanted - low) / (high - low))

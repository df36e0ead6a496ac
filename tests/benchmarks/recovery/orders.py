"""What comes in and who makes it: case mix, clinics of unequal volume, seniors who get the hard cases."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.recovery.plans import Plan
from tests.benchmarks.recovery.trade import FACTORS, START

__all__ = ["DAYS_PER_MONTH", "KINDS", "Orders", "applies", "draw_orders"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

DAYS_PER_MONTH: Final = 30.4375
KINDS: Final = ("crown", "bridge", "implant crown", "veneer")
_KIND_SHARES: Final = (0.58, 0.25, 0.12, 0.05)
FRAMEWORKS: Final = ("base metal", "noble metal", "zirconia", "none")
VENEERS: Final = ("lab composite", "ceramic")


@dataclass(frozen=True, slots=True, kw_only=True)
class Orders:
    """The restorations of one lab, one element each; codes are numbers of levels.

    Attributes
    ----------
    case : (n,) array
        Number of the order; several restorations may belong to one.
    day : (n,) array
        Days from the first delivery day of the lab to delivery.
    last_day : int
        End of observation on the same count.
    technician, clinic, kind, framework, veneer, units : (n,) arrays
    posterior, bruxism, tight, rush : (n,) arrays of bool
    lead : (n,) array
        Days from receipt to due date.
    busy : (n,) array
        How full the week was, mean 0, standard deviation 1.
    senior : (technicians,) array of bool
    """

    case: Ints
    day: Ints
    last_day: int
    technician: Ints
    clinic: Ints
    kind: Ints
    framework: Ints
    veneer: Ints
    units: Ints
    posterior: Flags
    bruxism: Flags
    tight: Flags
    rush: Flags
    lead: Ints
    busy: Floats
    senior: Flags

    @property
    def size(self) -> int:
        """How many restorations."""
        return len(self.day)

    @property
    def hard(self) -> Floats:
        """How hard each case is, 0 to about 3: tags, and span of a bridge."""
        return 1.0 * self.bruxism + 1.0 * self.tight + 0.25 * np.maximum(self.units - 1, 0)

    @property
    def end(self) -> date:
        """End of observation."""
        return date.fromordinal(START.toordinal() + self.last_day)

    @property
    def follow_up(self) -> Floats:
        """Months from delivery to the end of observation."""
        months: Floats = (self.last_day - self.day) / DAYS_PER_MONTH
        return months


def draw_orders(plan: Plan, rng: np.random.Generator) -> Orders:
    """Draw the orders of one lab."""
    n = plan.restorations
    case = _cases(n, plan.case_size, rng)
    cases = int(case[-1]) + 1
    last_day = int(plan.months * DAYS_PER_MONTH)
    day, busy = _days(plan, cases, last_day, rng)
    bruxism, tight = rng.random(cases) < 0.15, rng.random(cases) < 0.2
    clinic = _clinics(plan, cases, rng)
    kind = rng.choice(len(KINDS), size=n, p=_KIND_SHARES)
    units = np.where(kind == 1, rng.integers(3, 6, n), 1)
    # Clinics that press for time do so for all their work.
    pressing = rng.normal(0.0, plan.clinic_rush, plan.clinics)
    rush = rng.random(cases) < 1.0 / (1.0 + np.exp(1.6 - pressing[clinic]))
    lead = np.where(rush, rng.integers(2, 5, cases), rng.integers(6, 16, cases))
    senior = np.arange(plan.technicians) < plan.technicians // 2
    hardness = (1.0 * bruxism + tight)[case] + 0.25 * (units - 1)
    technician = _technicians(plan, senior, hardness, case, rng)
    return Orders(
        case=case,
        day=day[case],
        last_day=last_day,
        technician=technician,
        clinic=clinic[case],
        kind=kind,
        framework=rng.choice(4, size=n, p=(0.5, 0.25, 0.2, 0.05)),
        veneer=rng.choice(2, size=n, p=(0.75, 0.25)),
        units=units,
        posterior=rng.random(n) < 0.6,
        bruxism=bruxism[case],
        tight=tight[case],
        rush=rush[case],
        lead=lead[case],
        busy=busy[case],
        senior=senior,
    )


def applies(orders: Orders) -> Flags:
    """Which requirements apply to which restoration, (n, factors) array."""
    words = {"framework": (orders.framework, FRAMEWORKS), "veneer": (orders.veneer, VENEERS)}
    held = np.ones((orders.size, len(FACTORS)), dtype=bool)
    for k, factor in enumerate(FACTORS):
        for column, values in (factor.applies_when or {}).items():
            codes, levels = words[column]
            held[:, k] &= np.isin(codes, [levels.index(value) for value in values])
    return held


def _cases(n: int, mean_size: float, rng: np.random.Generator) -> Ints:
    """Number of the order of each restoration, ascending from 0."""
    starts = rng.random(n) < 1.0 / mean_size
    starts[0] = True
    return np.cumsum(starts) - 1


def _days(plan: Plan, cases: int, last_day: int, rng: np.random.Generator) -> tuple[Ints, Floats]:
    """Delivery day of each order, and how full its week was."""
    weeks = last_day // 7
    full = rng.normal(0.0, 1.0, weeks)
    volume = np.exp(0.3 * full)
    recent = np.arange(weeks) >= weeks - plan.recent_weeks
    volume = np.where(recent, volume * plan.recent_volume, volume)
    week = np.sort(rng.choice(weeks, size=cases, p=volume / volume.sum()))
    day = week * 7 + rng.integers(0, 5, cases)
    return day.astype(np.int64), full[week]


def _clinics(plan: Plan, cases: int, rng: np.random.Generator) -> Ints:
    volume = 1.0 / np.arange(1, plan.clinics + 1) ** 0.7
    drawn: Ints = rng.choice(plan.clinics, size=cases, p=volume / volume.sum())
    return drawn


def _technicians(plan: Plan, senior: Flags, hardness: Floats, case: Ints, rng: np.random.Generator) -> Ints:
    """Who veneers what: the harder the order, the likelier a senior."""
    share = 1.0 / (1.0 + np.exp(-(-0.3 + plan.seniors_get_hard * hardness)))
    first = np.append(True, case[1:] != case[:-1])
    by_senior = (rng.random(len(case)) < share)[first][case]
    seniors, juniors = np.flatnonzero(senior), np.flatnonzero(~senior)
    one, other = rng.choice(seniors, len(case))[first], rng.choice(juniors, len(case))[first]
    return np.asarray(np.where(by_senior, one[case], other[case]))

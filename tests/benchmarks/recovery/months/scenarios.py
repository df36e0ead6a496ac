"""The kinds of lab whose months are known, and the levels each is drawn at."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from tests.benchmarks.recovery.months.calendar_days import first_day
from tests.benchmarks.recovery.months.labs import MonthsLab, draw_months_lab
from tests.benchmarks.recovery.months.plans import MONTHS_OF_RECORDS, Change, Entry, MonthsPlan, TripledLot
from tests.benchmarks.recovery.plans import Cause, Plan
from tests.benchmarks.recovery.trade import DEFECTS

__all__ = ["CHANGED_IN", "DRIFTS_FROM", "MISSED_FROM", "SCENARIOS", "Scenario", "jobs", "make_lab"]

#: A step comes half a year before the end of the records, so that the lab has four months to see it.
CHANGED_IN: Final = MONTHS_OF_RECORDS - 6
#: A drift is complete after twelve months, and stands for a few more.
DRIFTS_FROM: Final = MONTHS_OF_RECORDS - 16
#: Misses double a year before the end, since their returns come later.
MISSED_FROM: Final = MONTHS_OF_RECORDS - 12

#: Which step's lot may bring which defect about: plausible by the standard.
_BAD_LOTS: Final = (
    ("layering", "chipping"),
    ("layering", "discoloration"),
    ("bonding", "debonding"),
    ("opaquer", "show_through"),
)
#: Causes that act alike in every month.
_CAUSES: Final = (
    Cause("bond_wait", "debonding", float(np.log(4.0))),
    Cause("layer_thickness", "chipping", float(np.log(3.0))),
    Cause("model_checked", "margin_fit", float(np.log(3.0))),
)


@dataclass(frozen=True, slots=True)
class Scenario:
    """One kind of lab.

    Attributes
    ----------
    name, says : str
    plan : callable
        What is planted, from the lab's own plan, a level and a generator.
    levels : tuple of float
        Returns expected a month, or of a lot; 0: as the lab's plan has it.
    asks : tuple of str
        What methods are asked of it: "returns" (months of report), "process", "sources". Counting is most of the time.
    months_asked : tuple of int
        At the ends of these months it is asked how many returns are still to be entered.
    """

    name: str
    says: str
    plan: Callable[[Plan, float, np.random.Generator], MonthsPlan]
    levels: tuple[float, ...] = (0.0,)
    asks: tuple[str, ...] = ("returns",)
    months_asked: tuple[int, ...] = ()

    @property
    def days_asked(self) -> tuple[int, ...]:
        """Last days of the months asked for."""
        return tuple(first_day(month + 1) - 1 for month in self.months_asked)


def _stable(lab: Plan, _level: float, _rng: np.random.Generator) -> MonthsPlan:
    return MonthsPlan(lab=lab)


def _step(lab: Plan, level: float, rng: np.random.Generator) -> MonthsPlan:
    return MonthsPlan(lab=lab, target=_any(DEFECTS, rng), expected=level, change=Change(month=CHANGED_IN))


def _drift(lab: Plan, level: float, rng: np.random.Generator) -> MonthsPlan:
    change = Change(month=DRIFTS_FROM, over_months=12)
    return MonthsPlan(lab=lab, target=_any(DEFECTS, rng), expected=level, change=change)


def _bad_lot(lab: Plan, level: float, rng: np.random.Generator) -> MonthsPlan:
    step, defect = _BAD_LOTS[int(rng.integers(len(_BAD_LOTS)))]
    return MonthsPlan(lab=lab, target=defect, expected=level, lot=TripledLot(step=step))


def _late_entry(lab: Plan, _level: float, rng: np.random.Generator) -> MonthsPlan:
    # In the last year, where its traces matter.
    slow = int(rng.integers(MONTHS_OF_RECORDS - 12, MONTHS_OF_RECORDS - 1))
    return MonthsPlan(lab=lab, entry=Entry(mean_days=float(rng.uniform(14.0, 42.0)), slow_month=slow))


def _bench_step(lab: Plan, level: float, _rng: np.random.Generator) -> MonthsPlan:
    return MonthsPlan(
        lab=lab, target="debonding", expected=level, factor="bond_wait", missed_more=Change(month=MISSED_FROM)
    )


SCENARIOS: Final = {
    scenario.name: scenario
    for scenario in (
        Scenario(
            "stable",
            "nothing changes; the lab grows, closes for weeks, seniors get the hard cases",
            _stable,
            asks=("returns", "process", "sources"),
            months_asked=(29, 32, 35),
        ),
        Scenario("step", "one defect's hazard doubles in one month", _step, (2.0, 3.0, 5.0, 8.0, 12.0)),
        Scenario("drift", "one defect's hazard doubles over twelve months", _drift, (5.0,)),
        Scenario("bad_lot", "one lot triples one defect", _bad_lot, (3.0, 5.0, 8.0, 12.0), asks=("sources",)),
        Scenario(
            "late_entry",
            "returns are entered two to six weeks late; in one month nobody enters",
            _late_entry,
            asks=(),
            months_asked=(25, 27, 29, 31, 33, 35),
        ),
        Scenario(
            "bench_step",
            "bond waits are cut short twice as often from one month on",
            _bench_step,
            (6.0,),
            asks=("returns", "process"),
        ),
    )
}


def jobs(scenarios: list[str], seeds: list[int]) -> list[tuple[str, float, int]]:
    """Every lab to be drawn: scenario, level and seed."""
    return [(name, level, seed) for seed in seeds for name in scenarios for level in SCENARIOS[name].levels]


def make_lab(scenario: str, level: float, seed: int) -> MonthsLab:
    """Draw one lab; scenario, level and seed decide everything about it."""
    # Other draws than those of the lab itself, so that labs of one seed differ between scenarios and levels.
    root = zlib.crc32(f"months {scenario} {level:g} {seed}".encode())
    rng = np.random.default_rng(root)
    return draw_months_lab(SCENARIOS[scenario].plan(_lab(rng), level, rng), seed=root + 1)


def _lab(rng: np.random.Generator) -> Plan:
    return Plan(
        restorations=int(rng.integers(3000, 6001)),
        months=MONTHS_OF_RECORDS,
        technicians=int(rng.integers(4, 9)),
        clinics=int(rng.integers(15, 36)),
        returns=int(rng.integers(300, 801)),
        causes=_CAUSES,
        case_size=1.3,
    )


def _any(names: tuple[str, ...], rng: np.random.Generator) -> str:
    return names[int(rng.integers(len(names)))]

"""What a user would write: shares of the month's deliveries, the mean of the months before and three deviations."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np

from tests.benchmarks.recovery.months.answers import ALL, Answer, Late, Named, Series
from tests.benchmarks.recovery.months.calendar_days import LAST_DAY, first_day, month_of
from tests.benchmarks.recovery.months.labs import MonthsLab
from tests.benchmarks.recovery.months.plans import MONTHS_OF_RECORDS
from tests.benchmarks.recovery.months.scenarios import Scenario
from tests.benchmarks.recovery.orders import Floats, Ints
from tests.benchmarks.recovery.trade import DEFECTS, NAMES

__all__ = ["ask", "p_chart"]

#: Months that the mean is taken from before a month is judged.
_MONTHS_BEFORE = 12
_DEVIATIONS = 3.0


def ask(scenario: Scenario, lab: MonthsLab) -> Answer:
    """Returns divided by the month's deliveries; lots against the share of all; what is entered taken as all."""
    started = time.process_time()
    answer = Answer(
        returns=_returns(lab) if "returns" in scenario.asks else {},
        missed=_missed(lab) if "process" in scenario.asks else {},
        gaps=_gaps(lab) if "process" in scenario.asks else {},
        named=_named(lab) if "sources" in scenario.asks else None,
        late=tuple(_nothing_late(scenario.days_asked)),
    )
    return replace(answer, seconds=time.process_time() - started)


def p_chart(events: Ints, total: Ints) -> Series:
    """A p chart of each month against the mean of all months before it; a month without any total is not judged."""
    judged, rises, falls = list[int](), list[int](), list[int]()
    for month in range(_MONTHS_BEFORE, len(events)):
        before, size = total[:month].sum(), int(total[month])
        if not before or not size:
            continue
        mean = min(float(events[:month].sum() / before), 1.0)
        share, limit = events[month] / size, _DEVIATIONS * np.sqrt(mean * (1.0 - mean) / size)
        judged.append(month)
        if share > mean + limit:
            rises.append(month)
        if share < mean - limit:
            falls.append(month)
    return Series(judged=tuple(judged), rises=_new(rises), falls=_new(falls))


def _new(months: list[int]) -> tuple[int, ...]:
    return tuple(month for month in months if month - 1 not in months)


def _returns(lab: MonthsLab) -> dict[str, Series]:
    delivered = _by_month(month_of(lab.orders.day))
    # What was entered by the end, as it is counted then.
    known = ~lab.late(LAST_DAY)
    month, defects = month_of(lab.returns.day[known]), lab.returns.defect[known]
    found = {ALL: p_chart(_by_month(month), delivered)}
    for d, defect in enumerate(DEFECTS):
        found[defect] = p_chart(_by_month(month[defects == d]), delivered)
    return found


def _missed(lab: MonthsLab) -> dict[str, Series]:
    month = month_of(lab.orders.day)
    found = {}
    for k, factor in enumerate(NAMES):
        recorded, missed = lab.logged.recorded[:, k], lab.logged.missed[:, k]
        found[factor] = p_chart(_by_month(month[missed]), _by_month(month[recorded]))
    return found


def _gaps(lab: MonthsLab) -> dict[str, Series]:
    month = month_of(lab.orders.day)
    found = {}
    for k, factor in enumerate(NAMES):
        applies, recorded = lab.applies[:, k], lab.logged.recorded[:, k]
        found[factor] = p_chart(_by_month(month[applies & ~recorded]), _by_month(month[applies]))
    return found


def _by_month(months: Ints) -> Ints:
    return np.bincount(months, minlength=MONTHS_OF_RECORDS)


def _named(lab: MonthsLab) -> tuple[Named, ...]:
    """Lots and machines with a share returned beyond that of all restorations and three deviations."""
    returned = _came_back(lab)
    share = returned.mean(axis=0)
    found = []
    for what, steps in (("lot", lab.sources.lots), ("equipment", lab.sources.machines)):
        for step, numbers in steps.items():
            made = lab.logged_at(step)
            size = np.bincount(numbers[made])
            for column, defect in enumerate((*DEFECTS, ALL)):
                came = np.bincount(numbers[made], returned[made, column], minlength=len(size))
                mean = share[column]
                limit = mean * size + _DEVIATIONS * np.sqrt(mean * (1.0 - mean) * size)
                found += [
                    Named(what, step, lab.sources.code(step, int(number)), defect)
                    for number in np.flatnonzero(came > limit)
                ]
    return tuple(found)


def _came_back(lab: MonthsLab) -> Floats:
    """Whether each restoration came back with each defect, and with any: (n, defects + 1) array of 0 and 1."""
    returned = np.zeros((lab.orders.size, len(DEFECTS) + 1))
    returned[lab.returns.restoration, lab.returns.defect] = 1.0
    returned[:, -1] = returned[:, :-1].max(axis=1)
    return returned


def _nothing_late(days: tuple[int, ...]) -> list[Late]:
    return [
        Late(day, month, defect, 0.0, 0.0, 0.0)
        for day in days
        for month in range(MONTHS_OF_RECORDS)
        if first_day(month) <= day
        for defect in (ALL, *DEFECTS)
    ]

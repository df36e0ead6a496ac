"""The calendar of an invented lab: months, weeks it is closed, days of delivery, days on which returns are reported."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Final

import numpy as np

from tests.benchmarks.recovery.months.plans import MONTHS_OF_RECORDS
from tests.benchmarks.recovery.orders import Flags, Floats, Ints
from tests.benchmarks.recovery.trade import START

__all__ = ["LAST_DAY", "delivery_days", "first_day", "month_name", "month_number", "month_of", "opened"]

#: The closed weeks that a Monday may begin: (month, first day, last day).
_CLOSED: Final = ((8, 5, 18), (12, 22, 31), (1, 1, 1))
#: Days after the end of the records for which it is known whether the lab is open.
_BEYOND: Final = 60


def _year_and_month(month: int) -> tuple[int, int]:
    years, rest = divmod(START.month - 1 + month, 12)
    return START.year + years, rest + 1


def first_day(month: int) -> int:
    """First day of a month (0 is that of the first delivery), in days from the first delivery day."""
    year, number = _year_and_month(month)
    return (date(year, number, 1) - START).days


#: The last day of the records, a last day of a month.
LAST_DAY: Final = first_day(MONTHS_OF_RECORDS) - 1

_FIRST_DAYS: Final = np.array([first_day(month) for month in range(MONTHS_OF_RECORDS + 3)])


def month_name(month: int) -> str:
    """As the analysis writes it: 2024-03."""
    year, number = _year_and_month(month)
    return f"{year}-{number:02d}"


def month_number(name: str) -> int:
    """Number of a month as the analysis names it."""
    year, number = name.split("-")
    return 12 * (int(year) - START.year) + int(number) - START.month


def month_of(day: Ints) -> Ints:
    """Number of the month of each day."""
    return np.asarray(np.searchsorted(_FIRST_DAYS, day, side="right") - 1)


def _closed_weeks() -> Flags:
    weeks = (LAST_DAY + _BEYOND) // 7 + 1
    mondays = [START + timedelta(days=7 * week) for week in range(weeks)]
    return np.array([any(d.month == m and low <= d.day <= high for m, low, high in _CLOSED) for d in mondays])


def delivery_days(cases: int, growth: float, rng: np.random.Generator) -> tuple[Ints, Floats]:
    """Delivery day of each order in ascending order, and how full its week was (mean 0, standard deviation 1)."""
    weeks = LAST_DAY // 7
    full = rng.normal(0.0, 1.0, weeks)
    volume = np.exp(0.3 * full) * np.linspace(1.0, growth, weeks)
    volume[_closed_weeks()[:weeks]] = 0.0
    week = np.sort(rng.choice(weeks, size=cases, p=volume / volume.sum()))
    # Sorted within the week, too, so that the orders stay in the order of their numbers.
    day = np.sort(week * 7 + rng.integers(0, 5, cases))
    return day.astype(np.int64), full[day // 7]


def opened(day: Ints, waits: float, rng: np.random.Generator) -> Ints:
    """The day on which a return that arises on a day is reported."""
    weekday = np.arange(LAST_DAY + _BEYOND) % 7 < 5
    closed = np.repeat(_closed_weeks(), 7)[: len(weekday)]
    patient = rng.random(len(day)) < waits
    after = np.asarray(_next(weekday)[day])
    reopened = np.asarray(_next(weekday & ~closed)[day])
    return np.where(patient, reopened, after)


def _next(open_days: Flags) -> Ints:
    """For each day, the first open one from it on."""
    days = np.flatnonzero(open_days)
    found = np.searchsorted(days, np.arange(len(open_days)))
    return np.asarray(days[np.minimum(found, len(days) - 1)], dtype=np.int64)

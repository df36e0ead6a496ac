"""What a lab of the months is made of: a plan of the recovery benchmark, and what happens on which calendar day."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from tests.benchmarks.recovery.plans import Plan
from tests.benchmarks.recovery.trade import DEFECTS

__all__ = ["MONTHS_OF_RECORDS", "Change", "Entry", "MonthsPlan", "TripledLot"]

#: Months from the first delivery to the end of the records.
MONTHS_OF_RECORDS: Final = 36


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """From the first day of a month on, the hazard of one defect is multiplied, for restorations of every age.

    Attributes
    ----------
    month : int
        Number of the month, 0 for the first one.
    ratio : float
        Once the change is complete.
    over_months : int
        Months until then: 0 for a step; the logarithm of the ratio grows in a straight line.
    """

    month: int
    ratio: float = 2.0
    over_months: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class TripledLot:
    """One lot of a step multiplies the hazard of one defect in all restorations made with it."""

    step: str
    ratio: float = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """How long it takes until a reported return is entered: gamma distributed, and one month in which nobody enters.

    Attributes
    ----------
    mean_days, shape : float
    slow_month : int, optional
        What falls due for entry in this month is entered in the three weeks after it.
    """

    mean_days: float = 5.0
    shape: float = 1.2
    slow_month: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthsPlan:
    """One lab before anything is drawn.

    Attributes
    ----------
    lab : Plan
        Case mix, people, clinics, misses and their effects, number of returns before `expected` is applied.
    target : str
        The defect that `change` or `lot` acts on.
    expected : float, optional
        Returns with the target a month in the four months from the change on, had nothing changed; with a lot: returns
        of the restorations that the log knows the lot of, until the end, had it been like any other. None: as the
        lab's plan has it.
    change : Change, optional
    lot : TripledLot, optional
    missed_more : Change, optional
        The share of restorations for which `factor` is missed is multiplied, by day of delivery.
    factor : str
    missed_share : float
        Its share before.
    growth : float
        Deliveries a week at the end, relative to the beginning.
    waits : float
        Share of the returns arising while the lab is closed that wait until it opens; weekends always wait.
    entry : Entry
    """

    lab: Plan
    target: str = DEFECTS[0]
    expected: float | None = None
    change: Change | None = None
    lot: TripledLot | None = None
    missed_more: Change | None = None
    factor: str = ""
    missed_share: float = 0.10
    growth: float = 1.4
    waits: float = 0.5
    entry: Entry = field(default_factory=Entry)

"""Time in service and first returns inside two periods of calendar months, by pattern and age in service.

The pattern table counts whole months of service and knows no calendar. A period cuts through them, so here time is
counted in days: a restoration is at risk from the day after its delivery through the day of its remake or, for one
defect, of its first return with it; both ends count. The bins of age are those of the pattern table, to the day.

What is reported up to the day of delivery comes with the delivery and not with time in service. It has an age of its
own, in which every delivery counts one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from math import ceil
from typing import Any, Final

import ibis
import numpy as np
from ibis import _
from numpy.typing import NDArray

from remakes.counts.engine import Tables
from remakes.counts.patterns import PLACED, removed_on
from remakes.counts.table import BIN_EDGES, BIN_LABELS, DAYS_PER_MONTH, PatternTable
from remakes.errors import TableError
from remakes.texts import t

__all__ = ["AFTER", "AGES", "BEFORE", "RECORD", "PeriodCounts", "count_periods"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: The first index of the counts: the whole record, the earlier and the later period.
RECORD: Final = 0
BEFORE: Final = 1
AFTER: Final = 2

#: The last index of the counts.
AGES: Final = ("up to delivery", *BIN_LABELS)

#: First and last age in days of each bin after delivery, both included; the last bin never ends.
_FIRST_AGE: Final = np.array([max(1, ceil(edge * DAYS_PER_MONTH)) for edge in BIN_EDGES], dtype=np.int64)
_LAST_AGE: Final = np.append(_FIRST_AGE[1:] - 1, 2**40)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PeriodCounts:
    """Restorations at risk and first returns of two periods and of the whole record.

    Attributes
    ----------
    before, after : tuple of str
        Months of the two periods, oldest first; () where there is none.
    days : (3,) array
        Observed days of the record and of the two periods.
    whole : bool
        Whether both periods were observed to their ends.
    at_risk : (3, patterns, ages) array
        Deliveries in the first column, then restoration-months in service, whatever was reported.
    defects : tuple of str
        As in the pattern table.
    event_pattern, event_defect, event_age : (events,) arrays
        First return per restoration and defect.
    event_in : (3, events) array of bool
        Whether it was reported within the record (always) and each period.
    event_lost : (3, events, ages) array
        Restoration-months in service after it, which are no longer at risk for that defect.
    """

    before: tuple[str, ...]
    after: tuple[str, ...]
    days: Ints
    whole: bool
    at_risk: Floats
    defects: tuple[str, ...]
    event_pattern: NDArray[np.intp]
    event_defect: NDArray[np.intp]
    event_age: NDArray[np.intp]
    event_in: NDArray[np.bool_]
    event_lost: Floats

    def of(self, defect: str) -> tuple[Floats, Ints]:
        """At risk for one defect, and its first returns.

        Returns
        -------
        at_risk : (3, patterns, ages) array
        events : (3, ages) array

        Raises
        ------
        TableError
            A defect that these records do not hold.
        """
        if defect not in self.defects:
            raise TableError(
                t(
                    "These records hold no returned defect named “{defect}”. They hold: {value}. Name one of them.",
                    defect=defect,
                    value=", ".join(self.defects) or "none",
                )
            )
        chosen = np.flatnonzero(self.event_defect == self.defects.index(defect))
        at_risk = self.at_risk.copy()
        for of_window, lost in zip(at_risk, self.event_lost[:, chosen], strict=True):
            np.subtract.at(of_window, self.event_pattern[chosen], lost)
        events = np.array(
            [np.bincount(self.event_age[chosen][rows], minlength=len(AGES)) for rows in self.event_in[:, chosen]]
        )
        # Taking away what was added leaves rounding.
        return np.maximum(at_risk, 0.0), events.astype(np.int64)

    def returns(self, defect: str) -> Ints:
        """First returns with one defect in the record and in each period, (3,) array."""
        chosen = self.event_defect == self.defects.index(defect)
        return np.asarray(self.event_in[:, chosen].sum(axis=1), dtype=np.int64)


def count_periods(tables: Tables, table: PatternTable, *, before: Sequence[str], after: Sequence[str]) -> PeriodCounts:
    """How many restorations were at risk in each of two periods, at what age, and which came back?

    Parameters
    ----------
    tables : Tables
        The engine in which `table` has just been counted.
    table : PatternTable
    before, after : sequence of str
        Months, ``2026-04``, each an unbroken row, oldest first; empty for no such period. A month that is not over
        yet counts with the days that were observed.

    Raises
    ------
    TableError
        What is not a month, months with a gap between them, or periods out of order.

    Notes
    -----
    Two queries; a lab of 40,000 restorations takes about a second.
    """
    windows, whole = _windows(table, tuple(before), tuple(after))
    pattern, delivered, end = _restorations(tables, table)
    at_risk = np.zeros((len(windows), table.patterns, len(AGES)))
    for number, (first, last) in enumerate(windows):
        served = _served(delivered, delivered + 1, end, first, last)
        served[:, 0] = (delivered >= first) & (delivered <= last)
        np.add.at(at_risk[number], pattern, served)
    events = _first_returns(tables, table)
    reported, born, gone = events["reported"], events["delivered"], events["end"]
    age = np.where(reported > born, 1 + np.searchsorted(_FIRST_AGE, reported - born, side="right") - 1, 0)
    after_it = np.maximum(reported, born) + 1
    return PeriodCounts(
        before=tuple(before),
        after=tuple(after),
        days=np.array([max(0, last - first + 1) for first, last in windows], dtype=np.int64),
        whole=whole,
        at_risk=at_risk,
        defects=table.defects,
        event_pattern=events["pattern"].astype(np.intp),
        event_defect=events["defect"].astype(np.intp),
        event_age=age.astype(np.intp),
        event_in=_within(reported, windows),
        event_lost=np.stack([_served(born, after_it, gone, first, last) for first, last in windows]),
    )


def _within(reported: Ints, windows: Sequence[tuple[int, int]]) -> NDArray[np.bool_]:
    """Which returns were reported in each window; the record has all, also those before the first delivery."""
    inside = [(reported >= first) & (reported <= last) for first, last in windows]
    return np.array([np.ones(len(reported), dtype=bool), *inside[1:]])


def _served(delivered: Ints, start: Ints, end: Ints, first: int, last: int) -> Floats:
    """Months of service by age from `start` through `end` within the days first to last, (n, ages) array."""
    from_day = np.maximum(start, first)[:, None]
    to_day = np.minimum(end, last)[:, None]
    low = np.maximum(from_day, delivered[:, None] + _FIRST_AGE)
    high = np.minimum(to_day, delivered[:, None] + _LAST_AGE)
    months = np.maximum(high - low + 1, 0) / DAYS_PER_MONTH
    return np.column_stack([np.zeros(len(delivered)), months])


def _restorations(tables: Tables, table: PatternTable) -> tuple[NDArray[np.intp], Ints, Ints]:
    """Pattern, day of delivery and last day of service of every restoration."""
    rows = _placed(tables, table).select("pattern", "delivered", "end").order_by("pattern", "delivered", "end")
    found = rows.to_pyarrow()
    return np.asarray(found["pattern"].to_numpy(), dtype=np.intp), _days(found, "delivered"), _days(found, "end")


def _placed(tables: Tables, table: PatternTable) -> Any:
    until = ibis.literal(table.observed_until)
    placed = tables.engine.table(PLACED).left_join(removed_on(tables), "restoration_id").drop("restoration_id_right")
    end = ibis.least(ibis.coalesce(placed.removed_on, until), until)
    return placed.mutate(end=end).select("restoration_id", "pattern", "delivered", "end")


def _first_returns(tables: Tables, table: PatternTable) -> dict[str, Ints]:
    """First return per restoration and defect, with its day and those of the restoration."""
    dated = tables.returns.mutate(reported=_.reported_on.cast("date"))
    oldest = ibis.window(group_by=["restoration_id", "defect"], order_by=["reported", "id"])
    seen = dated.filter(_.reported <= ibis.literal(table.observed_until))
    first = seen.mutate(rank=ibis.row_number().over(oldest)).filter(_["rank"] == 0)
    joined = first.select("restoration_id", "defect", "reported").join(_placed(tables, table), "restoration_id")
    found = joined.order_by("pattern", "defect", "reported", "delivered", "end").to_pyarrow()
    number = {defect: position for position, defect in enumerate(table.defects)}
    return {
        "pattern": np.asarray(found["pattern"].to_numpy(), dtype=np.int64),
        "defect": np.array([number[code] for code in found["defect"].to_pylist()], dtype=np.int64),
        **{name: _days(found, name) for name in ("reported", "delivered", "end")},
    }


def _days(rows: Any, name: str) -> Ints:
    """Days as whole numbers, counted as `date.toordinal` does."""
    since_1970 = np.asarray(rows[name].to_numpy(), dtype="datetime64[D]").astype(np.int64)
    return since_1970 + date(1970, 1, 1).toordinal()


def _windows(
    table: PatternTable, before: tuple[str, ...], after: tuple[str, ...]
) -> tuple[list[tuple[int, int]], bool]:
    """First and last observed day of the record and of both periods; whether the periods were seen to their ends."""
    until = table.observed_until.toordinal()
    earlier, later = (_window(months) for months in (before, after))
    if before and after and earlier[1] >= later[0]:
        raise TableError(
            t(
                "The periods {before} to {before_2} and {after} to {after_2} overlap or are in the wrong "
                "order. Name the earlier one first, with no month in both.",
                before=before[0],
                before_2=before[-1],
                after=after[0],
                after_2=after[-1],
            )
        )
    seen = [(first, min(last, until)) for first, last in (earlier, later)]
    return [(table.first_delivered.toordinal(), until), *seen], seen == [earlier, later]


def _window(months: tuple[str, ...]) -> tuple[int, int]:
    """First and last day of an unbroken row of months; no day at all without months."""
    if not months:
        return 1, 0
    starts = [_first_day(month) for month in months]
    for month, (earlier, later) in zip(months[1:], pairwise(starts), strict=True):
        if _next_month(earlier) != later:
            raise TableError(
                t(
                    "The months {items} are no unbroken row: {month} does not follow the one before it. Name "
                    "every month of the period, oldest first.",
                    items=", ".join(months),
                    month=month,
                )
            )
    return starts[0].toordinal(), _next_month(starts[-1]).toordinal() - 1


def _first_day(month: str) -> date:
    try:
        return date.fromisoformat(f"{month}-01")
    except ValueError:
        raise TableError(t("“{month}” is not a month. Write year and month, as in 2026-04.", month=month)) from None


def _next_month(day: date) -> date:
    return (day + timedelta(days=31)).replace(day=1)

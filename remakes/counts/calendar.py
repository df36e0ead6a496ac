"""Calendar months: restoration-months in service and first returns, by age in service and case mix.

The rules of time are those of the pattern table where they can be: the age of a return is counted in whole months of
30.4375 days from delivery; a restoration leaves the risk set at its remake or at its first return with the defect in
question; a return dated before the delivery belongs to month 0 of service. They differ where a calendar needs days:
the pattern table counts a month of service whole or not at all, while here each restoration is in service from its
day of delivery through its last day, both included. Returns by age are therefore the same numbers in both, and
restoration-months agree but for this rounding.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from math import ceil
from typing import Any, Final

import ibis
import numpy as np
from ibis import _
from numpy.typing import NDArray

from remakes.counts.engine import Tables
from remakes.counts.patterns import UNITS, removed_on
from remakes.counts.table import BIN_EDGES, DAYS_PER_MONTH, Attribute, PatternTable

__all__ = ["CASE", "CELL_ATTRIBUTES", "CalendarCounts", "count_calendar"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Places = NDArray[np.intp]

#: What kind of case it is, in one: kind, veneer, span and difficulty noted.
CASE: Final = "case"
#: What the restorations of one cell have in common.
CELL_ATTRIBUTES: Final = (CASE, "technician", "clinic")

_CASE_PARTS: Final = ("kind", "veneer", "span", "difficulty")
#: First days of service of each age bin: the first whose number of whole months reaches the bin.
_FIRST_DAYS: Final = tuple(ceil(edge * DAYS_PER_MONTH) for edge in BIN_EDGES)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CalendarCounts:
    """Restoration-months in service and first returns, by calendar month, age bin and cell of the case mix.

    Attributes
    ----------
    months : tuple of str
        ``2026-10``, oldest first, without a gap, from the first delivery through the end of observation.
    observed_share : (months,) array
        Share of each month's days up to the end of observation; below 1 in the last month at most.
    defects : tuple of str
        Those of the pattern table, in its order.
    attributes : mapping of str to Attribute
        Case, technician and clinic of each cell.
    at_risk : (months, bins, cells) array
        Restoration-months in service, whether or not a defect was reported.
    event_month, event_bin, event_cell, event_defect, event_count : (events,) arrays
        First returns per restoration and defect, by month of report and age at the report.
    lost_month, lost_bin, lost_cell, lost_defect, lost_months : (lost,) arrays
        Restoration-months in service after those first returns, which are no longer at risk for that defect.
    """

    months: tuple[str, ...]
    observed_share: Floats
    defects: tuple[str, ...]
    attributes: Mapping[str, Attribute]
    at_risk: Floats
    event_month: Places
    event_bin: Places
    event_cell: Places
    event_defect: Places
    event_count: Ints
    lost_month: Places
    lost_bin: Places
    lost_cell: Places
    lost_defect: Places
    lost_months: Floats

    def of(self, defect: str | None) -> tuple[Floats, Floats]:
        """Restoration-months at risk of one defect, and its first returns; None: all of them together.

        All defects together leave every restoration at risk until it is remade: it can come back with another.

        Returns
        -------
        at_risk, returns : (months, bins, cells) arrays
        """
        at_risk = self.at_risk.copy()
        events = np.zeros_like(at_risk)
        if defect is None:
            np.add.at(events, (self.event_month, self.event_bin, self.event_cell), self.event_count)
            return at_risk, events
        number = self.defects.index(defect)
        mine = self.event_defect == number
        np.add.at(events, (self.event_month[mine], self.event_bin[mine], self.event_cell[mine]), self.event_count[mine])
        lost = self.lost_defect == number
        np.subtract.at(
            at_risk, (self.lost_month[lost], self.lost_bin[lost], self.lost_cell[lost]), self.lost_months[lost]
        )
        # Days are whole; only the division by the length of a month can leave a trace below zero.
        return np.maximum(at_risk, 0.0), events


def count_calendar(tables: Tables, table: PatternTable) -> CalendarCounts:
    """How much was in service in each calendar month, how old and of what kind, and what came back?

    Parameters
    ----------
    tables : Tables
        The engine in which `table` has just been counted.
    table : PatternTable

    Notes
    -----
    One row a restoration and one a first return are fetched; the overlap of each restoration's service with each
    month and age bin is arithmetic on whole columns.
    """
    until = table.observed_until
    units = _columns(_service(tables, until))
    cell, attributes = _cells(units)
    row_of = {name: row for row, name in enumerate(units["restoration_id"])}
    returns = _columns(_first_returns(tables, until))
    at = np.array([row_of[name] for name in returns["restoration_id"]], dtype=np.intp)
    delivered, ended = _days(units["delivered"]), _days(units["ended"])
    reported = _days(returns["reported"])
    starts = _month_starts(int(delivered.min()), until)
    shape = (len(starts) - 1, len(BIN_EDGES), int(cell.max()) + 1)
    age = np.maximum(reported - delivered[at], 0)
    defect = np.array([table.defects.index(code) for code in returns["defect"]], dtype=np.intp)
    # What was reported before anything was delivered belongs to the first month; a slip of the pen adds no century.
    month = np.maximum(np.searchsorted(starts, reported, side="right") - 1, 0)
    bins = np.searchsorted(_FIRST_DAYS, age, side="right") - 1
    # A return reported before the delivery ends the time at risk on the day of delivery.
    after = _after(delivered[at], delivered[at] + age, ended[at], starts)
    return CalendarCounts(
        months=tuple(date.fromordinal(int(day)).strftime("%Y-%m") for day in starts[:-1]),
        observed_share=np.minimum((until.toordinal() + 1 - starts[:-1]) / np.diff(starts), 1.0),
        defects=table.defects,
        attributes=attributes,
        at_risk=_served(delivered, ended, cell, starts, shape),
        event_month=month,
        event_bin=bins,
        event_cell=cell[at],
        event_defect=defect,
        event_count=np.ones(len(at), dtype=np.int64),
        lost_month=after[0],
        lost_bin=after[1],
        lost_cell=cell[at][after[2]],
        lost_defect=defect[after[2]],
        lost_months=after[3],
    )


def _service(tables: Tables, observed_until: date) -> Any:
    """One row a restoration: delivered, last day in service or observed, and what the case is."""
    units = tables.engine.table(UNITS).left_join(removed_on(tables), "restoration_id").drop("restoration_id_right")
    last = ibis.literal(observed_until)
    ended = ibis.greatest(ibis.least(ibis.coalesce(_.removed_on, last), last), _.delivered)
    return units.select("restoration_id", "delivered", "technician", "clinic", *_CASE_PARTS, ended=ended).order_by(
        "restoration_id"
    )


def _first_returns(tables: Tables, observed_until: date) -> Any:
    """First return per restoration and defect."""
    dated = tables.returns.mutate(reported=_.reported_on.cast("date")).filter(
        _.reported <= ibis.literal(observed_until)
    )
    known = dated.join(tables.engine.table(UNITS).select("restoration_id"), "restoration_id")
    first = known.group_by("restoration_id", "defect").agg(reported=_.reported.min())
    return first.order_by("restoration_id", "defect")


def _columns(expression: Any) -> dict[str, list[Any]]:
    found: dict[str, list[Any]] = expression.to_pyarrow().to_pydict()
    return found


def _days(dates: list[date]) -> Ints:
    return np.array([day.toordinal() for day in dates], dtype=np.int64)


def _month_starts(first: int, last: date) -> Ints:
    """First days of the months from the one with `first` through the one after `last`, as day numbers."""
    day = date.fromordinal(first).replace(day=1)
    starts = [day]
    while day <= last:
        day = date(day.year + day.month // 12, day.month % 12 + 1, 1)
        starts.append(day)
    return _days(starts)


def _cells(units: Mapping[str, list[Any]]) -> tuple[Places, dict[str, Attribute]]:
    """Number the combinations of case, technician and clinic, and say what each number stands for."""
    parts = zip(*(units[name] for name in _CASE_PARTS), strict=True)
    named = {CASE: [", ".join(part or "none noted" for part in case) for case in parts]}
    named |= {name: units[name] for name in ("technician", "clinic")}
    levels, codes = {}, []
    for name in CELL_ATTRIBUTES:
        found, code = np.unique(np.array(named[name], dtype=object), return_inverse=True)
        levels[name] = tuple(str(level) for level in found)
        codes.append(code.reshape(-1))
    distinct, cell = np.unique(np.column_stack(codes), axis=0, return_inverse=True)
    attributes = {
        name: Attribute(distinct[:, place].astype(np.intp), levels[name]) for place, name in enumerate(CELL_ATTRIBUTES)
    }
    return cell.reshape(-1).astype(np.intp), attributes


def _served(delivered: Ints, ended: Ints, cell: Places, starts: Ints, shape: tuple[int, int, int]) -> Floats:
    """Restoration-months by calendar month, age bin and cell."""
    served = np.zeros(shape)
    for month in range(shape[0]):
        rows = np.flatnonzero((delivered < starts[month + 1]) & (ended >= starts[month]))
        for age_bin in range(shape[1]):
            days = _overlap(delivered[rows], delivered[rows], ended[rows] + 1, month, age_bin, starts)
            served[month, age_bin] = np.bincount(cell[rows], days, minlength=shape[2])
    return served / DAYS_PER_MONTH


def _overlap(delivered: Ints, first: Ints, end: Ints, month: int, age_bin: int, starts: Ints) -> Ints:
    """Days from `first` to before `end` that lie in a calendar month and an age bin."""
    low = np.maximum(np.maximum(first, starts[month]), delivered + _FIRST_DAYS[age_bin])
    high = np.minimum(end, starts[month + 1])
    if age_bin + 1 < len(_FIRST_DAYS):
        high = np.minimum(high, delivered + _FIRST_DAYS[age_bin + 1])
    days: Ints = np.maximum(high - low, 0)
    return days


def _after(delivered: Ints, reported: Ints, ended: Ints, starts: Ints) -> tuple[Places, Places, Places, Floats]:
    """Restoration-months in service after a first return: month, bin, row of the return, months; none twice.

    A return reported after the removal was still seen in service up to the report: those months come back, as less
    than nothing lost.
    """
    months, bins, rows, lost = [], [], [], []
    for month in range(len(starts) - 1):
        for age_bin in range(len(_FIRST_DAYS)):
            days = _overlap(delivered, reported + 1, ended + 1, month, age_bin, starts)
            days = days - _overlap(delivered, ended + 1, reported + 1, month, age_bin, starts)
            some = np.flatnonzero(days)
            months.append(np.full(len(some), month, dtype=np.intp))
            bins.append(np.full(len(some), age_bin, dtype=np.intp))
            rows.append(some)
            lost.append(days[some] / DAYS_PER_MONTH)
    return np.concatenate(months), np.concatenate(bins), np.concatenate(rows), np.concatenate(lost)

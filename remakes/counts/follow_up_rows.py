"""The restorations of a follow-up as columns, one row each, and their sums by age in service or by week of delivery.

Service is counted in days, first and last included, from delivery to remake, first return with one of the defects or
the end of observation; ages have the bins of the pattern table. A return dated before the delivery is one of the day of
delivery.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import ceil
from typing import Any, Final

import ibis
import numpy as np
from ibis import _
from numpy.typing import NDArray

from remakes.counts.calendar import CASE, CELL_ATTRIBUTES
from remakes.counts.engine import Tables
from remakes.counts.patterns import PLACED, UNITS, removed_on
from remakes.counts.table import BIN_EDGES, DAYS_PER_MONTH, Attribute, PatternTable
from remakes.deviations.detect import MET, MISSED, NOT_APPLICABLE, NOT_RECORDED

__all__ = ["DAYS_PER_WEEK", "AgeCounts", "Rows", "WeekCounts", "day_numbers"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Places = NDArray[np.intp]
Flags = NDArray[np.bool_]

DAYS_PER_WEEK: Final = 7

_CASE_PARTS: Final = ("kind", "veneer", "span", "difficulty")
#: First and last days of service of each age bin; the last bin never ends.
_FIRST_DAYS: Final = np.array([ceil(edge * DAYS_PER_MONTH) for edge in BIN_EDGES], dtype=np.int64)
_LAST_DAYS: Final = np.append(_FIRST_DAYS[1:], 2**40)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeekCounts:
    """Restorations by week of delivery and status of each factor.

    Attributes
    ----------
    weeks : tuple of date
        First days, oldest first, each week observed to its end.
    met, missed, not_recorded : (factors, weeks) arrays
    technician_recorded, technician_missed : (factors, technicians) arrays
        The same weeks together.
    """

    weeks: tuple[date, ...]
    met: Ints
    missed: Ints
    not_recorded: Ints
    technician_recorded: Ints
    technician_missed: Ints


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AgeCounts:
    """Restoration-months at risk and first returns; (periods, bins, cells) arrays."""

    at_risk: Floats
    returns: Floats


class Rows:
    """Columns of the restorations, one row each, and their first return with any of the defects.

    Attributes
    ----------
    concerned : (restorations,) array of bool
        One of the factors' requirements applies.
    delivered : (restorations,) array
        Days as numbers.
    attributes : mapping of str to Attribute
        Case, technician and clinic of each cell.
    """

    def __init__(self, tables: Tables, table: PatternTable, factors: tuple[str, ...], defects: tuple[str, ...]) -> None:
        units = _columns(_service(tables, table.observed_until))
        pattern = np.array(units["pattern"], dtype=np.intp)
        self.status = np.column_stack([table.status_of(factor)[pattern] for factor in factors])
        self.concerned = (self.status != NOT_APPLICABLE).any(axis=1)
        self.delivered, ended = day_numbers(units["delivered"]), day_numbers(units["ended"])
        self.cell, self.attributes = _cells(units)
        self.technicians = len(self.attributes["technician"].levels)
        self.technician = self.attributes["technician"].codes[self.cell]
        row_of = {name: row for row, name in enumerate(units["restoration_id"])}
        returns = _columns(_first_returns(tables, defects, table.observed_until))
        at = np.array([row_of[name] for name in returns["restoration_id"]], dtype=np.intp)
        self.returned = np.zeros(len(ended), dtype=np.int64)
        self.returned[at] = np.maximum(day_numbers(returns["reported"]), self.delivered[at])
        self.defect = np.full(len(ended), "", dtype=object)
        self.defect[at] = returns["defect"]
        # A return reported after the removal was still seen: the time up to it counts.
        self.ended = np.where(self.returned > 0, self.returned, ended)

    def by_age(self, starts: Ints, wanted: Flags) -> AgeCounts:
        """At risk and returned in the periods between days, by age and cell."""
        periods = max(len(starts) - 1, 0)
        shape = (periods, len(BIN_EDGES), len(self.attributes[CASE].codes))
        at_risk, returns = np.zeros(shape), np.zeros(shape)
        for period in range(periods):
            low, high = int(starts[period]), int(starts[period + 1])
            rows = np.flatnonzero(wanted & (self.delivered < high) & (self.ended >= low))
            born = self.delivered[rows, None]
            first = np.maximum(born + _FIRST_DAYS, low)
            after = np.minimum(np.minimum(born + _LAST_DAYS, self.ended[rows, None] + 1), high)
            for age_bin, days in enumerate(np.maximum(after - first, 0).T):
                at_risk[period, age_bin] = np.bincount(self.cell[rows], days, minlength=shape[2])
            back = rows[(self.returned[rows] >= low) & (self.returned[rows] < high)]
            age = np.searchsorted(_FIRST_DAYS, self.returned[back] - self.delivered[back], side="right") - 1
            np.add.at(returns[period], (age, self.cell[back]), 1)
        return AgeCounts(at_risk=at_risk / DAYS_PER_MONTH, returns=returns)

    def first_by_defect(self, until: int) -> dict[str, int]:
        """First returns of concerned restorations before a day, by defect."""
        chosen = self.defect[self.concerned & (self.returned > 0) & (self.returned < until)]
        names, counts = np.unique(chosen.astype(str), return_counts=True)
        return {str(name): int(count) for name, count in zip(names, counts, strict=True)}

    def by_week(self, first: date, weeks: int) -> WeekCounts:
        """Statuses by week of delivery, from a day on."""
        week = (self.delivered - first.toordinal()) // DAYS_PER_WEEK
        inside = (week >= 0) & (week < weeks)
        factors = self.status.shape[1]

        def counted(status: int, key: NDArray[np.integer[Any]], size: int) -> Ints:
            found = np.zeros((factors, size), dtype=np.int64)
            for factor in range(factors):
                rows = inside & (self.status[:, factor] == status)
                found[factor] = np.bincount(key[rows], minlength=size)[:size]
            return found

        missed = counted(MISSED, self.technician, self.technicians)
        return WeekCounts(
            weeks=tuple(first + timedelta(days=DAYS_PER_WEEK * number) for number in range(weeks)),
            met=counted(MET, week, weeks),
            missed=counted(MISSED, week, weeks),
            not_recorded=counted(NOT_RECORDED, week, weeks),
            technician_recorded=counted(MET, self.technician, self.technicians) + missed,
            technician_missed=missed,
        )


def _service(tables: Tables, observed_until: date) -> Any:
    """One row a restoration: pattern, delivered, last day in service or observed, and what the case is."""
    placed = tables.engine.table(PLACED).select("restoration_id", "pattern")
    units = tables.engine.table(UNITS).join(placed, "restoration_id")
    units = units.left_join(removed_on(tables), "restoration_id").drop("restoration_id_right")
    last = ibis.literal(observed_until)
    ended = ibis.greatest(ibis.least(ibis.coalesce(_.removed_on, last), last), _.delivered)
    names = ("restoration_id", "pattern", "delivered", "technician", "clinic", *_CASE_PARTS)
    return units.select(*names, ended=ended).order_by("restoration_id")


def _first_returns(tables: Tables, defects: tuple[str, ...], observed_until: date) -> Any:
    """First return per restoration with any of the defects."""
    dated = tables.returns.mutate(reported=_.reported_on.cast("date")).filter(
        (_.reported <= ibis.literal(observed_until)) & _.defect.isin(defects)
    )
    known = dated.join(tables.engine.table(UNITS).select("restoration_id"), "restoration_id")
    oldest = ibis.window(group_by="restoration_id", order_by=["reported", "id"])
    first = known.mutate(rank=ibis.row_number().over(oldest)).filter(_["rank"] == 0)
    return first.select("restoration_id", "reported", "defect").order_by("restoration_id")


def _columns(expression: Any) -> dict[str, list[Any]]:
    found: dict[str, list[Any]] = expression.to_pyarrow().to_pydict()
    return found


def day_numbers(dates: Sequence[date]) -> Ints:
    """Days as `date.toordinal` counts them."""
    return np.array([day.toordinal() for day in dates], dtype=np.int64)


def _cells(units: Mapping[str, list[Any]]) -> tuple[Places, dict[str, Attribute]]:
    """Number the combinations of case, technician and clinic, and say what each number stands for."""
    cases = zip(*(units[name] for name in _CASE_PARTS), strict=True)
    named = dict(units) | {CASE: [", ".join(part or "none noted" for part in case) for case in cases]}
    found = {name: np.unique(np.array(named[name], dtype=str), return_inverse=True) for name in CELL_ATTRIBUTES}
    codes = np.column_stack([code.reshape(-1) for _levels, code in found.values()])
    distinct, cell = np.unique(codes, axis=0, return_inverse=True)
    attributes = {
        name: Attribute(distinct[:, place].astype(np.intp), tuple(str(level) for level in found[name][0]))
        for place, name in enumerate(CELL_ATTRIBUTES)
    }
    return cell.reshape(-1).astype(np.intp), attributes

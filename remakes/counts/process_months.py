"""Counts by calendar month: how many restorations met, missed or did not record each requirement.

The month is that of the delivery. It is what decides which limit a restoration was made under, it is never blank, and
it gives every restoration one month for all its factors; a reading may be undated, and one that was not recorded has
no day at all. The work itself was done some days earlier.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from ibis import _
from numpy.typing import NDArray

from remakes.counts.engine import Tables
from remakes.counts.patterns import PLACED
from remakes.counts.table import PatternTable
from remakes.deviations.detect import MET, MISSED, NOT_RECORDED
from remakes.errors import TableError
from remakes.records.standard import ProcessStandard, Requirement
from remakes.texts import t

__all__ = ["ProcessMonthCounts", "count_process_months"]

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

_ONE_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProcessMonthCounts:
    """Restorations by factor, calendar month of delivery and status.

    A restoration counts for a factor only if a requirement of it applied on the day of delivery.

    Attributes
    ----------
    factors, months : tuple of str
        In order of work; from the first month with a delivery to the last of observation, without a gap ("2026-10").
    met, missed, not_recorded : (factors, months) arrays
    new_limit : (factors, months) array of bool
        The limits of the factor change in the month, or did in the course of the month before: shares of misses before
        and after are not those of one requirement.
    new_reading : (factors, months) array of bool
        The same for what is to be read, or of which restorations: shares not recorded do not compare.
    """

    factors: tuple[str, ...]
    months: tuple[str, ...]
    met: Ints
    missed: Ints
    not_recorded: Ints
    new_limit: Flags
    new_reading: Flags

    @property
    def recorded(self) -> Ints:
        """Met or missed."""
        return self.met + self.missed

    @property
    def restorations(self) -> Ints:
        """All to which a requirement of the factor applied."""
        return self.met + self.missed + self.not_recorded


def count_process_months(tables: Tables, table: PatternTable, standard: ProcessStandard) -> ProcessMonthCounts:
    """How many restorations of each month met, missed or did not record each requirement?

    Parameters
    ----------
    tables : Tables
        The engine in which `table` has just been counted: its statuses are used, not judged again.
    table : PatternTable
    standard : ProcessStandard
        The one `table` was counted by.

    Raises
    ------
    TableError
        A table that was not the last to be counted in this engine, or by another standard.
    """
    if table.factors != standard.factors:
        raise TableError(
            t(
                "The pattern table's {factors} factors are not the {factors_2} of the standard. Count the "
                "patterns by this standard first.",
                factors=len(table.factors),
                factors_2=len(standard.factors),
            )
        )
    placed = tables.engine.table(PLACED).mutate(month=_.delivered.strftime("%Y-%m"))
    cells = placed.group_by("pattern", "month").agg(n=_.count()).to_pyarrow()
    pattern, n = cells["pattern"].to_numpy().astype(np.intp), cells["n"].to_numpy().astype(np.int64)
    _refuse_other_counts(table, pattern, n)
    months = _calendar(table.first_delivered, table.observed_until)
    place = {month: k for k, month in enumerate(months)}
    month = np.array([place[name] for name in cells["month"].to_pylist()], dtype=np.intp)

    def of(status: int) -> Ints:
        counted = np.zeros((len(table.factors), len(months)), dtype=np.int64)
        row, factor = np.nonzero(table.status[pattern] == status)
        np.add.at(counted, (factor, month[row]), n[row])
        return counted

    return ProcessMonthCounts(
        factors=table.factors,
        months=months,
        met=of(MET),
        missed=of(MISSED),
        not_recorded=of(NOT_RECORDED),
        new_limit=_changes(standard, months, what=_limits),
        new_reading=_changes(standard, months, what=_readings),
    )


def _refuse_other_counts(table: PatternTable, pattern: NDArray[np.intp], n: Ints) -> None:
    fits = pattern.max(initial=-1) < table.patterns and np.array_equal(
        np.bincount(pattern, n, minlength=table.patterns), table.restorations
    )
    if not fits:
        raise TableError(
            t(
                "The engine holds {n} restorations in other patterns than the {restorations} of the pattern "
                "table. Count the patterns again in this engine, then count the months.",
                n=int(n.sum()),
                restorations=int(table.restorations.sum()),
            )
        )


def _calendar(first: date, last: date) -> tuple[str, ...]:
    numbers = range(first.year * 12 + first.month - 1, last.year * 12 + last.month)
    return tuple(f"{number // 12:04d}-{number % 12 + 1:02d}" for number in numbers)


def _changes(standard: ProcessStandard, months: tuple[str, ...], *, what: Callable[[Requirement], object]) -> Flags:
    """In which months the requirements in force are not those of the month before, in what is asked about."""
    changed = np.zeros((len(standard.factors), len(months)), dtype=np.bool_)
    place = {month: k for k, month in enumerate(months)}
    for number, factor in enumerate(standard.factors):
        for day in _changed_on(standard.requirements_of(factor), what):
            at = place.get(f"{day:%Y-%m}")
            if at is None:
                continue
            changed[number, at] = True
            # In the course of a month: that month is of both kinds, and the next is the first of the new kind alone.
            if day.day > 1:
                changed[number, at + 1 : at + 2] = True
    return changed


def _changed_on(held: Sequence[Requirement], what: Callable[[Requirement], object]) -> Iterator[date]:
    """Days from which on something else is in force than when last anything was."""
    before: dict[object, object] = {}
    for day in _days_of_change(held):
        now = _in_force(held, day, what)
        if before and now and now != before:
            yield day
        before = now or before


def _days_of_change(held: Iterable[Requirement]) -> list[date]:
    """Days on which a requirement begins, or the first on which one no longer holds."""
    begins = {one.valid_from for one in held}
    ends = {one.valid_until + _ONE_DAY for one in held if one.valid_until is not None}
    return sorted(begins | ends)


def _in_force(held: Sequence[Requirement], day: date, what: Callable[[Requirement], object]) -> dict[object, object]:
    """By the restorations it applies to: what the youngest requirement in force says, of one day's the first."""
    found: dict[object, object] = {}
    for one in sorted(held, key=lambda one: one.valid_from, reverse=True):
        if one.in_force_on(day):
            found.setdefault(_applies(one), what(one))
    return found


def _applies(one: Requirement) -> tuple[tuple[str, tuple[str, ...]], ...]:
    return tuple(sorted((column, tuple(sorted(values))) for column, values in one.applies_when.items()))


def _limits(one: Requirement) -> object:
    return one.step, one.reading, one.rule


def _readings(one: Requirement) -> object:
    return one.step, one.reading

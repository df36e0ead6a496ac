"""What is counted to follow up a corrective action: misses by week, returns by age, before and after its start.

Only restorations that one of the corrected requirements applies to are counted; the others cannot profit. Three groups
are kept apart: what came back before the decision (all of them; it teaches what to expect), and from the start on those
delivered since (only these were made with the action) and those delivered before (they were not, but are reported by
the same clinics in the same months).

A return counts once a restoration, whichever of the defects came first. How service is counted: see `follow_up_rows`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.engine import Tables
from remakes.counts.follow_up_rows import DAYS_PER_WEEK, AgeCounts, Rows, WeekCounts, day_numbers
from remakes.counts.table import Attribute, PatternTable
from remakes.errors import TableError
from remakes.records.standard import ProcessStandard
from remakes.texts import t

__all__ = ["WEEKS_BEFORE", "FollowUpCounts", "count_follow_up", "months_after"]

Ints = NDArray[np.int64]

#: Weeks before the decision that the share of misses is compared with.
WEEKS_BEFORE: Final = 26


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FollowUpCounts:
    """Before and after the start of one corrective action.

    Attributes
    ----------
    factors, defects : tuple of str
        What the action corrects, and the returns it should spare.
    decided_on, starts_on, observed_until : date
    concerned : int
        Restorations that one of the requirements applies to.
    attributes : mapping of str to Attribute
        Case, technician and clinic of each cell.
    reference_months : tuple of str
        ``2025-04``, whole months before the decision from that of the first delivery on.
    delivered : (reference months,) array
        Concerned restorations delivered in each.
    reference : AgeCounts
        By reference month.
    ends : tuple of date
        First day after each period of the follow-up: the first begins at the start, each ends with its calendar month
        or with the longest time to look.
    since, before : AgeCounts
        By period, those observed to their ends only: restorations delivered since the start, and before it.
    delivered_since : int
        Delivered from the start through the last of these periods.
    returns_by_defect : mapping of str to int
        First returns of the reference months, by the defect that came first.
    weeks_before, weeks_after : WeekCounts
    changed_requirements : tuple of str
        Factors whose requirement changed between the first of these weeks and the last.
    """

    factors: tuple[str, ...]
    defects: tuple[str, ...]
    decided_on: date
    starts_on: date
    observed_until: date
    concerned: int
    attributes: Mapping[str, Attribute]
    reference_months: tuple[str, ...]
    delivered: Ints
    reference: AgeCounts
    ends: tuple[date, ...]
    since: AgeCounts
    before: AgeCounts
    delivered_since: int
    returns_by_defect: Mapping[str, int]
    weeks_before: WeekCounts
    weeks_after: WeekCounts
    changed_requirements: tuple[str, ...]

    @property
    def periods(self) -> int:
        """How many periods of the follow-up were observed to their ends."""
        return int(self.since.at_risk.shape[0])


def count_follow_up(
    tables: Tables,
    table: PatternTable,
    standard: ProcessStandard,
    *,
    factors: Sequence[str],
    defects: Sequence[str],
    starts_on: date,
    months: int,
    decided_on: date | None = None,
) -> FollowUpCounts:
    """What was missed and what came back, before an action was decided on and since it started?

    Parameters
    ----------
    tables : Tables
        The engine in which `table` has just been counted.
    table : PatternTable
    standard : ProcessStandard
        The one `table` was counted by.
    factors, defects : sequence of str
        Factors the standard knows. A defect never seen has no returns.
    starts_on : date
        First day of delivery of restorations made with the action.
    months : int
        The longest time to look.
    decided_on : date, optional
        The start where it is not given. What came between the decision and the start belongs to neither side.

    Raises
    ------
    TableError
        No factor or defect, a factor that the standard does not know, or a start before the decision.
    """
    decided = decided_on or starts_on
    _check(table, factors, defects, decided, starts_on)
    rows = Rows(tables, table, tuple(factors), tuple(defects))
    reference = _month_starts(table.first_delivered, decided)
    ends = _ends(starts_on, months)
    seen = np.array([day.toordinal() for day in (starts_on, *ends)], dtype=np.int64)
    seen = seen[: 1 + int((seen[1:] <= table.observed_until.toordinal() + 1).sum())]
    since = rows.delivered >= starts_on.toordinal()
    first_week = max(decided - timedelta(days=WEEKS_BEFORE * DAYS_PER_WEEK), table.first_delivered)
    whole_weeks = max((decided - first_week).days // DAYS_PER_WEEK, 0)
    weeks_since = max((min(table.observed_until, ends[-1]) - starts_on).days + 1, 0) // DAYS_PER_WEEK
    first_week = decided - timedelta(days=whole_weeks * DAYS_PER_WEEK)
    changed = _changed(standard, factors, first_week, starts_on + timedelta(days=weeks_since * DAYS_PER_WEEK))
    return FollowUpCounts(
        factors=tuple(factors),
        defects=tuple(defects),
        decided_on=decided,
        starts_on=starts_on,
        observed_until=table.observed_until,
        concerned=int(rows.concerned.sum()),
        attributes=rows.attributes,
        reference_months=tuple(date.fromordinal(int(day)).strftime("%Y-%m") for day in reference[:-1]),
        delivered=_per_month(rows.delivered[rows.concerned], reference),
        reference=rows.by_age(reference, rows.concerned),
        ends=ends,
        since=rows.by_age(seen, rows.concerned & since),
        before=rows.by_age(seen, rows.concerned & ~since),
        delivered_since=int((rows.concerned & since & (rows.delivered < seen[-1])).sum()),
        returns_by_defect=rows.first_by_defect(int(reference[-1]) if len(reference) else 0),
        weeks_before=rows.by_week(first_week, whole_weeks),
        weeks_after=rows.by_week(starts_on, weeks_since),
        changed_requirements=changed,
    )


def months_after(day: date, months: int) -> date:
    """The same day so many calendar months later; the first of the month after where there is no such day."""
    number = day.year * 12 + day.month - 1 + months
    year, month = divmod(number, 12)
    try:
        return date(year, month + 1, day.day)
    except ValueError:
        return months_after(day.replace(day=1), months + 1)


def _check(table: PatternTable, factors: Sequence[str], defects: Sequence[str], decided: date, starts_on: date) -> None:
    unknown = [factor for factor in factors if factor not in table.factors]
    if unknown or not factors:
        raise TableError(
            t(
                "The standard holds no factor named {value}. It holds: {value_2}. Name those that the action corrects.",
                value=", ".join(unknown) or "(none was named)",
                value_2=", ".join(table.factors) or "none",
            )
        )
    if not defects:
        raise TableError(t("No defect was named. Name those whose returns the action should spare."))
    if starts_on < decided:
        raise TableError(
            t(
                "The action starts on {starts_on}, before it was decided on ({decided}). A rule is fixed "
                "before the start: correct one of the two days.",
                starts_on=starts_on,
                decided=decided,
            )
        )


def _month_starts(first: date, before: date) -> Ints:
    """First days of the months from the one with `first` on, through the last that begins at or before a day."""
    day, starts = first.replace(day=1), []
    while day <= before:
        starts.append(day)
        day = months_after(day, 1)
    return day_numbers(starts)


def _per_month(days: Ints, starts: Ints) -> Ints:
    """How many of the days lie in each month."""
    month = np.searchsorted(starts, days, side="right") - 1
    months = max(len(starts) - 1, 0)
    return np.bincount(month[(month >= 0) & (month < months)], minlength=months).astype(np.int64)


def _ends(starts_on: date, months: int) -> tuple[date, ...]:
    """First days after the periods of a follow-up."""
    last = months_after(starts_on, months)
    turns = [months_after(starts_on.replace(day=1), number) for number in range(1, months + 1)]
    return (*(day for day in turns if day < last), last)


def _changed(standard: ProcessStandard, factors: Sequence[str], first: date, last: date) -> tuple[str, ...]:
    """Factors whose requirement does not read the same on all days."""
    found = []
    for factor in factors:
        held = standard.requirements_of(factor)
        turns = {first, last, *(one.valid_from for one in held if first < one.valid_from <= last)}
        said = [
            {(one.step, one.reading, str(one.rule), str(one.applies_when)) for one in held if one.in_force_on(day)}
            for day in sorted(turns)
        ]
        if any(one != said[0] for one in said):
            found.append(factor)
    return tuple(found)

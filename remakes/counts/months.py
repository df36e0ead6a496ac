"""Counts by calendar month: returns and restoration-months by report month, fates by delivery month."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import ibis
from ibis import _

from remakes.counts.engine import Tables
from remakes.counts.table import DAYS_PER_MONTH

__all__ = ["WITHIN_MONTHS", "DeliveryMonth", "ReportMonth", "count_delivery_months", "count_report_months"]

#: After how many months of service a month of deliveries is looked at.
WITHIN_MONTHS: Final = (1, 3, 6, 12)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportMonth:
    """Returns reported in one calendar month, one defect or ``all``.

    `at_risk_months`: restoration-months that were in service in that month, at most 24 months old.
    """

    month: str
    defect: str
    returns: int
    at_risk_months: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryMonth:
    """What became of one month of deliveries, one defect or ``all``, within a number of months of service.

    `mature`: every restoration of the month has been observed that long.
    """

    month: str
    defect: str
    within_months: int
    delivered: int
    returned: int
    mature: bool


#: Older restorations hardly come back to the lab that made them; counting their months would dilute every rate.
_OLDEST_MONTHS: Final = 24


def _dated(tables: Tables, observed_until: date) -> Any:
    delivered = tables.restorations.mutate(delivered=_.delivered_on.cast("date")).filter(
        _.delivered <= ibis.literal(observed_until)
    )
    returns = tables.returns.mutate(reported=_.reported_on.cast("date")).filter(
        _.reported <= ibis.literal(observed_until)
    )
    return (
        delivered.select("restoration_id", "delivered"),
        returns.select("return_id", "restoration_id", "defect", "reported"),
    )


def count_report_months(tables: Tables, *, observed_until: date) -> tuple[ReportMonth, ...]:
    """Returns and months in service, by calendar month of the report.

    A return with two defects counts once under ``all`` and once under each defect.
    """
    delivered, returns = _dated(tables, observed_until)
    stamped = returns.mutate(month=_.reported.strftime("%Y-%m"))
    each = stamped.group_by("month", "defect").agg(returns=_.return_id.nunique())
    every = stamped.group_by("month").agg(returns=_.return_id.nunique()).mutate(defect=ibis.literal("all"))
    counted = {
        (row["month"], row["defect"]): row["returns"]
        for row in each.union(every.select("month", "defect", "returns")).to_pyarrow().to_pylist()
    }
    defects = ("all", *sorted({defect for _month, defect in counted} - {"all"}))
    in_service = _in_service(delivered, observed_until)
    return tuple(
        ReportMonth(month=month, defect=defect, returns=counted.get((month, defect), 0), at_risk_months=served)
        for month, served in in_service
        for defect in defects
    )


def _in_service(delivered: Any, observed_until: date) -> Sequence[tuple[str, float]]:
    """Restoration-months in service by calendar month, from the first delivery on."""
    per_day = delivered.group_by("delivered").agg(n=_.count()).order_by("delivered").to_pyarrow().to_pylist()
    if not per_day:
        return ()
    found = []
    for first, after in _calendar_months(per_day[0]["delivered"], observed_until):
        end = min(after, date.fromordinal(observed_until.toordinal() + 1))
        days = sum(row["n"] * _overlap(row["delivered"], first, end) for row in per_day)
        found.append((first.strftime("%Y-%m"), days / DAYS_PER_MONTH))
    return found


def _overlap(delivered: date, first: date, end: date) -> int:
    """Days of service, up to the oldest age that counts, within [first, end)."""
    from_day = max(delivered.toordinal(), first.toordinal())
    to_day = min(delivered.toordinal() + round(_OLDEST_MONTHS * DAYS_PER_MONTH), end.toordinal())
    return max(0, to_day - from_day)


def _calendar_months(first: date, last: date) -> list[tuple[date, date]]:
    months = []
    start = first.replace(day=1)
    while start <= last:
        after = date(start.year + start.month // 12, start.month % 12 + 1, 1)
        months.append((start, after))
        start = after
    return months


def count_delivery_months(tables: Tables, *, observed_until: date) -> tuple[DeliveryMonth, ...]:
    """Restorations delivered in each calendar month and how many came back within 1, 3, 6, 12 months."""
    delivered, returns = _dated(tables, observed_until)
    totals = (
        delivered.mutate(month=_.delivered.strftime("%Y-%m"))
        .group_by("month")
        .agg(delivered=_.count(), last=_.delivered.max())
        .order_by("month")
        .to_pyarrow()
        .to_pylist()
    )
    joined = returns.join(delivered, "restoration_id").mutate(
        month=_.delivered.strftime("%Y-%m"), days=_.reported.delta(_.delivered, unit="day")
    )
    every = joined.mutate(defect=ibis.literal("all"))
    first = joined.union(every).group_by("month", "defect", "restoration_id").agg(days=_.days.min())
    counts = first.group_by("month", "defect").agg(
        **{f"within_{k}": (_.days < k * DAYS_PER_MONTH).sum() for k in WITHIN_MONTHS}
    )
    counted = {(row["month"], row["defect"]): row for row in counts.to_pyarrow().to_pylist()}
    defects = ("all", *sorted({defect for _month, defect in counted} - {"all"}))
    return tuple(
        DeliveryMonth(
            month=total["month"],
            defect=defect,
            within_months=k,
            delivered=total["delivered"],
            returned=int(counted.get((total["month"], defect), {}).get(f"within_{k}", 0)),
            mature=(observed_until - total["last"]).days >= k * DAYS_PER_MONTH,
        )
        for total in totals
        for defect in defects
        for k in WITHIN_MONTHS
    )

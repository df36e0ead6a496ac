"""What became of each month's deliveries, to the day: when they came back, and for how long they could have.

The pattern table counts whole months of service, which is too coarse for “within one month”. Here a day is a day since
delivery; a return found up to delivery is on day 0. For every restoration the day on which observation ends is known,
also when it has left service before, and that is all that estimating a share takes.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import ibis
import numpy as np
from ibis import _
from numpy.typing import NDArray

from remakes.counts.engine import Tables
from remakes.counts.patterns import removed_on
from remakes.counts.table import PatternTable

__all__ = ["ANY_DEFECT", "NEVER", "DeliveryCounts", "count_deliveries"]

Ints = NDArray[np.int64]

#: A return with whatever defect, the first one of a restoration.
ANY_DEFECT: Final = "all"

#: The day of a removal that has not been seen.
NEVER: Final = int(np.iinfo(np.int32).max)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DeliveryCounts:
    """Restorations and first returns by month of delivery, in days since delivery.

    Attributes
    ----------
    months : tuple of str
        Those with a delivery, oldest first, such as ``2026-09``.
    defects : tuple of str
        ``all`` first, which stands for a restoration's first return with any defect; then by frequency.
    observed_until : date
        Last day on which a return counts.
    unit_month, unit_observed, unit_removed, unit_count : (units,) arrays
        Restorations by month, last day observed and day of removal by a remake (`NEVER` where none was seen).
    event_month, event_defect, event_day, event_observed, event_removed, event_count : (events,) arrays
        First returns by month, defect and day, and how the same restorations stand in the units above. A return before
        the delivery is on day 0.
    """

    months: tuple[str, ...]
    defects: tuple[str, ...]
    observed_until: date
    unit_month: Ints
    unit_observed: Ints
    unit_removed: Ints
    unit_count: Ints
    event_month: Ints
    event_defect: Ints
    event_day: Ints
    event_observed: Ints
    event_removed: Ints
    event_count: Ints


def count_deliveries(tables: Tables, table: PatternTable, *, observed_until: date | None = None) -> DeliveryCounts:
    """What was delivered in each calendar month, for how long has it been observed, and when did what come back?

    Parameters
    ----------
    tables : Tables
        The snapshot in a counting engine.
    table : PatternTable
        Gives the order of the defects and, where it is not stated, the end of observation.
    observed_until : date, optional
        Last day to count. An earlier day than the table's leaves out the weeks whose returns are not all entered yet,
        which would make the youngest deliveries look better than they are.

    Returns
    -------
    DeliveryCounts
        Empty arrays where nothing was delivered by that day.
    """
    until = observed_until or table.observed_until
    units = _units(tables, until)
    keys = ["month", "observed", "removed"]
    ends = units.group_by(keys).agg(n=_.count()).order_by(keys).to_pyarrow()
    keys = ["month", "defect", "day", "observed", "removed"]
    events = _first_returns(tables, units, until).group_by(keys).agg(n=_.count()).order_by(keys).to_pyarrow()
    months = tuple(sorted(set(ends["month"].to_pylist())))
    seen = set(events["defect"].to_pylist())
    defects = (ANY_DEFECT, *(code for code in table.defects if code in seen))
    place = {month: position for position, month in enumerate(months)}
    number = {code: position for position, code in enumerate(defects)}

    def column(rows: Any, name: str) -> Ints:
        return np.asarray(rows[name].to_numpy(), dtype=np.int64)

    def coded(rows: Any, name: str, codes: dict[str, int]) -> Ints:
        return np.array([codes[value] for value in rows[name].to_pylist()], dtype=np.int64)

    return DeliveryCounts(
        months=months,
        defects=defects,
        observed_until=until,
        unit_month=coded(ends, "month", place),
        unit_observed=column(ends, "observed"),
        unit_removed=column(ends, "removed"),
        unit_count=column(ends, "n"),
        event_month=coded(events, "month", place),
        event_defect=coded(events, "defect", number),
        event_day=column(events, "day"),
        event_observed=column(events, "observed"),
        event_removed=column(events, "removed"),
        event_count=column(events, "n"),
    )


def _units(tables: Tables, until: date) -> Any:
    """One row a restoration: month of delivery, last day observed, day of removal."""
    last = ibis.literal(until)
    dated = tables.restorations.mutate(delivered=_.delivered_on.cast("date")).filter(_.delivered <= last)
    joined = dated.left_join(removed_on(tables), "restoration_id").drop("restoration_id_right")
    removed = ibis.greatest(joined.removed_on.delta(joined.delivered, unit="day"), 0)
    return joined.select(
        "restoration_id",
        "delivered",
        month=joined.delivered.strftime("%Y-%m"),
        observed=last.delta(joined.delivered, unit="day").cast("int64"),
        removed=ibis.ifelse(joined.removed_on <= last, removed, NEVER).fill_null(NEVER).cast("int64"),
    )


def _first_returns(tables: Tables, units: Any, until: date) -> Any:
    """First return per restoration and defect, and per restoration, with its day since delivery."""
    dated = tables.returns.mutate(reported=_.reported_on.cast("date")).filter(_.reported <= ibis.literal(until))
    each = dated.group_by("restoration_id", "defect").agg(reported=_.reported.min())
    every = dated.group_by("restoration_id").agg(reported=_.reported.min()).mutate(defect=ibis.literal(ANY_DEFECT))
    joined = each.union(every.select("restoration_id", "defect", "reported")).join(units, "restoration_id")
    day = ibis.greatest(joined.reported.delta(joined.delivered, unit="day"), 0).cast("int64")
    return joined.select("month", "defect", "observed", "removed", day=day)

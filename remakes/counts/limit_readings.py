"""One reading of the restorations delivered lately, one row each, so that another limit can be held against it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import ibis
from ibis import _

from remakes.counts.engine import Tables
from remakes.counts.patterns import first_reported
from remakes.deviations import detect
from remakes.records.standard_file import APPLIES_WHEN_COLUMNS

__all__ = ["DeliveredReading", "readings_delivered"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveredReading:
    """One restoration with the reading that counts for it.

    Attributes
    ----------
    attributes : dict
        The columns that a requirement may depend on.
    value : str
        As recorded; blank where it is not.
    defects : frozenset of str
        With which it came back after delivery, as far as the records go; empty where it did not.
    """

    attributes: dict[str, str]
    value: str
    defects: frozenset[str]


def readings_delivered(
    tables: Tables, *, step: str, reading: str, after: date, until: date
) -> tuple[DeliveredReading, ...]:
    """The restorations delivered within a time, each with one reading.

    Parameters
    ----------
    tables : Tables
    step, reading : str
        As the process log names them.
    after, until : date
        Delivered later than the one, up to the other, which is also the last day of returns.

    Notes
    -----
    A reading counts as for met and missed: the latest one, written before the restoration came back.
    """
    units = tables.restorations.mutate(delivered=_.delivered_on.cast("date")).filter(
        _.delivered > ibis.literal(after), _.delivered <= ibis.literal(until)
    )
    log = tables.process_log.filter(_.step == step, _.reading == reading).semi_join(units, "restoration_id")
    latest = detect.latest_readings(log, first_reported(tables, units)).select("restoration_id", "value")
    returned = tables.returns.mutate(reported=_.reported_on.cast("date")).filter(_.reported <= ibis.literal(until))
    returned = returned.join(units.select("restoration_id", "delivered"), "restoration_id")
    returned = returned.filter(_.reported >= _.delivered).select("restoration_id", "defect")
    defects: dict[str, set[str]] = {}
    for row in returned.distinct().to_pyarrow().to_pylist():
        defects.setdefault(row["restoration_id"], set()).add(row["defect"])
    joined = units.left_join(latest, "restoration_id").select("restoration_id", "value", *APPLIES_WHEN_COLUMNS)
    rows = joined.order_by("restoration_id").to_pyarrow().to_pylist()
    return tuple(_read(row, defects) for row in rows)


def _read(row: dict[str, Any], defects: dict[str, set[str]]) -> DeliveredReading:
    return DeliveredReading(
        attributes={name: row[name] or "" for name in APPLIES_WHEN_COLUMNS},
        value=(row["value"] or "").strip(),
        defects=frozenset(defects.get(row["restoration_id"], ())),
    )

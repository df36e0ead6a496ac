"""Which restorations stand behind a number."""

from __future__ import annotations

from datetime import date
from typing import Any

import ibis
from ibis import _

from remakes.counts.engine import Tables
from remakes.deviations import detect
from remakes.records.standard import ProcessStandard

__all__ = ["returned_with_status"]

_ORDER = (detect.MISSED, detect.NOT_RECORDED, detect.MET, detect.NOT_APPLICABLE)


def returned_with_status(
    tables: Tables, standard: ProcessStandard, *, factor: str, defect: str, observed_until: date
) -> list[dict[str, Any]]:
    """Restorations returned with a defect, and how each stood to one requirement.

    Returns
    -------
    list of dict
        restoration_id, delivered_on, technician, kind, teeth, status (in words), value (the reading that
        counts, or blank), returned_on; those that missed it first, then by day of return.
    """
    dated = tables.restorations.mutate(delivered=_.delivered_on.cast("date")).filter(
        _.delivered <= ibis.literal(observed_until)
    )
    reported = tables.returns.mutate(reported=_.reported_on.cast("date")).filter(
        _.reported <= ibis.literal(observed_until)
    )
    first = reported.filter(_.defect == defect).group_by("restoration_id").agg(returned_on=_.reported.min())
    concerned = dated.join(first, "restoration_id")
    units = tables.keep("behind_units", concerned.mutate(regime=detect.regime(concerned, standard)))
    known = reported.join(units.select("restoration_id", "delivered"), "restoration_id")
    known = known.filter(_.reported >= _.delivered).group_by("restoration_id").agg(first_reported=_.reported.min())
    regimes = [str(value) for value in units.select("regime").distinct().to_pyarrow()["regime"].to_pylist()]
    mine = tables.process_log.semi_join(units, "restoration_id")
    readings = detect.latest_readings(mine, known)
    position = standard.factors.index(factor)
    held = detect.statuses(readings, units, detect.rules(standard, regimes)).filter(_.factor == position)
    rows = (
        units.left_join(held.select("restoration_id", "status", "value"), "restoration_id")
        .select(
            "restoration_id", "delivered", "technician", "kind", "teeth", "regime", "status", "value", "returned_on"
        )
        .to_pyarrow()
        .to_pylist()
    )
    found = [_row(row, position) for row in rows]
    order = [detect.STATUS_WORDS[code] for code in _ORDER]
    return sorted(found, key=lambda row: (order.index(row["status"]), row["returned_on"], row["restoration_id"]))


def _row(row: dict[str, Any], position: int) -> dict[str, Any]:
    applies = row["regime"].split(",")[position] not in ("", "-")
    code = row["status"] or (detect.NOT_RECORDED if applies else detect.NOT_APPLICABLE)
    return {
        "restoration_id": row["restoration_id"],
        "delivered_on": row["delivered"],
        "technician": row["technician"],
        "kind": row["kind"],
        "teeth": row["teeth"],
        "status": detect.STATUS_WORDS[code],
        "value": row["value"] or "",
        "returned_on": row["returned_on"],
    }

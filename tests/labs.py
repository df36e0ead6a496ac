"""Small labs for tests, written as rows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

import pyarrow as pa

from remakes.records.requirements import ProcessStandard
from remakes.records.snapshot import LOG_COLUMNS, RESTORATION_COLUMNS, RETURN_COLUMNS, Snapshot
from remakes.records.standard import parse_standard

DEFAULTS: dict[str, Any] = {
    "case_id": "A1",
    "clinic": "C01",
    "technician": "T01",
    "kind": "crown",
    "teeth": "11",
    "units": 1,
    "framework": "base metal",
    "veneer": "lab composite",
    "delivered_on": "2024-01-10",
}

STANDARD = """
title = "Test lab"
steps = ["blasting", "bonding", "layering", "finishing"]

[[requirement]]
factor = "grit_uses"
step = "blasting"
reading = "uses"
at_most = 8
may_cause = ["debonding"]
valid_from = 2024-01-01

[[requirement]]
factor = "grit_uses"
step = "blasting"
reading = "uses"
at_most = 5
may_cause = ["debonding"]
valid_from = 2024-06-01

[[requirement]]
factor = "bond_wait"
step = "bonding"
reading = "wait_s"
unit = "s"
at_least = 180
applies_when = { veneer = ["lab composite"] }
may_cause = ["debonding", "chipping"]
valid_from = 2024-01-01

[[requirement]]
factor = "thickness"
step = "layering"
reading = "mm"
between = [1.0, 2.0]
may_cause = ["chipping"]
valid_from = 2024-01-01

[[requirement]]
factor = "polish"
step = "finishing"
reading = "polished"
one_of = ["yes"]
may_cause = ["surface"]
valid_from = 2024-01-01

[[requirement]]
factor = "cleaning"
step = "blasting"
reading = "cleaned_by"
none_of = ["steam", "air"]
applies_when = { framework = ["base metal", "noble metal"] }
may_cause = ["debonding"]
valid_from = 2024-03-01
"""


def standard(text: str = STANDARD) -> ProcessStandard:
    """The standard of the test lab."""
    return parse_standard(text, file="standard.toml")


def table(columns: Iterable[str], rows: Iterable[Mapping[str, Any]], defaults: Mapping[str, Any]) -> pa.Table:
    """Rows as a snapshot has them: text everywhere, blank where nothing stands."""
    filled = [{**defaults, "id": number, **row} for number, row in enumerate(rows, start=1)]
    arrays = {
        name: pa.array(
            [int(row[name]) if name in ("id", "units") else str(row.get(name) or "") for row in filled],
            type=pa.int64() if name in ("id", "units") else pa.string(),
        )
        for name in columns
    }
    return pa.table(arrays)


def snapshot(
    restorations: Iterable[Mapping[str, Any]],
    log: Iterable[Mapping[str, Any]] = (),
    returns: Iterable[Mapping[str, Any]] = (),
    *,
    by: ProcessStandard | None = None,
    observed_until: date = date(2025, 1, 10),
) -> Snapshot:
    """A snapshot of a few rows; unnamed columns of a restoration are those of `DEFAULTS`."""
    return Snapshot(
        restorations=table(RESTORATION_COLUMNS, restorations, DEFAULTS),
        process_log=table(LOG_COLUMNS, log, {}),
        returns=table(RETURN_COLUMNS, returns, {"found_at": "in_service"}),
        standard=by or standard(),
        observed_until=observed_until,
    )

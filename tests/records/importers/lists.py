"""Small invented lists for the tests of the importers."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from sqlalchemy import select

from remakes.records import schema
from remakes.records.rows import COLUMNS
from remakes.records.store import Store

STANDARD = """
title = "Invented"
steps = ["bonding", "layering", "finishing"]

[[requirement]]
factor = "bond_wait"
step = "bonding"
reading = "bond_wait_s"
unit = "s"
at_least = 180
may_cause = ["debonding"]
valid_from = 2025-01-01

[[requirement]]
factor = "veneer_mm"
step = "layering"
reading = "veneer_min_mm"
at_least = 1.0
may_cause = ["chipping"]
valid_from = 2025-01-01

[[requirement]]
factor = "polish"
step = "finishing"
reading = "polished"
one_of = ["yes"]
may_cause = ["discoloration"]
valid_from = 2025-01-01
"""

ACTIONS = """
[[action]]
action = "bond_timer"
title = "Timer at the bonding bench"
corrects = { bond_wait = 0.9 }
cost_once = 120

[costs]
per_minute = 0.8
default_per_return = 90
currency = "EUR"
"""


def restoration(number: str, **other: str) -> dict[str, str]:
    """One row of the restorations, as text."""
    row = {"restoration_id": number, "clinic": "C1", "technician": "T1", "kind": "crown", "teeth": "11", "units": "1"}
    row |= {"veneer": "lab composite", "received_on": "2026-02-20", "delivered_on": "2026-03-02"}
    return row | other


def reading(number: str, **other: str) -> dict[str, str]:
    """One row of the process log, as text."""
    return {
        "restoration_id": number,
        "step": "bonding",
        "reading": "bond_wait_s",
        "value": "180",
        "recorded_at": "2026-03-01 10:00",
        "operator": "T1",
    } | other


def returned(number: str, return_id: str, **other: str) -> dict[str, str]:
    """One row of the returns, as text."""
    row = {"return_id": return_id, "restoration_id": number, "reported_on": "2026-04-01", "defect": "chipping"}
    return row | {"found_at": "in_service", "severity": "4"} | other


def csv_text(rows: Iterable[Mapping[str, str]], *, delimiter: str = ",") -> str:
    """Rows as CSV, with every column that one of them has."""
    rows = list(rows)
    header = list(dict.fromkeys(column for row in rows for column in row))
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, header, delimiter=delimiter, lineterminator="\n", restval="")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def write(folder: Path, **files: str | bytes | Sequence[Mapping[str, str]]) -> Path:
    """Write files into a folder: `restorations=[...]` as CSV, `standard=...` as TOML text."""
    folder.mkdir(exist_ok=True)
    for name, content in files.items():
        ending = ".toml" if name in ("standard", "actions", "map") else ".csv"
        if not isinstance(content, str | bytes):
            content = csv_text(content)
        data = content if isinstance(content, bytes) else content.encode()
        (folder / f"{name}{ending}").write_bytes(data)
    return folder


def small_lab(folder: Path) -> Path:
    """Three restorations with readings and two returns, and the standard and actions."""
    return write(
        folder,
        standard=STANDARD,
        actions=ACTIONS,
        restorations=[
            restoration("R1"),
            restoration("R2", technician="T2"),
            restoration("R3", teeth="34 35", units="2"),
        ],
        process_log=[
            reading("R1"),
            reading("R2", value=""),
            reading("R3", reading="veneer_min_mm", step="layering", value="1.2"),
        ],
        returns=[returned("R1", "Q1"), returned("R1", "Q1", defect="debonding"), returned("R3", "Q2", note="edge")],
    )


def recorded(
    store: Store, *, leave_out: Sequence[str] = ("import_id", "id", "extra")
) -> dict[str, list[tuple[Any, ...]]]:
    """The rows of the three tables, in an order of their own content."""
    with store.reader() as connection:
        return {
            name: sorted(
                connection.execute(
                    select(*(column for column in schema.metadata.tables[name].c if column.name not in leave_out))
                ).all(),
                key=repr,
            )
            for name in COLUMNS
        }


def everything(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    """All rows of all tables but the history and the audit, extras and row numbers too."""
    kept_apart = {"imports", "import_changes", "audit"}
    with store.reader() as connection:
        return {
            table.name: sorted(map(tuple, connection.execute(select(table)).all()), key=repr)
            for table in schema.metadata.sorted_tables
            if table.name not in kept_apart
        }

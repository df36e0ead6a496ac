"""Sheets with our own headings, written another way: known as such; a few mistakes are still mistakes."""

from __future__ import annotations

import pytest

from remakes.records.importers.own_writing import written_as_ours
from remakes.records.importers.sheets import open_sheets

RESTORATIONS = "restoration_id;kind;units;teeth;received_on;delivered_on\n"
LOG = "restoration_id;step;reading;value;recorded_at\n"
RETURNS = "return_id;restoration_id;reported_on;defect;primary;cost\n"


@pytest.mark.parametrize(
    ("table", "text", "ours"),
    [
        ("restorations", "R1;crown;1;11;2026-03-01;2026-03-02\n", True),
        ("restorations", "R1;Crown;;;;2026-03-02\n", True),
        ("restorations", "R1;crown;1;11;;02.03.2026\n", False),
        ("restorations", "R1;crown;1;11;01.03.2026;2026-03-02\n", False),
        ("restorations", "R1;Krone;1;11;;2026-03-02\n", False),
        ("restorations", "R1;crown;1;UR6;;2026-03-02\n", False),
        # One mistake among good rows is refused as a row.
        ("restorations", "R1;crown;1;11;;02.03.2026\nR2;crown;1;12;;2026-03-02\n", True),
        ("process_log", "R1;bonding;wait;180.5;2026-03-01 10:00\nR1;bonding;agent;none;\n", True),
        ("process_log", "R1;bonding;wait;180,5;2026-03-01 10:00\n", False),
        ("process_log", "R1;bonding;wait;180;01.03.2026 10:00\n", False),
        ("returns", "Q1;R1;2026-04-01;chipping;yes;12.50\n", True),
        ("returns", "Q1;R1;2026-04-01;chipping;yes;12,50\n", False),
        ("returns", "Q1;R1;2026-04-01;chipping;ja;12.50\n", False),
    ],
)
def test_another_way_of_writing_is_told_from_a_mistake(table: str, text: str, ours: bool) -> None:
    header = {"restorations": RESTORATIONS, "process_log": LOG, "returns": RETURNS}[table]
    sheet = open_sheets(f"{table}.csv", (header + text).encode()).sheet("")
    assert written_as_ours(sheet, table) is ours

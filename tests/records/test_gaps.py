"""Where the records have gaps: wanted where a requirement in force applies; a blank is not recorded."""

from __future__ import annotations

from pathlib import Path

import pytest

from remakes.records.gaps import find_gaps
from remakes.records.importers import import_paths
from remakes.records.store import Store
from tests.records.importers.lists import STANDARD, reading, restoration, write


def test_readings_are_counted_by_month_where_they_are_wanted(store: Store, tmp_path: Path) -> None:
    standard = STANDARD.replace(
        "at_least = 180", 'at_least = 180\nsays = "Left to react"\napplies_when = { veneer = ["lab composite"] }'
    )
    folder = write(
        tmp_path / "lists",
        standard=standard,
        restorations=[
            restoration("R1"),
            restoration("R2"),
            restoration("R3", veneer="ceramic"),
            restoration("R4", delivered_on="2026-04-02", technician=""),
            restoration("R0", received_on="2024-01-01", delivered_on="2024-02-01"),
        ],
        process_log=[reading("R1"), reading("R1", value="190"), reading("R2", value=""), reading("R4")],
    )
    assert import_paths(store, [folder]).ok
    found = find_gaps(store)
    assert found.months == ("2026-03", "2026-04")
    wait = found.readings[0]
    assert (wait.name, wait.recorded, wait.wanted) == ("bond_wait_s", 2, 3)
    # What the standard says of it, for whoever does not know the name in the records.
    assert wait.says == "Left to react"
    assert wait.by_month == {"2026-03": (1, 2), "2026-04": (1, 1)}
    assert wait.emptiest == "2026-03"
    assert wait.share == pytest.approx(2 / 3)
    assert found.worst is not None
    assert found.worst.recorded == 0
    technician = next(one for one in found.columns if one.name == "technician")
    assert (technician.recorded, technician.wanted) == (3, 4)


def test_an_empty_store_has_no_gaps(store: Store) -> None:
    found = find_gaps(store)
    assert (found.months, found.readings, found.worst) == ((), (), None)

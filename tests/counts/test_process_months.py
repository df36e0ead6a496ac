"""Counts by requirement and month of delivery: placed as by hand, and adding up to the pattern table."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import pytest

from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.counts.process_months import ProcessMonthCounts, count_process_months
from remakes.deviations.detect import MET, MISSED, NOT_RECORDED
from remakes.errors import TableError
from remakes.records.requirements import ProcessStandard
from remakes.records.snapshot import Snapshot
from tests.labs import snapshot, standard
from tests.planted import END, planted_lab

HEAD = 'title = "Lab"\nsteps = ["bonding", "layering"]\n'


def counted(records: Snapshot) -> ProcessMonthCounts:
    tables = connect(records)
    table = count_patterns(tables, records.standard, observed_until=records.observed_until)
    return count_process_months(tables, table, records.standard)


def lab(deliveries: list[str], waits: list[str | None], by: ProcessStandard | None = None, **kwargs: Any) -> Snapshot:
    names = [f"R{k}" for k in range(len(deliveries))]
    return snapshot(
        [{"restoration_id": name, "delivered_on": day} for name, day in zip(names, deliveries, strict=True)],
        [
            {"restoration_id": name, "step": "bonding", "reading": "wait_s", "value": value}
            for name, value in zip(names, waits, strict=True)
            if value is not None
        ],
        by=by,
        **kwargs,
    )


def row(found: ProcessMonthCounts, factor: str) -> tuple[list[int], list[int], list[int]]:
    at = found.factors.index(factor)
    return found.met[at].tolist(), found.missed[at].tolist(), found.not_recorded[at].tolist()


def test_a_few_by_hand() -> None:
    found = counted(
        lab(
            ["2024-01-10", "2024-01-31", "2024-02-01", "2024-04-30"],
            ["200", "100", None, " "],
            observed_until=date(2024, 5, 2),
        )
    )
    assert found.months == ("2024-01", "2024-02", "2024-03", "2024-04", "2024-05")
    assert row(found, "bond_wait") == ([1, 0, 0, 0, 0], [1, 0, 0, 0, 0], [0, 1, 0, 1, 0])
    # Nothing was written about polish; cleaning is required from March on.
    assert row(found, "polish") == ([0] * 5, [0] * 5, [2, 1, 0, 1, 0])
    assert row(found, "cleaning") == ([0] * 5, [0] * 5, [0, 0, 0, 1, 0])
    assert found.recorded[found.factors.index("bond_wait")].tolist() == [2, 0, 0, 0, 0]


def test_what_the_requirement_is_not_meant_for_does_not_count() -> None:
    records = snapshot(
        [
            {"restoration_id": "A", "veneer": "ceramic"},
            {"restoration_id": "B", "veneer": "lab composite"},
        ],
        [{"restoration_id": "A", "step": "bonding", "reading": "wait_s", "value": "10"}],
        observed_until=date(2024, 1, 31),
    )
    found = counted(records)
    assert row(found, "bond_wait") == ([0], [0], [1])
    assert found.restorations[found.factors.index("bond_wait")].tolist() == [1]


def test_sums_over_months_are_the_pattern_table() -> None:
    records = planted_lab(3, restorations=600)
    tables = connect(records)
    table = count_patterns(tables, records.standard, observed_until=END)
    found = count_process_months(tables, table, records.standard)
    for factor in table.factors:
        status, at = table.status_of(factor), table.factors.index(factor)
        for code, counts in ((MET, found.met), (MISSED, found.missed), (NOT_RECORDED, found.not_recorded)):
            assert counts[at].sum() == table.restorations[status == code].sum()


REQUIREMENT = """
[[requirement]]
factor = "{factor}"
step = "bonding"
reading = "{reading}"
at_least = {limit}
may_cause = ["debonding"]
valid_from = {day}
{more}
"""


#: Filled in when the name is known.
FACTOR = "@factor@"


def _requirement(limit: int, day: str, *, reading: str = "wait_s", more: str = "") -> str:
    return REQUIREMENT.format(factor=FACTOR, reading=reading, limit=limit, day=day, more=more)


#: A second requirement of a factor that begins with 180 s on 1 January: months of a new limit, and of a new reading.
SECOND = {
    "from_march": (_requirement(200, "2024-03-01"), [2], []),
    # March holds both limits, April is the first of the new one.
    "in_march": (_requirement(200, "2024-03-15"), [2, 3], []),
    "last_month": (_requirement(200, "2024-06-20"), [5], []),
    "said_again": (_requirement(180, "2024-03-01"), [], []),
    # Before the first delivery: nothing to compare with.
    "before": (_requirement(200, "2023-12-01"), [0], []),
    "other_reading": (_requirement(180, "2024-03-01", reading="wait"), [2], [2]),
    "others_too": (_requirement(180, "2024-03-01", more="applies_when = { kind = ['bridge'] }"), [2], [2]),
    "for_a_time": (_requirement(200, "2024-03-01", more="valid_until = 2024-04-30"), [2, 4], []),
    # That it begins is no change.
    "alone": ("", [], []),
}


def test_a_month_with_a_new_limit_is_marked() -> None:
    first = _requirement(180, "2024-01-01")
    text = HEAD + "".join((first + second).replace(FACTOR, factor) for factor, (second, *_) in SECOND.items())
    records = lab(["2024-01-10", "2024-06-25"], ["190"] * 2, by=standard(text), observed_until=date(2024, 6, 30))
    found = counted(records)
    assert len(found.months) == 6
    for factor, (_second, limits, readings) in SECOND.items():
        at = found.factors.index(factor)
        assert (factor, np.flatnonzero(found.new_limit[at]).tolist()) == (factor, limits)
        assert (factor, np.flatnonzero(found.new_reading[at]).tolist()) == (factor, readings)


def test_without_requirements_there_is_nothing_to_count() -> None:
    found = counted(lab(["2024-01-10"], [None], by=ProcessStandard(), observed_until=date(2024, 1, 31)))
    assert found.factors == ()
    assert found.met.shape == (0, 1)


def test_another_standard_or_another_count_is_refused() -> None:
    records = planted_lab(3, restorations=60)
    tables = connect(records)
    table = count_patterns(tables, records.standard, observed_until=END)
    with pytest.raises(TableError, match="Count the patterns by this standard"):
        count_process_months(tables, table, ProcessStandard())
    count_patterns(tables, records.standard, observed_until=date(2024, 6, 30))
    with pytest.raises(TableError, match="Count the patterns again"):
        count_process_months(tables, table, records.standard)

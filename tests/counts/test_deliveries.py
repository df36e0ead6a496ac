"""Deliveries month by month, to the day."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import cache
from typing import Any

from remakes.counts.deliveries import NEVER, DeliveryCounts, count_deliveries
from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.counts.table import PatternTable
from tests import labs

UNTIL = date(2024, 6, 30)


def counted(
    restorations: list[dict[str, Any]], returns: list[dict[str, Any]], *, observed_until: date | None = None
) -> DeliveryCounts:
    tables = connect(labs.snapshot(restorations, returns=returns, observed_until=UNTIL))
    return count_deliveries(tables, pattern_table(), observed_until=observed_until)


@cache
def pattern_table() -> PatternTable:
    """One for all tests: only the order of the defects and the end of observation are read from it."""
    snapshot = labs.snapshot([made(1, "2024-05-01")], observed_until=UNTIL)
    table = count_patterns(connect(snapshot), snapshot.standard, observed_until=UNTIL)
    return replace(table, defects=("chipping", "debonding"))


def made(number: int, day: str, **other: Any) -> dict[str, Any]:
    return {"restoration_id": f"R{number}", "delivered_on": day, **other}


def back(number: int, day: str, defect: str = "chipping", **other: Any) -> dict[str, Any]:
    return {
        "return_id": f"Q{number}{day}",
        "restoration_id": f"R{number}",
        "reported_on": day,
        "defect": defect,
    } | other


def test_days_observed_by_month_of_delivery() -> None:
    found = counted([made(1, "2024-05-01"), made(2, "2024-06-30"), made(3, "2024-05-01")], [])
    assert found.months == ("2024-05", "2024-06")
    assert found.defects == ("all",)
    assert found.unit_observed.tolist() == [60, 0]
    assert found.unit_count.tolist() == [2, 1]
    assert found.unit_removed.tolist() == [NEVER, NEVER]
    assert len(found.event_day) == 0


def test_the_first_return_of_each_defect_and_of_all() -> None:
    found = counted(
        [made(1, "2024-03-01")],
        [back(1, "2024-03-11", "debonding"), back(1, "2024-03-05"), back(1, "2024-04-01", "debonding")],
    )
    events = {
        (found.defects[defect], day)
        for defect, day in zip(found.event_defect.tolist(), found.event_day.tolist(), strict=True)
    }
    assert events == {("all", 4), ("chipping", 4), ("debonding", 10)}
    assert found.event_count.tolist() == [1, 1, 1]


def test_a_return_before_the_delivery_is_on_day_0() -> None:
    found = counted([made(1, "2024-03-10")], [back(1, "2024-03-05", found_at="try_in")])
    assert found.event_day.tolist() == [0, 0]


def test_a_remake_removes_on_its_day_whoever_returned_it() -> None:
    found = counted(
        [made(1, "2024-03-01"), made(2, "2024-03-01"), made(3, "2024-03-21", remake_of="R2")],
        [back(1, "2024-03-11", disposition="remade")],
    )
    assert sorted(found.unit_removed.tolist()) == [10, 20, NEVER]
    assert found.event_removed.tolist() == [10, 10]


def test_a_removal_that_is_not_seen_yet_is_none() -> None:
    found = counted(
        [made(1, "2024-03-01")], [back(1, "2024-05-01", disposition="remade")], observed_until=date(2024, 4, 1)
    )
    assert found.unit_removed.tolist() == [NEVER]
    assert len(found.event_day) == 0
    assert found.defects == ("all",)


def test_an_earlier_end_of_observation_leaves_out_what_came_after() -> None:
    found = counted(
        [made(1, "2024-03-01"), made(2, "2024-06-01")], [back(1, "2024-06-15")], observed_until=date(2024, 5, 31)
    )
    assert found.months == ("2024-03",)
    assert found.unit_observed.tolist() == [91]
    assert found.observed_until == date(2024, 5, 31)


def test_nothing_delivered_by_then() -> None:
    found = counted([made(1, "2024-03-01")], [], observed_until=date(2024, 2, 1))
    assert found.months == ()
    assert len(found.unit_count) == 0

"""Days between report and entry: which returns count, what cannot be used, and up to which day anything is known."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from remakes.counts.delays import UNDATED, DelayCounts, count_delays
from remakes.counts.engine import connect
from tests import labs

UNTIL = date(2024, 6, 30)


def one(
    reported: str, entered: str, *, defect: str = "chipping", restoration: str = "R1", code: str = ""
) -> dict[str, Any]:
    return {
        "return_id": code or f"{restoration}-{defect}-{reported}",
        "restoration_id": restoration,
        "reported_on": reported,
        "entered_on": entered,
        "defect": defect,
    }


def counted(*returns: dict[str, Any], observed_until: date = UNTIL) -> DelayCounts:
    restorations = [{"restoration_id": f"R{k}", "delivered_on": "2024-01-10"} for k in range(1, 6)]
    restorations.append({"restoration_id": "R9", "delivered_on": "2024-09-01"})
    tables = connect(labs.snapshot(restorations, returns=returns, observed_until=observed_until))
    return count_delays(tables, observed_until=observed_until)


def test_days_between_report_and_entry() -> None:
    found = counted(one("2024-03-01", "2024-03-01"), one("2024-03-01", "2024-03-08", restoration="R2"))
    assert sorted(found.delay.tolist()) == [0, 7]
    assert found.count.sum() == found.entries == 2
    assert {date.fromordinal(day) for day in found.reported.tolist()} == {date(2024, 3, 1)}


def test_two_defects_of_one_return_are_two_returns_and_one_entry() -> None:
    found = counted(
        one("2024-03-01", "2024-03-03", code="Q1"), one("2024-03-01", "2024-03-03", defect="debonding", code="Q1")
    )
    assert found.count.sum() == 2
    assert found.entries == 1
    assert set(found.defects) == {"chipping", "debonding"}


def test_the_first_return_of_a_restoration_with_a_defect_counts() -> None:
    found = counted(one("2024-03-01", "2024-03-03"), one("2024-05-01", "2024-05-02"))
    assert found.delay.tolist() == [2]
    # Both were entered, and both tell how long that took.
    assert sorted(found.entry_delay.tolist()) == [1, 2]


def test_a_blank_day_of_entry_is_counted_and_not_used() -> None:
    found = counted(one("2024-03-01", ""))
    assert found.delay.tolist() == [UNDATED]
    assert (found.undated, found.entries) == (1, 0)


def test_an_entry_before_the_report_is_taken_for_the_same_day_and_told() -> None:
    found = counted(one("2024-03-05", "2024-03-01"))
    assert found.delay.tolist() == [0]
    assert (found.negative, found.entries, found.undated) == (1, 1, 0)


def test_an_entry_half_a_year_later_or_more_is_not_used() -> None:
    found = counted(one("2024-03-05", "2042-03-06"))
    assert found.delay.tolist() == [UNDATED]
    assert (found.too_long, found.entries) == (1, 0)
    # Nor does a year with its digits exchanged prove that somebody was entering then.
    assert found.known_until == UNTIL


def test_an_entry_after_the_end_of_observation_shows_that_more_is_known() -> None:
    found = counted(one("2024-06-20", "2024-07-15"))
    assert (found.observed_until, found.known_until) == (UNTIL, date(2024, 7, 15))


def test_a_later_report_does_not_count_but_its_entry_shows_what_is_known() -> None:
    found = counted(one("2024-06-20", "2024-06-21"), one("2024-07-01", "2024-07-20", restoration="R2"))
    assert found.count.sum() == 1
    assert found.known_until == date(2024, 7, 20)


def test_returns_of_restorations_not_delivered_yet_are_left_out() -> None:
    assert counted(one("2024-06-20", "2024-06-21", restoration="R9")).count.sum() == 0


def test_a_return_before_the_delivery_counts_on_the_day_of_its_report() -> None:
    found = counted(one("2024-01-05", "2024-01-06"))
    assert [date.fromordinal(day) for day in found.reported.tolist()] == [date(2024, 1, 5)]


def test_without_returns_everything_is_empty() -> None:
    found = counted()
    assert (found.entries, len(found.reported), found.defects) == (0, 0, ())
    assert (found.undated, found.negative, found.too_long) == (0, 0, 0)
    assert found.known_until == UNTIL


@pytest.mark.parametrize(("day", "known"), [("2024-03-02", 0), ("2024-03-03", 1), ("2024-03-31", 1), ("2024-04-10", 2)])
def test_what_was_known_on_an_earlier_day(day: str, known: int) -> None:
    found = counted(
        one("2024-03-01", "2024-03-03"),
        one("2024-03-20", "2024-04-10", restoration="R2"),
        one("2024-03-21", "", restoration="R3"),
    ).as_known_on(date.fromisoformat(day))
    assert found.count.sum() == found.entries == known
    assert found.known_until == found.observed_until == date.fromisoformat(day)
    assert found.undated == 0

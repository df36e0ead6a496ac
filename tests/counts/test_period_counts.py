"""Time at risk and returns in two periods against a count day by day."""

from __future__ import annotations

from datetime import date, timedelta
from math import floor
from typing import Any

import numpy as np
import pytest

from remakes.counts.engine import Tables, connect
from remakes.counts.patterns import count_patterns
from remakes.counts.period_counts import AFTER, AGES, BEFORE, RECORD, count_periods
from remakes.counts.table import BIN_EDGES, DAYS_PER_MONTH, PatternTable
from remakes.errors import TableError
from tests.labs import snapshot, standard

END = date(2026, 3, 20)
BEFORE_MONTHS, AFTER_MONTHS = ("2025-10", "2025-11"), ("2026-02", "2026-03")
Lab = tuple[list[dict[str, Any]], list[dict[str, Any]]]


def in_engine(lab: Lab) -> tuple[Tables, PatternTable]:
    tables = connect(snapshot(lab[0], (), lab[1], observed_until=END))
    return tables, count_patterns(tables, standard(), observed_until=END)


@pytest.fixture(scope="module")
def one_restoration() -> tuple[Tables, PatternTable]:
    return in_engine(([{"restoration_id": "R1", "delivered_on": "2026-01-10"}], []))


def drawn(seed: int) -> Lab:
    """None to three returns of two defects, from days before the delivery to long after the remake."""
    rng = np.random.default_rng(seed)
    made, back = [], []
    for number in range(80):
        delivered = date(2023, 6, 1) + timedelta(days=int(rng.integers(0, 1023)))
        name = f"R{number}"
        made.append({"restoration_id": name, "delivered_on": delivered.isoformat(), "clinic": f"C{rng.integers(0, 3)}"})
        back += [
            {
                "return_id": f"{name}-{k}",
                "restoration_id": name,
                "reported_on": (
                    delivered + timedelta(days=int(rng.integers(-4, rng.choice([3, 80, 900]))))
                ).isoformat(),
                "defect": str(rng.choice(["chipping", "debonding"])),
                "disposition": str(rng.choice(["remade", "repaired"])),
            }
            for k in range(int(rng.integers(0, 4)))
        ]
    return made, back


def day_by_day(lab: Lab, defect: str) -> tuple[np.ndarray, np.ndarray]:
    """At risk in days (deliveries in the first column) and returns, by window and age."""
    at_risk, events = np.zeros((3, len(AGES))), np.zeros((3, len(AGES)))
    for one in lab[0]:
        born = date.fromisoformat(one["delivered_on"])
        mine = [row for row in lab[1] if row["restoration_id"] == one["restoration_id"]]
        days = {
            what: [date.fromisoformat(row["reported_on"]) for row in mine if row[key] == value]
            for what, key, value in (("gone", "disposition", "remade"), ("back", "defect", defect))
        }
        gone, back = min(days["gone"], default=END), min(days["back"], default=date.max)
        for window in windows_of(born):
            at_risk[window, 0] += 1
        day = born + timedelta(days=1)
        while day <= min(gone, back, END):
            for window in windows_of(day):
                at_risk[window, age_of(born, day)] += 1
            day += timedelta(days=1)
        if back <= END:
            for window in {RECORD, *windows_of(back)}:
                events[window, age_of(born, back)] += 1
    return at_risk, events


def windows_of(day: date) -> set[int]:
    month = day.strftime("%Y-%m")
    return {RECORD} | ({BEFORE} if month in BEFORE_MONTHS else set()) | ({AFTER} if month in AFTER_MONTHS else set())


def age_of(born: date, day: date) -> int:
    days = (day - born).days
    return 0 if days <= 0 else int(np.searchsorted(BIN_EDGES, floor(days / DAYS_PER_MONTH), side="right"))


@pytest.mark.parametrize("seed", [1, 2])
def test_periods_are_those_counted_day_by_day(seed: int) -> None:
    lab = drawn(seed)
    tables, table = in_engine(lab)
    found = count_periods(tables, table, before=BEFORE_MONTHS, after=AFTER_MONTHS)
    # Every pattern has its own restorations.
    assert found.at_risk[RECORD, :, 0].tolist() == table.restorations.tolist()
    for defect in table.defects:
        expected, returned = day_by_day(lab, defect)
        at_risk, events = found.of(defect)
        got = at_risk.sum(axis=1)
        got[:, 1:] *= DAYS_PER_MONTH
        np.testing.assert_allclose(got, expected, atol=1e-6)
        assert events.tolist() == returned.tolist()
        assert found.returns(defect).tolist() == events.sum(axis=1).tolist()
        # Every return of the pattern table is one here.
        assert events[RECORD].sum() == table.returns_by_pattern(defect).sum()
    assert found.days.tolist() == [(END - table.first_delivered).days + 1, 61, 48]
    assert not found.whole


def test_whole_periods_are_known_to_be_whole(one_restoration: tuple[Tables, PatternTable]) -> None:
    found = count_periods(*one_restoration, before=("2026-01",), after=("2026-02",))
    assert found.whole
    assert found.days.tolist() == [70, 31, 28]


def test_a_period_without_months_or_before_the_record_holds_nothing(
    one_restoration: tuple[Tables, PatternTable],
) -> None:
    found = count_periods(*one_restoration, before=(), after=("2025-11",))
    assert found.days.tolist() == [70, 0, 30]
    assert not found.at_risk[BEFORE].any()
    assert not found.at_risk[AFTER].any()


def test_a_lab_without_returns_has_months_at_risk_only(one_restoration: tuple[Tables, PatternTable]) -> None:
    found = count_periods(*one_restoration, before=BEFORE_MONTHS, after=AFTER_MONTHS)
    assert found.defects == ()
    assert found.at_risk[AFTER, 0, 1:].sum() * DAYS_PER_MONTH == pytest.approx(28 + 20)
    with pytest.raises(TableError, match="no returned defect named “chipping”"):
        found.of("chipping")


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        (("2025-10", "2025-12"), ("2026-01",), "no unbroken row: 2025-12 does not follow"),
        (("2025-11", "2025-12"), ("2025-12",), "overlap or are in the wrong order"),
        (("2026-02",), ("2025-11",), "wrong order"),
        (("2025-13",), ("2026-01",), "“2025-13” is not a month"),
        (("October",), ("2026-01",), "is not a month"),
    ],
)
def test_what_is_no_period_is_refused(
    one_restoration: tuple[Tables, PatternTable], before: tuple[str, ...], after: tuple[str, ...], says: str
) -> None:
    with pytest.raises(TableError, match=says):
        count_periods(*one_restoration, before=before, after=after)

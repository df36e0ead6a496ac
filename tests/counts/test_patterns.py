"""The pattern table against counting by hand, restoration by restoration."""

from __future__ import annotations

from datetime import date, timedelta
from math import floor
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.counts.table import BIN_EDGES, DAYS_PER_MONTH, months_within, share_within
from remakes.errors import NothingToAnalyzeError
from tests.labs import snapshot, standard

END = date(2026, 6, 30)


def bin_of(month: int) -> int:
    return max(k for k, edge in enumerate(BIN_EDGES) if month >= edge)


def by_hand(lab: list[dict[str, Any]], defect: str) -> tuple[np.ndarray, np.ndarray]:
    """Months at risk and first returns by bin, one restoration after the other, month after month."""
    at_risk, events = np.zeros(len(BIN_EDGES)), np.zeros(len(BIN_EDGES))
    for one in lab:
        delivered = one["delivered"]
        end = min([END, *(d for d, _defect, gone in one["returns"] if gone)])
        months = max(1, floor((end - delivered).days / DAYS_PER_MONTH + 0.5))
        mine = sorted(day for day, code, _gone in one["returns"] if code == defect and day <= END)
        if mine:
            month = max(0, floor((mine[0] - delivered).days / DAYS_PER_MONTH))
            events[bin_of(month)] += 1
            months = month + 1
        for month in range(months):
            at_risk[bin_of(month)] += 1
    return at_risk, events


restoration = st.fixed_dictionaries(
    {
        "delivered": st.dates(date(2023, 1, 1), END),
        "technician": st.sampled_from(["T1", "T2"]),
        "returns": st.lists(
            st.tuples(st.integers(0, 900), st.sampled_from(["chipping", "debonding"]), st.booleans()), max_size=3
        ),
    }
)


# Each restoration is a case of its own: a count of many costs what a count of one does.
@settings(deadline=None, max_examples=3, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(lab=st.lists(restoration, min_size=25, max_size=50))
def test_months_at_risk_and_returns_are_those_counted_by_hand(lab: list[dict[str, Any]]) -> None:
    restorations, returns = [], []
    for number, one in enumerate(lab):
        one["returns"] = [(one["delivered"] + timedelta(days=days), code, gone) for days, code, gone in one["returns"]]
        name = f"R{number}"
        restorations.append(
            {"restoration_id": name, "technician": one["technician"], "delivered_on": one["delivered"].isoformat()}
        )
        returns += [
            {
                "return_id": f"{name}-{k}",
                "restoration_id": name,
                "reported_on": day.isoformat(),
                "defect": code,
                "disposition": "remade" if gone else "repaired",
            }
            for k, (day, code, gone) in enumerate(one["returns"])
        ]
    table = count_patterns(connect(snapshot(restorations, (), returns)), standard(), observed_until=END)
    assert table.restorations.sum() == len(lab)
    for defect in table.defects:
        at_risk, events = table.events_of(defect)
        expected = by_hand(lab, defect)
        assert at_risk.sum(axis=0).tolist() == expected[0].tolist()
        assert events.sum(axis=0).tolist() == expected[1].tolist()
        assert (at_risk >= events).all()


def test_a_replacement_ends_the_service_of_what_it_replaces() -> None:
    lab = [
        {"restoration_id": "R1", "delivered_on": "2025-01-01"},
        {"restoration_id": "R2", "delivered_on": "2025-04-01", "remake_of": "R1", "technician": "T02"},
    ]
    table = count_patterns(connect(snapshot(lab)), standard(), observed_until=date(2026, 1, 1))
    person = table.attributes["technician"]
    months = {person.levels[code]: table.at_risk[row].sum() for row, code in enumerate(person.codes)}
    assert months == {"T01": 3, "T02": 9}


def test_deliveries_and_returns_after_the_end_of_observation_do_not_count() -> None:
    lab = [
        {"restoration_id": "R1", "delivered_on": "2025-01-01"},
        {"restoration_id": "R2", "delivered_on": "2025-05-01"},
    ]
    back = [
        {"return_id": "Q1", "restoration_id": "R1", "reported_on": "2025-05-02", "defect": "chipping"},
        {"return_id": "Q2", "restoration_id": "R1", "reported_on": "2025-02-02", "defect": "debonding"},
    ]
    tables = connect(snapshot(lab, (), back))
    table = count_patterns(tables, standard(), observed_until=date(2025, 4, 1))
    assert (table.restorations.sum(), table.defects) == (1, ("debonding",))
    with pytest.raises(NothingToAnalyzeError, match="No restoration was delivered up to 2024-12-31"):
        count_patterns(tables, standard(), observed_until=date(2024, 12, 31))


def test_a_return_before_delivery_counts_in_the_first_month() -> None:
    lab = [{"restoration_id": "R1", "delivered_on": "2025-01-10"}]
    back = [
        {
            "return_id": "Q1",
            "restoration_id": "R1",
            "reported_on": "2025-01-08",
            "defect": "porosity",
            "found_at": "before_delivery",
        }
    ]
    table = count_patterns(connect(snapshot(lab, (), back)), standard(), observed_until=date(2025, 6, 1))
    at_risk, events = table.events_of("porosity")
    assert events[0].tolist() == [1, 0, 0, 0, 0, 0, 0]
    assert at_risk[0].tolist() == [1, 0, 0, 0, 0, 0, 0]
    assert table.early_returns("porosity") == 1


def test_the_horizon_cuts_the_bins() -> None:
    assert months_within(12).tolist() == [1, 1, 2, 3, 5, 0, 0]
    assert months_within(30).tolist() == [1, 1, 2, 3, 6, 12, 5]
    assert share_within(12).tolist() == pytest.approx([1, 1, 1, 1, 5 / 6, 0, 0])
    assert share_within(1).tolist() == [1, 0, 0, 0, 0, 0, 0]

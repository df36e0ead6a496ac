"""The process side: signals, limits and what is said about them."""

from __future__ import annotations

import math
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.counts.process_months import ProcessMonthCounts, count_process_months
from remakes.trends.limits.share_series import LEAST_MONTHS
from remakes.trends.months.process_months import NEAR_LOWER, NEAR_UPPER, ProcessFactor, process_side
from remakes.trends.months.signals import ABOVE, BELOW, FALL, RISE
from tests.labs import snapshot

KNOWN = {ABOVE, BELOW, RISE, FALL, NEAR_UPPER, NEAR_LOWER}


def counts(
    missed: list[int], recorded: list[int], gaps: list[int] | None = None, *, new_limit: int | None = None
) -> ProcessMonthCounts:
    """One factor, months from 2024-01 on."""
    m, r = np.array([missed]), np.array([recorded])
    limit = np.zeros(m.shape, dtype=bool)
    if new_limit is not None:
        limit[0, new_limit] = True
    return ProcessMonthCounts(
        factors=("bond_wait",),
        months=tuple(f"{2024 + k // 12}-{k % 12 + 1:02d}" for k in range(len(missed))),
        met=r - m,
        missed=m,
        not_recorded=np.array([gaps if gaps is not None else [5] * len(missed)]),
        new_limit=limit,
        new_reading=np.zeros(m.shape, dtype=bool),
    )


def judged(*args: list[int], new_limit: int | None = None) -> ProcessFactor:
    (found,) = process_side(counts(*args, new_limit=new_limit))
    return found


USUAL = [10, 9, 11, 10, 12, 8, 10, 11, 9, 10, 10, 9]


def test_a_step_in_misses_is_signalled_with_its_beginning() -> None:
    found = judged([*USUAL, 22, 24, 23], [100] * 15)
    assert found.months[12].miss_signals[0] == ABOVE
    assert RISE in {signal for month in found.months for signal in month.miss_signals}
    assert not any(month.gap_signals for month in found.months)
    assert found.months[14].miss_centre == pytest.approx(119 / 1200)
    assert (
        "Missed more often since 2025-01 most likely: 69 of 300 recorded (23 %), 9.9 % in the months before."
        in found.sentence
    )
    assert "not recorded, within the limits" in found.sentence
    assert found.enough
    assert found.missing == ""


def test_fewer_records_are_signalled_apart_from_misses() -> None:
    found = judged(USUAL + [10] * 3, [100] * 15, [5] * 12 + [30, 33, 31])
    assert not any(month.miss_signals for month in found.months)
    assert found.months[13].gap_signals
    assert "Not recorded more often since 2025-01 most likely: 94 of 394 restorations (24 %)" in found.sentence


def test_fewer_misses_are_signalled_too() -> None:
    found = judged([30, 29, 31, 30, 32, 28, 30, 31, 29, 30, 30, 29, 8, 10, 9], [100] * 15)
    assert found.months[12].miss_signals[0] == BELOW
    assert "Missed less often since 2025-01" in found.sentence


def test_two_months_near_a_limit() -> None:
    found = judged([*USUAL, 19, 10, 19], [100] * 15)
    assert found.months[12].miss_signals == ()
    assert found.months[14].miss_signals[0] == NEAR_UPPER


def test_a_month_within_the_limits_says_so_and_names_the_latest_signal() -> None:
    found = judged([*USUAL, 30, 10], [100] * 14)
    assert found.months[13].miss_signals == ()
    assert "In 2025-02 10 % missed, within the limits of common variation" in found.sentence
    assert "the latest signal was in 2025-01 (above the limit)" in found.sentence


def test_a_drift_that_goes_on_is_named_with_its_beginning() -> None:
    found = judged([*USUAL, 16, 17, 16, 17, 16, 17, 11], [100] * 19)
    drifts = [month.month for month in found.months if RISE in month.miss_signals]
    assert drifts[0] <= "2025-05"
    assert f"the latest signal was in {drifts[-1]}" in found.sentence
    assert "slow rise" in found.sentence
    assert "most likely since 2025-01" in found.sentence


def test_a_new_limit_is_a_step_by_definition_and_no_signal() -> None:
    found = judged([10] * 10 + [40] * 10, [100] * 20, new_limit=10)
    assert not any(month.miss_signals for month in found.months)
    assert math.isnan(found.months[10 + LEAST_MONTHS - 1].miss_high)
    assert found.months[10 + LEAST_MONTHS].miss_centre == pytest.approx(0.4)
    assert "The limit changed in 2024-11: months before and after are not compared." in found.sentence
    # What is not recorded is held against the months before all the same.
    assert math.isfinite(found.months[10].gap_high)
    same = judged([10] * 10 + [40] * 10, [100] * 20)
    assert same.months[10].miss_signals


def test_shares_are_with_their_intervals() -> None:
    month = judged(USUAL, [100] * 12).months[0]
    assert month.miss_share.estimate == pytest.approx(0.1)
    # Wilson's interval of 10 in 100, by his formula.
    assert (month.miss_share.low, month.miss_share.high) == pytest.approx((0.05523, 0.17437), abs=1e-5)
    assert month.gap_share.estimate == pytest.approx(5 / 105)
    assert (month.restorations, month.recorded, month.missed, month.not_recorded) == (105, 100, 10, 5)
    assert all(math.isnan(value) for value in (month.miss_centre, month.miss_low, month.miss_high, month.gap_high))


def test_too_little_gives_counts_and_says_what_is_missing() -> None:
    found = judged([1, 1, 0], [12, 9, 15], [0, 0, 0])
    assert not found.enough
    assert found.missing.startswith("2 months with 10 or more recorded; 6 are needed")
    assert found.sentence == found.missing
    assert math.isnan(found.false_alarm_months)
    assert [month.missed for month in found.months] == [1, 1, 0]
    # Six to learn from and none to judge, yet.
    assert not judged(USUAL[:6], [100] * 6).enough
    assert judged(USUAL[:7], [100] * 7).enough


def test_odd_but_legal() -> None:
    never = judged([0] * 9, [0] * 9, [0] * 9)
    assert never.missing == "No restoration delivered in these months fell under this requirement."
    assert math.isnan(never.months[0].miss_share.estimate)
    unwritten = judged([0] * 9, [0] * 9, [50] * 9)
    assert unwritten.enough
    assert "No restoration delivered in these months was recorded for this requirement." in unwritten.sentence
    assert not any(month.gap_signals for month in unwritten.months)
    gone = judged([*USUAL, 0, 0, 0], [100] * 12 + [0] * 3, [5] * 12 + [0] * 3)
    assert "In 2024-12" in gone.sentence
    assert process_side(counts([], [])) == ()
    alone = judged([3], [20])
    assert alone.missing.startswith("1 month with 10 or more recorded; 6 are needed")


def test_what_was_always_kept_and_then_missed() -> None:
    found = judged([0] * 12 + [9], [100] * 13)
    assert found.months[12].miss_signals[0] == ABOVE
    assert found.months[12].miss_high < 0.09


def test_false_signals_are_stated_and_rarer_for_one_share_than_for_two() -> None:
    both = judged(USUAL, [100] * 12)
    one = judged([0] * 12, [0] * 12, [50] * 12)
    assert 24 < both.false_alarm_months < one.false_alarm_months < 400
    assert f"One signal is false in about {both.false_alarm_months:.0f} months" in both.sentence


@given(
    rows=st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40), st.integers(0, 40)), min_size=1, max_size=16),
    new_limit=st.one_of(st.none(), st.integers(0, 15)),
)
@settings(max_examples=40, deadline=None)
def test_any_counts_give_months_and_a_sentence(rows: list[tuple[int, int, int]], new_limit: int | None) -> None:
    met, missed, gaps = (list(column) for column in zip(*rows, strict=True))
    recorded = [a + b for a, b in zip(met, missed, strict=True)]
    at = None if new_limit is None else min(new_limit, len(rows) - 1)
    (found,) = process_side(counts(missed, recorded, gaps, new_limit=at))
    assert len(found.months) == len(rows)
    assert found.enough == (found.missing == "") == math.isfinite(found.false_alarm_months)
    assert found.sentence.endswith(".")
    assert "nan" not in found.sentence
    for month in found.months:
        assert set(month.miss_signals) | set(month.gap_signals) <= KNOWN
        if month.recorded and math.isfinite(month.miss_high):
            outside = not month.miss_low <= month.missed / month.recorded <= month.miss_high
            assert outside == bool({ABOVE, BELOW} & set(month.miss_signals))


def test_a_lab_through_the_engine() -> None:
    """Bond waits cut short twice as often from January 2025 on, layers as before."""
    rng = np.random.default_rng(5)
    units, log = [], []
    for number in range(2000):
        day = date(2024, 1, 2) + timedelta(days=int(rng.integers(0, 480)))
        short = rng.random() < (0.3 if day >= date(2025, 1, 1) else 0.1)
        name = f"R{number}"
        units.append({"restoration_id": name, "delivered_on": day.isoformat()})
        log.append({"restoration_id": name, "step": "bonding", "reading": "wait_s", "value": "100" if short else "200"})
        thin = rng.random() < 0.1
        log.append({"restoration_id": name, "step": "layering", "reading": "mm", "value": "0.5" if thin else "1.5"})
    records = snapshot(units, log, observed_until=date(2025, 4, 30))
    tables = connect(records)
    table = count_patterns(tables, records.standard, observed_until=records.observed_until)
    found = {one.factor: one for one in process_side(count_process_months(tables, table, records.standard))}
    assert "Missed more often since 2025-01" in found["bond_wait"].sentence
    assert not any(month.miss_signals for month in found["thickness"].months)
    assert "No restoration delivered in these months was recorded" in found["polish"].sentence

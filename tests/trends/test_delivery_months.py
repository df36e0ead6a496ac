"""Shares returned by month of delivery: exact where all is observed, honest where it is not."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from math import isnan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike
from scipy.stats import beta

from remakes.counts.deliveries import NEVER, DeliveryCounts
from remakes.errors import TableError
from remakes.evidence.checks.incidence import cumulative_incidence
from remakes.trends.months.delivery_months import DeliveryShare, delivery_shares, last_day
from tests.published.cases import dataset, published

LAST_DAY = last_day(3)


def month_of(observed: ArrayLike, returned: ArrayLike, removed: ArrayLike | None = None) -> DeliveryCounts:
    """One month, one element a restoration; `NEVER` where it has not come back or has not been removed."""
    until, back = np.asarray(observed, dtype=np.int64), np.asarray(returned, dtype=np.int64)
    gone = np.full(len(until), NEVER) if removed is None else np.asarray(removed, dtype=np.int64)
    gone = np.where(gone <= until, gone, NEVER)
    seen = back <= until
    count = int(seen.sum())
    return DeliveryCounts(
        months=("2026-05",),
        defects=("all",),
        observed_until=date(2026, 10, 31),
        unit_month=np.zeros(len(until), dtype=np.int64),
        unit_observed=until,
        unit_removed=gone,
        unit_count=np.ones(len(until), dtype=np.int64),
        event_month=np.zeros(count, dtype=np.int64),
        event_defect=np.zeros(count, dtype=np.int64),
        event_day=back[seen],
        event_observed=until[seen],
        event_removed=gone[seen],
        event_count=np.ones(count, dtype=np.int64),
    )


def share_of(deliveries: DeliveryCounts, months: int = 3, level: float = 0.95) -> DeliveryShare:
    (found,) = delivery_shares(deliveries, within=(months,), level=level)
    return found


@settings(max_examples=60, deadline=None)
@given(
    days=st.lists(st.one_of(st.integers(0, 200), st.just(NEVER)), min_size=1, max_size=40),
    later=st.integers(0, 50),
)
def test_of_a_mature_month_the_share_is_returned_by_delivered_with_the_exact_interval(
    days: list[int], later: int
) -> None:
    found = share_of(month_of([LAST_DAY + later] * len(days), days))
    n, k = len(days), sum(day <= LAST_DAY for day in days)
    assert found.mature
    assert (found.delivered, found.returned, found.followed) == (n, k, n - k)
    assert found.share.estimate == pytest.approx(k / n)
    # Clopper CJ, Pearson ES. Biometrika 26:404-413 (1934).
    assert found.share.low == pytest.approx(beta.ppf(0.025, k, n - k + 1) if k else 0.0, abs=1e-9)
    assert found.share.high == pytest.approx(beta.ppf(0.975, k + 1, n - k) if k < n else 1.0, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    rows=st.lists(
        st.tuples(st.integers(60, 120), st.one_of(st.integers(0, 120), st.just(NEVER))), min_size=1, max_size=40
    )
)
def test_without_removals_it_is_the_cumulative_incidence(rows: list[tuple[int, int]]) -> None:
    observed, returned = (np.array(column) for column in zip(*rows, strict=True))
    found = share_of(month_of(observed, returned))
    time, event = np.minimum(observed, returned), returned <= observed
    days = np.unique(time)
    curve = cumulative_incidence(
        months=days,
        at_risk=[(time >= day).sum() for day in days],
        events=[(event & (time == day)).sum() for day in days],
        removed=np.zeros(len(days)),
    )
    if not np.any(observed >= LAST_DAY):
        assert isnan(found.share.estimate)
        return
    at = int(np.searchsorted(days, LAST_DAY, side="right")) - 1
    assert found.share.estimate == pytest.approx(curve.incidence[at] if at >= 0 else 0.0, abs=1e-12)
    assert 0.0 <= found.share.low <= found.share.estimate <= found.share.high <= 1.0


def test_kaplan_meier_of_the_published_remissions() -> None:
    # Gehan, Biometrika 52:203 (1965), 6-MP arm; the curve is 1 - S, at times that are days here.
    rows = [row for row in dataset("gehan") if row["treat"] == "6-MP"]
    time = np.array([int(row["time"]) for row in rows])
    event = np.array([int(row["cens"]) for row in rows]) == 1
    case = published("P-f1")
    scaled = {week: time * 30 // week for week in (6, 10, 22)}
    for week, days in scaled.items():
        # The week in question becomes day 30, the last one within a month.
        found = share_of(month_of(np.where(event, 1000, days), np.where(event, days, NEVER)), months=1)
        case.check(**{f"S_{week}": 1.0 - found.share.estimate})


def test_removed_restorations_count_as_not_returned_and_are_followed_no_more() -> None:
    found = share_of(month_of([200] * 10, [5, *[NEVER] * 9], [NEVER, 3, 40, *[NEVER] * 7]))
    assert found.share.estimate == pytest.approx(0.1)
    assert found.followed == 7


def test_it_agrees_with_aalen_and_johansen_where_a_remake_can_come_first() -> None:
    generator = np.random.default_rng(1)
    n = 4000
    observed = generator.integers(30, 150, n)
    returned = np.where(generator.random(n) < 0.1, generator.integers(0, 120, n), NEVER)
    removed = np.where(generator.random(n) < 0.1, generator.integers(0, 120, n), NEVER)
    returned = np.where(removed < returned, NEVER, returned)
    found = share_of(month_of(observed, returned, removed))
    time = np.minimum(np.minimum(observed, returned), removed)
    event, gone = returned == time, (removed == time) & (returned != time)
    days = np.unique(time)
    curve = cumulative_incidence(
        months=days,
        at_risk=[(time >= day).sum() for day in days],
        events=[(event & (time == day)).sum() for day in days],
        removed=[(gone & (time == day)).sum() for day in days],
    )
    assert found.share.estimate == pytest.approx(curve.within(LAST_DAY).estimate, abs=0.001)
    # Taking removals for mere ends of observation would be clearly higher.
    at = int(np.searchsorted(days, LAST_DAY, side="right")) - 1
    assert curve.one_minus_km[at] > found.share.estimate + 0.002


def test_no_return_is_not_certainty() -> None:
    found = share_of(month_of([LAST_DAY] * 5 + [20] * 95, [NEVER] * 100))
    assert (found.share.estimate, found.share.low) == (0.0, 0.0)
    assert found.share.high == pytest.approx(1.0 - 0.025 ** (1 / 5))
    assert not found.mature


def test_observed_for_too_short_a_time_says_so() -> None:
    found = share_of(month_of([LAST_DAY - 1] * 5, [3, *[NEVER] * 4]))
    assert isnan(found.share.estimate)
    assert isnan(found.share.high)
    assert found.returned == 1
    assert found.missing == "No restoration delivered in 2026-05 has been observed for 3 months yet."
    assert found.as_json()["share"] is None


def test_when_everything_has_come_back_the_share_is_1() -> None:
    found = share_of(month_of([100] * 4, [0, 1, 2, 2]))
    assert (found.share.estimate, found.share.high, found.followed) == (1.0, 1.0, 0)
    assert found.share.low == pytest.approx(0.025 ** (1 / 4))


def test_the_row_of_the_findings() -> None:
    row = share_of(month_of([100] * 4, [NEVER] * 4)).as_json()
    assert list(row) == ["month", "defect", "delivered", "within_months", "share", "low", "high", "mature"]
    assert row["mature"] is True


def test_no_delivery_gives_no_row() -> None:
    assert delivery_shares(replace(month_of([], []), months=())) == ()


@pytest.mark.parametrize("wrong", [{"within": (0,)}, {"level": 1.0}, {"level": 0.0}])
def test_impossible_questions(wrong: dict[str, object]) -> None:
    with pytest.raises(TableError, match="Need"):
        delivery_shares(month_of([9], [NEVER]), **wrong)  # type: ignore[arg-type]


@pytest.mark.parametrize(("delivered", "share"), [(40, 0.05), (200, 0.01), (120, 0.02)])
def test_intervals_hold_when_half_of_the_month_has_been_observed_long_enough(delivered: int, share: float) -> None:
    generator = np.random.default_rng(5)
    held, trials = 0, 250
    for _ in range(trials):
        observed = generator.integers(LAST_DAY - 15, LAST_DAY + 15, delivered)
        early = generator.random(delivered) < 0.5
        day = np.where(early, generator.integers(0, 16, delivered), generator.integers(16, LAST_DAY + 1, delivered))
        found = share_of(month_of(observed, np.where(generator.random(delivered) < share, day, NEVER))).share
        held += found.low <= share <= found.high
    # 95 % or more is promised; two standard errors of 250 trials below is 92 %.
    assert held / trials >= 0.92

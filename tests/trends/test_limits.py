"""Run rules, cumulative sums, limits of shares, and series of months judged by all of them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import betabinom, binom, norm

from remakes.trends.limits.cusum import CumulativeSums
from remakes.trends.limits.run_rules import NEAR, OUTSIDE, RunRule, marked
from remakes.trends.limits.share_series import (
    FALSE_SIGNALS,
    LEAST_IN_MONTH,
    LEAST_MONTHS,
    JudgedShares,
    false_signals_a_month,
    judge_shares,
)
from remakes.trends.limits.shares import moving_range_sigma, predict, standard_scores
from tests.published.cases import published
from tests.trends.run_lengths import ALL_RULES

# Run rules


def test_run_rules_mark_the_published_series() -> None:
    case = published("P-h6")
    case.check(
        **{
            letter: np.flatnonzero(marked(case.data["z"], rule, side=1) | marked(case.data["z"], rule, side=-1)) + 1
            for letter, rule in ALL_RULES.items()
        }
    )


@pytest.mark.parametrize(
    ("z", "rule", "found"),
    [
        ([3.0, -3.0], OUTSIDE, []),  # on the limit is within
        ([3.001], OUTSIDE, [0]),
        ([2.5, 2.5], NEAR, [1]),
        ([2.5, 0.0, 2.5], NEAR, [2]),
        ([2.5, 0.0, 0.0, 2.5], NEAR, []),
        ([2.5, -2.5], NEAR, []),
        ([2.5, 2.5, 0.0], NEAR, [1]),
        ([2.5, np.nan, 2.5], NEAR, [2]),
        ([], OUTSIDE, []),
    ],
)
def test_zones(z: list[float], rule: RunRule, found: list[int]) -> None:
    assert list(np.flatnonzero(marked(z, rule, side=1))) == found
    assert list(np.flatnonzero(marked(-np.array(z), rule, side=-1))) == found


# Cumulative sums


def test_path_and_signal_of_published_scores() -> None:
    case = published("P-h9")
    weights = case.expected["weight"]
    sums = CumulativeSums(1, reference=0.0, threshold=case.data["h"])
    path, signals, starts = [], [], []
    for point, weight in enumerate(weights):
        found = sums.add(np.array([weight]), point=point)
        path.append(sums.value[1][0])
        signals.append(bool(found[1][0]))
        starts.append(int(sums.start[1][0]))
    case.check(cusum=path, first_signal_1based=signals.index(True) + 1)
    assert starts[8] == 2  # the sum was last 0 at the second of them


def test_one_point_counts_for_no_more_than_it_may_and_a_missing_one_for_nothing() -> None:
    sums = CumulativeSums(2, reference=0.5, threshold=4.0, most_of_one=3.5)
    assert not sums.add(np.array([50.0, -50.0]), point=0)[1].any()
    assert sums.value[1][0] == sums.value[-1][1] == 3.0
    found = sums.add(np.array([np.nan, -3.0]), point=1)
    assert sums.value[1][0] == 3.0
    assert list(found[-1]) == [False, True]
    assert sums.start[-1][1] == 0
    sums.restart(np.array([False, True]))
    assert sums.value[-1][1] == 0.0


# Limits


def test_variation_between_points_as_published() -> None:
    for case_id, totals in (("P-h1", None), ("P-h4", "n")):
        case = published(case_id)
        x = np.array(case.data["defectives"])
        n = np.array(case.data["n"]) if totals else np.full(len(x), case.data["n"])
        ahead = predict(0, 50, earlier_events=x.sum(), earlier_totals=n.sum(), sigma=1.0, beyond=3.0)
        sigma = moving_range_sigma(standard_scores(x, n))
        case.check(**{"laney_sigma_z_d2_1.128": sigma, "p_bar": ahead.centre[0]})
    counts = published("P-h3")
    x, exposure = np.array(counts.data["counts"]), np.array(counts.data["exposure"])
    rate = x.sum() / exposure.sum()
    counts.check(laney_u_sigma_z=moving_range_sigma((x - rate * exposure) / np.sqrt(rate * exposure)))


def test_with_many_earlier_points_the_limits_are_those_of_the_p_chart() -> None:
    case = published("P-h1")
    limits, totals = case.expected, np.array(case.data["defectives"])
    for sigma, low, high in ((1.0, "lcl", "ucl"), (limits["laney_sigma_z_d2_1.128"], "laney_lcl", "laney_ucl")):
        ahead = predict(
            totals,
            np.full(30, 50),
            earlier_events=1e6 * limits["p_bar"],
            earlier_totals=1e6,
            sigma=sigma,
            beyond=3.0,
        )
        # Skewed to the right, which the normal limits leave out; and in steps of one in 50.
        assert ahead.high[0] == pytest.approx(limits[high], abs=2 / 50)
        assert ahead.low[0] == pytest.approx(limits[low], abs=2 / 50)
    signals = predict(
        totals, np.full(30, 50), earlier_events=1e6 * limits["p_bar"], earlier_totals=1e6, sigma=1.0, beyond=3.0
    )
    assert np.flatnonzero(np.abs(signals.z) > 3.0)[-1] + 1 == limits["signals_1based"][-1]


@given(
    n=st.integers(2, 300),
    earlier=st.integers(20, 3000),
    share=st.floats(0.0, 1.0),
    place=st.floats(0.0, 1.0),
    sigma=st.sampled_from([1.0, 1.3, 2.0, 5.0]),
)
@settings(max_examples=60, deadline=None)
def test_limits_and_distances_agree_and_are_those_of_the_distribution(
    n: int, earlier: int, share: float, place: float, sigma: float
) -> None:
    before, x = round(share * earlier), round(place * n)
    ahead = predict([x], [n], earlier_events=[before], earlier_totals=[earlier], sigma=[sigma], beyond=3.0)
    assert (ahead.z[0] > 3.0) == (x / n > ahead.high[0])
    assert (ahead.z[0] < -3.0) == (x / n < ahead.low[0])
    assert 0.0 <= ahead.low[0] <= ahead.high[0] <= 1.0
    mean = (before + 0.5) / (earlier + 1.0)
    inflated = min(sigma**2 * (1 + (n - 1) / (earlier + 2)), 1 + 0.9 * (n - 1))
    m = (n - 1) / (inflated - 1) - 1
    law = betabinom(n, mean * m, (1 - mean) * m)
    assert law.var() == pytest.approx(n * mean * (1 - mean) * inflated, rel=1e-6)
    low = law.cdf(x - 1) + 0.5 * law.pmf(x)
    if 1e-6 < low < 1 - 1e-6:  # further out, one minus the library's probability is mostly rounding
        assert ahead.z[0] == pytest.approx(norm.ppf(low), abs=1e-5)


def test_a_long_history_without_extra_variation_is_binomial() -> None:
    ahead = predict([20], [100], earlier_events=[1e7], earlier_totals=[1e8], sigma=[1.0], beyond=3.0)
    tail = binom.sf(20, 100, 0.1) + 0.5 * binom.pmf(20, 100, 0.1)
    assert ahead.z[0] == pytest.approx(norm.isf(tail), abs=1e-4)


def test_less_is_known_from_few_months_and_from_months_that_differ() -> None:
    def high(earlier: float, sigma: float) -> float:
        ahead = predict(10, 100, earlier_events=earlier / 10, earlier_totals=earlier, sigma=sigma, beyond=3.0)
        return float(ahead.high[0])

    assert high(1e6, 1.0) < high(300, 1.0) < high(100, 1.0)
    assert high(1e6, 1.0) < high(1e6, 1.5) < high(1e6, 3.0)
    assert high(1e6, 0.2) == high(1e6, 1.0)


def test_what_never_happened_may_happen_once_but_not_often() -> None:
    ahead = predict([0, 1, 5], [100] * 3, earlier_events=0, earlier_totals=1000, sigma=1.0, beyond=3.0)
    assert list(ahead.centre) == [0.0] * 3
    assert abs(ahead.z[0]) < 0.1
    assert ahead.z[1] < 3.0 < ahead.z[2]


def test_nothing_to_compare_is_unknown() -> None:
    ahead = predict([0, 3], [0, 10], earlier_events=[10, 0], earlier_totals=[100, 0], sigma=1.0, beyond=3.0)
    for values in (ahead.centre, ahead.low, ahead.high, ahead.z):
        assert np.isnan(values).all()
    assert np.isnan(standard_scores([1, 0], [4, 0])[1])
    assert np.isnan(moving_range_sigma([1.0]))
    assert moving_range_sigma([1.0, np.nan, 2.0]) == pytest.approx(1 / 1.128)


# Series


def series(
    seed: int, *, months: int, share: float = 0.1, at: int = 0, then: float | None = None, n: int = 150, many: int = 400
) -> tuple[np.ndarray, np.ndarray]:
    """Poisson numbers of restorations, binomial misses; from month `at` on with another share."""
    rng = np.random.default_rng(seed)
    totals = rng.poisson(n, (many, months))
    p = np.full(months, share)
    if then is not None:
        p[at:] = then
    return rng.binomial(totals, p), totals


@pytest.mark.parametrize("sigma", [1.0, 2.0])
def test_false_signals_are_as_stated(sigma: float) -> None:
    rng = np.random.default_rng(20260501)
    shape = (500, LEAST_MONTHS + 24)
    totals = rng.poisson(100, shape)
    p = np.full(shape, 0.1)
    if sigma > 1:
        m = 99 / (sigma**2 - 1) - 1
        p = rng.beta(0.1 * m, 0.9 * m, shape)
    judged = judge_shares(rng.binomial(totals, p), totals)
    by_series = 24 * judged.signals.sum(axis=1) / np.isfinite(judged.z).sum(axis=1)
    error = by_series.std() / np.sqrt(len(by_series))
    assert by_series.mean() == pytest.approx(FALSE_SIGNALS[sigma], abs=4 * error)
    assert by_series.mean() < 1.0
    assert 24 * false_signals_a_month(sigma) == pytest.approx(FALSE_SIGNALS[sigma])


def test_distances_are_standard_normal_and_independent_while_nothing_changes() -> None:
    events, totals = series(11, months=18, many=600)
    z = judge_shares(events, totals).z[:, LEAST_MONTHS:]
    # The variation between months is estimated and never taken for less than chance: distances come out a little small.
    assert np.nanmean(z) == pytest.approx(0.0, abs=0.05)
    assert 0.85 < np.nanstd(z) < 1.0
    both = np.isfinite(z[:, 1:]) & np.isfinite(z[:, :-1])
    assert abs(np.corrcoef(z[:, 1:][both], z[:, :-1][both])[0, 1]) < 0.05


@pytest.mark.parametrize(("at", "least"), [(8, 0.65), (12, 0.75), (24, 0.85)])
def test_a_doubled_share_is_seen_within_two_months_mostly_and_within_four_nearly_always(at: int, least: float) -> None:
    events, totals = series(12, months=at + 4, at=at, then=0.2)
    signals = judge_shares(events, totals).signals[:, at:]
    assert signals[:, :2].any(axis=1).mean() > least
    assert signals.any(axis=1).mean() > 0.93


def test_a_small_change_is_a_drift_and_its_beginning_is_found() -> None:
    events, totals = series(13, months=32, at=20, then=0.15)
    judged = judge_shares(events, totals)
    drifts = judged.drift[:, 20:] == 1
    assert drifts.any(axis=1).mean() > 0.9
    seen = np.flatnonzero(drifts.any(axis=1))
    since = judged.since[seen, 20 + drifts[seen].argmax(axis=1)]
    assert np.median(since) == pytest.approx(20, abs=1)
    assert (np.abs(since - 20) <= 2).mean() > 0.7


def test_a_fall_is_seen_as_one() -> None:
    events, totals = series(14, months=24, share=0.2, at=14, then=0.1)
    judged = judge_shares(events, totals)
    assert (judged.drift[:, 14:] == -1).any(axis=1).mean() > 0.95
    assert (judged.drift[:, 14:] == 1).any(axis=1).mean() < 0.1


def test_a_new_level_that_lasts_is_what_later_months_are_held_against() -> None:
    events, totals = series(15, months=40, at=12, then=0.2)
    judged = judge_shares(events, totals)
    assert np.nanmedian(judged.centre[:, -1]) == pytest.approx(0.2, abs=0.01)
    late = judged.signals[:, 28:].sum() / len(events)
    assert late < 0.3


def test_a_single_odd_month_is_not_learnt_from() -> None:
    totals = np.full((1, 20), 100)
    events = np.array([[10, 9, 11, 10, 12, 8, 10, 11, 9, 10, 45, 10, 9, 11, 10, 10, 10, 9, 12, 10]])
    judged = judge_shares(events, totals)
    assert list(np.flatnonzero(judged.outside[0])) == [10]
    assert not judged.drift.any()
    assert judged.since[0, 10] == 10
    assert judged.centre[0, 12] == pytest.approx(0.1, abs=0.005)


def test_months_before_a_restart_are_forgotten() -> None:
    totals = np.full((2, 20), 100)
    events = np.concatenate([np.full((2, 10), 10), np.full((2, 10), 40)], axis=1)
    restarts = np.zeros((2, 20), dtype=bool)
    restarts[0, 10] = True
    judged = judge_shares(events, totals, restarts=restarts)
    assert not judged.signals[0].any()
    assert np.isnan(judged.z[0, 10 : 10 + LEAST_MONTHS]).all()
    assert judged.centre[0, -1] == pytest.approx(0.4)
    assert judged.signals[1, 10]


def test_too_little_is_not_judged() -> None:
    few = judge_shares(np.ones((1, 30)), np.full((1, 30), LEAST_IN_MONTH - 1))
    assert np.isnan(few.z).all()
    short = judge_shares(np.ones((1, LEAST_MONTHS)), np.full((1, LEAST_MONTHS), 100))
    assert np.isnan(short.z).all()
    one_more = judge_shares(np.ones((1, LEAST_MONTHS + 1)), np.full((1, LEAST_MONTHS + 1), 100))
    assert list(np.flatnonzero(np.isfinite(one_more.z))) == [LEAST_MONTHS]
    none = judge_shares(np.zeros((1, 0)), np.zeros((1, 0)))
    assert none.z.shape == (1, 0)


@given(
    rows=st.lists(st.tuples(st.integers(0, 60), st.floats(0, 1)), min_size=1, max_size=25),
    restart=st.integers(0, 24),
)
@settings(max_examples=60, deadline=None)
def test_any_legal_series_is_judged_without_complaint(rows: list[tuple[int, float]], restart: int) -> None:
    totals = np.array([[n for n, _share in rows]])
    events = np.array([[round(n * share) for n, share in rows]])
    restarts = np.zeros(totals.shape, dtype=bool)
    restarts[0, min(restart, len(rows) - 1)] = True
    judged = judge_shares(events, totals, restarts=restarts)
    _is_consistent(judged, events, totals)
    # Later months change nothing about earlier ones.
    shorter = judge_shares(events[:, :-1], totals[:, :-1], restarts=restarts[:, :-1])
    np.testing.assert_allclose(shorter.z, judged.z[:, :-1], rtol=1e-9, atol=1e-9)
    np.testing.assert_array_equal(shorter.since, judged.since[:, :-1])
    # A share and its opposite are judged alike.
    opposite = judge_shares(totals - events, totals, restarts=restarts)
    np.testing.assert_array_equal(opposite.outside, -judged.outside)
    np.testing.assert_array_equal(opposite.drift, -judged.drift)


def _is_consistent(judged: JudgedShares, events: np.ndarray, totals: np.ndarray) -> None:
    known = np.isfinite(judged.z)
    assert np.array_equal(known, np.isfinite(judged.centre))
    assert not judged.signals[~known].any()
    assert ((judged.since >= 0) == judged.signals).all()
    share = events[known] / totals[known]
    outside = judged.outside[known]
    np.testing.assert_array_equal(outside == 1, share > judged.high[known])
    np.testing.assert_array_equal(outside == -1, share < judged.low[known])

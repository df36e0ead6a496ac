"""Ratios drawn towards their kind, against a published example and by what must hold for any counts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.stats import nbinom

from remakes.errors import TableError
from remakes.trends.sources.shrunken_ratios import SMALLEST_SD, gamma_prior
from tests.published.cases import published

COUNTS = st.lists(st.tuples(st.integers(0, 60), st.floats(0.01, 60.0)), min_size=2, max_size=20)
NOTHING_SEEN = [(0, 0.01), (0, 60.0)]
FAR_APART = [(60, 0.01), (0, 60.0), (1, 1.0)]
ALL_ALIKE = [(10, 10.0)] * 20


def test_the_published_pump_failures() -> None:
    case = published("P-k2")
    failures, exposure = case.data["failures"], case.data["exposure"]
    prior = gamma_prior(failures, exposure, smallest_sd=0.0)
    ratios = [prior.ratio(seen, held) for seen, held in zip(failures, exposure, strict=True)]
    case.check(
        shape_mle=prior.shape,
        rate_mle=prior.rate,
        loglik=prior.log_likelihood,
        eb_posterior_mean=[one.estimate for one in ratios],
        eb_lo=[one.low for one in ratios],
        eb_hi=[one.high for one in ratios],
    )


def test_the_likelihood_is_that_of_the_negative_binomial_and_is_largest_there() -> None:
    rng = np.random.default_rng(3)
    expected = rng.uniform(2.0, 20.0, 40)
    observed = rng.poisson(expected * rng.gamma(4.0, 0.25, 40))
    prior = gamma_prior(observed, expected, smallest_sd=0.0)

    def log_likelihood(shape: float, rate: float) -> float:
        return float(np.sum(nbinom.logpmf(observed, shape, rate / (rate + expected))))

    assert prior.log_likelihood == pytest.approx(log_likelihood(prior.shape, prior.rate))
    for shape_times, rate_times in ((1.05, 1.0), (0.95, 1.0), (1.0, 1.05), (1.0, 0.95), (1.05, 1.05), (0.95, 0.95)):
        assert log_likelihood(prior.shape * shape_times, prior.rate * rate_times) < prior.log_likelihood


@settings(max_examples=30)
@given(COUNTS)
@example(NOTHING_SEEN)
@example(FAR_APART)
@example(ALL_ALIKE)
def test_every_ratio_lies_between_its_own_and_that_of_all(counts: list[tuple[int, float]]) -> None:
    observed, expected = np.array([o for o, _ in counts]), np.array([e for _, e in counts])
    prior = gamma_prior(observed, expected)
    centre = prior.shape / prior.rate
    for seen, held in counts:
        ratio = prior.ratio(seen, held)
        low, high = sorted((seen / held, centre))
        assert low - 1e-9 <= ratio.estimate <= high + 1e-9
        assert 0.0 <= ratio.low < ratio.estimate < ratio.high


@settings(max_examples=30)
@given(COUNTS)
@example(NOTHING_SEEN)
@example(FAR_APART)
@example(ALL_ALIKE)
def test_the_prior_is_never_narrower_than_assumed(counts: list[tuple[int, float]]) -> None:
    prior = gamma_prior([o for o, _ in counts], [e for _, e in counts])
    assert prior.shape**-0.5 >= SMALLEST_SD - 1e-9


def test_equal_ratios_show_no_spread_and_the_assumed_one_is_taken() -> None:
    assert gamma_prior([10] * 30, [10.0] * 30).shape == pytest.approx(SMALLEST_SD**-2)
    assert gamma_prior([10] * 30, [10.0] * 30, smallest_sd=0.0).shape > 1000


@pytest.mark.parametrize(
    ("observed", "expected"), [([], []), ([4], [2.0]), ([0, 0, 0], [2.0, 1.0, 3.0]), ([3, 2], [0, 0])]
)
def test_without_anything_to_learn_from_the_mean_is_one(observed: list[int], expected: list[float]) -> None:
    prior = gamma_prior(observed, expected)
    assert prior.shape == prior.rate == pytest.approx(SMALLEST_SD**-2)


def test_nothing_is_told_where_nothing_is_known_of_what_to_expect() -> None:
    assert np.isnan(gamma_prior([3, 2], [2.0, 3.0]).ratio(3, float("nan")).estimate)


def test_impossible_counts_are_refused() -> None:
    with pytest.raises(TableError, match="none below 0"):
        gamma_prior([-1, 2], [1.0, 1.0])
    with pytest.raises(TableError, match=r"shape \(2,\) with expectations of shape \(3,\)"):
        gamma_prior([1, 2], [1.0, 1.0, 1.0])

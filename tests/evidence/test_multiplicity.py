"""False discovery rate: the published p-values, two library witnesses, and the weighted procedure by its definition."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import false_discovery_control
from statsmodels.stats.multitest import multipletests

from remakes.errors import TableError
from remakes.evidence.tables.multiplicity import benjamini_hochberg
from tests.published.cases import published

steady = settings(max_examples=80, deadline=None, derandomize=True, database=None)
p_values = st.lists(st.floats(0, 1), min_size=1, max_size=30)


@pytest.mark.parametrize(
    "case_id",
    [
        "P-d1",  # Benjamini & Hochberg 1995, section 4.1: 15 p-values, 4 found at 0.05
        "P-d2",  # small enough to check by hand: q belongs to its p, not to its rank
    ],
)
def test_q_as_published(case_id: str) -> None:
    case = published(case_id)
    q = benjamini_hochberg(case.data["p"])
    case.check(
        BH_adjusted=q,
        **{f"BH_rejected_at_{rate}": (q <= float(rate)).sum() for rate in ("0.05", "0.10")},
    )


@steady
@given(p_values)
def test_q_as_in_scipy_and_statsmodels(p: list[float]) -> None:
    q = benjamini_hochberg(p)
    assert_allclose(q, false_discovery_control(p), rtol=1e-12, atol=1e-300)
    assert_allclose(q, multipletests(p, method="fdr_bh")[1], rtol=1e-12, atol=1e-300)


@steady
@given(p_values, st.lists(st.booleans(), min_size=30, max_size=30))
def test_pairs_not_tested_stay_unknown_and_do_not_count(p: list[float], gaps: list[bool]) -> None:
    holed: list[float] = []
    for value, gap in zip(p, gaps, strict=False):
        holed += [np.nan, value] if gap else [value]
    q = benjamini_hochberg(holed)
    assert_array_equal(np.isnan(q), np.isnan(holed))
    assert_array_equal(q[~np.isnan(q)], benjamini_hochberg(p))


@steady
@given(p_values)
def test_q_keeps_the_order_and_never_flatters(p: list[float]) -> None:
    q = benjamini_hochberg(p)
    assert (q >= p).all()
    assert (q <= 1).all()
    assert (np.diff(q[np.argsort(p)]) >= 0).all()


def test_a_table_of_pairs_keeps_its_shape() -> None:
    p = np.array([[0.01, np.nan, 0.5], [0.02, 0.03, np.nan]])
    q = benjamini_hochberg(p)
    assert_allclose(q, [[0.04, np.nan, 0.5], [0.04, 0.04, np.nan]])  # 4 tests: 0.01 x 4/1, 0.02 x 4/2, 0.03 x 4/3


def test_nothing_tested_gives_nothing() -> None:
    assert_array_equal(benjamini_hochberg([np.nan, np.nan], weights=[1, 0]), [np.nan, np.nan])
    assert benjamini_hochberg([]).size == 0


def test_weights_by_hand() -> None:
    # Weights 3, 1, 1, 3 have mean 2: 1.5, 0.5, 0.5, 1.5. p / weight: 0.02, 0.04, 0.4, 0.2; times 4/1, 4/2, 4/4, 4/3.
    q = benjamini_hochberg([0.03, 0.02, 0.2, 0.3], weights=[3, 1, 1, 3])
    assert_allclose(q, [0.08, 0.08, 0.4, 0.8 / 3])


@st.composite
def weighted(draw: st.DrawFn) -> tuple[list[float], list[float]]:
    p = draw(p_values)
    weights = draw(st.lists(st.sampled_from([0.0, 0.25, 1.0, 2.0, 3.0]), min_size=len(p), max_size=len(p)))
    assume(any(weights))
    return p, weights


@steady
@given(weighted(), st.sampled_from([0.02, 0.1, 0.3]))
def test_weighted_findings_by_definition(pair: tuple[list[float], list[float]], rate: float) -> None:
    # Genovese, Roeder & Wasserman 2006: Benjamini and Hochberg's threshold on p / weight, weights of mean 1.
    p, weights = np.array(pair[0]), np.array(pair[1])
    scaled = weights / weights.mean()
    ratio = np.where(scaled > 0, p / np.where(scaled > 0, scaled, 1), np.inf)
    kept = [k for k in range(1, p.size + 1) if np.sort(ratio)[k - 1] <= k * rate / p.size]
    threshold = np.sort(ratio)[max(kept) - 1] if kept else -1.0
    q = benjamini_hochberg(p, weights=weights)
    assume((np.abs(q - rate) > 1e-12).all())  # on the border rounding decides
    assert_array_equal(q <= rate, ratio <= threshold)


@steady
@given(weighted(), st.floats(0.01, 100))
def test_only_ratios_of_weights_matter(pair: tuple[list[float], list[float]], scale: float) -> None:
    p, weights = pair
    q = benjamini_hochberg(p, weights=weights)
    assert_allclose(benjamini_hochberg(p, weights=np.array(weights) * scale), q, rtol=1e-9, atol=1e-300)
    assert_allclose(benjamini_hochberg(p, weights=scale), benjamini_hochberg(p), rtol=1e-9, atol=1e-300)
    assert (q[np.array(weights) == 0] == 1).all()


def test_weights_are_scaled_over_the_tested_only() -> None:
    q = benjamini_hochberg([0.01, np.nan, 0.2], weights=[1, np.nan, 1])
    assert_allclose(q, [0.02, np.nan, 0.2])


def test_planted_effects_are_found_more_often_with_weights_and_the_rate_holds() -> None:
    # 300 labs of 60 pairs; 10 pairs carry an effect of 3 standard errors, and 9 of them are among the 20 plausible
    # ones. The mean false share must stay under the rate, with three standard errors of room.
    from scipy.stats import norm

    rng = np.random.default_rng(6)
    effect, plausible = np.zeros(60), np.zeros(60, dtype=bool)
    plausible[:20] = True
    effect[[*range(9), 59]] = 3.0
    p = 2 * norm.sf(np.abs(rng.normal(size=(300, 60)) + effect))
    found: dict[str, Any] = {
        "plain": np.array([benjamini_hochberg(row) <= 0.1 for row in p]),
        "weighted": np.array([benjamini_hochberg(row, weights=np.where(plausible, 3, 1)) <= 0.1 for row in p]),
    }
    for kept in found.values():
        false_share = (kept & (effect == 0)).sum(axis=1) / np.maximum(kept.sum(axis=1), 1)
        assert false_share.mean() < 0.1 + 3 * false_share.std() / np.sqrt(300)
    power = {name: kept[:, effect > 0].mean() for name, kept in found.items()}
    assert power["plain"] > 0.5
    assert power["weighted"] > power["plain"] + 0.03


@pytest.mark.parametrize(
    ("p", "weights", "message"),
    [
        ([0.1, 1.2], None, r"p = 1\.2"),
        ([-0.1], None, r"p = -0\.1"),
        ([0.1, 0.2], [1, -1], "weights of at least 0"),
        ([0.1, 0.2], [1, np.nan], "weights of at least 0"),
        ([0.1, 0.2], [1, np.inf], "weights of at least 0"),
        ([0.1, 0.2], [0, 0], "one of them above 0"),
        ([0.1, 0.2], [1, 1, 1], r"Weights of shape \(3,\) for p of shape \(2,\)"),
    ],
)
def test_impossible_input_is_refused(p: list[float], weights: list[float] | None, message: str) -> None:
    with pytest.raises(TableError, match=message):
        benjamini_hochberg(p, weights=weights)

"""Crude evidence: published values, a second witness for each, and what must hold for any table.

Published values and their sources stand in `tests/published/cases.json`; each test names its case and source.
"""

from __future__ import annotations

import subprocess
import sys
from decimal import Decimal, localcontext
from itertools import product
from math import comb
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import NDArray
from scipy import stats
from scipy.stats.contingency import odds_ratio as scipy_odds_ratio
from statsmodels.stats.contingency_tables import StratifiedTable, Table
from statsmodels.stats.proportion import proportion_confint

from remakes.errors import RemakesError, TableError
from remakes.evidence.tables.contingency import (
    exact_conditional,
    fisher_2x2,
    homogeneity,
    mantel_haenszel,
    proportion_interval,
    risk_difference,
    risk_ratio,
    trend,
)
from tests.published.cases import Case, published

Strata = dict[str, Any]
steady = settings(max_examples=60, deadline=None, derandomize=True, database=None)

FOURFOLD_CASES = [
    "P-a1",  # Fisher's tea tasting; Agresti 2007, section 2.6
    "P-a2",  # aspirin and heart attack; Agresti 2007, table 2.3
    "P-a3",  # vaccine; Mehta & Senchaudhuri 2003
    "P-a4",  # job satisfaction; help page of scipy.stats.boschloo_exact
    "P-a5",  # help page of the R package exact2x2; Fay 2010
]
STRATIFIED_CASES = [
    "P-b1",  # UC Berkeley admissions 1973; mantelhaen.test of R
    "P-b2",  # kidney stones; Charig et al. 1986
]


def one_table(case: Case) -> Strata:
    (a, b), (c, d) = case.data["table"]
    return {"exposed_events": a, "exposed_total": a + b, "unexposed_events": c, "unexposed_total": c + d}


def strata_of(case: Case) -> Strata:
    rows = case.data["strata"]
    return {
        "exposed_events": [row["exp_event"] for row in rows],
        "exposed_total": [row["exp_event"] + row["exp_noevent"] for row in rows],
        "unexposed_events": [row["unexp_event"] for row in rows],
        "unexposed_total": [row["unexp_event"] + row["unexp_noevent"] for row in rows],
    }


def cells(strata: Strata) -> NDArray[np.float64]:
    """The same counts as statsmodels wants them: 2 x 2 x strata, exposed first, event first."""
    a, n1, c, n0 = (np.asarray(strata[name], dtype=float) for name in ORDER)
    return np.array([[a, n1 - a], [c, n0 - c]])


ORDER = ("exposed_events", "exposed_total", "unexposed_events", "unexposed_total")


def swapped(strata: Strata) -> Strata:
    return dict(zip(ORDER, (strata[ORDER[2]], strata[ORDER[3]], strata[ORDER[0]], strata[ORDER[1]]), strict=True))


def without_the_event(strata: Strata) -> Strata:
    a, n1, c, n0 = (np.asarray(strata[name]) for name in ORDER)
    return dict(zip(ORDER, (n1 - a, n1, n0 - c, n0), strict=True))


@st.composite
def random_strata(draw: st.DrawFn, *, most_strata: int = 5, most: int = 12, least: int = 0) -> Strata:
    """Counts of one to a few small strata, empty ones and one-sided ones included."""
    rows = []
    for _ in range(draw(st.integers(1, most_strata))):
        n1, n0 = draw(st.integers(2 * least, most)), draw(st.integers(2 * least, most))
        a, c = draw(st.integers(least, n1 - least)), draw(st.integers(least, n0 - least))
        rows.append((a, n1, c, n0))
    return dict(zip(ORDER, map(np.array, zip(*rows, strict=True)), strict=True))


# --- Mantel-Haenszel -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("case_id", STRATIFIED_CASES)
def test_pooled_odds_ratio_and_test_as_published(case_id: str) -> None:
    case = published(case_id)
    pooled = mantel_haenszel(**strata_of(case))
    case.check(
        mh_or=pooled.estimate,
        mh_or_rbg_lo=pooled.low,
        mh_or_rbg_hi=pooled.high,
        cmh_chi2_uncorrected=pooled.chi2,
        cmh_p_uncorrected=pooled.p,
        cmh_chi2_corrected=pooled.chi2_corrected,
        cmh_p_corrected=pooled.p_corrected,
    )


@pytest.mark.parametrize("case_id", FOURFOLD_CASES)
def test_one_stratum_is_the_plain_odds_ratio_with_woolfs_interval(case_id: str) -> None:
    # With one stratum the Robins-Breslow-Greenland variance is Woolf's, and the statistics are Pearson's and Yates'
    # times (N - 1)/N.
    case = published(case_id)
    table = one_table(case)
    pooled = mantel_haenszel(**table)
    n = table["exposed_total"] + table["unexposed_total"]
    case.check(
        or_sample=pooled.estimate,
        or_woolf_lo=pooled.low,
        or_woolf_hi=pooled.high,
        chi2_uncorrected=pooled.chi2 * n / (n - 1),
        chi2_yates=pooled.chi2_corrected * n / (n - 1),
    )


@steady
@given(random_strata(least=1, most=40))
def test_pooled_odds_ratio_and_test_as_in_statsmodels(strata: Strata) -> None:
    witness = StratifiedTable(cells(strata), shift_zeros=False)
    pooled = mantel_haenszel(**strata, level=0.9)
    assert_allclose(pooled.estimate, witness.oddsratio_pooled, rtol=1e-10)
    assert_allclose(pooled.log_se, witness.logodds_pooled_se, rtol=1e-10)
    assert_allclose([pooled.low, pooled.high], witness.oddsratio_pooled_confint(alpha=0.1), rtol=1e-9)
    test = witness.test_null_odds(correction=False)
    assert_allclose([pooled.chi2, pooled.p], [test.statistic, test.pvalue], rtol=1e-8, atol=1e-12)
    if abs(pooled.exposed_events - pooled.expected_exposed_events) >= 0.5:  # below, statsmodels' correction overshoots
        corrected = witness.test_null_odds(correction=True)
        assert_allclose(
            [pooled.chi2_corrected, pooled.p_corrected],
            [corrected.statistic, corrected.pvalue],
            rtol=1e-8,
            atol=1e-12,
        )


def test_the_correction_never_makes_evidence_out_of_a_perfect_fit() -> None:
    pooled = mantel_haenszel(exposed_events=5, exposed_total=50, unexposed_events=10, unexposed_total=100)
    assert pooled.chi2 == 0
    assert pooled.chi2_corrected == 0
    assert pooled.p_corrected == 1


def test_p_stays_accurate_far_below_rounding() -> None:
    pooled = mantel_haenszel(exposed_events=900, exposed_total=1000, unexposed_events=100, unexposed_total=1000)
    # Survival function of chi-square with 1 degree of freedom by scipy.stats, the second witness.
    assert pooled.p == pytest.approx(stats.chi2.sf(pooled.chi2, 1), rel=1e-9)
    assert 0 < pooled.p < 1e-200


def test_all_pairs_at_once_are_the_same_as_one_by_one() -> None:
    rng = np.random.default_rng(20)
    exposed_total = rng.integers(0, 40, (3, 1, 7))  # one factor's totals serve all its defects
    unexposed_total = rng.integers(0, 90, (3, 1, 7))
    strata = {
        "exposed_events": rng.binomial(exposed_total, 0.1, (3, 4, 7)),
        "exposed_total": exposed_total,
        "unexposed_events": rng.binomial(unexposed_total, 0.05, (3, 4, 7)),
        "unexposed_total": unexposed_total,
    }
    pooled, common = mantel_haenszel(**strata), homogeneity(**strata)
    assert pooled.estimate.shape == common.tarone_p.shape == (3, 4)
    full = [np.broadcast_to(strata[name], (3, 4, 7)) for name in ORDER]
    for i, j in product(range(3), range(4)):
        alone = {name: counts[i, j] for name, counts in zip(ORDER, full, strict=True)}
        for result, single in ((pooled, mantel_haenszel(**alone)), (common, homogeneity(**alone))):
            for name in type(result).__slots__:
                if name != "level":
                    assert_allclose(getattr(result, name)[i, j], getattr(single, name), rtol=1e-12, atol=1e-14)


@steady
@given(random_strata())
def test_swapping_groups_or_outcome_inverts_the_pooled_odds_ratio(strata: Strata) -> None:
    pooled = mantel_haenszel(**strata)
    for other in (mantel_haenszel(**swapped(strata)), mantel_haenszel(**without_the_event(strata))):
        with np.errstate(divide="ignore"):
            assert_allclose(other.estimate, 1 / pooled.estimate, rtol=1e-12)
            assert_allclose([other.low, other.high], [1 / pooled.high, 1 / pooled.low], rtol=1e-10)
        assert_allclose([other.chi2, other.p], [pooled.chi2, pooled.p], rtol=1e-9, atol=1e-12)


@steady
@given(random_strata(), st.integers(1, 30))
def test_strata_that_cannot_tell_change_nothing(strata: Strata, n: int) -> None:
    silent = {  # nobody; nobody exposed; nobody unexposed; no event; nothing but events
        "exposed_events": [0, 0, n, 0, n],
        "exposed_total": [0, 0, n, n, n],
        "unexposed_events": [0, n, 0, 0, n],
        "unexposed_total": [0, n, 0, n, n],
    }
    longer = {name: np.concatenate([strata[name], silent[name]]) for name in ORDER}
    for method in (mantel_haenszel, homogeneity, exact_conditional):
        before: Any = method(**strata)
        after: Any = method(**longer)
        for name in type(before).__slots__:
            assert_allclose(getattr(after, name), getattr(before, name), rtol=1e-9, atol=1e-12)


@steady
@given(random_strata(least=1, most=30), st.integers(2, 6))
def test_a_stratum_repeated_says_the_same_more_firmly(strata: Strata, times: int) -> None:
    once = {name: strata[name][:1] for name in ORDER}
    often = {name: np.repeat(once[name], times) for name in ORDER}
    one, many = mantel_haenszel(**once), mantel_haenszel(**often)
    assert_allclose(many.estimate, one.estimate, rtol=1e-12)
    assert_allclose(many.chi2, one.chi2 * times, rtol=1e-10, atol=1e-14)
    assert_allclose(many.log_se, one.log_se / np.sqrt(times), rtol=1e-12)
    assert_allclose(homogeneity(**often).breslow_day_chi2, 0, atol=1e-8)


@steady
@given(random_strata())
def test_p_is_a_probability_and_the_interval_holds_the_estimate(strata: Strata) -> None:
    pooled = mantel_haenszel(**strata)
    for p in (pooled.p, pooled.p_corrected):
        assert np.isnan(p) or 0 <= p <= 1
    assert np.isnan(pooled.p) == (pooled.informative_strata == 0)
    assert not pooled.p_corrected < pooled.p
    if np.isfinite(pooled.log_se):
        assert pooled.low <= pooled.estimate <= pooled.high


@pytest.mark.parametrize(
    ("exposed", "unexposed", "estimate", "low", "high"),
    [
        (0, 3, 0.0, 0.0, np.nan),
        (3, 0, np.inf, np.nan, np.inf),
        (0, 0, np.nan, np.nan, np.nan),
    ],
)
def test_empty_cells_get_no_silent_half(exposed: int, unexposed: int, estimate: float, low: float, high: float) -> None:
    pooled = mantel_haenszel(exposed_events=exposed, exposed_total=40, unexposed_events=unexposed, unexposed_total=60)
    assert_array_equal([pooled.estimate, pooled.low, pooled.high], [estimate, low, high])
    assert np.isnan(pooled.log_se)


def test_no_strata_at_all_is_undefined() -> None:
    nothing = np.zeros((2, 0))
    pooled = mantel_haenszel(
        exposed_events=nothing, exposed_total=nothing, unexposed_events=nothing, unexposed_total=nothing
    )
    assert_array_equal(pooled.estimate, [np.nan, np.nan])
    assert_array_equal(pooled.p, [np.nan, np.nan])


# --- homogeneity -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("case_id", STRATIFIED_CASES)
def test_homogeneity_as_published(case_id: str) -> None:
    case = published(case_id)
    common = homogeneity(**strata_of(case))
    case.check(
        breslow_day_chi2=common.breslow_day_chi2,
        breslow_day_p=common.breslow_day_p,
        tarone_chi2=common.tarone_chi2,
        tarone_p=common.tarone_p,
        homogeneity_df=common.df,
    )


@steady
@given(random_strata(least=1, most=40))
def test_homogeneity_as_in_statsmodels(strata: Strata) -> None:
    assume(len(strata["exposed_total"]) > 1)
    witness = StratifiedTable(cells(strata), shift_zeros=False)
    assume(abs(witness.oddsratio_pooled - 1) > 1e-6)  # at 1 statsmodels divides 0 by 0
    plain, corrected = witness.test_equal_odds(adjust=False), witness.test_equal_odds(adjust=True)
    common = homogeneity(**strata)
    assert_allclose(
        [common.breslow_day_chi2, common.breslow_day_p], [plain.statistic, plain.pvalue], rtol=1e-6, atol=1e-8
    )
    assert_allclose(
        [common.tarone_chi2, common.tarone_p], [corrected.statistic, corrected.pvalue], rtol=1e-6, atol=1e-8
    )


def test_homogeneity_at_a_pooled_odds_ratio_of_exactly_one() -> None:
    # By hand: 8 of 20 against 4 of 20, and its mirror image. Pooled odds ratio 1, so every cell row is 6 and 14;
    # variance 1 / (1/6 + 1/14 + 1/6 + 1/14) = 2.1; chi-square 2 x 2^2 / 2.1. statsmodels gives nan here.
    common = homogeneity(exposed_events=[8, 4], exposed_total=20, unexposed_events=[4, 8], unexposed_total=20)
    assert common.breslow_day_chi2 == pytest.approx(8 / 2.1)
    assert common.tarone_chi2 == pytest.approx(8 / 2.1)
    assert common.breslow_day_p == pytest.approx(stats.chi2.sf(8 / 2.1, 1))
    assert common.least_expected == pytest.approx(6)


@pytest.mark.parametrize("odds_ratio", [0.02, 0.5, 3.0, 400.0])
def test_expected_counts_have_the_pooled_odds_ratio_and_the_margins(odds_ratio: float) -> None:
    # Strata built to have this odds ratio exactly, up to whole numbers: the statistic must be near 0, and its
    # smallest expected cell near the smallest cell there is.
    exposed, total = np.array([3000, 500, 7000]), 10_000
    unexposed = np.round(total / (1 + odds_ratio * (total - exposed) / exposed)).astype(int)
    common = homogeneity(exposed_events=exposed, exposed_total=total, unexposed_events=unexposed, unexposed_total=total)
    smallest = np.minimum(np.minimum(unexposed, total - unexposed), np.minimum(exposed, total - exposed)).min()
    assert common.breslow_day_chi2 < 0.5
    assert common.least_expected == pytest.approx(smallest, abs=0.6)


def test_expected_counts_keep_their_digits_at_an_extreme_odds_ratio() -> None:
    # The first stratum sets an odds ratio near 1e-6; in the second, more events than unexposed, all but about
    # 0.001 of the 10 unexposed must then have the event. Solved again with 60 digits.
    strata = {
        "exposed_events": [1, 490],
        "exposed_total": [1_000_001, 1000],
        "unexposed_events": [500_000, 10],
        "unexposed_total": [1_000_000, 10],
    }
    with localcontext() as digits:
        digits.prec = 60
        odds = Decimal(float(mantel_haenszel(**strata).estimate))
        least = []
        for a, n1, c, n0 in zip(*(strata[name] for name in ORDER), strict=True):
            slope = odds * (n1 + a + c) + n0 - a - c
            fitted = ((slope**2 + 4 * (1 - odds) * odds * n1 * (a + c)).sqrt() - slope) / (2 * (1 - odds))
            least += [fitted, n1 - fitted, a + c - fitted, n0 - a - c + fitted]
    assert float(homogeneity(**strata).least_expected) == pytest.approx(float(min(least)), rel=1e-9)


@pytest.mark.parametrize(
    ("exposed_events", "unexposed_events"),
    [([3], [5]), ([0, 0], [2, 3]), ([2, 3], [0, 0]), ([0, 4], [0, 2])],
    ids=["one stratum", "pooled 0", "pooled inf", "one informative"],
)
def test_homogeneity_is_undefined_where_nothing_can_differ(
    exposed_events: list[int], unexposed_events: list[int]
) -> None:
    common = homogeneity(
        exposed_events=exposed_events, exposed_total=30, unexposed_events=unexposed_events, unexposed_total=50
    )
    assert np.isnan([common.breslow_day_chi2, common.breslow_day_p, common.tarone_chi2, common.tarone_p]).all()


# --- exact conditional -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("case_id", FOURFOLD_CASES)
def test_fisher_with_matching_intervals_as_published(case_id: str) -> None:
    case = published(case_id)
    exact = fisher_2x2(**one_table(case))
    case.check(
        fisher_p_two_sided=exact.minimum_likelihood_p,
        fisher_p_doubled_one_sided=exact.p,
        fisher_p_less=exact.p_less,
        fisher_p_greater=exact.p_greater,
        or_conditional_mle=exact.estimate,
        or_exact_lo=exact.low,
        or_exact_hi=exact.high,
    )


@pytest.mark.parametrize("case_id", STRATIFIED_CASES)
def test_exact_common_odds_ratio_as_published(case_id: str) -> None:
    # mantelhaen.test(exact = TRUE) of R prints the minimum-likelihood p beside the doubled-tail interval.
    case = published(case_id)
    exact = exact_conditional(**strata_of(case))
    case.check(
        cond_mle_common_or=exact.estimate,
        cond_or_lo=exact.low,
        cond_or_hi=exact.high,
        exact_p=exact.minimum_likelihood_p,
    )


def test_a_p_below_5_percent_can_stand_beside_an_interval_with_1() -> None:
    # P-a5, Fay 2010: hence each p is handed out with its own interval.
    exact = fisher_2x2(**one_table(published("P-a5")))
    assert exact.minimum_likelihood_p < 0.05 < exact.p
    assert exact.low < 1 < exact.high


def tails(strata: Strata, odds_ratio: float) -> tuple[float, float, float]:
    """P(T < t), P(T = t), P(T > t) by listing every set of tables with these margins: the naive second witness."""
    n1, n0 = strata["exposed_total"], strata["unexposed_total"]
    m = strata["exposed_events"] + strata["unexposed_events"]
    ranges = [range(max(0, int(k - n)), min(int(k), int(e)) + 1) for k, n, e in zip(m, n0, n1, strict=True)]
    observed = int(strata["exposed_events"].sum())
    below = at = above = 0.0
    for tables in product(*ranges):
        weight = odds_ratio ** (sum(tables) - observed)
        for x, e, n, k in zip(tables, n1, n0, m, strict=True):
            weight *= comb(int(e), x) * comb(int(n), int(k) - x)
        if sum(tables) < observed:
            below += weight
        elif sum(tables) > observed:
            above += weight
        else:
            at += weight
    total = below + at + above
    return below / total, at / total, above / total


@steady
@given(random_strata(most_strata=3, most=8), st.sampled_from([0.5, 0.9, 0.95, 0.99]))
def test_exact_tails_hold_what_they_should_by_enumeration(strata: Strata, level: float) -> None:
    exact = exact_conditional(**strata, level=level)
    assume(exact.informative_strata > 0)
    below, at, above = tails(strata, 1.0)
    assert_allclose([exact.p_less, exact.p_greater], [below + at, above + at], rtol=1e-9)
    assert_allclose(exact.p, min(1, 2 * min(below + at, above + at)), rtol=1e-9)
    assert_allclose(exact.mid_p, 2 * min(below + at / 2, above + at / 2), rtol=1e-9)
    tail = (1 - level) / 2
    for low, high, share in ((exact.low, exact.high, 1.0), (exact.mid_p_low, exact.mid_p_high, 0.5)):
        if low > 0:
            _, at_low, above_low = tails(strata, low)
            assert_allclose(above_low + share * at_low, tail, rtol=1e-6)
        if np.isfinite(high):
            below_high, at_high, _ = tails(strata, high)
            assert_allclose(below_high + share * at_high, tail, rtol=1e-6)
    assert (exact.low == 0) == (exact.estimate == 0)
    assert np.isinf(exact.high) == np.isinf(exact.estimate)


@steady
@given(random_strata(most_strata=1, most=60))
def test_one_table_as_in_scipy(strata: Strata) -> None:
    exact = exact_conditional(**strata)
    assume(exact.informative_strata == 1)
    table = cells(strata)[:, :, 0].astype(int)
    witness = scipy_odds_ratio(table, kind="conditional")
    interval = witness.confidence_interval(0.95)
    assert_allclose(exact.estimate, witness.statistic, rtol=1e-4)  # scipy solves to about 1e-6
    assert_allclose([exact.low, exact.high], [interval.low, interval.high], rtol=1e-4)
    assert_allclose(exact.minimum_likelihood_p, stats.fisher_exact(table).pvalue, rtol=1e-7)
    assert_allclose(exact.p_less, stats.fisher_exact(table, alternative="less").pvalue, rtol=1e-9)
    assert_allclose(exact.p_greater, stats.fisher_exact(table, alternative="greater").pvalue, rtol=1e-9)


@steady
@given(random_strata(), st.sampled_from([0.8, 0.9, 0.95, 0.99]))
@example(dict(zip(ORDER, map(np.array, ([3], [4], [1], [4])), strict=True)), 0.95)
def test_exact_p_and_exact_interval_agree_about_1(strata: Strata, level: float) -> None:
    exact = exact_conditional(**strata, level=level)
    assume(exact.informative_strata > 0)
    for p, low, high in ((exact.p, exact.low, exact.high), (exact.mid_p, exact.mid_p_low, exact.mid_p_high)):
        assert 0 <= p <= 1
        assume(abs(p - (1 - level)) > 1e-9)  # on the border rounding decides
        assert (p < 1 - level) == (not low <= 1 <= high)
        assert low <= exact.estimate <= high
    assert exact.low <= exact.mid_p_low
    assert exact.mid_p_high <= exact.high
    assert exact.mid_p <= exact.p
    assert 0 < exact.minimum_likelihood_p <= 1


@steady
@given(random_strata())
def test_swapping_groups_or_outcome_inverts_the_exact_odds_ratio(strata: Strata) -> None:
    exact = exact_conditional(**strata)
    assume(exact.informative_strata > 0)
    for other in (exact_conditional(**swapped(strata)), exact_conditional(**without_the_event(strata))):
        with np.errstate(divide="ignore"):
            inverted = 1 / np.array([exact.estimate, exact.high, exact.low, exact.mid_p_high, exact.mid_p_low])
        assert_allclose([other.estimate, other.low, other.high, other.mid_p_low, other.mid_p_high], inverted, rtol=1e-8)
        assert_allclose([other.p_less, other.p_greater], [exact.p_greater, exact.p_less], rtol=1e-9)
        assert_allclose(other.minimum_likelihood_p, exact.minimum_likelihood_p, rtol=1e-9)


@pytest.mark.parametrize("odds_ratio", [0.05, 0.4, 1.0, 2.5, 30.0])
def test_exact_interval_covers_at_least_its_level(odds_ratio: float) -> None:
    # Over all outcomes with these margins, weighted by Fisher's noncentral hypergeometric distribution (scipy).
    exposed, unexposed, events = 12, 20, 7
    outcomes = np.arange(0, events + 1)
    chance = stats.nchypergeom_fisher.pmf(outcomes, exposed + unexposed, events, exposed, odds_ratio)
    covered = [
        exact.low <= odds_ratio <= exact.high
        for exact in (
            fisher_2x2(
                exposed_events=int(x),
                exposed_total=exposed,
                unexposed_events=int(events - x),
                unexposed_total=unexposed,
            )
            for x in outcomes
        )
    ]
    assert chance @ np.array(covered) >= 0.95


@pytest.mark.parametrize(("exposed", "unexposed"), [(0, 9), (9, 0), (2, 7), (5, 5)])
def test_a_billion_at_risk_is_a_comparison_of_two_poisson_counts(exposed: int, unexposed: int) -> None:
    # With equal groups and a vanishing risk the exposed events are binomial with share OR / (1 + OR): the exact
    # interval must be Clopper and Pearson's (statsmodels), on the odds scale.
    exact = fisher_2x2(exposed_events=exposed, exposed_total=10**9, unexposed_events=unexposed, unexposed_total=10**9)
    low, high = proportion_confint(exposed, exposed + unexposed, method="beta")
    assert_allclose(exact.low, low / (1 - low), rtol=1e-6)
    assert_allclose(exact.high, np.inf if high == 1 else high / (1 - high), rtol=1e-6)
    assert_allclose(exact.estimate, np.inf if unexposed == 0 else exposed / unexposed, rtol=1e-6)


def test_thousands_of_events_neither_underflow_nor_drift() -> None:
    # Far beyond the range of a float at the null, and close to the large-sample interval at the estimate.
    strata = {
        "exposed_events": [6000, 9000],
        "exposed_total": [500_000, 500_000],
        "unexposed_events": [3000, 4000],
        "unexposed_total": [500_000, 500_000],
    }
    exact, pooled = exact_conditional(**strata), mantel_haenszel(**strata)
    assert_allclose([exact.estimate, exact.low, exact.high], [pooled.estimate, pooled.low, pooled.high], rtol=5e-4)
    assert exact.p == 0  # smaller than the smallest float
    assert exact.p_less == pytest.approx(1)


def test_strata_at_odds_with_each_other_do_not_break_the_arithmetic() -> None:
    # Odds ratios of 81 and 1/81, thousands of events: by symmetry the common one is 1.
    exact = exact_conditional(
        exposed_events=[9000, 1000], exposed_total=10_000, unexposed_events=[1000, 9000], unexposed_total=10_000
    )
    assert exact.estimate == pytest.approx(1)
    assert exact.low * exact.high == pytest.approx(1)
    assert exact.p == 1


def test_without_an_informative_stratum_nothing_is_learnt() -> None:
    exact = exact_conditional(
        exposed_events=[0, 3], exposed_total=[5, 3], unexposed_events=[0, 0], unexposed_total=[9, 0]
    )
    assert np.isnan([exact.estimate, exact.low, exact.high, exact.p, exact.mid_p, exact.minimum_likelihood_p]).all()
    assert exact.informative_strata == 0


# --- risks, shares ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("case_id", FOURFOLD_CASES)
def test_risk_ratio_and_difference_as_published(case_id: str) -> None:
    case = published(case_id)
    ratio, difference = risk_ratio(**one_table(case)), risk_difference(**one_table(case))
    case.check(
        rr=ratio.estimate,
        rr_katz_lo=ratio.low,
        rr_katz_hi=ratio.high,
        rd=difference.estimate,
        rd_newcombe_lo=difference.low,
        rd_newcombe_hi=difference.high,
    )


@pytest.mark.parametrize("row", ["a", "b", "d", "g"])
def test_newcombes_interval_as_published(row: str) -> None:
    # P-a6: Newcombe 1998, Stat Med 17:873, table II, method 10.
    case = published("P-a6")
    n = case.data[row]
    difference = risk_difference(
        exposed_events=n["x1"], exposed_total=n["n1"], unexposed_events=n["x2"], unexposed_total=n["n2"]
    )
    case.check(**{f"{row}_diff": difference.estimate, f"{row}_lo": difference.low, f"{row}_hi": difference.high})


@steady
@given(random_strata(most_strata=1, least=1, most=60))
def test_risks_by_hand(strata: Strata) -> None:
    a, n1, c, n0 = (int(strata[name][0]) for name in ORDER)
    ratio, difference = risk_ratio(**one(strata), level=0.9), risk_difference(**one(strata), level=0.9)
    half_width = stats.norm.ppf(0.95) * np.sqrt(1 / a - 1 / n1 + 1 / c - 1 / n0)  # Katz et al. 1978
    assert_allclose(np.log([ratio.low, ratio.high]), np.log(ratio.estimate) + half_width * np.array([-1, 1]), rtol=1e-9)
    (l1, u1), (l0, u0) = (stats.binomtest(x, n).proportion_ci(0.9, method="wilson") for x, n in ((a, n1), (c, n0)))
    p1, p0 = a / n1, c / n0
    assert_allclose(difference.low, p1 - p0 - np.hypot(p1 - l1, u0 - p0), rtol=1e-9, atol=1e-12)
    assert_allclose(difference.high, p1 - p0 + np.hypot(u1 - p1, p0 - l0), rtol=1e-9, atol=1e-12)


def one(strata: Strata) -> Strata:
    return {name: int(strata[name][0]) for name in ORDER}


@pytest.mark.parametrize(
    ("exposed", "unexposed", "estimate", "low", "high"),
    [(0, 3, 0.0, 0.0, np.nan), (3, 0, np.inf, np.nan, np.inf), (0, 0, np.nan, np.nan, np.nan)],
)
def test_risk_ratio_of_empty_cells(exposed: int, unexposed: int, estimate: float, low: float, high: float) -> None:
    ratio = risk_ratio(exposed_events=exposed, exposed_total=40, unexposed_events=unexposed, unexposed_total=60)
    assert_array_equal([ratio.estimate, ratio.low, ratio.high], [estimate, low, high])


def test_proportion_intervals_as_published() -> None:
    # P-a7: Newcombe 1998, Stat Med 17:857, table I.
    case = published("P-a7")
    events, total = [81, 0], [263, 20]
    for method in ("wilson", "exact"):
        share = proportion_interval(events=events, total=total, method=method)  # type: ignore[arg-type]  # parametrized text
        for i, row in enumerate(("x81_263", "x0_20")):
            case.check(**{f"{row}_{method}_lo": share.low[i], f"{row}_{method}_hi": share.high[i]})


@steady
@given(st.integers(0, 50), st.integers(0, 50), st.sampled_from(["wilson", "exact"]), st.sampled_from([0.8, 0.95]))
@example(0, 3, "wilson", 0.95)  # rounding puts the library's lower end above 0
def test_proportion_intervals_as_in_scipy(events: int, more: int, method: Any, level: float) -> None:
    assume(events + more > 0)
    share = proportion_interval(events=events, total=events + more, method=method, level=level)
    witness = stats.binomtest(events, events + more).proportion_ci(level, method=method)
    assert_allclose([share.low[0], share.high[0]], [witness.low, witness.high], rtol=1e-9, atol=1e-12)
    assert 0 <= share.low[0] <= share.estimate[0] <= share.high[0] <= 1


def test_a_share_of_nobody_is_unknown() -> None:
    share = proportion_interval(events=[[0, 1]], total=[[0, 4]])
    assert_array_equal(share.estimate, [[np.nan, 0.25]])
    assert (share.low[0, 0], share.high[0, 0]) == (0, 1)


# --- trend -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "case_id",
    [
        "P-c1",  # smokers; help page of prop.trend.test of R, Fleiss 1981
        "P-c2",  # maternal drinking; Agresti 2007, section 2.5
    ],
)
def test_trend_as_published(case_id: str) -> None:
    case = published(case_id)
    events, total, scores = (case.data[name] for name in ("events", "n", "scores"))
    line = trend(events=events, total=total, scores=scores)
    n = sum(total)
    case.check(
        ca_chi2=line.chi2,
        ca_z=line.z,
        ca_p_two_sided=line.p,
        linear_by_linear_M2_N_minus_1=line.chi2 * (n - 1) / n,
        pearson_chi2=line.chi2 + line.departure_chi2,
        pearson_df=line.departure_df + 1,
        departure_from_trend_chi2=line.departure_chi2,
        departure_p=line.departure_p,
        slope_lpm=line.slope,
    )


@st.composite
def dose_groups(draw: st.DrawFn) -> tuple[list[int], list[int], list[float]]:
    groups = draw(st.integers(2, 6))
    total = draw(st.lists(st.integers(2, 40), min_size=groups, max_size=groups))
    events = [draw(st.integers(1, n - 1)) for n in total]
    scores = draw(st.lists(st.integers(-20, 20), min_size=groups, max_size=groups, unique=True))
    return events, total, [float(score) for score in scores]


@steady
@given(dose_groups())
def test_trend_as_in_statsmodels_and_scipy(groups: tuple[list[int], list[int], list[float]]) -> None:
    events, total, scores = groups
    line = trend(events=events, total=total, scores=scores)
    table = np.column_stack([np.subtract(total, events), events])
    witness = Table(table, shift_zeros=False).test_ordinal_association(row_scores=np.array(scores))
    n = sum(total)
    assert_allclose(line.z, witness.zscore * np.sqrt(n / (n - 1)), rtol=1e-8, atol=1e-9)
    assert_allclose(line.p, 2 * stats.norm.sf(abs(line.z)), rtol=1e-9)
    pearson = stats.chi2_contingency(table, correction=False).statistic
    if len(total) > 2:
        assert_allclose(line.chi2 + line.departure_chi2, pearson, rtol=1e-8, atol=1e-9)
    else:  # two groups: the line explains everything
        assert_allclose(line.chi2, pearson, rtol=1e-8, atol=1e-9)
        assert np.isnan(line.departure_p)


@steady
@given(dose_groups(), st.floats(0.01, 100), st.floats(-100, 100))
def test_trend_depends_on_distances_only(
    groups: tuple[list[int], list[int], list[float]], scale: float, shift: float
) -> None:
    events, total, scores = groups
    line = trend(events=events, total=total, scores=scores)
    moved = trend(events=events, total=total, scores=[shift + scale * score for score in scores])
    turned = trend(events=events, total=total, scores=[-score for score in scores])
    assert_allclose([moved.z, moved.slope * scale], [line.z, line.slope], rtol=1e-6, atol=1e-9)
    assert_allclose([turned.z, turned.slope, turned.p], [-line.z, -line.slope, line.p], rtol=1e-9, atol=1e-12)


def test_trend_leaves_out_empty_groups_and_does_not_invent_events() -> None:
    assert trend(events=[1, 0, 5], total=[9, 0, 9], scores=[0, 1, 2]) == trend(
        events=[1, 5], total=[9, 9], scores=[0, 2]
    )
    for events in ([0, 0, 0], [9, 9, 9]):
        line = trend(events=events, total=[9, 9, 9], scores=[0, 1, 2])
        assert np.isnan([line.chi2, line.z, line.p, line.slope, line.departure_chi2, line.departure_p]).all()


# --- refusals and cost -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("method", [mantel_haenszel, homogeneity, exact_conditional])
@pytest.mark.parametrize(
    ("counts", "message"),
    [
        (([1, 5], [9, 4], [1, 1], [9, 9]), r"exposed group, stratum \(1,\): 5 events of 4 restorations"),
        (([1, 1], [9, 9], [1, -1], [9, 9]), r"unexposed group, stratum \(1,\): -1 events"),
        (([0.5], [9], [1], [9]), r"0\.5 events of 9 restorations.*whole numbers"),
        (([1], [9], [np.nan], [9]), "nan events"),
        (([1], [np.inf], [1], [9]), "inf restorations"),
        (([1, 1, 1], [9, 9], [1, 1], [9, 9]), r"exposed_events \(3,\), exposed_total \(2,\).*broadcast"),
    ],
)
def test_impossible_counts_are_refused(method: Any, counts: tuple[Any, ...], message: str) -> None:
    with pytest.raises(TableError, match=message):
        method(**dict(zip(ORDER, counts, strict=True)))


@pytest.mark.parametrize("method", [risk_ratio, risk_difference])
@pytest.mark.parametrize("group", ["exposed", "unexposed"])
def test_a_group_of_nobody_has_no_risk(method: Any, group: str) -> None:
    counts = {**dict.fromkeys(ORDER, 5), f"{group}_events": 0, f"{group}_total": 0}
    with pytest.raises(TableError, match=f"{group} group: 0 events of 0 restorations"):
        method(**counts)


@pytest.mark.parametrize("method", [risk_ratio, risk_difference, fisher_2x2])
def test_methods_for_one_table_refuse_several(method: Any) -> None:
    with pytest.raises(TableError, match="one table of four numbers"):
        method(exposed_events=[1, 2], exposed_total=9, unexposed_events=1, unexposed_total=9)


@pytest.mark.parametrize("method", [mantel_haenszel, exact_conditional, fisher_2x2, risk_ratio, risk_difference])
@pytest.mark.parametrize("level", [0, 1, 95, float("nan")])
def test_a_level_is_a_fraction(method: Any, level: float) -> None:
    with pytest.raises(TableError, match=r"write level=0\.95"):
        method(exposed_events=1, exposed_total=9, unexposed_events=1, unexposed_total=9, level=level)


def test_other_refusals() -> None:
    with pytest.raises(TableError, match="Need one axis"):
        exact_conditional(exposed_events=[[1]], exposed_total=9, unexposed_events=1, unexposed_total=9)
    with pytest.raises(TableError, match="Interval method 'wald'"):
        proportion_interval(events=1, total=2, method="wald")  # type: ignore[arg-type]  # wrong on purpose
    with pytest.raises(TableError, match="one score per group"):
        trend(events=[1, 2], total=[3, 3], scores=[1, 2, 3])
    with pytest.raises(TableError, match="two different finite numbers"):
        trend(events=[1, 2], total=[3, 3], scores=[1, 1])
    with pytest.raises(RemakesError, match="two different finite numbers"):
        trend(events=[1, 2], total=[3, 3], scores=[1, np.inf])


def test_importing_costs_neither_statistics_nor_frames() -> None:
    seen = subprocess.run(
        [
            sys.executable,
            "-c",
            "import sys; from remakes.evidence.tables import attributable, contingency, multiplicity;"
            "print(sorted({'scipy.stats', 'scipy.optimize', 'statsmodels', 'pandas'} & set(sys.modules)))",
        ],
        capture_output=True,
        text=True,
        check=True,
    )
    assert seen.stdout.strip() == "[]"

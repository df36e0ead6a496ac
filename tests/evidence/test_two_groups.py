"""Power and size of two groups: published figures, other programs, exact enumeration."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, fisher_exact
from statsmodels.stats.power import NormalIndPower
from statsmodels.stats.proportion import proportion_effectsize

from remakes.errors import TableError
from remakes.evidence.tables.two_groups import power_fisher_exact, power_two_proportions, sample_size_two_proportions
from tests.published.cases import published

shares = st.floats(0.02, 0.98)


def test_power_of_the_published_case() -> None:
    case = published("P-j1")
    question = {name: case.data[name] for name in ("p1", "p2", "n_per_group", "alpha")}
    effect = proportion_effectsize(question["p1"], question["p2"])
    case.check(
        power_power_prop_test=power_two_proportions(**question),
        power_prop_test_strict=power_two_proportions(**question, both_tails=True),
        power_fisher_exact=power_fisher_exact(**question),
        # Another formula, by another program: near the first, and not the same.
        power_arcsine=NormalIndPower().power(effect, nobs1=question["n_per_group"], alpha=question["alpha"]),
    )


def test_sizes_of_the_published_cases() -> None:
    case = published("P-j2")
    question = {name: case.data[name] for name in ("p1", "p2", "alpha", "power")}
    effect = proportion_effectsize(question["p1"], question["p2"])
    plain = sample_size_two_proportions(**question)
    case.check(
        n_pooled_null_variance=plain,
        n_fleiss_uncorrected=plain,
        n_fleiss_corrected=sample_size_two_proportions(**question, continuity=True),
        n_arcsine=NormalIndPower().solve_power(effect, power=question["power"], alpha=question["alpha"]),
    )
    case = published("P-j3")
    question = {name: case.data[name] for name in ("p1", "p2", "alpha", "power")}
    case.check(
        n_fleiss_uncorrected=sample_size_two_proportions(**question),
        n_fleiss_corrected=sample_size_two_proportions(**question, continuity=True),
    )


def test_fisher_power_is_that_of_every_table_tested_by_another_program() -> None:
    n, p1, p2 = 11, 0.1, 0.6
    expected = sum(
        binom.pmf(a, n, p1) * binom.pmf(b, n, p2)
        for a in range(n + 1)
        for b in range(n + 1)
        if fisher_exact([[a, n - a], [b, n - b]]).pvalue <= 0.05
    )
    assert power_fisher_exact(p1=p1, p2=p2, n_per_group=n) == pytest.approx(expected, rel=1e-9)


@given(p1=shares, p2=shares, power=st.floats(0.5, 0.99), alpha=st.floats(0.001, 0.2))
def test_size_and_power_are_each_others_inverse(p1: float, p2: float, power: float, alpha: float) -> None:
    if abs(p1 - p2) < 0.01:
        return
    size = sample_size_two_proportions(p1=p1, p2=p2, power=power, alpha=alpha)
    if size >= 1:
        assert power_two_proportions(p1=p1, p2=p2, n_per_group=size, alpha=alpha) == pytest.approx(power, abs=1e-9)
    assert sample_size_two_proportions(p1=p1, p2=p2, power=power, alpha=alpha, continuity=True) > size
    assert sample_size_two_proportions(p1=p2, p2=p1, power=power, alpha=alpha) == pytest.approx(size)


@pytest.mark.parametrize("p", [0.02, 0.3])
def test_equal_shares_are_found_apart_no_oftener_than_the_level(p: float) -> None:
    assert power_two_proportions(p1=p, p2=p, n_per_group=80, both_tails=True) == pytest.approx(0.05)
    assert power_two_proportions(p1=p, p2=p, n_per_group=80) == pytest.approx(0.025)
    assert power_fisher_exact(p1=p, p2=p, n_per_group=80) <= 0.05


def test_the_normal_approximation_holds_in_a_simulation() -> None:
    rng = np.random.default_rng(1)
    n, p1, p2 = 350, 0.30, 0.40
    a, b = rng.binomial(n, p1, 20_000), rng.binomial(n, p2, 20_000)
    pooled = (a + b) / (2 * n)
    z = (b - a) / n / np.sqrt(2 * pooled * (1 - pooled) / n)
    assert power_two_proportions(p1=p1, p2=p2, n_per_group=n) == pytest.approx(np.mean(z > 1.959964), abs=0.01)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"p1": 0.0}, "strictly between 0 and 1. For 5 % write 0.05"),
        ({"p2": 5.0}, "Shares of 0.1 and 5"),
        ({"alpha": 0.0}, "alpha = 0"),
        ({"n_per_group": 0}, "0 restorations per group"),
        ({"n_per_group": math.inf}, "inf restorations per group"),
        ({"n_per_group": math.nan}, "nan restorations per group"),
    ],
)
def test_impossible_plans_are_refused(wrong: dict[str, float], says: str) -> None:
    plan = {"p1": 0.1, "p2": 0.2, "n_per_group": 100} | wrong
    with pytest.raises(TableError, match=says):
        power_two_proportions(**plan)
    with pytest.raises(TableError, match=says):
        power_fisher_exact(**plan)


def test_equal_shares_need_no_size() -> None:
    with pytest.raises(TableError, match="two different fractions"):
        sample_size_two_proportions(p1=0.1, p2=0.1)
    with pytest.raises(TableError, match="power = 1"):
        sample_size_two_proportions(p1=0.1, p2=0.2, power=1.0)

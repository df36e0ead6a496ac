"""Cluster-robust errors against published values, single rows, exact expectations and a mixed model."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.special import expit
from scipy.stats import norm
from threadpoolctl import threadpool_limits

from remakes.errors import FitError
from remakes.evidence.checks.sandwich import ClusterScore, Root, cluster_robust, robust_errors
from tests.published.cases import dataset, published

Floats = NDArray[np.float64]
ROOTS = get_args(Root)


@pytest.fixture(autouse=True)
def _one_thread() -> Iterator[None]:
    """Matrices this small are slower on two threads, much slower beside other work."""
    with threadpool_limits(limits=1):
        yield


def logistic(X: Floats, y: Floats, trials: Floats | None = None) -> Floats:
    """Maximum likelihood to the last digit, by Newton's method."""
    n = np.ones(len(y)) if trials is None else trials
    theta = np.zeros(X.shape[1])
    for _ in range(60):
        P = expit(X @ theta)
        theta = theta + np.linalg.solve(X.T @ (X * (n * P * (1 - P))[:, None]), X.T @ (y - n * P))
    return theta


def bacteria() -> tuple[Floats, Floats, NDArray[np.intp]]:
    rows = dataset("bacteria")
    y = np.array([row["y"] == "y" for row in rows], dtype=float)
    X = np.array([[1.0, row["ap"] == "a", float(row["week"])] for row in rows])
    return X, y, np.unique([row["ID"] for row in rows], return_inverse=True)[1]


def bacteria_errors(case: str, root: Root) -> dict[str, float]:
    """All values of P-e4 (logistic) or P-e5 (linear), named as there."""
    X, y, patients = bacteria()
    if case == "P-e4":
        theta = logistic(X, y)
        mean = expit(X @ theta)
        variance = mean * (1 - mean)
    else:
        theta = np.linalg.lstsq(X, y)[0]
        mean, variance = X @ theta, np.ones(len(y))
    found: dict[str, float] = {}
    for index, name in enumerate(("Intercept", "active", "week")):
        errors = cluster_robust(
            X,
            trials=np.ones(len(y)),
            variance=variance,
            residuals=y - mean,
            clusters=patients,
            index=index,
            root=root,
        )
        found |= {
            "n_clusters": errors.clusters,
            f"{name}_coef": theta[index],
            f"{name}_se_CR0": errors.cr0,
            f"{name}_se_CR1": errors.cr1,
            f"{name}_se_CR1S": errors.cr1s,
            f"{name}_se_CR2": errors.cr2,
            f"{name}_df_satt_CR2": errors.df,
            f"{name}_p_satt_CR2": errors.p(theta[index]),
        }
    return found


@pytest.mark.parametrize(("case", "root"), [("P-e4", "response"), ("P-e5", "response"), ("P-e5", "standardized")])
def test_published_cluster_robust_errors(case: str, root: Root) -> None:
    # Venables & Ripley, MASS, data set bacteria; clubSandwich 0.5.8. In the linear model both roots are one.
    computed = bacteria_errors(case, root)
    assert len(computed) == 22
    published(case).check(**computed)


def test_the_two_roots_of_a_logistic_model_differ_by_little() -> None:
    # Which root is taken is a convention; both are right on average. 3 % is what a reader may expect.
    expected = published("P-e4").expected
    computed = bacteria_errors("P-e4", "standardized")
    for name in ("Intercept", "active", "week"):
        assert computed[f"{name}_se_CR0"] == pytest.approx(expected[f"{name}_se_CR0"], rel=1e-6)
        assert computed[f"{name}_se_CR2"] == pytest.approx(expected[f"{name}_se_CR2"], rel=0.03)
        assert computed[f"{name}_df_satt_CR2"] == pytest.approx(expected[f"{name}_df_satt_CR2"], rel=0.03)


def test_the_uncorrected_errors_are_those_of_gee_under_independence() -> None:
    # Ware et al. 1984, Six Cities, from the R package geepack (1.3.9): P-e6, the independence part.
    rows = dataset("ohio")
    y = np.array([row["resp"] for row in rows], dtype=float)
    X = np.array([[1.0, float(row["age"]), float(row["smoke"])] for row in rows])
    theta = logistic(X, y)
    P = expit(X @ theta)
    children = np.array([int(row["id"]) for row in rows])
    computed: dict[str, Any] = {}
    for index, name in enumerate(("Intercept", "age", "smoke")):
        errors = cluster_robust(
            X,
            trials=np.ones(len(y)),
            variance=P * (1 - P),
            residuals=y - P,
            clusters=children,
            index=index,
            root="standardized",
        )
        computed |= {
            f"indep_{name}_coef": theta[index],
            f"indep_{name}_robust_se": errors.cr0,
            f"indep_{name}_wald_p": 2 * norm.sf(abs(theta[index]) / errors.cr0),
        }
    case = published("P-e6")
    case.check(**computed)
    for name, value in computed.items():
        assert value == pytest.approx(case.expected[name], rel=case.tolerance["indep_rel"], abs=1e-8)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10**6), root=st.sampled_from(ROOTS))
def test_counts_and_single_rows_give_the_same(seed: int, root: Root) -> None:
    rng = np.random.default_rng(seed)
    cells = 30
    X = np.column_stack([np.ones(cells), rng.integers(0, 2, cells), rng.integers(0, 3, cells)]).astype(float)
    clusters = rng.integers(0, 6, cells)
    trials = rng.integers(0, 7, cells).astype(float)
    P = expit(X @ np.array([-1.0, 0.7, 0.3]))
    events = rng.binomial(trials.astype(int), P).astype(float)
    by_cell = cluster_robust(
        X, trials=trials, variance=P * (1 - P), residuals=events - trials * P, clusters=clusters, index=1, root=root
    )
    of = np.repeat(np.arange(cells), trials.astype(int))
    y = np.concatenate([np.arange(n) < e for n, e in zip(trials, events, strict=True)]).astype(float)
    by_row = cluster_robust(
        X[of],
        trials=np.ones(len(of)),
        variance=(P * (1 - P))[of],
        residuals=y - P[of],
        clusters=clusters[of],
        index=1,
        root=root,
    )
    for name in ("clusters", "model", "cr0", "cr1", "cr1s", "cr2", "df"):
        assert getattr(by_cell, name) == pytest.approx(getattr(by_row, name), rel=1e-7)


@pytest.mark.parametrize("root", ROOTS)
def test_cr2_is_right_on_average_when_the_model_is(root: Root) -> None:
    """Residuals that run through a square root of their variance under the model: CR2 sums to the model's variance."""
    rng = np.random.default_rng(4)
    cells = 24
    X = np.column_stack([np.ones(cells), rng.normal(size=(cells, 2))])
    trials, P = rng.integers(1, 5, cells).astype(float), rng.uniform(0.02, 0.6, cells)
    clusters = np.repeat(np.arange(6), 4)
    W = trials * P * (1 - P)
    M = np.linalg.inv(X.T @ (X * W[:, None]))
    of_totals = np.diag(W) - (X * W[:, None]) @ M @ (X * W[:, None]).T
    values, U = np.linalg.eigh(of_totals)
    total = uncorrected = 0.0
    for residuals in (U * np.sqrt(np.maximum(values, 0))).T:
        errors = cluster_robust(
            X, trials=trials, variance=P * (1 - P), residuals=residuals, clusters=clusters, index=1, root=root
        )
        total, uncorrected = total + errors.cr2**2, uncorrected + errors.cr0**2
    assert total == pytest.approx(M[1, 1], rel=1e-9)
    assert errors.model**2 == pytest.approx(M[1, 1], rel=1e-9)
    assert uncorrected < 0.9 * M[1, 1]


def test_a_prior_row_makes_the_sandwich_that_of_the_mixed_model() -> None:
    """Random intercepts by cluster as penalized columns, against generalized least squares written out."""
    rng = np.random.default_rng(5)
    clusters, precision = np.repeat(np.arange(8), 5), 1.7
    X = np.column_stack([np.ones(40), rng.normal(size=40) + rng.normal(size=8)[clusters]])
    y = X @ np.array([1.0, 0.5]) + rng.normal(size=8)[clusters] + rng.normal(size=40)
    same = clusters[:, None] == clusters[None, :]
    inverse = np.linalg.inv(np.eye(40) + same / precision)
    bread = np.linalg.inv(X.T @ inverse @ X)
    beta = bread @ X.T @ inverse @ y
    parts = np.array([X[clusters == g].T @ (inverse @ (y - X @ beta))[clusters == g] for g in range(8)])
    expected = bread @ (parts.T @ parts) @ bread

    Z = np.column_stack([X, np.eye(8)[clusters]])
    ridge = np.append(np.zeros(2), np.full(8, precision))
    theta = np.linalg.solve(Z.T @ Z + np.diag(ridge), Z.T @ y)
    scores = []
    for g in range(8):
        at = np.array([0, 1, 2 + g])
        rows = Z[clusters == g][:, at]
        residual = (y - Z @ theta)[clusters == g]
        scores.append(
            ClusterScore(
                columns=at,
                information=rows.T @ rows + np.diag(ridge[at]),
                score=rows.T @ residual - ridge[at] * theta[at],
            )
        )
    errors = robust_errors(scores, size=10, index=1)
    assert theta[1] == pytest.approx(beta[1], rel=1e-10)
    assert errors.cr0**2 == pytest.approx(expected[1, 1], rel=1e-9)
    assert errors.model**2 == pytest.approx(bread[1, 1], rel=1e-9)


@pytest.mark.parametrize("root", ROOTS)
def test_a_cluster_that_settles_its_own_effect_is_no_trouble(root: Root) -> None:
    """A column for one cluster alone, and clusters of one row: leverage 1, where nothing can be stretched."""
    rng = np.random.default_rng(6)
    clusters = np.array([0] * 6 + [1] * 6 + [2] * 6 + [3] * 5 + [4])
    X = np.column_stack([np.ones(24), rng.integers(0, 2, 24), clusters == 0, clusters == 4]).astype(float)
    y = X @ np.array([0.3, 0.4, 1.0, 2.0]) + rng.normal(size=24)
    theta = np.linalg.lstsq(X, y)[0]
    ones = np.ones(24)
    residuals = y - X @ theta
    with_it = cluster_robust(X, trials=ones, variance=ones, residuals=residuals, clusters=clusters, index=1, root=root)
    # The row that its own column settles says nothing: without it all stays the same.
    rest = clusters < 4
    without = cluster_robust(
        X[rest][:, :3],
        trials=ones[rest],
        variance=ones[rest],
        residuals=residuals[rest],
        clusters=clusters[rest],
        index=1,
        root=root,
    )
    assert with_it.clusters == 5
    assert with_it.cr2 == pytest.approx(without.cr2, rel=1e-6)
    assert with_it.df == pytest.approx(without.df, rel=1e-6)
    assert 0 < with_it.df < 5


def test_what_cannot_be_had_is_refused_in_words() -> None:
    ones = np.ones(6)
    X = np.column_stack([ones, np.arange(6.0)])
    with pytest.raises(FitError, match="1 cluster: how much clusters differ"):
        cluster_robust(X, trials=ones, variance=ones, residuals=ones, clusters=np.zeros(6, dtype=int), index=1)
    doubled = np.column_stack([ones, ones])
    with pytest.raises(FitError, match="cannot be told apart"):
        cluster_robust(doubled, trials=ones, variance=ones, residuals=ones, clusters=np.arange(6), index=1)

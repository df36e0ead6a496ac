"""The penalized logistic regression against published values and two other programs."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from firthmodels import FirthLogisticRegression
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from remakes.errors import FitError
from remakes.evidence.models.adjusted import standardized_risk
from remakes.evidence.models.likelihood import Design
from remakes.evidence.models.logistic import fit, flic_shift
from remakes.evidence.models.profile_interval import profile
from tests.published.cases import dataset, published


def design_of(X: np.ndarray, y: np.ndarray, **kwargs: object) -> Design:
    """One row a subject, one bin: the plain logistic regression."""
    X = np.asarray(X, dtype=float)
    events = np.asarray(y, dtype=float)[:, None]
    settings_ = {"ridge": np.zeros(X.shape[1]), **kwargs}
    return Design(covariates=X, at_risk=np.ones_like(events), events=events, **settings_)  # type: ignore[arg-type]  # fields by name


def endometrial() -> tuple[np.ndarray, np.ndarray]:
    rows = dataset("endometrial")
    X = np.array([[float(row[name]) for name in ("NV", "PI", "EH")] for row in rows])
    return X, np.array([float(row["HG"]) for row in rows])


def birthwt(*names: str) -> tuple[np.ndarray, np.ndarray]:
    rows = dataset("birthwt")
    made = {"race2": lambda r: r["race"] == "2", "race3": lambda r: r["race"] == "3"}
    X = np.array([[float(made[n](row)) if n in made else float(row[n]) for n in names] for row in rows])
    return X, np.array([float(row["low"]) for row in rows])


def test_maximum_likelihood_of_the_birth_weight_data() -> None:
    # Hosmer & Lemeshow, Applied Logistic Regression (2000), Table 2.2, data of R package MASS.
    X, y = birthwt("age", "lwt", "race2", "race3", "ftv")
    found = fit(design_of(X, y), firth=False)
    names = ("Intercept", "age", "lwt", "race2", "race3", "ftv")
    errors = np.sqrt(np.diag(found.covariance))
    case = published("P-e1")
    case.check(**{f"{name}_coef": value for name, value in zip(names, found.theta, strict=True)})
    case.check(**{f"{name}_se": value for name, value in zip(names, errors, strict=True)})
    case.check(loglik=found.penalized_loglik)


def test_firth_with_separation_in_the_endometrial_data() -> None:
    # Heinze & Schemper, Statistics in Medicine 21:2409 (2002); R packages logistf and brglm2.
    X, y = endometrial()
    design = design_of(X, y)
    found = fit(design)
    case = published("P-e2")
    names = ("Intercept", "NV", "PI", "EH")
    case.check(**{f"{name}_firth_coef": value for name, value in zip(names, found.theta, strict=True)})
    errors = np.sqrt(np.diag(found.covariance))
    case.check(**{f"{name}_se_fisher_info": value for name, value in zip(names, errors, strict=True)})
    case.check(penalised_loglik=found.penalized_loglik)
    for index, name in enumerate(names[1:]):
        interval = profile(design, found, index)
        case.check(
            **{
                f"{name}_profile_lo": interval.low,
                f"{name}_profile_hi": interval.high,
                f"{name}_plr_p": interval.p,
            }
        )


def test_flic_restores_the_mean_prediction() -> None:
    # Puhr et al., Statistics in Medicine 36:2302 (2017); endometrial data.
    X, y = endometrial()
    design = design_of(X, y)
    found = fit(design)
    case = published("P-e2")
    shift = float(flic_shift(design, found)[0])
    case.check(flic_intercept=found.theta[0] + shift)
    plain = 1 / (1 + np.exp(-(found.theta[0] + X @ found.theta[1:])))
    moved = 1 / (1 + np.exp(-(found.theta[0] + shift + X @ found.theta[1:])))
    case.check(mean_p_firth=plain.mean(), mean_p_flic=moved.mean(), mean_p_ml_or_events=y.mean())


def test_firth_on_a_table_with_a_zero_adds_half_to_each_cell() -> None:
    # Heinze & Schemper 2002: closed form for a saturated 2 x 2 table. Rows are the table's two groups, as counts.
    case = published("P-e3")
    (a, b), (c, d) = case.data["table"]
    design = Design(
        covariates=np.array([[1.0], [0.0]]),
        at_risk=np.array([[a + b], [c + d]], dtype=float),
        events=np.array([[a], [c]], dtype=float),
        ridge=np.zeros(1),
    )
    found = fit(design)
    interval = profile(design, found, 0)
    case.check(
        closed_form_intercept=found.theta[0],
        closed_form_log_or_haldane_half=found.theta[1],
        x_profile_lo=interval.low,
        x_profile_hi=interval.high,
        x_plr_p=interval.p,
        flic_intercept=found.theta[0] + flic_shift(design, found)[0],
    )


def test_standardized_risks_and_their_attributable_fraction() -> None:
    # Birth weight data of R package MASS; low ~ smoke + age + lwt + race, computed in R.
    X, y = birthwt("smoke", "age", "lwt", "race2", "race3")
    found = fit(design_of(X, y), firth=False)
    base = found.theta[0] + X[:, 1:] @ found.theta[2:]
    weights = np.ones(len(y))

    def risk(shift: float) -> float:
        return standardized_risk(1 / (1 + np.exp(-(base + shift)))[:, None], months=np.ones(1), weights=weights)

    risk_0, risk_1 = risk(0.0), risk(float(found.theta[1]))
    published("P-g3").check(
        or_x=np.exp(found.theta[1]),
        std_risk_0=risk_0,
        std_risk_1=risk_1,
        std_rd=risk_1 - risk_0,
        std_rr=risk_1 / risk_0,
        paf_g_formula=1 - risk_0 / y.mean(),
    )


def random_design(seed: int, *, n: int = 400, bins: int = 3) -> tuple[Design, np.ndarray]:
    rng = np.random.default_rng(seed)
    X = (rng.random((n, 4)) < 0.3).astype(float)
    groups = np.sort(rng.integers(0, 6, n))
    at_risk = rng.integers(0, 4, (n, bins)).astype(float)
    hazard = 1 / (1 + np.exp(-(-3.0 + X @ np.array([0.9, 0.0, -0.4, 0.3]))))
    events = rng.binomial(np.minimum(at_risk, 1).astype(int), hazard[:, None]).astype(float)
    return Design(covariates=X, at_risk=at_risk, events=events, ridge=np.zeros(4)), groups


def expanded(design: Design) -> tuple[np.ndarray, np.ndarray]:
    """One row a month at risk, intercepts as bin indicators: what any other program takes."""
    rows, y = [], []
    for i, j in zip(*np.nonzero(design.at_risk), strict=True):
        row = np.concatenate([np.eye(design.bins)[j], design.covariates[i]])
        total, returned = int(design.at_risk[i, j]), int(design.events[i, j])
        rows += [row] * total
        y += [1] * returned + [0] * (total - returned)
    return np.array(rows), np.array(y)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_counts_give_what_rows_give_by_another_firth_program(seed: int) -> None:
    design, _groups = random_design(seed)
    X, y = expanded(design)
    other = FirthLogisticRegression(backend="numpy", fit_intercept=False, gtol=1e-8, xtol=1e-8, max_iter=100).fit(X, y)
    found = fit(design)
    assert found.theta == pytest.approx(other.coef_, abs=2e-5)
    interval = profile(design, found, 0)
    low, high = other.conf_int(method="pl")[design.bins]
    assert (interval.low, interval.high) == pytest.approx((low, high), abs=2e-3)
    other.lrt()
    assert interval.p == pytest.approx(other.lrt_pvalues_[design.bins], rel=2e-3)


@pytest.mark.parametrize("seed", [4, 5])
def test_counts_give_what_rows_give_by_maximum_likelihood(seed: int) -> None:
    design, _groups = random_design(seed)
    X, y = expanded(design)
    other = sm.Logit(y, X).fit(disp=0, tol=1e-12)
    found = fit(design, firth=False)
    assert found.theta == pytest.approx(other.params, abs=1e-5)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(other.bse, rel=1e-4)


def test_a_grouping_is_the_same_as_its_indicator_columns() -> None:
    design, groups = random_design(6)
    grouped = Design(
        covariates=design.covariates,
        at_risk=design.at_risk,
        events=design.events,
        ridge=design.ridge,
        groups=groups,
        group_ridge=4.0,
    )
    dense = Design(
        covariates=np.column_stack([design.covariates, np.eye(6)[groups]]),
        at_risk=design.at_risk,
        events=design.events,
        ridge=np.concatenate([design.ridge, np.full(6, 4.0)]),
    )
    one, other = fit(grouped), fit(dense)
    assert one.theta == pytest.approx(other.theta, abs=1e-6)
    assert one.penalized_loglik == pytest.approx(other.penalized_loglik, abs=1e-8)
    a, b = profile(grouped, one, 0), profile(dense, other, 0)
    assert (a.low, a.high, a.p) == pytest.approx((b.low, b.high, b.p), rel=1e-5)


def test_a_search_that_stops_early_is_good_to_three_digits() -> None:
    design, _groups = random_design(7)
    found = fit(design)
    exact, quick = profile(design, found, 0), profile(design, fit(design, tolerance=1e-4), 0, tolerance=0.03)
    assert (quick.low, quick.high) == pytest.approx((exact.low, exact.high), abs=5e-3)
    assert quick.p == pytest.approx(exact.p, rel=5e-3)


@settings(deadline=None, max_examples=40)
@given(
    cells=hnp.arrays(np.int64, (2, 2), elements=st.integers(0, 30)).filter(
        lambda t: t[0].sum() > 0 and t[1].sum() > 0 and 0 < t[:, 0].sum() < t.sum()
    )
)
def test_firth_on_any_fourfold_table_adds_half(cells: np.ndarray) -> None:
    design = Design(
        covariates=np.array([[1.0], [0.0]]),
        at_risk=cells.sum(axis=1)[:, None].astype(float),
        events=cells[:, :1].astype(float),
        ridge=np.zeros(1),
    )
    found = fit(design)
    half = cells + 0.5
    assert found.theta[1] == pytest.approx(np.log(half[0, 0] * half[1, 1] / half[0, 1] / half[1, 0]), abs=1e-4)
    interval = profile(design, found, 0)
    assert interval.low < found.theta[1] < interval.high
    # p and interval are of one method: they agree on whether 1 is an odds ratio to reckon with.
    assert (interval.p < 0.05) == (not interval.low < 0 < interval.high) or abs(interval.p - 0.05) < 1e-4


def test_impossible_tables_are_refused_in_words() -> None:
    X = np.ones((2, 1))
    with pytest.raises(FitError, match="at least one return"):
        Design(covariates=X, at_risk=np.ones((2, 1)), events=np.zeros((2, 1)), ridge=np.zeros(1))
    with pytest.raises(FitError, match="in no cell more returns than months"):
        Design(covariates=X, at_risk=np.array([[1.0], [5.0]]), events=np.array([[2.0], [0.0]]), ridge=np.zeros(1))
    with pytest.raises(FitError, match="cannot be told apart"):
        fit(
            Design(
                covariates=np.ones((4, 1)),
                at_risk=np.full((4, 1), 5.0),
                events=np.ones((4, 1)),
                ridge=np.zeros(1),
            )
        )

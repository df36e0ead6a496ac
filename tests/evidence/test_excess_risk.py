"""The relative excess risk due to interaction: a published table, and simulated tables."""

from __future__ import annotations

import math

import numpy as np
import pytest

from remakes.errors import TableError
from remakes.evidence.checks.excess_risk import excess_risk
from remakes.evidence.estimate import Estimate


def wald(log: float, se: float) -> Estimate:
    return Estimate(math.exp(log), math.exp(log - 1.959964 * se), math.exp(log + 1.959964 * se))


def logs_and_covariance(cases: np.ndarray, others: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Log odds ratios of both, first, second against neither, which stands last; their covariance."""
    logs = np.log(cases[:3] * others[3] / (others[:3] * cases[3]))
    return logs, 1 / cases[3] + 1 / others[3] + np.diag(1 / cases[:3] + 1 / others[:3])


def test_oral_cancer_with_smoking_and_drinking() -> None:
    # Rothman & Keller, J Chron Dis 25:711-716 (1972), as used by Hosmer & Lemeshow, Epidemiology 3:452-456 (1992):
    # 225/166 with both, 8/18 and 6/12 with one, 3/20 with neither (from memory; the three odds ratios agree).
    logs, V = logs_and_covariance(np.array([225.0, 8.0, 6.0, 3.0]), np.array([166.0, 18.0, 12.0, 20.0]))
    assert np.exp(logs) == pytest.approx([9.04, 2.96, 3.33], abs=0.005)
    se = np.sqrt(np.diag(V))
    both, first, second = (wald(log, one) for log, one in zip(logs, se, strict=True))
    found = excess_risk(both=both, first=first, second=second, correlation=V / np.outer(se, se))
    # Zou, Am J Epidemiol 168:212-224 (2008): -11.43 to 21.87 (from memory).
    assert (found.estimate, found.low, found.high) == pytest.approx((3.74, -11.43, 21.87), abs=0.005)
    # Hosmer & Lemeshow 1992, page 455: -1.84 to 9.32 by the delta method, which a help page of an R package quotes.
    slope = np.exp(logs) * [1, -1, -1]
    delta = 1.959964 * math.sqrt(slope @ V @ slope)
    assert (found.estimate - delta, found.estimate + delta) == pytest.approx((-1.84, 9.32), abs=0.005)


def test_with_many_returns_it_is_the_interval_of_a_bootstrap() -> None:
    rng = np.random.default_rng(2)
    cases, others = np.array([300.0, 350.0, 300.0, 2500.0]), np.array([9000.0, 25_000.0, 20_000.0, 400_000.0])
    logs, V = logs_and_covariance(cases, others)
    se = np.sqrt(np.diag(V))
    both, first, second = (wald(log, one) for log, one in zip(logs, se, strict=True))
    found = excess_risk(both=both, first=first, second=second, correlation=V / np.outer(se, se))
    total = cases + others
    again = rng.binomial(total.astype(int), cases / total, size=(40_000, 4))
    odds = again / (total - again)
    drawn = (odds[:, 0] - odds[:, 1] - odds[:, 2]) / odds[:, 3] + 1
    assert np.quantile(drawn, [0.025, 0.975]) == pytest.approx([found.low, found.high], abs=0.03)
    # That the three share a group makes it narrower: without the correlation it would not agree.
    apart = excess_risk(both=both, first=first, second=second, correlation=np.eye(3))
    assert apart.high - apart.low > 1.05 * (found.high - found.low)


def test_an_open_end_opens_the_end_that_rests_on_it() -> None:
    one, open_above = Estimate(2.0, 1.0, 4.0), Estimate(2.0, 1.0, math.inf)
    R = 0.5 * np.eye(3) + 0.5
    assert excess_risk(both=open_above, first=one, second=one, correlation=R).high == math.inf
    assert math.isfinite(excess_risk(both=open_above, first=one, second=one, correlation=R).low)
    assert excess_risk(both=one, first=open_above, second=one, correlation=R).low == -math.inf


def test_the_correlation_must_be_of_three() -> None:
    one = Estimate(2.0, 1.0, 4.0)
    with pytest.raises(TableError, match=r"shape \(2, 2\). Need \(3, 3\)"):
        excess_risk(both=one, first=one, second=one, correlation=np.eye(2))

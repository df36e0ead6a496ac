"""The table of grades: every rule is reached, and the order of the rules is the one that is meant."""

from __future__ import annotations

from dataclasses import replace
from math import exp, inf, log, nan

import pytest
from scipy.stats import norm

from remakes.evidence.grades import GRADES, RULES, GradeInput, detectable_odds_ratio, grade

STRONG = GradeInput(
    odds_ratio=3.0,
    low=1.8,
    high=5.0,
    widest_low=1.6,
    q=0.01,
    returns_missed=12,
    plausible=True,
    inseparable=False,
    doubts=0,
)


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({}, "strong"),
        ({"odds_ratio": nan, "low": nan, "q": nan}, "cannot tell"),
        ({"inseparable": True}, "cannot tell"),
        ({"returns_missed": 4}, "moderate"),
        ({"low": 1.1}, "moderate"),
        # Restorations of one clinic may be alike: the wider interval decides.
        ({"widest_low": 1.1}, "moderate"),
        ({"widest_low": 0.8}, "moderate"),
        ({"q": 0.03}, "moderate"),
        ({"plausible": False}, "weak"),
        ({"q": 0.07}, "weak"),
        ({"returns_missed": 2}, "weak"),
        ({"odds_ratio": 0.3, "low": 0.1, "high": 0.9}, "none"),
        ({"q": 0.4, "odds_ratio": 1.2, "low": 0.7, "high": 2.0}, "none"),
        ({"q": 0.4, "odds_ratio": 0.5, "low": 0.3, "high": 0.9}, "none"),
        # An interval above 1 that the many questions asked do not let stand is no proof of nothing.
        ({"q": 0.4, "odds_ratio": 1.7, "low": 1.1, "high": 2.6}, "cannot tell"),
        ({"q": 0.4, "odds_ratio": 1.2, "low": 0.4, "high": 3.6}, "cannot tell"),
        ({"q": 0.4, "low": 0.5, "high": inf}, "cannot tell"),
        ({"q": nan, "low": nan, "high": nan}, "cannot tell"),
        ({"doubts": 1}, "moderate"),
        ({"doubts": 2}, "weak"),
        ({"doubts": 5}, "weak"),
    ],
)
def test_each_rule(change: dict[str, object], expected: str) -> None:
    assert grade(replace(STRONG, **change))[0] == expected  # type: ignore[arg-type]  # fields by name


def test_every_rule_can_be_the_one_that_decides() -> None:
    cases = [
        replace(STRONG, odds_ratio=nan),
        replace(STRONG, inseparable=True),
        STRONG,
        replace(STRONG, q=0.03),
        replace(STRONG, q=0.07),
        replace(STRONG, odds_ratio=0.4, low=0.2, high=0.8),
        replace(STRONG, q=0.5),
        replace(STRONG, q=0.5, odds_ratio=1.0, low=0.6, high=1.7),
    ]
    reasons = [grade(case)[1] for case in cases]
    assert reasons == [rule.because for rule in RULES]
    assert {rule.grade for rule in RULES} == set(GRADES)


def test_a_doubt_is_told() -> None:
    assert grade(replace(STRONG, doubts=1)) == (
        "moderate",
        f"{RULES[2].because}; strong but for the doubts",
    )


def test_the_detectable_odds_ratio_has_eighty_percent_power() -> None:
    log_se = 0.4
    effect = detectable_odds_ratio(log_se)
    power = norm.sf(norm.isf(0.025) - log(effect) / log_se)
    assert power == pytest.approx(0.80, abs=1e-3)
    assert detectable_odds_ratio(nan) == inf
    assert effect == pytest.approx(exp(2.802 * 0.4))

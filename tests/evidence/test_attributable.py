"""Attributable events, number needed, E-value: published cases, identities, edges."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from remakes.errors import TableError
from remakes.evidence.tables.attributable import (
    attributable_events,
    attributable_fraction_from_risks,
    e_value,
    e_value_of_odds_ratio,
    levin_fraction,
    miettinen_fraction,
    number_needed,
)
from tests.published.cases import dataset, published

steady = settings(max_examples=80, deadline=None, derandomize=True, database=None)


def test_levin_and_miettinen_agree_as_published() -> None:
    # P-g1: formulas of Levin 1953 and Miettinen 1974.
    case = published("P-g1")
    case.check(
        paf_levin=levin_fraction(share_exposed=case.data["p_exposed"], risk_ratio=case.data["rr"]),
        paf_miettinen=miettinen_fraction(
            share_of_events_exposed=case.data["p_exposed_among_cases"], risk_ratio=case.data["rr"]
        ),
    )


def test_attributable_events_of_the_birth_weights_as_published() -> None:
    # P-g2: smoking and low birth weight; the R package epiR gives 19.22 % and 37.80 %. Counted from the data set.
    case = published("P-g2")
    rows = [(row["smoke"] == "1", row["low"] == "1") for row in dataset("birthwt")]
    counts = {
        "exposed_events": sum(smoke and low for smoke, low in rows),
        "exposed_total": sum(smoke for smoke, _ in rows),
        "unexposed_events": sum(low and not smoke for smoke, low in rows),
        "unexposed_total": sum(not smoke for smoke, _ in rows),
    }
    found = attributable_events(**counts)
    n, events = len(rows), counts["exposed_events"] + counts["unexposed_events"]
    case.check(
        rr=found.risk_ratio,
        attributable_fraction_exposed=found.fraction_exposed,
        paf_from_risks=found.fraction_population,
        paf_levin=levin_fraction(share_exposed=counts["exposed_total"] / n, risk_ratio=found.risk_ratio),
        paf_miettinen=miettinen_fraction(
            share_of_events_exposed=counts["exposed_events"] / events, risk_ratio=found.risk_ratio
        ),
        excess_events=found.excess_events,
        nne=number_needed(**counts).estimate,
    )


@steady
@given(st.integers(1, 200), st.integers(0, 200), st.integers(1, 200), st.integers(0, 200))
def test_three_ways_to_one_fraction(a: int, b: int, c: int, d: int) -> None:
    found = attributable_events(exposed_events=a, exposed_total=a + b, unexposed_events=c, unexposed_total=c + d)
    levin = levin_fraction(share_exposed=(a + b) / (a + b + c + d), risk_ratio=found.risk_ratio)
    miettinen = miettinen_fraction(share_of_events_exposed=a / (a + c), risk_ratio=found.risk_ratio)
    assert levin == pytest.approx(found.fraction_population, rel=1e-9, abs=1e-9)
    assert miettinen == pytest.approx(found.fraction_population, rel=1e-9, abs=1e-9)
    assert found.excess_events == pytest.approx(found.fraction_population * (a + c), rel=1e-9, abs=1e-9)
    assert found.excess_events == pytest.approx(found.fraction_exposed * a, rel=1e-9, abs=1e-9)


def test_attributable_events_at_the_edges() -> None:
    only_exposed = attributable_events(exposed_events=4, exposed_total=40, unexposed_events=0, unexposed_total=60)
    assert (only_exposed.risk_ratio, only_exposed.fraction_exposed, only_exposed.fraction_population) == (
        math.inf,
        1,
        1,
    )
    assert only_exposed.excess_events == 4
    protects = attributable_events(exposed_events=0, exposed_total=40, unexposed_events=6, unexposed_total=60)
    assert protects.risk_ratio == 0
    assert math.isnan(protects.fraction_exposed)
    assert protects.excess_events == -4
    nothing = attributable_events(exposed_events=0, exposed_total=40, unexposed_events=0, unexposed_total=60)
    assert math.isnan(nothing.risk_ratio)
    assert math.isnan(nothing.fraction_population)


def test_fractions_at_the_edges() -> None:
    assert levin_fraction(share_exposed=0.0, risk_ratio=math.inf) == 0
    assert levin_fraction(share_exposed=0.2, risk_ratio=math.inf) == 1
    assert levin_fraction(share_exposed=1.0, risk_ratio=0.0) == -math.inf
    assert math.isnan(levin_fraction(share_exposed=0.0, risk_ratio=math.nan))
    assert miettinen_fraction(share_of_events_exposed=0.4, risk_ratio=math.inf) == pytest.approx(0.4)
    assert math.isnan(miettinen_fraction(share_of_events_exposed=0.0, risk_ratio=0.0))
    assert math.isnan(attributable_fraction_from_risks(risk_overall=0.0, risk_unexposed=0.0))


def test_number_needed_through_infinity_as_published() -> None:
    # P-g5: numbers chosen so that Newcombe's interval holds 0; Altman 1998 on reading such an interval.
    case = published("P-g5")
    needed = number_needed(
        exposed_events=case.data["x1"],
        exposed_total=case.data["n1"],
        unexposed_events=case.data["x0"],
        unexposed_total=case.data["n0"],
    )
    case.check(number_needed=needed.estimate, inv_newcombe_lo=needed.inverse_low, inv_newcombe_hi=needed.inverse_high)
    assert needed.through_infinity
    assert needed.exposure == "protects"


def test_number_needed_with_a_clear_difference_runs_between_its_ends() -> None:
    needed = number_needed(exposed_events=40, exposed_total=100, unexposed_events=10, unexposed_total=100)
    assert not needed.through_infinity
    assert needed.exposure == "harms"
    assert 0 < needed.inverse_high < needed.estimate < needed.inverse_low
    assert needed.estimate == pytest.approx(1 / 0.3)


def test_number_needed_without_a_difference_is_infinite() -> None:
    needed = number_needed(exposed_events=5, exposed_total=50, unexposed_events=10, unexposed_total=100)
    assert needed.estimate == math.inf
    assert needed.exposure == "neither"
    assert needed.through_infinity


@pytest.mark.parametrize("row", ["a", "b"])
def test_e_value_as_published(row: str) -> None:
    # P-g4: VanderWeele & Ding 2017, two worked examples: 7.26 and 3.0; 1.81 and 1.43.
    case = published("P-g4")
    ratio = case.data[row]
    found = e_value(estimate=ratio["est"], low=ratio["lo"], high=ratio["hi"])
    case.check(**{f"{row}_evalue_point": found.estimate, f"{row}_evalue_ci": found.limit})


@steady
@given(st.floats(1.001, 1e4))
def test_e_value_is_the_bias_that_just_reaches_the_ratio(ratio: float) -> None:
    # Ding & VanderWeele 2016: two risk ratios of size E can bias by at most E x E / (E + E - 1).
    e = e_value(estimate=ratio, low=ratio, high=ratio).estimate
    assert e * e / (2 * e - 1) == pytest.approx(ratio, rel=1e-9)
    mirrored = e_value(estimate=1 / ratio, low=1 / ratio, high=1 / ratio).estimate
    assert mirrored == pytest.approx(e, rel=1e-9)


@steady
@given(st.floats(0.01, 100), st.floats(1, 10), st.floats(1, 10))
def test_the_limit_needs_no_more_than_the_estimate(estimate: float, down: float, up: float) -> None:
    assume(estimate != 1)
    found = e_value(estimate=estimate, low=estimate / down, high=estimate * up)
    assert 1 <= found.limit <= found.estimate
    assert (found.limit == 1) == (estimate / down <= 1 <= estimate * up)


def test_e_value_at_the_edges() -> None:
    assert e_value(estimate=1.0, low=0.8, high=1.2).estimate == 1
    assert e_value(estimate=math.inf, low=2.0, high=math.inf).estimate == math.inf
    assert e_value(estimate=0.0, low=0.0, high=0.5).limit == pytest.approx(2 + math.sqrt(2))
    assert math.isnan(e_value(estimate=2.0, low=math.nan, high=math.nan).limit)
    assert math.isnan(e_value(estimate=math.nan, low=math.nan, high=math.nan).estimate)


def test_e_value_of_an_odds_ratio_depends_on_how_common_the_outcome_is() -> None:
    ratio = e_value(estimate=4.0, low=2.25, high=9.0)
    rare = e_value_of_odds_ratio(estimate=4.0, low=2.25, high=9.0, outcome_risk=0.15)
    assert (rare.estimate, rare.limit) == (ratio.estimate, ratio.limit)
    assert rare.scale == "odds ratio of a rare outcome"
    common = e_value_of_odds_ratio(estimate=4.0, low=2.25, high=9.0, outcome_risk=0.16)
    root = e_value(estimate=2.0, low=1.5, high=3.0)
    assert (common.estimate, common.limit) == pytest.approx((root.estimate, root.limit))
    assert common.scale == "square root of the odds ratio"


def test_impossible_input_is_refused() -> None:
    with pytest.raises(TableError, match=r"share_exposed = 30\.0\. Need a share.*Divide a percentage"):
        levin_fraction(share_exposed=30.0, risk_ratio=2.0)
    with pytest.raises(TableError, match=r"risk_ratio = -0\.4\. .*not its logarithm"):
        miettinen_fraction(share_of_events_exposed=0.3, risk_ratio=-0.4)
    with pytest.raises(TableError, match="risk_unexposed = nan"):
        attributable_fraction_from_risks(risk_overall=0.3, risk_unexposed=math.nan)
    with pytest.raises(TableError, match="Estimate 2 with an interval from 3 to 4"):
        e_value(estimate=2.0, low=3.0, high=4.0)
    with pytest.raises(TableError, match="low = -1"):
        e_value_of_odds_ratio(estimate=2.0, low=-1.0, high=4.0, outcome_risk=0.1)
    with pytest.raises(TableError, match="outcome_risk = 12"):
        e_value_of_odds_ratio(estimate=2.0, low=1.0, high=4.0, outcome_risk=12.0)
    with pytest.raises(TableError, match="exposed group: 0 events of 0 restorations"):
        attributable_events(exposed_events=0, exposed_total=0, unexposed_events=1, unexposed_total=9)

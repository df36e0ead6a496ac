"""Plant a factor that acts up to delivery only, or in service only, and see that the two are told apart."""

from __future__ import annotations

from datetime import date, timedelta
from functools import cache
from math import exp, floor, inf, log, nan
from typing import Any

import numpy as np
import pytest
from firthmodels import FirthLogisticRegression
from hypothesis import given
from hypothesis import strategies as st

from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.counts.table import BIN_EDGES, DAYS_PER_MONTH, PatternTable
from remakes.evidence.checks.early_late import DIFFER_P, EarlyLate, PartEffect, early_and_late, quotient
from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.evidence.models.adjustment import Background
from remakes.evidence.models.case_mix import CaseMix
from remakes.evidence.models.shrinkage import estimate_shrinkage
from tests.labs import snapshot, standard

END = date(2025, 6, 30)
Lab = list[dict[str, Any]]


def two_part_lab(seed: int, *, early: float, late: float, restorations: int = 2500, plain: bool = False) -> Lab:
    """One restoration a row: a wait cut short or not, and the first debonding, with where it was found.

    Parameters
    ----------
    early, late
        Odds ratio of debonding with the wait cut short: up to delivery, baseline 1.5 %; per month in service, 0.3 %.
    plain
        Everything by one technician on one day: nothing to adjust for.
    """
    rng = np.random.default_rng(seed)
    lab: Lab = []
    for _ in range(restorations):
        short = bool(rng.random() < 0.2)
        delivered = date(2024, 1, 2) + timedelta(days=0 if plain else int(rng.integers(0, 330)))
        days, found_at = None, ""
        if rng.random() < _risk(0.015, early if short else 1.0):
            found_at = str(rng.choice(["before_delivery", "try_in", "delivery"]))
            # Some try-ins come late: the restoration had left the lab long before.
            days = {"before_delivery": -2, "delivery": 5, "try_in": int(rng.choice([3, 20, 75]))}[found_at]
        else:
            month = int(rng.geometric(_risk(0.003, late if short else 1.0))) - 1
            due = int((month + rng.random()) * DAYS_PER_MONTH)
            if delivered + timedelta(days=due) <= END:
                days, found_at = due, "in_service"
        person = "T01" if plain or rng.random() < (0.7 if short else 0.4) else "T02"
        lab.append({"short": short, "delivered": delivered, "days": days, "found_at": found_at, "technician": person})
    return lab


def _risk(baseline: float, odds_ratio: float) -> float:
    odds = baseline / (1 - baseline) * odds_ratio
    return odds / (1 + odds)


def counted(lab: Lab) -> PatternTable:
    names = [f"R{number:05d}" for number in range(len(lab))]
    units = [
        {"restoration_id": name, "technician": one["technician"], "delivered_on": one["delivered"].isoformat()}
        for name, one in zip(names, lab, strict=True)
    ]
    log_ = [
        {"restoration_id": name, "step": "bonding", "reading": "wait_s", "value": "100" if one["short"] else "200"}
        for name, one in zip(names, lab, strict=True)
    ]
    back = [
        {
            "return_id": f"Q{name}",
            "restoration_id": name,
            "reported_on": (one["delivered"] + timedelta(days=one["days"])).isoformat(),
            "defect": "debonding",
            "found_at": one["found_at"],
            "disposition": "repaired",
        }
        for name, one in zip(names, lab, strict=True)
        if one["days"] is not None
    ]
    return count_patterns(connect(snapshot(units, log_, back)), standard(), observed_until=END)


def judged(table: PatternTable, factor: str = "bond_wait") -> EarlyLate:
    case_mix = CaseMix(table)
    at_risk, events = table.events_of("debonding")
    shrinkage = estimate_shrinkage(case_mix, at_risk=at_risk, events=events)
    return early_and_late(table, Background(table, case_mix, shrinkage, "debonding"), standard(), factor=factor)


@cache
def planted(early: float, late: float) -> EarlyLate:
    return judged(counted(two_part_lab(1, early=early, late=late)))


def test_a_factor_that_acts_up_to_delivery_only() -> None:
    found = planted(6.0, 1.0)
    assert found.differ
    assert found.up_to_delivery.odds_ratio.low > 2
    assert found.up_to_delivery.odds_ratio.low < 6 < found.up_to_delivery.odds_ratio.high
    assert found.in_service.odds_ratio.low < 1 < found.in_service.odds_ratio.high
    assert found.sentence.startswith("Up to delivery the miss goes with more returns, odds ratio ")
    assert "; in service no clear difference shows, odds ratio " in found.sentence
    assert "The two differ (p " in found.sentence


def test_a_factor_that_acts_in_service_only() -> None:
    found = planted(1.0, 6.0)
    assert found.differ
    assert found.up_to_delivery.odds_ratio.low < 1 < found.up_to_delivery.odds_ratio.high
    assert found.in_service.odds_ratio.low < 6 < found.in_service.odds_ratio.high
    assert found.ratio.high < 1
    assert "Up to delivery no clear difference shows" in found.sentence
    assert "in service the miss goes with more returns" in found.sentence


def test_a_factor_that_acts_alike_in_both_is_not_torn_apart() -> None:
    found = planted(4.0, 4.0)
    assert found.up_to_delivery.clear
    assert found.in_service.clear
    assert not found.differ
    assert "these cannot be told apart (p = " in found.sentence
    assert "differ" not in found.sentence


def test_returns_of_both_parts_add_up_and_the_answer_goes_with_them() -> None:
    lab = two_part_lab(1, early=6.0, late=1.0)
    table, found = counted(lab), planted(6.0, 1.0)
    counts, parts = table.counts("bond_wait", "debonding"), (found.up_to_delivery, found.in_service)
    assert sum(part.returns_met for part in parts) == counts.returns_met
    assert sum(part.returns_missed for part in parts) == counts.returns_missed
    early = [one["short"] for one in lab if one["found_at"] not in ("", "in_service")]
    assert (found.up_to_delivery.returns_missed, found.up_to_delivery.returns_met) == (sum(early), early.count(False))
    as_json = found.as_json()
    assert as_json["in_service"]["returns_met"] == found.in_service.returns_met
    assert as_json["sentence"] == found.sentence
    assert as_json["ratio"]["estimate"] == pytest.approx(
        found.up_to_delivery.odds_ratio.estimate / found.in_service.odds_ratio.estimate
    )


def test_up_to_delivery_a_restoration_is_one_trial_and_in_service_a_month_is() -> None:
    """Nothing to adjust for: a closed form up to delivery, rows of an independent Firth program in service."""
    lab = two_part_lab(7, early=5.0, late=3.0, restorations=1200, plain=True)
    found = judged(counted(lab))
    a, b, c, d = np.zeros(4)
    rows, y = [], []
    for one in lab:
        early = one["found_at"] not in ("", "in_service")
        a, b, c, d = np.array([a, b, c, d]) + np.eye(4)[2 * (not one["short"]) + (not early)]
        months = max(1, floor((END - one["delivered"]).days / DAYS_PER_MONTH + 0.5))
        if one["days"] is not None:
            months = max(0, floor(one["days"] / DAYS_PER_MONTH)) + 1
        for month in range(months - early):
            rows.append([float(one["short"]), *(float(k == _bin(month)) for k in range(len(BIN_EDGES)))])
            y.append(int(one["found_at"] == "in_service" and month == months - 1))
    # Firth in a saturated fourfold table adds a half to each cell (Heinze & Schemper 2002).
    assert found.up_to_delivery.odds_ratio.estimate == pytest.approx(
        (a + 0.5) * (d + 0.5) / (b + 0.5) / (c + 0.5), rel=1e-4
    )
    X, events = np.array(rows), np.array(y)
    some = [0, *(1 + k for k in range(len(BIN_EDGES)) if events[X[:, 1 + k] > 0].sum() > 0)]
    kept = X[:, some][:, 1:].sum(axis=1) > 0
    other = FirthLogisticRegression(backend="numpy", fit_intercept=False, gtol=1e-6, xtol=1e-7, max_iter=200)
    other.fit(X[kept][:, some], events[kept])
    assert log(found.in_service.odds_ratio.estimate) == pytest.approx(other.coef_[0], abs=1e-3)


def _bin(month: int) -> int:
    return int(np.searchsorted(BIN_EDGES, month, side="right")) - 1


def test_too_few_returns_in_one_part_are_told_and_not_compared() -> None:
    lab = two_part_lab(3, early=0.0, late=6.0, restorations=1200)
    lab = [one | ({} if one["found_at"] in ("", "in_service") else {"days": None}) for one in lab]
    found = judged(counted(lab))
    assert (found.up_to_delivery.estimable, found.in_service.estimable, found.estimable) == (False, True, False)
    assert found.sentence.startswith(
        "Up to delivery it cannot be judged: too few returns with this step recorded (0, where an estimate needs 3). "
        "In service the miss goes with more returns, odds ratio "
    )
    as_json = found.as_json()
    assert as_json["up_to_delivery"]["odds_ratio"] == {"estimate": None, "low": None, "high": None}
    assert (as_json["p_differ"], as_json["ratio"]["estimate"], as_json["differ"]) == (None, None, False)
    never = judged(counted(lab), "thickness")
    assert "In service it cannot be judged: too few" in never.sentence


def test_a_requirement_never_missed_has_nothing_to_compare() -> None:
    lab = [one | {"short": False} for one in two_part_lab(3, early=1.0, late=1.0, restorations=600)]
    found = judged(counted(lab))
    assert "never recorded as missed" in found.in_service.why_not
    assert "never recorded as missed" in found.up_to_delivery.why_not


def test_symmetric_intervals_give_the_usual_test_of_a_difference() -> None:
    # Log odds ratios 1.2 and 0.2 with standard errors 0.3 and 0.4: z = 1 / 0.5 = 2, two-sided p = 0.0455 (tables).
    z = 1.959963984540054
    early, late = (Estimate(exp(b), exp(b - z * se), exp(b + z * se)) for b, se in ((1.2, 0.3), (0.2, 0.4)))
    ratio, p = quotient(early, late)
    assert p == pytest.approx(0.04550026, abs=1e-7)
    assert (ratio.estimate, ratio.low, ratio.high) == pytest.approx((exp(1), exp(1 - z / 2), exp(1 + z / 2)))


ends = st.tuples(*(st.floats(0.05, 5.0) for _ in range(2)))


@given(first=st.floats(-4, 4), second=st.floats(-4, 4), of_first=ends, of_second=ends)
def test_p_and_interval_always_agree(
    first: float, second: float, of_first: tuple[float, float], of_second: tuple[float, float]
) -> None:
    one, other = (
        Estimate(exp(b), exp(b - below), exp(b + above))
        for b, (below, above) in ((first, of_first), (second, of_second))
    )
    ratio, p = quotient(one, other)
    turned, same = quotient(other, one)
    assert ratio.low <= ratio.estimate <= ratio.high
    assert (turned.low, turned.high) == pytest.approx((1 / ratio.high, 1 / ratio.low))
    assert p == pytest.approx(same)
    if abs(p - DIFFER_P) > 1e-9:
        assert (p < DIFFER_P) == (ratio.low > 1 or ratio.high < 1)


def test_an_open_end_on_the_side_that_matters_can_never_differ() -> None:
    open_below = Estimate(0.2, 0.0, 4.0)
    ratio, p = quotient(Estimate(5.0, 2.0, 9.0), open_below)
    assert ratio.high == inf
    assert p < 1
    ratio, p = quotient(open_below, Estimate(0.1, 0.05, 0.2))
    assert (ratio.low, p) == (0.0, 1.0)
    ratio, p = quotient(UNKNOWN, open_below)
    assert np.isnan([p, ratio.estimate]).all()


@pytest.mark.parametrize(
    ("early", "late", "said"),
    [
        (
            (0.2, 0.1, 0.4),
            (3.0, 2.0, 4.5),
            "Up to delivery the miss goes with fewer returns, odds ratio 0.2 (0.1 to 0.4); in service the miss goes "
            "with more returns, odds ratio 3.0 (2.0 to 4.5). The two differ (p < 0.001).",
        ),
        (
            (9.0, 1.2, inf),
            (1.0, 0.5, 2.5),
            "The odds ratio is 9.0 (1.2 and more) up to delivery and 1.0 (0.5 to 2.5) in service; "
            "these cannot be told apart (p = 0.052).",
        ),
    ],
)
def test_the_sentence_says_which_way_and_how_sure(early: Any, late: Any, said: str) -> None:
    parts = [
        PartEffect(odds_ratio=Estimate(*ends), p=0.01, returns_met=5, returns_missed=5, returns_not_recorded=0)
        for ends in (early, late)
    ]
    ratio, p = quotient(parts[0].odds_ratio, parts[1].odds_ratio)
    found = EarlyLate(factor="f", defect="d", up_to_delivery=parts[0], in_service=parts[1], ratio=ratio, p_differ=p)
    assert found.sentence == said
    assert "cause" not in found.sentence
    assert nan not in [value for value in found.as_json()["ratio"].values() if value is not None]

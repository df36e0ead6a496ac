"""Cumulative incidence and other comparisons of time to event, against published values and the library."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.duration.survfunc import CumIncidenceRight, SurvfuncRight

from remakes.counts.service import ServiceMonths
from remakes.errors import TableError
from remakes.evidence.checks.incidence import CumulativeIncidence, cumulative_incidence, incidence_in_service
from remakes.evidence.models.likelihood import Design
from remakes.evidence.models.logistic import fit
from remakes.evidence.tables.contingency import exact_conditional, mantel_haenszel
from tests.published.cases import dataset, published


def of_subjects(time: Sequence[float], status: Sequence[int], *, cause: int = 1) -> CumulativeIncidence:
    """From one row a subject; status 0 is censored, and at a tie it counts as at risk."""
    t, s = np.asarray(time, dtype=float), np.asarray(status)
    months = np.unique(t)
    return cumulative_incidence(
        months=months,
        at_risk=[(t >= m).sum() for m in months],
        events=[((t == m) & (s == cause)).sum() for m in months],
        removed=[((t == m) & (s > 0) & (s != cause)).sum() for m in months],
    )


def at(curve: CumulativeIncidence, months: float) -> int:
    return int(np.searchsorted(curve.months, months, side="right")) - 1


def gehan() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rows = dataset("gehan")
    return (
        np.array([int(row["time"]) for row in rows]),
        np.array([int(row["cens"]) for row in rows]),
        np.array([row["treat"] == "6-MP" for row in rows]),
    )


def mgus2() -> tuple[np.ndarray, np.ndarray]:
    rows = dataset("mgus2")
    return (
        np.array([float(row["ptime"] if row["pstat"] == "1" else row["futime"]) for row in rows]),
        np.array([1 if row["pstat"] == "1" else 2 * int(row["death"]) for row in rows]),
    )


def test_without_removal_it_is_one_minus_kaplan_meier_with_greenwoods_error() -> None:
    # Gehan, Biometrika 52:203 (1965), 6-MP arm; Kleinbaum & Klein, Survival Analysis; computed in R.
    time, status, treated = gehan()
    curve = of_subjects(time[treated].tolist(), status[treated].tolist())
    case = published("P-f1")
    for week in (6, 7, 10, 13, 16, 22, 23):
        k = at(curve, week)
        case.check(
            **{
                f"S_{week}": 1 - curve.incidence[k],
                f"se_greenwood_{week}": curve.se[k],
                f"loglog_lo_{week}": 1 - curve.high[k],
                f"loglog_hi_{week}": 1 - curve.low[k],
            }
        )
    case.check(median=curve.months[np.argmax(curve.incidence >= 0.5)])
    assert curve.one_minus_km == pytest.approx(curve.incidence)


def test_twelve_observations_with_two_causes() -> None:
    # Invented; R packages survival and cmprsk.
    case = published("P-f4")
    curves = {cause: of_subjects(case.data["time"], case.data["status"], cause=cause) for cause in (1, 2)}
    for cause, curve in curves.items():
        for time in (2, 4, 7, 9):
            k = at(curve, time)
            case.check(
                **{
                    f"cif{cause}_{time}": curve.incidence[k],
                    f"cif{cause}_se_survival_{time}": curve.se[k],
                    f"naive_1_minus_km{cause}_{time}": curve.one_minus_km[k],
                }
            )


def test_monoclonal_gammopathy_with_death_first() -> None:
    # Data set mgus2 of R package survival, vignette "compete".
    time, status = mgus2()
    curve = of_subjects(time.tolist(), status.tolist())
    case = published("P-f5")
    assert curve.at_risk[0] == case.data["n"]
    for months in (120, 240):
        k = at(curve, months)
        case.check(
            **{
                f"cif1_{months}": curve.incidence[k],
                f"cif1_se_survival_{months}": curve.se[k],
                f"naive_1_minus_km1_{months}": curve.one_minus_km[k],
            }
        )


def strata(time: np.ndarray, status: np.ndarray, treated: np.ndarray) -> dict[str, list[int]]:
    """At each time with an event, events and numbers at risk of both groups."""
    counts: dict[str, list[int]] = {}
    for t in np.unique(time[status == 1]):
        for name, group in (("exposed", treated), ("unexposed", ~treated)):
            counts.setdefault(f"{name}_events", []).append(int(((time == t) & (status == 1) & group).sum()))
            counts.setdefault(f"{name}_total", []).append(int(((time >= t) & group).sum()))
    return counts


def test_mantel_haenszel_over_times_is_the_log_rank_test_and_its_exact_partner_the_exact_cox_model() -> None:
    # Gehan 1965; R package survival, survdiff and coxph(ties = "exact").
    counts = strata(*gehan())
    pooled = mantel_haenszel(**counts)
    case = published("P-f2")
    case.check(logrank_chi2=float(pooled.chi2), logrank_p=float(pooled.p))
    case.check(t6mp_exact_coef=np.log(exact_conditional(**counts).estimate))


def test_discrete_time_hazards_in_periods_of_five_weeks() -> None:
    # Gehan data; a person-period logistic regression in R, here on counts of two rows.
    time, status, treated = gehan()
    period = np.ceil(time / 5).astype(int)
    periods = np.arange(1, period.max() + 1)
    at_risk = np.array([[((period >= k) & group).sum() for k in periods] for group in (treated, ~treated)])
    events = np.array(
        [[((period == k) & (status == 1) & group).sum() for k in periods] for group in (treated, ~treated)]
    )
    case = published("P-f3")
    case.check(person_periods=at_risk.sum(), events=events.sum())
    some = events.sum(axis=0) > 0
    design = Design(
        covariates=np.array([[1.0], [0.0]]),
        at_risk=at_risk[:, some].astype(float),
        events=events[:, some].astype(float),
        ridge=np.zeros(1),
    )
    found = fit(design, firth=False)
    case.check(
        t6mp_logit_coef=found.theta[design.bins],
        t6mp_logit_se=np.sqrt(found.covariance[design.bins, design.bins]),
        logit_deviance=-2 * found.penalized_loglik,
    )
    case.check(cox_on_period_t6mp_exact_coef=np.log(exact_conditional(**strata(period, status, treated)).estimate))


subjects = st.lists(st.tuples(st.integers(0, 12), st.integers(0, 2)), min_size=1, max_size=40)


@settings(deadline=None, max_examples=80)
@given(subjects=subjects)
def test_whatever_the_counts_the_shares_add_up_and_the_library_agrees(subjects: list[tuple[int, int]]) -> None:
    # One more is seen to the end: where all have left, the library divides by zero.
    time, status = (np.array(column) for column in zip(*subjects, (13, 0), strict=True))
    one, other = (of_subjects(time.tolist(), status.tolist(), cause=cause) for cause in (1, 2))
    survival = np.cumprod(1 - (one.events + one.removed) / one.at_risk)
    assert one.incidence + other.incidence + survival == pytest.approx(np.ones(len(survival)))
    assert (one.one_minus_km >= one.incidence - 1e-12).all()
    inside = (one.incidence > 0) & (one.incidence < 1 - 1e-12)
    low, mid, high = one.low[inside], one.incidence[inside], one.high[inside]
    assert ((low >= 0) & (low <= mid) & (mid <= high) & (high <= 1)).all()
    if (status == 1).any() and (status == 2).any():
        library = CumIncidenceRight(time, status)
        places = [at(one, t) for t in library.times]
        assert one.incidence[places] == pytest.approx(library.cinc[0])
        assert one.se[places] == pytest.approx(np.nan_to_num(library.cinc_se[0]), abs=1e-9)
    if (status == 1).any():
        survfunc = SurvfuncRight(time, status == 1)
        places = [at(one, t) for t in survfunc.surv_times]
        assert 1 - one.one_minus_km[places] == pytest.approx(survfunc.surv_prob)


def test_ninety_five_of_a_hundred_intervals_hold_the_truth() -> None:
    # 150 restorations, hazards of 2 % and 3 % a month, observed for 6 to 18 months; look at month 6 and 12.
    rng = np.random.default_rng(5)
    back, gone = 0.02, 0.03
    stay = 1 - back - gone
    truth = {m: back * (1 - stay**m) / (1 - stay) for m in (6, 12)}
    held = dict.fromkeys(truth, 0)
    rounds = 2000
    for _ in range(rounds):
        failed = rng.geometric(back + gone, 150)
        seen = rng.integers(6, 19, 150)
        month = np.minimum(failed, seen)
        kind = np.where(failed > seen, 0, np.where(rng.random(150) < back / (back + gone), 1, 2))
        months = np.arange(1, 19)
        at_risk = (month[:, None] >= months).sum(axis=0)
        events, removed = (np.bincount(month[kind == k], minlength=19)[1:] for k in (1, 2))
        curve = cumulative_incidence(months=months, at_risk=at_risk, events=events, removed=removed)
        for m, value in truth.items():
            estimate = curve.within(m)
            held[m] += estimate.low <= value <= estimate.high
    # Three simulation errors of a share of 0.95 in 2,000 are 0.015.
    assert all(0.935 <= count / rounds <= 0.965 for count in held.values()), held


def test_before_the_first_return_the_interval_is_that_of_no_return_in_n() -> None:
    curve = cumulative_incidence(months=[1, 2], at_risk=[100, 50], events=[0, 0], removed=[3, 1])
    # Clopper-Pearson with no event: 1 - 0.025^(1/n); n = 50: 0.0711 (closed form).
    assert curve.high == pytest.approx([1 - 0.025 ** (1 / 100), 0.07112], abs=1e-5)
    assert curve.low.tolist() == curve.incidence.tolist() == [0, 0]


def test_service_starts_with_what_was_found_up_to_delivery() -> None:
    service = ServiceMonths(
        status="missed",
        restorations=100,
        early=np.array([9, 1, 0, 0]),
        at_risk=np.array([90, 80, 40, 0]),
        events=np.array([9, 4, 0, 0]),
        removed=np.array([1, 0, 0, 0]),
        censored=np.array([0, 36, 40, 0]),
    )
    curve = incidence_in_service(service)
    assert curve.months.tolist() == [0, 1, 2, 3]
    assert curve.at_risk.tolist() == [100, 90, 80, 40]
    # 0.1, then 0.9 x 9/90, then 0.9 x 80/90 x 4/80.
    assert curve.incidence == pytest.approx([0.1, 0.19, 0.23, 0.23])
    assert curve.within(2.9).estimate == pytest.approx(0.23)
    assert np.isnan([curve.within(m).estimate for m in (-1, 3.5)]).all()
    assert [curve.still_at_risk(m) for m in (0, 1, 1.5, 2, 3)] == [90, 80, 80, 40, 0]
    as_json = curve.as_json()
    assert as_json["months"] == [0, 1, 2, 3]
    assert as_json["incidence"] == pytest.approx([0.1, 0.19, 0.23, 0.23])


def test_a_group_without_restorations_has_an_empty_curve() -> None:
    none = np.zeros(3, dtype=np.int64)
    service = ServiceMonths(
        status="missed", restorations=0, early=none, at_risk=none, events=none, removed=none, censored=none
    )
    curve = incidence_in_service(service)
    assert len(curve.months) == 0
    assert np.isnan(curve.within(0).estimate)
    assert curve.still_at_risk(0) == 0


def test_where_all_came_back_or_nobody_is_left_there_is_no_interval() -> None:
    curve = cumulative_incidence(months=[0, 1, 2], at_risk=[3, 3, 0], events=[0, 3, 0], removed=[0, 0, 0])
    assert curve.incidence[1] == 1
    assert np.isnan([curve.low[1], curve.high[1], curve.incidence[2], curve.low[2], curve.one_minus_km[2]]).all()
    assert curve.as_json()["high"][1:] == [None, None]


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"events": [1, 6]}, "At time 2: 6 events and 0 removals of 5 at risk"),
        ({"at_risk": [10, 10]}, "At time 2: 0 events and 0 removals of 10 at risk, with 9 left"),
        ({"events": [0.5, 0]}, "At time 1: 0.5 events"),
        ({"months": [2, 1]}, "do not ascend"),
        ({"removed": [0]}, "one number at risk, of events and of removals for each time"),
    ],
)
def test_impossible_counts_are_refused(wrong: dict[str, Any], said: str) -> None:
    counts = {"months": [1, 2], "at_risk": [10, 5], "events": [1, 0], "removed": [0, 0]}
    cumulative_incidence(**counts)
    with pytest.raises(TableError, match=said):
        cumulative_incidence(**(counts | wrong))

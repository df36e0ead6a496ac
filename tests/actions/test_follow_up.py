"""Follow-up of an action: counts against a loop over rows, boundaries against theory and simulation, whole labs."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, timedelta
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm, poisson

from remakes.actions.follow_up.looks import judge_returns, ratio_to_expected
from remakes.actions.follow_up.misses import any_time_quantile, miss_changes, ratio_of_shares
from remakes.actions.follow_up.returns import expected_returns
from remakes.actions.follow_up.said import sentence_of
from remakes.actions.follow_up.sequential import (
    COMMON_SD,
    Comparison,
    Periods,
    _Sum,
    boundaries,
)
from remakes.actions.follow_up.verdicts import FollowUp, follow_up, judge_follow_up
from remakes.counts.engine import connect
from remakes.counts.follow_up import FollowUpCounts, count_follow_up, months_after
from remakes.counts.follow_up_rows import AgeCounts, WeekCounts
from remakes.counts.patterns import count_patterns
from remakes.counts.table import BIN_EDGES, DAYS_PER_MONTH
from remakes.errors import TableError
from remakes.evidence.tables.proportions import risk_difference
from remakes.records.snapshot import Snapshot
from remakes.records.undertakings import JudgingRule
from tests.benchmarks.follow_up_calibration import Lab, draw, judged, shares
from tests.labs import snapshot, standard
from tests.published.cases import published

RULE = JudgingRule(factors=("bond_wait",), defects=("debonding",))
START = date(2025, 7, 1)
END = date(2026, 6, 30)


# -- a lab in rows ---------------------------------------------------------------------------------------------------


@cache
def lab(
    seed: int = 1,
    *,
    restorations: int = 2400,
    missed_after: float = 0.02,
    hazard: float = 0.012,
    ratio: float = 0.3,
    start: date = START,
    end: date = END,
) -> Snapshot:
    """Thirty months of deliveries; bond waits cut short less often, and debonding rarer, from the start on."""
    rng = np.random.default_rng(seed)
    first = date(2024, 1, 2)
    units, log, returns = [], [], []
    for number in range(restorations):
        name, delivered = f"R{number:05d}", first + timedelta(days=int(rng.integers(0, (END - first).days)))
        units.append(
            {
                "restoration_id": name,
                "technician": f"T{number % 3}",
                "clinic": f"C{number % 7}",
                "delivered_on": delivered.isoformat(),
                "veneer": "none" if number % 10 == 0 else "lab composite",
            }
        )
        with_action = delivered >= start
        short = rng.random() < (missed_after if with_action else 0.2)
        log.append({"restoration_id": name, "step": "bonding", "reading": "wait_s", "value": "100" if short else "200"})
        for defect, monthly in (("debonding", hazard * (ratio if with_action else 1.0)), ("chipping", 0.004)):
            reported = delivered + timedelta(days=int(min(rng.exponential(1.0 / monthly), 999) * DAYS_PER_MONTH) - 3)
            if reported <= end:
                returns.append(
                    {
                        "return_id": f"{name}{defect}",
                        "restoration_id": name,
                        "reported_on": reported.isoformat(),
                        "defect": defect,
                        "disposition": "remade" if rng.random() < 0.5 else "repaired",
                    }
                )
    return snapshot(units, log, returns, by=standard(), observed_until=end)


class Connected:
    """A lab in an engine, counted."""

    def __init__(self, snap: Snapshot) -> None:
        self.tables, self.standard = connect(snap), snap.standard
        self.table = count_patterns(self.tables, snap.standard, observed_until=snap.observed_until)


@cache
def connected() -> Connected:
    return Connected(lab())


def counted(at: Connected, **named: Any) -> FollowUpCounts:
    wanted = {"factors": ("bond_wait",), "defects": ("debonding",), "starts_on": START, "months": 12} | named
    return count_follow_up(at.tables, at.table, at.standard, **wanted)


@cache
def counts_of_lab() -> FollowUpCounts:
    return counted(connected(), decided_on=date(2025, 6, 12))


def followed(at: Connected, **named: Any) -> FollowUp:
    return follow_up(at.tables, at.table, at.standard, **({"starts_on": START, "rule": RULE} | named))


# -- counts ----------------------------------------------------------------------------------------------------------


def rows_of(snap: Snapshot) -> list[dict[str, Any]]:
    names = ["restoration_id", "delivered_on", "veneer"]
    return snap.restorations.select(names).to_pylist()


def by_hand(snap: Snapshot, low: date, high: date, *, since: bool) -> tuple[list[float], list[int]]:
    """Restoration-months and returns between two days, by age."""
    first: dict[str, date] = {}
    removed: dict[str, date] = {}
    for row in snap.returns.to_pylist():
        day = date.fromisoformat(row["reported_on"])
        if row["defect"] == "debonding":
            first[row["restoration_id"]] = min(day, first.get(row["restoration_id"], day))
        if row["disposition"] == "remade":
            removed[row["restoration_id"]] = min(day, removed.get(row["restoration_id"], day))
    days, returns = [0] * len(BIN_EDGES), [0] * len(BIN_EDGES)
    for row in rows_of(snap):
        delivered = date.fromisoformat(row["delivered_on"])
        if row["veneer"] != "lab composite" or (delivered >= START) != since:
            continue
        name = row["restoration_id"]
        end = max(delivered, min(removed.get(name, snap.observed_until), snap.observed_until))
        if name in first:
            end = max(first[name], delivered)
            if low <= end < high:
                returns[age_after((end - delivered).days)] += 1
        begins, ends = max(delivered, low), min(end, high - timedelta(days=1))
        for served in range((begins - delivered).days, (ends - delivered).days + 1):
            days[age_after(served)] += 1
    return [count / DAYS_PER_MONTH for count in days], returns


@cache
def age_after(served: int) -> int:
    """The bin of so many days in service."""
    whole = int(served / DAYS_PER_MONTH)
    return max(k for k, edge in enumerate(BIN_EDGES) if whole >= edge)


def test_counts_are_those_of_a_loop_over_rows() -> None:
    counts = counts_of_lab()
    for period in (0, 4, 11):
        low, high = (START, *counts.ends)[period : period + 2]
        for since, side in ((True, counts.since), (False, counts.before)):
            months, returns = by_hand(lab(), low, high, since=since)
            assert side.at_risk[period].sum(axis=1) == pytest.approx(months)
            assert side.returns[period].sum(axis=1).tolist() == returns
    assert (
        counts.before.at_risk[:, 0].sum() < counts.before.at_risk[0, 0].sum() + 1e-9 + counts.before.at_risk[1, 0].sum()
    )


def test_reference_ends_before_the_decision_and_holds_every_kind_of_restoration_it_concerns() -> None:
    counts = counts_of_lab()
    assert counts.reference_months[0] == "2024-01"
    assert counts.reference_months[-1] == "2025-05"
    months, returns = by_hand(lab(), date(2025, 3, 1), date(2025, 4, 1), since=False)
    assert counts.reference.at_risk[14].sum(axis=1) == pytest.approx(months)
    assert counts.reference.returns[14].sum(axis=1).tolist() == returns
    assert counts.reference.returns.sum() == sum(counts.returns_by_defect.values())
    concerned = [row for row in rows_of(lab()) if row["veneer"] == "lab composite"]
    assert counts.concerned == len(concerned)
    assert counts.delivered.sum() == sum(row["delivered_on"] < "2025-06-01" for row in concerned)


def test_weeks_count_every_reading_once_and_nothing_between_decision_and_start() -> None:
    counts = counts_of_lab()
    before, after = counts.weeks_before, counts.weeks_after
    assert len(before.weeks) == 26
    assert before.weeks[-1] + timedelta(days=7) == date(2025, 6, 12)
    assert after.weeks[0] == START
    assert after.weeks[-1] + timedelta(days=6) <= END
    inside = [
        row["delivered_on"]
        for row in rows_of(lab())
        if row["veneer"] == "lab composite" and before.weeks[0].isoformat() <= row["delivered_on"] < "2025-06-12"
    ]
    assert (before.met + before.missed + before.not_recorded).sum() == len(inside)
    assert before.technician_missed.sum() == before.missed.sum()
    assert before.technician_recorded.sum() == (before.met + before.missed).sum()


def test_periods_end_with_calendar_months_and_with_the_longest_time() -> None:
    counts = counted(connected(), starts_on=date(2025, 7, 20), months=3)
    assert counts.ends == (date(2025, 8, 1), date(2025, 9, 1), date(2025, 10, 1), date(2025, 10, 20))
    assert months_after(date(2025, 1, 31), 1) == date(2025, 3, 1)
    assert months_after(date(2024, 11, 15), 14) == date(2026, 1, 15)


def test_a_requirement_that_changed_meanwhile_is_named() -> None:
    snap = snapshot(
        [{"restoration_id": "a", "delivered_on": "2024-02-01"}, {"restoration_id": "b", "delivered_on": "2024-07-01"}],
        observed_until=date(2024, 9, 1),
    )
    named = {"factors": ("grit_uses", "bond_wait"), "starts_on": date(2024, 6, 20), "decided_on": date(2024, 5, 20)}
    counts = counted(Connected(snap), **named)
    assert counts.changed_requirements == ("grit_uses",)
    changes = miss_changes(counts, down_by=0.5, error=0.05)
    assert "requirement itself changed" in changes[0].sentence
    assert "requirement itself changed" not in changes[1].sentence


@pytest.mark.parametrize(
    ("named", "said"),
    [
        ({"factors": ("nothing",)}, "no factor named nothing"),
        ({"factors": ()}, "none was named"),
        ({"defects": ()}, "No defect was named"),
        ({"decided_on": date(2025, 8, 1)}, "before it was decided on"),
    ],
)
def test_what_cannot_be_followed_up_is_refused(named: dict[str, Any], said: str) -> None:
    with pytest.raises(TableError, match=said):
        counted(connected(), **named)


# -- boundaries ------------------------------------------------------------------------------------------------------


def certain(expected: list[float], *, overdispersion: float = 0.0, information: float = 1e9) -> Periods:
    """Periods with nothing to compare."""
    none = Comparison(returns=np.zeros(0), expected=np.zeros(0), information=1e9)
    return Periods(
        expected=np.array(expected),
        planned=sum(expected),
        information=information,
        overdispersion=overdispersion,
        comparison=none,
    )


def test_one_look_at_a_known_expectation_is_the_exact_test_of_a_count(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("remakes.actions.follow_up.sequential.COMMON_SD", 1e-6)
    for mean in (3.0, 12.0, 40.0):
        found = boundaries(certain([mean]), error=0.05, missed_error=0.1, ratio=0.7)
        low, high = int(found.verified_at_most[0]), int(found.no_effect_at_least[0])
        assert poisson.cdf(low, mean) <= 0.05 < poisson.cdf(low + 1, mean)
        assert poisson.sf(high - 1, 0.7 * mean) <= 0.1 < poisson.sf(high - 2, 0.7 * mean)
        assert found.verified_by_then[0] == pytest.approx(poisson.cdf(low, 0.7 * mean), abs=1e-3)


def test_looking_five_times_at_two_standard_errors_has_the_published_rate_of_error() -> None:
    """Armitage, McPherson, Rowe (1969): .142 for 5 looks at nominal .05 on both sides; from memory."""
    each, looks, size = 400.0, 5, 2700
    total, step = _Sum(np.ones(1), size), poisson.pmf(np.arange(size), each)[None, :]
    for look in range(1, looks + 1):
        total.add(step)
        # Between two whole numbers the normal limit decides at the half.
        reach = 1.96 * np.sqrt(look * each)
        total.stop_below(round(look * each - reach - 0.5))
        total.stop_above(round(look * each + reach + 0.5))
    assert 1.0 - total.going_on.sum() == pytest.approx(0.142, abs=0.003)


def test_error_rates_hold_when_the_expectation_is_as_uncertain_as_said() -> None:
    """Drawn from the model itself: common change, error of the expectation, months that vary."""
    rng = np.random.default_rng(5)
    expected, other = np.linspace(2.0, 6.0, 12), np.full(12, 4.0)
    information, overdispersion = 80.0, 0.02
    counts = []
    for ratio in (1.0, 0.7):
        fell = excluded = 0
        for _ in range(70):
            common = np.exp(rng.normal(0.0, COMMON_SD))
            error = np.exp(rng.normal(0.0, np.sqrt(np.log1p(1.0 / information)), size=2))
            months = rng.gamma(1.0 / overdispersion, overdispersion, size=(2, 12))
            seen = rng.poisson(expected * common * error[0] * ratio * months[0]).cumsum()
            compared = Comparison(
                returns=rng.poisson(other * common * error[1] * months[1]).astype(float),
                expected=other,
                information=information,
            )
            periods = Periods(
                expected=expected,
                planned=float(expected.sum()),
                information=information,
                overdispersion=overdispersion,
                comparison=compared,
            )
            found = boundaries(periods, error=0.05, missed_error=0.1, ratio=0.7)
            fell += bool((seen <= found.verified_at_most).any())
            excluded += bool((seen >= found.no_effect_at_least).any())
        counts.append((fell, excluded))
    # 5 % and 10 % of 70, with three standard errors of the simulation.
    assert counts[0][0] <= 3.5 + 3 * np.sqrt(3.5)
    assert counts[1][1] <= 7 + 3 * np.sqrt(7)
    # And they are spent: neither rule is idle.
    assert counts[1][0] >= 12
    assert counts[0][1] >= 25


def test_returns_of_the_others_move_the_boundaries() -> None:
    expected = np.full(12, 5.0)

    def last(factor: float) -> int:
        other = Comparison(returns=np.full(12, 5.0 * factor), expected=np.full(12, 5.0), information=1e6)
        periods = replace(certain([5.0] * 12), comparison=other)
        assert (periods.expected == expected).all()
        return int(boundaries(periods, error=0.05, missed_error=0.1, ratio=0.7).verified_at_most[-1])

    assert last(0.6) < last(1.0) < last(1.4)


@settings(max_examples=15, deadline=None)
@given(
    st.lists(st.floats(0.0, 8.0), min_size=1, max_size=8),
    st.floats(5.0, 500.0),
    st.floats(0.0, 0.3),
    st.floats(0.3, 0.9),
)
def test_boundaries_are_ordered(expected: list[float], information: float, overdispersion: float, ratio: float) -> None:
    periods = certain(expected, information=information, overdispersion=overdispersion)
    found = boundaries(periods, error=0.05, missed_error=0.1, ratio=ratio)
    strict = boundaries(periods, error=0.01, missed_error=0.02, ratio=ratio)
    assert (found.verified_at_most[np.cumsum(expected) < 1.0] == -1).all()
    assert strict.verified_at_most[-1] <= found.verified_at_most[-1]
    assert (np.diff(found.verified_by_then) >= -1e-9).all()
    assert 0.0 <= found.verified_by_then[-1] <= 1.0 + 1e-9


def test_ratio_has_the_exact_interval_of_a_count_where_the_expectation_is_known() -> None:
    found = ratio_to_expected(8, np.array([4.0, 6.0]), 0.0, np.ones(1), np.ones(1))
    assert found.estimate == pytest.approx(0.8)
    # Garwood's limits of a count of 8.
    assert (found.low * 10, found.high * 10) == pytest.approx((3.4538, 15.7632), abs=1e-3)
    nothing = ratio_to_expected(0, np.array([10.0]), 0.0, np.ones(1), np.ones(1))
    assert (nothing.low, nothing.high * 10) == pytest.approx((0.0, 3.6889), abs=1e-3)


# -- misses ----------------------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 60), st.integers(0, 200), st.integers(1, 60), st.integers(0, 200))
def test_ratio_and_difference_of_shares_say_the_same(missed: int, met: int, before: int, met_before: int) -> None:
    n1, n0 = max(missed + met, 1), before + met_before
    ratio = ratio_of_shares(missed, n1, before, n0)
    difference = risk_difference(exposed_events=missed, exposed_total=n1, unexposed_events=before, unexposed_total=n0)
    if min(abs(difference.low), abs(difference.high)) > 1e-9:
        assert (ratio.high < 1.0) == (difference.high < 0.0)
        assert (ratio.low > 1.0) == (difference.low > 0.0)
    assert ratio.low <= ratio.estimate <= ratio.high
    if missed:
        other = ratio_of_shares(before, n0, missed, n1)
        assert (ratio.low * other.high, ratio.high * other.low) == pytest.approx((1.0, 1.0))


def test_ratio_of_shares_at_the_ends() -> None:
    assert np.isnan(ratio_of_shares(0, 0, 3, 10).estimate)
    assert np.isnan(ratio_of_shares(0, 9, 0, 10).estimate)
    assert ratio_of_shares(0, 50, 10, 50).low == 0.0
    never = ratio_of_shares(5, 50, 0, 50)
    assert never.estimate == float("inf")
    assert 0.0 < never.low < float("inf")


@pytest.mark.parametrize("row", ["a", "b", "d"])
def test_difference_of_misses_is_newcombes(row: str) -> None:
    case = published("P-a6")
    x1, n1, x0, n0 = (case.data[row][name] for name in ("x1", "n1", "x2", "n2"))
    (change,) = miss_changes(with_weeks(weekly(x0, n0 - x0, 1), weekly(x1, n1 - x1, 1)), down_by=0.5, error=0.05)
    found = change.difference
    case.check(**{f"{row}_diff": found.estimate, f"{row}_lo": found.low, f"{row}_hi": found.high})


def test_a_share_that_fell_as_asked_is_rarely_said_not_to_have_fallen_however_often_one_looks() -> None:
    rng = np.random.default_rng(8)
    wrong = np.zeros(2)
    for _ in range(40):
        before = weekly(int(rng.binomial(1040, 0.15)), 0, 1)
        before = replace(before, met=1040 - before.missed)
        for which, share in enumerate((0.075, 0.15)):
            missed = rng.binomial(40, share, size=52)
            said = set()
            for weeks in range(4, 53, 8):
                after = weekly(0, 0, weeks)
                after = replace(after, missed=missed[None, :weeks], met=40 - missed[None, :weeks])
                (change,) = miss_changes(with_weeks(before, after), down_by=0.5, error=0.05)
                said.add(change.kept)
            wrong[which] += ("did not fall", "fell")[which] in said
    # 5 % of 40, with three standard errors.
    assert (wrong <= 2 + 3 * np.sqrt(2)).all()


def test_any_time_quantile_is_crossed_as_rarely_as_said() -> None:
    rng = np.random.default_rng(3)
    information = np.arange(1.0, 301.0)
    limit = np.array([any_time_quantile(float(one), error=0.05) for one in information])
    z = rng.normal(size=(4000, 300)).cumsum(axis=1) / np.sqrt(information)
    ever = float((z < -limit).any(axis=1).mean())
    assert 0.01 < ever <= 0.05
    assert ((z < -1.645).any(axis=1)).mean() > 0.2


@pytest.mark.parametrize("error", [0.001, 0.05, 0.2])
@pytest.mark.parametrize("information", [0.01, 1.0, 8.0, 300.0])
def test_any_time_quantile_lies_where_the_mixture_reaches_one_over_the_error(error: float, information: float) -> None:
    tuned = 8.0
    whole = information + tuned
    x = any_time_quantile(information, error=error) * np.sqrt(information / whole)
    # Likelihood ratio of the half-normal mixture with variance 1 / tuned, at this many standard errors.
    reached = 2.0 * np.sqrt(tuned / whole) * np.exp(x**2 / 2.0) * norm.cdf(x)
    assert 1.0 <= reached * error <= 1.03


def weekly(missed: int, met: int, weeks: int, not_recorded: int = 0) -> WeekCounts:
    each = np.ones((1, weeks), dtype=np.int64)
    technicians = np.array([[weeks * (missed + met)]]), np.array([[weeks * missed]])
    return WeekCounts(
        weeks=tuple(date(2025, 1, 6) + timedelta(days=7 * k) for k in range(weeks)),
        met=each * met,
        missed=each * missed,
        not_recorded=each * not_recorded,
        technician_recorded=technicians[0],
        technician_missed=technicians[1],
    )


@cache
def drawn(mean: float = 6.0, ratio: float = 1.0, seed: int = 1) -> FollowUpCounts:
    return draw(Lab(mean=mean, ratio=ratio), np.random.default_rng(seed))


def with_weeks(before: WeekCounts, after: WeekCounts) -> FollowUpCounts:
    return replace(drawn(), weeks_before=before, weeks_after=after)


@pytest.mark.parametrize(
    ("after", "kept"),
    [
        (weekly(1, 39, 8), "fell"),
        (weekly(0, 40, 8), "fell"),
        (weekly(6, 34, 8), "did not fall"),
        (weekly(4, 36, 8), "cannot tell"),
        (weekly(0, 40, 3), "cannot tell"),
        (weekly(0, 2, 8), "cannot tell"),
        (weekly(0, 0, 8), "cannot tell"),
    ],
)
def test_misses_fell_or_did_not_or_cannot_be_told(after: WeekCounts, kept: str) -> None:
    (change,) = miss_changes(with_weeks(weekly(6, 34, 26), after), down_by=0.5, error=0.05)
    assert change.kept == kept
    assert change.share_before.estimate == pytest.approx(0.15)
    json.dumps(change.as_json(), allow_nan=False)


def test_gaps_and_other_hands_are_told() -> None:
    (change,) = miss_changes(with_weeks(weekly(6, 34, 26), weekly(1, 39, 8, not_recorded=20)), down_by=0.5, error=0.05)
    assert any("no longer written down" in caution for caution in change.cautions)
    # Two technicians, 30 % and 10 % before; each as before, but the careful one does nearly all the work now.
    before, after = weekly(8, 32, 10), weekly(3, 22, 8)
    before = replace(before, technician_recorded=np.array([[200, 200]]), technician_missed=np.array([[60, 20]]))
    after = replace(after, technician_recorded=np.array([[20, 180]]), technician_missed=np.array([[6, 18]]))
    (change,) = miss_changes(with_weeks(before, after), down_by=0.5, error=0.05)
    assert change.ratio_same_hands == pytest.approx(1.0)
    assert any("other technicians" in caution for caution in change.cautions)


# -- returns and verdicts --------------------------------------------------------------------------------------------


def cut(counts: FollowUpCounts, periods: int) -> FollowUpCounts:
    """The same lab seen for fewer periods."""

    def first(side: AgeCounts) -> AgeCounts:
        return AgeCounts(at_risk=side.at_risk[:periods], returns=side.returns[:periods])

    return replace(counts, since=first(counts.since), before=first(counts.before))


def test_no_look_of_the_past_is_rewritten() -> None:
    counts = draw(Lab(mean=6.0, ratio=0.7), np.random.default_rng(7))
    whole = judge_follow_up(counts, rule=RULE)
    for periods in (1, 4, 9):
        some = judge_follow_up(cut(counts, periods), rule=RULE)
        assert [replace(look, expected=round(look.expected, 9)) for look in some.looks] == [
            replace(look, expected=round(look.expected, 9)) for look in whole.looks[:periods]
        ]


def test_young_restorations_are_not_taken_for_a_success() -> None:
    """Without an effect, the expected follows the age of what was made since; the sums over labs agree."""
    found = judged(Lab(mean=10.0, worst=False), labs=25, seed=11)
    observed, expected = (sum(getattr(one, name) for one in found) for name in ("observed", "expected"))
    assert observed / expected == pytest.approx(1.0, abs=0.1)
    first = [one.looks[0].expected / one.looks[-1].expected for one in found]
    assert max(first) < 0.05


def test_regression_to_the_mean_is_no_success_and_a_strong_effect_is_one() -> None:
    nothing = shares(judged(Lab(mean=6.0), labs=60, seed=21))
    strong = shares(judged(Lab(mean=6.0, ratio=0.3), labs=30, seed=22))
    assert nothing[0] <= 0.075
    assert strong[0] >= 0.9
    assert strong[1] <= 0.05


def test_months_before_the_requirement_teach_nothing() -> None:
    counts = drawn()
    at_risk, returns = counts.reference.at_risk.copy(), counts.reference.returns.copy()
    at_risk[:9], returns[:9] = 0.0, 0.0
    found = expected_returns(replace(counts, reference=AgeCounts(at_risk=at_risk, returns=returns)))
    assert found.reference_months == expected_returns(counts).reference_months - 9


def test_months_with_much_still_to_be_entered_wait() -> None:
    counts = draw(Lab(mean=6.0), np.random.default_rng(2))
    months = [f"{day:%Y-%m}" for day in (counts.starts_on, *counts.ends[:-1])]
    whole, waits = (
        expected_returns(counts, completeness=share)
        for share in (None, {"debonding": {months[-1]: 0.3, months[-2]: 0.9}})
    )
    assert (whole.seen, waits.seen) == (12, 11)
    assert whole.periods is not None
    assert waits.periods is not None
    assert waits.periods.expected[10] == pytest.approx(0.9 * whole.periods.expected[10])
    assert judge_follow_up(counts, rule=RULE, completeness={"all": {months[0]: 0.1}}).months_seen == 0.0


def test_fewer_looks_decide_sooner_each_and_see_the_same_counts() -> None:
    counts = draw(Lab(mean=12.0), np.random.default_rng(4))
    found = expected_returns(counts)
    named = {"starts_on": counts.starts_on, "ends": counts.ends, "ratio": 0.7, "error": 0.05}
    monthly = judge_returns(found, **named)
    quarterly = judge_returns(found, **named, looks=counts.ends[2::3])
    assert [look.observed for look in quarterly.looks] == [look.observed for look in monthly.looks[2::3]]
    assert quarterly.observed == monthly.observed
    assert quarterly.ratio == monthly.ratio
    pairs = zip(quarterly.looks, monthly.looks[2::3], strict=True)
    assert all((a.verified_at_most or 0) >= (b.verified_at_most or 0) for a, b in pairs)


def judged_with(mean: float, ratio: float, after: WeekCounts, *, periods: int = 12, seed: int = 31) -> FollowUp:
    counts = replace(cut(drawn(mean, ratio, seed), periods), weeks_before=weekly(6, 34, 26), weeks_after=after)
    return judge_follow_up(counts, rule=RULE)


def test_each_way_to_a_verdict() -> None:
    fell, same, unknown = weekly(1, 39, 8), weekly(6, 34, 8), weekly(0, 0, 8)
    ways = {
        "returns fell": judged_with(25.0, 0.3, fell),
        "fall worth having excluded": judged_with(25.0, 1.3, fell),
        "not kept up at the bench": judged_with(25.0, 0.3, same),
        "misses fell": judged_with(3.0, 0.7, fell, periods=3),
        "cannot tell yet": judged_with(3.0, 0.7, unknown, periods=3),
        "time is over": judged_with(3.0, 0.75, unknown, seed=33),
    }
    verdicts = ["verified", "no effect", "no effect", "on the way", "too early", "no effect"]
    assert {reason: one.reason for reason, one in ways.items()} == {reason: reason for reason in ways}
    assert [one.verdict for one in ways.values()] == verdicts
    for one in ways.values():
        json.dumps(one.as_json(), allow_nan=False)
        assert one.sentence
        assert (one.months_more is None) == (one.verdict in ("verified", "no effect"))
    assert 0.0 < (ways["misses fell"].months_more or 0.0) <= 9.2
    assert "do not go together" in ways["not kept up at the bench"].sentence
    assert "not excluded" in ways["time is over"].sentence
    assert any("larger fall than there is" in one for one in ways["returns fell"].cautions)
    # An exclusion is wrong now and then as well, and says how often.
    assert any("up to 10% would be said not to" in one for one in ways["fall worth having excluded"].cautions)
    for reason in ("misses fell", "time is over"):
        assert not any("larger fall" in one or "said not to" in one for one in ways[reason].cautions)


def test_returns_that_will_not_decide_in_time_are_not_said_to() -> None:
    fell = weekly(1, 39, 8)
    decides, does_not = judged_with(8.0, 0.3, fell, periods=2), judged_with(3.0, 0.8, fell, periods=6, seed=33)
    assert decides.verdict == does_not.verdict == "on the way"
    assert "the returns decide in about" in decides.sentence
    assert "will not have decided when the time agreed on is over" in does_not.sentence
    assert "the returns decide in about" not in does_not.sentence
    # The months are then those to the end of the time.
    assert does_not.months_more == pytest.approx(RULE.months - does_not.months_seen, abs=0.2)


def test_one_month_one_return_and_one_week_are_said_as_one() -> None:
    returns = replace(
        judge_returns(expected_returns(drawn()), starts_on=START, ends=drawn().ends, ratio=0.7, error=0.05),
        observed=1,
        expected=float("nan"),
        missing="Too few.",
        months_more=0.2,
        decides_in_time=True,
    )
    short = replace(RULE, months=1)

    def told(reason: str, *, over: bool = False) -> str:
        return sentence_of(reason, returns, rule=short, starts="2025-07-01", over=over)

    assert "shown in the month agreed on." in told("time is over")
    assert told("cannot tell yet", over=True).startswith("Cannot be told: the month agreed on is over")
    assert "One return of a restoration delivered since 2025-07-01. Too few." in told("misses fell")
    assert told("misses fell").endswith("decide in about a month.")
    (change,) = miss_changes(with_weeks(weekly(6, 34, 26), weekly(1, 39, 1)), down_by=0.5, error=0.05)
    assert "missed in 1 of 40 recorded in 1 week since the start, 156 of 1040 in 26 weeks before" in change.sentence


def test_a_fall_without_readings_is_verified_with_a_caution() -> None:
    found = judged_with(25.0, 0.3, weekly(0, 0, 8))
    assert found.verdict == "verified"
    assert any("may go with something else" in caution for caution in found.cautions)


def test_a_whole_lab_through_the_engine() -> None:
    found = followed(connected(), decided_on=date(2025, 6, 12))
    assert found.verdict == "verified"
    assert found.misses[0].kept == "fell"
    assert found.observed == counts_of_lab().since.returns.sum()
    assert 0.15 < found.ratio.estimate < 0.6
    assert found.months_seen == pytest.approx(12.0, abs=0.1)
    idle = followed(Connected(lab(ratio=1.0, missed_after=0.2, restorations=800)))
    assert idle.reason == "not kept up at the bench"


def test_odd_but_legal_labs_have_a_verdict_and_say_what_is_missing() -> None:
    one_month = [{"restoration_id": f"R{k}", "delivered_on": "2025-07-03"} for k in range(5)]
    young = Connected(snapshot(one_month, observed_until=date(2025, 7, 20)))
    never = Connected(lab(restorations=300, hazard=0.0001, seed=2))
    always = Connected(lab(restorations=300, hazard=30.0, ratio=1.0, seed=3))
    starts = [(young, START), (young, date(2025, 7, 10)), (young, date(2027, 1, 1)), (young, date(2020, 1, 31))]
    found = [followed(at, starts_on=day) for at, day in [*starts, (never, START), (always, START)]]
    for one in found:
        json.dumps(one.as_json(), allow_nan=False)
    assert [one.verdict for one in found[:4]] == ["too early"] * 4
    assert "are over" in found[3].sentence
    assert found[4].verdict == "on the way"
    assert "to say what was to be expected takes at least" in found[4].sentence
    assert found[5].expected == pytest.approx(found[5].observed, rel=0.1)
    assert followed(connected(), rule=replace(RULE, defects=("porosity",))).verdict != "verified"


def test_the_same_records_give_the_same_answer() -> None:
    assert followed(connected()).as_json() == followed(connected()).as_json()


def test_bins_of_age_are_those_of_the_pattern_table() -> None:
    assert counts_of_lab().since.at_risk.shape[1] == len(BIN_EDGES)

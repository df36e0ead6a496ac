"""Months against what was expected of them: the pieces by independent reckoning, the whole on labs of known truth."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import stats

from remakes.counts.calendar import CalendarCounts, count_calendar
from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.counts.table import BIN_EDGES, Attribute
from remakes.trends.months import signals
from remakes.trends.months.common_variation import TAIL, at_least, at_most, limits, overdispersion
from remakes.trends.months.expected import MIN_REFERENCE_MONTHS, expect
from remakes.trends.months.hazards import learn
from remakes.trends.months.report_months import JudgedDefect, ReportMonths, judge_report_months
from remakes.trends.months.signals import ABOVE, BELOW, FALL, GUARD_MONTHS, RISE, change_point, mark, thresholds
from tests.benchmarks.months_calibration import JUDGED, MONTHS, Lab, draw, false_signals, found_within
from tests.labs import snapshot

FIRST_JUDGED = MIN_REFERENCE_MONTHS + GUARD_MONTHS


class NoDefect:
    """Stands for a pattern table where only all returns together are asked about."""

    defects: tuple[str, ...] = ()


def judge(
    calendar: CalendarCounts, completeness: Mapping[str, float] | None = None, late: Mapping[str, float] | None = None
) -> JudgedDefect:
    table: Any = NoDefect()
    return judge_report_months(calendar, table, completeness={"all": completeness or {}}, late={"all": late or {}}).of(
        "all"
    )


def steady(months: int, returns: int | list[int], *, months_at_risk: float = 1000.0) -> CalendarCounts:
    """One cell, one age, as many returns a month as said."""
    counts = [returns] * months if isinstance(returns, int) else returns
    at_risk = np.zeros((months, len(BIN_EDGES), 1))
    at_risk[:, 0, 0] = months_at_risk
    some = np.flatnonzero(counts)
    none, zero = np.array([], dtype=np.intp), np.zeros(len(some), dtype=np.intp)
    return CalendarCounts(
        months=tuple(f"{2020 + k // 12}-{k % 12 + 1:02d}" for k in range(months)),
        observed_share=np.ones(months),
        defects=("any",),
        attributes={"clinic": Attribute(np.zeros(1, dtype=np.intp), ("C1",))},
        at_risk=at_risk,
        event_month=some,
        event_bin=zero,
        event_cell=zero,
        event_defect=zero,
        event_count=np.array(counts, dtype=np.int64)[some],
        lost_month=none,
        lost_bin=none,
        lost_cell=none,
        lost_defect=none,
        lost_months=np.array([], dtype=np.float64),
    )


# ---------------------------------------------------------------------------------------------- common variation


@settings(deadline=None, max_examples=60)
@given(mean=st.floats(0.1, 80.0), spread=st.floats(0.001, 0.6), count=st.integers(0, 150))
def test_tails_are_those_of_the_negative_binomial(mean: float, spread: float, count: int) -> None:
    model = stats.nbinom(1.0 / spread, 1.0 / (1.0 + spread * mean))
    as_array = (np.array([float(count)]), np.array([mean]), np.array([spread]))
    assert at_least(*as_array)[0] == pytest.approx(model.sf(count - 1), rel=1e-8, abs=1e-300)
    assert at_most(*as_array)[0] == pytest.approx(model.cdf(count), rel=1e-8, abs=1e-300)


def test_without_dispersion_the_tail_is_poisson() -> None:
    # Above 20 with 10 expected: 0.00159; tables of the Poisson distribution, here by scipy.
    found = at_least(np.array([21.0]), np.array([10.0]), np.array([0.0]))[0]
    assert found == pytest.approx(stats.poisson.sf(20, 10.0), rel=1e-3)


@settings(deadline=None, max_examples=60)
@given(mean=st.floats(0.1, 60.0), spread=st.floats(0.0, 0.6))
@example(mean=45.0, spread=0.4375)
def test_limits_are_the_tightest_whole_numbers_and_a_month_at_one_is_no_signal(mean: float, spread: float) -> None:
    expected, dispersion = np.array([mean]), np.array([spread])
    low, high = limits(expected, dispersion)
    assert at_least(high + 1, expected, dispersion)[0] <= TAIL < at_least(high, expected, dispersion)[0]
    assert at_most(low - 1, expected, dispersion)[0] <= TAIL < at_most(low, expected, dispersion)[0]
    never = np.array(np.inf)
    for count, above, below in ((high, False, False), (high + 1, True, False), (low, False, False)):
        marks = mark(count[None], expected[None], dispersion[None], rise=never, fall=never)
        assert (bool(marks.above[0, 0]), bool(marks.below[0, 0])) == (above, below)
    if low[0] > 0:
        assert mark(low[None] - 1, expected[None], dispersion[None], rise=never, fall=never).below[0, 0]


def test_limits_of_months_without_expectation_are_not_known() -> None:
    low, high = limits(np.array([np.nan, 4.0]), np.array([np.nan, 0.1]))
    assert np.isnan([low[0], high[0]]).all()
    assert np.isfinite([low[1], high[1]]).all()


def test_overdispersion_is_seen_and_a_step_is_not_taken_for_it() -> None:
    rng = np.random.default_rng(8)
    mean = np.full(24, 12.0)
    plain = np.mean([overdispersion(rng.poisson(mean), mean) for _ in range(200)])
    wild = np.mean([overdispersion(rng.poisson(mean * rng.gamma(4, 1 / 4, 24)), mean) for _ in range(200)])
    # True values 0 and 0.25; both are drawn to the usual 0.02.
    assert plain < 0.03
    assert wild > 0.1
    stepped = [overdispersion(rng.poisson(np.repeat([8.0, 16.0], 12)), mean) for _ in range(200)]
    assert np.mean(stepped) < 0.05
    assert overdispersion(np.array([3.0]), np.array([2.0])) == pytest.approx(0.02)


# ------------------------------------------------------------------------------------------------------- hazards


def test_hazards_by_age_are_returns_by_months_at_risk() -> None:
    at_risk, events = np.zeros((12, 7, 1)), np.zeros((12, 7, 1))
    at_risk[:, :3, 0], events[:, :3, 0] = [1000.0, 500.0, 100.0], [30, 5, 2]
    one = {"clinic": Attribute(np.zeros(1, dtype=np.intp), ("C1",))}
    found = learn(at_risk, events, one, windows=[(0, 12), (0, 6)])
    assert found.returns.tolist() == [444, 222]
    # The borrowed return moves little, and the whole is as observed.
    assert found.by_age[0, :3] == pytest.approx([0.03, 0.01, 0.02], rel=0.06)
    for row, months in enumerate((12, 6)):
        expected = (found.by_age[row] * at_risk[:months].sum(axis=(0, 2))).sum()
        assert expected == pytest.approx(found.returns[row])
    # An age never seen borrows from the one before, and says how little is behind it.
    assert found.by_age[0, 3] == pytest.approx(found.by_age[0, 2], rel=0.01)
    assert found.age_returns[0, 3] == 1


def test_a_window_without_returns_expects_none() -> None:
    at_risk, events = np.ones((12, 7, 1)), np.zeros((12, 7, 1))
    one = {"clinic": Attribute(np.zeros(1, dtype=np.intp), ("C1",))}
    found = learn(at_risk, events, one, windows=[(0, 12)])
    assert found.by_age.sum() == 0
    assert np.isfinite(found.relative).all()


def test_the_case_mix_enters_the_expectation() -> None:
    """Two clinics, one with four times the returns; when it sends more, more is expected."""
    at_risk, events = np.zeros((40, 7, 2)), np.zeros((40, 7, 2))
    at_risk[:, 0] = [500.0, 500.0]
    at_risk[30:, 0] = [0.0, 1000.0]
    events[:30, 0] = [2.0, 8.0]
    events[30:, 0] = [0.0, 16.0]
    clinics = Attribute(np.arange(2), ("C1", "C2"))
    calendar = replace(steady(40, 1), attributes={"clinic": clinics})
    found = expect(calendar, at_risk, events, entered=np.ones(40))
    assert found.returns[29] == pytest.approx(10.0, rel=0.01)
    assert found.returns[30] == pytest.approx(16.0, rel=0.1)


def test_a_steady_lab_is_expected_to_go_on() -> None:
    found = expect(steady(20, 6), *steady(20, 6).of(None), entered=np.ones(20))
    assert np.isnan(found.returns[:FIRST_JUDGED]).all()
    assert found.returns[FIRST_JUDGED:] == pytest.approx(np.full(8, 6.0))
    assert found.information[FIRST_JUDGED] == pytest.approx(6 * MIN_REFERENCE_MONTHS, rel=0.02)
    assert found.information[-1] == pytest.approx(6 * (20 - 1 - GUARD_MONTHS), rel=0.02)


# ------------------------------------------------------------------------------------------------------- signals


@settings(deadline=None, max_examples=60)
@given(
    count=st.integers(0, 80), mean=st.floats(0.2, 40.0), spread=st.floats(0.001, 0.5), ratio=st.sampled_from([1.5, 0.5])
)
def test_scores_are_log_likelihood_ratios(count: int, mean: float, spread: float, ratio: float) -> None:
    def log_likelihood(expected: float) -> float:
        return float(stats.nbinom.logpmf(count, 1.0 / spread, 1.0 / (1.0 + spread * expected)))

    found = signals.scores(np.array([[float(count)]]), np.array([[mean]]), np.array([[spread]]), ratio=ratio)
    assert found[0, 0] == pytest.approx(log_likelihood(ratio * mean) - log_likelihood(mean), rel=1e-6, abs=1e-7)


@settings(deadline=None, max_examples=30)
@given(count=st.integers(0, 200), mean=st.floats(0.5, 30.0))
def test_no_month_is_a_slow_change_by_itself(count: int, mean: float) -> None:
    one = mark(np.array([[float(count)]]), np.array([[mean]]), np.zeros((1, 1)), rise=np.array(2.0), fall=np.array(2.0))
    assert not one.rise.any()
    assert not one.fall.any()


def test_sums_start_again_after_a_signal_and_rest_where_nothing_was_judged() -> None:
    observed = np.array([[9.0, 9.0, 9.0, 9.0, 9.0, 9.0]])
    expected = np.array([[5.0, np.nan, 5.0, 5.0, 5.0, 5.0]])
    dispersion = np.zeros((1, 6))
    step = 9 * np.log(1.5) - 0.5 * 5
    marks = mark(observed, expected, dispersion, rise=np.array(1.99 * step), fall=np.array(5.0))
    assert marks.rise[0].tolist() == [False, False, True, False, True, False]
    assert not marks.fall.any()


@pytest.mark.parametrize(("expected", "between"), [(3.0, 0.03), (12.0, 0.03), (5.0, 0.2)])
def test_thresholds_keep_their_false_signals_in_a_simulation_of_its_own(expected: float, between: float) -> None:
    """Other random numbers, one lab after the other, the sum written as a loop."""
    length, rng = 16, np.random.default_rng(77)
    mean = 2.0 ** (round(2 * np.log2(expected)) / 2)
    found = thresholds(expected=mean, information=mean * length, overdispersion=between)
    wrong = judged = 0
    for _ in range(150):
        rate = rng.gamma(1 / between, between * mean, length + GUARD_MONTHS + 24)
        counts = rng.poisson(rate).astype(float)
        level = 0.0
        for month in range(length + GUARD_MONTHS, len(counts)):
            reference = counts[month - GUARD_MONTHS - length : month - GUARD_MONTHS]
            awaited = np.full(length, reference.mean())
            spread = np.array([[overdispersion(reference, awaited) + 1.0 / reference.sum()]])
            one, of = np.array([[counts[month]]]), np.array([[awaited[0]]])
            score = signals.scores(one, of, spread, ratio=1.5)[0, 0]
            level = max(0.0, level + min(score, 0.8 * found.rise))
            judged += 1
            if level >= found.rise:
                wrong, level = wrong + 1, 0.0
    # 0.015 a month are allowed; over 3,600 months two standard errors are 0.004, and twice that by the thresholds' own.
    assert wrong / judged == pytest.approx(0.015, abs=0.008)
    assert 0.01 < found.false_signals < 0.04


def test_the_change_point_is_where_the_likelihood_is_largest() -> None:
    observed, expected = np.array([5.0, 4, 6, 5, 11, 9, 12]), np.full(7, 5.0)
    assert change_point(observed, expected, rise=True) == 4
    assert change_point(np.array([5.0, 6, 4, 5, 1, 0, 2]), expected, rise=False) == 4


# ----------------------------------------------------------------------------------------------- labs as a whole


def test_stable_labs_see_less_than_one_false_signal_in_24_months() -> None:
    wrong, told, share = false_signals(Lab(mean=6.0, monthly_sd=0.15), 60, 5)
    # 60 labs, 24 months each: standard error about 0.1.
    assert wrong < 0.8
    assert told == pytest.approx(0.48, abs=0.1)
    assert share == 1.0


def test_a_doubling_is_seen_within_four_months() -> None:
    lab = Lab(mean=5.0, step=2.0, step_month=MONTHS - 4)
    seen, stands, off = found_within(lab, 60, 6, within=4)
    # The goal is 0.8.
    assert seen >= 0.8
    assert stands >= 0.6
    assert off <= 1.0


def test_no_signal_of_the_past_is_rewritten() -> None:
    """What is said of a month depends on it and on earlier months only: later months change nothing."""
    whole = draw(Lab(mean=9.0, step=2.0, step_month=26), np.random.default_rng(11))
    early = whole.event_month < 30
    shorter = replace(
        whole,
        months=whole.months[:30],
        observed_share=whole.observed_share[:30],
        at_risk=whole.at_risk[:30],
        event_month=whole.event_month[early],
        event_bin=whole.event_bin[early],
        event_cell=whole.event_cell[early],
        event_defect=whole.event_defect[early],
        event_count=whole.event_count[early],
    )
    long, short = judge(whole), judge(shorter)
    assert any(one.signals for one in short.months)
    for a, b in zip(long.months, short.months, strict=False):
        assert (a.returns, a.signals, a.complete) == (b.returns, b.signals, b.complete)
        assert (a.expected, a.low, a.high) == pytest.approx((b.expected, b.low, b.high), nan_ok=True)


def test_a_step_is_signalled_dated_and_said() -> None:
    counts = [5, 6, 4, 5, 5, 6, 4, 5] * 3 + [5, 13, 12, 14]
    found = judge(steady(len(counts), counts))
    assert found.since == "2022-02"
    # A month at 13 is within the limits; two of them are more than chance.
    assert found.months[25].signals == ()
    assert found.months[26].signals == (RISE,)
    assert found.sentence.startswith("More than expected, most likely since 2022-02: 39 returns in 3 months where 15.")
    # Back to usual: the signal is of the past, and nothing stands.
    assert judge(steady(40, counts + [5] * 12)).since is None


def test_fewer_than_expected_is_signalled_as_well() -> None:
    found = judge(steady(30, [12, 14, 13, 11, 12, 12] * 4 + [12, 3, 4, 3, 5, 2]))
    assert found.since == "2022-02"
    assert {BELOW, FALL} & set(found.months[28].signals)
    assert found.sentence.startswith("Fewer than expected")


def test_one_month_far_out_is_above_the_limit() -> None:
    found = judge(steady(24, [6, 5, 7, 6] * 5 + [6, 5, 30, 6]))
    assert ABOVE in found.months[22].signals
    assert found.months[22].high < 30


def test_months_not_entered_yet_are_shown_and_not_judged() -> None:
    counts = [6, 5, 7, 6] * 6
    calendar = steady(24, [*counts[:-2], 5, 1])
    found = judge(calendar, {"2021-11": 0.85, "2021-12": 0.3}, {"2021-11": 1.0, "2021-12": 4.2})
    *_, before, partly, hardly = found.months
    assert before.complete
    assert before.expected_late == 0.0
    assert partly.complete
    assert partly.expected == pytest.approx(0.85 * 6, rel=0.05)
    assert partly.expected_late == 1.0
    assert not hardly.complete
    assert np.isnan([hardly.expected, hardly.low, hardly.high]).all()
    assert hardly.signals == ()
    assert (hardly.returns, hardly.expected_late) == (1, 4.2)
    # Taken as complete it would be few.
    assert not np.isnan(judge(calendar).months[-1].expected)


def test_a_month_seen_in_part_is_not_judged() -> None:
    calendar = steady(24, 6)
    share = np.ones(24)
    share[-1] = 0.5
    last = judge(replace(calendar, observed_share=share)).months[-1]
    assert not last.complete
    assert np.isnan(last.expected)


@pytest.mark.parametrize(
    ("months", "returns", "missing"),
    [
        (1, 3, "The records cover 1 month; the first month that can be judged is the 13th"),
        (12, 6, "The records cover 12 months"),
        (24, 0, "There are 0 returns in the earlier months to learn from; at least 10 are needed"),
    ],
)
def test_too_little_says_what_is_missing(months: int, returns: int, missing: str) -> None:
    found = judge(steady(months, returns))
    assert not found.enough
    assert found.missing.startswith(missing)
    assert found.sentence == f"Counts only, no judgement. {found.missing}"
    assert np.isnan(found.false_alarm_months)
    assert [one.returns for one in found.months] == [returns] * months
    assert all(np.isnan(one.expected) and not one.signals for one in found.months)


def test_nothing_complete_says_so() -> None:
    found = judge(steady(13, 6), {"2021-01": 0.5})
    assert "No month with enough earlier months is complete yet" in found.missing


def test_months_with_nothing_in_service_are_not_judged() -> None:
    calendar = steady(24, 6)
    calendar.at_risk[20] = 0.0
    found = judge(calendar)
    assert np.isnan(found.months[20].expected)
    assert found.months[20].signals == ()
    assert np.isfinite(found.months[21].expected)


# ------------------------------------------------------------------------------------------------ through records


def of_rows(days: list[tuple[int, int | None]], *, months: int, disposition: str = "repaired") -> ReportMonths:
    """Delivered on a day, returned so many days later."""
    start = date(2023, 1, 1)
    end = date(2023 + (months - 1) // 12, (months - 1) % 12 + 1, 28)
    rows, returns = [], []
    for number, (delivered, after) in enumerate(days):
        day = start + timedelta(days=delivered)
        rows.append({"restoration_id": f"R{number}", "delivered_on": day.isoformat(), "clinic": f"C{number % 3}"})
        if after is not None:
            reported = min(day + timedelta(days=after), end).isoformat()
            defect = "chipping" if number % 2 else "surface"
            returns.append(
                {
                    "return_id": f"Q{number}",
                    "restoration_id": f"R{number}",
                    "reported_on": reported,
                    "defect": defect,
                    "disposition": disposition,
                }
            )
    lab = snapshot(rows, returns=returns, observed_until=end)
    tables = connect(lab)
    table = count_patterns(tables, lab.standard, observed_until=end)
    return judge_report_months(count_calendar(tables, table), table)


def test_a_lab_from_its_records() -> None:
    rng = np.random.default_rng(9)
    days = [(int(rng.integers(0, 700)), int(rng.exponential(60)) if rng.random() < 0.12 else None) for _ in range(1500)]
    found = of_rows(days, months=24)
    assert found.defects[0].defect == "all"
    assert {one.defect for one in found.defects[1:]} == {"chipping", "surface"}
    parts = [found.of(defect).months for defect in ("all", "chipping", "surface")]
    for every, chipping, surface in zip(*parts, strict=True):
        assert every.returns == chipping.returns + surface.returns
        assert max(chipping.at_risk_months, surface.at_risk_months) <= every.at_risk_months + 1e-9
    # The last month ends on the 28th of December: not over yet.
    assert not parts[0][-1].complete
    judged = [one for one in parts[0] if np.isfinite(one.expected)]
    assert len(judged) == 24 - FIRST_JUDGED - 1
    total = sum(one.expected for one in judged)
    assert sum(one.returns for one in judged) == pytest.approx(total, abs=4 * np.sqrt(total))
    rows = found.as_json()
    assert len(rows) == 3 * 24
    assert rows[0] == {
        "month": "2023-01",
        "defect": "all",
        "returns": parts[0][0].returns,
        "returns_expected_late": 0.0,
        "at_risk_months": parts[0][0].at_risk_months,
        "expected": None,
        "low": None,
        "high": None,
        "signals": [],
    }
    assert found.false_alarm_months < min(one.false_alarm_months for one in found.defects if one.enough)


@pytest.mark.parametrize("disposition", ["repaired", "remade"])
def test_everything_came_back(disposition: str) -> None:
    found = of_rows([(day, 3) for day in range(0, 600, 4)], months=24, disposition=disposition)
    assert found.of("all").months[0].returns > 0
    assert all(one.sentence for one in found.defects)


def test_one_restoration_no_return() -> None:
    found = of_rows([(20, None)], months=3)
    assert [one.defect for one in found.defects] == ["all"]
    assert found.of("all").missing.startswith("The records cover 3 months")
    assert found.false_alarm_months != found.false_alarm_months


def test_the_judged_months_of_the_calibration_are_those_of_the_rules() -> None:
    assert MONTHS - JUDGED == FIRST_JUDGED

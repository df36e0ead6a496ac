"""Planning a trial: its power against closed forms, published sizes and simulation; its calendar; its reading."""

from __future__ import annotations

import json
import math
from datetime import date, timedelta
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.stats import binom, binomtest

from remakes.actions.trial.design import (
    DESIGNS,
    Cells,
    Design,
    cell_numbers,
    cells_of,
    draw_weeks,
    log_ratio_variance,
    power_of,
    returns_by_age,
    weeks_of,
)
from remakes.actions.trial.lab import hazard_of, lab_spread, miss_share
from remakes.actions.trial.plan import TrialPlan, plan_trial
from remakes.actions.trial.ratio import exact_rate_ratio, lower_tails, shared_rate_ratio
from remakes.actions.trial.reading import read_trial
from remakes.actions.trial.simulation import simulated_p
from remakes.counts.table import BIN_EDGES, DAYS_PER_MONTH, PatternTable
from remakes.deviations.detect import NOT_APPLICABLE
from remakes.errors import TableError
from remakes.evidence.tables.two_groups import power_two_proportions, sample_size_two_proportions
from tests.evidence.test_findings import counted
from tests.labs import snapshot
from tests.planted import planted_lab
from tests.published.cases import published

HAZARD = np.array([0.004, 0.004, 0.003, 0.0025, 0.002, 0.0015, 0.001])
SHARES = np.array([0.3, 0.25, 0.25, 0.2])


@cache
def lab() -> PatternTable:
    return counted(planted_lab(1))


def planned(**changed: object) -> TrialPlan:
    asked: dict[str, object] = {"factor": "bond_wait", "defects": ["debonding"], "effect": 0.5}
    return plan_trial(lab(), **(asked | changed))  # type: ignore[arg-type]  # several kinds in one list


def two(without: float, with_action: float) -> Cells:
    return Cells(
        stratum=np.zeros(2, dtype=np.intp),
        unit=np.zeros(2, dtype=np.intp),
        with_action=np.array([False, True]),
        expected=np.array([without, with_action]),
    )


# The time it takes to come back


def test_returns_by_age_add_up_the_bins() -> None:
    # Seven months: one, one, two and three months of the first four bins.
    assert returns_by_age(HAZARD, np.array(7.0)) == pytest.approx(0.004 + 0.004 + 2 * 0.003 + 3 * 0.0025)
    assert returns_by_age(HAZARD, np.array([-3.0, 0.0, 0.5])) == pytest.approx([0.0, 0.0, 0.002])
    beyond = float(returns_by_age(HAZARD, np.array(BIN_EDGES[-1] + 10.0)))
    assert beyond - float(returns_by_age(HAZARD, np.array(float(BIN_EDGES[-1])))) == pytest.approx(0.01)


@given(st.floats(0, 60), st.floats(0, 60))
def test_an_older_restoration_has_given_no_fewer_returns(one: float, other: float) -> None:
    young, old = returns_by_age(HAZARD, np.array(sorted((one, other))))
    assert young <= old


def test_young_restorations_count_for_little() -> None:
    # Constant hazard h, n a week, T weeks: n h sum of ages, a triangle.
    h, weeks = 0.01, 52
    cells = cells_of(
        "alternate weeks",
        draw_weeks("alternate weeks", groups=1, weeks=weeks, rng=np.random.default_rng(0)),
        shares=np.ones(1),
        per_week=10.0,
        hazard=np.full(len(BIN_EDGES), h),
    )
    triangle = 10.0 * h * weeks**2 / 2 * 7 / DAYS_PER_MONTH
    assert cells.expected.sum() == pytest.approx(triangle, rel=1e-9)


# Power and size


def test_power_is_that_of_two_shares_where_returns_are_rare() -> None:
    for p1, effect, n in ((0.02, 0.5, 3000), (0.01, 0.3, 20000), (0.005, 0.7, 5000)):
        p2 = p1 * (1 - effect)
        known = power_two_proportions(p1=p1, p2=p2, n_per_group=n, alpha=0.10)
        variance = log_ratio_variance(two(n * p1, n * p1), effect=effect, unit_sd=0.0)
        # On the log scale a rare side is a little less certain than on the scale of shares: never optimistic.
        assert known - 0.035 < power_of(variance, effect=effect, error=0.05) < known + 0.005


@pytest.mark.parametrize("name", ["P-j2", "P-j3"])
def test_the_misses_are_planned_by_the_published_sizes(name: str) -> None:
    case = published(name)
    question = {key: case.data[key] for key in ("p1", "p2", "alpha", "power")}
    plain = sample_size_two_proportions(**question)
    case.check(n_fleiss_uncorrected=plain, n_fleiss_corrected=sample_size_two_proportions(**question, continuity=True))
    # The same fall asked of the planner, whose error rate is one-sided: miss share p2, of which a part is removed.
    low, high = sorted((question["p1"], question["p2"]))
    plan = planned(
        miss_share_now=high,
        removes=1 - low / high,
        error=question["alpha"] / 2,
        power=question["power"],
        restorations_per_month=100.0,
    )
    reference = sample_size_two_proportions(**(question | {"p1": high, "p2": low}), continuity=True)
    assert plan.restorations_to_see_misses == 2 * math.ceil(reference)
    case.check(n_fleiss_uncorrected=power_gives_back(question, plain))
    assert plan.weeks_to_see_misses == pytest.approx(plan.restorations_to_see_misses / 100.0 * DAYS_PER_MONTH / 7.0)


def power_gives_back(question: dict[str, float], size: float) -> float:
    """The size whose power is the one asked for."""

    def short(n: float) -> float:
        found = power_two_proportions(p1=question["p1"], p2=question["p2"], n_per_group=n, alpha=question["alpha"])
        return found - question["power"]

    return float(brentq(short, size / 4, size * 4, xtol=1e-9))


def test_power_of_the_published_case_for_the_share_of_misses() -> None:
    case = published("P-j1")
    question = {name: case.data[name] for name in ("p1", "p2", "n_per_group", "alpha")}
    case.check(power_power_prop_test=power_two_proportions(**question))


@pytest.mark.parametrize("design", DESIGNS)
def test_simulation_of_the_very_design_agrees(design: Design) -> None:
    """The formula against the design's own reading; with no effect, the error rate."""
    rng = np.random.default_rng(7)
    weeks = draw_weeks(design, groups=4, weeks=weeks_of(18), rng=rng)
    cells = cells_of(design, weeks, shares=SHARES, per_week=47.0, hazard=HAZARD, before=np.full(8, 15.0))
    sd = 0.0 if design == "alternate weeks" else 0.2
    aim = power_of(log_ratio_variance(cells, effect=0.5, unit_sd=sd, spread=1.05), effect=0.5, error=0.05)
    with_it, none = (
        simulated_p(cells, design, effect=effect, unit_sd=sd, spread=1.05, trials=1000, rng=rng)
        for effect in (0.5, 0.0)
    )
    assert (with_it < 0.05).mean() == pytest.approx(aim, abs=0.06)
    assert 0.02 <= (none < 0.05).mean() <= 0.085


def test_a_technicians_spread_costs_the_staggered_start_and_not_the_alternate_weeks() -> None:
    rng = np.random.default_rng(3)
    designs: tuple[tuple[Design, bool], ...] = (("alternate weeks", False), ("staggered", True))
    for design, costs in designs:
        cells = cells_of(
            design,
            draw_weeks(design, groups=4, weeks=52, rng=rng),
            shares=SHARES,
            per_week=47.0,
            hazard=HAZARD,
        )
        plain, spread = (log_ratio_variance(cells, effect=0.5, unit_sd=sd) for sd in (0.0, 0.4))
        if costs:
            assert spread > 1.2 * plain
        else:
            # Each group is its own control, so even a spread told to the formula cancels.
            assert spread == pytest.approx(plain, rel=1e-6)


def test_quarters_that_differ_set_a_floor_that_no_length_goes_below() -> None:
    def variance(quarters: int) -> float:
        weeks = np.ones((1, 13 * quarters), dtype=np.bool_)
        cells = cells_of(
            "before and after",
            weeks,
            shares=np.ones(1),
            per_week=1e6,
            hazard=HAZARD,
            before=np.full(8, 1e6),
        )
        return log_ratio_variance(cells, effect=0.5, unit_sd=0.3)

    # With returns without number only the chance of quarters is left: sd^2 (1 / before + 1 / after).
    assert variance(4) == pytest.approx(0.3**2 * (1 / 8 + 1 / 4), rel=1e-3)
    assert variance(8) > 0.3**2 / 8


def test_nothing_to_compare_has_no_power() -> None:
    alone = Cells(
        stratum=np.zeros(1, dtype=np.intp),
        unit=np.zeros(1, dtype=np.intp),
        with_action=np.ones(1, dtype=np.bool_),
        expected=np.ones(1),
    )
    assert power_of(log_ratio_variance(alone, effect=0.5, unit_sd=0.0), effect=0.5, error=0.05) == 0.0


# The calendar


@given(st.integers(1, 6), st.integers(2, 60), st.integers(0, 50))
@settings(max_examples=60, deadline=None)
def test_alternate_weeks_are_balanced(groups: int, weeks: int, seed: int) -> None:
    drawn = draw_weeks("alternate weeks", groups=groups, weeks=weeks, rng=np.random.default_rng(seed))
    whole = drawn[:, : weeks // 2 * 2]
    # Each group has one of every two weeks, and in each week half of the groups, give or take the odd one, has it.
    assert (whole.reshape(groups, -1, 2).sum(axis=2) == 1).all()
    if groups > 1:
        assert (np.abs(2 * drawn.sum(axis=0) - groups) <= groups % 2).all()
    again = draw_weeks("alternate weeks", groups=groups, weeks=weeks, rng=np.random.default_rng(seed))
    assert np.array_equal(drawn, again)


@given(st.integers(2, 5), st.integers(20, 110), st.integers(0, 50))
@settings(max_examples=60, deadline=None)
def test_a_staggered_start_is_never_taken_back_and_never_shared(groups: int, weeks: int, seed: int) -> None:
    drawn = draw_weeks("staggered", groups=groups, weeks=weeks, rng=np.random.default_rng(seed))
    assert (np.diff(drawn.astype(int), axis=1) >= 0).all()
    starts = drawn.argmax(axis=1)
    assert len(set(starts)) == groups
    assert not drawn[:, 0].any()
    assert drawn[:, -1].all()


def test_the_calendar_covers_every_group_from_the_first_monday_on() -> None:
    plan = planned(effect=0.7)
    assert plan.months is not None
    assert plan.starts_on.weekday() == 0
    assert plan.starts_on > lab().observed_until
    assert {code for group in plan.groups for code in group.technicians} == {"T01", "T02"}
    assert sum(group.share for group in plan.groups) == pytest.approx(1.0)
    for group in plan.groups:
        spans = [span for span in plan.calendar if span.group == group.name]
        assert spans[0].begins == plan.starts_on
        for one, after in pairwise(spans):
            assert after.begins == one.ends + timedelta(days=1)
            assert after.with_action != one.with_action
        assert (spans[-1].ends - plan.starts_on).days + 1 == 7 * weeks_of(plan.months)


# The plan


def test_a_longer_trial_and_a_larger_fall_show_more() -> None:
    plan = planned()
    power = {(one.effect, one.months): one.power for one in plan.table}
    for effect, months in power:
        assert power[effect, months] <= power.get((effect, 24), 1.0) + 0.02
        assert power[effect, months] <= power.get((0.7, months), 1.0) + 1e-9
    by_effect = [one.months or 99 for one in plan.needed]
    assert by_effect == sorted(by_effect, reverse=True)
    assert [one.effect for one in plan.needed] == [0.3, 0.5, 0.7]


def test_more_returns_make_it_shorter_and_the_simulation_bears_it_out() -> None:
    slow, fast = planned(effect=0.7), planned(effect=0.7, restorations_per_month=600.0)
    assert slow.months is not None
    assert fast.months is not None
    assert fast.months < slow.months
    for plan in (slow, fast):
        assert plan.power_simulated.high >= plan.power - 0.03
        assert "takes about" in plan.sentence
        assert plan.restorations == pytest.approx(plan.restorations_per_month * (plan.months or 0))


def test_what_cannot_be_had_within_two_years_is_said() -> None:
    plan = planned(effect=0.1, restorations_per_month=40.0)
    assert plan.months is None
    assert plan.calendar == ()
    assert "cannot be told in this lab within two years" in plan.sentence
    assert "log it together with other actions, or watch the miss share" in plan.sentence
    assert math.isnan(plan.restorations)
    assert json.loads(json.dumps(plan.as_json(), allow_nan=False))["months"] is None
    with pytest.raises(TableError, match="no calendar"):
        read_trial(plan, delivered_on=[], technician=[], returns=[], read_on=plan.starts_on)


def test_an_effect_beyond_what_the_misses_could_carry_is_named() -> None:
    assert any("could not spare 50%" in caution for caution in planned(removes=0.4).cautions)
    plan = planned(effect=0.3, removes=0.9, miss_share_now=0.15)
    m, ratio = 0.15, plan.risk_ratio_needed
    # Closed form: returns with all misses against returns with nine tenths of them removed.
    assert 1 - (1 + 0.1 * m * (ratio - 1)) / (1 + m * (ratio - 1)) == pytest.approx(0.3)
    assert any(f"{ratio:.1f} times as often" in caution for caution in plan.cautions)


def test_the_design_effect_and_its_spread_come_from_the_lab() -> None:
    technician, quarter = lab_spread(lab(), ["debonding"])
    staggered, alternate, later = (
        planned(design=design) for design in ("staggered", "alternate weeks", "before and after")
    )
    assert staggered.technician_sd == pytest.approx(technician, rel=0.2)
    assert later.unit_sd == later.quarter_sd == pytest.approx(quarter, rel=0.2)
    assert alternate.unit_sd == 0.0
    assert 1.0 <= alternate.design_effect < 1.05
    assert staggered.design_effect > alternate.design_effect
    assert f"{staggered.technician_sd:.2f}" in staggered.how_read
    assert any("whatever else changed" in caution for caution in later.cautions)
    assert all(math.isnan(one) for one in lab_spread(lab(), ["nothing"] * 0))


def test_pace_and_hazard_are_the_labs_own() -> None:
    table = lab()
    rows = table.status_of("bond_wait") != NOT_APPLICABLE
    hazard = hazard_of(table, rows, ["debonding"])
    at_risk, events = table.events_of("debonding")
    assert hazard[3] == pytest.approx(events[:, 3].sum() / at_risk[:, 3].sum())
    # Nobody is older than two years: the hazard of the age before stands in.
    assert at_risk[:, 6].sum() == 0
    assert hazard[6] == hazard[5] > 0
    assert miss_share(table, "bond_wait") == pytest.approx(0.15, abs=0.02)
    assert planned().hazard == pytest.approx(tuple(hazard))


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"defects": []}, "only 0 of the restorations"),
        ({"defects": ["never seen"]}, "never seen"),
        ({"restorations_per_month": 0.0}, "no restoration a month"),
        ({"hazard": np.zeros(len(BIN_EDGES))}, "no restoration a month"),
    ],
)
def test_what_is_missing_is_said_and_no_figure_given(changed: dict[str, object], says: str) -> None:
    plan = planned(**changed)
    assert says in plan.sentence
    assert plan.table == ()
    assert math.isnan(plan.returns_per_month)
    json.dumps(plan.as_json(), allow_nan=False)


def test_tiny_labs_are_planned_or_refused_in_words() -> None:
    back = {"defect": "debonding", "reported_on": "2024-03-01"}
    few = snapshot(
        [{"restoration_id": f"R{k}"} for k in range(20)],
        [],
        [{"return_id": f"Q{k}", "restoration_id": f"R{k}", **back} for k in range(12)],
    )
    table = counted(few)
    assert (
        "two technicians" in plan_trial(table, factor="bond_wait", defects=["debonding"], design="staggered").sentence
    )
    # Nothing recorded, one technician, more than half returned, one day of deliveries: legal, and no more than that.
    for design in ("alternate weeks", "before and after"):
        plan = plan_trial(table, factor="bond_wait", defects=["debonding"], design=design)
        assert math.isnan(plan.weeks_to_see_misses)
        assert plan.sentence
    assert "applies to none" in plan_trial(table, factor="cleaning", defects=["debonding"]).sentence


@pytest.mark.parametrize(
    "changed",
    [
        {"factor": "nowhere"},
        {"effect": 0.0},
        {"effect": 1.0},
        {"removes": 0.0},
        {"power": 1.0},
        {"error": 0.5},
        {"months_max": 0},
        {"design": "whenever"},
    ],
)
def test_impossible_questions_are_refused(changed: dict[str, object]) -> None:
    with pytest.raises(TableError, match=r"Need|name"):
        planned(**changed)


# Reading it


def test_one_stratum_is_the_binomial_given_the_sum() -> None:
    """Two counts given their sum: the exact binomial, worked out by another program."""
    seen, other, odds = 4, 13, 0.8
    found = exact_rate_ratio(two(10.0, 10.0 * odds), np.array([other, seen]))
    total = seen + other

    def lower(ratio: float) -> float:
        p = ratio * odds / (1 + ratio * odds)
        return float(binom.cdf(seen - 1, total, p) + binom.pmf(seen, total, p) / 2)

    assert found.ratio.estimate == pytest.approx(seen / other / odds)
    assert found.ratio.low == pytest.approx(brentq(lambda r: lower(r) - 0.975, 1e-6, 50), rel=1e-6)
    assert found.ratio.high == pytest.approx(brentq(lambda r: lower(r) - 0.025, 1e-6, 50), rel=1e-6)
    assert found.p_fewer == pytest.approx(lower(1.0))
    # The plain exact interval, which counts the whole of the observed term twice, is wider.
    plain = binomtest(seen, total).proportion_ci(method="exact")
    assert plain.low / (1 - plain.low) / odds < found.ratio.low
    assert found.ratio.high < plain.high / (1 - plain.high) / odds


def test_sums_over_strata_are_those_of_every_combination() -> None:
    totals, share = np.array([[3, 2, 4]]), np.array([0.2, 0.5, 0.7])
    sums = np.zeros(10)
    for a in range(4):
        for b in range(3):
            for c in range(5):
                sums[a + b + c] += binom.pmf(a, 3, 0.2) * binom.pmf(b, 2, 0.5) * binom.pmf(c, 4, 0.7)
    for seen in range(10):
        expected = sums[:seen].sum() + sums[seen] / 2
        assert lower_tails(totals, share, np.array([seen]))[0] == pytest.approx(expected)


def test_open_ends() -> None:
    none = exact_rate_ratio(two(8.0, 8.0), np.array([6, 0]))
    assert (none.ratio.estimate, none.ratio.low) == (0.0, 0.0)
    assert 0 < none.ratio.high < 1
    every = exact_rate_ratio(two(8.0, 8.0), np.array([0, 6]))
    assert math.isinf(every.ratio.estimate)
    assert math.isinf(every.ratio.high)
    assert every.ratio.low > 1
    nothing = exact_rate_ratio(two(8.0, 8.0), np.array([0, 0]))
    assert math.isnan(nothing.ratio.estimate)
    assert math.isnan(shared_rate_ratio(two(8.0, 8.0), np.array([0, 0]), unit_sd=0.2).p_fewer)
    shared = shared_rate_ratio(two(8.0, 8.0), np.array([6, 0]), unit_sd=0.2)
    assert shared.ratio.low == 0.0
    assert shared.ratio.high < 1.5


def test_units_that_do_not_differ_leave_the_profile_of_two_counts() -> None:
    """With hardly any spread between units, the profile interval is that of a binomial proportion by likelihood."""
    seen, other = 20, 40
    found = shared_rate_ratio(two(50.0, 50.0), np.array([other, seen]), unit_sd=1e-3)

    def slack(ratio: float) -> float:
        def loglik(r: float) -> float:
            return seen * math.log(r / (1 + r)) - other * math.log(1 + r)

        return 2 * (loglik(seen / other) - loglik(ratio)) - 3.841458820694124

    assert found.ratio.estimate == pytest.approx(0.5, rel=1e-3)
    assert found.ratio.low == pytest.approx(brentq(slack, 0.05, 0.5), rel=3e-3)
    assert found.ratio.high == pytest.approx(brentq(slack, 0.5, 5.0), rel=3e-3)


@given(st.lists(st.integers(0, 9), min_size=8, max_size=8))
@settings(max_examples=12, deadline=None)
def test_swapping_sides_turns_the_ratio_over(counts: list[int]) -> None:
    stratum, action = np.repeat(np.arange(4), 2), np.tile([False, True], 4)
    cells, _place = cell_numbers(stratum, np.zeros(8, dtype=np.intp), action, np.full(8, 5.0))
    there = exact_rate_ratio(cells, np.array(counts))
    back = exact_rate_ratio(cells, np.array(counts).reshape(4, 2)[:, ::-1].ravel())
    if math.isfinite(there.ratio.estimate) and there.ratio.estimate > 0:
        assert there.ratio.estimate * back.ratio.estimate == pytest.approx(1.0, rel=1e-6)
        assert there.ratio.low * back.ratio.high == pytest.approx(1.0, rel=1e-6)
        assert there.p_fewer + back.p_fewer == pytest.approx(1.0)
        assert there.ratio.low <= there.ratio.estimate <= there.ratio.high


@pytest.mark.parametrize("design", DESIGNS)
def test_a_trial_run_as_planned_is_read_as_planned(design: Design) -> None:
    plan = planned(design=design, effect=0.6, restorations_per_month=1500.0, months_max=18)
    assert plan.months is not None
    end = plan.calendar[-1].ends
    first = plan.starts_on - timedelta(days=500 if design == "before and after" else 0)
    rng = np.random.default_rng(11)
    days = [first + timedelta(days=int(day)) for day in rng.integers(0, (end - first).days + 1, 4000)]
    who = [("T01", "T02")[k % 2] for k in range(len(days))]
    where = {code: group.name for group in plan.groups for code in group.technicians}
    with_it = {
        (span.group, span.begins + timedelta(days=k))
        for span in plan.calendar
        if span.with_action
        for k in range((span.ends - span.begins).days + 1)
    }
    acted = np.array([(where[w], d) in with_it for d, w in zip(days, who, strict=True)])
    age = np.array([(end - day).days for day in days]) / DAYS_PER_MONTH
    chance = 8 * returns_by_age(np.array(plan.hazard), age) * np.where(acted, 0.4, 1.0)
    back = rng.random(len(days)) < chance
    found = read_trial(plan, delivered_on=days, technician=who, returns=back.astype(int).tolist(), read_on=end)
    assert found.left_out == 0
    assert found.restorations == (int(acted.sum()), int((~acted).sum()))
    assert sum(found.returns) == int(back.sum())
    assert found.ratio.low < 0.4 < found.ratio.high
    assert found.shown
    assert found.sentence.startswith("Fewer returns go with the action")
    json.dumps(found.as_json(), allow_nan=False)
    # A stranger, and a delivery after the end, have no place in it.
    more = read_trial(
        plan,
        delivered_on=[*days, plan.starts_on, end + timedelta(days=9)],
        technician=[*who, "T99", "T01"],
        returns=[*back.astype(int).tolist(), 1, 1],
        read_on=end,
    )
    assert more.left_out == 2
    assert more.ratio == found.ratio


def test_a_reading_with_nothing_in_it_says_so() -> None:
    plan = planned(effect=0.7)
    found = read_trial(plan, delivered_on=[], technician=[], returns=[], read_on=date(2027, 1, 1))
    assert "cannot be read" in found.sentence
    one_side = read_trial(
        plan, delivered_on=[plan.starts_on], technician=["T01"], returns=[1], read_on=plan.calendar[-1].ends
    )
    assert "cannot be read" in one_side.sentence
    with pytest.raises(TableError, match="one of each"):
        read_trial(plan, delivered_on=[plan.starts_on], technician=[], returns=[], read_on=plan.starts_on)

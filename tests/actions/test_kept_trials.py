"""A trial that is kept: it comes back to the last digit, is counted as planned, and tells nothing before its end."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from remakes import flow
from remakes.actions.trial.calendar import Group, Span
from remakes.actions.trial.design import DESIGNS
from remakes.actions.trial.figures import TrialLength, TrialPlan, TrialPower
from remakes.actions.trial.plan import plan_trial
from remakes.actions.trial.reading import read_trial
from remakes.actions.trial.standing import trial_so_far
from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.counts.table import PatternTable
from remakes.counts.trial_counts import TrialCounts, count_trial
from remakes.errors import EntryError, TableError
from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.flow.records import set_observed_until
from remakes.records.snapshot import take_snapshot
from remakes.records.store import Store, open_store
from remakes.records.trial_plans import keep_plan, list_plans, load_plan
from tests.evidence.test_findings import counted
from tests.planted import planted_lab
from tests.views.lab import build_clear_lab

STARTS = date(2025, 3, 3)

finite = st.floats(allow_nan=False, allow_infinity=False)
figures = st.floats(allow_nan=True, allow_infinity=False)
days = st.dates(min_value=date(2000, 1, 1), max_value=date(2100, 1, 1))
texts = st.text(max_size=8)
plans = st.builds(
    TrialPlan,
    factor=texts,
    defects=st.lists(texts, max_size=3).map(tuple),
    design=st.sampled_from(DESIGNS),
    effect=finite,
    error=finite,
    power=finite,
    months_max=st.integers(1, 60),
    starts_on=days,
    restorations_per_month=figures,
    months=st.none() | st.integers(1, 60),
    risk_ratio_needed=st.floats(),
    restorations_to_see_misses=st.sampled_from([float("inf"), float("nan"), 7.5]),
    power_simulated=st.just(UNKNOWN) | st.builds(Estimate, finite, finite, finite),
    needed=st.lists(
        st.builds(TrialLength, effect=finite, months=st.none() | st.integers(1, 60), restorations=figures), max_size=2
    ).map(tuple),
    table=st.lists(
        st.builds(
            TrialPower,
            effect=finite,
            months=st.integers(1, 60),
            restorations=finite,
            returns=finite,
            power=finite,
        ),
        max_size=2,
    ).map(tuple),
    hazard=st.lists(finite, max_size=3).map(tuple),
    groups=st.lists(
        st.builds(
            Group, name=texts, technicians=st.lists(texts, max_size=2).map(tuple), share=finite, sd_factor=finite
        ),
        max_size=2,
    ).map(tuple),
    calendar=st.lists(st.builds(Span, group=texts, begins=days, ends=days, with_action=st.booleans()), max_size=2).map(
        tuple
    ),
    log=st.lists(texts, max_size=2).map(tuple),
    how_read=texts,
    cautions=st.lists(texts, max_size=2).map(tuple),
    # With it the sentence does not ask for figures that make no sense together.
    missing=st.just("something"),
)


@settings(deadline=None, max_examples=30)
@given(plan=plans.filter(lambda one: one.risk_ratio_needed > -1e300 or one.risk_ratio_needed != one.risk_ratio_needed))
def test_a_plan_comes_back_from_json_to_the_last_digit(plan: TrialPlan) -> None:
    text = json.dumps(plan.as_json(), allow_nan=False)
    # Not by ==, since nan differs from itself; what is written tells every digit.
    assert repr(TrialPlan.from_json(json.loads(text))) == repr(plan)


@cache
def planted_table() -> PatternTable:
    return counted(planted_lab(1))


@cache
def planned() -> TrialPlan:
    return plan_trial(planted_table(), factor="bond_wait", defects=["debonding"], effect=0.7)


def test_a_plan_that_was_worked_out_reads_alike_after_it_was_kept() -> None:
    plan = planned()
    again = TrialPlan.from_json(json.loads(json.dumps(plan.as_json())))
    assert plan.ends_on is not None
    days_of = [plan.starts_on + timedelta(days=3 * k) for k in range(200)]
    day_of = [one for one in days_of if one <= plan.ends_on]
    who = [("T01", "T02", "T03", "T04")[k % 4] for k in range(len(day_of))]
    back = [int(k % 5 == 0) for k in range(len(day_of))]
    first, second = (
        read_trial(one, delivered_on=day_of, technician=who, returns=back, read_on=plan.ends_on)
        for one in (plan, again)
    )
    assert repr(first.ratio) == repr(second.ratio)
    assert first.as_json() == second.as_json()


def calendar_plan(**changed: Any) -> TrialPlan:
    """Two benches, two weeks each way."""
    spans = [("A", 0, 6, True), ("A", 7, 13, False), ("B", 0, 6, False), ("B", 7, 13, True)]
    plan = TrialPlan(
        factor="bond_wait",
        defects=("debonding",),
        design="alternate weeks",
        effect=0.5,
        error=0.05,
        power=0.8,
        months_max=24,
        starts_on=STARTS,
        hazard=(0.01,) * 7,
        groups=tuple(Group(name=n, technicians=(t,), share=0.5, sd_factor=1.0) for n, t in (("A", "T1"), ("B", "T2"))),
        calendar=tuple(
            Span(group=g, begins=STARTS + timedelta(days=a), ends=STARTS + timedelta(days=z), with_action=w)
            for g, a, z, w in spans
        ),
    )
    return replace(plan, **changed)


def test_the_log_is_told_by_month_and_side_and_returns_of_both_sides_together() -> None:
    plan = calendar_plan(starts_on=date(2025, 3, 24))
    plan = replace(
        plan,
        calendar=tuple(
            replace(one, begins=one.begins + timedelta(21), ends=one.ends + timedelta(21)) for one in plan.calendar
        ),
    )
    rows = [
        ("T1", date(2025, 3, 23), True, 1),  # before the trial
        ("T1", date(2025, 3, 24), True, 1),  # with
        ("T1", date(2025, 3, 31), False, 0),  # without, last of March
        ("T2", date(2025, 3, 31), False, 2),  # with
        ("T2", date(2025, 4, 1), True, 0),  # with
        ("T9", date(2025, 4, 1), True, 1),  # nobody the calendar knows
        ("T2", date(2025, 4, 7), False, 1),  # after the end
    ]
    who, day, recorded, back = zip(*rows, strict=True)
    found = trial_so_far(
        plan, delivered_on=day, technician=who, recorded=recorded, returns=back, counted_until=date(2025, 5, 1)
    )
    assert (found.counted_until, found.restorations, found.returns, found.left_out) == (date(2025, 4, 6), (3, 1), 3, 1)
    assert [(one.month, one.restorations, one.not_recorded) for one in found.months] == [
        ("2025-03", (2, 1), (1, 1)),
        ("2025-04", (1, 0), (0, 0)),
    ]
    assert found.months[0].share_not_recorded == pytest.approx(2 / 3)
    told = json.dumps(found.as_json())
    # Returns by side would give the difference away.
    assert '"returns": 3' in told
    early = trial_so_far(
        plan, delivered_on=day, technician=who, recorded=recorded, returns=back, counted_until=date(2025, 3, 30)
    )
    assert (early.restorations, early.returns) == ((1, 0), 1)
    with pytest.raises(TableError, match="no calendar"):
        trial_so_far(
            replace(plan, calendar=()),
            delivered_on=day,
            technician=who,
            recorded=recorded,
            returns=back,
            counted_until=date(2025, 5, 1),
        )


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """A lab of 500 restorations in 2025, returns complete to the end of October 2026."""
    store = open_store(str(build_clear_lab(tmp_path_factory.mktemp("trial"))))
    yield store
    store.close()


def counts_of(store: Store, until: date) -> TrialCounts:
    snapshot = take_snapshot(store)
    tables = connect(snapshot)
    table = count_patterns(tables, snapshot.standard, observed_until=until)
    return count_trial(tables, table, factor="bond_wait", defects=["debonding", "chipping"])


def test_counts_are_those_of_the_lists(lab: Store) -> None:
    until = date(2025, 8, 1)
    found, snapshot = counts_of(lab, until), take_snapshot(lab)
    made = [one for one in snapshot.restorations.to_pylist() if one["delivered_on"] <= "2025-08-01"]
    made.sort(key=lambda one: one["restoration_id"])
    assert [one["delivered_on"] for one in made] == [day.isoformat() for day in found.delivered_on]
    assert [one["technician"] for one in made] == list(found.technician)
    back = {
        (one["restoration_id"], one["defect"])
        for one in snapshot.returns.to_pylist()
        if one["reported_on"] <= "2025-08-01"
    }
    known = {one["restoration_id"] for one in made}
    assert sum(found.returns) == sum(name in known for name, _ in back) > 5
    assert all(found.recorded)
    table = planted_table()
    with pytest.raises(TableError, match="names no pressing"):
        count_trial(connect(snapshot), table, factor="pressing", defects=["debonding"])


@pytest.fixture(scope="module")
def plan(lab: Store) -> TrialPlan:
    """A trial of the months that the lab's records hold."""
    snapshot = take_snapshot(lab)
    table = count_patterns(connect(snapshot), snapshot.standard, observed_until=date(2026, 10, 31))
    return plan_trial(table, factor="bond_wait", defects=["debonding"], effect=0.9, starts_on=STARTS)


def kept(store: Store, plan: TrialPlan) -> int:
    assert plan.months is not None
    title = f"Timer {len(list_plans(store)) + 1}"
    return keep_plan(store, plan, title, "manager M1", today=date(2025, 3, 1)).plan_id


def test_before_its_end_a_trial_says_until_when_and_shows_no_difference(lab: Store, plan: TrialPlan) -> None:
    number = kept(lab, plan)
    ends = load_plan(lab, number).ends_on
    late = flow.read_trial_plan(lab, number, today=ends)
    assert late.reading is None
    assert late.too_early_until == ends
    assert late.sentence.startswith("Too early, until returns are entered up to ")
    assert sum(late.so_far.restorations) > 100
    assert late.as_json()["reading"] is None
    assert flow.read_trial_plan(lab, number, today=ends + timedelta(days=1)).reading is not None
    with pytest.raises(EntryError, match="Too early"):
        flow.keep_trial_reading(lab, number, who="manager M1", version=1, today=ends)
    assert load_plan(lab, number).reading is None


def test_records_that_do_not_reach_the_end_are_too_early_whatever_the_day(lab: Store, plan: TrialPlan) -> None:
    number = kept(lab, plan)
    set_observed_until(lab, date(2025, 4, 30), who="quality Q1")
    try:
        found = flow.read_trial_plan(lab, number, today=date(2026, 12, 1))
        assert found.reading is None
        assert found.so_far.counted_until == date(2025, 4, 30)
        assert [one.month for one in found.so_far.months] == ["2025-03", "2025-04"]
    finally:
        set_observed_until(lab, date(2026, 10, 31), who="quality Q1", today=date(2026, 12, 1))


def test_at_its_end_it_is_read_by_its_own_calendar_and_the_reading_stands(lab: Store, plan: TrialPlan) -> None:
    number = kept(lab, plan)
    one = load_plan(lab, number)
    found = flow.read_trial_plan(lab, number, today=date(2026, 12, 1))
    assert found.reading is not None
    assert found.too_early_until is None
    counts = counts_of(lab, one.ends_on)
    inside = [one.starts_on <= day <= one.ends_on for day in counts.delivered_on]
    assert sum(found.reading.restorations) == sum(inside)
    assert sum(found.reading.returns) == sum(np.array(counts.returns)[inside]) == found.so_far.returns
    # Nobody worked by this calendar, so there is nothing to be seen.
    assert found.reading.ratio.low < 1.0 < found.reading.ratio.high
    assert found.sentence == found.reading.sentence
    read = flow.keep_trial_reading(lab, number, who="manager M1", version=1, today=date(2026, 12, 1))
    assert read.reading is not None
    assert read.reading["sentence"] == found.sentence
    assert read.reading["so_far"]["returns"] == found.so_far.returns
    with pytest.raises(EntryError, match="at its end already"):
        flow.keep_trial_reading(lab, number, who="manager M1", version=2, today=date(2026, 12, 1))


def test_a_trial_begins_on_a_monday_after_today_and_after_the_records(lab: Store) -> None:
    result = flow.Analysis.__new__(flow.Analysis)
    object.__setattr__(result, "table", planted_table())
    ends = result.table.observed_until
    first = flow.trial_start(result, date(2020, 1, 1))
    assert (first.weekday(), first > ends, (first - ends).days <= 7) == (0, True, True)
    assert flow.trial_start(result, date(2031, 5, 5)) == date(2031, 5, 12)

"""Ranking of actions: overlap, costs, uncertainty, and drawing back what luck put on top."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from remakes.actions.information import worth_knowing
from remakes.actions.prepared import Prepared, prepare
from remakes.actions.ranking import RankedAction, next_measurement, rank, rank_prepared
from remakes.counts.table import PatternTable
from remakes.errors import InputError
from remakes.evidence.findings import Finding, find
from remakes.records.corrective_actions import CorrectiveAction, Costs
from tests.evidence.test_findings import counted
from tests.planted import planted_lab

TIMER = CorrectiveAction(action="timer", title="Timer", corrects={"bond_wait": 0.9}, cost_once=120.0)
REMINDER = CorrectiveAction(action="reminder", title="Reminder", corrects={"bond_wait": 0.5}, cost_once=120.0)
POLISH = CorrectiveAction(action="polish", title="Polish", corrects={"polish": 0.9}, minutes_per_restoration=2.0)
NOWHERE = CorrectiveAction(action="nowhere", title="Nowhere", corrects={"unheard_of": 0.9})
COSTS = Costs(per_minute=0.7, per_return={"debonding": 300.0}, default_per_return=100.0, currency="EUR")


@cache
def lab() -> tuple[PatternTable, tuple[Finding, ...]]:
    records = planted_lab(1)
    table = counted(records)
    return table, find(table, records.standard)


def ranked(*actions: CorrectiveAction, costs: Costs = COSTS, seed: int = 0) -> dict[str, RankedAction]:
    table, findings = lab()
    return {one.action: one for one in rank(table, findings, actions, costs, seed=seed)}


def test_the_action_on_the_planted_cause_leads_and_pays() -> None:
    result = ranked(POLISH, TIMER, NOWHERE)
    assert next(iter(result)) == "timer"
    timer = result["timer"]
    assert timer.probability_worthwhile > 0.95
    assert timer.because == (("bond_wait", "debonding"),)
    assert timer.avoided_per_month.low > 0
    polish = result["polish"]
    assert polish.net_per_month.estimate < 0
    assert polish.because == ()
    assert any("No finding stands behind" in caution for caution in polish.cautions)
    assert any("knows no unheard_of" in caution for caution in result["nowhere"].cautions)


def test_avoided_returns_are_near_those_of_the_standardized_finding() -> None:
    # With all of the misses corrected and a horizon beyond all follow-up, both ways must agree but for what the
    # common prior draws back: little, for an effect as clear as this one.
    table, _findings = lab()
    findings = find(table, planted_lab(1).standard, horizon=60)
    one = next(f for f in findings if (f.factor, f.defect) == ("bond_wait", "debonding"))
    prepared = prepare(table, findings, [replace(TIMER, corrects={"bond_wait": 1.0})], horizon=60)
    model = next(model for model in prepared.models if model.defect == "debonding")
    observed = sum(table.returns_by_pattern("debonding"))
    share = float(model.spared({"bond_wait": 1.0}).mean())
    assert share == pytest.approx(one.adjusted.avoidable.estimate / observed, rel=0.1)


def test_two_actions_on_one_factor_overlap() -> None:
    both, alone = ranked(TIMER, REMINDER), ranked(REMINDER)
    second = both["reminder"]
    assert second.rank == 2
    assert second.alone_avoided_per_month.estimate == pytest.approx(
        alone["reminder"].avoided_per_month.estimate, rel=1e-12
    )
    # What the reminder adds to the timer is little: nine tenths are corrected already.
    assert second.avoided_per_month.estimate < 0.15 * second.alone_avoided_per_month.estimate
    total = both["timer"].avoided_per_month.estimate + second.avoided_per_month.estimate
    assert second.joint_avoided_per_month.estimate == pytest.approx(total, rel=1e-9)


def test_costs_enter_the_net_value() -> None:
    timer = ranked(TIMER)["timer"]
    assert timer.cost_per_month == pytest.approx(120 / 12)
    saved = 300.0 * timer.avoided_per_month.estimate
    # Chipping, which the timer may also spare or cost, is dearer by less: the value stays near that of debonding.
    assert timer.net_per_month.estimate <= saved - 10 + 1e-9
    assert timer.net_per_month.estimate > 0.5 * saved - 10
    dear = ranked(replace(TIMER, cost_once=1e6))["timer"]
    assert dear.probability_worthwhile == 0.0
    free = ranked(TIMER, costs=Costs())["timer"]
    assert free.net_per_month.estimate == pytest.approx(-10.0)


def test_minutes_count_for_the_restorations_concerned() -> None:
    polish = ranked(POLISH)["polish"]
    assert polish.cost_per_month == pytest.approx(polish.restorations_per_month * 2.0 * 0.7)


def test_the_same_seed_gives_the_same_list() -> None:
    assert ranked(TIMER, POLISH, seed=3) == ranked(TIMER, POLISH, seed=3)
    assert ranked(TIMER, seed=3)["timer"].avoided_per_month != ranked(TIMER, seed=4)["timer"].avoided_per_month


@cache
def prepared() -> Prepared:
    table, findings = lab()
    return prepare(table, findings, (TIMER, REMINDER, POLISH, NOWHERE))


def test_prepared_draws_give_the_same_list() -> None:
    table, findings = lab()
    actions = (POLISH, TIMER, REMINDER)
    assert rank_prepared(prepare(table, findings, actions), actions, COSTS) == rank(table, findings, actions, COSTS)


def test_half_kept_up_spares_about_half() -> None:
    whole, half, none = (
        rank_prepared(prepared(), [TIMER], COSTS, kept_up={"timer": share})[0] for share in (1.0, 0.5, 0.0)
    )
    spared = whole.avoided_per_month.estimate
    # One miss a restoration is the rule here, so that returns fall in proportion.
    assert half.avoided_per_month.estimate == pytest.approx(0.5 * spared, rel=1e-6)
    assert none.avoided_per_month.estimate == pytest.approx(0.0, abs=1e-12)
    assert none.net_per_month.estimate == pytest.approx(-none.cost_per_month)
    assert none.probability_worthwhile == 0.0


def test_break_even_is_the_cost_at_which_nothing_is_left() -> None:
    timer = rank_prepared(prepared(), [TIMER], COSTS)[0]
    at = timer.break_even_cost_per_month.estimate
    assert at == pytest.approx(timer.net_per_month.estimate + timer.cost_per_month)
    dear = rank_prepared(prepared(), [replace(TIMER, cost_once=12 * at)], COSTS)[0]
    assert dear.net_per_month.estimate == pytest.approx(0.0, abs=1e-9)


def test_a_longer_horizon_spares_more_and_spreads_the_cost() -> None:
    short, long = (rank_prepared(prepared(), [TIMER], COSTS, horizon=months)[0] for months in (12, 24))
    assert long.avoided_per_month.estimate > short.avoided_per_month.estimate
    assert long.cost_per_month == pytest.approx(short.cost_per_month / 2)
    assert rank_prepared(prepared(), [TIMER], COSTS, horizon=12)[0] == short


def test_the_joint_probability_is_of_all_so_far() -> None:
    first, second = rank_prepared(prepared(), [TIMER, POLISH], COSTS)
    assert first.joint_probability_worthwhile == first.probability_worthwhile
    cost = first.cost_per_month + second.cost_per_month
    expected = first.net_per_month.estimate + second.net_per_month.estimate
    assert second.joint_net_per_month.estimate == pytest.approx(expected)
    assert second.joint_net_per_month.low <= expected <= second.joint_net_per_month.high
    assert cost > 0


def test_an_unclear_action_names_what_to_measure() -> None:
    # At a price near what it is worth nobody knows whether the timer pays.
    (timer,) = rank_prepared(prepared(), [TIMER], COSTS)
    at = timer.break_even_cost_per_month.estimate
    (dear,) = rank_prepared(prepared(), [replace(TIMER, cost_once=12 * at)], COSTS)
    assert not dear.clear
    assert dear.next_measurement is not None
    assert dear.next_measurement.factor == "bond_wait"
    assert 0 < dear.next_measurement.value_per_month <= dear.next_measurement.everything_per_month
    measures = worth_knowing(prepared(), [replace(TIMER, cost_once=12 * at)], COSTS)
    assert next_measurement([dear], measures) == dear.next_measurement
    assert timer.clear
    assert timer.next_measurement is None
    assert next_measurement([timer], measures) is None
    json.dumps([one.as_json() for one in (dear, timer)], allow_nan=False)


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"kept_up": {"timer": 1.5}}, "0 to 1"),
        ({"kept_up": {"tmier": 0.5}}, "There are: timer"),
        ({"horizon": 0}, "1 to 60"),
    ],
)
def test_an_impossible_question_is_refused_in_words(changed: dict[str, object], says: str) -> None:
    with pytest.raises(InputError, match=says):
        rank_prepared(prepared(), [TIMER], COSTS, **changed)  # type: ignore[arg-type]  # several kinds of wishes in one list


def test_an_action_on_another_factor_must_be_prepared_for() -> None:
    with pytest.raises(InputError, match="not prepared for layer"):
        rank_prepared(prepared(), [replace(TIMER, corrects={"layer": 0.5})], COSTS)


def test_without_drawing_back_the_intervals_hold_the_planted_truth() -> None:
    """90 % intervals of what an end of the misses spares, in 4 small labs; the common prior is made flat."""
    whole = replace(TIMER, corrects={"bond_wait": 1.0})
    inside = []
    for seed in range(101, 105):
        records = planted_lab(seed, restorations=900)
        table = counted(records)
        ready = prepare(table, find(table, records.standard), [whole], spreads=(100.0,))
        model = next(model for model in ready.models if model.defect == "debonding")
        spared = model.returns(12) * model.spared({"bond_wait": 1.0})
        # 15 % of the restorations, with a monthly hazard of 0.008 instead of 0.002.
        expected = 900 * 0.15 * ((1 - 0.002) ** 12 - (1 - 0.008) ** 12)
        low, high = np.quantile(spared, (0.05, 0.95))
        inside.append(low <= expected <= high)
    # Binomial(4, 0.9): 2 or fewer five times in a hundred; these four seeds hold it.
    assert sum(inside) >= 3


def test_without_actions_the_list_is_empty() -> None:
    assert ranked() == {}

"""Ranking of actions: overlap, costs, uncertainty, and drawing back what luck put on top."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from remakes.actions.effects import defect_model, shrink
from remakes.actions.ranking import RankedAction, rank
from remakes.counts.table import PatternTable
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


def test_avoided_returns_are_those_of_the_standardized_findings() -> None:
    # Unshrunken, with all of the misses corrected and a horizon beyond all follow-up, both ways must agree.
    table, _findings = lab()
    findings = find(table, planted_lab(1).standard, horizon=60)
    one = next(f for f in findings if (f.factor, f.defect) == ("bond_wait", "debonding"))
    effect = shrink(findings)[0]
    assert (effect.factor, effect.defect) == ("bond_wait", "debonding")
    exact = replace(effect, mean=math.log(one.adjusted.odds_ratio.estimate), sd=0.0)
    model = defect_model(table, "debonding", [exact], horizon=60, draws=4000, rng=np.random.default_rng(1))
    all_within = model.returns.mean()
    observed = sum(table.returns_by_pattern("debonding"))
    avoided = model.avoided({"bond_wait": 1.0}).mean() / all_within
    assert avoided == pytest.approx(one.adjusted.avoidable.estimate / observed, rel=0.1)


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


def test_shrinkage_draws_the_uncertain_most() -> None:
    _table, findings = lab()
    raw = {(f.factor, f.defect): f for f in findings if f.plausible}
    for effect in shrink(findings):
        one = raw[effect.factor, effect.defect]
        beta = math.log(one.adjusted.odds_ratio.estimate)
        assert abs(effect.mean) <= abs(beta)
        assert effect.sd <= one.adjusted.log_se
    kept = {
        (e.factor, e.defect): e.mean / math.log(raw[e.factor, e.defect].adjusted.odds_ratio.estimate)
        for e in shrink(findings)
    }
    order = sorted(kept, key=lambda pair: raw[pair].adjusted.log_se)
    assert [kept[pair] for pair in order] == sorted(kept.values(), reverse=True)


def test_shrinkage_recovers_a_known_scatter() -> None:
    """Estimates drawn around effects of known spread: the mean squared error must fall."""
    _table, findings = lab()
    model = next(f for f in findings if f.plausible and math.isfinite(f.adjusted.log_se))
    rng = np.random.default_rng(5)
    truth = rng.normal(0.0, 0.4, 60)
    errors = rng.uniform(0.2, 0.6, 60)
    estimates = truth + errors * rng.standard_normal(60)
    drawn = []
    for k, (beta, se) in enumerate(zip(estimates, errors, strict=True)):
        ratio = replace(
            model.adjusted.odds_ratio,
            estimate=math.exp(beta),
            low=math.exp(beta - 1.959964 * se),
            high=math.exp(beta + 1.959964 * se),
        )
        drawn.append(replace(model, factor=f"f{k}", adjusted=replace(model.adjusted, odds_ratio=ratio)))
    shrunken = np.array([effect.mean for effect in shrink(drawn)])
    assert np.mean((shrunken - truth) ** 2) < 0.75 * np.mean((estimates - truth) ** 2)


def test_without_actions_the_list_is_empty() -> None:
    assert ranked() == {}

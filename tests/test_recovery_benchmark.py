"""The recovery benchmark runs, its labs are what they claim, and its scores are right where the answer is known."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from remakes.actions.ranking import RankedAction
from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.counts.table import PatternTable
from remakes.evidence.estimate import Estimate
from remakes.records.snapshot import Snapshot
from tests.benchmarks.recovery.chart import picture
from tests.benchmarks.recovery.labs import Lab, draw_lab
from tests.benchmarks.recovery.methods import METHODS, Answer, Told
from tests.benchmarks.recovery.plans import Cause, Chain, Plan
from tests.benchmarks.recovery.report import results_table
from tests.benchmarks.recovery.runs import Row, read_rows, write_rows
from tests.benchmarks.recovery.scenarios import SCENARIOS, make_lab
from tests.benchmarks.recovery.scores import score, summary
from tests.benchmarks.recovery.trade import DEFECTS, NAMES
from tests.benchmarks.recovery.values import COSTS, Priced, value_scores

ONE_CAUSE = Plan(
    restorations=1500,
    returns=160,
    clinics=6,
    technicians=3,
    gaps=0.0,
    misreported=0.0,
    causes=(Cause("bond_wait", "debonding", float(np.log(8.0))),),
)


@cache
def lab() -> Lab:
    return draw_lab(ONE_CAUSE, seed=1)


@cache
def asked(method: str) -> Answer:
    return METHODS[method](lab())


@cache
def chained() -> Lab:
    chain = Chain("cleaned_dry", "bond_wait", 3.0)
    return draw_lab(replace(ONE_CAUSE, chains=(chain,)), seed=1)


def counted(records: Snapshot) -> PatternTable:
    assert records.observed_until is not None
    return count_patterns(connect(records), records.standard, observed_until=records.observed_until)


def perfect(made: Lab) -> Answer:
    """What someone would say who knows the truth."""
    told = {}
    for factor in NAMES:
        for defect in DEFECTS:
            effect = made.truth.causes.get((factor, defect), 0.0)
            ratio, spared = float(np.exp(effect)), made.truth.avoidable.get((factor, defect), 0.0)
            p = 1e-9 if effect else 1.0
            told[factor, defect] = Told(
                p=p,
                odds_ratio=ratio,
                low=ratio * 0.9,
                high=ratio * 1.1,
                avoidable=spared,
                avoidable_low=spared - 1,
                avoidable_high=spared + 1,
                grade="strong" if effect > 0 else "none",
            )
    worth = sorted(made.truth.avoidable, key=lambda pair: -made.truth.avoidable[pair])
    first = tuple(dict.fromkeys(factor for factor, _defect in worth))[:3]
    return Answer(told=told, q={pair: one.p for pair, one in told.items()}, first=first, seconds=0.0)


def test_the_records_say_what_was_drawn() -> None:
    made = lab()
    table = counted(made.hidden)
    missed, applies = made.truth.hazards.bench.missed(), made.truth.hazards.bench.applies
    counts = table.counts("bond_wait", "debonding")
    k = NAMES.index("bond_wait")
    assert (counts.missed, counts.met) == (missed[:, k].sum(), (applies & ~missed)[:, k].sum())
    assert counts.not_recorded == 0
    assert table.returns == len(made.returns.day)


def test_late_slips_deceive_the_naive_reader_and_nobody_else() -> None:
    made = draw_lab(replace(ONE_CAUSE, back_filled=0.9, back_filled_unstamped=0.0), seed=1)
    counts = counted(made.snapshot).counts("bond_wait", "debonding")
    assert counts == counted(made.hidden).counts("bond_wait", "debonding")
    returned = made.returns.restoration[made.returns.defect == DEFECTS.index("debonding")]
    assert made.logged.missed[returned, NAMES.index("bond_wait")].sum() < 0.5 * counts.returns_missed


def test_the_planned_returns_come_and_are_caused_by_the_plant() -> None:
    made = lab()
    # Poisson with mean 160: more than 4.5 standard deviations off means a wrong level.
    assert len(made.returns.day) == pytest.approx(160, abs=57)
    rows = made.returns.restoration[made.returns.defect == DEFECTS.index("debonding")]
    missed = made.truth.hazards.bench.missed()[:, NAMES.index("bond_wait")]
    assert missed[rows].mean() > 2 * missed.mean()


def test_expected_returns_agree_with_returns_drawn_many_times() -> None:
    truth = lab().truth
    hazards, bench = truth.hazards, truth.hazards.bench
    d, rng = DEFECTS.index("debonding"), np.random.default_rng(0)
    whole = np.clip(hazards.follow_up[:, None] - np.arange(12), 0.0, 1.0)
    chance = whole * hazards.monthly(bench.missed(), d, 12)
    drawn = [(rng.random(chance.shape) < chance).any(axis=1).sum() for _ in range(200)]
    expected = hazards.expected_returns()[d]
    # Removal by remakes, which the draws here leave out, takes a few percent.
    assert 0.93 * np.mean(drawn) < expected < 1.02 * np.mean(drawn)


def test_an_early_miss_is_a_cause_through_the_late_one() -> None:
    truth = chained().truth
    assert set(truth.causes) == {("cleaned_dry", "debonding"), ("bond_wait", "debonding")}
    assert 0.0 < truth.causes["cleaned_dry", "debonding"] < truth.causes["bond_wait", "debonding"]
    bench = truth.hazards.bench
    late, early = NAMES.index("bond_wait"), NAMES.index("cleaned_dry")
    spared = bench.missed()[:, late] & ~bench.missed(without=frozenset({"cleaned_dry"}))[:, late]
    assert spared.any()
    assert bench.missed()[spared, early].all()


def test_a_perfect_answer_has_a_perfect_score() -> None:
    told = summary([score(chained(), perfect(chained()))])
    assert (told.found, told.false, told.strong_false) == (1.0, 0.0, 0.0)
    assert (told.null_coverage, told.cause_coverage, told.avoidable_coverage) == (1.0, 1.0, 1.0)
    assert (told.bias, told.avoidable_error) == pytest.approx((0.0, 0.0))
    assert told.lost == pytest.approx(0.0, abs=1e-9)


def test_a_wrong_answer_is_seen() -> None:
    made, null = lab(), ("polish", "occlusion")
    answer = perfect(made)
    wrong = dict(answer.told)
    wrong[null] = Told(p=1e-6, odds_ratio=3.0, low=2.0, high=4.0, grade="strong")
    wrong["bond_wait", "debonding"] = Told(p=1e-6, odds_ratio=0.2, low=0.1, high=0.4, avoidable=-5.0)
    got = score(made, replace(answer, told=wrong, q={**answer.q, null: 1e-6}, first=("polish",)))
    assert (got.found, got.false, got.false_downwards, got.false_implausible) == (0, 2, 1, 1)
    assert (got.strong, got.strong_false) == (1, 1)
    assert (got.null_intervals - got.null_covered, got.cause_covered) == (1, 0)
    assert got.chosen == pytest.approx(0.0)
    assert got.best > 5


# The oracle is left out: on a log without gaps it is the same as the project's own method.
@pytest.mark.parametrize("method", ["chi-square", "all-in logistic", "remakes"])
def test_every_method_finds_an_obvious_cause(method: str) -> None:
    answer = asked(method)
    assert answer.q["bond_wait", "debonding"] < 0.01
    assert answer.told["bond_wait", "debonding"].odds_ratio > 3
    assert answer.first[0] == "bond_wait"


def test_every_scenario_has_a_lab_that_its_seed_decides() -> None:
    for name in ("small", "one_technician"):
        one, again, other = make_lab(name, 1), make_lab(name, 1), make_lab(name, 2)
        assert one.snapshot.process_log.equals(again.snapshot.process_log)
        assert one.returns.day.tolist() != other.returns.day.tolist()
        assert not set(one.truth.causes) & SCENARIOS[name].cannot_be_told


def test_results_survive_the_file(tmp_path: Path) -> None:
    scored = score(lab(), perfect(lab()))
    rows = [
        Row(scenario="plain", seed=1, method=method, restorations=1500, returns=160, score=scored) for method in METHODS
    ]
    write_rows(rows, tmp_path / "results.csv")
    again = read_rows(tmp_path / "results.csv")
    assert results_table(again) == results_table(rows)
    assert again[0].score.causes == 1
    titles = list(ElementTree.fromstring(picture(again)).iter("{http://www.w3.org/2000/svg}title"))
    assert len(titles) == 2 * 2 * len(METHODS)


def listed(factor: str, rank: int, *, saves: float, costs: float, joint: Estimate) -> RankedAction:
    """One place of a list, as far as its money is looked at."""
    nothing, net = Estimate(0.0, 0.0, 0.0), Estimate(saves - costs, saves - costs - 1.0, saves - costs + 1.0)
    return RankedAction(
        action=factor,
        title=factor,
        rank=rank,
        avoided_per_month=nothing,
        net_per_month=net,
        alone_avoided_per_month=nothing,
        alone_net_per_month=net,
        joint_avoided_per_month=nothing,
        joint_net_per_month=joint,
        probability_worthwhile=0.5,
        cost_per_month=costs,
        restorations_per_month=1.0,
        because=(),
        cautions=(),
    )


@pytest.mark.parametrize(("times", "covered"), [(1.0, (1, 0, 0)), (2.0, (0, 1, 0)), (0.5, (0, 0, 1))])
def test_money_is_held_against_the_returns_that_would_have_come(times: float, covered: tuple[int, int, int]) -> None:
    made, months = lab(), 20.0
    hazards = made.truth.hazards
    whole = replace(hazards, follow_up=np.full(hazards.follow_up.shape, 12.0))
    spared = whole.expected_returns() - whole.expected_returns(without=frozenset({"bond_wait"}))
    true = float(spared[DEFECTS.index("debonding")]) * COSTS.of_return("debonding") / months
    assert true > 50
    told = times * true
    joint = Estimate(told - 30.0, told - 33.0, told - 27.0)
    list_of = (
        listed("bond_wait", 1, saves=told, costs=20.0, joint=joint),
        listed("polish", 2, saves=0.0, costs=10.0, joint=joint),
    )
    got = value_scores(made.truth, Priced(ranked=list_of, months=months), first=2)
    # Spared debonding keeps a few others from being replaced before they come back with something else.
    assert got["saved_true"] == pytest.approx(true, rel=0.02)
    assert got["saved_told"] == pytest.approx(told)
    assert (got["paying"], got["paying_told"]) == (1, pytest.approx(told - 20.0))
    assert got["paying_true"] == pytest.approx(true - 20.0, rel=0.03)
    assert got["net_true"] == pytest.approx(true - 30.0, rel=0.03)
    assert (got["net_covered"], got["net_above"], got["net_below"]) == covered


def test_the_projects_own_list_has_a_price_and_a_bias() -> None:
    answer = asked("remakes")
    assert answer.priced is not None
    assert {one.action for one in answer.priced.ranked} == set(NAMES)
    assert answer.priced.ranked[0].action == "bond_wait"
    told = summary([score(lab(), answer)])
    # One lab's luck is no bias: it came back more often than its cause makes it.
    assert np.isfinite([told.saved_bias, told.paying_bias, told.net_bias]).all()
    assert told.net_coverage == 1.0
    assert np.isnan(summary([score(lab(), perfect(lab()))]).net_bias)

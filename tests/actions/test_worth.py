"""What corrections spare, against counting restoration by restoration; correlated misses told apart."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from remakes.actions.joint import JointEffects, joint_effects
from remakes.actions.worth import DefectModel, defect_model
from remakes.counts.table import Attribute, PatternTable
from remakes.evidence.findings import find
from tests.evidence.test_findings import counted
from tests.planted import planted_lab

FACTORS = ("a", "b", "c")


def table_of(status: list[tuple[int, ...]], restorations: list[int], events: int = 40) -> PatternTable:
    """Patterns with these statuses, all followed for two bins, and some returns in the first."""
    size = len(status)
    return PatternTable(
        factors=FACTORS,
        defects=("debonding",),
        status=np.array(status, dtype=np.int8),
        restorations=np.array(restorations, dtype=np.int64),
        at_risk=np.outer(restorations, [1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0]),
        attributes={"technician": Attribute(np.zeros(size, dtype=np.intp), ("T1",))},
        event_pattern=np.array([0], dtype=np.intp),
        event_defect=np.array([0], dtype=np.intp),
        event_bin=np.array([0], dtype=np.intp),
        event_count=np.array([events]),
        event_lost=np.zeros((1, 7)),
        event_early=np.array([0]),
        observed_until=date(2025, 1, 1),
        first_delivered=date(2024, 1, 1),
        last_delivered=date(2024, 12, 31),
        returns=events,
        readings={},
    )


def drawn_model(
    table: PatternTable, effects: np.ndarray, prone: np.ndarray, wanted: tuple[str, ...] = FACTORS
) -> DefectModel:
    joint = JointEffects(defect="debonding", factors=FACTORS, estimate=effects[:, 0], precision=np.eye(3), prone=prone)
    return defect_model(table, joint, effects, wanted=frozenset(wanted), rng=np.random.default_rng(0))


@cache
def example() -> tuple[PatternTable, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(7)
    table = table_of([tuple(row) for row in rng.integers(0, 4, (30, 3))], rng.integers(1, 40, 30).tolist())
    return table, rng.normal(0.5, 0.8, (3, 5)), np.exp(rng.normal(0.0, 0.5, 30))


def by_hand(model: DefectModel, corrected: dict[str, float]) -> np.ndarray:
    """Returns with the corrections, one restoration pattern after the other."""
    table, effects, prone = example()
    burden = np.zeros((2, effects.shape[1]))
    for pattern in range(table.patterns):
        for after in (0, 1):
            hazard = table.restorations[pattern] * prone[pattern] * np.ones(effects.shape[1])
            for k, factor in enumerate(FACTORS):
                share = {2: 1.0, 3: model.unrecorded[k]}.get(int(table.status[pattern, k]), 0.0)
                kept = share * (1.0 - after * corrected.get(factor, 0.0))
                hazard = hazard * (1.0 - kept + kept * np.exp(effects[k]))
            burden[after] += hazard
    return np.asarray(1.0 - burden[1] / burden[0])


@pytest.mark.parametrize(
    "corrected", [{}, {"a": 1.0}, {"b": 0.4}, {"a": 0.9, "c": 0.3}, {"a": 1.0, "b": 1.0, "c": 1.0}]
)
def test_the_share_spared_is_that_counted_one_by_one(corrected: dict[str, float]) -> None:
    model = drawn_model(*example())
    assert model.spared(corrected) == pytest.approx(by_hand(model, corrected), abs=1e-12)


def test_factors_that_no_action_touches_are_summed_away_and_still_count() -> None:
    every, short = drawn_model(*example()), drawn_model(*example(), wanted=("b",))
    assert short.factors == ("b",)
    assert len(short.codes) < len(every.codes)
    assert short.spared({"b": 0.7}) == pytest.approx(every.spared({"b": 0.7}), abs=1e-12)


shares = st.dictionaries(st.sampled_from(FACTORS), st.floats(0.0, 1.0), max_size=3)


@settings(deadline=None, max_examples=60)
@given(first=shares, second=shares)
def test_going_on_from_what_is_left_is_the_same_as_all_at_once(
    first: dict[str, float], second: dict[str, float]
) -> None:
    model = drawn_model(*example())
    both = first | second
    after = model.as_is().after(first)
    assert after.spared(both) == pytest.approx(model.spared(both), abs=1e-9)
    assert after.after(both).spared({}) == pytest.approx(model.spared(both), abs=1e-9)


@settings(deadline=None, max_examples=40)
@given(first=shares, more=st.floats(0.0, 1.0), factor=st.sampled_from(FACTORS))
def test_harmful_misses_corrected_further_spare_more(first: dict[str, float], more: float, factor: str) -> None:
    table, effects, prone = example()
    model = drawn_model(table, np.abs(effects), prone)
    larger = first | {factor: max(more, first.get(factor, 0.0))}
    assert np.all(model.spared(larger) >= model.spared(first) - 1e-12)
    assert np.all(model.spared(larger) < 1.0)
    alone = sum(model.spared({name: share}) for name, share in larger.items())
    # A restoration is spared once.
    assert np.all(model.spared(larger) <= alone + 1e-9)


def test_hard_cases_that_miss_more_have_more_to_spare() -> None:
    table = table_of([(2, 1, 1), (1, 1, 1)], [100, 100])
    effects = np.full((3, 4), np.log(3.0))
    alike, hard = (drawn_model(table, effects, np.array(prone)) for prone in ([1.0, 1.0], [2.0, 1.0]))
    # Of 4 parts of burden 2 are surplus; with twice the hazard where the miss is, of 7 parts 4.
    assert alike.spared({"a": 1.0}) == pytest.approx(2 / 4)
    assert hard.spared({"a": 1.0}) == pytest.approx(4 / 7)


def test_returns_are_drawn_around_those_seen() -> None:
    table = table_of([(1, 1, 1)], [4000], events=50)
    effects = np.zeros((3, 20000))
    model = drawn_model(table, effects, np.ones(1))
    # Within the two months all were followed: those seen and half a return; the spread is Poisson's.
    returns = model.returns(2)
    assert returns.mean() == pytest.approx(50.5, rel=0.02)
    assert returns.std() == pytest.approx(np.sqrt(50.5), rel=0.05)
    later = [float(model.returns(months).mean()) for months in (1, 2, 12, 60)]
    assert all(a <= b + 1e-9 for a, b in pairwise(later))


def test_two_misses_of_the_same_restorations_share_their_evidence() -> None:
    records = planted_lab(1)
    table = counted(records)
    findings = find(table, records.standard)
    joint = {one.defect: one for one in joint_effects(table, findings)}["debonding"]
    k = joint.factors.index("bond_wait")
    told = next(f for f in findings if (f.factor, f.defect) == ("bond_wait", "debonding"))
    se = np.sqrt(np.linalg.inv(joint.precision)[k, k])
    assert joint.estimate[k] == pytest.approx(np.log(told.adjusted.odds_ratio.estimate), abs=0.5 * se)
    assert se >= told.adjusted.log_se - 1e-9
    assert joint.prone.shape == (table.patterns,)
    assert not joint_effects(table, [replace(one, plausible=False) for one in findings])

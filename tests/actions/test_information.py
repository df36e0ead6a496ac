"""Value of information against closed forms of the normal distribution."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from remakes.actions.information import information, value_of_everything, value_of_knowing
from remakes.actions.ranking import rank
from remakes.evidence.findings import find
from remakes.records.corrective_actions import Costs
from tests.actions.test_ranking import COSTS, TIMER, lab
from tests.evidence.test_findings import counted
from tests.planted import planted_lab


def loss(mean: float, sd: float) -> float:
    """Expected value of knowing a normal net value before choosing it or nothing (Raiffa and Schlaifer 1961)."""
    z = abs(mean) / sd
    return float(sd * (np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi) - z * ndtr(-z)))


@pytest.mark.parametrize(("mean", "sd"), [(0.0, 1.0), (1.0, 2.0), (-3.0, 2.0), (5.0, 1.0)])
def test_perfect_information_on_a_normal_net_value(mean: float, sd: float) -> None:
    net = mean + sd * np.random.default_rng(0).standard_normal((1, 400_000))
    assert value_of_everything(net) == pytest.approx(loss(mean, sd), abs=0.01)


def test_the_unit_normal_loss_at_none_is_that_of_the_tables() -> None:
    assert loss(0.0, 1.0) == pytest.approx(0.3989, abs=5e-5)  # tables of the unit normal loss, from memory


@pytest.mark.parametrize("share", [0.2, 0.5, 0.9])
def test_perfect_information_on_one_of_two_parts(share: float) -> None:
    rng = np.random.default_rng(1)
    known, rest = rng.standard_normal(100_000), rng.standard_normal(100_000)
    net = (0.3 + np.sqrt(share) * known + np.sqrt(1 - share) * rest)[None, :]
    assert value_of_knowing(net, known) == pytest.approx(loss(0.3, np.sqrt(share)), abs=0.01)
    assert value_of_knowing(net, 5.0 - 3.0 * known) == pytest.approx(value_of_knowing(net, known), abs=0.01)


def test_what_has_nothing_to_do_with_it_is_worth_nothing() -> None:
    rng = np.random.default_rng(2)
    net, other = rng.standard_normal((2, 1000)), rng.standard_normal(1000)
    assert value_of_knowing(net, np.ones(1000)) == 0.0
    assert value_of_knowing(net, other) < 0.1 * value_of_everything(net)


@settings(deadline=None, max_examples=50)
@given(st.integers(0, 10_000), st.floats(-3, 3), st.floats(0.1, 3))
def test_no_part_is_worth_more_than_everything(seed: int, mean: float, slope: float) -> None:
    rng = np.random.default_rng(seed)
    known = rng.standard_normal(1000)
    net = mean + slope * known + rng.standard_normal((3, 1000))
    part, whole = value_of_knowing(net, known), value_of_everything(net)
    assert -1e-12 <= part <= whole * 1.05 + 1e-9


def test_the_open_question_is_worth_knowing_and_the_settled_one_is_not() -> None:
    table, findings = lab()
    (timer,) = rank(table, findings, [TIMER], COSTS)
    dear = replace(TIMER, cost_once=12 * timer.break_even_cost_per_month.estimate)
    (first,) = information(table, findings, [dear], COSTS)
    assert (first.factor, first.defects[0]) == ("bond_wait", "debonding")
    assert 0 < first.value_per_month <= first.everything_per_month
    assert "would be worth up to" in first.sentence
    assert "EUR a month" in first.sentence
    assert not first.log_it
    # At its own price the timer pays whatever the effect is: nothing to learn before it.
    settled = information(table, findings, [TIMER], COSTS)
    assert all(one.value_per_month < 0.01 * first.value_per_month for one in settled)
    assert information(table, findings, [TIMER], Costs()) == ()
    assert information(table, findings, [], COSTS) == ()


def test_a_reading_often_missing_is_to_be_recorded_first() -> None:
    records = planted_lab(3, gaps=0.4)
    table = counted(records)
    findings = find(table, records.standard)
    (timer,) = rank(table, findings, [TIMER], COSTS)
    dear = replace(TIMER, cost_once=12 * timer.break_even_cost_per_month.estimate)
    (one,) = information(table, findings, [dear], COSTS)
    assert one.log_it
    assert one.not_recorded == pytest.approx(0.4, abs=0.05)
    assert "record it first" in one.sentence

"""Run rules and cumulative sums signal as often as published, and the program's rules are those of the publications."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from remakes.trends.limits.cusum import SIDES, CumulativeSums
from remakes.trends.limits.run_rules import NEAR, OUTSIDE, marked
from tests.published.cases import published
from tests.trends.run_lengths import ALL_RULES, rules_run_length, sum_run_length, two_sided_run_length


def test_run_lengths_of_the_run_rules_as_published() -> None:
    of = {letters: [ALL_RULES[letter] for letter in letters] for letters in ("A", "AB", "AC", "AD", "ABCD")}
    published("P-h5").check(
        **{f"arl0_{letters}": rules_run_length(rules) for letters, rules in of.items()},
        arl_shift1_A=rules_run_length(of["A"], shift=1.0),
        arl_shift1_ABCD=rules_run_length(of["ABCD"], shift=1.0),
    )


def test_run_lengths_of_cumulative_sums_as_published() -> None:
    published("P-h7").check(
        one_sided_h4_arl0=sum_run_length(reference=0.5, threshold=4.0),
        two_sided_h4_arl0=two_sided_run_length(reference=0.5, threshold=4.0),
        two_sided_h4_shift1=two_sided_run_length(reference=0.5, threshold=4.0, shift=1.0),
        two_sided_h5_arl0=two_sided_run_length(reference=0.5, threshold=5.0),
        two_sided_h5_shift1=two_sided_run_length(reference=0.5, threshold=5.0, shift=1.0),
        **{"two_sided_h5_shift0.5": two_sided_run_length(reference=0.5, threshold=5.0, shift=0.5)},
    )


def _first(signals: NDArray[np.bool_]) -> tuple[float, float]:
    """Average position of the first signal of a row, and its standard error; every row must have one."""
    assert signals.any(axis=-1).all()
    first = signals.argmax(axis=-1) + 1
    return float(first.mean()), float(first.std() / math.sqrt(len(first)))


@pytest.mark.parametrize("shift", [1.0, 2.0])
def test_the_rules_of_the_program_have_those_run_lengths(shift: float) -> None:
    z = np.random.default_rng(1).normal(shift, 1.0, (4000, 500))
    signals = np.any([marked(z, rule, side=side) for rule in (OUTSIDE, NEAR) for side in SIDES], axis=0)
    mean, error = _first(signals)
    assert mean == pytest.approx(rules_run_length([OUTSIDE, NEAR], shift=shift), abs=4 * error)
    assert error < 0.03 * mean


@pytest.mark.parametrize("shift", [0.0, 0.5, 1.0])
def test_the_sums_of_the_program_have_those_run_lengths(shift: float) -> None:
    z = np.random.default_rng(2).normal(shift, 1.0, (2000, 2500 if shift == 0 else 600))
    sums = CumulativeSums(len(z), reference=0.5, threshold=4.0)
    first = np.zeros(len(z))
    for point in range(z.shape[1]):
        found = sums.add(z[:, point], point=point)
        first[(first == 0) & (found[1] | found[-1])] = point + 1
        if first.all():
            break
    assert first.all()
    error = first.std() / math.sqrt(len(first))
    assert first.mean() == pytest.approx(two_sided_run_length(reference=0.5, threshold=4.0, shift=shift), abs=4 * error)


def test_a_limit_on_single_points_hardly_changes_how_often_the_sum_signals() -> None:
    z = np.random.default_rng(3).normal(0.3, 1.0, (2000, 800))
    mean = []
    for most in (math.inf, 3.5):
        sums, first = CumulativeSums(len(z), reference=0.5, threshold=4.0, most_of_one=most), np.zeros(len(z))
        for point in range(z.shape[1]):
            found = sums.add(z[:, point], point=point)
            first[(first == 0) & (found[1] | found[-1])] = point + 1
        mean.append(first.mean())
    assert mean[1] == pytest.approx(mean[0], rel=0.02)

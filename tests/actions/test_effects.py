"""Effects drawn under a common prior: exact where the answer is known, calibrated where truth was drawn."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from remakes.actions.effects import DRAWS, SPREADS, draw_effects
from remakes.actions.joint import JointEffects

Floats = NDArray[np.float64]

#: Shares of pairs that do next to nothing, little, something and much, as planted in the tests.
PLANTED = (0.6, 0.1, 0.15, 0.15)


def joint(estimate: Floats, covariance: Floats, defect: str = "debonding") -> JointEffects:
    return JointEffects(
        defect=defect,
        factors=tuple(f"f{k}" for k in range(len(estimate))),
        estimate=estimate,
        precision=np.asarray(np.linalg.inv(covariance), dtype=np.float64),
        prone=np.ones(1),
    )


@pytest.mark.parametrize(("estimate", "se"), [(1.2, 0.4), (-0.5, 0.6), (2.0, 0.3)])
def test_one_pair_has_the_mixture_as_its_prior(estimate: float, se: float) -> None:
    # With one pair the parts of the prior weigh 3 : 1 : 1 : 1 on average, and the mean is a sum of four normal ones.
    spread = np.array(SPREADS)
    within = spread**2 + se**2
    weight = np.array([3.0, 1.0, 1.0, 1.0]) * np.exp(-0.5 * estimate**2 / within) / np.sqrt(within)
    weight /= weight.sum()
    expected = float(np.sum(weight * estimate * spread**2 / within))
    single = joint(np.array([estimate]), np.array([[se**2]]))
    drawn = np.concatenate([draw_effects([single], rng=np.random.default_rng(seed)).effects[0][0] for seed in range(8)])
    assert len(drawn) == 8 * DRAWS
    assert drawn.mean() == pytest.approx(expected, abs=0.05)


def test_what_is_known_exactly_stays_and_what_is_unknown_goes_to_none() -> None:
    known, unknown = joint(np.array([1.5]), np.array([[1e-6]])), joint(np.array([2.5]), np.array([[400.0]]), "chipping")
    drawn = draw_effects([known, unknown], rng=np.random.default_rng(0)).effects
    assert drawn[0].mean() == pytest.approx(1.5, abs=0.01)
    assert drawn[1].mean() == pytest.approx(0.0, abs=0.15)


def test_effects_that_share_their_evidence_are_drawn_against_each_other() -> None:
    shared = joint(np.array([0.8, 0.8]), np.array([[0.25, -0.2], [-0.2, 0.25]]))
    drawn = draw_effects([shared], rng=np.random.default_rng(1)).effects[0]
    assert np.asarray(np.corrcoef(drawn))[0, 1] < -0.4


def test_the_best_of_many_is_not_overrated_and_intervals_hold() -> None:
    """Forty pairs, most of which do little: the largest drawn mean is near its own truth, not above it."""
    rng = np.random.default_rng(2)
    over, raw, inside, squares = [], [], [], []
    for _ in range(14):
        truth = np.array(SPREADS)[rng.choice(len(SPREADS), 40, p=PLANTED)] * rng.standard_normal(40)
        se = rng.uniform(0.25, 0.6, 40)
        estimate = truth + se * rng.standard_normal(40)
        parts = [joint(e, np.diag(s**2)) for e, s in zip(np.split(estimate, 10), np.split(se, 10), strict=True)]
        drawn = np.concatenate(draw_effects(parts, rng=rng).effects)
        mean = drawn.mean(axis=1)
        over.append(mean.max() - truth[mean.argmax()])
        raw.append(estimate.max() - truth[estimate.argmax()])
        low, high = np.quantile(drawn, (0.05, 0.95), axis=1)
        inside.append(((low <= truth) & (truth <= high)).mean())
        squares.append([((mean - truth) ** 2).mean(), ((estimate - truth) ** 2).mean()])
    # Standard errors: 0.09 of the mean error, 0.013 of the coverage of 560 intervals.
    assert abs(np.mean(over)) < 0.2 < np.mean(raw)
    assert 0.86 < np.mean(inside) < 0.94
    shrunken, plain = np.mean(squares, axis=0)
    assert shrunken < 0.7 * plain


def test_the_weights_follow_the_scatter() -> None:
    rng = np.random.default_rng(3)
    calm = joint(0.1 * rng.standard_normal(30), 0.04 * np.eye(30))
    wild = joint(1.5 * rng.standard_normal(30), 0.04 * np.eye(30))
    first, second = (draw_effects([one], rng=np.random.default_rng(4)).weights for one in (calm, wild))
    assert first.sum() == pytest.approx(1.0)
    assert first[:2].sum() > 0.6 > second[:2].sum()
    assert second[-1] > 0.4


def test_the_same_seed_gives_the_same_draws() -> None:
    one = joint(np.array([0.5]), np.array([[0.2]]))
    first, again, other = (draw_effects([one], rng=np.random.default_rng(seed)).effects[0] for seed in (5, 5, 6))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)

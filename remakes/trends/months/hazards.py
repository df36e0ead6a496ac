"""Hazards by age in service and relative risks of the case mix, learned from windows of months."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.table import Attribute

__all__ = ["Hazards", "learn"]

Floats = NDArray[np.float64]

#: Rounds of the case mix's relative risks, one attribute after the other; they settle within a few.
_ROUNDS: Final = 3
#: Bounds of the variance of relative risks between the levels of one attribute: at the lower a level needs about
#: fifty returns to speak for itself.
_VARIANCE_BOUNDS: Final = (0.02, 0.5)
#: Weight, in returns, of the age before an age: what little is known of an age is drawn towards it.
_PRIOR_RETURNS: Final = 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hazards:
    """What each window of months teaches.

    Attributes
    ----------
    returns : (windows,) array
        First returns in the window.
    by_age : (windows, bins) array
        Returns per restoration-month of a typical case; made so that the window as a whole is as expected.
    age_returns : (windows, bins) array
        The returns behind each hazard, the borrowed one included.
    relative : (windows, cells) array
        Relative risk of each cell's case mix.
    """

    returns: Floats
    by_age: Floats
    age_returns: Floats
    relative: Floats


def learn(
    at_risk: Floats, events: Floats, attributes: Mapping[str, Attribute], *, windows: Sequence[tuple[int, int]]
) -> Hazards:
    """What returns per month at risk, by age and case mix, does each window of months teach?

    Parameters
    ----------
    at_risk, events : (months, bins, cells) arrays
        Restoration-months and first returns.
    attributes : mapping of str to Attribute
        Level of each cell in what makes up the case mix. Relative risks multiply over attributes.
    windows : sequence of (first, after)
        Positions of months.

    Notes
    -----
    Hazards by age are drawn, with the weight of one return, to the hazard of the age before (the first one to the
    mean of all), so that an age never seen has a figure, and a weak one. Relative risks are gamma-Poisson estimates
    with the variance between levels estimated by moments: a level with few returns stays near 1.

    References
    ----------
    Clayton D, Kaldor J. Biometrics 43:671-681 (1987).
    """
    served = _within(at_risk, windows)
    of_age, of_cell = _within(events.sum(axis=2), windows), _within(events.sum(axis=1), windows)
    relative = np.ones_like(of_cell)
    factors = {name: np.ones((len(windows), len(one.levels))) for name, one in attributes.items()}
    by_age = np.zeros_like(of_age)
    for _ in range(_ROUNDS):
        by_age = _by_age(of_age, np.matmul(served, relative[:, :, None])[:, :, 0])
        typical = np.matmul(by_age[:, None, :], served)[:, 0, :]
        for name, one in attributes.items():
            rest = relative / factors[name][:, one.codes]
            factors[name] = _shrunken(of_cell, typical * rest, one)
            relative = rest * factors[name][:, one.codes]
    weighted = np.matmul(served, relative[:, :, None])[:, :, 0]
    by_age = _by_age(of_age, weighted)
    total, expected = of_age.sum(axis=1), (by_age * weighted).sum(axis=1)
    scale = np.divide(total, expected, out=np.zeros_like(total), where=expected > 0)
    return Hazards(
        returns=total, by_age=by_age * scale[:, None], age_returns=of_age + _PRIOR_RETURNS, relative=relative
    )


def _within(values: Floats, windows: Sequence[tuple[int, int]]) -> Floats:
    """Sums over windows of months."""
    summed = np.concatenate([np.zeros((1, *values.shape[1:])), values.cumsum(axis=0)])
    first, after = np.array(windows, dtype=np.intp).reshape(-1, 2).T
    within: Floats = summed[after] - summed[first]
    return within


def _by_age(events: Floats, at_risk: Floats) -> Floats:
    """Hazards, each drawn to the one before."""
    total = at_risk.sum(axis=1)
    before = np.divide(events.sum(axis=1), total, out=np.zeros(len(events)), where=total > 0)
    found = np.zeros_like(events)
    for age in range(events.shape[1]):
        borrowed = np.divide(_PRIOR_RETURNS, before, out=np.zeros_like(before), where=before > 0)
        months = at_risk[:, age] + borrowed
        found[:, age] = np.divide(
            (events[:, age] + _PRIOR_RETURNS) * (before > 0), months, out=np.zeros_like(months), where=months > 0
        )
        before = found[:, age]
    return found


def _shrunken(observed: Floats, expected: Floats, attribute: Attribute) -> Floats:
    """Relative risk of each level, drawn to 1, (windows, levels) array."""
    seen, awaited = _by_level(observed, attribute), _by_level(expected, attribute)
    total = awaited.sum(axis=1, keepdims=True)
    awaited = awaited * np.divide(seen.sum(axis=1, keepdims=True), total, out=np.zeros_like(total), where=total > 0)
    squares = (awaited**2).sum(axis=1, keepdims=True)
    beyond = ((seen - awaited) ** 2 - awaited).sum(axis=1, keepdims=True)
    variance = np.clip(np.divide(beyond, squares, out=np.zeros_like(squares), where=squares > 0), *_VARIANCE_BOUNDS)
    weight = 1.0 / variance
    ratio: Floats = (seen + weight) / (awaited + weight)
    return ratio


def _by_level(values: Floats, attribute: Attribute) -> Floats:
    """Sums over the cells of each level, (windows, levels) array; a matrix of members would be mostly zeros."""
    levels = len(attribute.levels)
    summed = [np.bincount(attribute.codes, row, minlength=levels) for row in values]
    return np.array(summed, dtype=np.float64).reshape(len(values), levels)

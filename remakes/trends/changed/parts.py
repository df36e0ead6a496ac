"""Split the difference of two expected numbers into the parts of what they are made of.

What is expected of a period is, summed over ages b::

    restoration-months N x share of them at age b x hazard at age b x mean relative hazard of the case mix at age b
    x mean relative hazard of the misses at age b, given the case mix

The last two are means over the restorations at risk: C = E[exp(c)] and M = E[exp(c + m)] / E[exp(c)], with c and m
the log relative hazards of a restoration's case mix and misses. So no table of strata is needed however many columns
c and m have, and where misses have nothing to do with the case mix a change in one of them leaves the other alone.

Of a product, the part of each factor is its change times the others, averaged over all orders in which the factors
can be swapped (Das Gupta; the Shapley value). The parts add up exactly. The part of M is linear in M, and

    exp(m) - 1 = sum over requirements k of m_k (exp(m) - 1) / m,    m = sum of m_k

divides M - 1 among the requirements exactly, restoration by restoration: no order, and no denominator that may vanish,
as there is in the weights of Yun (2004), whose place this takes.

References
----------
Kitagawa EM. JASA 50:1168-1194 (1955). Blinder AS. Journal of Human Resources 8:436-455 (1973). Oaxaca R.
International Economic Review 14:693-709 (1973). Das Gupta P. Standardization and decomposition of rates: a user's
manual. US Bureau of the Census, P23-186 (1993). Yun MS. Economics Letters 82:275-280 (2004), for the weights not used.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import factorial, prod

import numpy as np
from numpy.typing import NDArray

__all__ = ["Composition", "Split", "averaged_others", "split"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Composition:
    """What was at risk in one period, as the expected number is a product of it; s numbers the draws.

    Attributes
    ----------
    at_risk : (ages,) array
    case_mix : (s, ages) array
        Sum of exp(c) over what was at risk.
    misses : (s, k, ages) array
        Sum of exp(c) m_k (exp(m) - 1) / m over what was at risk, for each requirement.
    """

    at_risk: Floats
    case_mix: Floats
    misses: Floats

    @property
    def total(self) -> Floats:
        """Sum of exp(c + m) over what was at risk, (s, ages) array."""
        whole: Floats = self.case_mix + self.misses.sum(axis=1)
        return whole

    def scaled(self, by: float) -> Composition:
        """The same mix, so many times as much of it."""
        return Composition(at_risk=self.at_risk * by, case_mix=self.case_mix * by, misses=self.misses * by)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Split:
    """The parts of an expected difference, (s,) arrays and (s, k) for the requirements."""

    in_service: Floats
    age: Floats
    case_mix: Floats
    misses: Floats

    @property
    def total(self) -> Floats:
        """The expected difference, (s,) array."""
        whole: Floats = self.in_service + self.age + self.case_mix + self.misses.sum(axis=1)
        return whole


def split(before: Composition, after: Composition, hazard: Floats) -> Split:
    """How much of the difference in expected returns goes with each component?

    Parameters
    ----------
    before, after : Composition
    hazard : (s, ages) array
        Returns per month at risk where c and m are 0; common to both periods.

    Returns
    -------
    Split
        Adds up to the difference of the two expected numbers. Where a period has nothing at risk at some age its
        means at that age are taken to be those of the other, so that the age carries the difference.
    """
    volume = [np.array([[one.at_risk.sum()]]) for one in (before, after)]
    age = _either([one.at_risk[None, :] for one in (before, after)], volume)
    case_mix = _either([one.case_mix for one in (before, after)], [one.at_risk[None, :] for one in (before, after)])
    each = _either(
        [one.misses for one in (before, after)],
        [one.case_mix[:, None, :] for one in (before, after)],
        otherwise=0.0,
    )
    misses = [1.0 + one.sum(axis=1) for one in each]
    then, now = ([volume[k], age[k], case_mix[k], misses[k]] for k in (0, 1))
    around = [hazard * averaged_others(then, now, which) for which in range(4)]
    parts = [(around[k] * (now[k] - then[k])).sum(axis=1) for k in range(3)]
    of_each = (around[3][:, None, :] * (each[1] - each[0])).sum(axis=2)
    return Split(in_service=parts[0], age=parts[1], case_mix=parts[2], misses=of_each)


def averaged_others(before: Sequence[Floats], after: Sequence[Floats], which: int) -> Floats:
    """Product of all factors but one, averaged over the orders in which they can be swapped from before to after.

    Times the change of the one it is that factor's part of the change of the product (the Shapley value): the parts
    of all factors add up to it.

    Parameters
    ----------
    before, after : sequence of arrays
        The factors, of shapes that can be multiplied with each other.
    which : int
        The factor left out.
    """
    size = len(before)
    others = [k for k in range(size) if k != which]
    total: Floats = np.zeros(1)
    for swapped in range(size):
        weight = factorial(swapped) * factorial(size - swapped - 1) / factorial(size)
        for chosen in combinations(others, swapped):
            total = total + weight * prod((after[k] if k in chosen else before[k] for k in others), start=np.ones(1))
    return total


def _either(sums: Sequence[Floats], weights: Sequence[Floats], *, otherwise: float = 1.0) -> list[Floats]:
    """Means of both periods; where one has no weight that of the other, where neither has a fixed value."""
    shape = np.broadcast_shapes(sums[0].shape, weights[0].shape)
    held = [np.broadcast_to(weight > 0, shape) for weight in weights]
    means = [
        np.divide(total, weight, out=np.full(shape, otherwise), where=has)
        for total, weight, has in zip(sums, weights, held, strict=True)
    ]
    return [np.where(held[k], means[k], means[1 - k]) for k in (0, 1)]

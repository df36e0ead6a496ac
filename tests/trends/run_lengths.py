"""How long until a rule signals? Exact average run lengths, the witness for the rules of the program.

Independent normal points, centre and standard deviation known; run rules by a Markov chain, cumulative sums by an
integral equation.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TypeAlias

import numpy as np
from numpy.polynomial.legendre import leggauss
from scipy.special import ndtr

from remakes.trends.limits.run_rules import NEAR, OUTSIDE, RunRule

__all__ = ["ALL_RULES", "rules_run_length", "sum_run_length", "two_sided_run_length"]

#: Champ and Woodall's rules; the program uses A and B.
ALL_RULES = {
    "A": OUTSIDE,
    "B": NEAR,
    "C": RunRule(need=4, of=5, beyond=1.0),
    "D": RunRule(need=8, of=8, beyond=0.0),
}

#: For each rule and side, which of the last points lay in its zone, oldest first.
_State: TypeAlias = tuple[tuple[bool, ...], ...]


def rules_run_length(rules: Sequence[RunRule], *, shift: float = 0.0) -> float:
    """After how many points on average does one of these rules signal first, on either side?

    Champ CW, Woodall WH. Technometrics 29:393-399 (1987).
    """
    sided = [(rule, side) for rule in rules for side in (1, -1)]
    regions = _regions(sided, shift)
    start: _State = tuple(() for _ in sided)
    number, moves, waiting = {start: 0}, [], [start]
    while waiting:
        state = waiting.pop()
        for probability, inside in regions:
            after = _after(state, inside, sided)
            if after is None:
                continue
            if after not in number:
                number[after] = len(number)
                waiting.append(after)
            moves.append((number[state], number[after], probability))
    chain = np.eye(len(number))
    for origin, target, probability in moves:
        chain[origin, target] -= probability
    return float(np.linalg.solve(chain, np.ones(len(number)))[0])


def _regions(sided: list[tuple[RunRule, int]], shift: float) -> list[tuple[float, tuple[bool, ...]]]:
    """Probability of each stretch between two zone limits, and in which zones it lies."""
    edges = sorted({side * rule.beyond for rule, side in sided})
    found = []
    for low, high in pairwise([-np.inf, *edges, np.inf]):
        inside = tuple(low >= rule.beyond if side > 0 else high <= -rule.beyond for rule, side in sided)
        found.append((float(ndtr(high - shift) - ndtr(low - shift)), inside))
    return found


def _after(state: _State, inside: tuple[bool, ...], sided: list[tuple[RunRule, int]]) -> _State | None:
    """The state after one more point; None where a rule signals."""
    found = []
    for (rule, _side), before, now in zip(sided, state, inside, strict=True):
        recent = (*before, now)[-rule.of :]
        if sum(recent) >= rule.need:
            return None
        found.append(_what_counts(recent, rule))
    return tuple(found)


def _what_counts(recent: tuple[bool, ...], rule: RunRule) -> tuple[bool, ...]:
    """What of the last points can still help to a signal: equal futures become one state."""
    kept = recent[-(rule.of - 1) :] if rule.of > 1 else ()
    # A rule that needs every point starts again after one that is missing; leading points out of the zone say nothing.
    if rule.need == rule.of and False in kept:
        kept = kept[len(kept) - kept[::-1].index(False) :]
    return kept[kept.index(True) :] if True in kept else ()


def sum_run_length(*, reference: float, threshold: float, shift: float = 0.0) -> float:
    """After how many points on average does a one-sided sum exceed the threshold, from 0?

    L(s) = 1 + L(0) F(k - s) + integral over (0, h) of L(x) f(x + k - s), at the nodes of Gauss-Legendre quadrature.
    """
    nodes, weights = leggauss(48)
    x, weight = threshold * (nodes + 1.0) / 2.0, threshold * weights / 2.0
    start = np.concatenate([[0.0], x])
    density = np.exp(-((x[None, :] + reference - start[:, None] - shift) ** 2) / 2.0) / np.sqrt(2.0 * np.pi)
    move = np.column_stack([ndtr(reference - start - shift), density * weight])
    return float(np.linalg.solve(np.eye(len(start)) - move, np.ones(len(start)))[0])


def two_sided_run_length(*, reference: float, threshold: float, shift: float = 0.0) -> float:
    """The same for a sum upwards and one downwards: their rates add up (Kemp 1961, from memory)."""
    up, down = (sum_run_length(reference=reference, threshold=threshold, shift=way * shift) for way in (1, -1))
    return 1.0 / (1.0 / up + 1.0 / down)

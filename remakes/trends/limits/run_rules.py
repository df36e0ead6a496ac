"""Run rules: patterns of successive points that common variation seldom makes.

Every rule that is added brings false signals of its own, so only two of the four usual ones are kept: alone, rule A is
wrong once in 370 points and both together once in 225. With the other two, four of five beyond one standard deviation
and eight on one side, it would be once in 92; what those find, a cumulative sum finds with fewer false signals.

References
----------
Champ CW, Woodall WH. Technometrics 29:393-399 (1987), for the run lengths.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["NEAR", "OUTSIDE", "RunRule", "marked"]

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRule:
    """`need` of `of` successive points more than `beyond` standard deviations from the centre, on the same side."""

    need: int
    of: int
    beyond: float


#: Rule A of the literature: one point outside the limits.
OUTSIDE: Final = RunRule(need=1, of=1, beyond=3.0)
#: Rule B: two of three points near the same limit.
NEAR: Final = RunRule(need=2, of=3, beyond=2.0)


def marked(z: ArrayLike, rule: RunRule, *, side: int) -> Flags:
    """Which points does a rule mark on one side of the centre?

    Parameters
    ----------
    z : (..., points) array_like
        Distances from the centre in standard deviations, oldest first. A nan lies in no zone.
    rule : RunRule
    side : int
        1 above the centre, -1 below.

    Returns
    -------
    (..., points) array of bool
        A point is marked only if it lies in the rule's zone itself. A point on the edge of a zone lies outside it.
    """
    inside: Flags = side * np.asarray(z, dtype=np.float64) > rule.beyond
    before = np.zeros((*inside.shape[:-1], 1), dtype=np.intp)
    so_far = np.concatenate([before, np.cumsum(inside, axis=-1)], axis=-1)
    # Of the last `of` points: the running sum less what it was that many points ago.
    first = np.maximum(np.arange(inside.shape[-1]) + 1 - rule.of, 0)
    recent = so_far[..., 1:] - so_far[..., first]
    found: Flags = inside & (recent >= rule.need)
    return found

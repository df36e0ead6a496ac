"""Do two risks add up? The relative excess risk due to interaction, with an interval that need not be symmetric."""

from __future__ import annotations

from math import sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from remakes.errors import TableError
from remakes.evidence.estimate import Estimate
from remakes.texts import t

__all__ = ["excess_risk"]

Floats = NDArray[np.float64]


def excess_risk(*, both: Estimate, first: Estimate, second: Estimate, correlation: ArrayLike) -> Estimate:
    """By how much does the risk with both exceed what the two excesses add up to?

    Parameters
    ----------
    both, first, second : Estimate
        Risk ratios, or odds ratios of a rare event, against neither; with 95 % intervals.
    correlation : (3, 3) array_like
        Of the three estimates in this order, on the log scale. They share the group with neither, so it is
        positive.

    Returns
    -------
    Estimate
        both - first - second + 1, in units of the risk with neither. An end that rests on an open end is infinite.

    Raises
    ------
    TableError
        A correlation matrix of another shape.

    Notes
    -----
    Method of variance estimates recovery: the distances of the given ends from their estimates take the place of
    standard errors. The ends may so be those of a profile, which few returns leave far from symmetric, where the
    delta method of Hosmer and Lemeshow (Epidemiology 3:452-456, 1992) would put symmetric ones.

    References
    ----------
    Zou GY. Am J Epidemiol 168:212-224 (2008).
    """
    R = np.asarray(correlation, dtype=np.float64)
    if R.shape != (3, 3):
        raise TableError(
            t(
                "A correlation of shape {shape}. Need (3, 3), in the order both, first, second. Take it from "
                "the covariance of the three log odds ratios.",
                shape=R.shape,
            )
        )
    value = both.estimate - first.estimate - second.estimate + 1.0
    down = [both.estimate - both.low, first.estimate - first.high, second.estimate - second.high]
    up = [both.high - both.estimate, first.low - first.estimate, second.low - second.estimate]
    return Estimate(value, value - _distance(down, R), value + _distance(up, R))


def _distance(parts: list[float], R: Floats) -> float:
    vector = np.array(parts)
    return sqrt(max(0.0, float(vector @ R @ vector))) if np.isfinite(vector).all() else float("inf")

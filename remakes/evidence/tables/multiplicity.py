"""Many questions at once: which of the small p would chance alone have thrown up?"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from remakes.errors import TableError

__all__ = ["benjamini_hochberg"]


def benjamini_hochberg(p: ArrayLike, *, weights: ArrayLike | None = None) -> NDArray[np.float64]:
    """At which false discovery rate would each finding just be kept?

    Parameters
    ----------
    p : array_like
        Two-sided p of any shape (say, factors x defects), each in [0, 1]. nan: not tested; it stays nan and does not
        count among the tests.
    weights : array_like, optional
        Prior plausibility, at least 0, of a shape that broadcasts to that of `p`; only ratios matter, since the
        weights are scaled to a mean of 1 over the tested. They must be set before p is seen: knowledge, such as which
        defects a step can cause, not a result. A weight of 0 can never be a finding.

    Returns
    -------
    ndarray
        q, the smallest false discovery rate at which each is among the findings; shape of `p`. Keeping q <= 0.10
        holds the expected share of false ones among the findings to 10 %.

    Raises
    ------
    TableError
        p outside [0, 1]; a weight that is negative, infinite or missing where p is given; no positive weight.

    Notes
    -----
    Holds for independent tests and for positively dependent ones. With weights, p / weight takes the place of p.
    Four lines of numpy instead of `scipy.stats.false_discovery_control`, because loading `scipy.stats` takes 0.4 to
    0.7 s and each command would pay; scipy and statsmodels are witnesses in the tests, and neither takes weights
    or skips nan.

    References
    ----------
    Benjamini Y, Hochberg Y. J R Stat Soc B 57:289-300 (1995).
    Genovese CR, Roeder K, Wasserman L. Biometrika 93:509-524 (2006).
    """
    values = np.asarray(p, dtype=np.float64)
    tested = ~np.isnan(values)
    tested_p = values[tested]
    if ((tested_p < 0) | (tested_p > 1)).any():
        seen = tested_p[(tested_p < 0) | (tested_p > 1)][0]
        raise TableError(f"p = {seen:g}. Need 0 <= p <= 1, or nan for a pair not tested. Pass p, not its statistic.")
    ratio = tested_p if weights is None else _per_weight(tested_p, weights, tested)
    order = np.argsort(ratio, kind="stable")
    steps = ratio[order] * (ratio.size / np.arange(1, ratio.size + 1))
    tested_q = np.empty_like(ratio)
    tested_q[order] = np.minimum(np.minimum.accumulate(steps[::-1])[::-1], 1.0)
    q = np.full(values.shape, np.nan)
    q[tested] = tested_q
    return q


def _per_weight(tested_p: NDArray[np.float64], weights: ArrayLike, tested: NDArray[np.bool_]) -> NDArray[np.float64]:
    """p over weight, the weights scaled to a mean of 1; inf where the weight is 0, whatever p is."""
    given = np.asarray(weights, dtype=np.float64)
    try:
        used = np.broadcast_to(given, tested.shape)[tested]
    except ValueError as error:
        raise TableError(
            f"Weights of shape {given.shape} for p of shape {tested.shape}. Need one weight per p. "
            "Count both from the same list of factors and defects."
        ) from error
    if not (np.isfinite(used) & (used >= 0)).all() or (used.size > 0 and not used.any()):
        raise TableError(
            f"Weights {np.unique(used).tolist()[:5]} of the tested pairs. "
            "Need finite weights of at least 0, one of them above 0. Leave weights out to treat all pairs alike."
        )
    ratio = np.full(used.shape, np.inf)
    weighted = used > 0
    with np.errstate(over="ignore"):  # a weight next to nothing is no weight
        ratio[weighted] = tested_p[weighted] / (used[weighted] / used.sum() * used.size)
    return ratio

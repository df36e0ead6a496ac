"""Power and size of a comparison of two groups of restorations, by the share that comes back.

Planning figures for a trial: so many restorations made one way, so many the other.

References
----------
Fleiss JL. Statistical Methods for Rates and Proportions, 2nd ed., Wiley (1981).
"""

from __future__ import annotations

from math import sqrt

import numpy as np
from scipy.special import gammaln, ndtr, ndtri, xlogy

from remakes.errors import TableError

__all__ = ["power_fisher_exact", "power_two_proportions", "sample_size_two_proportions"]


def power_two_proportions(
    *, p1: float, p2: float, n_per_group: float, alpha: float = 0.05, both_tails: bool = False
) -> float:
    """How often would two groups of this size show that their shares differ?

    Parameters
    ----------
    p1, p2 : float
        True shares, fractions in (0, 1).
    n_per_group : float
        Restorations in each of the two groups.
    alpha : float
        Level of the two-sided test.
    both_tails : bool
        Count a significant difference the wrong way round as well.

    Returns
    -------
    float
        A fraction; about `alpha`, or half of it without `both_tails`, where the shares are equal.

    Raises
    ------
    TableError
        A share, level or size that cannot be.

    Notes
    -----
    Normal approximation; the test uses the variance of the pooled share. For few events see `power_fisher_exact`.

    References
    ----------
    Fleiss JL (1981), chapter 3; the same as R's power.prop.test.
    """
    _refuse_shares(p1, p2, alpha=alpha, power=0.5, equal_may_be=True)
    _refuse_size(n_per_group)
    pooled = (p1 + p2) / 2.0
    bar = float(ndtri(1.0 - alpha / 2.0)) * sqrt(2.0 * pooled * (1.0 - pooled))
    spread = sqrt(p1 * (1.0 - p1) + p2 * (1.0 - p2))
    apart = sqrt(n_per_group) * abs(p1 - p2)
    found = float(ndtr((apart - bar) / spread))
    return found + float(ndtr((-apart - bar) / spread)) if both_tails else found


def sample_size_two_proportions(
    *, p1: float, p2: float, alpha: float = 0.05, power: float = 0.80, continuity: bool = False
) -> float:
    """How many restorations does each of two groups need, to show that their shares differ?

    Parameters
    ----------
    p1, p2 : float
        True shares, fractions in (0, 1), not equal.
    alpha : float
        Level of the two-sided test.
    power : float
        How often it is to show.
    continuity : bool
        With the correction that brings the size near that of Fisher's exact test.

    Returns
    -------
    float
        Restorations per group, not rounded; round up.

    Raises
    ------
    TableError
        A share, level or power that cannot be; equal shares.

    References
    ----------
    Fleiss JL (1981), chapter 3; correction of Casagrande, Pike, Smith. Biometrics 34:483-486 (1978).
    """
    _refuse_shares(p1, p2, alpha=alpha, power=power, equal_may_be=False)
    pooled = (p1 + p2) / 2.0
    spread = sqrt(p1 * (1.0 - p1) + p2 * (1.0 - p2))
    needed = float(ndtri(1.0 - alpha / 2.0)) * sqrt(2.0 * pooled * (1.0 - pooled)) + float(ndtri(power)) * spread
    apart = abs(p1 - p2)
    size = max(needed, 0.0) ** 2 / apart**2
    return size / 4.0 * (1.0 + sqrt(1.0 + 4.0 / (size * apart))) ** 2 if continuity and size else size


def power_fisher_exact(*, p1: float, p2: float, n_per_group: int, alpha: float = 0.05) -> float:
    """How often would Fisher's exact test show that the shares of two groups differ?

    Parameters
    ----------
    p1, p2 : float
        True shares, fractions in (0, 1).
    n_per_group : int
        Restorations in each of the two groups.
    alpha : float
        Level of the two-sided test, whose p sums the tables no likelier than the one seen.

    Returns
    -------
    float
        A fraction, exact: every pair of counts with its probability.

    Raises
    ------
    TableError
        A share, level or size that cannot be.
    """
    _refuse_shares(p1, p2, alpha=alpha, power=0.5, equal_may_be=True)
    _refuse_size(n_per_group)
    n = int(n_per_group)
    count = np.arange(n + 1.0)
    log_ways = gammaln(n + 1.0) - gammaln(count + 1.0) - gammaln(n - count + 1.0)
    first, second = (np.exp(log_ways + xlogy(count, p) + xlogy(n - count, 1.0 - p)) for p in (p1, p2))
    found = 0.0
    for events in range(2 * n + 1):
        a = np.arange(max(0, events - n), min(n, events) + 1)
        under_null = np.exp(log_ways[a] + log_ways[events - a] - (log_ways[a] + log_ways[events - a]).max())
        under_null /= under_null.sum()
        # Rounding must not part tables that are equally likely.
        p_values = np.array([under_null[under_null <= own * (1.0 + 1e-7)].sum() for own in under_null])
        found += float((first[a] * second[events - a])[p_values <= alpha].sum())
    return found


def _refuse_shares(p1: float, p2: float, *, alpha: float, power: float, equal_may_be: bool) -> None:
    if not (0.0 < alpha < 1.0 and 0.0 < power < 1.0):
        raise TableError(
            f"alpha = {alpha:g}, power = {power:g}. Need fractions strictly between 0 and 1. Usual are 0.05 and 0.80."
        )
    if not (0.0 < p1 < 1.0 and 0.0 < p2 < 1.0) or (p1 == p2 and not equal_may_be):
        raise TableError(
            f"Shares of {p1:g} and {p2:g}. Need two {'' if equal_may_be else 'different '}fractions strictly "
            "between 0 and 1. For 5 % write 0.05."
        )


def _refuse_size(n_per_group: float) -> None:
    if not 1 <= n_per_group < float("inf"):
        raise TableError(f"{n_per_group:g} restorations per group. Need at least 1. Count one group, not both.")

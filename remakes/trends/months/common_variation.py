"""Common variation of monthly counts: by how much they scatter, and where its limits lie.

A count is Poisson around a mean that itself varies: from month to month in the lab (overdispersion) and because the
expectation was learned from few returns. Both are one gamma-distributed factor, so that the count as seen beforehand
is negative binomial with variance expected + dispersion x expected squared.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc

__all__ = ["TAIL", "at_least", "at_most", "drawn_overdispersion", "limits", "overdispersion"]

Floats = NDArray[np.float64]

#: Probability beyond each limit at most; counts are whole, so that mostly it is less.
TAIL: Final = 0.001

#: What is thought of month-to-month variation beyond chance before a lab is seen: a standard deviation of the monthly
#: rate of about 14 % in the middle, up to 30 % not surprising. Chosen by us; tests/benchmarks/months_calibration.py
#: shows what it does to labs that vary more, or not at all.
_USUAL: Final = 0.02
_USUAL_SD: Final = 0.04
_LARGEST: Final = 0.5
#: Below this the negative binomial is a Poisson to any digit that matters.
_SMALLEST: Final = 1e-6


def at_least(count: Floats, expected: Floats, dispersion: Floats) -> Floats:
    """Probability of a count or more, elementwise."""
    a = np.maximum(dispersion, _SMALLEST)
    share = a * expected / (1.0 + a * expected)
    found: Floats = np.where(count <= 0, 1.0, betainc(np.maximum(count, 1.0), 1.0 / a, share))
    return found


def at_most(count: Floats, expected: Floats, dispersion: Floats) -> Floats:
    """Probability of a count or less, elementwise."""
    a = np.maximum(dispersion, _SMALLEST)
    share = a * expected / (1.0 + a * expected)
    found: Floats = np.where(count < 0, 0.0, betainc(1.0 / a, np.maximum(count, 0.0) + 1.0, 1.0 - share))
    return found


def limits(expected: Floats, dispersion: Floats) -> tuple[Floats, Floats]:
    """Between which counts does a month lie by common variation alone?

    Parameters
    ----------
    expected, dispersion : (months,) arrays
        nan where nothing is expected beforehand.

    Returns
    -------
    low, high : (months,) arrays
        Whole numbers; counts beyond each have a probability of at most `TAIL`. A count at a limit is no signal.
    """
    known = np.isfinite(expected)
    low, high = np.full(len(expected), np.nan), np.full(len(expected), np.nan)
    if not known.any():
        return low, high
    mean, spread = expected[known], dispersion[known]
    most = float((mean + 12.0 * np.sqrt(mean + spread * mean**2)).max()) + 30.0
    grid: Floats = np.arange(int(most), dtype=np.float64)[None, :]
    high[known] = (at_least(grid + 1.0, mean[:, None], spread[:, None]) > TAIL).sum(axis=1)
    low[known] = (at_most(grid, mean[:, None], spread[:, None]) <= TAIL).sum(axis=1)
    return low, high


def overdispersion(observed: Floats, expected: Floats) -> float:
    """By how much does the monthly rate vary beyond chance, as a squared coefficient of variation?

    Parameters
    ----------
    observed, expected : (months,) arrays
        Of a stretch of months, one after the other, expectation learned from the same stretch.
    """
    change_observed, change_expected = np.diff(observed), np.diff(expected)
    return float(
        drawn_overdispersion(
            squares=np.array(((change_observed - change_expected) ** 2).sum()),
            chance=np.array((expected[1:] + expected[:-1]).sum()),
            weight=np.array((expected[1:] ** 2 + expected[:-1] ** 2).sum()),
            pairs=len(change_observed),
        )
    )


def drawn_overdispersion(*, squares: Floats, chance: Floats, weight: Floats, pairs: int) -> Floats:
    """The same from sums over pairs of neighbouring months.

    Differences of neighbours are used, as in a moving range, since a lasting step adds to one of them only. The
    moment estimate is weak (with 12 months of 5 returns its standard error is 0.1), hence drawn to what is usual by
    the precision of both.

    Parameters
    ----------
    squares : array
        Sum of squared changes of observed less expected.
    chance : array
        Sum of the expected of both months: what chance adds to `squares`.
    weight : array
        Sum of the squared expected of both months: what each unit of overdispersion adds to `squares`.
    pairs : int
    """
    if pairs < 1:
        return np.full(np.shape(squares), _USUAL)
    weight = np.maximum(weight, 1e-12)
    moment = (squares - chance) / weight
    mean = np.maximum(chance / (2.0 * pairs), 1e-12)
    # Variance of the moment under chance alone; neighbouring differences share a month, hence 3 and not 2.
    noise = 3.0 / pairs * (1.0 / mean**2 + 1.0 / (3.0 * mean**3))
    precision = 1.0 / _USUAL_SD**2
    drawn = (precision * _USUAL + moment / noise) / (precision + 1.0 / noise)
    return np.clip(drawn, 0.0, _LARGEST)

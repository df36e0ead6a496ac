"""Observed to expected, drawn towards the others: gamma-Poisson, with the prior estimated from all of a kind."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaincinv, gammaln

from remakes.errors import TableError
from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.texts import t

__all__ = ["SMALLEST_SD", "GammaPrior", "gamma_prior"]

Floats = NDArray[np.float64]

#: Relative standard deviation of the ratios below which the prior is not drawn: a weak assumption of ours. A dozen
#: sources with a few returns each often show no difference at all, which does not prove that there is none.
SMALLEST_SD: Final = 0.35
#: Ratios that differ more than this (their standard deviation four times their mean) are not told apart from it.
_SMALLEST_SHAPE: Final = 1.0 / 16.0
_LARGEST_SHAPE: Final = 1e4


@dataclass(frozen=True, slots=True, kw_only=True)
class GammaPrior:
    """How the true ratios of one kind of source are spread: gamma with this shape and rate.

    Attributes
    ----------
    shape, rate : float
    log_likelihood : float
        Of the counts, at these values.
    """

    shape: float
    rate: float
    log_likelihood: float

    def ratio(self, observed: int, expected: float) -> Estimate:
        """The ratio of one source with its 95 % credible interval; unknown where nothing is known of what to expect.

        Mean of the posterior; tails of 2.5 %.
        """
        if not np.isfinite(expected):
            return UNKNOWN
        shape, rate = self.shape + observed, self.rate + expected
        low, high = (float(gammaincinv(shape, tail)) / rate for tail in (0.025, 0.975))
        return Estimate(shape / rate, low, high)


def gamma_prior(observed: ArrayLike, expected: ArrayLike, *, smallest_sd: float = SMALLEST_SD) -> GammaPrior:
    """How far do the ratios of observed to expected lie apart, beyond chance?

    Parameters
    ----------
    observed, expected : (sources,) array_like
        Returns, and returns expected (or time at risk). Sources with nothing expected say nothing.
    smallest_sd : float
        Least standard deviation of the ratios relative to their mean; 0: as the likelihood has it.

    Returns
    -------
    GammaPrior
        Shape and rate by marginal maximum likelihood. With fewer than two sources, or without any return, the
        mean is 1 and the spread the smallest one.

    Raises
    ------
    TableError
        Negative counts, or lengths that differ.

    References
    ----------
    Gaver DP, O'Muircheartaigh IG. Technometrics 29:1-15 (1987). Clayton D, Kaldor J. Biometrics 43:671-681 (1987).
    """
    seen, held = np.asarray(observed, dtype=np.float64), np.asarray(expected, dtype=np.float64)
    if seen.shape != held.shape or (seen < 0).any() or (held < 0).any():
        raise TableError(
            t(
                "Counts of shape {shape} with expectations of shape {shape_2}, or negative ones. Need as "
                "many of one as of the other, none below 0. Take both from one standardization.",
                shape=seen.shape,
                shape_2=held.shape,
            )
        )
    usable = held > 0
    seen, held = seen[usable], held[usable]
    largest = min(_LARGEST_SHAPE, smallest_sd**-2) if smallest_sd > 0 else _LARGEST_SHAPE
    if len(seen) < 2 or not seen.any():
        return GammaPrior(shape=largest, rate=largest, log_likelihood=float("nan"))
    shape = _best_shape(seen, held, largest)
    mean = _best_mean(seen, held, shape)
    return GammaPrior(shape=shape, rate=shape / mean, log_likelihood=_log_likelihood(seen, held, shape, mean))


def _best_shape(observed: Floats, expected: Floats, largest: float) -> float:
    """Golden section on the log of the shape, with the best mean at each."""

    def loss(log_shape: float) -> float:
        shape = float(np.exp(log_shape))
        return -_log_likelihood(observed, expected, shape, _best_mean(observed, expected, shape))

    golden = (5.0**0.5 - 1.0) / 2.0
    low, high = float(np.log(_SMALLEST_SHAPE)), float(np.log(largest))
    left, right = high - golden * (high - low), low + golden * (high - low)
    at_left, at_right = loss(left), loss(right)
    while high - low > 1e-6:
        if at_left <= at_right:
            high, right, at_right = right, left, at_left
            left = high - golden * (high - low)
            at_left = loss(left)
        else:
            low, left, at_left = left, right, at_right
            right = low + golden * (high - low)
            at_right = loss(right)
    # The likelihood may still rise at the end of the range; then the end it is.
    return float(np.exp(min((np.log(largest), (low + high) / 2.0), key=loss)))


def _best_mean(observed: Floats, expected: Floats, shape: float) -> float:
    """Newton's method on the log of the mean, whose score falls throughout."""
    log_mean = float(np.log(observed.sum() / expected.sum()))
    for _ in range(50):
        fitted = expected * np.exp(log_mean)
        score = float((shape * (observed - fitted) / (shape + fitted)).sum())
        slope = float((shape * fitted * (shape + observed) / (shape + fitted) ** 2).sum())
        step = float(np.clip(score / slope, -1.0, 1.0))
        log_mean += step
        if abs(step) < 1e-10:
            break
    return float(np.exp(log_mean))


def _log_likelihood(observed: Floats, expected: Floats, shape: float, mean: float) -> float:
    fitted = expected * mean
    each = (
        gammaln(shape + observed)
        - gammaln(shape)
        - gammaln(observed + 1.0)
        - shape * np.log1p(fitted / shape)
        + observed * (np.log(fitted) - np.log(shape + fitted))
    )
    return float(each.sum())

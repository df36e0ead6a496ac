"""What a month's share may be, if it is a month like those before: limits that allow for small counts, for what is
known only from few earlier months, and for months that differ by more than chance.

Counts are taken to be beta-binomial. With many earlier months and no extra variation that is the binomial
distribution, and the limits are those of the p chart; extra variation widens them as in the p' chart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaln, ndtr, ndtri

__all__ = ["MonthAhead", "moving_range_sigma", "predict", "standard_scores"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Mean range of two normal values in standard deviations.
_D2: Final = 1.128
#: Smallest tail that still has a distance: about 37 standard deviations.
_LEAST_TAIL: Final = 1e-300


def standard_scores(events: ArrayLike, totals: ArrayLike) -> Floats:
    """How far is each share from the centre, in binomial standard deviations?

    Parameters
    ----------
    events, totals : (..., points) array_like
        Whole counts. The centre is the share of all points of a series together.

    Returns
    -------
    (..., points) array
        nan where a total is 0; 0 where no point, or every one, is an event.
    """
    x, n = np.asarray(events, dtype=np.float64), np.asarray(totals, dtype=np.float64)
    every = n.sum(axis=-1, keepdims=True)
    centre = np.divide(x.sum(axis=-1, keepdims=True), every, out=np.zeros_like(every), where=every > 0)
    spread = np.sqrt(n * centre * (1.0 - centre))
    z = np.divide(x - n * centre, spread, out=np.zeros_like(x), where=spread > 0)
    return np.where(n > 0, z, np.nan)


def moving_range_sigma(z: ArrayLike) -> Floats:
    """How much do points vary from one to the next, with 1 for what chance alone does?

    Parameters
    ----------
    z : (..., points) array_like
        Distances from the centre in the standard deviations of chance. A nan is left out, and its neighbours follow
        on each other.

    Returns
    -------
    (...) array
        Mean range of two successive points over 1.128; nan for fewer than two points.

    References
    ----------
    Laney DB. Quality Engineering 14:531-537 (2002).
    """
    values = np.asarray(z, dtype=np.float64)
    there = np.isfinite(values)
    # Points that are there to the front, in their order.
    order = np.argsort(~there, axis=-1, kind="stable")
    values, there = np.take_along_axis(values, order, axis=-1), np.take_along_axis(there, order, axis=-1)
    steps = np.where(there[..., 1:], np.abs(np.diff(values, axis=-1)), 0.0)
    pairs = np.count_nonzero(there[..., 1:], axis=-1)
    mean = np.divide(steps.sum(axis=-1), pairs, out=np.full(pairs.shape, np.nan), where=pairs > 0)
    return np.asarray(mean / _D2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MonthAhead:
    """What was to be expected of one month of each series, and how far it lies from that.

    Attributes
    ----------
    centre : (series,) array
        Share of the earlier months.
    low, high : (series,) array
        Smallest and largest share within the limits; a month on a limit is within.
    z : (series,) array
        Distance in standard deviations: the normal quantile of the mid-p probability. Independent from month to
        month as long as nothing changes, although the earlier months are only a sample.
    """

    centre: Floats
    low: Floats
    high: Floats
    z: Floats


def predict(
    events: ArrayLike,
    totals: ArrayLike,
    *,
    earlier_events: ArrayLike,
    earlier_totals: ArrayLike,
    sigma: ArrayLike,
    beyond: float,
) -> MonthAhead:
    """What may this month's share be, given the earlier months, and what is it?

    Parameters
    ----------
    events, totals : (series,) array_like
        Whole counts of the month.
    earlier_events, earlier_totals : (series,) array_like
        Sums over the earlier months.
    sigma : (series,) array_like
        Variation between months over that of chance, at least 1.
    beyond : float
        Limits, in standard deviations.

    Returns
    -------
    MonthAhead
        nan where the month or the earlier months are empty.

    Notes
    -----
    Jeffreys' prior for the share, so that after none in N the next one is still possible. The variance is sigma^2
    times that of the predictive distribution, n p (1 - p) (1 + (n - 1) / (N + 2)); the beta-binomial distribution of
    this mean and variance gives both tails.

    References
    ----------
    Quesenberry CP. Journal of Quality Technology 23:239-246 (1991), for scores that are independent with unknown
    centre. Laney DB. Quality Engineering 14:531-537 (2002), for sigma. Lancaster HO. J Am Stat Assoc 56:223-234
    (1961), for mid-p. Both journals on quality from memory.
    """
    x, n, before, every, spread = np.broadcast_arrays(
        *(
            np.atleast_1d(np.asarray(a, dtype=np.float64))
            for a in (events, totals, earlier_events, earlier_totals, sigma)
        )
    )
    known = (n > 0) & (every > 0)
    n, every = np.where(known, n, 1.0), np.where(known, every, 1.0)
    x, before = np.where(known, x, 0.0), np.where(known, before, 0.0)
    centre = (before + 0.5) / (every + 1.0)
    lower, upper = _mid_tails(n, centre, _concentration(n, every, spread))
    at = x.astype(np.intp)[:, None]
    below, above = np.take_along_axis(lower, at, axis=1)[:, 0], np.take_along_axis(upper, at, axis=1)[:, 0]
    tail = ndtr(-beyond)

    def where_known(values: Floats) -> Floats:
        return np.where(known, values, np.nan)

    return MonthAhead(
        centre=where_known(before / every),
        low=where_known(np.count_nonzero(lower < tail, axis=1) / n),
        high=where_known((np.count_nonzero(upper >= tail, axis=1) - 1) / n),
        z=where_known(
            np.where(below < above, ndtri(np.maximum(below, _LEAST_TAIL)), -ndtri(np.maximum(above, _LEAST_TAIL)))
        ),
    )


def _concentration(n: Floats, every: Floats, sigma: Floats) -> Floats:
    """a + b of the beta distribution that gives the month's count its variance."""
    inflated = np.maximum(sigma, 1.0) ** 2 * (1.0 + (n - 1.0) / (every + 2.0))
    # No count varies by more than all or nothing does.
    inflated = np.minimum(inflated, 1.0 + 0.9 * (n - 1.0))
    extra = inflated - 1.0
    return np.divide(n - 1.0, extra, out=every + 2.0, where=extra > 0) - 1.0


def _mid_tails(n: Floats, centre: Floats, concentration: Floats) -> tuple[Floats, Floats]:
    """Probability of fewer, and of more, than k, each with half of that of k; (series, most + 1) arrays."""
    a, b = (centre * concentration)[:, None], ((1.0 - centre) * concentration)[:, None]
    size = n[:, None]
    k = np.arange(n.max() + 1.0)[None, :]
    inside = k < size
    # Each probability from the one before: one logarithm instead of five of the gamma function.
    ratio = np.divide(
        (size - k) * (k + a), (k + 1.0) * (size - k - 1.0 + b), out=np.ones((len(n), k.size)), where=inside
    )
    log_first = betaln(a, size + b) - betaln(a, b)
    logs = log_first + np.concatenate([np.zeros((len(n), 1)), np.cumsum(np.log(ratio), axis=1)[:, :-1]], axis=1)
    chance = np.where(k <= size, np.exp(logs), 0.0)
    lower = np.cumsum(chance, axis=1) - 0.5 * chance
    upper = np.cumsum(chance[:, ::-1], axis=1)[:, ::-1] - 0.5 * chance
    # Past the last possible count there is no tail, so that such counts are never within a limit.
    return np.where(k <= size, lower, 1.0), np.where(k <= size, upper, 0.0)

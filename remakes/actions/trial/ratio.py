"""Reading a trial at its end: the ratio of returns with the action to returns without, within its strata.

Two ways. Where each stratum is one group in four weeks, the returns with the action, given all returns of the
stratum, are binomial, and their sum has an exact distribution for any ratio: no large numbers are needed. Where groups
or quarters are compared with one another, they differ by chance too; then the same conditional likelihood carries a
normal term for each of them, with the spread that the lab's records had before the trial.

References
----------
Przyborowski J, Wilenski H. Biometrika 31:313-323 (1940), two Poisson counts given their sum.
Lancaster HO. J Am Stat Assoc 56:223-234 (1961), mid-p. Breslow NE, Clayton DG. J Am Stat Assoc 88:9-25 (1993).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from remakes.actions.trial.design import Cells
from remakes.errors import TableError
from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.texts import t

__all__ = ["ConditionalModel", "RateRatio", "exact_rate_ratio", "lower_tails", "shared_rate_ratio", "signed_roots"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Ratios beyond exp(8), about 3000, count as open ends.
_FAR: Final = 8.0
_HALVINGS: Final = 45
_CHI_SQUARE: Final = 3.841458820694124
_NEWTON: Final = 40
#: Precision that keeps the log ratio finite where one side has no return.
_FINITE: Final = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class RateRatio:
    """Ratio of returns with the action to returns without.

    Attributes
    ----------
    ratio : Estimate
        With its two-sided 95 % interval; 0 or infinite where an end is open, nan where nothing can be compared.
    p_fewer : float
        One-sided p of no fall.
    """

    ratio: Estimate
    p_fewer: float


def exact_rate_ratio(cells: Cells, returns: Ints) -> RateRatio:
    """By which factor do returns differ with the action, exactly, within strata?

    Parameters
    ----------
    cells : Cells
        Units are not looked at.
    returns : (cells,) array
        Whole counts.

    Returns
    -------
    RateRatio
        Conditional maximum likelihood estimate; interval and p by mid-p.

    Raises
    ------
    TableError
        Counts that cannot be.
    """
    _refuse(cells, returns)
    odds, total, acted = _by_stratum(cells, returns)
    informative = (total > 0) & np.isfinite(odds) & (odds > 0)
    odds, total, seen = odds[informative], total[informative], int(acted[informative].sum())
    if not total.sum():
        return RateRatio(ratio=UNKNOWN, p_fewer=float("nan"))

    def share(log_ratio: float) -> Floats:
        scaled = odds * np.exp(log_ratio)
        shares: Floats = scaled / (1.0 + scaled)
        return shares

    def lower(log_ratio: float) -> float:
        return float(lower_tails(total[None, :], share(log_ratio), np.array([seen]))[0])

    none, every = seen == 0, seen == int(total.sum())
    middle = _crossing(lambda at: seen - float(total @ share(at)))
    return RateRatio(
        ratio=Estimate(
            0.0 if none else float("inf") if every else float(np.exp(middle)),
            0.0 if none else float(np.exp(_crossing(lambda at: lower(at) - 0.975))),
            float("inf") if every else float(np.exp(_crossing(lambda at: lower(at) - 0.025))),
        ),
        p_fewer=lower(0.0),
    )


def _refuse(cells: Cells, returns: Ints) -> None:
    if returns.shape != cells.expected.shape or (returns < 0).any():
        raise TableError(
            t(
                "Returns of shape {shape}, the least {returns}, came for {expected} cells. Need one whole "
                "count of 0 or more for each cell. Count first returns cell by cell.",
                shape=returns.shape,
                returns=returns.min(initial=0),
                expected=len(cells.expected),
            )
        )


def _by_stratum(cells: Cells, returns: Ints) -> tuple[Floats, Ints, Ints]:
    """Odds that a return is one with the action if it does nothing, all returns, and those with the action."""
    size = int(cells.stratum.max(initial=-1)) + 1

    def summed(values: NDArray[np.generic], rows: NDArray[np.bool_]) -> Floats:
        return np.bincount(cells.stratum[rows], values[rows], minlength=size).astype(np.float64)

    acted, every = cells.with_action, np.ones(len(cells.expected), dtype=np.bool_)
    without = summed(cells.expected, ~acted)
    odds = np.divide(summed(cells.expected, acted), without, out=np.full(size, np.inf), where=without > 0)
    return odds, summed(returns, every).astype(np.int64), summed(returns, acted).astype(np.int64)


def lower_tails(totals: Ints, share: Floats, seen: Ints) -> Floats:
    """Mid-p lower tails of sums of binomial counts, one sum for each row.

    Parameters
    ----------
    totals : (rows, strata) array
        Returns of each stratum.
    share : (strata,) array
        Probability that a return of the stratum is one with the action.
    seen : (rows,) array
        Returns with the action, all strata together.

    Returns
    -------
    (rows,) array
        P(fewer) + P(as many) / 2.
    """
    rows = np.arange(len(totals))
    chance = np.zeros((len(totals), int(totals.sum(axis=1).max(initial=0)) + 1))
    chance[:, 0] = 1.0
    for stratum, each in enumerate(share):
        for more in range(int(totals[:, stratum].max(initial=0))):
            live = totals[:, stratum] > more
            now = chance[live]
            moved = now * (1.0 - each)
            moved[:, 1:] += now[:, :-1] * each
            chance[live] = moved
    upto = np.cumsum(chance, axis=1)
    tails: Floats = upto[rows, seen] - 0.5 * chance[rows, seen]
    return tails


def _crossing(falling: Callable[[float], float]) -> float:
    """Where a falling function of the log ratio is zero; the end of the range where it is not within."""
    low, high = -_FAR, _FAR
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if falling(middle) > 0 else (low, middle)
    return 0.5 * (low + high)


def shared_rate_ratio(cells: Cells, returns: Ints, *, unit_sd: float) -> RateRatio:
    """By which factor do returns differ with the action, where units differ by chance too?

    Parameters
    ----------
    cells : Cells
    returns : (cells,) array
        Whole counts.
    unit_sd : float
        Standard deviation between units, log scale, above 0.

    Returns
    -------
    RateRatio
        Maximum of the penalized conditional likelihood, its profile interval, p from the signed root.

    Raises
    ------
    TableError
        Counts that cannot be.
    """
    _refuse(cells, returns)
    model = ConditionalModel(cells, unit_sd)
    both = len(np.unique(cells.with_action)) == 2
    if not both or not returns.sum():
        return RateRatio(ratio=UNKNOWN, p_fewer=float("nan"))
    counts = returns[None, :].astype(np.float64)
    best, at = model.free(counts)
    middle = float(at[0])

    def slack(log_ratio: float) -> float:
        return 2.0 * float(best[0] - model.held(counts, log_ratio)[0]) - _CHI_SQUARE

    low = _side(slack, middle, -_FAR)
    high = _side(slack, middle, _FAR)
    ends = (0.0 if np.isneginf(low) else float(np.exp(low)), float(np.exp(high)))
    root = float(signed_roots(model, counts)[0])
    return RateRatio(ratio=Estimate(float(np.exp(middle)), *ends), p_fewer=float(ndtr(root)))


def _side(slack: Callable[[float], float], middle: float, far: float) -> float:
    """Where the profile leaves the interval between the estimate and the far end; infinite if it does not."""
    if slack(far) < 0:
        return float(np.copysign(np.inf, far))
    inner, outer = middle, far
    for _ in range(_HALVINGS // 2):
        half = 0.5 * (inner + outer)
        inner, outer = (half, outer) if slack(half) < 0 else (inner, half)
    return 0.5 * (inner + outer)


def signed_roots(model: ConditionalModel, counts: Floats) -> Floats:
    """Signed root of the likelihood ratio of no effect, (rows,) array; negative with fewer returns."""
    best, at = model.free(counts)
    none = model.held(counts, 0.0)
    roots: Floats = np.sign(at) * np.sqrt(np.maximum(2.0 * (best - none), 0.0))
    return roots


class ConditionalModel:
    """Returns of cells given the returns of their strata, with a random level for each unit; many sets at once."""

    def __init__(self, cells: Cells, unit_sd: float) -> None:
        units = int(cells.unit.max(initial=-1)) + 1
        self._action = cells.with_action.astype(np.float64)
        self._levels = np.eye(units)[cells.unit]
        self._expected = cells.expected
        self._member = np.eye(int(cells.stratum.max(initial=-1)) + 1)[cells.stratum]
        self._precision = np.full(units, unit_sd**-2)

    def free(self, counts: Floats) -> tuple[Floats, Floats]:
        """Largest log-likelihood and log ratio there, (rows,) arrays each."""
        columns = np.column_stack([self._action, self._levels])
        ridge = np.append(_FINITE, self._precision)
        loglik, theta = self._climb(counts, self._expected, columns, ridge)
        return loglik, theta[:, 0]

    def held(self, counts: Floats, log_ratio: float) -> Floats:
        """Largest log-likelihood with this log ratio, (rows,) array."""
        scaled = self._expected * np.exp(log_ratio * self._action)
        loglik, _theta = self._climb(counts, scaled, self._levels, self._precision)
        return loglik - 0.5 * _FINITE * log_ratio**2

    def _climb(self, counts: Floats, expected: Floats, columns: Floats, ridge: Floats) -> tuple[Floats, Floats]:
        theta = np.zeros((len(counts), columns.shape[1]))
        totals = counts @ self._member
        for _ in range(_NEWTON):
            mean = self._mean(theta, expected, columns, totals)
            slope = (counts - mean) @ columns - ridge * theta
            # Within a stratum only differences from its mean column matter.
            weighted = mean[:, :, None] * columns
            inner = np.matmul(columns.T, weighted) + np.diag(ridge)
            pulled = np.matmul(self._member.T, weighted)
            inverse = np.divide(1.0, totals, out=np.zeros_like(totals), where=totals > 0)
            inner -= np.matmul(np.swapaxes(pulled, 1, 2), pulled * inverse[:, :, None])
            step = np.clip(np.linalg.solve(inner, slope[:, :, None])[:, :, 0], -1.5, 1.5)
            theta = theta + step
            if float(np.abs(step).max(initial=0.0)) < 1e-7:
                break
        mean = self._mean(theta, expected, columns, totals)
        share = np.divide(mean, totals @ self._member.T, out=np.ones_like(mean), where=mean > 0)
        loglik: Floats = (counts * np.log(share)).sum(axis=1) - 0.5 * (ridge * theta**2).sum(axis=1)
        return loglik, theta

    def _mean(self, theta: Floats, expected: Floats, columns: Floats, totals: Floats) -> Floats:
        raw = expected * np.exp(np.clip(theta @ columns.T, -30.0, 30.0))
        return raw / (raw @ self._member @ self._member.T) * (totals @ self._member.T)

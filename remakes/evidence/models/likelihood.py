"""The penalized likelihood of a discrete-time logistic regression on counts: value, slope and curvature at a point.

The rows are patterns, not restorations: every pattern has its covariates, the months it was at risk
and its returns, by month bin. The month bins are the intercepts. One grouping with many levels (the
sending clinic) may stand beside the covariates; its columns are never formed.

The penalized log-likelihood is::

    l(theta) + 1/2 log det(I(theta) + R) - 1/2 theta' R theta

with the Fisher information I of the full design and a ridge matrix R that is zero for everything that
is not shrunken. With R = 0 this is Firth's penalty; with a ridge it is the same penalty under a normal
prior on the shrunken effects.

References
----------
Firth D. Biometrika 80:27-38 (1993).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

from remakes.errors import FitError
from remakes.texts import t

__all__ = ["Design", "Floats", "Ints", "State", "at_own_hazard", "evaluate"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

#: A covariate of which the others leave less than this share unexplained cannot be told apart from them.
_COLLINEAR: Final = 1e-10
_COLLINEAR_SINGLE: Final = 1e-5


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """What a model is fitted to.

    Parameters
    ----------
    covariates : (patterns, p) array
        One row a pattern; no intercept (the month bins are the intercepts).
    at_risk : (patterns, bins) array
        Months at risk of each pattern in each bin, at least as large as `events`.
    events : (patterns, bins) array
        Returns of each pattern in each bin.
    ridge : (p,) array
        Precision (1 / variance) of the normal prior of each coefficient; 0: not shrunken.
    groups : (patterns,) array of int, optional
        Level of the grouping, 0 to `levels` - 1, in ascending order of rows.
    group_ridge : float
        Precision of the normal prior of the group effects; must be positive where groups are given.
    single : bool
        Sum the information in single precision: half the time, good to about a millionth. Likelihood and score stay
        in double precision but for the leverages in the latter. Enough for `FIT_TOLERANCE` of `logistic`.

    Raises
    ------
    FitError
        Shapes that do not fit, no event, no non-event, or groups out of order.
    """

    covariates: Floats
    at_risk: Floats
    events: Floats
    ridge: Floats
    groups: Ints | None = None
    group_ridge: float = 0.0
    single: bool = False
    counts: _Counts = field(init=False, repr=False, compare=False)
    prior: Floats = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        n, p = self.covariates.shape
        if self.at_risk.shape != self.events.shape or self.at_risk.shape[0] != n or self.ridge.shape != (p,):
            raise FitError(
                t(
                    "A design of {n} patterns and {p} covariates came with tables of {shape} and {shape_2} and "
                    "{shape_3} ridge values. All must have the same patterns and covariates.",
                    n=n,
                    p=p,
                    shape=self.at_risk.shape,
                    shape_2=self.events.shape,
                    shape_3=self.ridge.shape[0],
                )
            )
        total, returned = float(self.at_risk.sum()), float(self.events.sum())
        if not 0 < returned < total or bool(np.any(self.events > self.at_risk)) or bool(np.any(self.events < 0)):
            raise FitError(
                t(
                    "{returned:g} returns in {total:g} months at risk: a model needs at least one return, one "
                    "month without, and in no cell more returns than months.",
                    returned=returned,
                    total=total,
                )
            )
        if self.groups is not None and (self.group_ridge <= 0 or bool(np.any(np.diff(self.groups) < 0))):
            raise FitError(
                t("Groups must come in ascending order and with a positive ridge; sort the patterns by group.")
            )
        object.__setattr__(self, "counts", _Counts(self))
        prior = [np.zeros(self.bins), self.ridge, np.full(self.levels, self.group_ridge)]
        object.__setattr__(self, "prior", np.concatenate(prior))

    @property
    def bins(self) -> int:
        """Number of month bins."""
        return int(self.at_risk.shape[1])

    @property
    def levels(self) -> int:
        """Number of levels of the grouping, 0 without one."""
        return 0 if self.groups is None else int(self.groups[-1]) + 1

    @property
    def size(self) -> int:
        """Number of parameters: bins, covariates, groups, in this order."""
        return self.bins + int(self.covariates.shape[1]) + self.levels


@dataclass(slots=True)
class State:
    """The penalized likelihood and its slope at one point."""

    value: float
    score: Floats
    covariance: Floats


class _Counts:
    """A design laid out for speed: patterns along the last axis, and what never changes worked out once."""

    __slots__ = (
        "X",
        "at_risk",
        "bins",
        "covariates",
        "groups",
        "levels",
        "sizes",
        "starts",
        "sufficient",
        "summed",
        "wide",
    )

    def __init__(self, design: Design) -> None:
        self.X: Floats = np.ascontiguousarray(design.covariates.T)
        #: Room for one array of the size of X; taking new memory at every step would cost as much as the sums.
        self.summed: NDArray[Any] = self.X.astype(np.float32) if design.single else self.X
        self.wide: NDArray[Any] = np.empty_like(self.summed)
        self.at_risk: Floats = np.ascontiguousarray(design.at_risk.T)
        self.groups = design.groups
        self.levels = design.levels
        self.sizes = None if self.groups is None else np.bincount(self.groups, minlength=self.levels)
        self.bins, self.covariates = design.bins, len(self.X)
        self.starts = None if self.groups is None else np.searchsorted(self.groups, np.arange(self.levels))
        returned = design.events.sum(axis=1)
        parts = [design.events.sum(axis=0), self.X @ returned]
        if self.groups is not None:
            parts.append(np.bincount(self.groups, returned, minlength=self.levels))
        #: Returns summed along each parameter: all that the likelihood needs of them.
        self.sufficient: Floats = np.concatenate(parts)

    def odds(self, theta: Floats) -> Floats:
        """Odds of a return by bin and pattern."""
        B, p = self.bins, self.covariates
        of_pattern = theta[B : B + p] @ self.X
        if self.sizes is not None:
            of_pattern += np.repeat(theta[B + p :], self.sizes)
        # The ceiling keeps 1 - probability above zero in separated tables.
        odds: Floats = np.minimum(np.exp(theta[:B])[:, None] * np.exp(np.minimum(of_pattern, 300.0)), 1e15)
        return odds

    def information(self, design: Design, W: Floats) -> Floats:
        """The Fisher information, ridge included; the lower half is filled. Group columns are summed, not formed."""
        B, p = self.bins, self.covariates
        size = B + p + self.levels
        w = W.sum(axis=0)
        weighted = np.multiply(self.summed, w.astype(self.summed.dtype), out=self.wide)
        M = np.zeros((size, size))
        flat = M.reshape(-1)
        M[B : B + p, :B] = self.X @ W.T
        M[B : B + p, B : B + p] = weighted @ self.summed.T
        diagonal = flat[:: size + 1]
        diagonal[:B] = W.sum(axis=1)
        diagonal[B : B + p] += design.ridge
        if self.starts is not None:
            M[B + p :, :B] = np.add.reduceat(W, self.starts, axis=1).T
            M[B + p :, B : B + p] = np.add.reduceat(weighted, self.starts, axis=1).T
            diagonal[B + p :] = np.add.reduceat(w, self.starts) + design.group_ridge
        return M

    def leverage(self, V: Floats) -> Floats:
        """Variance of each linear predictor, by bin and pattern; times its weight it is the hat value."""
        B, p = self.bins, self.covariates
        of_covariates: NDArray[Any] = V[B : B + p, B:].astype(self.summed.dtype)
        turned = np.matmul(of_covariates[:, :p], self.summed, out=self.wide)
        of_bin = 2.0 * (V[:B, B : B + p] @ self.X)
        if self.sizes is not None:
            turned += np.repeat(2.0 * of_covariates[:, p:], self.sizes, axis=1)
            of_bin += np.repeat(2.0 * V[:B, B + p :], self.sizes, axis=1)
        of_pattern = np.einsum("ij,ij->j", self.summed, turned).astype(np.float64)
        if self.sizes is not None:
            of_pattern += np.repeat(V.diagonal()[B + p :], self.sizes)
        of_bin += of_pattern
        of_bin += V.diagonal()[:B, None]
        return of_bin

    def along(self, of_cell: Floats) -> Floats:
        """Sums of a (bins, patterns) array along each parameter."""
        of_pattern = of_cell.sum(axis=0)
        parts = [of_cell.sum(axis=1), self.X @ of_pattern]
        if self.starts is not None:
            parts.append(np.add.reduceat(of_pattern, self.starts))
        return np.concatenate(parts)


def _invert(M: Floats, *, collinear: float = _COLLINEAR) -> tuple[Floats, float]:
    """Inverse and log determinant of the information, of which the lower half is given."""
    whole = M.diagonal().copy()
    # The transpose is in the order LAPACK wants; its lower half is then the upper one.
    R, failed = lapack.dpotrf(M.T, lower=0, clean=0, overwrite_a=1)
    # What the earlier columns leave of each one is the square of its pivot.
    if failed or bool(np.any(R.diagonal() ** 2 < collinear * whole)):
        raise FitError(
            t(
                "Two covariates cannot be told apart in these counts (the information matrix is singular). "
                "Leave one of them out, or shrink them with a ridge."
            )
        )
    logdet = 2.0 * float(np.log(R.diagonal()).sum())
    V, _ = lapack.dpotri(R, lower=0, overwrite_c=1)
    below = _below(len(V))
    V[below] = V.T[below]
    return V, logdet


@lru_cache(maxsize=64)
def _below(size: int) -> tuple[Ints, Ints]:
    return np.tril_indices(size, -1)


def evaluate(design: Design, theta: Floats, *, firth: bool) -> State:
    """The penalized likelihood at a point; without `firth` the ridge alone."""
    counts = design.counts
    odds = counts.odds(theta)
    Q = 1.0 / (1.0 + odds)
    P = odds * Q
    expected = counts.at_risk * P
    W = expected * Q
    collinear = _COLLINEAR_SINGLE if design.single else _COLLINEAR
    V, logdet = _invert(counts.information(design, W), collinear=collinear)
    loglik = float(counts.sufficient @ theta) + float(np.vdot(counts.at_risk, np.log(Q)))
    pull = -expected
    if firth:
        pull += W * (0.5 - P) * counts.leverage(V)
    prior = design.prior
    score = counts.sufficient + counts.along(pull) - prior * theta
    penalty = 0.5 * float(prior @ theta**2)
    return State(loglik - penalty + (0.5 * logdet if firth else 0.0), score, V)


def at_own_hazard(design: Design) -> Floats:
    """Bins at their own hazard, everything else at zero."""
    theta = np.zeros(design.size)
    rate = (design.events.sum(axis=0) + 0.5) / (design.at_risk.sum(axis=0) + 1.0)
    theta[: design.bins] = np.log(rate / (1.0 - rate))
    return theta

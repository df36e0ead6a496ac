"""Variance that allows for clusters: restorations of one clinic, or of one technician, share what nobody recorded.

All that a cluster contributes is its information and its score, so everything here works on counts: as
long as the trials of a cell belong to one cluster, cells and single trials give the same answer. With M
the inverse of the whole information, J_g and s_g the information and score of cluster g, and m the
column of M that belongs to the coefficient in question, the uncorrected variance is ::

    CR0 = sum over g of (m' s_g)^2

It is too small, since the fit bends towards every cluster. CR2 stretches each cluster's residuals by a
matrix A_g with A_g Var(e_g) A_g' = Var(y_g), so that it is exactly right on average if the model is
right, and judges it by a t distribution whose degrees of freedom follow from how evenly the clusters
share the work (Satterthwaite). There are as many such A_g as there are square roots:

`response`
    The root is taken on the scale of the outcome, as the R package clubSandwich does. It needs a matrix
    of the size of a cluster's cells: for the published cases and small tables.
`standardized`
    The root is taken after division by the standard deviation of each cell. It can be taken among the
    parameters, of which there are few: with M = L L' and K_g = L' J_g L, the cluster's share is
    m' L'^-1 (1 - K_g)^(-1/2) L' s_g. For linear models with equal variances the two are the same.

Where a cluster alone settles a direction (leverage 1), there is nothing to stretch: that direction is
left out of the root (pseudo-inverse).

References
----------
Liang KY, Zeger SL. Biometrika 73:13-22 (1986). Bell RM, McCaffrey DF. Survey Methodology 28:169-181
(2002). Pustejovsky JE, Tipton E. J Business & Economic Statistics 36:672-683 (2018).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve, solve_triangular
from scipy.special import stdtr, stdtrit

from remakes.errors import FitError
from remakes.texts import t

__all__ = ["ClusterScore", "RobustErrors", "Root", "cluster_robust", "robust_errors"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Root = Literal["response", "standardized"]

#: A direction with less of its variance left than this is settled by the cluster alone.
_SETTLED: Final = 1e-8


@dataclass(frozen=True, slots=True, kw_only=True)
class ClusterScore:
    """What one cluster says about the parameters.

    Attributes
    ----------
    columns : (k,) array of int
        The parameters it says anything about.
    information : (k, k) array
        Its part of the Fisher information.
    score : (k,) array
        Its part of the slope of the log-likelihood, at the estimate.
    """

    columns: Ints
    information: Floats
    score: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class RobustErrors:
    """Standard errors of one coefficient that allow for clusters.

    Attributes
    ----------
    clusters : int
    model : float
        Standard error if no restoration had anything to do with another.
    cr0, cr1, cr1s, cr2 : float
        Uncorrected; times root of G / (G - 1) for G clusters; also times root of (N - 1) / (N - p) for N
        trials and p parameters; with stretched residuals. `cr1s` is nan where the trials are not told.
    df : float
        Satterthwaite degrees of freedom of `cr2`.
    """

    clusters: int
    model: float
    cr0: float
    cr1: float
    cr1s: float
    cr2: float
    df: float

    def interval(self, estimate: float, *, level: float = 0.95) -> tuple[float, float]:
        """Ends of the t interval around an estimate, on the scale of the coefficient."""
        half = float(stdtrit(self.df, 0.5 + level / 2)) * self.cr2
        return estimate - half, estimate + half

    def p(self, estimate: float) -> float:
        """Two-sided p of no effect, of the same t distribution."""
        return float(2.0 * stdtr(self.df, -abs(estimate) / self.cr2)) if self.cr2 > 0 else float("nan")


def cluster_robust(
    X: Floats,
    *,
    trials: Floats,
    variance: Floats,
    residuals: Floats,
    clusters: NDArray[np.intp],
    index: int,
    root: Root = "response",
) -> RobustErrors:
    """How unsure is one coefficient of a model with canonical link, fitted to counts in clusters?

    Parameters
    ----------
    X : (cells, p) array
        All columns of the model, intercepts too.
    trials : (cells,) array
        How many trials each cell holds; 1 for single rows.
    variance : (cells,) array
        Fitted variance of one trial: probability times (1 - probability) in a logistic model, 1 in a linear one.
    residuals : (cells,) array
        Observed less expected total of the cell: events less trials times probability.
    clusters : (cells,) array of int
        Any codes.
    index : int
        Which column's coefficient.
    root : {"response", "standardized"}
        On which scale CR2 takes the square root; see the module.

    Raises
    ------
    FitError
        Fewer than two clusters, or columns that cannot be told apart.
    """
    used = np.flatnonzero(trials > 0)
    order = used[np.argsort(clusters[used], kind="stable")]
    starts = np.flatnonzero(np.append(True, np.diff(clusters[order]) != 0)) if len(order) else order
    cells = [_Cells(X[part], trials[part], variance[part], residuals[part]) for part in np.split(order, starts[1:])]
    scores = [part.scored() for part in cells]
    whole = _Whole(scores, size=X.shape[1], index=index)
    if root == "standardized":
        stretched = [whole.stretched(score) for score in scores]
    else:
        stretched = [part.stretched(whole) for part in cells]
    return whole.errors(scores, stretched, clusters=len(cells), trials=float(trials.sum()))


def robust_errors(
    scores: Sequence[ClusterScore], *, size: int, index: int, priors: Sequence[ClusterScore] = ()
) -> RobustErrors:
    """The same from the clusters' information and scores, with the root on the standardized scale.

    Parameters
    ----------
    scores : sequence of ClusterScore
    size : int
        How many parameters there are.
    index : int
        Which parameter.
    priors : sequence of ClusterScore
        Normal priors as if they were data, each its own cluster: information is the precision, score the
        pull at the estimate. They are no clusters in the count.

    Raises
    ------
    FitError
        Fewer than two clusters, or parameters that cannot be told apart.
    """
    every = [*scores, *priors]
    whole = _Whole(every, size=size, index=index)
    return whole.errors(every, [whole.stretched(score) for score in every], clusters=len(scores))


@dataclass(frozen=True, slots=True)
class _Stretched:
    """One cluster under CR2, with a the cluster's weights on its stretched residuals and V their variance."""

    sum: float  # a'e
    spread: float  # a'Va, were the residuals not bent by the fit
    pull: Floats  # how a goes with the cluster's columns: what the bent part of the variance is made of


class _Whole:
    """The inverse information of all clusters, and how a cluster's part of it becomes a part of the variance."""

    def __init__(self, scores: Sequence[ClusterScore], *, size: int, index: int) -> None:
        information = np.zeros((size, size))
        for score in scores:
            information[np.ix_(score.columns, score.columns)] += score.information
        self.size, self.index = size, index
        # Scaled to a unit diagonal, so that rare and common columns are judged alike.
        scale = np.sqrt(np.maximum(np.diag(information), 1e-300))
        try:
            factor = cho_factor(information / np.outer(scale, scale), lower=True)
        except np.linalg.LinAlgError:
            raise FitError(
                t(
                    "Two columns cannot be told apart in these counts (the information matrix is singular), so "
                    "no standard error can be had. Leave one of them out, or shrink them with a ridge."
                )
            ) from None
        M = cho_solve(factor, np.eye(size)) / np.outer(scale, scale)
        self.M: Floats = 0.5 * (M + M.T)
        self.m: Floats = self.M[:, index]

    def stretched(self, score: ClusterScore) -> _Stretched:
        """CR2 with the root on the standardized scale, taken among the parameters."""
        at = score.columns
        L = np.linalg.cholesky(self.M[np.ix_(at, at)])
        leverage, U = np.linalg.eigh(L.T @ score.information @ L)
        z = U.T @ solve_triangular(L, self.m[at], lower=True, check_finite=False)
        left = 1.0 - leverage
        root = np.where(left > _SETTLED, np.maximum(left, _SETTLED) ** -0.5, 0.0)
        turned = z * root
        # In this basis the information of the cluster is diagonal: leverage.
        return _Stretched(
            sum=float(turned @ (U.T @ (L.T @ score.score))),
            spread=float(np.maximum(leverage, 0.0) @ turned**2),
            pull=solve_triangular(L, U @ (leverage * turned), lower=True, trans="T", check_finite=False),
        )

    def errors(
        self,
        scores: Sequence[ClusterScore],
        stretched: Sequence[_Stretched],
        *,
        clusters: int,
        trials: float = float("nan"),
    ) -> RobustErrors:
        if clusters < 2:
            raise FitError(
                t(
                    "{clusters} cluster: how much clusters differ can only be seen from two or more. Choose a "
                    "grouping with more levels.",
                    clusters=clusters,
                )
            )
        raw = sum(float(self.m[score.columns] @ score.score) ** 2 for score in scores)
        small = clusters / (clusters - 1)
        with_parameters = (trials - 1) / (trials - self.size) if trials > self.size else float("nan")
        return RobustErrors(
            clusters=clusters,
            model=float(np.sqrt(self.m[self.index])),
            cr0=float(np.sqrt(raw)),
            cr1=float(np.sqrt(raw * small)),
            cr1s=float(np.sqrt(raw * small * with_parameters)),
            cr2=float(np.sqrt(sum(part.sum**2 for part in stretched))),
            df=self._freedom(scores, stretched),
        )

    def _freedom(self, scores: Sequence[ClusterScore], stretched: Sequence[_Stretched]) -> float:
        """Twice the squared mean of CR2 by its variance, for normal residuals under the model."""
        pulls = np.zeros((len(scores), self.size))
        for row, (score, part) in enumerate(zip(scores, stretched, strict=True)):
            pulls[row, score.columns] = part.pull
        covariance = np.diag([part.spread for part in stretched]) - pulls @ self.M @ pulls.T
        total = float((covariance**2).sum())
        return float(np.trace(covariance) ** 2 / total) if total > 0 else float("nan")


@dataclass(frozen=True, slots=True)
class _Cells:
    """The cells of one cluster."""

    X: Floats
    trials: Floats
    variance: Floats
    residuals: Floats

    def scored(self) -> ClusterScore:
        at = np.flatnonzero(self.X.any(axis=0))
        own = self.X[:, at]
        return ClusterScore(
            columns=at,
            information=own.T @ (own * (self.trials * self.variance)[:, None]),
            score=own.T @ self.residuals,
        )

    def stretched(self, whole: _Whole) -> _Stretched:
        """CR2 with the root on the scale of the outcome.

        Alike trials of a cell differ by nothing the model knows, so the mean direction of a cell, of
        length root of its trials, is all that the root needs.
        """
        at = np.flatnonzero(self.X.any(axis=0))
        length, v = np.sqrt(self.trials), self.variance
        own = self.X[:, at] * length[:, None]
        bent = own * (v**1.5)[:, None]
        left = np.diag(v**2) - bent @ whole.M[np.ix_(at, at)] @ bent.T
        values, U = np.linalg.eigh(0.5 * (left + left.T))
        floor = _SETTLED * float((v**2).max())
        root = np.where(values > floor, np.maximum(values, floor) ** -0.5, 0.0)
        side = np.sqrt(v)
        a = side * (U @ (root * (U.T @ (side * (own @ whole.m[at])))))
        return _Stretched(
            sum=float(a @ (self.residuals / length)),
            spread=float(v @ a**2),
            pull=(own * v[:, None]).T @ a,
        )

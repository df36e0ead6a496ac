"""Discrete-time logistic regression on counts, with Firth's penalty and shrunken groups.

The rows are patterns, not restorations: every pattern has its covariates, the months it was at risk
and its returns, by month bin. The month bins are the intercepts. One grouping with many levels (the
sending clinic) may stand beside the covariates; its columns are never formed.

The penalized log-likelihood is::

    l(theta) + 1/2 log det(I(theta) + R) - 1/2 theta' R theta

with the Fisher information I of the full design and a ridge matrix R that is zero for everything that
is not shrunken. With R = 0 this is Firth's penalty; with a ridge it is the same penalty under a normal
prior on the shrunken effects. Tests and intervals are by profile of this same function, so that a p
below 0.05 and a 95 % interval that contains 1 cannot stand side by side.

References
----------
Firth D. Biometrika 80:27-38 (1993). Heinze G, Schemper M. Statistics in Medicine 21:2409-2419 (2002).
Puhr R, Heinze G, Nold M, Lusa L, Geroldinger A. Statistics in Medicine 36:2302-2317 (2017), for FLIC.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import blas, lapack
from scipy.special import chdtrc, chdtri, expit

from remakes.errors import FitError

__all__ = ["Design", "Fit", "ProfileInterval", "fit", "flic_shift", "profile"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

_MAX_STEPS: Final = 60
_MAX_MOVE: Final = 4.0  # log odds in one step; keeps the first steps of separated tables finite


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

    def __post_init__(self) -> None:
        n, p = self.covariates.shape
        if self.at_risk.shape != self.events.shape or self.at_risk.shape[0] != n or self.ridge.shape != (p,):
            raise FitError(
                f"A design of {n} patterns and {p} covariates came with tables of {self.at_risk.shape} and "
                f"{self.events.shape} and {self.ridge.shape[0]} ridge values. "
                "All must have the same patterns and covariates."
            )
        total, returned = float(self.at_risk.sum()), float(self.events.sum())
        if not 0 < returned < total or bool(np.any(self.events > self.at_risk)) or bool(np.any(self.events < 0)):
            raise FitError(
                f"{returned:g} returns in {total:g} months at risk: a model needs at least one return, "
                "one month without, and in no cell more returns than months."
            )
        if self.groups is not None and (self.group_ridge <= 0 or bool(np.any(np.diff(self.groups) < 0))):
            raise FitError("Groups must come in ascending order and with a positive ridge; sort the patterns by group.")

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A maximum of the penalized likelihood.

    Attributes
    ----------
    theta : (size,) array
        Bins, covariates, groups.
    penalized_loglik : float
    covariance : (size, size) array
        Inverse of the (ridged) Fisher information.
    steps : int
        Times the likelihood was worked out.
    """

    theta: Floats
    penalized_loglik: float
    covariance: Floats
    steps: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileInterval:
    """One coefficient with its profile-penalized interval and likelihood-ratio p.

    `low` and `high` are on the log-odds scale, as is `estimate`; an end that was not reached within
    `_FAR` log odds is infinite. `low_fit` and `high_fit` are the constrained fits at the two ends,
    None where the end is infinite.
    """

    estimate: float
    low: float
    high: float
    level: float
    chi2: float
    p: float
    null_fit: Fit
    low_fit: Fit | None
    high_fit: Fit | None


@dataclass(slots=True)
class _State:
    """The penalized likelihood and its slope at one point."""

    value: float
    score: Floats
    covariance: Floats


def _information(design: Design, W: Floats) -> Floats:
    """The (bins + p + levels) square Fisher information, ridge included; group columns are summed, not formed."""
    X, B = design.covariates, design.bins
    p, size = X.shape[1], design.size
    w = W @ np.ones(B)
    M = np.zeros((size, size))
    M[np.arange(B), np.arange(B)] = W.sum(axis=0)
    M[B : B + p, :B] = X.T @ W
    # Half of the symmetric product is enough; the lower triangle is all that is read afterwards.
    M[B : B + p, B : B + p] = blas.dsyrk(1.0, (X * np.sqrt(w)[:, None]).T, lower=1)
    diagonal = np.arange(B, B + p)
    M[diagonal, diagonal] += design.ridge
    if design.groups is not None:
        starts = np.searchsorted(design.groups, np.arange(design.levels))
        M[B + p :, :B] = np.add.reduceat(W, starts)
        M[B + p :, B : B + p] = np.add.reduceat(X * w[:, None], starts)
        tail = np.arange(B + p, size)
        M[tail, tail] = np.add.reduceat(w, starts) + design.group_ridge
    return M


def _invert(M: Floats) -> tuple[Floats, float]:
    """Inverse and log determinant of the information, of which the lower half is given."""
    L, failed = lapack.dpotrf(M, lower=1, clean=0)
    if failed:
        raise FitError(
            "Two covariates cannot be told apart in these counts (the information matrix is singular). "
            "Leave one of them out, or shrink them with a ridge."
        )
    logdet = 2.0 * float(np.log(np.diag(L)).sum())
    V, _ = lapack.dpotri(L, lower=1)
    V = np.tril(V) + np.tril(V, -1).T
    return V, logdet


def _leverage(design: Design, W: Floats, V: Floats) -> Floats:
    """Hat values by pattern and bin: W times the variance of each linear predictor."""
    X, B = design.covariates, design.bins
    p = X.shape[1]
    # x'Vx is the squared length of C'x with V = CC', and C is triangular: half the work of the full product.
    C, _ = lapack.dpotrf(V[B : B + p, B : B + p], lower=1, clean=1)
    turned = blas.dtrmm(1.0, C, X.T, lower=1, trans_a=1)
    of_pattern = np.einsum("ij,ij->j", turned, turned)
    cross = 2.0 * (X @ V[B : B + p, :B])
    if design.groups is not None:
        g = design.groups
        of_pattern += 2.0 * np.einsum("ij,ij->i", X, V[B + p :, B : B + p][g])
        of_pattern += np.diag(V)[B + p :][g]
        cross += 2.0 * V[B + p :, :B][g]
    hat: Floats = W * (of_pattern[:, None] + cross + np.diag(V)[:B])
    return hat


def _linear_predictor(design: Design, theta: Floats) -> Floats:
    B = design.bins
    p = design.covariates.shape[1]
    of_pattern = design.covariates @ theta[B : B + p]
    if design.groups is not None:
        of_pattern = of_pattern + theta[B + p :][design.groups]
    return of_pattern[:, None] + theta[:B]


def _evaluate(design: Design, theta: Floats, *, firth: bool) -> _State:
    eta = _linear_predictor(design, theta)
    P = np.clip(expit(eta), 1e-300, 1.0 - 1e-15)
    expected = design.at_risk * P
    W = expected * (1.0 - P)
    V, logdet = _invert(_information(design, W))
    loglik = float(np.vdot(design.events, eta) + np.vdot(design.at_risk, np.log1p(-P)))
    residual = design.events - expected
    if firth:
        residual = residual + _leverage(design, W, V) * (0.5 - P)
    B = design.bins
    p = design.covariates.shape[1]
    of_pattern = residual @ np.ones(B)
    score = np.empty(design.size)
    score[:B] = residual.sum(axis=0)
    score[B : B + p] = design.covariates.T @ of_pattern - design.ridge * theta[B : B + p]
    penalty = 0.5 * float(design.ridge @ theta[B : B + p] ** 2)
    if design.groups is not None:
        u = theta[B + p :]
        score[B + p :] = np.bincount(design.groups, of_pattern, minlength=design.levels) - design.group_ridge * u
        penalty += 0.5 * design.group_ridge * float(u @ u)
    return _State(loglik - penalty + (0.5 * logdet if firth else 0.0), score, V)


def _start(design: Design) -> Floats:
    """Bins at their own hazard, everything else at zero."""
    theta = np.zeros(design.size)
    rate = (design.events.sum(axis=0) + 0.5) / (design.at_risk.sum(axis=0) + 1.0)
    theta[: design.bins] = np.log(rate / (1.0 - rate))
    return theta


def fit(
    design: Design,
    *,
    start: Floats | None = None,
    fixed: tuple[int, float] | None = None,
    firth: bool = True,
    tolerance: float = 1e-9,
) -> Fit:
    """The maximum of the penalized likelihood.

    Parameters
    ----------
    design : Design
    start : (size,) array, optional
        Where to begin; near the answer it saves most of the steps.
    fixed : (index, value), optional
        Hold one covariate (index among the covariates) at a value; the penalty stays that of the full design.
    firth : bool
        False: maximum (ridge-penalized) likelihood, for checks.
    tolerance : float
        Stop when a Newton step promises less than this gain in the log-likelihood. That last step is taken
        on trust and its gain counted: what is then left is of a higher order.

    Raises
    ------
    FitError
        No maximum within 60 steps, or covariates that cannot be told apart.
    """
    theta = (_start(design) if start is None else start).astype(np.float64, copy=True)
    held = None
    if fixed is not None:
        held = design.bins + fixed[0]
        theta[held] = fixed[1]
    state = _evaluate(design, theta, firth=firth)
    for taken in range(_MAX_STEPS):
        step, gain = _newton_step(state, held)
        if gain < tolerance:
            return Fit(
                theta=theta + step,
                penalized_loglik=state.value + gain,
                covariance=state.covariance,
                steps=taken + 1,
            )
        theta, state = _climb(design, theta, step, state, firth=firth)
    raise FitError(
        f"No maximum of the likelihood after {_MAX_STEPS} steps "
        f"({design.events.sum():g} returns, {design.size} parameters). "
        "Use fewer covariates or a longer period."
    )


def _newton_step(state: _State, held: int | None) -> tuple[Floats, float]:
    V, score = state.covariance, state.score
    if held is not None:
        # The inverse of the information without row `held`, by the usual rank-one formula.
        score = score.copy()
        score[held] = 0.0
        step = V @ score
        step = step - V[:, held] * (step[held] / V[held, held])
        step[held] = 0.0
    else:
        step = V @ score
    gain = 0.5 * float(step @ score)
    largest = float(np.abs(step).max())
    if largest > _MAX_MOVE:
        step = step * (_MAX_MOVE / largest)
    return step, gain


def _climb(design: Design, theta: Floats, step: Floats, state: _State, *, firth: bool) -> tuple[Floats, _State]:
    """Take the step, halved until the likelihood does not fall."""
    for _ in range(20):
        moved = theta + step
        there = _evaluate(design, moved, firth=firth)
        if there.value >= state.value - 1e-10:
            return moved, there
        step = step * 0.5
    # No way up: rounding has the last word, and the slope test of the caller ends the search.
    return theta, _State(state.value, np.zeros_like(state.score), state.covariance)


_FAR: Final = 15.0  # log odds beyond which an end of an interval is called infinite


def profile(design: Design, best: Fit, index: int, *, level: float = 0.95, tolerance: float = 1e-5) -> ProfileInterval:
    """Profile-penalized interval and likelihood-ratio p of one covariate.

    Parameters
    ----------
    design : Design
    best : Fit
        The unconstrained maximum of the same design (with Firth's penalty).
    index : int
        Which covariate.
    level : float
        Confidence level, a fraction in (0, 1).
    tolerance : float
        How near the signed root of the likelihood ratio must come to its target before the last secant step,
        which is taken on trust: the ends are good to about the square of it.

    Notes
    -----
    The full design stays in the penalty of every constrained fit (Heinze & Schemper 2002). The signed
    root is nearly straight in the coefficient, so a secant search needs few constrained fits, each
    started from the tangent of the last one.
    """
    at = design.bins + index
    estimate = float(best.theta[at])
    null = _constrained(design, best, index, 0.0, tolerance=_inner(tolerance))
    chi2 = max(0.0, 2.0 * (best.penalized_loglik - null.penalized_loglik))
    target = float(np.sqrt(chdtri(1, 1.0 - level)))
    low_fit = _limit(design, best, index, -target, tolerance=tolerance)
    high_fit = _limit(design, best, index, target, tolerance=tolerance)
    return ProfileInterval(
        estimate=estimate,
        low=-np.inf if low_fit is None else float(low_fit.theta[at]),
        high=np.inf if high_fit is None else float(high_fit.theta[at]),
        level=level,
        chi2=chi2,
        p=float(chdtrc(1, chi2)),
        null_fit=null,
        low_fit=low_fit,
        high_fit=high_fit,
    )


def _inner(tolerance: float) -> float:
    """Tolerance of a constrained fit inside a search of the given tolerance."""
    return max(0.2 * tolerance, 1e-10)


def _constrained(design: Design, near: Fit, index: int, value: float, *, tolerance: float) -> Fit:
    return fit(design, start=_along(near, design.bins + index, value), fixed=(index, value), tolerance=tolerance)


def _along(near: Fit, at: int, value: float) -> Floats:
    """Where the other parameters go, to first order, when one is moved to a value."""
    V = near.covariance
    moved: Floats = near.theta + V[:, at] * ((value - near.theta[at]) / V[at, at])
    return moved


def _limit(design: Design, best: Fit, index: int, target: float, *, tolerance: float) -> Fit | None:
    """The constrained fit where the signed root of the likelihood ratio is `target`; None beyond reach."""
    at = design.bins + index
    estimate = float(best.theta[at])
    inner, inner_root = estimate, 0.0
    outer: float | None = None
    outer_root = 0.0
    value = estimate + target * float(np.sqrt(best.covariance[at, at]))
    near = best
    for _ in range(40):
        if abs(value - estimate) > _FAR + abs(estimate):
            return None
        near = _constrained(design, near, index, value, tolerance=_inner(tolerance))
        drop = max(0.0, 2.0 * (best.penalized_loglik - near.penalized_loglik))
        root = float(np.sign(target) * np.sqrt(drop))
        slope = (root - inner_root) / (value - inner) if value != inner else 0.0
        if abs(root) < abs(target):
            inner, inner_root = value, root
        else:
            outer, outer_root = value, root
        if abs(root - target) < tolerance:
            last = value + (target - root) / slope if slope else value
            return replace(near, theta=_along(near, at, last))
        value = _next_guess(inner, inner_root, outer, outer_root, target, estimate)
    return near


def _next_guess(
    inner: float, inner_root: float, outer: float | None, outer_root: float, target: float, estimate: float
) -> float:
    if outer is None:
        # Not yet bracketed: go on along the line from the estimate, at most twice as far.
        ratio = target / inner_root if inner_root else 2.0
        return estimate + (inner - estimate) * min(max(ratio, 1.05), 2.0)
    share = (target - inner_root) / (outer_root - inner_root)
    return inner + (outer - inner) * min(max(share, 0.02), 0.98)


def flic_shift(design: Design, fitted: Fit) -> Floats:
    """How far each bin's intercept must move so that the expected returns equal those observed.

    Firth's penalty pulls predicted risks towards one half; moving the intercepts alone removes that
    bias and leaves the odds ratios as they are (FLIC; Puhr et al. 2017), here for each month bin.

    Returns
    -------
    (bins,) array
        On the log-odds scale; minus infinity for a bin without returns.
    """
    eta = _linear_predictor(design, fitted.theta)
    observed = design.events.sum(axis=0)
    shift = np.zeros(design.bins)
    for _ in range(50):
        P = expit(eta + shift)
        expected = (design.at_risk * P).sum(axis=0)
        slope = (design.at_risk * P * (1.0 - P)).sum(axis=0)
        move = np.where(observed > 0, (observed - expected) / np.maximum(slope, 1e-300), 0.0)
        shift = shift + np.clip(move, -2.0, 2.0)
        if float(np.abs(move).max()) < 1e-8:
            break
    return np.where(observed > 0, shift, -np.inf)

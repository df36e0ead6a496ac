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

from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack
from scipy.special import chdtrc, chdtri

from remakes.errors import FitError
from remakes.texts import t

__all__ = ["FIT_TOLERANCE", "LIMIT_TOLERANCE", "Design", "Fit", "ProfileInterval", "fit", "flic_shift", "profile"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

#: Close enough for what is shown. A fit: the gain in log-likelihood that the last step may promise.
FIT_TOLERANCE: Final = 1e-4
#: A profile: how far the signed root may be from its target before the last step; ends are then good to half a
#: percent of the half-width.
LIMIT_TOLERANCE: Final = 0.15

#: Falls of the likelihood smaller than this are rounding.
_NOISE: Final = 1e-10
_NOISE_SINGLE: Final = 1e-4
#: A covariate of which the others leave less than this share unexplained cannot be told apart from them.
_COLLINEAR: Final = 1e-10
_COLLINEAR_SINGLE: Final = 1e-5

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
    single : bool
        Sum the information in single precision: half the time, good to about a millionth. Likelihood and score stay
        in double precision but for the leverages in the latter. Enough for `FIT_TOLERANCE`.

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
    slope : float
        Slope of the penalized log-likelihood along the held covariate; 0 where none was held.
    """

    theta: Floats
    penalized_loglik: float
    covariance: Floats
    steps: int
    slope: float = 0.0


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


def _evaluate(design: Design, theta: Floats, *, firth: bool) -> _State:
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
    moved, last = None, None
    for taken in range(_MAX_STEPS):
        newton, gain, slope = _newton_step(state, held)
        step = newton if moved is None or last is None else _stretched(newton, last, moved, state)
        if gain < tolerance:
            return Fit(
                theta=theta + step,
                penalized_loglik=state.value + gain,
                covariance=state.covariance,
                steps=taken + 1,
                slope=slope,
            )
        there, state = _climb(design, theta, step, newton, state, firth=firth)
        theta, moved, last = there, there - theta, newton
    raise FitError(
        t(
            "No maximum of the likelihood after {max_steps} steps ({events:g} returns, {size} "
            "parameters). Use fewer covariates or a longer period.",
            max_steps=_MAX_STEPS,
            events=design.events.sum(),
            size=design.size,
        )
    )


def _newton_step(state: _State, held: int | None) -> tuple[Floats, float, float]:
    """The step of Fisher scoring, the gain it promises, and the slope along the held covariate after it."""
    V, score = state.covariance, state.score
    slope = 0.0
    if held is not None:
        # The inverse of the information without row `held`, by the usual rank-one formula.
        score = score.copy()
        score[held] = 0.0
        step = V @ score
        pull = step[held] / V[held, held]
        slope = float(state.score[held] + pull)
        step = step - V[:, held] * pull
        step[held] = 0.0
    else:
        step = V @ score
    gain = 0.5 * float(step @ score)
    largest = float(np.abs(step).max())
    if largest > _MAX_MOVE:
        step = step * (_MAX_MOVE / largest)
    return step, gain, slope


def _stretched(newton: Floats, last: Floats, moved: Floats, state: _State) -> Floats:
    """The scoring step, bent by what the last one left over.

    Fisher scoring ignores the curvature of Firth's penalty, so each step leaves a nearly constant share of the
    way. Two successive steps tell that share (the secant method in many dimensions with one remembered step:
    Anderson, J ACM 12:547-560, 1965).
    """
    change = newton - last
    weight = 1.0 / np.diag(state.covariance)
    size = float(weight @ (change * change))
    share = float(weight @ (change * newton)) / size if size > 0 else 0.0
    step: Floats = newton - share * (moved + change)
    largest = float(np.abs(step).max())
    return step if largest <= _MAX_MOVE else newton


def _climb(
    design: Design, theta: Floats, step: Floats, newton: Floats, state: _State, *, firth: bool
) -> tuple[Floats, _State]:
    """Take the step; where the likelihood falls, the scoring step instead, halved until it does not."""
    for _ in range(20):
        moved = theta + step
        there = _evaluate(design, moved, firth=firth)
        if there.value >= state.value - (_NOISE_SINGLE if design.single else _NOISE):
            return moved, there
        step, newton = newton, 0.5 * newton
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
        How near the signed root of the likelihood ratio must come to its target before the last step, which is
        taken on trust: the ends are good to about the square of it.

    Notes
    -----
    The full design stays in the penalty of every constrained fit (Heinze & Schemper 2002). The signed root is
    nearly straight in the coefficient, and every constrained fit gives its slope as well: a parabola through the
    estimate and the nearest known point foretells where the end lies, and most ends need one fit or two.
    """
    at = design.bins + index
    estimate = float(best.theta[at])
    null = _constrained(design, best, index, 0.0, tolerance=_inner(tolerance))
    chi2 = max(0.0, 2.0 * (best.penalized_loglik - null.penalized_loglik))
    target = float(np.sqrt(chdtri(1, 1.0 - level)))
    points = [_Point(0.0, 0.0, 1.0 / float(np.sqrt(best.covariance[at, at])), best), _point(best, null, at)]
    low_fit = _limit(design, points, index, -target, tolerance=tolerance)
    high_fit = _limit(design, points, index, target, tolerance=tolerance)
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


#: Inside a search for the end of an interval a gain below this moves the end by less than a thousandth of its length.
_INNER: Final = 3e-3


def _inner(tolerance: float) -> float:
    """Tolerance of a constrained fit inside a search of the given tolerance."""
    return min(max(0.02 * tolerance, 1e-10), _INNER)


def _constrained(design: Design, near: Fit, index: int, value: float, *, tolerance: float) -> Fit:
    return fit(design, start=_along(near, design.bins + index, value), fixed=(index, value), tolerance=tolerance)


def _along(near: Fit, at: int, value: float) -> Floats:
    """Where the other parameters go, to first order, when one is moved to a value."""
    V = near.covariance
    moved: Floats = near.theta + V[:, at] * ((value - near.theta[at]) / V[at, at])
    return moved


@dataclass(frozen=True, slots=True)
class _Point:
    """A point of the profile: distance from the estimate, signed root of the likelihood ratio, its slope, the fit."""

    distance: float
    root: float
    slope: float
    fit: Fit


def _point(best: Fit, there: Fit, at: int) -> _Point:
    distance = float(there.theta[at] - best.theta[at])
    drop = 2.0 * (best.penalized_loglik - there.penalized_loglik)
    root = float(np.copysign(np.sqrt(max(drop, 0.0)), distance))
    # root^2 / 2 falls as the likelihood does: root x slope of root = - slope of the likelihood.
    slope = -there.slope / root if abs(root) > _FLAT else 0.0
    return _Point(distance, root, slope, there)


#: Roots nearer to zero than this carry no slope of their own.
_FLAT: Final = 0.05
_MOST_POINTS: Final = 40


def _limit(design: Design, points: list[_Point], index: int, target: float, *, tolerance: float) -> Fit | None:
    """The constrained fit where the signed root of the likelihood ratio is `target`; None beyond reach.

    What earlier searches learnt of the profile is in `points`, the estimate first; each new point is added.
    """
    at = design.bins + index
    best = points[0].fit
    estimate = float(best.theta[at])
    far = _FAR + abs(estimate)
    inner, outer = 0.0, float(np.copysign(np.inf, target))
    nearest = min(points[1:], key=lambda point: abs(point.root - target))
    distance = _guess(points[0], nearest, target)
    for _ in range(_MOST_POINTS):
        if abs(distance) > far:
            return None
        start = _foretold(points, at, distance)
        there = fit(design, start=start, fixed=(index, estimate + distance), tolerance=_inner(tolerance))
        point = _point(best, there, at)
        points.append(point)
        ahead = _ahead(points[0], point, target)
        if abs(point.root - target) < tolerance and ahead is not None:
            return replace(there, theta=_along(there, at, estimate + ahead))
        if abs(point.root) < abs(target):
            inner = distance
        else:
            outer = distance
        distance = _inside(ahead, inner, outer)
    return there


def _foretold(points: list[_Point], at: int, distance: float) -> Floats:
    """Where the other parameters are at a distance: along the tangent of the nearest point, bent towards the next."""
    near, other = sorted(points, key=lambda point: abs(point.distance - distance))[:2]
    start = _along(near.fit, at, points[0].fit.theta[at] + distance)
    between = other.distance - near.distance
    if abs(between) < _FLAT:
        return start
    bend = (other.fit.theta - _along(near.fit, at, float(other.fit.theta[at]))) / between**2
    bent: Floats = start + bend * (distance - near.distance) ** 2
    return bent


def _guess(best: _Point, known: _Point, target: float) -> float:
    """Where the root is `target`, from the curve through the estimate and one known point."""
    ahead = _ahead(best, known, target) if abs(known.root) > 2 * _FLAT else None
    return target / best.slope if ahead is None else ahead


def _ahead(best: _Point, known: _Point, target: float) -> float | None:
    """Where root = a x + b x^2, with value and slope of a known point, meets the target; None if it does not."""
    x = known.distance
    if not x or known.slope <= 0:
        return None
    b = (known.slope * x - known.root) / x**2
    a = known.root / x - b * x
    inside = a * a + 4.0 * b * target
    if a <= 0 or inside <= 0:
        return None
    # The solution that stays finite as b goes to 0.
    return 2.0 * target / (a + float(np.sqrt(inside)))


def _inside(ahead: float | None, inner: float, outer: float) -> float:
    """The next distance to look at: as foretold, kept inside what is known to hold the answer."""
    if not np.isfinite(outer):
        step = 1.0 if inner == 0 else abs(inner)
        low, high = 1.05 * inner, inner + float(np.copysign(step, outer))
    else:
        low, high = inner + 0.02 * (outer - inner), inner + 0.98 * (outer - inner)
    wanted = 0.5 * (low + high) if ahead is None else ahead
    return float(np.clip(wanted, min(low, high), max(low, high)))


def flic_shift(design: Design, fitted: Fit) -> Floats:
    """How far each bin's intercept must move so that the expected returns equal those observed.

    Firth's penalty pulls predicted risks towards one half; moving the intercepts alone removes that
    bias and leaves the odds ratios as they are (FLIC; Puhr et al. 2017), here for each month bin.

    Returns
    -------
    (bins,) array
        On the log-odds scale; minus infinity for a bin without returns.
    """
    counts = design.counts
    odds, at_risk = counts.odds(fitted.theta), counts.at_risk
    observed = design.events.sum(axis=0)
    factor = np.ones(design.bins)
    for _ in range(50):
        moved = odds * factor[:, None]
        P = moved / (1.0 + moved)
        expected = at_risk * P
        total = expected.sum(axis=1)
        slope = total - (expected * P).sum(axis=1)
        move = np.where(observed > 0, (observed - total) / np.maximum(slope, 1e-300), 0.0)
        factor = factor * np.exp(np.clip(move, -2.0, 2.0))
        if float(np.abs(move).max()) < 1e-5:
            break
    # The last move leaves an error of its square.
    shift = np.log(factor)
    return np.where(observed > 0, shift, -np.inf)

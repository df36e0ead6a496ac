"""Profile-penalized intervals and likelihood-ratio p of one coefficient of a logistic regression on counts.

The full design stays in the penalty of every constrained fit, so that p and interval rest on one function.

References
----------
Heinze G, Schemper M. Statistics in Medicine 21:2409-2419 (2002).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.special import chdtrc, chdtri

from remakes.evidence.models.likelihood import Design, Floats
from remakes.evidence.models.logistic import Fit, fit

__all__ = ["LIMIT_TOLERANCE", "ProfileInterval", "profile"]

#: Close enough for what is shown: how far the signed root may be from its target before the last step; ends are then
#: good to half a percent of the half-width.
LIMIT_TOLERANCE: Final = 0.15

_FAR: Final = 15.0  # log odds beyond which an end of an interval is called infinite


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

"""Discrete-time logistic regression on counts, with Firth's penalty and shrunken groups.

What is fitted, and the penalized likelihood, stand in `likelihood`; tests and intervals are by profile of this same
function (`profile_interval`), so that a p below 0.05 and a 95 % interval that contains 1 cannot stand side by side.

References
----------
Firth D. Biometrika 80:27-38 (1993). Heinze G, Schemper M. Statistics in Medicine 21:2409-2419 (2002).
Puhr R, Heinze G, Nold M, Lusa L, Geroldinger A. Statistics in Medicine 36:2302-2317 (2017), for FLIC.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from remakes.errors import FitError
from remakes.evidence.models.likelihood import Design, Floats, State, at_own_hazard, evaluate
from remakes.texts import t

__all__ = ["FIT_TOLERANCE", "Fit", "fit", "flic_shift"]

#: Close enough for what is shown. A fit: the gain in log-likelihood that the last step may promise.
FIT_TOLERANCE: Final = 1e-4

#: Falls of the likelihood smaller than this are rounding.
_NOISE: Final = 1e-10
_NOISE_SINGLE: Final = 1e-4

_MAX_STEPS: Final = 60
_MAX_MOVE: Final = 4.0  # log odds in one step; keeps the first steps of separated tables finite


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
    theta = (at_own_hazard(design) if start is None else start).astype(np.float64, copy=True)
    held = None
    if fixed is not None:
        held = design.bins + fixed[0]
        theta[held] = fixed[1]
    state = evaluate(design, theta, firth=firth)
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


def _newton_step(state: State, held: int | None) -> tuple[Floats, float, float]:
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


def _stretched(newton: Floats, last: Floats, moved: Floats, state: State) -> Floats:
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
    design: Design, theta: Floats, step: Floats, newton: Floats, state: State, *, firth: bool
) -> tuple[Floats, State]:
    """Take the step; where the likelihood falls, the scoring step instead, halved until it does not."""
    for _ in range(20):
        moved = theta + step
        there = evaluate(design, moved, firth=firth)
        if there.value >= state.value - (_NOISE_SINGLE if design.single else _NOISE):
            return moved, there
        step, newton = newton, 0.5 * newton
    # No way up: rounding has the last word, and the slope test of the caller ends the search.
    return theta, State(state.value, np.zeros_like(state.score), state.covariance)


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

"""All plausible misses of one defect in one model: their effects and how these hang together.

The findings ask one question with one model each. What several actions together would spare needs the joint
estimate instead: misses that occur on the same restorations share their evidence, so that their effects are
negatively correlated, and each must be held against the others before two of them are added up.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from remakes.counts.table import PatternTable
from remakes.deviations.detect import MISSED, NOT_RECORDED
from remakes.errors import FitError
from remakes.evidence.findings import Finding
from remakes.evidence.models.adjustment import Background
from remakes.evidence.models.base import BaseModels
from remakes.evidence.models.case_mix import RIDGE_WEAK, weak_ridge
from remakes.evidence.models.designs import independent_columns, merged_design
from remakes.evidence.models.logistic import Fit, fit

__all__ = ["JointEffects", "joint_effects", "plausible_by_defect"]

Floats = NDArray[np.float64]

#: Precision that keeps the effects finite while the model is fitted; it is taken out again before the prior enters.
_HELD: Final = 0.1
#: Keeps a matrix invertible where the records say nothing of a factor; a standard deviation of a thousand.
_FLAT: Final = 1e-6
#: The model is fitted for its draws, whose own spread is far wider than this gain in log-likelihood.
_TOLERANCE: Final = 1e-3
#: Within these a restoration is more or less prone to come back for its case mix; beyond, the level is too small.
_MOST_PRONE: Final = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class JointEffects:
    """The misses that may cause one defect, estimated side by side.

    Attributes
    ----------
    defect : str
    factors : tuple of str
    estimate : (factors,) array
        Log odds ratios per month at risk, missed against met; before any prior.
    precision : (factors, factors) array
        Inverse of their covariance, likelihood alone.
    prone : (patterns,) array
        How many times the usual hazard a restoration has from its case mix, people and clinic, whatever is missed.
    """

    defect: str
    factors: tuple[str, ...]
    estimate: Floats
    precision: Floats
    prone: Floats


def plausible_by_defect(findings: Sequence[Finding]) -> dict[str, tuple[str, ...]]:
    """For each defect the factors that may cause it and of which the records say anything."""
    found: dict[str, list[str]] = {}
    for one in findings:
        if one.plausible and np.isfinite(one.adjusted.odds_ratio.estimate):
            found.setdefault(one.defect, []).append(one.factor)
    return {defect: tuple(sorted(factors)) for defect, factors in found.items()}


def joint_effects(
    table: PatternTable, findings: Sequence[Finding], *, base: BaseModels | None = None
) -> tuple[JointEffects, ...]:
    """How strong is each plausible miss, with all others that may cause the same defect held as they are?

    Parameters
    ----------
    table : PatternTable
    findings : sequence of Finding
        Of this table; they say which pairs are plausible and can be estimated.
    base : BaseModels, optional
        Of this table, if the caller has them.

    Returns
    -------
    tuple of JointEffects
        One for each defect with such a pair and a model that can be fitted, in the order of the table.

    Notes
    -----
    The discrete-time logistic model of the findings, Firth's penalty and shrunken people and clinics included,
    with every plausible miss and every gap in the log as a column. Normal approximation at its maximum; its
    standard errors are widened to those of the findings' profile intervals, which small counts need. Where this
    model cannot be fitted, the findings' own estimates stand side by side, as if they were independent.

    A miss that makes a later one likelier counts here for what it does by itself, the finding for both: correcting
    the early step alone may spare more than this says, correcting both is not counted twice.
    """
    wanted = plausible_by_defect(findings)
    if not wanted:
        return ()
    models = base or BaseModels(table)
    found = []
    with threadpool_limits(limits=1):
        for defect in table.defects:
            if defect in wanted:
                told = {one.factor: one for one in findings if one.defect == defect}
                joint = _of_defect(models, defect, wanted[defect])
                found.append(_widened(joint, told) if joint else _side_by_side(table, defect, wanted[defect], told))
    return tuple(one for one in found if one.factors)


def _widened(joint: JointEffects, told: Mapping[str, Finding]) -> JointEffects:
    """Standard errors no smaller than the findings' own; correlations stay."""
    covariance = np.linalg.inv(joint.precision)
    se = np.sqrt(np.diag(covariance))
    own = np.array([told[factor].adjusted.log_se for factor in joint.factors])
    wider = np.where(np.isfinite(own) & (own > se), own / se, 1.0)
    return replace(joint, precision=np.linalg.inv(covariance * np.outer(wider, wider)))


def _side_by_side(
    table: PatternTable, defect: str, factors: tuple[str, ...], told: Mapping[str, Finding]
) -> JointEffects:
    usable = tuple(factor for factor in factors if told[factor].adjusted.log_se > 0)
    effects = [told[factor].adjusted for factor in usable]
    return JointEffects(
        defect=defect,
        factors=usable,
        estimate=np.log([one.odds_ratio.estimate for one in effects]),
        precision=np.diag(np.array([one.log_se for one in effects]) ** -2.0),
        prone=np.ones(table.patterns),
    )


def _of_defect(base: BaseModels, defect: str, factors: tuple[str, ...]) -> JointEffects | None:
    table, background = base.table, base.background(defect)
    status = table.status[:, [table.factors.index(factor) for factor in factors]]
    X = np.hstack([status == MISSED, status == NOT_RECORDED, background.columns]).astype(np.float64)
    size = len(factors)
    returns = float(background.events.sum())
    ridge = np.concatenate(
        [
            np.full(size, _HELD),
            np.full(size, RIDGE_WEAK),
            np.full(background.fixed, weak_ridge(background.fixed, returns=returns)),
            background.ridge[background.fixed :],
        ]
    )
    keep = independent_columns(X, ridge)
    start = np.concatenate([np.zeros(2 * size), background.start])[keep]
    try:
        fitted = _fitted(background, X[:, keep], ridge[keep], start)
    except FitError:
        return None
    bins = len(background.live)
    kept = [k for k in range(size) if keep[k]]
    own = slice(bins, bins + len(kept))
    covariance = fitted.covariance[own, own]
    with_held = np.linalg.inv(covariance)
    precision = _positive(with_held - _HELD * np.eye(len(kept)))
    estimate = np.asarray(np.linalg.solve(precision, with_held @ fitted.theta[own]), dtype=np.float64)
    return JointEffects(
        defect=defect,
        factors=tuple(factors[k] for k in kept),
        estimate=estimate,
        precision=precision,
        prone=_prone(background, X[:, keep], fitted, first=int(keep[: 2 * size].sum())),
    )


def _fitted(background: Background, X: Floats, ridge: Floats, start: Floats) -> Fit:
    grouped = background.group_ridge > 0
    design = merged_design(
        X,
        at_risk=background.live_at_risk,
        events=background.live_events,
        ridge=ridge,
        groups=background.groups if grouped else None,
        group_ridge=background.group_ridge,
        single=True,
    )
    tail = background.group_start if grouped else np.zeros(0)
    begin = np.concatenate([background.bin_start[background.live], start, tail])
    return fit(design, start=begin, tolerance=_TOLERANCE)


def _positive(precision: Floats) -> Floats:
    """The nearest matrix that says at least next to nothing in every direction."""
    values, vectors = np.linalg.eigh(0.5 * (precision + precision.T))
    held: Floats = (vectors * np.maximum(values, _FLAT)) @ vectors.T
    return held


def _prone(background: Background, X: Floats, fitted: Fit, *, first: int) -> Floats:
    """Relative hazard from everything but the misses; a gap in the log is no property of the restoration."""
    bins, columns = len(background.live), X.shape[1]
    added = X[:, first:] @ fitted.theta[bins + first : bins + columns]
    if background.group_ridge > 0:
        added = added + fitted.theta[bins + columns :][background.groups]
    prone: Floats = np.exp(np.clip(added - np.median(added), -_MOST_PRONE, _MOST_PRONE))
    return prone

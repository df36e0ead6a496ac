"""Multiple imputation of unrecorded steps: draw who missed, and combine what the completed tables say."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf, isfinite
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, stdtrit

from remakes.counts.table import PatternTable
from remakes.deviations.detect import MISSED, NOT_APPLICABLE, NOT_RECORDED
from remakes.errors import FitError
from remakes.evidence.checks.filled_in import FilledIn, Restorations, restorations_apart
from remakes.evidence.estimate import Estimate
from remakes.evidence.models.adjustment import Background
from remakes.evidence.models.case_mix import RIDGE_WEAK
from remakes.evidence.models.likelihood import Design
from remakes.evidence.models.logistic import fit
from remakes.evidence.models.profile_interval import ProfileInterval
from remakes.texts import t

__all__ = ["Imputed", "MissModel", "Pooled", "combine", "impute"]

Floats = NDArray[np.float64]

#: Share of variance between imputations that is rounding.
_NOTHING_LOST: Final = 1e-12
#: Precision of the prior of clinics and quarters in the miss model: standard deviation 0.5 on the log odds. They
#: are many and small; with a wide prior the draws for a clinic of three restorations would be mostly noise.
_RIDGE_MANY_LEVELS: Final = 4.0
#: Precision of the prior of the outcome in the miss model: standard deviation 3. It must hold the odds ratio
#: that is looked for, and yet keep a draw finite where no returned restoration is recorded as missed.
_RIDGE_OUTCOME: Final = 1.0 / 9.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooled:
    """Estimates of several completed data sets, combined.

    Attributes
    ----------
    estimate, low, high : float
        On the scale of the estimates, with a t interval.
    variance : float
        Total: within, and between with its finite-m correction.
    df : float
    missing_information : float
        Fraction of the information lost with the missing values; the two ends are 0 and 1.
    imputations : int
    """

    estimate: float
    low: float
    high: float
    variance: float
    df: float
    missing_information: float
    imputations: int


def combine(estimates: Floats, variances: Floats, *, complete_df: float = inf, level: float = 0.95) -> Pooled:
    """What do m completed data sets say together? (Rubin's rules.)

    Parameters
    ----------
    estimates, variances : (m,) arrays
        Of one normally distributed estimate, such as a log odds ratio.
    complete_df : float
        Degrees of freedom had nothing been missing; infinite for likelihood-based estimates.
    level : float
        Confidence level, a fraction in (0, 1).

    Raises
    ------
    FitError
        Fewer than two estimates, or one that is not a finite number.

    References
    ----------
    Rubin DB. Multiple Imputation for Nonresponse in Surveys. Wiley (1987), 3.1.
    Barnard J, Rubin DB. Biometrika 86:948-955 (1999), for the degrees of freedom.
    """
    m = len(estimates)
    if m < 2 or len(variances) != m or not (np.isfinite(estimates).all() and np.isfinite(variances).all()):
        raise FitError(
            t(
                "{m} estimates with {variances} variances to combine. Rubin's rules need at least two, all "
                "finite: draw more imputations, or leave out the model that could not be fitted.",
                m=m,
                variances=len(variances),
            )
        )
    within = float(variances.mean())
    between = float(estimates.var(ddof=1)) * (1.0 + 1.0 / m)
    total = within + between
    lost = between / total if total else 0.0
    df = _degrees_of_freedom(lost, m, complete_df)
    old_df = _degrees_of_freedom(lost, m, inf)
    centre, half = float(estimates.mean()), float(np.sqrt(total)) * _t_quantile(df, level)
    return Pooled(
        estimate=centre,
        low=centre - half,
        high=centre + half,
        variance=total,
        df=df,
        # Rubin 1987, (3.1.10): the share of variance that is between, raised for not knowing it exactly.
        missing_information=lost + (1.0 - lost) * (2.0 / (old_df + 3.0) if isfinite(old_df) else 0.0),
        imputations=m,
    )


def _degrees_of_freedom(lost: float, m: int, complete_df: float) -> float:
    old = (m - 1) / lost**2 if lost > _NOTHING_LOST else inf
    if not isfinite(complete_df):
        return old
    observed = (complete_df + 1.0) / (complete_df + 3.0) * complete_df * (1.0 - lost)
    if observed <= 0.0:
        return old
    return 1.0 / (1.0 / old + 1.0 / observed)


def _t_quantile(df: float, level: float) -> float:
    return float(stdtrit(df, 0.5 * (1.0 + level)))


class MissModel:
    """Who missed a requirement? A logistic model of the recorded restorations, to draw the unrecorded from.

    Parameters
    ----------
    table : PatternTable
    background : Background
        Of the defect.
    filled : FilledIn
        Of the factor and the defect; its unrecorded restorations are those drawn.
    factor : str

    Raises
    ------
    FitError
        Recorded as met, or as missed, every time.

    Notes
    -----
    Everything that stands in the model of the finding stands here too, or the draws would pull the odds ratio
    towards 1: case mix, technician, quarter, clinic, the other misses of the adjustment set, and the outcome:
    returned with this defect or not, and the cumulative hazard up to the end of its months at risk. The latter
    rather than the logarithm of the months: if returns follow a proportional model, it is (to first order) what
    the log odds of the miss are linear in (White & Royston 2009).
    Priors are normal, the posterior is taken as normal at its mode.

    References
    ----------
    White IR, Royston P. Statistics in Medicine 28:1982-1998 (2009).
    """

    def __init__(self, table: PatternTable, background: Background, filled: FilledIn, factor: str) -> None:
        status = table.status_of(factor)
        known = restorations_apart(table, background, (status != NOT_APPLICABLE) & (status != NOT_RECORDED))
        rows = _joined(known, filled.unrecorded)
        clinic = table.attributes["clinic"].codes[rows.pattern]
        # The clinics are a grouping, so rows come in their order; unrecorded rows ride along without weight.
        order = np.argsort(clinic, kind="stable")
        unrecorded = np.arange(len(rows.pattern)) >= len(known.pattern)
        weight = np.where(unrecorded, 0.0, rows.number)
        missed = weight * (status[rows.pattern] == MISSED)
        X, ridge = _columns(table, background, filled, rows)
        groups = np.unique(clinic, return_inverse=True)[1].astype(np.intp)
        design = Design(
            covariates=np.ascontiguousarray(X[order]),
            at_risk=weight[order, None],
            events=missed[order, None],
            ridge=ridge,
            groups=groups[order],
            group_ridge=_RIDGE_MANY_LEVELS,
        )
        found = fit(design, firth=False, tolerance=1e-4)
        self._number = rows.number[unrecorded].astype(np.int64)
        self._columns = np.column_stack(
            [np.ones(len(self._number)), X[unrecorded], np.eye(design.levels)[groups[unrecorded]]]
        )
        self._mode = found.theta
        self._root = np.linalg.cholesky(found.covariance)

    @property
    def probability(self) -> Floats:
        """How probable it is that each unrecorded restoration was missed, at the mode, (u,) array."""
        probability: Floats = expit(self._columns @ self._mode)
        return probability

    def draws(self, m: int, rng: np.random.Generator) -> Iterator[Floats]:
        """Share of misses in each row of unrecorded restorations, drawn m times from the posterior predictive."""
        for _ in range(m):
            theta = self._mode + self._root @ rng.standard_normal(len(self._mode))
            # Whole restorations are drawn, so a return is either that of a miss or not.
            yield rng.binomial(self._number, expit(self._columns @ theta)) / self._number


def _joined(known: Restorations, unknown: Restorations) -> Restorations:
    return Restorations(
        pattern=np.concatenate([known.pattern, unknown.pattern]),
        number=np.concatenate([known.number, unknown.number]),
        returned=np.concatenate([known.returned, unknown.returned]),
        at_risk=np.vstack([known.at_risk, unknown.at_risk]),
        events=np.vstack([known.events, unknown.events]),
    )


def _columns(
    table: PatternTable, background: Background, filled: FilledIn, rows: Restorations
) -> tuple[Floats, Floats]:
    """Columns of the miss model without the clinics, and their ridge."""
    hazard = rows.events.sum(axis=0) / np.maximum(rows.at_risk.sum(axis=0), 1.0)
    followed = (rows.at_risk @ hazard) / rows.number
    spread = float(followed.std())
    followed = (followed - followed.mean()) / (spread or 1.0)
    technician, quarter = (_indicators(table, name)[rows.pattern] for name in ("technician", "quarter"))
    others = filled.others[rows.pattern]
    weak = [background.columns[rows.pattern, : background.fixed], technician, others == MISSED, others == NOT_RECORDED]
    blocks = [(np.column_stack([rows.returned, followed]), _RIDGE_OUTCOME), (quarter, _RIDGE_MANY_LEVELS)]
    blocks += [(block, RIDGE_WEAK) for block in weak]
    ridge = np.concatenate([np.full(block.shape[1], precision) for block, precision in blocks])
    return np.hstack([np.asarray(block, dtype=np.float64) for block, _precision in blocks]), ridge


def _indicators(table: PatternTable, name: str) -> Floats:
    attribute = table.attributes[name]
    block: Floats = np.eye(len(attribute.levels))[attribute.codes]
    return block


@dataclass(frozen=True, slots=True, kw_only=True)
class Imputed:
    """The odds ratio from tables whose unrecorded steps were filled in by draws.

    Attributes
    ----------
    odds_ratio : Estimate
    missing_information : float
        Fraction of the information on the odds ratio lost with the unrecorded steps.
    missed_share : float
        Mean share of misses drawn for the unrecorded restorations.
    imputations : int
    df : float
    """

    odds_ratio: Estimate
    missing_information: float
    missed_share: float
    imputations: int
    df: float

    def as_json(self) -> dict[str, Any]:
        """For findings."""
        return {
            "odds_ratio": self.odds_ratio.as_json(),
            "missing_information": self.missing_information,
            "missed_share": self.missed_share,
            "imputations": self.imputations,
            "degrees_of_freedom": self.df if isfinite(self.df) else None,
        }


def impute(filled: FilledIn, model: MissModel, *, imputations: int, seed: int) -> Imputed:
    """What would the odds ratio be, had the unrecorded steps been recorded and were gaps blind to the miss?

    Parameters
    ----------
    filled : FilledIn
    model : MissModel
        Of the same factor and defect.
    imputations : int
        How many completed tables, at least 2.
    seed : int

    Notes
    -----
    "Blind": whether a step was recorded depends on case, technician, quarter and return, but given these not on
    whether it was missed. Log odds ratios are combined by Rubin's rules with their information-based variance.
    The complete-data degrees of freedom are infinite: the interval of the finding is likelihood-based too, and
    with hundreds of months at risk it is the returns, not these degrees of freedom, that limit it.
    """
    rng = np.random.default_rng(seed)
    near, shape = filled.interval(model.probability)
    effects, shares = [], []
    for missed in model.draws(imputations, rng):
        effects.append(filled.drawn(missed, near=near))
        shares.append(float(np.average(missed, weights=filled.unrecorded.number)))
    estimates, variances = np.array(effects).T
    low, high = _stretch(shape, variance=filled.effect(near)[1])
    pooled = combine(estimates, variances * low * high if isfinite(low * high) else variances)
    ends = (
        combine(estimates, variances * low**2).low if isfinite(low) else -inf,
        combine(estimates, variances * high**2).high if isfinite(high) else inf,
    )
    return Imputed(
        odds_ratio=Estimate(*(float(np.exp(value)) for value in (pooled.estimate, *ends))),
        missing_information=pooled.missing_information,
        missed_share=float(np.mean(shares)),
        imputations=pooled.imputations,
        df=pooled.df,
    )


def _stretch(shape: ProfileInterval, *, variance: float) -> tuple[float, float]:
    """How much further the profile reaches to either side than the information says."""
    half = _t_quantile(inf, shape.level) * variance**0.5
    return (shape.estimate - shape.low) / half, (shape.high - shape.estimate) / half

"""The adjusted effect of one missed requirement on one defect: odds ratio, risks, avoidable returns.

The model is a discrete-time logistic regression with Firth's penalty on the recorded restorations; its
risks are standardized over every restoration the requirement applies to, with intercepts moved so that
expected returns equal those observed (FLIC). Limits of the avoidable returns are those of the odds ratio
carried through the same standardization, with everything else refitted at each limit: the interval of
one contains none avoidable exactly where that of the other contains 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.table import PatternTable, months_within, share_within
from remakes.deviations.detect import MET, MISSED
from remakes.errors import FitError
from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.evidence.models.adjustment import Background, PairDesign, pair_design
from remakes.evidence.models.logistic import FIT_TOLERANCE, Fit, fit, flic_shift
from remakes.evidence.models.profile_interval import LIMIT_TOLERANCE, profile
from remakes.evidence.tables.attributable import EValue, e_value_of_odds_ratio
from remakes.records.standard import ProcessStandard
from remakes.texts import t

__all__ = ["LEAST_RETURNS", "AdjustedEffect", "adjusted_effect", "missed_share", "standardized_risk"]

Floats = NDArray[np.float64]

#: With fewer returns among recorded restorations no model is fitted.
LEAST_RETURNS: Final = 3
#: Strength with which a technician's share of misses is drawn to the lab's, in restorations.
_SHARE_STRENGTH: Final = 10.0


#: Beyond this every risk is 1.
_MOST_LOG_ODDS: Final = 300.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AdjustedEffect:
    """One factor and one defect, compared within the adjustment set.

    Attributes
    ----------
    odds_ratio : Estimate
        Missed against met, per month at risk; profile-penalized interval.
    p : float
        Penalized likelihood-ratio test of no effect; nan where not estimable.
    risk_met, risk_missed : float
        Standardized risk of a return with this defect within the horizon.
    avoidable : Estimate
        Returns that would not have happened had every missed requirement been met.
    why_not : str
        Empty, or why no estimate could be had.
    """

    odds_ratio: Estimate
    p: float
    risk_met: float
    risk_missed: float
    avoidable: Estimate
    why_not: str = ""

    @property
    def hidden_cause(self) -> EValue | None:
        """How strongly a hidden cause must go with miss and return to explain the odds ratio away; None without one."""
        ratio = self.odds_ratio
        if not np.isfinite(ratio.estimate):
            return None
        risk = max(self.risk_met, self.risk_missed)
        return e_value_of_odds_ratio(estimate=ratio.estimate, low=ratio.low, high=ratio.high, outcome_risk=risk)

    @property
    def log_se(self) -> float:
        """Half-width of the interval on the log scale per normal quantile; nan where an end is open."""
        if not 0.0 < self.odds_ratio.low < self.odds_ratio.high < np.inf:
            return float("nan")
        return float(np.log(self.odds_ratio.high / self.odds_ratio.low) / (2 * 1.959964))


def _without(why: str) -> AdjustedEffect:
    nan = float("nan")
    return AdjustedEffect(odds_ratio=UNKNOWN, p=nan, risk_met=nan, risk_missed=nan, avoidable=UNKNOWN, why_not=why)


def adjusted_effect(
    table: PatternTable, background: Background, standard: ProcessStandard, *, factor: str, horizon: int
) -> AdjustedEffect:
    """How many times more often does a restoration with the miss come back, all else alike?

    Parameters
    ----------
    table : PatternTable
    background : Background
        Of the defect in question.
    standard : ProcessStandard
    factor : str
    horizon : int
        Months of service that the risks look at.
    """
    why = _why_not(table, factor, background.defect)
    if why:
        return _without(why)
    try:
        pair = pair_design(table, background, standard, factor=factor, unrecorded=missed_share(table, factor))
        best = fit(pair.design, start=pair.start, tolerance=FIT_TOLERANCE)
        interval = profile(pair.design, best, 0, tolerance=LIMIT_TOLERANCE)
    except FitError as error:
        return _without(str(error))
    carry = _Carry(pair, horizon)
    risk_met, risk_missed, avoidable = carry.figures(best)
    return AdjustedEffect(
        odds_ratio=Estimate(*(float(np.exp(v)) for v in (interval.estimate, interval.low, interval.high))),
        p=interval.p,
        risk_met=risk_met,
        risk_missed=risk_missed,
        avoidable=Estimate(
            avoidable,
            carry.avoidable(interval.low_fit) if interval.low_fit else float("-inf"),
            carry.avoidable(interval.high_fit) if interval.high_fit else float("inf"),
        ),
    )


def _why_not(table: PatternTable, factor: str, defect: str) -> str:
    counts = table.counts(factor, defect)
    if counts.missed == 0:
        return t("never recorded as missed") if counts.met else t("never recorded")
    if counts.met == 0:
        return t("recorded as missed every time: nothing to compare with")
    returned = counts.returns_met + counts.returns_missed
    if returned < LEAST_RETURNS:
        return t(
            "only {returned} of its returns have this step recorded; an estimate needs at least {least_returns}",
            returned=returned,
            least_returns=LEAST_RETURNS,
        )
    return ""


def standardized_risk(hazards: Floats, *, months: Floats, weights: Floats) -> float:
    """Which share of these restorations would come back, with these hazards for everyone?

    Parameters
    ----------
    hazards : (patterns, bins) array
        Probability of a return per month at risk, below 1.
    months : (bins,) array
        Months of each bin within the horizon.
    weights : (patterns,) array
        Restorations of each pattern: the mix that is standardized to.

    Notes
    -----
    One minus the product of (1 - hazard) over the months, averaged over the restorations (g-computation).
    """
    survived = np.exp(np.log1p(-hazards) @ months)
    return float(np.average(1.0 - survived, weights=weights))


def missed_share(table: PatternTable, factor: str) -> Floats:
    """How probable it is that an unrecorded step was missed, by pattern.

    The technician's own share of misses among recorded restorations, drawn towards the lab's share.
    """
    status, person = table.status_of(factor), table.attributes["technician"]
    size = len(person.levels)
    missed = np.bincount(person.codes, table.restorations * (status == MISSED), minlength=size)
    known = missed + np.bincount(person.codes, table.restorations * (status == MET), minlength=size)
    overall = float(missed.sum() / known.sum()) if known.sum() else 0.0
    share: Floats = (missed + _SHARE_STRENGTH * overall) / (known + _SHARE_STRENGTH)
    return share[person.codes]


class _Carry:
    """Carry a fit to every restoration the requirement applies to."""

    def __init__(self, pair: PairDesign, horizon: int) -> None:
        self.pair = pair
        self.months = months_within(horizon)[pair.bins]
        self.exposed = pair.exposed * share_within(horizon)[pair.bins]
        self.some = np.flatnonzero(self.exposed.any(axis=1))

    def figures(self, fitted: Fit) -> tuple[float, float, float]:
        """Standardized risk had all met, had all missed, the requirement; returns avoidable."""
        met, missed = self._hazards(fitted, np.arange(len(self.pair.restorations)))
        weights = self.pair.restorations
        return (
            standardized_risk(met, months=self.months, weights=weights),
            standardized_risk(missed, months=self.months, weights=weights),
            float((self.exposed * (missed - met)).sum()),
        )

    def avoidable(self, fitted: Fit) -> float:
        """Returns within the horizon beyond those to expect had every missed requirement been met."""
        met, missed = self._hazards(fitted, self.some)
        return float((self.exposed[self.some] * (missed - met)).sum())

    def _hazards(self, fitted: Fit, rows: NDArray[np.intp]) -> tuple[Floats, Floats]:
        design = self.pair.design
        bins, p = design.bins, design.covariates.shape[1]
        effects = fitted.theta[bins : bins + p]
        base = self.pair.covariates[rows] @ effects[1:]
        if design.levels:
            # A level without a recorded restoration is taken as an average one.
            base = base + np.append(fitted.theta[bins + p :], 0.0)[self.pair.groups[rows]]
        at_start = np.exp(fitted.theta[:bins] + flic_shift(design, fitted))
        met = np.exp(np.minimum(base, _MOST_LOG_ODDS))[:, None] * at_start
        missed = met * np.exp(min(float(effects[0]), _MOST_LOG_ODDS))
        return _hazard(met), _hazard(missed)


def _hazard(odds: Floats) -> Floats:
    return np.minimum(odds / (1.0 + odds), 1.0 - 1e-12)

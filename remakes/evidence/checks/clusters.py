"""Does a finding stand when the restorations of one clinic, or of one technician, are taken as alike?

Rows of the model are taken apart again by cluster: a pattern has one clinic and one technician, and all
its months in service belong to it, so counts lose nothing.

The variance is that of `sandwich`: CR2 with Satterthwaite degrees of freedom, on the standardized scale.
How the penalties of the model enter it:

- The bread is the inverse of the penalized (ridged) information, the same that the fit steps by.
- A normal prior is a row of data like any other, with its precision as information and its pull
  at the estimate as score. The prior of an effect that one cluster alone carries (a clinic's effect, by
  clinic) stands in that cluster; the sandwich is then that of the marginal model, in which the clinic's
  shared part is noise. The prior of any other effect (a quarter's, by clinic) is a cluster of its own.
  With this the variance is right on average if the model is right, priors included.
- Firth's penalty moves the estimate and no residual: residuals are returns less expected returns. They
  do not quite sum to zero, by less than one return. Adding the penalty to them changed nothing in simulations.

CR2 is exact on average for linear models only. With one to two returns for each column of the model it came
out 10 to 20 % below the true spread in simulations without any clustering, and an interval from it alone
covered in 88 to 95 %. So it never stands alone: of the model's interval and the robust ones the widest counts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import exp, inf, isfinite, log
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from remakes.counts.table import PatternTable
from remakes.deviations.detect import MET, MISSED
from remakes.errors import FitError
from remakes.evidence.checks.sandwich import ClusterScore, robust_errors
from remakes.evidence.estimate import Estimate
from remakes.evidence.models.adjustment import Background, PairDesign, adjustment_names
from remakes.evidence.models.logistic import Fit
from remakes.records.standard import ProcessStandard
from remakes.texts import later, t

__all__ = [
    "LEAST_CLUSTERS",
    "Clustered",
    "LevelRows",
    "TakenApart",
    "Widest",
    "clustered",
    "rows_by_level",
    "take_apart",
    "widest",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

#: So many clusters must hold both a missed and a met restoration.
LEAST_CLUSTERS: Final = 4
#: Log odds beyond which an end of an interval is called infinite.
_FAR: Final = 15.0


_ALIKE: Final = {
    "clinic": later(
        "Were all restorations of one clinic alike in what nobody recorded, the interval would be {low:.1f} to {high} "
        "(from {clusters} clinics, worth {df:.0f} of equal weight)."
    ),
    "technician": later(
        "Were all restorations of one technician alike in what nobody recorded, the interval would be {low:.1f} to "
        "{high} (from {clusters} technicians, worth {df:.0f} of equal weight)."
    ),
    "cluster": later(
        "Were all restorations of one {by} alike in what nobody recorded, the interval would be {low:.1f} to {high} "
        "(from {clusters} {by}s, worth {df:.0f} of equal weight)."
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelRows:
    """The rows of a pair's design taken apart by the levels of an attribute, in ascending order of level.

    Attributes
    ----------
    levels : (m,) array of int
        Which level of the attribute.
    rows : (m,) array of int
        Which row of the design, ascending within a level.
    at_risk, events : (m, bins) arrays
        What the level holds of the row.
    """

    levels: Ints
    rows: Ints
    at_risk: Floats
    events: Floats

    def of(self, level: int) -> slice:
        """Where a level stands."""
        first, last = (int(at) for at in np.searchsorted(self.levels, np.array([level, level + 1])))
        return slice(first, last)

    @property
    def present(self) -> Ints:
        """Levels with any row."""
        return np.unique(self.levels)


def rows_by_level(
    table: PatternTable, background: Background, standard: ProcessStandard, pair: PairDesign, *, factor: str, by: str
) -> LevelRows:
    """How much of each row of the design does each clinic (technician, quarter, lot) hold?

    Parameters
    ----------
    table, background, standard, factor
        What the pair was made from.
    pair : PairDesign
    by : str
        An attribute of the table.

    Raises
    ------
    FitError
        The pair is of another table, defect or factor.
    """
    status = table.status_of(factor)
    recorded = np.flatnonzero((status == MET) | (status == MISSED))
    names = (factor, *adjustment_names(standard, factor, background.defect))
    keys: list[NDArray[Any]] = [background.number, *(table.status_of(name) for name in names)]
    rows = _ranks([key[recorded] for key in keys])
    codes = table.attributes[by].codes[recorded]
    # Rows ascend within levels: the order the design's groups are in.
    order = np.lexsort((rows, codes))
    starts = np.flatnonzero(
        np.append(True, (np.diff(rows[order]) != 0) | (np.diff(codes[order]) != 0)) if len(order) else order
    )
    chosen = recorded[order]
    at_risk = np.add.reduceat(background.at_risk[chosen][:, pair.bins], starts)
    events = np.add.reduceat(background.events[chosen][:, pair.bins], starts)
    apart = LevelRows(levels=codes[order][starts], rows=rows[order][starts], at_risk=at_risk, events=events)
    _check(apart, pair)
    return apart


def _ranks(keys: list[NDArray[Any]]) -> Ints:
    """Number of each row among the different rows of keys, the first key counting most."""
    order = np.lexsort(keys[::-1])
    new = np.zeros(len(order), dtype=bool)
    for key in keys:
        new[1:] |= np.diff(key[order]) != 0
    ranks = np.empty(len(order), dtype=np.intp)
    ranks[order] = np.cumsum(new)
    return ranks


def _check(apart: LevelRows, pair: PairDesign) -> None:
    design = pair.design
    months = np.zeros_like(design.at_risk)
    if apart.rows.max(initial=-1) < len(months):
        np.add.at(months, apart.rows, apart.at_risk)
    if not np.array_equal(months, design.at_risk):
        raise FitError(
            t(
                "The rows of this pair do not add up from the table's patterns. Make the pair from the same "
                "table, background and factor."
            )
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Clustered:
    """An odds ratio with an interval that takes the restorations of one cluster as alike.

    Attributes
    ----------
    by : str
        clinic, technician, ...
    clusters : int
        How many hold a recorded restoration.
    both_sides : int
        How many of them hold both a missed and a met one.
    estimate : float
        The odds ratio of the model.
    se, model_se : float
        Standard errors of its log: robust (CR2), and from the model alone (curvature).
    df : float
        Satterthwaite degrees of freedom; far fewer than clusters where a few clusters decide.
    low, high : float
        95 % t interval of the odds ratio; infinite or zero beyond fifteen log odds.
    p : float
        Of the same t distribution.
    """

    by: str
    clusters: int
    both_sides: int
    estimate: float
    se: float
    model_se: float
    df: float
    low: float
    high: float
    p: float

    @property
    def odds_ratio(self) -> Estimate:
        """Estimate and interval."""
        return Estimate(self.estimate, self.low, self.high)

    @property
    def sentence(self) -> str:
        """For a technician."""
        high = t("{high:.1f}", high=self.high) if isfinite(self.high) else t("anything")
        return t(
            str(_ALIKE.get(self.by, _ALIKE["cluster"])),
            by=self.by,
            low=self.low,
            high=high,
            clusters=self.clusters,
            df=self.df + 1,
        )

    def as_json(self) -> dict[str, Any]:
        """For findings: what is not a finite number becomes null."""
        numbers = ("estimate", "low", "high", "se", "model_se", "df", "p")
        counted = {"by": self.by, "clusters": self.clusters, "both_sides": self.both_sides}
        return counted | {name: value if isfinite(value := getattr(self, name)) else None for name in numbers}


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenApart:
    """A fitted pair taken apart by the levels of an attribute: the rows, and what each level says of the parameters."""

    by: str
    rows: LevelRows
    scores: Mapping[int, ClusterScore]


def take_apart(
    table: PatternTable,
    background: Background,
    standard: ProcessStandard,
    pair: PairDesign,
    fitted: Fit,
    *,
    factor: str,
    by: str,
) -> TakenApart:
    """What does each clinic (technician, quarter, lot) say of a fitted pair?

    Parameters
    ----------
    table, background, standard, factor
        What the pair was made from.
    pair : PairDesign
    fitted : Fit
        Of the pair's design.
    by : str
        An attribute of the table.

    Raises
    ------
    FitError
        The pair is of another table, defect or factor.
    """
    rows = rows_by_level(table, background, standard, pair, factor=factor, by=by)
    return TakenApart(by=by, rows=rows, scores=_level_scores(pair, fitted, rows))


def clustered(
    table: PatternTable,
    pair: PairDesign,
    fitted: Fit,
    apart: TakenApart,
    *,
    factor: str,
) -> Clustered | None:
    """How unsure is the odds ratio of a missed requirement, if restorations of one cluster are not independent?

    Parameters
    ----------
    table, factor
        What the pair was made from.
    pair : PairDesign
    fitted : Fit
        Of the pair's design.
    apart : TakenApart
        The pair by the attribute whose levels are the clusters: clinic, technician, ...

    Returns
    -------
    Clustered or None
        None where fewer than four clusters hold both a missed and a met restoration: from so few, nothing
        can be learnt about how clusters differ.

    Raises
    ------
    FitError
        Columns cannot be told apart.
    """
    both = _both_sides(table, factor, apart.by)
    if both < LEAST_CLUSTERS:
        return None
    design = pair.design
    scores, priors = _with_priors(list(apart.scores.values()), pair, fitted)
    errors = robust_errors(scores, size=design.size, index=design.bins, priors=priors)
    estimate = float(fitted.theta[design.bins])
    low, high = errors.interval(estimate)
    return Clustered(
        by=apart.by,
        clusters=errors.clusters,
        both_sides=both,
        estimate=exp(estimate),
        se=errors.cr2,
        model_se=errors.model,
        df=errors.df,
        low=exp(low) if low > -_FAR else 0.0,
        high=exp(high) if high < _FAR else inf,
        p=errors.p(estimate),
    )


def _both_sides(table: PatternTable, factor: str, by: str) -> int:
    attribute, status = table.attributes[by], table.status_of(factor)
    size = len(attribute.levels)
    missed, met = (
        np.bincount(attribute.codes[status == code], table.restorations[status == code], minlength=size)
        for code in (MISSED, MET)
    )
    return int(((missed > 0) & (met > 0)).sum())


def _level_scores(pair: PairDesign, fitted: Fit, apart: LevelRows) -> dict[int, ClusterScore]:
    """Information and score of each level, from its part of every row.

    Parameters
    ----------
    pair : PairDesign
    fitted : Fit
        Of the pair's design; the score is that of the likelihood alone, without any penalty.
    apart : LevelRows
        Of the same pair.
    """
    design = pair.design
    B, p = design.bins, design.covariates.shape[1]
    of_row = design.covariates @ fitted.theta[B : B + p]
    if design.groups is not None:
        of_row = of_row + fitted.theta[B + p :][design.groups]
    P = expit(of_row[:, None] + fitted.theta[:B])[apart.rows]
    expected = apart.at_risk * P
    W, residual = expected * (1.0 - P), apart.events - expected
    scores = {}
    for level in apart.present:
        here = apart.of(level)
        rows = apart.rows[here]
        groups = None if design.groups is None else design.groups[rows]
        scores[int(level)] = _score(design.covariates[rows], W[here], residual[here], groups)
    return scores


def _score(X: Floats, W: Floats, residual: Floats, groups: Ints | None) -> ClusterScore:
    """One cluster's blocks: bins, its covariates, its groups; only what it says anything about."""
    at = np.flatnonzero(X.any(axis=0))
    B, p = W.shape[1], X.shape[1]
    X = X[:, at]
    w, of_row = W.sum(axis=1), residual.sum(axis=1)
    columns = [np.arange(B), B + at]
    lines = [np.hstack([np.diag(W.sum(axis=0)), W.T @ X]), np.hstack([X.T @ W, X.T @ (X * w[:, None])])]
    score = [residual.sum(axis=0), X.T @ of_row]
    if groups is not None:
        starts = np.flatnonzero(np.append(True, np.diff(groups) != 0))
        columns.append(B + p + groups[starts])
        cross = np.add.reduceat(np.hstack([W, X * w[:, None]]), starts)
        lines = [np.hstack([np.vstack(lines), cross.T]), np.hstack([cross, np.diag(np.add.reduceat(w, starts))])]
        score.append(np.add.reduceat(of_row, starts))
    information = np.vstack(lines)
    said = np.flatnonzero(np.diag(information) > 0)
    return ClusterScore(
        columns=np.concatenate(columns)[said],
        information=information[np.ix_(said, said)],
        score=np.concatenate(score)[said],
    )


def _with_priors(
    scores: list[ClusterScore], pair: PairDesign, fitted: Fit
) -> tuple[list[ClusterScore], list[ClusterScore]]:
    """Each prior put into the cluster that alone carries its effect, and the others, each on its own."""
    design = pair.design
    ridge = np.concatenate([np.zeros(design.bins), design.ridge, np.full(design.levels, design.group_ridge)])
    held = np.zeros(design.size, dtype=int)
    for score in scores:
        held[score.columns] += 1
    pull = -ridge * fitted.theta
    alone = np.where(held == 1, ridge, 0.0)
    own = [
        replace(
            score,
            information=score.information + np.diag(alone[score.columns]),
            score=score.score + np.where(alone[score.columns] > 0, pull[score.columns], 0.0),
        )
        for score in scores
    ]
    shared = np.flatnonzero((ridge > 0) & (held != 1))
    priors = [
        ClusterScore(columns=np.array([j]), information=np.array([[ridge[j]]]), score=np.array([pull[j]]))
        for j in shared
    ]
    return own, priors


@dataclass(frozen=True, slots=True, kw_only=True)
class Widest:
    """The widest of several intervals around one odds ratio, with the p of the same method.

    `source` is "model" for the profile interval, else what was clustered by.
    """

    source: str
    odds_ratio: Estimate
    p: float


def widest(profile: Estimate, p: float, *robust: Clustered | None) -> Widest:
    """Which interval is the wider one, on the log scale: the model's own or a robust one?

    Parameters
    ----------
    profile : Estimate
        Odds ratio with the profile-penalized interval of the model.
    p : float
        Its likelihood-ratio p.
    robust : Clustered or None
        By clinic, by technician, ...; None is passed over.

    Notes
    -----
    An interval with an open end is wider than any closed one; of two alike the first stays.
    """
    found = Widest(source="model", odds_ratio=profile, p=p)
    for one in robust:
        if one is not None and _width(one.odds_ratio) > _width(found.odds_ratio):
            found = Widest(source=one.by, odds_ratio=one.odds_ratio, p=one.p)
    return found


def _width(of: Estimate) -> float:
    if not (isfinite(of.low) and of.low > 0 and isfinite(of.high)):
        return -inf if of.low != of.low or of.high != of.high else inf
    return log(of.high) - log(of.low)

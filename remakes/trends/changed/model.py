"""Relative hazards of one defect: what case mix and misses multiply the returns per month by.

One logistic regression on the whole record (month bins, case mix, clinics, technicians and quarters of delivery,
shrunken, and for every requirement whose miss may cause the defect a coefficient of the miss and one of its not
being recorded). A hazard is a few in a hundred a month, so odds ratios per month at risk are taken for ratios of
hazards.

What was not recorded counts as missed by the share its technician misses of what is recorded, so that a month of gaps
does not look like a month of fewer misses: its hazard is the mean of the two hazards, by a first fit. The coefficient
of the gap is what gaps go with beyond that.

Quarters stand in the fit, so that a miss that became commoner is not given what changed at the same time for other
reasons; they are no part of the relative hazards, so what only time explains stays in the rest.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.table import PatternTable
from remakes.deviations.detect import MET, MISSED, NOT_RECORDED
from remakes.errors import FitError
from remakes.evidence.models.adjusted import missed_share
from remakes.evidence.models.base import BaseModels
from remakes.evidence.models.case_mix import SHRUNKEN, CaseMix, weak_ridge
from remakes.evidence.models.designs import independent_columns, merged_design, row_numbers
from remakes.evidence.models.logistic import FIT_TOLERANCE, Fit, fit
from remakes.evidence.models.shrinkage import Shrinkage
from remakes.records.standard import ProcessStandard
from remakes.trends.changed.parts import Composition

__all__ = ["LEAST_FOR_MODEL", "RelativeHazards", "relative_hazards", "without_covariates"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

#: With fewer returns of a defect in the whole record only age is told apart.
LEAST_FOR_MODEL: Final = 10
#: Prior of a miss: standard deviation 1 on the log odds, so that most odds ratios lie between a seventh and seven.
_RIDGE_MISSED: Final = 1.0
#: Prior of a gap: standard deviation 0.5, since what it hides is a mixture of met and missed.
_RIDGE_NOT_RECORDED: Final = 4.0
#: The part of the model that stands in the fit only.
_TIME: Final = "quarter"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RelativeHazards:
    """The model's coefficients, the estimate first and then draws, and the rows they belong to.

    Attributes
    ----------
    factors : tuple of str
        Requirements in the model.
    number : (patterns,) array
        Row of each pattern.
    case_mix : (rows, c) array
        Columns of the case mix, indicators of clinics and technicians among them.
    missed : (rows, factors) array
        1 missed, 0 met or not required, and what is to be expected where it is not recorded.
    not_recorded : (rows, factors) array
        1 or 0.
    case_mix_effects : (s, c) array
    missed_effects, not_recorded_effects : (s, factors) arrays
    """

    factors: tuple[str, ...]
    number: Ints
    case_mix: Floats
    missed: Floats
    not_recorded: Floats
    case_mix_effects: Floats
    missed_effects: Floats
    not_recorded_effects: Floats

    def compositions(self, at_risk: Floats) -> tuple[Composition, ...]:
        """What was at risk, summed as the split needs it; gaps of all requirements together come last.

        Parameters
        ----------
        at_risk : (windows, patterns, ages) array
        """
        windows, _patterns, ages = at_risk.shape
        weights = self._by_row(at_risk)
        # Single precision takes half the time and is good to a millionth.
        effects, missed = self.missed_effects.astype(np.float32), self.missed.astype(np.float32)
        gaps = self.not_recorded_effects.astype(np.float32) @ self.not_recorded.T.astype(np.float32)
        m = effects @ missed.T + gaps
        relative = np.exp(self.case_mix_effects.astype(np.float32) @ self.case_mix.T.astype(np.float32))
        pull = relative * _grown(m)
        each = []
        for k, share in enumerate(missed.T):
            some = np.flatnonzero(share)
            each.append(effects[:, k, None] * (pull[:, some] @ (weights[some] * share[some, None])))
        each.append((pull * gaps) @ weights)
        shape = (len(m), -1, windows, ages)
        case_mix = (relative @ weights).astype(np.float64).reshape(shape)[:, 0]
        misses = np.stack(each, axis=1).astype(np.float64).reshape(shape)
        return tuple(
            Composition(at_risk=at_risk[w].sum(axis=0), case_mix=case_mix[:, w], misses=misses[:, :, w])
            for w in range(windows)
        )

    def _by_row(self, at_risk: Floats) -> NDArray[np.float32]:
        """At risk summed over the patterns of each row, windows and ages side by side."""
        order = np.argsort(self.number, kind="stable")
        ordered = self.number[order]
        starts = np.flatnonzero(np.append(True, ordered[1:] != ordered[:-1]))
        wide = at_risk.transpose(1, 0, 2).reshape(len(order), -1)
        return np.add.reduceat(wide[order], starts).astype(np.float32)


def _grown(m: NDArray[np.float32]) -> NDArray[np.float32]:
    """(exp(m) - 1) / m, which is 1 at 0."""
    grown: NDArray[np.float32] = np.divide(np.expm1(m), m, out=np.ones_like(m), where=np.abs(m) > 1e-6)
    return grown


def without_covariates(table: PatternTable, *, draws: int) -> RelativeHazards:
    """All restorations alike: for a defect with too few returns to tell more than age."""
    none = np.zeros((draws + 1, 0))
    return RelativeHazards(
        factors=(),
        number=np.zeros(table.patterns, dtype=np.intp),
        case_mix=np.zeros((1, 0)),
        missed=np.zeros((1, 0)),
        not_recorded=np.zeros((1, 0)),
        case_mix_effects=none,
        missed_effects=none,
        not_recorded_effects=none,
    )


def relative_hazards(
    base: BaseModels,
    standard: ProcessStandard,
    *,
    defect: str,
    draws: int,
    rng: np.random.Generator,
) -> RelativeHazards:
    """By how much do case mix and misses multiply the hazard of one defect, and how sure is that?

    Parameters
    ----------
    base : BaseModels
    standard : ProcessStandard
        The one their table was counted by.
    defect : str
        One with returns.
    draws : int
        So many draws follow the estimate, from the normal approximation of what the counts and the priors leave open.
    rng : Generator

    Returns
    -------
    RelativeHazards
        Without covariates where the defect has fewer than `LEAST_FOR_MODEL` returns or no model can be fitted.
    """
    table = base.table
    at_risk, events = table.events_of(defect)
    if events.sum() < LEAST_FOR_MODEL:
        return without_covariates(table, draws=draws)
    columns = _Columns(
        table, standard, base.case_mix, base.shrinkage(defect), defect=defect, returns=float(events.sum())
    )
    try:
        first, bins = columns.fitted(at_risk, events)
        columns.mix_hazards(first.theta[bins:])
        fitted, bins = columns.fitted(at_risk, events, start=first.theta)
    except FitError:
        return without_covariates(table, draws=draws)
    return columns.hazards(_drawn(fitted, bins, draws=draws, rng=rng))


def _drawn(fitted: Fit, bins: int, *, draws: int, rng: np.random.Generator) -> Floats:
    """The coefficients but for the month bins: the estimate, then draws in pairs opposite to each other."""
    theta, covariance = fitted.theta[bins:], fitted.covariance[bins:, bins:]
    size, vectors = np.linalg.eigh((covariance + covariance.T) / 2.0)
    root = vectors * np.sqrt(np.maximum(size, 0.0))
    half = rng.standard_normal(((draws + 1) // 2, len(theta))) @ root.T
    spread = np.concatenate([half, -half])[:draws]
    return np.vstack([theta, theta + spread])


class _Columns:
    """The columns of one defect's model and where each belongs."""

    def __init__(
        self,
        table: PatternTable,
        standard: ProcessStandard,
        case_mix: CaseMix,
        shrinkage: Shrinkage,
        *,
        defect: str,
        returns: float,
    ) -> None:
        self.factors = _asked(table, standard, defect)
        missed, gap = _misses(table, self.factors)
        every = np.arange(table.patterns)
        matter = [name for name in SHRUNKEN if shrinkage.matters(name)]
        # The one with most levels is summed by group, its columns are made only for the draws.
        self.grouped, dense = matter[:1], matter[1:]
        fixed = case_mix.columns.shape[1]
        blocks = {"missed": missed, "gap": gap, "case mix": case_mix.columns}
        ridge = {
            "missed": _RIDGE_MISSED,
            "gap": _RIDGE_NOT_RECORDED,
            "case mix": weak_ridge(fixed, returns=returns),
        }
        for name in dense:
            blocks[name] = case_mix.indicators(name, every)
            ridge[name] = shrinkage.sd[name] ** -2
        X = np.hstack(list(blocks.values()))
        strength = np.concatenate([np.full(blocks[name].shape[1], ridge[name]) for name in blocks])
        belongs = np.concatenate([np.full(blocks[name].shape[1], name) for name in blocks])
        # The first column is always kept, so an empty one stands before.
        keep = independent_columns(np.column_stack([np.zeros(len(X)), X]), np.append(0.0, strength))[1:]
        self.X, self.ridge, self.belongs = X[:, keep], strength[keep], belongs[keep]
        self.kept_misses = keep[: 2 * len(self.factors)].reshape(2, -1)
        self.groups = case_mix.codes[self.grouped[0]] if self.grouped else None
        self.levels = case_mix.levels[self.grouped[0]] if self.grouped else 0
        self.group_ridge = shrinkage.sd[self.grouped[0]] ** -2 if self.grouped else 0.0

    def mix_hazards(self, theta: Floats) -> None:
        """Make a step missed with some probability count as much as the mean hazard of missed and met does.

        So far it counted by the probability itself, which on the log scale is too little where the odds ratio is
        large. Nothing changes for what is recorded.
        """
        missed = np.flatnonzero(self.belongs == "missed")
        effects = theta[missed]
        mixed = np.log1p(self.X[:, missed] * np.expm1(effects))
        self.X[:, missed] = np.divide(mixed, effects, out=self.X[:, missed], where=np.abs(effects) > 1e-6)

    def fitted(self, at_risk: Floats, events: Floats, *, start: Floats | None = None) -> tuple[Fit, int]:
        """The model's maximum, and how many month bins it has: those with a return."""
        live = np.flatnonzero(events.any(axis=0))
        design = merged_design(
            self.X,
            at_risk=np.ascontiguousarray(at_risk[:, live]),
            events=np.ascontiguousarray(events[:, live]),
            ridge=self.ridge,
            groups=self.groups,
            group_ridge=self.group_ridge,
            single=True,
        )
        return fit(design, start=start, tolerance=FIT_TOLERANCE), len(live)

    def hazards(self, theta: Floats) -> RelativeHazards:
        """Sort the coefficients by what they belong to; those of time are left out."""
        X, belongs = self.X, self.belongs
        if self.groups is not None:
            X = np.hstack([X, np.eye(self.levels)[self.groups]])
            belongs = np.append(belongs, np.full(self.levels, self.grouped[0]))
        told = belongs != _TIME
        X, belongs, theta = X[:, told], belongs[told], theta[:, told]
        number = row_numbers(X)
        rows = X[np.unique(number, return_index=True)[1]]
        mixed = ~np.isin(belongs, ("missed", "gap"))
        return RelativeHazards(
            factors=self.factors,
            number=number,
            case_mix=rows[:, mixed],
            missed=self._spread(rows[:, belongs == "missed"], 0),
            not_recorded=self._spread(rows[:, belongs == "gap"], 1),
            case_mix_effects=theta[:, mixed],
            missed_effects=self._spread(theta[:, belongs == "missed"], 0),
            not_recorded_effects=self._spread(theta[:, belongs == "gap"], 1),
        )

    def _spread(self, columns: Floats, which: int) -> Floats:
        """One column for each requirement, 0 where the fit had none."""
        wide = np.zeros((len(columns), len(self.factors)))
        wide[:, self.kept_misses[which]] = columns
        return wide


def _misses(table: PatternTable, factors: tuple[str, ...]) -> tuple[Floats, Floats]:
    """How far each requirement counts as missed, and whether it is not recorded, (patterns, factors) arrays."""
    missed, gap = np.zeros((table.patterns, len(factors))), np.zeros((table.patterns, len(factors)))
    for k, factor in enumerate(factors):
        status = table.status_of(factor)
        gap[:, k] = status == NOT_RECORDED
        missed[:, k] = np.where(status == NOT_RECORDED, missed_share(table, factor), status == MISSED)
    return missed, gap


def _asked(table: PatternTable, standard: ProcessStandard, defect: str) -> tuple[str, ...]:
    """Requirements whose miss may cause the defect and that were both met and missed."""
    found = []
    for factor in table.factors:
        status = table.status_of(factor)
        if defect in standard.may_cause(factor) and bool((status == MET).any() and (status == MISSED).any()):
            found.append(factor)
    return tuple(found)

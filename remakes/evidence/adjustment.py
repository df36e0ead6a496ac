"""Within what a factor is compared: one question, one adjustment set.

For the effect of one missed requirement on one defect, restorations are compared within what both
sides may share from before: who made it, for whom, what kind of piece, how hard the case, how short the
time, which quarter, how busy the week; and the misses of earlier steps, and of the same step, that may
cause the same defect. Never a later step: it may be a consequence of the one in question.

Technician, clinic and quarter are shrunken towards their mean with a strength estimated from the data;
their levels are many and their returns few. The misses of other requirements carry a fixed weak ridge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from remakes.counts.table import PatternTable
from remakes.deviations.detect import MET, MISSED, NOT_APPLICABLE, NOT_RECORDED
from remakes.evidence.case_mix import RIDGE_WEAK, SHRUNKEN, CaseMix, weak_ridge
from remakes.evidence.designs import independent_columns, merged_design
from remakes.evidence.logistic import Design
from remakes.evidence.shrinkage import Shrinkage
from remakes.records.standard import ProcessStandard

__all__ = ["PairDesign", "adjustment_names", "pair_design"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


def adjustment_names(standard: ProcessStandard, factor: str, defect: str) -> tuple[str, ...]:
    """The other requirements whose misses stand in the adjustment set: earlier or same step, same defect."""
    return tuple(name for name in standard.earlier_or_same_step(factor) if defect in standard.may_cause(name))


@dataclass(frozen=True, slots=True, kw_only=True)
class PairDesign:
    """The design of one factor and defect, and how to carry its fit to all restorations concerned.

    Attributes
    ----------
    design : Design
        Recorded restorations only; column 0 is the missed requirement. Bins without a return are left out:
        they hold no information on the odds ratio.
    start : (size,) array
        A good first guess of the design's parameters.
    bins : tuple of int
        Which bins the design has.
    rows : (m,) array
        All patterns to which the requirement applies.
    covariates : (m, p) array
        Their covariates; column 0 is 1 for missed, 0 for met, nan for not recorded.
    fitted : (m,) array of bool
        Which of them are in the design.
    groups : (m,) array
        Their level of the design's grouping; -1 for a level without a recorded restoration, or no grouping.
    """

    design: Design
    start: Floats
    bins: tuple[int, ...]
    rows: Ints
    covariates: Floats
    fitted: NDArray[np.bool_]
    groups: Ints


def pair_design(
    table: PatternTable,
    case_mix: CaseMix,
    standard: ProcessStandard,
    *,
    factor: str,
    defect: str,
    at_risk: Floats,
    events: Floats,
    shrinkage: Shrinkage,
) -> PairDesign:
    """Set up the model of one factor and one defect.

    Parameters
    ----------
    at_risk, events : (patterns, bins) arrays
        For this defect.
    """
    status = table.status_of(factor)
    rows = np.flatnonzero(status != NOT_APPLICABLE)
    recorded = (status[rows] == MET) | (status[rows] == MISSED)
    known = rows[recorded]
    missed = np.where(status[rows] == MISSED, 1.0, np.where(recorded, 0.0, np.nan))
    grouping = next((name for name in SHRUNKEN if shrinkage.matters(name)), None)
    columns = _Columns(missed)
    for name in adjustment_names(standard, factor, defect):
        columns.add(_indicators(table.status_of(name)[rows]), RIDGE_WEAK, np.zeros(2))
    returns = float(events[known].sum())
    fixed = case_mix.columns[rows]
    columns.add(fixed, weak_ridge(fixed.shape[1], returns=returns), shrinkage.case_mix)
    for name in SHRUNKEN:
        if shrinkage.matters(name) and name != grouping:
            columns.add(case_mix.indicators(name, rows), shrinkage.sd[name] ** -2, shrinkage.effects[name])
    X, ridge, start = columns.kept(recorded)
    bins = np.flatnonzero(events[known].sum(axis=0) > 0)
    codes = case_mix.codes[grouping] if grouping else np.zeros(table.patterns, dtype=np.intp)
    levels, inner = np.unique(codes[known], return_inverse=True)
    design = merged_design(
        X[recorded],
        at_risk=at_risk[known][:, bins],
        events=events[known][:, bins],
        ridge=ridge,
        groups=inner if grouping else None,
        group_ridge=shrinkage.sd[grouping] ** -2 if grouping else 0.0,
    )
    tail = shrinkage.effects[grouping][levels] if grouping else np.zeros(0)
    return PairDesign(
        design=design,
        start=np.concatenate([shrinkage.bins[bins], start, tail]),
        bins=tuple(int(b) for b in bins),
        rows=rows,
        covariates=X,
        fitted=recorded,
        groups=_renumber(codes[rows], levels) if grouping else np.full(len(rows), -1),
    )


class _Columns:
    """Covariates in the making, each with its ridge and its first guess; the question comes first."""

    def __init__(self, missed: Floats) -> None:
        self._blocks = [missed[:, None]]
        self._ridge = [np.zeros(1)]
        self._start = [np.zeros(1)]

    def add(self, block: Floats, ridge: float, start: Floats) -> None:
        self._blocks.append(block)
        self._ridge.append(np.full(block.shape[1], ridge))
        self._start.append(start)

    def kept(self, recorded: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats]:
        """All columns that say something among the recorded rows."""
        X, ridge, start = np.hstack(self._blocks), np.concatenate(self._ridge), np.concatenate(self._start)
        keep = independent_columns(X[recorded], ridge)
        return X[:, keep], ridge[keep], start[keep]


def _indicators(status: NDArray[np.int8]) -> Floats:
    """Missed and not-recorded indicators of another requirement."""
    return np.column_stack([status == MISSED, status == NOT_RECORDED]).astype(np.float64)


def _renumber(codes: Ints, levels: Ints) -> Ints:
    place = np.minimum(np.searchsorted(levels, codes), len(levels) - 1)
    return np.where(levels[place] == codes, place, -1)

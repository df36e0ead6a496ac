"""Within what a factor is compared: one question, one adjustment set.

For the effect of one missed requirement on one defect, restorations are compared within what both
sides may share from before: who made it, for whom, what kind of piece, how hard the case, how short the
time, which quarter, how busy the week; and the misses of earlier steps, and of the same step, that may
cause the same defect. Never a later step: it may be a consequence of the one in question.

Technician, clinic and quarter are shrunken towards their mean with a strength estimated from the data;
their levels are many and their returns few. The misses of other requirements carry a fixed weak ridge.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from remakes.counts.table import PatternTable
from remakes.deviations.detect import MET, MISSED, NOT_APPLICABLE, NOT_RECORDED
from remakes.evidence.models.case_mix import RIDGE_WEAK, SHRUNKEN, CaseMix, weak_ridge
from remakes.evidence.models.designs import independent_columns, row_numbers
from remakes.evidence.models.likelihood import Design
from remakes.evidence.models.shrinkage import Shrinkage
from remakes.records.standard import ProcessStandard

__all__ = ["Background", "PairDesign", "adjustment_names", "pair_design"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


def adjustment_names(standard: ProcessStandard, factor: str, defect: str) -> tuple[str, ...]:
    """The other requirements whose misses stand in the adjustment set: earlier or same step, same defect."""
    return tuple(name for name in standard.earlier_or_same_step(factor) if defect in standard.may_cause(name))


class Background:
    """What the models of one defect share: the columns known before the bench work, and rows alike in them.

    Attributes
    ----------
    defect : str
    at_risk, events : (patterns, bins) arrays
        Of this defect.
    live : (l,) array of int
        Bins with any return; only they say anything about an odds ratio.
    live_at_risk, live_events : (patterns, l) arrays
    columns : (patterns, c) array
        Case mix, and the indicators of shrunken effects that matter, but for one.
    fixed : int
        How many of the columns are case mix; the others carry the ridge in `ridge`.
    ridge, start : (c,) arrays
    groups : (patterns,) array
        Levels of the shrunken effect with most levels, whose columns are never formed; all 0 if none matters.
    group_start : (levels,) array
    group_ridge : float
        0 if no shrunken effect matters.
    number : (patterns,) array
        The same number for patterns alike in group and columns, ascending with the group.
    """

    def __init__(self, table: PatternTable, case_mix: CaseMix, shrinkage: Shrinkage, defect: str) -> None:
        self.defect = defect
        self._count(*table.events_of(defect))
        every = np.arange(table.patterns)
        matter = [name for name in SHRUNKEN if shrinkage.matters(name)]
        dense = matter[1:]
        self.columns: Floats = np.hstack([case_mix.columns, *(case_mix.indicators(name, every) for name in dense)])
        self.fixed = int(case_mix.columns.shape[1])
        self.ridge: Floats = np.concatenate(
            [np.zeros(self.fixed), *(np.full(case_mix.levels[name], shrinkage.sd[name] ** -2) for name in dense)]
        )
        self.start: Floats = np.concatenate([shrinkage.case_mix, *(shrinkage.effects[name] for name in dense)])
        self.bin_start: Floats = shrinkage.bins
        self.groups: Ints = case_mix.codes[matter[0]] if matter else np.zeros(table.patterns, dtype=np.intp)
        self.group_start: Floats = shrinkage.effects[matter[0]] if matter else np.zeros(1)
        self.group_ridge = shrinkage.sd[matter[0]] ** -2 if matter else 0.0
        self.number: Ints = row_numbers(np.column_stack([self.groups, self.columns]))

    def _count(self, at_risk: Floats, events: Floats) -> None:
        self.at_risk, self.events = at_risk, events
        self.live: Ints = np.flatnonzero(events.any(axis=0))
        self.live_at_risk: Floats = np.ascontiguousarray(at_risk[:, self.live])
        self.live_events: Floats = np.ascontiguousarray(events[:, self.live])

    def counted_anew(self, *, at_risk: Floats, events: Floats) -> Background:
        """The same columns, rows and shrinkage with other months and returns."""
        other = copy(self)
        other._count(at_risk, events)
        return other


@dataclass(frozen=True, slots=True, kw_only=True)
class PairDesign:
    """The design of one factor and defect, and how to carry its fit to all restorations concerned.

    Rows of the same covariates, group and status are merged: the same likelihood on fewer rows.

    Attributes
    ----------
    design : Design
        Recorded restorations only; column 0 is the missed requirement. Bins without a return are left out:
        they hold no information on the odds ratio.
    start : (size,) array
        A good first guess of the design's parameters.
    bins : (b,) array of int
        Which bins the design has.
    covariates : (m, p - 1) array
        All columns but the first, for every merged row to which the requirement applies.
    restorations : (m,) array
    exposed : (m, b) array
        Months at risk under a missed requirement: all of a missed row, of an unrecorded one by its probability.
    groups : (m,) array
        Level of the design's grouping; -1 for a level without a recorded restoration, or no grouping.
    """

    design: Design
    start: Floats
    bins: Ints
    covariates: Floats
    restorations: Floats
    exposed: Floats
    groups: Ints


def pair_design(
    table: PatternTable, background: Background, standard: ProcessStandard, *, factor: str, unrecorded: Floats
) -> PairDesign:
    """Set up the model of one factor and one defect.

    Parameters
    ----------
    table : PatternTable
    background : Background
        Of the defect.
    standard : ProcessStandard
    factor : str
    unrecorded : (patterns,) array
        Probability that an unrecorded step was missed.
    """
    merged = _Merged(table, background, adjustment_names(standard, factor, background.defect), factor, unrecorded)
    recorded = merged.status != NOT_RECORDED
    X, ridge, start = merged.columns(background, recorded)
    kept = np.flatnonzero(merged.events[recorded].sum(axis=0) > 0)
    bins = background.live[kept]
    levels, inner = np.unique(merged.groups[recorded], return_inverse=True)
    grouped = background.group_ridge > 0
    design = Design(
        covariates=np.ascontiguousarray(X[recorded]),
        at_risk=merged.at_risk[recorded][:, kept],
        events=merged.events[recorded][:, kept],
        ridge=ridge,
        groups=inner.astype(np.intp) if grouped else None,
        group_ridge=background.group_ridge,
        single=True,
    )
    tail = background.group_start[levels] if grouped else np.zeros(0)
    return PairDesign(
        design=design,
        start=np.concatenate([background.bin_start[bins], start, tail]),
        bins=bins,
        covariates=X[:, 1:],
        restorations=merged.restorations,
        exposed=merged.exposed[:, kept],
        groups=_renumber(merged.groups, levels) if grouped else np.full(len(merged.groups), -1),
    )


class _Merged:
    """Patterns to which a requirement applies, merged where nothing in the adjustment set tells them apart."""

    def __init__(
        self, table: PatternTable, background: Background, names: tuple[str, ...], factor: str, unrecorded: Floats
    ) -> None:
        rows = np.flatnonzero(table.status_of(factor) != NOT_APPLICABLE)
        self._statuses = table.status[:, [table.factors.index(name) for name in (factor, *names)]]
        order, starts = _alike(background.number[rows], self._statuses[rows])
        ordered = rows[order]
        self._first = ordered[starts]
        self.status = self._statuses[self._first, 0]
        self.groups = background.groups[self._first]
        at_risk = background.live_at_risk[ordered]
        self.at_risk: Floats = np.add.reduceat(at_risk, starts)
        self.events: Floats = np.add.reduceat(background.live_events[ordered], starts)
        self.restorations: Floats = np.add.reduceat(table.restorations[ordered].astype(np.float64), starts)
        own = self._statuses[ordered, 0]
        missed = np.where(own == MISSED, 1.0, np.where(own == MET, 0.0, unrecorded[ordered]))
        self.exposed: Floats = np.add.reduceat(at_risk * missed[:, None], starts)

    def columns(self, background: Background, recorded: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats]:
        """Covariates, ridge and first guess: the miss, the other misses, and the background."""
        others = self._statuses[self._first, 1:]
        misses = np.stack([others == MISSED, others == NOT_RECORDED], axis=-1).reshape(len(self._first), -1)
        X = np.column_stack([self.status == MISSED, misses, background.columns[self._first]]).astype(np.float64)
        ridge = np.concatenate([np.zeros(1), np.full(misses.shape[1], RIDGE_WEAK), background.ridge])
        first_fixed = 1 + misses.shape[1]
        returns = float(self.events[recorded].sum())
        ridge[first_fixed : first_fixed + background.fixed] = weak_ridge(background.fixed, returns=returns)
        start = np.concatenate([np.zeros(first_fixed), background.start])
        keep = independent_columns(X[recorded], ridge)
        return X[:, keep], ridge[keep], start[keep]


def _alike(number: Ints, statuses: NDArray[np.int8]) -> tuple[Ints, Ints]:
    """An order that brings alike rows together, numbers ascending, and where each run starts."""
    key = number.astype(np.int64)
    for column in statuses.T:
        if key.max(initial=0) > 2**60:
            key = np.unique(key, return_inverse=True)[1].astype(np.int64)
        key = key * 4 + column
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    return order, np.flatnonzero(np.append(True, ordered[1:] != ordered[:-1]))


def _renumber(codes: Ints, levels: Ints) -> Ints:
    place = np.minimum(np.searchsorted(levels, codes), len(levels) - 1)
    return np.where(levels[place] == codes, place, -1)

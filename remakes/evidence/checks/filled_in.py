"""The model of one factor and one defect with the unrecorded restorations filled in, as met or as missed.

Whatever is assumed of the unrecorded restorations, the design has the same rows and columns; only months at
risk and returns move between the row of the met and the row of the missed. So the design is built once, and an
assumption is one number for each group of unrecorded restorations: the share of them that was missed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from remakes.counts.table import PatternTable
from remakes.deviations.detect import MISSED, NOT_APPLICABLE, NOT_RECORDED
from remakes.evidence.models.adjustment import Background, adjustment_names
from remakes.evidence.models.case_mix import RIDGE_WEAK, weak_ridge
from remakes.evidence.models.designs import independent_columns, row_numbers
from remakes.evidence.models.likelihood import Design
from remakes.evidence.models.logistic import Fit, fit
from remakes.evidence.models.profile_interval import LIMIT_TOLERANCE, ProfileInterval, profile
from remakes.records.standard import ProcessStandard

__all__ = ["ROOT_AT_LIMIT", "FilledIn", "Restorations", "restorations_apart", "signed_root_of"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

#: Signed root of the likelihood ratio at which a 95 % profile interval ends: 1.96.
ROOT_AT_LIMIT: Final = float(np.sqrt(chdtri(1, 0.05)))
#: Gain in log-likelihood that a last Newton step may promise; its gain is counted, so a root is good to 0.001.
_FIT_TOLERANCE: Final = 1e-3
#: The same for a completed table among many: the step may be a fifth of a standard error long, what is then left
#: to go is of the order of a hundredth.
_DRAW_TOLERANCE: Final = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Restorations:
    """Restorations to which a requirement applies, by pattern, the returned ones apart from the others.

    Attributes
    ----------
    pattern : (u,) array of int
    number : (u,) array
        How many restorations a row holds.
    returned : (u,) array of bool
        With the defect in question.
    at_risk, events : (u, bins) arrays
        Months at risk and first returns.
    """

    pattern: Ints
    number: Floats
    returned: NDArray[np.bool_]
    at_risk: Floats
    events: Floats


def restorations_apart(table: PatternTable, background: Background, rows: NDArray[np.bool_]) -> Restorations:
    """Which months at risk were those of returned restorations?

    Parameters
    ----------
    table : PatternTable
    background : Background
        Of the defect.
    rows : (patterns,) array of bool
        Patterns wanted.

    Notes
    -----
    Exact for patterns of one restoration, which nearly all are. In a larger pattern the months before any
    return count as spread evenly over its restorations; the pattern's totals are kept to the month.
    """
    returned = background.events.sum(axis=1)
    still_in_service = table.at_risk * (1.0 - returned / np.maximum(table.restorations, 1))[:, None]
    others = np.minimum(still_in_service, background.at_risk - background.events)
    spare = background.at_risk - others - background.events
    chosen = np.flatnonzero((table.event_defect == table.defects.index(background.defect)) & rows[table.event_pattern])
    pattern, count = table.event_pattern[chosen], table.event_count[chosen].astype(np.float64)
    events = np.zeros((len(chosen), background.events.shape[1]))
    events[np.arange(len(chosen)), table.event_bin[chosen]] = count
    left = np.flatnonzero(rows & (table.restorations > returned))
    return Restorations(
        pattern=np.concatenate([left, pattern]),
        number=np.concatenate([table.restorations[left] - returned[left], count]),
        returned=np.repeat([False, True], [len(left), len(chosen)]),
        at_risk=np.vstack([others[left], events + spare[pattern] * (count / returned[pattern])[:, None]]),
        events=np.vstack([np.zeros((len(left), events.shape[1])), events]),
    )


class FilledIn:
    """One factor and one defect, recorded or not, with a row for the met and one for the missed of each kind.

    Rows are alike in everything but the requirement itself: case mix, shrunken effects, the other misses of the
    adjustment set. The adjustment set is that of the finding.

    Parameters
    ----------
    table : PatternTable
    background : Background
        Of the defect.
    standard : ProcessStandard
    factor : str

    Attributes
    ----------
    unrecorded : Restorations
        Those whose share of misses is to be said.
    others : (patterns, k) array
        Statuses of the other requirements in the adjustment set.
    """

    def __init__(self, table: PatternTable, background: Background, standard: ProcessStandard, factor: str) -> None:
        status = table.status_of(factor)
        unknown = status == NOT_RECORDED
        self.unrecorded = restorations_apart(table, background, unknown)
        names = adjustment_names(standard, factor, background.defect)
        self.others = table.status[:, [table.factors.index(name) for name in names]]
        rows = np.flatnonzero(status != NOT_APPLICABLE)
        cell = np.zeros(table.patterns, dtype=np.intp)
        cell[rows] = row_numbers(np.column_stack([background.number[rows], self.others[rows]]).astype(np.float64))
        known = rows[~unknown[rows]]
        own = 2 * cell[known] + (status[known] == MISSED)
        open_cells = 2 * np.unique(cell[unknown])
        present = np.unique(np.concatenate([own, open_cells, open_cells + 1]))
        self._bins = np.flatnonzero(background.events[rows].sum(axis=0) > 0)
        self._recorded_months = _summed(background.at_risk[known][:, self._bins], own, present)
        self._recorded_returns = _summed(background.events[known][:, self._bins], own, present)
        self._met = np.searchsorted(present, 2 * cell[self.unrecorded.pattern])
        first = np.zeros(int(cell.max(initial=0)) + 1, dtype=np.intp)
        first[cell[rows]] = rows
        self._frame = self._framed(background, first[present // 2], (present % 2).astype(np.float64))

    def _framed(self, background: Background, alike: Ints, missed: Floats) -> Design:
        """The design with the unrecorded restorations taken as met; columns as in the model of the finding."""
        others = self.others[alike]
        misses = np.stack([others == MISSED, others == NOT_RECORDED], axis=-1).reshape(len(alike), -1)
        X = np.column_stack([missed, misses, background.columns[alike]]).astype(np.float64)
        ridge = np.concatenate([np.zeros(1), np.full(misses.shape[1], RIDGE_WEAK), background.ridge])
        fixed = slice(1 + misses.shape[1], 1 + misses.shape[1] + background.fixed)
        returns = float(self._recorded_returns.sum() + self.unrecorded.events.sum())
        ridge[fixed] = weak_ridge(background.fixed, returns=returns)
        start = np.concatenate([np.zeros(1 + misses.shape[1]), background.start])
        keep = independent_columns(X, ridge)
        levels, inner = np.unique(background.groups[alike], return_inverse=True)
        grouped = background.group_ridge > 0
        tail = background.group_start[levels] if grouped else np.zeros(0)
        self._best = self._null = np.concatenate([background.bin_start[self._bins], start[keep], tail])
        months, returns_of = self._counts(np.zeros(len(self._met)))
        return Design(
            covariates=np.ascontiguousarray(X[:, keep]),
            at_risk=months,
            events=returns_of,
            ridge=ridge[keep],
            groups=inner.astype(np.intp) if grouped else None,
            group_ridge=background.group_ridge,
        )

    def _counts(self, missed: Floats) -> tuple[Floats, Floats]:
        months, returns = self._recorded_months.copy(), self._recorded_returns.copy()
        for side, share in ((0, 1.0 - missed), (1, missed)):
            np.add.at(months, self._met + side, self.unrecorded.at_risk[:, self._bins] * share[:, None])
            np.add.at(returns, self._met + side, self.unrecorded.events[:, self._bins] * share[:, None])
        # Rounding must not put more returns than months into a cell.
        return np.maximum(months, returns), returns

    def design(self, missed: Floats) -> Design:
        """The design if this share of each row of `unrecorded` was missed, (u,) array of fractions."""
        months, returns = self._counts(missed)
        return replace(self._frame, at_risk=months, events=returns)

    def drawn(self, missed: Floats, *, near: Fit) -> tuple[float, float]:
        """Log odds ratio of the miss and its variance (inverse information), from a fit close by."""
        return self.effect(fit(self.design(missed), start=near.theta, tolerance=_DRAW_TOLERANCE))

    def effect(self, found: Fit) -> tuple[float, float]:
        """Log odds ratio of the miss and its variance (inverse information) of one fit."""
        at = len(self._bins)
        return float(found.theta[at]), float(found.covariance[at, at])

    def interval(self, missed: Floats) -> tuple[Fit, ProfileInterval]:
        """The fit under these shares, and the log odds ratio with its profile interval."""
        design = self.design(missed)
        best = self._fit(design)
        return best, profile(design, best, 0, tolerance=LIMIT_TOLERANCE)

    def signed_root(self, missed: Floats) -> float:
        """How far the data are from an odds ratio of 1 under these shares.

        Returns
        -------
        float
            Signed root of the penalized likelihood ratio; the lower end of the profile interval lies above 1
            exactly where it exceeds `ROOT_AT_LIMIT`.
        """
        design = self.design(missed)
        best = self._fit(design)
        null = fit(design, start=self._null, fixed=(0, 0.0), tolerance=_FIT_TOLERANCE)
        self._null = null.theta
        drop = max(0.0, 2.0 * (best.penalized_loglik - null.penalized_loglik))
        return float(np.copysign(np.sqrt(drop), self.effect(best)[0]))

    def _fit(self, design: Design) -> Fit:
        found = fit(design, start=self._best, tolerance=_FIT_TOLERANCE)
        self._best = found.theta  # neighbouring assumptions have neighbouring fits
        return found


def signed_root_of(interval: ProfileInterval) -> float:
    """The signed root of the likelihood ratio against an odds ratio of 1."""
    return float(np.copysign(np.sqrt(interval.chi2), interval.estimate))


def _summed(values: Floats, keys: Ints, present: Ints) -> Floats:
    """Sums of rows by key, for the keys present."""
    sums = np.zeros((len(present), values.shape[1]))
    np.add.at(sums, np.searchsorted(present, keys), values)
    return sums

"""Models of one defect on a reading in bands, within the adjustment set of the finding.

All models of one factor and defect share their rows: restorations with a legible reading, merged where band, status
and everything adjusted for agree. What differs between them are the few columns of the question.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.readings import ReadingBands
from remakes.deviations.detect import MISSED, NOT_RECORDED
from remakes.evidence.models.adjustment import Background, adjustment_names
from remakes.evidence.models.case_mix import RIDGE_WEAK, weak_ridge
from remakes.evidence.models.designs import independent_columns, row_numbers
from remakes.evidence.models.likelihood import Design
from remakes.evidence.models.logistic import Fit, fit
from remakes.records.standard import ProcessStandard

__all__ = ["BandRows"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

#: Precision of the prior that keeps a likelihood without Firth's penalty finite: standard deviation 5 on the log odds.
_RIDGE_FINITE: Final = 0.04
#: The log-likelihoods that are compared are good to this.
_TOLERANCE: Final = 1e-4


class BandRows:
    """What the models of one factor's readings and one defect are fitted to.

    Parameters
    ----------
    bands : ReadingBands
    background : Background
        Of the defect, on the table that `bands` was refined from.
    standard : ProcessStandard

    Attributes
    ----------
    band : (rows,) array
        Position among the bands.
    missed : (rows,) array of bool
    returns : (bands,) array
        First returns with the defect in each band.
    """

    def __init__(self, bands: ReadingBands, background: Background, standard: ProcessStandard) -> None:
        table, level = bands.refined.table, bands.refined.attribute.codes
        rows = np.flatnonzero(level < len(bands.bands))
        pattern = bands.refined.pattern[rows]
        names = adjustment_names(standard, bands.factor, background.defect)
        statuses = table.status[rows][:, [table.factors.index(name) for name in (bands.factor, *names)]]
        order, starts = _alike(np.column_stack([background.number[pattern], level[rows], statuses]))
        first = order[starts]
        at_risk, events = table.events_of(background.defect)
        at_risk = np.add.reduceat(at_risk[rows][order], starts)
        events = np.add.reduceat(events[rows][order], starts)
        self.band: Ints = level[rows][first]
        self.missed: NDArray[np.bool_] = statuses[first, 0] == MISSED
        self.returns: Ints = np.bincount(self.band, events.sum(axis=1), minlength=len(bands.bands)).astype(np.intp)
        # Months of service in which nothing came back hold no information on any odds ratio.
        self._bins = np.flatnonzero(events.sum(axis=0) > 0)
        self._at_risk, self._events = at_risk[:, self._bins], events[:, self._bins]
        self._background, self._pattern = background, pattern[first]
        self._common(statuses[first, 1:])

    def _common(self, others: NDArray[np.int8]) -> None:
        """Columns that every model has: the misses of other steps, and the background."""
        background = self._background
        misses = np.stack([others == MISSED, others == NOT_RECORDED], axis=-1).reshape(len(others), -1)
        X = np.column_stack([misses, background.columns[self._pattern]]).astype(np.float64)
        fixed = weak_ridge(background.fixed, returns=float(self.returns.sum()))
        ridge = np.concatenate([np.full(misses.shape[1], RIDGE_WEAK), background.ridge])
        ridge[misses.shape[1] : misses.shape[1] + background.fixed] = fixed
        start = np.concatenate([np.zeros(misses.shape[1]), background.start])
        # Independent of the finest question that will be asked: which band.
        asked = self.indicators(range(1, len(self.returns)))
        keep = independent_columns(np.hstack([asked, X]), np.concatenate([np.zeros(asked.shape[1]), ridge]))[
            asked.shape[1] :
        ]
        self._X, self._ridge = X[:, keep], ridge[keep]
        self._groups: Ints | None = None
        tail = np.zeros(0)
        if background.group_ridge > 0:
            levels, inner = np.unique(background.groups[self._pattern], return_inverse=True)
            self._groups, tail = inner.astype(np.intp), background.group_start[levels]
        self._start = np.concatenate([background.bin_start[self._bins], start[keep], tail])

    def indicators(self, bands: range | list[int]) -> Floats:
        """One column for each of these bands, (rows, bands) array."""
        columns: Floats = (self.band[:, None] == np.array(list(bands), dtype=np.intp)).astype(np.float64)
        return columns

    def fit(self, question: Floats) -> tuple[Design, Fit]:
        """The model with Firth's penalty; its first columns are those of the question.

        Parameters
        ----------
        question : (rows, q) array

        Raises
        ------
        FitError
            The question follows from what is adjusted for, or no maximum was found.
        """
        design = self._design(question, finite=0.0)
        return design, fit(design, start=self._started(question.shape[1]), tolerance=_TOLERANCE)

    def loglik(self, question: Floats) -> tuple[float, Floats]:
        """The maximum of the log-likelihood without Firth's penalty, and the question's coefficients.

        Models whose columns differ are compared by this. Firth's term is the determinant of each model's own
        information: it would favour a cut through the middle of the readings whatever the returns say. A wide
        prior (standard deviation 5) keeps the maximum finite where a band has no return.

        Raises
        ------
        FitError
            As for `fit`.
        """
        q = question.shape[1]
        design = self._design(question, finite=_RIDGE_FINITE)
        best = fit(design, start=self._started(q), firth=False, tolerance=_TOLERANCE)
        # The next model differs in its question alone.
        self._start = np.delete(best.theta, np.s_[design.bins : design.bins + q])
        return best.penalized_loglik, best.theta[design.bins : design.bins + q]

    def _started(self, asked: int) -> Floats:
        at = len(self._bins)
        return np.concatenate([self._start[:at], np.zeros(asked), self._start[at:]])

    def _design(self, question: Floats, *, finite: float) -> Design:
        ridge = np.concatenate([np.zeros(question.shape[1]), self._ridge])
        return Design(
            covariates=np.hstack([question, self._X]),
            at_risk=self._at_risk,
            events=self._events,
            ridge=np.maximum(ridge, finite),
            groups=self._groups,
            group_ridge=self._background.group_ridge,
        )


def _alike(keys: NDArray[np.int64]) -> tuple[Ints, Ints]:
    """An order that brings equal rows together, first column ascending, and where each run starts."""
    number = row_numbers(keys.astype(np.float64))
    order = np.argsort(number, kind="stable")
    ordered = number[order]
    return order, np.flatnonzero(np.append(True, ordered[1:] != ordered[:-1]))

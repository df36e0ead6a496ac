"""Build what the logistic regression is fitted to: independent columns, equal rows merged."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from remakes.evidence.models.likelihood import Design

__all__ = ["independent_columns", "merged_design", "row_numbers"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


def independent_columns(X: Floats, ridge: Floats) -> NDArray[np.bool_]:
    """Which columns to keep: those that vary and, where not shrunken, do not follow from earlier ones.

    The first column, the question itself, is always kept; of two that say the same the later one goes. A
    question that follows from the case mix is noticed by the fit, which then cannot tell the two apart.

    Parameters
    ----------
    X : (rows, p) array
    ridge : (p,) array
        0: not shrunken.
    """
    keep = np.ptp(X, axis=0) > 0 if len(X) else np.zeros(X.shape[1], dtype=bool)
    keep[0] = True
    free = np.flatnonzero(keep & (ridge == 0.0))
    centred = X[:, free] - X[:, free].mean(axis=0)
    basis = np.zeros((len(X), 0))
    for position, column in enumerate(free):
        left = centred[:, position] - basis @ (basis.T @ centred[:, position])
        size, before = float(np.linalg.norm(left)), float(np.linalg.norm(centred[:, position]))
        if size > 1e-8 * max(before, 1e-300):
            basis = np.column_stack([basis, left / size])
        elif column != 0:
            keep[column] = False
    return keep


def merged_design(
    X: Floats,
    *,
    at_risk: Floats,
    events: Floats,
    ridge: Floats,
    groups: Ints | None = None,
    group_ridge: float = 0.0,
    single: bool = False,
) -> Design:
    """The design with rows of equal covariates and group summed: the same likelihood on fewer rows.

    Parameters
    ----------
    X : (rows, p) array
    at_risk, events : (rows, bins) arrays
    ridge : (p,) array
    groups : (rows,) array, optional
        Level numbers from 0, in any order of rows, every level present.
    group_ridge : float
    single : bool
        As in `Design`.
    """
    keys = X if groups is None else np.column_stack([groups, X])
    number = row_numbers(keys)
    order = np.argsort(number, kind="stable")
    ordered = number[order]
    starts = np.flatnonzero(np.append(True, ordered[1:] != ordered[:-1]))
    return Design(
        covariates=np.ascontiguousarray(X[order][starts]),
        at_risk=np.add.reduceat(at_risk[order], starts),
        events=np.add.reduceat(events[order], starts),
        ridge=ridge,
        groups=None if groups is None else groups[order][starts].astype(np.intp),
        group_ridge=group_ridge,
        single=single,
    )


def row_numbers(rows: Floats) -> Ints:
    """The same number for equal rows, ascending with the first column.

    Sorting by a projection on unrelated directions brings equal rows together; that two neighbours are equal
    is then tested on the rows themselves. Equal rows that rounding put apart get two numbers, which costs a
    row and changes nothing.

    Parameters
    ----------
    rows : (n, p) array
    """
    axis = np.arange(2.0, 2.0 + rows.shape[1])
    sums = rows @ (np.sqrt(axis * 1.7) % 1.0 + np.log(axis + 1.0))
    order = np.lexsort((sums, rows[:, 0])) if rows.shape[1] else np.arange(len(rows))
    ordered = rows[order]
    new = np.append(False, np.any(ordered[1:] != ordered[:-1], axis=1)) if len(rows) else np.zeros(0, dtype=bool)
    number = np.empty(len(rows), dtype=np.intp)
    number[order] = np.cumsum(new)
    return number

"""The bare bones of a trial at the bench: who works with the action in which week, and what that can show.

Every design comes down to cells of restorations: those delivered in one stratum by one unit, with the action or
without. Returns are compared within strata only; units may differ from one another by chance, about as much as the
lab's own records show.

==================  ==============================  ===================================
design              stratum                         unit
==================  ==============================  ===================================
alternate weeks     group and four weeks            none: each group is its own control
staggered           four weeks                      group
before and after    none: all deliveries            quarter of delivery
==================  ==============================  ===================================

References
----------
Hussey MA, Hughes JP. Contemporary Clinical Trials 28:182-191 (2007), for the staggered start (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, get_args

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from remakes.counts.table import BIN_EDGES, DAYS_PER_MONTH

__all__ = [
    "DESIGNS",
    "WEEKS_IN_BLOCK",
    "WEEKS_IN_QUARTER",
    "Cells",
    "Design",
    "cell_numbers",
    "cells_of",
    "draw_weeks",
    "log_ratio_variance",
    "power_of",
    "returns_by_age",
    "strata_of",
    "weeks_of",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]

Design = Literal["staggered", "alternate weeks", "before and after"]
DESIGNS: Final[tuple[Design, ...]] = get_args(Design)

#: Weeks that share a stratum: within them each group has as many weeks with the action as without.
WEEKS_IN_BLOCK: Final = 4
WEEKS_IN_QUARTER: Final = 13


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cells:
    """Restorations of a trial that nothing in its design tells apart.

    Attributes
    ----------
    stratum : (cells,) array of int
        Only cells of one stratum are compared.
    unit : (cells,) array of int
        Whose chance differences from others must be allowed for.
    with_action : (cells,) array of bool
    expected : (cells,) array
        Returns to be expected by the day of reading if the action does nothing.
    """

    stratum: Ints
    unit: Ints
    with_action: Flags
    expected: Floats


def weeks_of(months: float) -> int:
    """Whole weeks in so many months, at least one."""
    return max(1, round(months * DAYS_PER_MONTH / 7.0))


def returns_by_age(hazard: Floats, months: Floats) -> Floats:
    """Returns that one restoration is to be expected to have given by these ages.

    Parameters
    ----------
    hazard : (bins,) array
        Returns per restoration-month, by the bins of time in service.
    months : array of any shape
        Months since delivery; nothing has come back before delivery.

    Returns
    -------
    array of the shape of `months`
    """
    first = np.array(BIN_EDGES, dtype=np.float64)
    width = np.append(first[1:], np.inf) - first
    served: Floats = np.clip(np.asarray(months, dtype=np.float64)[..., None] - first, 0.0, width)
    expected: Floats = served @ hazard
    return expected


def draw_weeks(design: Design, *, groups: int, weeks: int, rng: np.random.Generator) -> Flags:
    """Which group works with the action in which week?

    Parameters
    ----------
    design : Design
    groups, weeks : int
    rng : numpy Generator

    Returns
    -------
    (groups, weeks) array of bool

    Notes
    -----
    Alternate weeks: of every two weeks each group has one with the action; which one is drawn for half of the groups,
    and the other half has the other week, so that a bad week of the whole lab falls on both sides. Staggered: groups
    start one after the other in drawn order, the first after a time without. Before and after: all start at once.
    """
    if design == "before and after":
        return np.ones((groups, weeks), dtype=np.bool_)
    if design == "staggered":
        place = rng.permutation(groups)
        start = np.round((place + 1) * weeks / (groups + 1)).astype(np.intp)
        late: Flags = np.arange(weeks)[None, :] >= start[:, None]
        return late
    pairs = -(-weeks // 2)
    # Of an odd number of groups, which half is the larger one is drawn as well.
    first = np.array(
        [rng.permutation((np.arange(groups) + rng.integers(2)) % 2) for _ in range(pairs)], dtype=np.bool_
    ).T
    both: Flags = np.stack([first, ~first], axis=2).reshape(groups, 2 * pairs)[:, :weeks]
    return both


def strata_of(design: Design, *, group: Ints, week: Ints, groups: int) -> tuple[Ints, Ints]:
    """Stratum and unit of restorations by group and week of delivery; weeks before the start are negative."""
    if design == "before and after":
        return np.zeros(len(week), dtype=np.intp), week // WEEKS_IN_QUARTER
    block = week // WEEKS_IN_BLOCK
    return (block * groups + group, group) if design == "alternate weeks" else (block, group)


def cells_of(
    design: Design, weeks: Flags, *, shares: Floats, per_week: float, hazard: Floats, before: Floats | None = None
) -> Cells:
    """The cells of a trial that is read on the last day of its last week.

    Parameters
    ----------
    design : Design
    weeks : (groups, weeks) array of bool
        With the action or without.
    shares : (groups,) array
        Of the deliveries; they add up to 1.
    per_week : float
        Restorations delivered in a week.
    hazard : (bins,) array
    before : (quarters,) array, optional
        For "before and after": returns of each quarter of deliveries before the start.
    """
    groups, length = weeks.shape
    # Within a week, deliveries are on its middle day.
    age = (length - np.arange(length) - 0.5) * 7.0 / DAYS_PER_MONTH
    each = np.outer(shares, per_week * returns_by_age(hazard, age)).ravel()
    group, week = (one.ravel() for one in np.indices((groups, length)))
    stratum, unit = strata_of(design, group=group, week=week, groups=groups)
    action = weeks.ravel()
    if design == "before and after" and before is not None:
        stratum = np.concatenate([stratum, np.zeros(len(before), dtype=np.intp)])
        unit = np.concatenate([unit, -1 - np.arange(len(before))])
        action = np.concatenate([action, np.zeros(len(before), dtype=np.bool_)])
        each = np.concatenate([each, before])
    some = each > 0
    return cell_numbers(stratum[some], unit[some], action[some], each[some])[0]


def cell_numbers(stratum: Ints, unit: Ints, with_action: Flags, expected: Floats) -> tuple[Cells, Ints]:
    """One cell for all that agree in stratum, unit and action, and the number of each one's cell."""
    keys, place = np.unique(np.column_stack([stratum, unit, with_action]), axis=0, return_inverse=True)
    place = place.reshape(-1).astype(np.intp)
    cells = Cells(
        stratum=np.unique(keys[:, 0], return_inverse=True)[1].astype(np.intp),
        unit=np.unique(keys[:, 1], return_inverse=True)[1].astype(np.intp),
        with_action=keys[:, 2].astype(np.bool_),
        expected=np.bincount(place, expected, minlength=len(keys)).astype(np.float64),
    )
    return cells, place


def log_ratio_variance(cells: Cells, *, effect: float, unit_sd: float, spread: float = 1.0) -> float:
    """Sampling variance of the log ratio of returns with the action to returns without.

    Parameters
    ----------
    cells : Cells
    effect : float
        True relative fall of the returns, a fraction.
    unit_sd : float
        Standard deviation between units, log scale; 0 where each unit is its own stratum.
    spread : float
        Variance of a count over that of a Poisson count of the same mean.

    Returns
    -------
    float
        Infinite where no stratum has both.

    Notes
    -----
    Generalized least squares on the log rates of the cells: a free level for each stratum, a random one for each
    unit, and the action.
    """
    mean = cells.expected * np.where(cells.with_action, 1.0 - effect, 1.0)
    covariance = np.diag(spread / mean) + unit_sd**2 * (cells.unit[:, None] == cells.unit[None, :])
    levels = np.eye(int(cells.stratum.max(initial=-1)) + 1)[cells.stratum]
    action = cells.with_action.astype(np.float64)
    solved = np.linalg.solve(covariance, np.column_stack([action, levels]))
    own, cross = action @ solved[:, 0], levels.T @ solved[:, 0]
    information = float(own - cross @ np.linalg.solve(levels.T @ solved[:, 1:], cross)) if levels.size else 0.0
    return 1.0 / information if information > 1e-9 else float("inf")


def power_of(variance: float, *, effect: float, error: float) -> float:
    """How often a one-sided test at this error rate would show the fall."""
    if not np.isfinite(variance):
        return 0.0
    return float(ndtr(-np.log1p(-effect) / np.sqrt(variance) - ndtri(1.0 - error)))

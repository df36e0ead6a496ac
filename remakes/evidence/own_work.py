"""One technician's figures, for that technician: against the same case mix, drawn towards the lab, no ranking."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv

from remakes.counts.table import PatternTable
from remakes.deviations.detect import MET, MISSED
from remakes.errors import InputError
from remakes.evidence.estimate import Estimate
from remakes.texts import t

__all__ = ["OwnFactor", "OwnFigures", "own_figures"]

Floats = NDArray[np.float64]

#: Prior of a technician's ratio of returned to expected: mean 1, standard deviation 0.35. A weak lab-wide
#: assumption, chosen by us: most people of one lab lie between half and double once cases are alike.
_PRIOR_SHAPE: Final = 1.0 / 0.35**2

#: What the expectation is adjusted for; the technician is what is asked about.
_CASE_MIX: Final = ("kind", "veneer", "span", "difficulty")


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnFactor:
    """How often one requirement was recorded and missed, own and in the lab."""

    factor: str
    recorded: int
    missed: int
    lab_recorded: int
    lab_missed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnFigures:
    """Returns of one technician against the same cases of the whole lab."""

    delivered: int
    returned: int
    expected: float
    ratio: Estimate
    factors: tuple[OwnFactor, ...]


def own_figures(table: PatternTable, technician: str) -> OwnFigures:
    """How do a technician's returns compare with the same cases in the lab?

    First returns of every defect, indirectly standardized: the lab's returns per month at risk by month
    bin and case mix, applied to the technician's own months (cells the lab fills with fewer than five
    returns borrow the rate of their month bin). The ratio has a gamma prior, so few returns say little.

    Parameters
    ----------
    table : PatternTable
    technician : str

    Raises
    ------
    InputError
        No restoration by that code.

    References
    ----------
    Clayton D, Kaldor J. Biometrics 43:671-681 (1987), for the gamma-Poisson ratio.
    """
    person = table.attributes["technician"]
    if technician not in person.levels:
        raise InputError(
            t(
                "There is no restoration by {technician!r} in the records. Known codes: {items}.",
                technician=technician,
                items=", ".join(person.levels),
            )
        )
    own = person.codes == person.levels.index(technician)
    at_risk = table.at_risk
    events = np.zeros_like(at_risk)
    np.add.at(events, (table.event_pattern, table.event_bin), table.event_count)
    rate = _expected_rate(table, at_risk, events)
    # Borrowed rates do not add up; the lab as a whole is made as expected.
    scale = float(events.sum()) / max(float((rate * at_risk).sum()), 1e-12)
    expected = scale * float((rate[own] * at_risk[own]).sum())
    returned = int(events[own].sum())
    return OwnFigures(
        delivered=int(table.restorations[own].sum()),
        returned=returned,
        expected=expected,
        ratio=_ratio(returned, expected),
        factors=tuple(_own_factor(table, factor, own) for factor in table.factors),
    )


def _expected_rate(table: PatternTable, at_risk: Floats, events: Floats) -> Floats:
    """Returns per month at risk of the lab, by pattern and bin."""
    keys = np.column_stack([table.attributes[name].codes for name in _CASE_MIX])
    _cells, cell = np.unique(keys, axis=0, return_inverse=True)
    cell = cell.reshape(-1)
    size = int(cell.max()) + 1
    by_cell_events = np.bincount(cell, events.sum(axis=1), minlength=size)
    of_bin = np.divide(
        events.sum(axis=0), at_risk.sum(axis=0), out=np.zeros(at_risk.shape[1]), where=at_risk.sum(axis=0) > 0
    )
    by_cell_expected = np.bincount(cell, at_risk @ of_bin, minlength=size)
    enough = by_cell_events >= 5
    relative = np.where(enough, by_cell_events / np.maximum(by_cell_expected, 1e-12), 1.0)
    rate: Floats = relative[cell][:, None] * of_bin
    return rate


def _ratio(returned: int, expected: float) -> Estimate:
    shape, rate = _PRIOR_SHAPE + returned, _PRIOR_SHAPE + expected
    low, high = (float(gammaincinv(shape, tail)) / rate for tail in (0.025, 0.975))
    return Estimate(shape / rate, low, high)


def _own_factor(table: PatternTable, factor: str, own: NDArray[np.bool_]) -> OwnFactor:
    status, weights = table.status_of(factor), table.restorations
    missed, known = status == MISSED, (status == MISSED) | (status == MET)
    return OwnFactor(
        factor=factor,
        recorded=int(weights[own & known].sum()),
        missed=int(weights[own & missed].sum()),
        lab_recorded=int(weights[known].sum()),
        lab_missed=int(weights[missed].sum()),
    )

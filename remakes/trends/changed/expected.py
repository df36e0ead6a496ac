"""One defect in two periods: what the record's hazards expect, drawn as often as what is not known asks for.

Hazards by age are those of the whole record; their level is that of the two periods together, drawn to the record's
where there are few returns. So a lab whose hazard has doubled is not told what more work would have brought before.

Intervals come from draws: the model's coefficients, the hazards by age, and the means behind the counts of returns
(gamma with Jeffreys' prior). What was at risk is taken as known, since those restorations were in service. Common
variation beyond Poisson is not in them: whether a month is out of the ordinary is asked of the months, not here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from remakes.counts.period_counts import AFTER, BEFORE, RECORD, PeriodCounts
from remakes.evidence.estimate import Estimate
from remakes.evidence.models.base import BaseModels
from remakes.records.standard import ProcessStandard
from remakes.trends.changed.model import relative_hazards
from remakes.trends.changed.parts import Split, split

__all__ = ["DRAWN", "Expected", "difference_of", "estimate_of", "expected_of", "parts_of"]

Floats = NDArray[np.float64]

#: Draws of the model; each is met by so many of the counts, which cost nothing, so that the ends do not waver.
_DRAWS: Final = 300
_REPEATS: Final = 20
#: Length of what is drawn: the estimate, then the draws.
DRAWN: Final = 1 + _DRAWS * _REPEATS
_ENDS: Final = (0.025, 0.975)
#: Jeffreys' prior of a Poisson mean, in returns.
_JEFFREYS: Final = 0.5
#: Prior of the level against the whole record: mean 1, standard deviation 0.35, chosen by us.
_LEVEL_STRENGTH: Final = 1.0 / 0.35**2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Expected:
    """One defect: its returns, and what the record's hazards expect; the estimate first, then draws of the model.

    Attributes
    ----------
    defect : str
    returns : (int, int)
        Of the earlier and the later period, as counted.
    both_periods : (s,) array
        Returns expected of both periods together.
    split : Split
        Parts of the expected difference, for an earlier period as long as the later.
    factors : tuple of str
        Requirements the split names, in its order; gaps come after the last.
    """

    defect: str
    returns: tuple[int, int]
    both_periods: Floats
    split: Split
    factors: tuple[str, ...]


def expected_of(
    counted: PeriodCounts,
    base: BaseModels,
    standard: ProcessStandard,
    *,
    defect: str,
    scale: float,
) -> Expected:
    """What do the hazards of the whole record expect of both periods, and how does the difference split?

    Parameters
    ----------
    counted : PeriodCounts
    base : BaseModels
    standard : ProcessStandard
    defect : str
        One with returns.
    scale : float
        What the earlier period is multiplied by.
    """
    rng = _random(defect, 0)
    at_risk, events = counted.of(defect)
    relative = relative_hazards(base, standard, defect=defect, draws=_DRAWS, rng=rng)
    record, before, after = relative.compositions(at_risk)
    # Whatever the coefficients, the record's returns at each age are those expected of it.
    by_age = np.vstack([events[RECORD], rng.standard_gamma(np.tile(events[RECORD], (_DRAWS, 1)))])
    hazard = np.divide(by_age, record.total, out=np.zeros_like(by_age), where=record.total > 0)
    return Expected(
        defect=defect,
        returns=(int(events[BEFORE].sum()), int(events[AFTER].sum())),
        both_periods=(hazard * (before.total + after.total)).sum(axis=1),
        split=split(before.scaled(scale), after, hazard),
        factors=relative.factors,
    )


def parts_of(one: Expected, *, scale: float, defects: int) -> dict[str, Floats]:
    """Parts of one defect at the level of the two periods, each a (DRAWN,) array.

    `defects`: over how many of them the parts will be summed; the prior of their counts is shared out.
    """
    rng, size = _random(one.defect, 1), _DRAWS * _REPEATS
    before, after = (np.append(n, rng.standard_gamma(n + _JEFFREYS / defects, size)) for n in one.returns)
    strength = np.append(_LEVEL_STRENGTH, rng.standard_gamma(_LEVEL_STRENGTH, size))
    level = (before + after + strength) / (_repeated(one.both_periods) + _LEVEL_STRENGTH)
    found = {"in_service": one.split.in_service, "age": one.split.age, "case_mix": one.split.case_mix}
    found |= {f"factor:{factor}": one.split.misses[:, k] for k, factor in enumerate(one.factors)}
    if one.factors:
        found["not_recorded"] = one.split.misses[:, -1]
    found = {name: level * _repeated(values) for name, values in found.items()}
    found["rest"] = after - scale * before - np.sum(list(found.values()), axis=0)
    return found


def _repeated(values: Floats) -> Floats:
    """The estimate once, its draws again and again."""
    return np.append(values[:1], np.tile(values[1:], _REPEATS))


def estimate_of(drawn: Floats) -> Estimate:
    """The estimate and the interval that holds 95 % of the draws, widened to the estimate where they miss it."""
    low, high = np.quantile(drawn[1:], _ENDS)
    best = float(drawn[0])
    return Estimate(best, min(float(low), best), max(float(high), best))


def difference_of(before: int, after: int, *, scale: float) -> Estimate:
    """Difference of two counts of returns, the earlier one scaled, with the interval of its Poisson means."""
    rng = _random("", 2)
    then, now = (rng.standard_gamma(n + _JEFFREYS, _DRAWS * _REPEATS) for n in (before, after))
    return estimate_of(np.append(after - scale * before, now - scale * then))


def _random(defect: str, purpose: int) -> np.random.Generator:
    """Draws of their own for every defect, the same on every day."""
    return np.random.default_rng([crc32(defect.encode()), purpose])

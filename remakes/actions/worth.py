"""Returns that fewer misses would spare, in joint draws of everything that is uncertain about them.

Returns of one defect are shared out over the restorations in proportion to their hazards: that of their case
mix, people and clinic, times the odds ratio of every miss. Correcting a share of the misses takes the surplus
away. Restorations that miss two requirements can be spared only once, which is why actions overlap.

Drawn are the effects (jointly), the returns of each month bin (Poisson), and the share of misses among the
unrecorded. How prone a restoration is for its case mix stays at its estimate: it only weighs misses against each
other, while the total is drawn from the returns themselves.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.actions.joint import JointEffects
from remakes.counts.table import PatternTable, months_within
from remakes.deviations.detect import MET, MISSED, NOT_RECORDED
from remakes.evidence.models.adjusted import missed_share

__all__ = ["DefectModel", "Left", "defect_model"]

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]

#: Standard deviation of the log odds by which misses among the unrecorded may exceed, or fall short of, those among
#: the recorded: within a factor of 2.7 either way in 95 of 100 labs. Invented; no record tells it.
_GAP_ODDS_SD: Final = 0.5
#: Codes of a combination: no miss, a miss, perhaps a miss.
_NO, _YES, _PERHAPS = 0, 1, 2


@dataclass(frozen=True, slots=True, kw_only=True)
class DefectModel:
    """How the returns of one defect lie over the combinations of misses that actions may correct.

    Attributes
    ----------
    defect : str
    factors : tuple of str
        Those that some action corrects and that may cause the defect.
    effects : (factors, draws) array
        Drawn log odds ratios.
    unrecorded : (factors, draws) array
        Drawn probability that an unrecorded requirement was missed.
    codes : (combinations, factors) array
        0 met or does not apply, 1 missed, 2 not recorded.
    burden : (combinations, draws) array
        Relative hazard times restorations of each combination, as things are; scaled to sum 1 in each draw.
    hazards : (bins, draws) array
        Drawn hazard per month in service, by bin.
    restorations : float
        In the records.
    """

    defect: str
    factors: tuple[str, ...]
    effects: Floats
    unrecorded: Floats
    codes: Codes
    burden: Floats
    hazards: Floats
    restorations: float

    def returns(self, horizon: int) -> Floats:
        """Returns of all restorations in the records, had all been followed so many months, (draws,) array."""
        returns: Floats = -self.restorations * np.expm1(-(months_within(horizon) @ self.hazards))
        return returns

    def as_is(self) -> Left:
        """Nothing corrected."""
        return Left(model=self, kept=(1.0,) * len(self.factors), burden=self.burden)

    def spared(self, corrected: Mapping[str, float]) -> Floats:
        """Share of the returns spared by removing these shares of the misses, (draws,) array."""
        return self.as_is().spared(corrected)


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """What is left of one defect when some misses are corrected: the list of actions goes on from there.

    `kept` is the share of each factor's misses that stays; `burden` is then that of each combination.
    """

    model: DefectModel
    kept: tuple[float, ...]
    burden: Floats

    def spared(self, corrected: Mapping[str, float]) -> Floats:
        """Share of all returns spared when these shares of the misses are removed in all, (draws,) array.

        Parameters
        ----------
        corrected : mapping of factor to share
            Of the misses as they were before any action; not on top of what is corrected here.
        """
        changes = self._changes(corrected)
        if not changes:
            whole: Floats = 1.0 - self.burden.sum(axis=0)
            return whole
        *others, (last, factor_last) = changes
        burden = self._changed(others)
        code = self.model.codes[:, last]
        # One sum for each of the three codes costs less than a product for every combination.
        total = np.zeros(burden.shape[1])
        for value in (_NO, _YES, _PERHAPS):
            rows = code == value
            if rows.any():
                total += rows.astype(np.float64) @ burden * factor_last[value]
        return 1.0 - total

    def after(self, corrected: Mapping[str, float]) -> Left:
        """The same with these shares of the misses removed in all."""
        kept = tuple(
            1.0 - corrected.get(factor, 1.0 - now) for factor, now in zip(self.model.factors, self.kept, strict=True)
        )
        return Left(model=self.model, kept=kept, burden=self._changed(self._changes(corrected)))

    def _changed(self, changes: list[tuple[int, Floats]]) -> Floats:
        burden = self.burden
        for k, factor in changes:
            burden = burden * factor[self.model.codes[:, k]]
        return burden

    def _changes(self, corrected: Mapping[str, float]) -> list[tuple[int, Floats]]:
        """For each factor whose share changes: by what the burden is multiplied, (codes, draws) array."""
        found = []
        for k, factor in enumerate(self.model.factors):
            keep = 1.0 - corrected.get(factor, 1.0 - self.kept[k])
            if keep != self.kept[k]:
                now = _times(self.model.effects[k], self.model.unrecorded[k], self.kept[k])
                found.append((k, _times(self.model.effects[k], self.model.unrecorded[k], keep) / now))
        return found


def _times(effect: Floats, unrecorded: Floats, kept: float) -> Floats:
    """Hazard relative to a requirement met, by code, when this share of the misses stays, (codes, draws) array."""
    surplus = kept * np.expm1(effect)
    return np.stack([np.ones_like(effect), 1.0 + surplus, 1.0 + unrecorded * surplus])


def defect_model(
    table: PatternTable,
    joint: JointEffects,
    effects: Floats,
    *,
    wanted: frozenset[str],
    rng: np.random.Generator,
) -> DefectModel:
    """Set up one defect: how its returns lie over the misses in question, and how many there are.

    Parameters
    ----------
    table : PatternTable
    joint : JointEffects
    effects : (factors, draws) array
        Drawn log odds ratios of the factors of `joint`.
    wanted : set of str
        Factors that some action corrects; the others only make some restorations more prone.
    rng : Generator
    """
    draws = effects.shape[1]
    status = table.status[:, [table.factors.index(factor) for factor in joint.factors]]
    codes: Codes = np.where(status == MISSED, _YES, np.where(status == NOT_RECORDED, _PERHAPS, _NO)).astype(np.intp)
    unrecorded = np.stack([_unrecorded(table, factor, draws, rng) for factor in joint.factors])
    every, inverse = np.unique(codes, axis=0, return_inverse=True)
    weights = np.bincount(inverse.reshape(-1), table.restorations * joint.prone, minlength=len(every))
    burden: Floats = np.repeat(weights[:, None], draws, axis=1)
    for k in range(len(joint.factors)):
        burden *= _times(effects[k], unrecorded[k], 1.0)[every[:, k]]
    mine = [k for k, factor in enumerate(joint.factors) if factor in wanted]
    short, merged = _summed(every[:, mine], burden)
    return DefectModel(
        defect=joint.defect,
        factors=tuple(joint.factors[k] for k in mine),
        effects=effects[mine],
        unrecorded=unrecorded[mine],
        codes=short,
        burden=merged / merged.sum(axis=0),
        hazards=_drawn_hazards(table, joint.defect, draws=draws, rng=rng),
        restorations=float(table.restorations.sum()),
    )


def _summed(codes: Codes, burden: Floats) -> tuple[Codes, Floats]:
    """Combinations that differ only in what no action touches, added up."""
    if not codes.shape[1]:
        return codes[:1], burden.sum(axis=0, keepdims=True)
    short, inverse = np.unique(codes, axis=0, return_inverse=True)
    order = np.argsort(inverse.reshape(-1), kind="stable")
    starts = np.searchsorted(inverse.reshape(-1)[order], np.arange(len(short)))
    return short, np.add.reduceat(burden[order], starts, axis=0)


def _unrecorded(table: PatternTable, factor: str, draws: int, rng: np.random.Generator) -> Floats:
    """How probable a miss is where nothing was recorded: the share among the recorded, and how far off it may be."""
    status, weights = table.status_of(factor), table.restorations
    missed, met = float(weights[status == MISSED].sum()), float(weights[status == MET].sum())
    unknown = status == NOT_RECORDED
    share = float(np.average(missed_share(table, factor)[unknown], weights=weights[unknown])) if unknown.any() else 0.0
    share = float(np.clip(share, 1e-4, 1 - 1e-4))
    sd = np.sqrt(1.0 / (missed + 0.5) + 1.0 / (met + 0.5) + _GAP_ODDS_SD**2)
    drawn: Floats = 1.0 / (1.0 + np.exp(-np.log(share / (1.0 - share)) - sd * rng.standard_normal(draws)))
    return drawn


def _drawn_hazards(table: PatternTable, defect: str, *, draws: int, rng: np.random.Generator) -> Floats:
    """Hazard by month bin under Poisson uncertainty; one half return is shared out over the bins.

    Bins that nobody reached have none: what happens there the records cannot say.
    """
    at_risk, events = (months.sum(axis=0) for months in table.events_of(defect))
    drawn = rng.gamma(events[:, None] + 0.5 / len(events), 1.0, (len(events), draws))
    hazards: Floats = np.divide(drawn, at_risk[:, None], out=np.zeros_like(drawn), where=at_risk[:, None] > 0)
    return hazards

"""How strongly technicians, clinics and quarters are drawn to their mean, estimated for each defect."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.table import BIN_EDGES
from remakes.errors import FitError
from remakes.evidence.models.case_mix import SHRUNKEN, CaseMix, weak_ridge
from remakes.evidence.models.designs import independent_columns, merged_design
from remakes.evidence.models.likelihood import Design
from remakes.evidence.models.logistic import Fit, fit
from remakes.texts import t

__all__ = ["Shrinkage", "estimate_shrinkage"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

#: Bounds and start of the estimated standard deviations, on the log-odds scale. At the lower bound the odds of two
#: typical levels differ by less than a fifth, which the records of one lab cannot show: the effect is left out.
_SD_BOUNDS: Final = (0.15, 1.5)
_SD_START: Final = 0.4
_ROUNDS: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Shrinkage:
    """Estimated standard deviations of the shrunken effects for one defect, log-odds scale.

    The effects of the model that estimated them ride along as the start of later fits.

    Attributes
    ----------
    sd : mapping of str to float
        By clinic, quarter, technician.
    bins : (all bins,) array
        Log-odds hazards.
    case_mix : (c,) array
        Effects of the case-mix columns, zero where one was left out.
    effects : mapping of str to (levels,) array
    """

    sd: Mapping[str, float]
    bins: Floats
    case_mix: Floats
    effects: Mapping[str, Floats]

    def matters(self, name: str) -> bool:
        """Whether the levels differ enough to need a place in the model."""
        return self.sd[name] > _SD_BOUNDS[0]


def estimate_shrinkage(case_mix: CaseMix, *, at_risk: Floats, events: Floats) -> Shrinkage:
    """How much do technicians, quarters and clinics differ in one defect, beyond chance and case mix?

    Fits the case mix alone and moves each variance to the size its effects have, per effective degree of
    freedom (MacKay's fixed point of the marginal likelihood); eight rounds are enough for a strength.

    Parameters
    ----------
    at_risk, events : (patterns, bins) arrays
        For this defect.

    Notes
    -----
    Where the case mix alone cannot be fitted (every restoration came back, say), nothing is shrunken: the
    models of single requirements will say what is the matter.

    References
    ----------
    MacKay DJC. Neural Computation 4:415-447 (1992). Breslow NE, Clayton DG. JASA 88:9-25 (1993).
    """
    model = _BaseModel(case_mix, at_risk, events)
    sd = {name: _SD_START if case_mix.levels[name] > 1 else _SD_BOUNDS[0] for name in SHRUNKEN}
    fitted: Fit | None = None
    for _ in range(_ROUNDS):
        try:
            fitted = model.fitted(sd, None if fitted is None else fitted.theta)
        except FitError:
            return _nothing_known(case_mix, events.shape[1])
        moved = {name: _moved(fitted, model.places[name], sd[name]) for name in model.places}
        settled = all(abs(value - sd[name]) < 0.02 for name, value in moved.items())
        sd |= moved
        if settled:
            break
    if fitted is None:
        raise AssertionError(t("at least one round is run"))
    return model.shrinkage(sd, fitted)


def _nothing_known(case_mix: CaseMix, bins: int) -> Shrinkage:
    return Shrinkage(
        sd=dict.fromkeys(SHRUNKEN, _SD_BOUNDS[0]),
        bins=np.zeros(bins),
        case_mix=np.zeros(case_mix.columns.shape[1]),
        effects={name: np.zeros(case_mix.levels[name]) for name in SHRUNKEN},
    )


class _BaseModel:
    """Case mix and all three shrunken effects, no requirement."""

    def __init__(self, case_mix: CaseMix, at_risk: Floats, events: Floats) -> None:
        rows = np.arange(len(at_risk))
        self.case_mix = case_mix
        self.bins = np.flatnonzero(events.sum(axis=0) > 0)
        self.at_risk, self.events = at_risk[:, self.bins], events[:, self.bins]
        fixed = case_mix.columns
        self.weak = weak_ridge(fixed.shape[1], returns=float(events.sum()))
        none = np.zeros((len(rows), 1))
        self.kept = independent_columns(np.hstack([none, fixed]), np.full(fixed.shape[1] + 1, self.weak))[1:]
        named = [name for name in SHRUNKEN if case_mix.levels[name] > 1]
        # The one with most levels is summed by group, the others get columns.
        self.group = named[0] if named else None
        self.dense = named[1:]
        self.X = np.hstack([fixed[:, self.kept], *(case_mix.indicators(name, rows) for name in self.dense)])
        self._design: Design | None = None
        self.places: dict[str, Ints] = {}
        at = len(self.bins) + int(self.kept.sum())
        for name in [*self.dense, *named[:1]]:
            self.places[name] = np.arange(at, at + case_mix.levels[name], dtype=np.intp)
            at += case_mix.levels[name]

    def fitted(self, sd: Mapping[str, float], start: Floats | None) -> Fit:
        ridge = [np.full(int(self.kept.sum()), self.weak)]
        ridge += [np.full(self.case_mix.levels[name], sd[name] ** -2) for name in self.dense]
        of_group = sd[self.group] ** -2 if self.group else 0.0
        strengths: dict[str, Any] = {"ridge": np.concatenate(ridge), "group_ridge": of_group}
        # Rows are merged once; only the strengths change from round to round.
        self._design = replace(self._design, **strengths) if self._design else self._merged(**strengths)
        return fit(self._design, start=start, tolerance=1e-3)

    def _merged(self, *, ridge: Floats, group_ridge: float) -> Design:
        return merged_design(
            self.X,
            at_risk=self.at_risk,
            events=self.events,
            ridge=ridge,
            groups=self.case_mix.codes[self.group] if self.group else None,
            group_ridge=group_ridge,
            single=True,
        )

    def shrinkage(self, sd: Mapping[str, float], fitted: Fit) -> Shrinkage:
        size = len(self.bins)
        every_bin = np.full(len(BIN_EDGES), fitted.theta[:size].mean())
        every_bin[self.bins] = fitted.theta[:size]
        every_effect = np.zeros(len(self.kept))
        every_effect[self.kept] = fitted.theta[size : size + int(self.kept.sum())]
        effects = {name: np.zeros(self.case_mix.levels[name]) for name in SHRUNKEN}
        effects |= {name: fitted.theta[place] for name, place in self.places.items()}
        return Shrinkage(sd=dict(sd), bins=every_bin, case_mix=every_effect, effects=effects)


def _moved(fitted: Fit, place: Ints, sd: float) -> float:
    effects = fitted.theta[place]
    unknown = float(np.diag(fitted.covariance)[place].sum()) / sd**2
    freedom = max(len(place) - unknown, 1e-3)
    return float(np.clip(np.sqrt(float(effects @ effects) / freedom), *_SD_BOUNDS))

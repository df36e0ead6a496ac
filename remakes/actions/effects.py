"""What correcting missed requirements would spare: effects shrunken, drawn, and carried over the patterns.

The top of any ranking is over-estimated, because luck helped it there. So the log odds ratios of all
plausible pairs are first drawn towards no effect, as strongly as their scatter says (empirical Bayes with
a normal prior centred on no effect).

Returns of one defect are shared out over the patterns of missed requirements in proportion to their odds
ratios; correcting a share of the misses takes the surplus away. Restorations that miss two requirements
can be spared only once, which is why actions overlap.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.table import PatternTable, months_within
from remakes.deviations.detect import MISSED, NOT_RECORDED
from remakes.evidence.findings import Finding
from remakes.evidence.models.adjusted import missed_share

__all__ = ["DefectModel", "ShrunkenEffect", "defect_model", "shrink"]

Floats = NDArray[np.float64]

#: A log odds ratio beyond this, drawn or not, is a sign of a table too small to say; e**4 is about 55.
_LARGEST: Final = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ShrunkenEffect:
    """Log odds ratio of one plausible pair after shrinkage, with its standard deviation."""

    factor: str
    defect: str
    mean: float
    sd: float


def shrink(findings: Sequence[Finding]) -> tuple[ShrunkenEffect, ...]:
    """Draw the log odds ratios of all plausible pairs towards no effect.

    The prior variance is the weighted excess of squared estimates over their sampling variances (a moment
    estimator, iterated on its own weights); with no excess every effect is drawn to zero.

    References
    ----------
    Efron B, Morris C. JASA 70:311-319 (1975). DerSimonian R, Kacker R. Contemp Clin Trials 28:105-114 (2007).
    """
    usable = [f for f in findings if f.plausible and np.isfinite(f.adjusted.log_se) and f.adjusted.log_se > 0]
    if not usable:
        return ()
    beta = np.log([f.adjusted.odds_ratio.estimate for f in usable])
    variance = np.array([f.adjusted.log_se for f in usable]) ** 2
    prior = float(np.maximum(np.mean(beta**2 - variance), 0.0))
    for _ in range(50):
        weight = (variance + prior) ** -2
        prior = float(max(np.sum(weight * (beta**2 - variance)) / np.sum(weight), 0.0))
    kept = prior / (prior + variance)
    return tuple(
        ShrunkenEffect(factor=f.factor, defect=f.defect, mean=float(b * k), sd=float(np.sqrt(v * k)))
        for f, b, v, k in zip(usable, beta, variance, kept, strict=True)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class DefectModel:
    """How the returns of one defect lie over the patterns of missed requirements.

    Attributes
    ----------
    defect : str
    factors : tuple of str
        Those that some action corrects and that may cause the defect.
    effects : (factors, draws) array
        Drawn log odds ratios.
    returns : (draws,) array
        Returns within the horizon of all restorations in the records, drawn.
    weights : (combinations,) array
        Restorations of each combination of statuses.
    missed : (combinations, factors) array
        Probability that the requirement was missed: 1 missed, 0 met, the lab's share where not recorded.
    known : dict
        Burdens already worked out, by share corrected: a list of actions asks for the same ones many times.
    """

    defect: str
    factors: tuple[str, ...]
    effects: Floats
    returns: Floats
    weights: Floats
    missed: Floats
    known: dict[tuple[float, ...], Floats] = field(default_factory=dict, repr=False, compare=False)

    def avoided(self, corrected: Mapping[str, float]) -> Floats:
        """Returns avoided by removing these shares of the misses, (draws,) array."""
        share = tuple(corrected.get(factor, 0.0) for factor in self.factors)
        return self.returns * (1.0 - self._burden(share) / self._burden((0.0,) * len(share)))

    def _burden(self, share: tuple[float, ...]) -> Floats:
        """Sum over combinations of restorations times the product of (1 + probability missed x surplus)."""
        if share not in self.known:
            surplus = np.expm1(self.effects)
            product = np.ones((len(self.weights), surplus.shape[1]))
            for k, corrected in enumerate(share):
                product *= 1.0 + np.outer(self.missed[:, k] * (1.0 - corrected), surplus[k])
            self.known[share] = self.weights @ product
        return self.known[share]


def defect_model(
    table: PatternTable,
    defect: str,
    effects: Sequence[ShrunkenEffect],
    *,
    horizon: int,
    draws: int,
    rng: np.random.Generator,
) -> DefectModel:
    """Set up one defect: draws of its effects and of its number of returns, and its combinations of misses.

    Parameters
    ----------
    effects : sequence of ShrunkenEffect
        Of this defect, for the factors that some action corrects.
    """
    factors = tuple(effect.factor for effect in effects)
    codes, inverse = np.unique(table.status[:, [table.factors.index(f) for f in factors]], axis=0, return_inverse=True)
    inverse = inverse.reshape(-1)
    missed = (codes == MISSED).astype(np.float64)
    for k, factor in enumerate(factors):
        unknown = table.status_of(factor) == NOT_RECORDED
        if unknown.any():
            share = float(np.average(missed_share(table, factor)[unknown], weights=table.restorations[unknown]))
            missed[codes[:, k] == NOT_RECORDED, k] = share
    normal = rng.standard_normal((len(factors), draws))
    mean, sd = (np.array([getattr(effect, name) for effect in effects])[:, None] for name in ("mean", "sd"))
    return DefectModel(
        defect=defect,
        factors=factors,
        effects=np.clip(mean + sd * normal, -_LARGEST, _LARGEST),
        returns=_drawn_returns(table, defect, horizon=horizon, draws=draws, rng=rng),
        weights=np.bincount(inverse, table.restorations, minlength=len(codes)).astype(np.float64),
        missed=missed,
    )


def _drawn_returns(table: PatternTable, defect: str, *, horizon: int, draws: int, rng: np.random.Generator) -> Floats:
    """Returns within the horizon of all restorations, had all been followed that long; Poisson uncertainty."""
    at_risk, events = (months.sum(axis=0) for months in table.events_of(defect))
    hazard = np.divide(events, at_risk, out=np.zeros_like(events), where=at_risk > 0)
    risk = -np.expm1(float(np.sum(months_within(horizon) * np.log1p(-np.minimum(hazard, 1 - 1e-12)))))
    count = float(events.sum())
    drawn: Floats = float(table.restorations.sum()) * risk * rng.gamma(count + 0.5, 1.0, draws) / max(count, 0.5)
    return drawn

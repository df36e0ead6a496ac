"""Draws of the returns that go with each band of readings, and of what other readings would spare."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.readings import ReadingBands
from remakes.counts.table import months_within
from remakes.evidence.checks.band_design import BandRows
from remakes.evidence.estimate import Estimate

__all__ = ["BandDraws", "band_returns", "draw_bands", "keeps_limits", "summary"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]

#: A log odds ratio beyond this, drawn or not, is a sign of a table too small to say.
_LARGEST: Final = 4.0
#: Weight, in returns, of a case mix like that of the lab.
_PRIOR_RETURNS: Final = 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandDraws:
    """Returns of the bands, drawn; of every array the first column is the estimate itself.

    Attributes
    ----------
    restorations : (bands,) array
    base : (bands,) array
        Restorations times their case mix: in proportion to the returns if all bands had the reference's odds.
    relative : (bands, 1 + draws) array
        Odds ratio of each band to the reference.
    total : (1 + draws,) array
        Returns within the horizon of all restorations with a reading.
    """

    restorations: Floats
    base: Floats
    relative: Floats
    total: Floats

    @property
    def risk(self) -> Floats:
        """Returns within the horizon of one restoration of usual case mix, (bands, 1 + draws) array."""
        each: Floats = self._at_reference * self.relative
        return each

    @property
    def _at_reference(self) -> Floats:
        """The same if its reading were in the reference band."""
        level: Floats = self.total * self.base.sum() / (self.base @ self.relative) / self.restorations.sum()
        return level

    def risk_of(self, chosen: Flags) -> Floats:
        """Mean risk over some bands as many restorations as they have, (1 + draws,) array; nan of none."""
        if not chosen.any():
            return np.full(len(self.total), np.nan)
        found: Floats = np.average(self.risk[chosen], axis=0, weights=self.restorations[chosen])
        return found

    def spared(self, beyond: Flags, kept: Flags) -> Floats:
        """Returns spared if the bands beyond had the mean odds of the kept ones, (1 + draws,) array.

        Nothing where none lies beyond; nan where none is kept.
        """
        if not beyond.any():
            return np.zeros(len(self.total))
        if not kept.any():
            return np.full(len(self.total), np.nan)
        goal = np.average(self.relative[kept], axis=0, weights=self.restorations[kept])
        surplus = self.base[beyond] @ (self.relative[beyond] - goal)
        found: Floats = self.total * surplus / (self.base @ self.relative)
        return found


def draw_bands(bands: ReadingBands, rows: BandRows, defect: str, *, horizon: int, draws: int, seed: int) -> BandDraws:
    """Draw the bands' odds ratios from their joint estimate, and the number of returns.

    Parameters
    ----------
    bands : ReadingBands
        At least two.
    rows : BandRows
        Of these bands and the defect.
    defect : str
    horizon : int
        Months of service whose returns count.
    draws, seed : int

    Raises
    ------
    FitError
        The model cannot be fitted.
    """
    rng = np.random.default_rng(seed)
    size = len(bands.bands)
    restorations = np.array([band.restorations for band in bands.bands], dtype=np.float64)
    reference = _reference(bands, restorations)
    others = [k for k in range(size) if k != reference]
    design, best = rows.fit(rows.indicators(others))
    asked = slice(design.bins, design.bins + len(others))
    mean, covariance = best.theta[asked], best.covariance[asked, asked]
    log_odds = np.zeros((size, 1 + draws))
    log_odds[others, 0] = mean
    log_odds[others, 1:] = rng.multivariate_normal(mean, covariance, size=draws, method="svd").T
    relative = np.exp(np.clip(log_odds, -_LARGEST, _LARGEST))
    at_risk, events = _by_band(bands, defect)
    hazard = np.divide(
        events.sum(axis=0), at_risk.sum(axis=0), out=np.zeros(events.shape[1]), where=at_risk.sum(axis=0) > 0
    )
    risk = -np.expm1(float(np.sum(months_within(horizon) * np.log1p(-np.minimum(hazard, 1.0 - 1e-12)))))
    count = float(events.sum())
    drawn = rng.gamma(count + 0.5, 1.0, draws) / (count + 0.5)
    return BandDraws(
        restorations=restorations,
        base=restorations * _case_mix(events.sum(axis=1), (at_risk @ hazard) * relative[:, 0]),
        relative=relative,
        total=restorations.sum() * risk * np.append(1.0, drawn),
    )


def _reference(bands: ReadingBands, restorations: Floats) -> int:
    """The commonest band that keeps the limits, or of all."""
    keeping = np.array([keeps_limits(bands, k) for k in range(len(restorations))])
    return int(np.argmax(np.where(keeping, restorations, 0.0 if keeping.any() else restorations)))


def keeps_limits(bands: ReadingBands, number: int) -> bool:
    """Do all readings of a band keep the present limits?"""
    band, low, high = bands.bands[number], bands.present("low"), bands.present("high")
    return (low is None or band.least >= low.value) and (high is None or band.most <= high.value)


def _by_band(bands: ReadingBands, defect: str) -> tuple[Floats, Floats]:
    """Months at risk and first returns, (bands, bins) arrays."""
    table, level = bands.refined.table, bands.refined.attribute.codes
    member = (level[:, None] == np.arange(len(bands.bands))).astype(np.float64)
    at_risk, events = table.events_of(defect)
    return member.T @ at_risk, member.T @ events


def _case_mix(seen: Floats, expected: Floats) -> Floats:
    """How much harder than usual each band's restorations are: what its odds ratio leaves of its returns."""
    scaled = expected * seen.sum() / expected.sum()
    mix: Floats = (seen + _PRIOR_RETURNS) / (scaled + _PRIOR_RETURNS)
    return mix


def band_returns(bands: ReadingBands, defect: str) -> Ints:
    """First returns with the defect, (bands,) array; zeros where it was never seen."""
    if defect not in bands.refined.table.defects:
        return np.zeros(len(bands.bands), dtype=np.int64)
    counted: Ints = _by_band(bands, defect)[1].sum(axis=1).astype(np.int64)
    return counted


def summary(values: Floats) -> Estimate:
    """The estimate that stands first, with the middle 95 % of the draws."""
    low, high = np.quantile(values[1:], (0.025, 0.975))
    return Estimate(float(values[0]), float(low), float(high))

"""Does the risk rise with the reading, and is the limit at the right place?

A finding compares a requirement missed with a requirement met. Behind a numeric requirement lie readings, and they
say more: whether missing by more goes with more returns, whether keeping the limit by little is as good as keeping
it by far, and whether another limit would part good from bad better. Every comparison is made within the adjustment
set of the finding. The p values here are for reading one finding closely; they are not corrected for many findings.

References
----------
Firth D. Biometrika 80:27-38 (1993). Heinze G, Schemper M. Statistics in Medicine 21:2409-2419 (2002).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, isfinite, log10
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from remakes.counts.readings import Band, Limit, ReadingBands
from remakes.errors import FitError
from remakes.evidence.checks.band_design import BandRows
from remakes.evidence.checks.change_point import Change, find_change
from remakes.evidence.checks.dose_words import sentence
from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.evidence.models.adjusted import LEAST_RETURNS
from remakes.evidence.models.adjustment import Background
from remakes.evidence.models.likelihood import Design
from remakes.evidence.models.logistic import Fit
from remakes.evidence.models.profile_interval import profile
from remakes.records.standard import ProcessStandard
from remakes.texts import t

__all__ = ["BandRisk", "DoseResponse", "Gradient", "dose_response"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

#: As for the finding itself: the ends of intervals are then good to half a percent.
_LIMIT_TOLERANCE: Final = 0.05
_OF_REFERENCE: Final = Estimate(1.0, 1.0, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class BandRisk:
    """One band of readings and how its returns compare.

    Attributes
    ----------
    band : Band
    returns : int
        First returns with the defect.
    odds_ratio : Estimate
        Against the reference band, per month at risk, adjusted; of the reference itself 1.
    reference : bool
    keeps : bool
        All its readings keep the limits now in force.
    """

    band: Band
    returns: int
    odds_ratio: Estimate
    reference: bool
    keeps: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Gradient:
    """How the risk goes with the reading, along a straight line on the log odds.

    Attributes
    ----------
    odds_ratio : Estimate
        For each `per` that the reading is worse: further down for "at least", further up for "at most", nearer to
        or further beyond the next limit for "between". Above 1: worse readings go with more returns.
    per : float
        In the unit of the reading.
    p : float
        Penalized likelihood-ratio test of a flat line.
    """

    odds_ratio: Estimate
    per: float
    p: float

    def as_json(self) -> dict[str, Any]:
        """For findings; what is not a finite number becomes null."""
        return {"odds_ratio": self.odds_ratio.as_json(), "per": self.per, "p": self.p if isfinite(self.p) else None}


@dataclass(frozen=True, slots=True, kw_only=True)
class DoseResponse:
    """One numeric factor's readings and one defect.

    Attributes
    ----------
    factor, defect, unit : str
    plausible : bool
        The standard names the defect among those this requirement's miss may cause.
    limits : tuple of Limit
        All that restorations were delivered under.
    bands : tuple of BandRisk
        Ascending.
    trend : Gradient or None
        Over all readings.
    kept, missed : Gradient or None
        Within the restorations that met their requirement, and within those that missed it; None where their
        readings lie in one band.
    changes : tuple of Change
        Where the risk changes: one for each side that has a limit.
    why_not : str
        Empty, or why nothing could be estimated; all figures but counts are then missing.
    """

    factor: str
    defect: str
    unit: str
    plausible: bool
    limits: tuple[Limit, ...]
    bands: tuple[BandRisk, ...]
    trend: Gradient | None
    kept: Gradient | None
    missed: Gradient | None
    changes: tuple[Change, ...]
    why_not: str = ""

    @property
    def sentence(self) -> str:
        """What the readings say about the limit, in words."""
        return sentence(self)

    def as_json(self) -> dict[str, Any]:
        """In the interchange format; figures that cannot be had are null."""
        return {
            "factor": self.factor,
            "defect": self.defect,
            "unit": self.unit,
            "plausible": self.plausible,
            "limits": [
                {"value": one.value, "side": one.side, "restorations": one.restorations, "present": one.present}
                for one in self.limits
            ],
            "bands": [_band_json(one) for one in self.bands],
            "trend": self.trend and self.trend.as_json(),
            "kept": self.kept and self.kept.as_json(),
            "missed": self.missed and self.missed.as_json(),
            "changes": [change.as_json() for change in self.changes],
            "why_not": self.why_not,
            "says": self.sentence,
        }


def _band_json(one: BandRisk) -> dict[str, Any]:
    return {
        "readings": one.band.label,
        "low": one.band.low if isfinite(one.band.low) else None,
        "high": one.band.high if isfinite(one.band.high) else None,
        "median": one.band.median,
        "restorations": one.band.restorations,
        "returns": one.returns,
        "odds_ratio": one.odds_ratio.as_json(),
        "reference": one.reference,
        "keeps": one.keeps,
    }


def dose_response(bands: ReadingBands, background: Background, standard: ProcessStandard) -> DoseResponse:
    """Does the risk of one defect rise with the reading, and is the limit where it changes?

    Parameters
    ----------
    bands : ReadingBands
        Of the factor.
    background : Background
        Of the defect, on the table that `bands` was refined from.
    standard : ProcessStandard
        The one it was counted by.

    Returns
    -------
    DoseResponse
        Restorations without a legible reading are left out. Fewer than three returns with a reading, or readings
        that are all alike, give counts and a reason.
    """
    rows = BandRows(bands, background, standard)
    plausible = background.defect in standard.may_cause(bands.factor)
    why = _why_not(bands, rows)
    if not why:
        try:
            # On matrices this small a second thread only waits, and on a busy machine it waits long.
            with threadpool_limits(limits=1):
                return _estimated(bands, background, rows, plausible=plausible)
        except FitError as error:
            why = str(error)
    return _without(bands, background, rows, why, plausible=plausible)


def _why_not(bands: ReadingBands, rows: BandRows) -> str:
    if len(bands.bands) < 2:
        only = bands.bands[0]
        alike = (
            t("every reading is {label}", label=only.label)
            if only.least == only.most
            else t("too few different readings")
        )
        return t("{alike}: there is nothing to compare", alike=alike)
    returned = int(rows.returns.sum())
    if returned < LEAST_RETURNS:
        return t(
            "only {returned} of its returns have this reading recorded; {least_returns} are needed",
            returned=returned,
            least_returns=LEAST_RETURNS,
        )
    return ""


def _without(bands: ReadingBands, background: Background, rows: BandRows, why: str, *, plausible: bool) -> DoseResponse:
    return DoseResponse(
        factor=bands.factor,
        defect=background.defect,
        unit=bands.unit,
        plausible=plausible,
        limits=bands.limits,
        bands=_risks(bands, rows, [UNKNOWN] * len(bands.bands), -1),
        trend=None,
        kept=None,
        missed=None,
        changes=(),
        why_not=why,
    )


def _estimated(bands: ReadingBands, background: Background, rows: BandRows, *, plausible: bool) -> DoseResponse:
    # First what is compared by likelihood: it leaves a good start to the models with Firth's penalty.
    changes = tuple(
        change
        for side in ("low", "high")
        if bands.present(side) is not None and (change := find_change(rows, bands, side)) is not None
    )
    reference = _reference(bands)
    worse = _worse(bands)
    per = _round_step(worse, np.array([band.restorations for band in bands.bands]))
    trend = _gradients(rows, [(worse / per)[rows.band]], beside=[], per=per)[0]
    kept, missed = _within_sides(rows, worse / per, per=per)
    return DoseResponse(
        factor=bands.factor,
        defect=background.defect,
        unit=bands.unit,
        plausible=plausible,
        limits=bands.limits,
        bands=_risks(bands, rows, _band_ratios(rows, reference, len(bands.bands)), reference),
        trend=trend,
        kept=kept,
        missed=missed,
        changes=changes,
    )


def _keeps(bands: ReadingBands, band: Band) -> bool:
    low, high = bands.present("low"), bands.present("high")
    return (low is None or band.least >= low.value) and (high is None or band.most <= high.value)


def _reference(bands: ReadingBands) -> int:
    """The commonest band that keeps the limits: the one just inside is often small, and then all odds ratios shake.

    Where no band keeps them, the commonest of all.
    """
    keeping = [k for k, band in enumerate(bands.bands) if _keeps(bands, band)] or list(range(len(bands.bands)))
    return max(keeping, key=lambda k: bands.bands[k].restorations)


def _risks(bands: ReadingBands, rows: BandRows, ratios: list[Estimate], reference: int) -> tuple[BandRisk, ...]:
    return tuple(
        BandRisk(
            band=band,
            returns=int(rows.returns[k]),
            odds_ratio=ratios[k],
            reference=k == reference,
            keeps=_keeps(bands, band),
        )
        for k, band in enumerate(bands.bands)
    )


def _band_ratios(rows: BandRows, reference: int, size: int) -> list[Estimate]:
    others = [k for k in range(size) if k != reference]
    design, best = rows.fit(rows.indicators(others))
    ratios = {k: _ratio(design, best, column)[0] for column, k in enumerate(others)}
    return [ratios.get(k, _OF_REFERENCE) for k in range(size)]


def _ratio(design: Design, best: Fit, column: int) -> tuple[Estimate, float]:
    interval = profile(design, best, column, tolerance=_LIMIT_TOLERANCE)
    ends = (interval.estimate, interval.low, interval.high)
    return Estimate(*(float(np.exp(value)) for value in ends)), interval.p


def _worse(bands: ReadingBands) -> Floats:
    """How bad each band's median is: how far beyond the nearer present limit, negative within, (bands,) array."""
    median = np.array([band.median for band in bands.bands])
    low, high = bands.present("low"), bands.present("high")
    sides = ([low.value - median] if low else []) + ([median - high.value] if high else [])
    worst: Floats = np.max(sides, axis=0)
    return worst


def _round_step(worse: Floats, weights: NDArray[np.int64]) -> float:
    """A round difference of readings (1, 2 or 5 times a power of ten) near the distance of their quartiles."""
    order = np.argsort(worse, kind="stable")
    held = np.cumsum(weights[order]) / weights.sum()
    lower, upper = (float(worse[order][np.searchsorted(held, share)]) for share in (0.25, 0.75))
    size = (upper - lower) or float(np.ptp(worse))
    if not size > 0:
        return 1.0
    power = floor(log10(size))
    steps = [digit * 10.0**exponent for exponent in (power, power + 1) for digit in (1, 2, 5)]
    return min(steps, key=lambda step: abs(np.log(step / size)))


def _gradients(rows: BandRows, scores: list[Floats], *, beside: list[Floats], per: float) -> list[Gradient | None]:
    """One model with these scores and indicators; a gradient for each score, None for one that does not vary."""
    varies = [bool(np.ptp(score) > 0) for score in scores]
    columns = [one for one in (*scores, *beside) if np.ptp(one) > 0]
    if not any(varies):
        return [None] * len(scores)
    design, best = rows.fit(np.column_stack(columns))
    found: list[Gradient | None] = []
    for score_varies in varies:
        if not score_varies:
            found.append(None)
            continue
        ratio, p = _ratio(design, best, sum(one is not None for one in found))
        found.append(Gradient(odds_ratio=ratio, per=per, p=p))
    return found


def _within_sides(rows: BandRows, scaled: Floats, *, per: float) -> tuple[Gradient | None, Gradient | None]:
    """The gradient among those that met the requirement and among those that missed it, each side with its level."""
    score = scaled[rows.band]
    sides = [_within(score, side) for side in (~rows.missed, rows.missed)]
    kept, missed = _gradients(rows, sides, beside=[rows.missed.astype(np.float64)], per=per)
    return kept, missed


def _within(score: Floats, side: NDArray[np.bool_]) -> Floats:
    """The score on one side, centred there; zero elsewhere, and everywhere if the side has one value only."""
    if not side.any() or np.ptp(score[side]) == 0:
        return np.zeros(len(score))
    return np.where(side, score - score[side].mean(), 0.0)

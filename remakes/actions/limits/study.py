"""Would a tighter limit spare returns, and how many restorations would it flag?

A limit does two things: it calls some restorations back to the bench, which costs time, and it spares returns if what
is called back is brought to where the kept ones are. Both are worked out here for the present limit and for others
along the same reading. A limit below a material's instruction is never proposed: laxer ones are shown for information.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from remakes.actions.limits.draws import BandDraws, band_returns, draw_bands, keeps_limits, summary
from remakes.actions.limits.figures import LimitPoint, LimitStudy, ReadingRisk, Side, Standing
from remakes.actions.limits.words import cautions_of
from remakes.counts.engine import Tables
from remakes.counts.readings import ReadingBands, reading_bands
from remakes.counts.table import DAYS_PER_MONTH, PatternTable
from remakes.errors import FitError
from remakes.evidence.checks.band_design import BandRows
from remakes.evidence.estimate import UNKNOWN
from remakes.evidence.models.adjusted import LEAST_RETURNS
from remakes.evidence.models.adjustment import Background
from remakes.evidence.models.case_mix import CaseMix
from remakes.evidence.models.shrinkage import estimate_shrinkage
from remakes.records.codes import defect_in_text
from remakes.records.standard import ProcessStandard
from remakes.texts import t

__all__ = ["LimitPoint", "LimitStudy", "ReadingRisk", "limit_study"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_DRAWS: Final = 2000
_SIDES: Final[tuple[Side, ...]] = ("low", "high")


def limit_study(
    tables: Tables,
    table: PatternTable,
    standard: ProcessStandard,
    *,
    factor: str,
    defect: str,
    horizon: int = 12,
    seed: int = 0,
) -> LimitStudy:
    """What would another limit flag, and what would it spare?

    Parameters
    ----------
    tables : Tables
        The engine that `table` was counted in.
    table : PatternTable
    standard : ProcessStandard
        The one `table` was counted by.
    factor, defect : str
    horizon : int
        Months of service whose returns count.
    seed : int
        Of the draws behind the intervals.

    Returns
    -------
    LimitStudy
        A requirement that asks for words, a defect never seen, readings all alike, fewer than three returns with a
        reading: what is missing, and counts where there are any.

    Raises
    ------
    ProcessStandardError
        The standard does not name the factor.

    Notes
    -----
    Limits are tried where the bands of readings part, which the readings and the standard decide, not the returns.
    Odds ratios between bands are those of the dose-response: within the adjustment set of the finding. Drawn from
    their joint estimate (normal, on the log odds), they share out the lab's drawn returns (gamma) over the bands; what
    lies beyond a limit is then given the mean risk of the bands within. No draw is shrunken: of several limits, the
    one that looks best is over-estimated.
    """
    asked = LimitStudy(factor=factor, defect=defect, unit="", horizon=horizon)
    numeric = all(one.rule.numeric for one in standard.requirements_of(factor))
    bands = reading_bands(tables, table, standard, factor=factor) if numeric and factor in table.factors else None
    if bands is None:
        why: str = (
            t("its readings lie on several scales, or none is legible")
            if numeric
            else t("the requirement asks for words, and only a number has a limit that could be moved")
        )
        return LimitStudy(factor=factor, defect=defect, unit="", horizon=horizon, why_not=why)
    draws, why = _draws(table, bands, standard, defect, horizon=horizon, seed=seed)
    return _studied(asked, table, standard, bands, draws, why)


def _draws(
    table: PatternTable, bands: ReadingBands, standard: ProcessStandard, defect: str, *, horizon: int, seed: int
) -> tuple[BandDraws | None, str]:
    """Draws of the bands' returns, or why there are none."""
    if defect not in table.defects:
        return None, t("no return with {defect} has been recorded", defect=defect_in_text(defect))
    if len(bands.bands) < 2:
        return None, t("the readings are all alike, or too few differ: there is nothing to compare")
    case_mix = CaseMix(table)
    at_risk, events = table.events_of(defect)
    try:
        # On matrices this small a second thread only waits.
        with threadpool_limits(limits=1):
            shrinkage = estimate_shrinkage(case_mix, at_risk=at_risk, events=events)
            rows = BandRows(bands, Background(table, case_mix, shrinkage, defect), standard)
            returned = int(rows.returns.sum())
            if returned < LEAST_RETURNS:
                return None, t(
                    "only {returned} of its returns have this reading recorded; {least_returns} are needed",
                    returned=returned,
                    least_returns=LEAST_RETURNS,
                )
            return draw_bands(bands, rows, defect, horizon=horizon, draws=_DRAWS, seed=seed), ""
    except FitError as error:
        return None, str(error)


def _studied(
    asked: LimitStudy,
    table: PatternTable,
    standard: ProcessStandard,
    bands: ReadingBands,
    draws: BandDraws | None,
    why: str,
) -> LimitStudy:
    days = (table.last_delivered - table.first_delivered).days + 1
    months = max(days / DAYS_PER_MONTH, 1.0)
    size = np.array([band.restorations for band in bands.bands], dtype=np.float64)
    returned = band_returns(bands, asked.defect)
    study = LimitStudy(
        factor=asked.factor,
        defect=asked.defect,
        unit=bands.unit,
        horizon=asked.horizon,
        limits=bands.limits,
        bands=tuple(
            ReadingRisk(
                band=band,
                returns=int(returned[k]),
                risk=UNKNOWN if draws is None else summary(draws.risk[k]),
                keeps=keeps_limits(bands, k),
            )
            for k, band in enumerate(bands.bands)
        ),
        points=tuple(point for side in _SIDES for point in _points(bands, side, size, draws, months=months)),
        recorded=int(size.sum()),
        why_not=why,
    )
    plausible = asked.defect in standard.may_cause(asked.factor)
    return replace(study, cautions=cautions_of(study, table, plausible=plausible))


def _points(
    bands: ReadingBands, side: Side, size: Floats, draws: BandDraws | None, *, months: float
) -> list[LimitPoint]:
    """The present limit and all cuts that could take its place, ascending; none where this side has no limit."""
    present = bands.present(side)
    if present is None:
        return []
    inside_other = ~_beyond_other(bands, side)
    now = present.value
    # A cut of the other side belongs to the other limit. The present limit is no cut where all readings keep it.
    values = {cut.value for cut in bands.cuts if cut.side == side} | {now}
    beyond = {value: _beyond(bands, value, side) for value in values}
    kept = {value: ~flags & inside_other for value, flags in beyond.items()}
    found = []
    for value in sorted(value for value, flags in kept.items() if flags.any() or value == now):
        flagged = float(size[beyond[value]].sum())
        found.append(
            LimitPoint(
                limit=value,
                side=side,
                standing=_standing(value, now, side),
                flagged_share=flagged / float(size.sum()),
                flagged_per_month=flagged / months,
                **_worth(draws, (beyond[value], kept[value]), (beyond[now], kept[now]), months=months),
            )
        )
    return found


def _beyond(bands: ReadingBands, limit: float, side: Side) -> Flags:
    """Which bands lie on the wrong side of a limit that parts no band."""
    return np.array([band.most < limit if side == "low" else band.least > limit for band in bands.bands])


def _beyond_other(bands: ReadingBands, side: Side) -> Flags:
    """Bands on the wrong side of the limit at the other end; none without one."""
    low, high = bands.present("low"), bands.present("high")
    if side == "low":
        return np.array([high is not None and band.least > high.value for band in bands.bands])
    return np.array([low is not None and band.most < low.value for band in bands.bands])


def _standing(value: float, present: float, side: Side) -> Standing:
    if value == present:
        return "present"
    return "tighter" if (value > present) == (side == "low") else "laxer"


def _worth(
    draws: BandDraws | None, there: tuple[Flags, Flags], present: tuple[Flags, Flags], *, months: float
) -> dict[str, Any]:
    """What a limit spares, by the bands beyond and within it, and how much more than the present one."""
    if draws is None:
        unknown = dict.fromkeys(("spared_per_month", "spared_more", "risk_within", "risk_beyond"), UNKNOWN)
        return unknown | {"probability_more": float("nan")}
    spared = draws.spared(*there) / months
    more = spared - draws.spared(*present) / months
    same = np.isnan(more).any() or not more.any()
    return {
        "spared_per_month": summary(spared),
        "spared_more": summary(more),
        "probability_more": float("nan") if same else float((more[1:] > 0).mean()),
        "risk_within": summary(draws.risk_of(there[1])),
        "risk_beyond": summary(draws.risk_of(there[0])),
    }

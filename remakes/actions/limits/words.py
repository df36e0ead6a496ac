"""What a limit study says, in sentences, and what could make it wrong."""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING, Final

from remakes.counts.table import PatternTable
from remakes.deviations.detect import NOT_APPLICABLE
from remakes.records.codes import defect_in_text
from remakes.texts import later, run_on, t

if TYPE_CHECKING:  # the study asks for its words, and the words read the study
    from remakes.actions.limits.figures import LimitPoint, LimitStudy

__all__ = ["cautions_of", "sentence_of"]

_ASKS: Final = {"low": later("at least {limit:g} {unit}"), "high": later("at most {limit:g} {unit}")}
_BARE: Final = {"low": later("at least {limit:g}"), "high": later("at most {limit:g}")}
_INSTRUCTION: Final = later(
    "A limit may be tightened in the lab; whether it may be loosened the material's instructions say."
)
#: From this share of readings on one value, limits near it are told apart by how readings were rounded.
_HEAPED: Final = 0.3
_FEW_RETURNS: Final = 20
#: A tighter limit is said to spare more where all but this share of the draws, over the limits tried, say so.
_ONE_SIDED: Final = 0.025
_MANY_GAPS: Final = 0.2


def sentence_of(study: LimitStudy) -> str:
    """What the present limit flags and spares, whether a tighter one would spare more, and whose word counts."""
    if study.why_not:
        return t(
            "What another limit of {factor} would spare cannot be said: {why_not}.",
            factor=study.factor,
            why_not=study.why_not,
        )
    said = []
    for side in ("low", "high"):
        points = [point for point in study.points if point.side == side]
        said += [_present(point, study) for point in points if point.standing == "present"]
        said += _tighter([point for point in points if point.standing == "tighter"], study)
    return run_on(*said, t(_INSTRUCTION)) if said else t("No limit of {factor} is in force.", factor=study.factor)


def _named(point: LimitPoint, study: LimitStudy) -> str:
    if not study.unit:
        asks = _BARE[point.side]
        return t(str(asks), limit=point.limit)
    return t(str(_ASKS[point.side]), limit=point.limit, unit=study.unit)


def _present(point: LimitPoint, study: LimitStudy) -> str:
    named = _named(point, study)
    if not point.flagged_share:
        return t("No reading lies beyond the present limit, {named}.", named=named)
    flags = t(
        "The present limit, {named}, flags {flagged_share:.0%} of the recorded restorations "
        "({flagged_per_month:.1f} a month)",
        named=named,
        flagged_share=point.flagged_share,
        flagged_per_month=point.flagged_per_month,
    )
    spared = point.spared_per_month
    if not isfinite(spared.estimate):
        return t("{flags}; none keeps it, so there is nothing to compare with.", flags=flags)
    if spared.low <= 0 <= spared.high:
        return t(
            "{flags}; whether returns with {defect} would be spared, were these as the kept ones are, "
            "these records cannot tell: {spared} a month.",
            flags=flags,
            defect=defect_in_text(study.defect),
            spared=spared,
        )
    return t(
        "{flags}; were these as the kept ones are, {spared} returns with {defect} a month would be spared.",
        flags=flags,
        spared=spared,
        defect=defect_in_text(study.defect),
    )


def _tighter(points: list[LimitPoint], study: LimitStudy) -> list[str]:
    """The nearest limit that spares more for certain, or that none does."""
    if not points:
        return []
    # Each of several limits is looked at, so each must be the surer.
    bar = 1.0 - _ONE_SIDED / len(points)
    surely = [point for point in points if point.probability_more > bar]
    if not surely:
        return [t("These records cannot tell whether a tighter limit would spare more.")]
    nearest = min(surely, key=lambda point: point.flagged_share)
    return [
        t(
            "A limit of {named} would flag {flagged_share:.0%} ({flagged_per_month:.1f} a month); were these as the "
            "kept ones are, {spared_more} returns a month more would be spared.",
            named=_named(nearest, study),
            flagged_share=nearest.flagged_share,
            flagged_per_month=nearest.flagged_per_month,
            spared_more=nearest.spared_more,
        )
    ]


def cautions_of(study: LimitStudy, table: PatternTable, *, plausible: bool) -> tuple[str, ...]:
    """Heaped readings, few returns, gaps, limits that changed, an effect nobody expects."""
    said = [_heaped(study, table), _gaps(study, table), _changed(study)]
    if not study.why_not:
        said += [
            _few(study),
            ""
            if plausible
            else t(
                "This step is not thought to lead to {defect}: something else may be behind both.",
                defect=defect_in_text(study.defect),
            ),
            t("A reading brought inside the limit by writing another number spares nothing."),
            t("Of several limits the one that looks best is over-estimated; judge a new one by what happens after it."),
        ]
    return tuple(filter(None, said))


def _heaped(study: LimitStudy, table: PatternTable) -> str:
    readings = table.readings.get(study.factor)
    if readings is None or readings.commonest_share < _HEAPED:
        return ""
    return t(
        "{commonest_share:.0%} of the readings are {commonest}: limits near it part what was "
        "rounded, not what was done.",
        commonest_share=readings.commonest_share,
        commonest=readings.commonest,
    )


def _few(study: LimitStudy) -> str:
    returned = sum(one.returns for one in study.bands)
    if returned >= _FEW_RETURNS:
        return ""
    return t(
        "Only {returned} returns stand behind this; the intervals are wide, and may still be too narrow.",
        returned=returned,
    )


def _gaps(study: LimitStudy, table: PatternTable) -> str:
    concerned = int(table.restorations[table.status_of(study.factor) != NOT_APPLICABLE].sum())
    missing = concerned - study.recorded
    if concerned <= 0 or missing < _MANY_GAPS * concerned:
        return ""
    return t(
        "Of {concerned:,} restorations {missing:.0%} have no legible reading: all figures are of the others only.",
        concerned=concerned,
        missing=missing / concerned,
    )


def _changed(study: LimitStudy) -> str:
    past = sorted({one.value for one in study.limits if not one.present})
    others = len({(one.value, one.side) for one in study.limits if one.present}) > len(
        {one.side for one in study.limits if one.present}
    )
    if past:
        return t(
            "Other limits were in force earlier ({items}): readings of that time are among these, and "
            "the present ones may differ.",
            items=", ".join(f"{value:g}" for value in past),
        )
    return (
        t("Other limits hold for other cases; the one of most restorations is taken as the present one.")
        if others
        else ""
    )

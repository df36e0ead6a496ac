"""What a limit study says, in sentences, and what could make it wrong."""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING, Final

from remakes.counts.table import PatternTable
from remakes.deviations.detect import NOT_APPLICABLE

if TYPE_CHECKING:  # the study asks for its words, and the words read the study
    from remakes.actions.limits.figures import LimitPoint, LimitStudy

__all__ = ["cautions_of", "sentence_of"]

_ASKS: Final = {"low": "at least", "high": "at most"}
_INSTRUCTION: Final = "A limit may be tightened in the lab; whether it may be loosened the material's instructions say."
#: From this share of readings on one value, limits near it are told apart by how readings were rounded.
_HEAPED: Final = 0.3
_FEW_RETURNS: Final = 20
#: A tighter limit is said to spare more where all but this share of the draws, over the limits tried, say so.
_ONE_SIDED: Final = 0.025
_MANY_GAPS: Final = 0.2


def sentence_of(study: LimitStudy) -> str:
    """What the present limit flags and spares, whether a tighter one would spare more, and whose word counts."""
    if study.why_not:
        return f"What another limit of {study.factor} would spare cannot be said: {study.why_not}."
    said = []
    for side in ("low", "high"):
        points = [point for point in study.points if point.side == side]
        said += [_present(point, study) for point in points if point.standing == "present"]
        said += _tighter([point for point in points if point.standing == "tighter"], study)
    return " ".join([*said, _INSTRUCTION]) if said else f"No limit of {study.factor} is in force."


def _named(point: LimitPoint, study: LimitStudy) -> str:
    return f"{_ASKS[point.side]} {point.limit:g} {study.unit}".rstrip()


def _present(point: LimitPoint, study: LimitStudy) -> str:
    named = f"the present limit, {_named(point, study)}"
    if not point.flagged_share:
        return f"No reading lies beyond {named}."
    flags = (
        f"{named[0].upper()}{named[1:]}, flags {point.flagged_share:.0%} of the recorded restorations "
        f"({point.flagged_per_month:.1f} a month)"
    )
    spared = point.spared_per_month
    if not isfinite(spared.estimate):
        return f"{flags}; none keeps it, so there is nothing to compare with."
    if spared.low <= 0 <= spared.high:
        return (
            f"{flags}; whether returns with {study.defect} would be spared, were these as the kept ones are, these "
            f"records cannot tell: {spared} a month."
        )
    return f"{flags}; were these as the kept ones are, {spared} returns with {study.defect} a month would be spared."


def _tighter(points: list[LimitPoint], study: LimitStudy) -> list[str]:
    """The nearest limit that spares more for certain, or that none does."""
    if not points:
        return []
    # Each of several limits is looked at, so each must be the surer.
    bar = 1.0 - _ONE_SIDED / len(points)
    surely = [point for point in points if point.probability_more > bar]
    if not surely:
        return ["These records cannot tell whether a tighter limit would spare more."]
    nearest = min(surely, key=lambda point: point.flagged_share)
    return [
        f"A limit of {_named(nearest, study)} would flag {nearest.flagged_share:.0%} "
        f"({nearest.flagged_per_month:.1f} a month) and spare {nearest.spared_more} returns a month more."
    ]


def cautions_of(study: LimitStudy, table: PatternTable, *, plausible: bool) -> tuple[str, ...]:
    """Heaped readings, few returns, gaps, limits that changed, an effect nobody expects."""
    said = [_heaped(study, table), _gaps(study, table), _changed(study)]
    if not study.why_not:
        said += [
            _few(study),
            ""
            if plausible
            else f"This step is not thought to lead to {study.defect}: something else may be behind both.",
            "A reading brought inside the limit by writing another number spares nothing.",
            "Of several limits the one that looks best is over-estimated; judge a new one by what happens after it.",
        ]
    return tuple(filter(None, said))


def _heaped(study: LimitStudy, table: PatternTable) -> str:
    readings = table.readings.get(study.factor)
    if readings is None or readings.commonest_share < _HEAPED:
        return ""
    return (
        f"{readings.commonest_share:.0%} of the readings are {readings.commonest}: limits near it part what was "
        "rounded, not what was done."
    )


def _few(study: LimitStudy) -> str:
    returned = sum(one.returns for one in study.bands)
    if returned >= _FEW_RETURNS:
        return ""
    return f"Only {returned} returns stand behind this; the intervals are wide, and may still be too narrow."


def _gaps(study: LimitStudy, table: PatternTable) -> str:
    concerned = int(table.restorations[table.status_of(study.factor) != NOT_APPLICABLE].sum())
    missing = concerned - study.recorded
    if concerned <= 0 or missing < _MANY_GAPS * concerned:
        return ""
    return (
        f"Of {concerned:,} restorations {missing / concerned:.0%} have no legible reading: all figures are of the "
        "others only."
    )


def _changed(study: LimitStudy) -> str:
    past = sorted({one.value for one in study.limits if not one.present})
    others = len({(one.value, one.side) for one in study.limits if one.present}) > len(
        {one.side for one in study.limits if one.present}
    )
    if past:
        return (
            f"Other limits were in force earlier ({', '.join(f'{value:g}' for value in past)}): readings of that time "
            "are among these, and the present ones may differ."
        )
    return (
        "Other limits hold for other cases; the one of most restorations is taken as the present one." if others else ""
    )

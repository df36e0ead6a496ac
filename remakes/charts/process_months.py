"""One requirement at the bench, month by month: missed, and not recorded."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from remakes.charts.base import Chart
from remakes.charts.in_limits import LATEST, MonthPoint, in_limits

if TYPE_CHECKING:
    from remakes.trends.months.process_months import ProcessFactor, ProcessMonth

__all__ = ["bench_months"]

_HEIGHT: Final = 190


def bench_months(factor: ProcessFactor, *, kind: Literal["missed", "not recorded"], latest: int = LATEST) -> Chart:
    """Share missed of recorded, or not recorded of those that the requirement applies to, in its limits.

    Parameters
    ----------
    factor : ProcessFactor
    kind : str
    latest : int
        Months drawn at most, counted from the latest; those with nothing to share out have no point.
    """
    make = _missed if kind == "missed" else _not_recorded
    of = "missed, of recorded" if kind == "missed" else "not recorded, of all"
    return in_limits(
        [make(one) for one in factor.months[-latest:]], of="delivery", title=of, share=True, height=_HEIGHT
    )


def _missed(one: ProcessMonth) -> MonthPoint:
    return MonthPoint(
        month=one.month,
        value=one.miss_share.estimate,
        centre=one.miss_centre,
        low=one.miss_low,
        high=one.miss_high,
        signals=one.miss_signals,
        said={
            "missed": f"{one.missed:,} of {one.recorded:,} recorded",
            "signal": ", ".join(one.miss_signals) or "none",
        },
    )


def _not_recorded(one: ProcessMonth) -> MonthPoint:
    return MonthPoint(
        month=one.month,
        value=one.gap_share.estimate,
        centre=one.gap_centre,
        low=one.gap_low,
        high=one.gap_high,
        signals=one.gap_signals,
        said={
            "not recorded": f"{one.not_recorded:,} of {one.restorations:,}",
            "signal": ", ".join(one.gap_signals) or "none",
        },
    )

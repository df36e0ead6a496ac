"""One requirement at the bench, month by month: missed, and not recorded."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final, Literal

from remakes.charts.base import Chart
from remakes.charts.in_limits import LATEST, MonthPoint, in_limits
from remakes.texts import t

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
    of = t("missed, of recorded") if kind == "missed" else t("not recorded, of all")
    return in_limits(
        [make(one) for one in factor.months[-latest:]], of=t("month of delivery"), title=of, share=True, height=_HEIGHT
    )


def _named(signals: Sequence[str]) -> str:
    return ", ".join(t(one) for one in signals) or t("no signal")


def _missed(one: ProcessMonth) -> MonthPoint:
    return MonthPoint(
        month=one.month,
        value=one.miss_share.estimate,
        centre=one.miss_centre,
        low=one.miss_low,
        high=one.miss_high,
        signals=one.miss_signals,
        said={
            t("missed"): t("{missed:,} of {recorded:,} recorded", missed=one.missed, recorded=one.recorded),
            t("signal"): _named(one.miss_signals),
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
            t("not recorded"): t(
                "{not_recorded:,} of {restorations:,}", not_recorded=one.not_recorded, restorations=one.restorations
            ),
            t("signal"): _named(one.gap_signals),
        },
    )

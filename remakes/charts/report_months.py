"""Returns by month of report, in the limits of common variation."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import TYPE_CHECKING

from remakes.charts.base import Chart
from remakes.charts.in_limits import LATEST, MonthPoint, in_limits
from remakes.texts import t

if TYPE_CHECKING:
    from remakes.trends.delay.nowcast import NowcastMonth
    from remakes.trends.months.report_months import JudgedDefect, JudgedMonth

__all__ = ["judged_months"]


def judged_months(defect: JudgedDefect, *, nowcast: Sequence[NowcastMonth] = (), latest: int = LATEST) -> Chart:
    """Returns of each month, what was expected, the limits, and what is still to be entered.

    Parameters
    ----------
    defect : JudgedDefect
    nowcast : sequence of NowcastMonth
        Of the same defect: where given, months still coming in show the range they may end in, not one figure.
    latest : int
        Months drawn at most, counted from the latest.
    """
    late = {one.month: one for one in nowcast}
    points = [_point(one, late.get(one.month)) for one in defect.months[-latest:]]
    return in_limits(points, of=t("month of report"), title=t("returns reported in the month (n)"), since=defect.since)


def _point(one: JudgedMonth, late: NowcastMonth | None) -> MonthPoint:
    judged = isfinite(one.expected)
    said: dict[str, str] = {
        t("returns so far") if not one.complete else t("returns"): t("{n:,}", n=one.returns),
        t("expected"): t("{n:.1f}", n=one.expected) if judged else t("not judged"),
        t("limits"): t("{low:,.0f} to {high:,.0f}", low=one.low, high=one.high) if judged else t("not judged"),
        t("signal"): ", ".join(t(signal) for signal in one.signals) or t("no signal"),
    }
    return MonthPoint(
        month=one.month,
        value=one.returns,
        # Limits belong to the whole month: set against an unfinished one they would mislead.
        centre=one.expected if one.complete else float("nan"),
        low=one.low if one.complete else float("nan"),
        high=one.high if one.complete else float("nan"),
        complete=one.complete,
        signals=one.signals,
        may_reach=_may_reach(one, late),
        said=said,
    )


def _may_reach(one: JudgedMonth, late: NowcastMonth | None) -> tuple[float, float, float] | None:
    """Nothing where a month is complete or nothing is waited for."""
    if one.complete:
        return None
    if late is not None and isfinite(late.late.estimate):
        more = late.late.low, late.late.estimate, late.late.high
        return (one.returns + more[0], one.returns + more[1], one.returns + more[2]) if more[2] > 0 else None
    if not (isfinite(one.expected_late) and one.expected_late > 0):
        return None
    likely = one.returns + one.expected_late
    return float(one.returns), likely, likely

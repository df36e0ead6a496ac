"""An action since its start: returns against those expected without it, and misses week by week."""

from __future__ import annotations

from datetime import date, timedelta
from math import isfinite
from typing import TYPE_CHECKING, Final

import altair as alt

from remakes.charts.base import BLUE, GREY, ORANGE, PLOT, Chart, Row, below_top, data, layered
from remakes.texts import later, t

if TYPE_CHECKING:
    from remakes.actions.follow_up.misses import MissChange
    from remakes.actions.follow_up.verdicts import FollowUp

__all__ = ["miss_weeks", "returns_since_start"]

#: Height of a legend of four lines.
_LEGEND: Final = 90
_OBSERVED, _EXPECTED = later("came back"), later("expected without the action")
_FELL, _EXCLUDED = (
    later("so many or fewer: a fall is shown"),
    later("so many or more: the fall worth having is excluded"),
)
#: Kind of line: dash, shape of its points, colour. No two share a shape.
_LINES: Final = {
    _OBSERVED: ([1, 0], "circle", BLUE),
    _EXPECTED: ([5, 4], "square", GREY),
    _FELL: ([1, 3], "triangle-down", BLUE),
    _EXCLUDED: ([1, 3], "triangle-up", ORANGE),
}
_BEFORE, _SINCE = later("before the decision"), later("since the start")


def returns_since_start(found: FollowUp) -> Chart:
    """Returns since the start against those expected without the action, and where each look would have decided.

    Parameters
    ----------
    found : FollowUp
        Looks without a boundary have none drawn; without looks the chart is empty.
    """
    rows = [
        {"until": (look.until - timedelta(days=1)).isoformat(), "kind": t(kind), "returns": value}
        for look in found.looks
        for kind, value in (
            (_OBSERVED, look.observed),
            (_EXPECTED, round(look.expected, 2)),
            (_FELL, look.verified_at_most),
            (_EXCLUDED, look.no_effect_at_least),
        )
        if value is not None and isfinite(value)
    ]
    kinds = [t(one) for one in _LINES]
    legend = alt.Legend(title=None, orient="top", columns=1, labelLimit=360)

    def scale(at: int) -> alt.Scale:
        return alt.Scale(domain=kinds, range=[look[at] for look in _LINES.values()])

    colour = alt.Color("kind:N", scale=scale(2), legend=legend)
    base = data(rows).encode(
        x=alt.X("until:T", title=t("looked at the end of each month")),
        y=alt.Y("returns:Q", title=t("returns since the start (n)"), axis=alt.Axis(tickMinStep=1)),
        color=colour,
        tooltip=[
            alt.Tooltip("until:T", title=t("up to")),
            alt.Tooltip("kind:N", title=t("line")),
            alt.Tooltip("returns:Q", title=t("returns"), format=".1f"),
        ],
    )
    line = base.mark_line(strokeWidth=2).encode(strokeDash=alt.StrokeDash("kind:N", scale=scale(0), legend=legend))
    point = base.mark_point(size=60, filled=True, opacity=1).encode(
        shape=alt.Shape("kind:N", scale=scale(1), legend=legend)
    )
    return layered(line, point, height=PLOT + _LEGEND)


def miss_weeks(change: MissChange, *, starts_on: date) -> Chart:
    """Share missed by week of delivery, before the decision and since the start, with the share of each side.

    Parameters
    ----------
    change : MissChange
        Weeks with nothing recorded have no point.
    starts_on : date
        An upright line.
    """
    rows = [_week(change, at) for at in range(len(change.weeks))]
    rows = [row for row in rows if row["recorded"]]
    y = alt.Y("share:Q", title=t("missed, of recorded"), axis=alt.Axis(format="%"))
    base = data(rows).encode(x=alt.X("week:T", title=t("week of delivery")))
    scales = {
        "shape": alt.Scale(domain=[t(_BEFORE), t(_SINCE)], range=["square", "circle"]),
        "fill": alt.Scale(domain=[t(_BEFORE), t(_SINCE)], range=["transparent", BLUE]),
    }
    legend = alt.Legend(title=None, orient="top")
    point = base.mark_point(size=55, strokeWidth=2, opacity=1, color=BLUE, stroke=BLUE).encode(
        y=y,
        shape=alt.Shape("kind:N", scale=scales["shape"], legend=legend),
        fill=alt.Fill("kind:N", scale=scales["fill"], legend=legend),
        tooltip=[
            alt.Tooltip("week:T", title=t("week from")),
            alt.Tooltip("says:N", title=t("missed")),
            alt.Tooltip("share:Q", title=t("share"), format=".1%"),
            alt.Tooltip("not_recorded:Q", title=t("not recorded (n)")),
        ],
    )
    return layered(*_sides(change, rows), *_start(starts_on), point, height=PLOT)


def _week(change: MissChange, at: int) -> Row:
    week = change.weeks[at]
    recorded = week.met + week.missed
    return {
        "week": week.week,
        "kind": t(_BEFORE if at < change.weeks_before else _SINCE),
        "share": week.missed / recorded if recorded else None,
        "recorded": recorded,
        "says": t("{missed} of {recorded} recorded", missed=week.missed, recorded=recorded),
        "not_recorded": week.not_recorded,
    }


def _sides(change: MissChange, rows: list[Row]) -> list[alt.Chart]:
    """The share of all weeks of a side as a level line, its interval as a band."""
    found = []
    for kind, share in ((_BEFORE, change.share_before), (_SINCE, change.share_after)):
        weeks = [row["week"] for row in rows if row["kind"] == t(kind)]
        if weeks and isfinite(share.estimate):
            found.append(
                {
                    "first": weeks[0],
                    "last": weeks[-1],
                    "share": share.estimate,
                    "low": share.low,
                    "high": share.high,
                }
            )
    if not found:
        return []  # a layer without marks would still be announced as a picture
    base = data(found).encode(x=alt.X("first:T"), x2=alt.X2("last:T"))
    band = base.mark_rect(color=BLUE, opacity=0.15).encode(y=alt.Y("low:Q"), y2=alt.Y2("high:Q"))
    return [band, base.mark_rule(color=BLUE, strokeWidth=2).encode(y=alt.Y("share:Q"))]


def _start(starts_on: date) -> list[alt.Chart]:
    base = data([{"week": starts_on.isoformat(), "says": t("start")}]).encode(x=alt.X("week:T"))
    rule = base.mark_rule(color=GREY, strokeDash=[4, 4], strokeWidth=1.5)
    text = base.mark_text(align="left", baseline="top", dx=5, dy=3, color=GREY).encode(
        y=below_top(0), text=alt.Text("says:N")
    )
    return [rule, text]

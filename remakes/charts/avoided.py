"""What actions would spare and be worth together, as charts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import altair as alt

from remakes import words
from remakes.actions.ranking import RankedAction
from remakes.charts.base import BLUE, ORANGE, Chart, Row, dashed_at, data, height_of, layered, wide_axis
from remakes.texts import Said, later, t

__all__ = ["joint_avoided", "joint_net"]

#: Height of a legend of three lines with its title.
_LEGEND: Final = 80
_PAYS, _DOES_NOT = later("adds more than it costs"), later("costs more than it adds")
_MAY = later("may add more than it costs, or less")
#: Kind of action: shape, outline, fill.
_LOOKS: Final = {
    _PAYS: ("circle", BLUE, BLUE),
    _MAY: ("square", BLUE, "transparent"),
    _DOES_NOT: ("diamond", ORANGE, "transparent"),
}
#: Labels that would touch on a narrow screen are left out; beside long names the title has room only up to the end.
_AXIS: Final = alt.Axis(tickCount=6, labelOverlap="greedy", labelSeparation=6, titleAnchor="end")


def joint_avoided(actions: Sequence[RankedAction]) -> Chart:
    """Returns a month that the first one, two, three ... actions would spare together, with 95 % intervals.

    Parameters
    ----------
    actions : sequence of RankedAction
        In the order of their rank.
    """
    rows = [
        {
            "name": _name(one),
            "estimate": one.joint_avoided_per_month.estimate,
            "low": one.joint_avoided_per_month.low,
            "high": one.joint_avoided_per_month.high,
            "title": one.title,
        }
        for one in actions
    ]
    base = data(rows).encode(y=_down(rows))
    title = [t("returns avoided a month, all actions"), t("down to this line together (95 % interval)")]
    reach = base.mark_rule(color=BLUE, strokeWidth=2).encode(
        x=alt.X("low:Q", title=title, axis=_AXIS), x2=alt.X2("high:Q")
    )
    point = base.mark_point(filled=True, color=BLUE, size=90, opacity=1).encode(
        x=alt.X("estimate:Q"),
        tooltip=[
            alt.Tooltip("title:N", title=t("action")),
            alt.Tooltip("estimate:Q", title=t("avoided a month, together"), format=".2f"),
            alt.Tooltip("low:Q", title=t("95 % interval from"), format=".2f"),
            alt.Tooltip("high:Q", title=t("to"), format=".2f"),
        ],
    )
    return layered(dashed_at(0), reach, point, height=height_of(rows))


def joint_net(actions: Sequence[RankedAction], *, currency: str) -> Chart:
    """Net value a month of the first one, two, three ... actions together; told apart: which of them surely adds value.

    Parameters
    ----------
    actions : sequence of RankedAction
        In the order of their rank.
    currency : str
        For the axis; blank where none was stated.
    """
    rows = [
        {
            "name": _name(one),
            "estimate": one.joint_net_per_month.estimate,
            "low": one.joint_net_per_month.low,
            "high": one.joint_net_per_month.high,
            "kind": t(_kind(one)),
            "adds": one.net_per_month.estimate,
            "title": one.title,
        }
        for one in actions
    ]
    base = data(rows).encode(y=_down(rows))
    title = [
        t("net value a month, {currency}, all actions", currency=currency)
        if currency
        else t("net value a month, all actions"),
        t("down to this line together (95 % interval)"),
    ]
    reach = base.mark_rule(color=BLUE, strokeWidth=2).encode(
        x=alt.X("low:Q", title=title, axis=_AXIS), x2=alt.X2("high:Q")
    )
    legend = alt.Legend(title=t("this action by itself"), orient="top", labelLimit=300, columns=1)

    def scale(at: int) -> alt.Scale:
        return alt.Scale(domain=[t(one) for one in _LOOKS], range=[look[at] for look in _LOOKS.values()])

    point = base.mark_point(size=90, strokeWidth=2, opacity=1).encode(
        x=alt.X("estimate:Q"),
        shape=alt.Shape("kind:N", scale=scale(0), legend=legend),
        stroke=alt.Stroke("kind:N", scale=scale(1), legend=legend),
        fill=alt.Fill("kind:N", scale=scale(2), legend=legend),
        tooltip=[
            alt.Tooltip("title:N", title=t("action")),
            alt.Tooltip("estimate:Q", title=t("net a month, together"), format=",.0f"),
            alt.Tooltip("low:Q", title=t("95 % interval from"), format=",.0f"),
            alt.Tooltip("high:Q", title=t("to"), format=",.0f"),
            alt.Tooltip("adds:Q", title=t("this action adds, net"), format=",.0f"),
        ],
    )
    return layered(dashed_at(0), reach, point, height=height_of(rows) + _LEGEND)


def _down(rows: Sequence[Row]) -> alt.Y:
    """One line an action. The order is named: a picture that is only filled anew would keep the former one."""
    return alt.Y("name:N", sort=[str(row["name"]) for row in rows], title=t("actions taken together"), axis=wide_axis())


def _kind(one: RankedAction) -> Said:
    """Whether the action by itself adds value, as far as its whole range says so."""
    net = one.net_per_month
    if net.low > 0:
        return _PAYS
    return _DOES_NOT if net.high < 0 else _MAY


def _name(one: RankedAction) -> str:
    # The lab's own words for it, as far as an axis has room.
    return f"{one.rank}. {'+ ' if one.rank > 1 else ''}{words.short(one.title)}"

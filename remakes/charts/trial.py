"""A planned trial: what it would show after how long, and who works how in which week."""

from __future__ import annotations

from datetime import timedelta
from typing import Final

import altair as alt

from remakes import words
from remakes.actions.trial.figures import TrialPlan
from remakes.charts.base import BLUE, GREY, PLOT, Chart, data, height_of, layered
from remakes.texts import later, t

__all__ = ["trial_calendar", "trial_power"]

_DASHES: Final = ([1, 0], [8, 3], [4, 4], [1, 3], [8, 3, 1, 3])
_WITH, _WITHOUT = later("with the action"), later("without")


def trial_power(plan: TrialPlan) -> Chart:
    """How often trials of each length would show falls of several sizes, and how often is asked for.

    Parameters
    ----------
    plan : TrialPlan
        Without a table of power the chart has the asked-for line only.
    """
    rows = [
        {
            "fall": t("fall by {share}", share=words.per_cent(one.effect, digits=0)),
            "months": one.months,
            "power": one.power,
            "restorations": round(one.restorations),
            "returns": one.returns,
        }
        for one in plan.table
    ]
    falls = list(dict.fromkeys(t("fall by {share}", share=words.per_cent(one.effect, digits=0)) for one in plan.table))
    scale = alt.Scale(domain=falls, range=[_DASHES[k % len(_DASHES)] for k in range(len(falls))])
    base = data(rows).encode(
        x=alt.X("months:Q", title=t("months of trial"), axis=alt.Axis(tickMinStep=1)), tooltip=_tooltip()
    )
    y = alt.Y(
        "power:Q", title=t("share of trials that show it"), axis=alt.Axis(format="%"), scale=alt.Scale(domain=[0, 1])
    )
    line = base.mark_line(color=BLUE, strokeWidth=2).encode(
        y=y,
        strokeDash=alt.StrokeDash("fall:N", scale=scale, legend=alt.Legend(title=t("if the returns"), orient="top")),
    )
    point = base.mark_point(color=BLUE, filled=True, size=50, opacity=1).encode(y=y)
    aim = data([{"at": plan.power}]).mark_rule(color=GREY, strokeDash=[4, 4]).encode(y=alt.Y("at:Q"))
    return layered(aim, line, point, height=PLOT) if rows else layered(aim, height=PLOT)


def _tooltip() -> list[alt.Tooltip]:
    return [
        alt.Tooltip("fall:N", title=t("if the returns")),
        alt.Tooltip("months:Q", title=t("months of trial")),
        alt.Tooltip("restorations:Q", title=t("restorations"), format=","),
        alt.Tooltip("returns:Q", title=t("returns by then without the action"), format=".0f"),
        alt.Tooltip("power:Q", title=t("shown"), format=".0%"),
    ]


def trial_calendar(plan: TrialPlan) -> Chart:
    """Which group works with the action from when to when; filled with it, open without.

    Parameters
    ----------
    plan : TrialPlan
    """
    who = {group.name: f"{group.name}: {', '.join(group.technicians)}" for group in plan.groups}
    rows = [
        {
            "group": who[span.group],
            "begins": span.begins.isoformat(),
            # A bar ends where the next one begins.
            "after": (span.ends + timedelta(days=1)).isoformat(),
            "ends": span.ends.isoformat(),
            "kind": t(_WITH if span.with_action else _WITHOUT),
        }
        for span in plan.calendar
    ]
    kinds = alt.Scale(domain=[t(_WITH), t(_WITHOUT)], range=[BLUE, "transparent"])
    bar = (
        data(rows)
        .mark_bar(stroke=BLUE, height=16)
        .encode(
            y=alt.Y("group:N", title=t("group"), axis=alt.Axis(labelLimit=360)),
            x=alt.X("begins:T", title=t("weeks of the trial")),
            x2=alt.X2("after:T"),
            fill=alt.Fill(
                "kind:N", scale=kinds, legend=alt.Legend(title=t("works"), orient="top", symbolStrokeColor=BLUE)
            ),
            tooltip=[
                alt.Tooltip("group:N", title=t("group")),
                alt.Tooltip("begins:N", title=t("from")),
                alt.Tooltip("ends:N", title=t("to")),
                alt.Tooltip("kind:N", title=t("works")),
            ],
        )
    )
    return layered(bar, height=height_of(plan.groups))

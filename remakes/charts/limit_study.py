"""What limits along one reading would flag and spare: the risk along the reading, and the exchange."""

from __future__ import annotations

from collections.abc import Callable
from math import isfinite
from typing import Final

import altair as alt

from remakes.actions.limits.figures import NOT_PROPOSED, LimitPoint, LimitStudy, ReadingRisk
from remakes.charts.base import BLUE, GREY, ORANGE, PLOT, Chart, Row, below_top, data, layered, ranged
from remakes.texts import later, t

__all__ = ["flagged_and_spared", "risk_by_reading"]

_PRESENT, _TIGHTER, _LAXER = later("present limit"), later("tighter"), NOT_PROPOSED
_STANDING: Final = {"present": _PRESENT, "tighter": _TIGHTER, "laxer": _LAXER}
_KINDS: Final = [_PRESENT, _TIGHTER, _LAXER]
_KEEPS, _BEYOND = later("keeps the present limit"), later("beyond it")
#: Counts stand in so many lines at the top of the plot, one under the other, so many pixels apart: bands beside a
#: limit can be narrower than their text. The rule of the limit begins below them.
_LINES, _APART = 3, 14
_BELOW: Final = _LINES * _APART + 4
#: Room for these lines above the highest interval, as a share of the axis below it.
_ROOM: Final = 0.4


def risk_by_reading(study: LimitStudy, *, name: str) -> Chart:
    """Share returned by reading, with its 95 % interval, and a rule at each present limit.

    Parameters
    ----------
    study : LimitStudy
        Bands without an estimate are left out.
    name : str
        What the reading is called on the axis; its unit is added.

    Notes
    -----
    Points stand at the median reading of their band. Above each: returned, of how many restorations.
    """
    shown = [one for one in study.bands if isfinite(one.risk.estimate)]
    rows = [{**_band(one), "line": place % _LINES} for place, one in enumerate(shown)]
    most = max((one.risk.high for one in shown if isfinite(one.risk.high)), default=0.0)
    x = alt.X(
        "median:Q",
        title=t("{reading}, median of each band", reading=_reading(study, name)),
        scale=alt.Scale(zero=False, padding=30),
    )
    y = alt.Y(
        "low:Q",
        title=[t("returned with the defect"), t("within {horizon} months, same cases", horizon=study.horizon)],
        axis=alt.Axis(format=".1~%"),
        scale=alt.Scale(domain=[0, (1 + _ROOM) * most or 1.0], nice=False),
    )
    base = data(rows).encode(x=x, tooltip=_band_tooltip(_reading(study, name)))
    reach = base.mark_area(color=BLUE, opacity=0.15).encode(y=y, y2=alt.Y2("high:Q"))
    line = base.mark_line(color=BLUE, strokeWidth=2).encode(y=alt.Y("risk:Q"))
    kinds = [t(_KEEPS), t(_BEYOND)]
    point = base.mark_point(size=80, filled=True, opacity=1).encode(
        y=alt.Y("risk:Q"),
        shape=alt.Shape(
            "kind:N", scale=alt.Scale(domain=kinds, range=["circle", "diamond"]), legend=_legend(t("reading"))
        ),
        color=alt.Color("kind:N", scale=alt.Scale(domain=kinds, range=[BLUE, ORANGE]), legend=_legend(t("reading"))),
    )
    counts = base.mark_text(dy=alt.expr(f"{_APART} * datum.line"), baseline="top", color=GREY).encode(
        y=below_top(0), text=alt.Text("counts:N")
    )
    return layered(*_rules(study), reach, line, point, counts, height=PLOT + _BELOW)


def flagged_and_spared(study: LimitStudy) -> Chart:
    """Restorations a month that each limit would flag, against returns a month it would spare, with 95 % intervals.

    Parameters
    ----------
    study : LimitStudy
        Limits without an estimate are left out; those laxer than the present one are grey and named as not proposed.
    """
    rows = [_point(one, study) for one in study.points if isfinite(one.spared_per_month.estimate)]
    most = max((one.flagged_per_month for one in study.points), default=0.0)
    scale = alt.Scale(domain=[0, 1.05 * most or 1.0])
    x = alt.X("flagged:Q", title=t("restorations flagged a month"), scale=scale)
    title = [t("returns spared a month"), t("if all flagged were as the kept are")]
    base = data(rows).encode(x=x, tooltip=_point_tooltip())
    none = data([{"at": 0.0}]).mark_rule(color=GREY, strokeDash=[4, 4]).encode(y=alt.Y("at:Q"))
    colours = alt.Scale(domain=[t(one) for one in _KINDS], range=[ORANGE, BLUE, GREY])
    shapes = alt.Scale(domain=[t(one) for one in _KINDS], range=["diamond", "circle", "cross"])
    reach = base.mark_rule(strokeWidth=2).encode(
        y=alt.Y("low:Q", title=title, scale=alt.Scale(padding=80)),
        y2=alt.Y2("high:Q"),
        color=alt.Color("kind:N", scale=colours, legend=_legend(t("limit"))),
    )
    point = base.mark_point(size=90, filled=True, opacity=1).encode(
        y=alt.Y("spared:Q"),
        color=alt.Color("kind:N", scale=colours, legend=_legend(t("limit"))),
        shape=alt.Shape("kind:N", scale=shapes, legend=_legend(t("limit"))),
    )
    # Upright above each interval, since limits can stand close to each other.
    text = base.mark_text(angle=270, align="left", dx=6, color=GREY).encode(y=alt.Y("high:Q"), text=alt.Text("name:N"))
    return layered(none, reach, point, text, height=PLOT)


def _reading(study: LimitStudy, name: str) -> str:
    return f"{name} ({study.unit})" if study.unit else name


def _legend(title: str) -> alt.Legend:
    return alt.Legend(title=title, orient="top", labelLimit=360, columns=1)


def _band(one: ReadingRisk) -> Row:
    risk = one.risk
    return {
        "band": one.band.label,
        "median": one.band.median,
        "risk": risk.estimate,
        "low": risk.low,
        "high": risk.high,
        "counts": t("{returns} of {restorations:,}", returns=one.returns, restorations=one.band.restorations),
        "kind": t(_KEEPS if one.keeps else _BEYOND),
        "said": t("{estimate:.1%} ({low:.1%} to {high:.1%})", estimate=risk.estimate, low=risk.low, high=risk.high),
    }


def _band_tooltip(reading: str) -> list[alt.Tooltip]:
    return [
        alt.Tooltip("band:N", title=reading),
        alt.Tooltip("said:N", title=t("returned, same cases (95 %)")),
        alt.Tooltip("counts:N", title=t("returned (n)")),
        alt.Tooltip("kind:N", title=t("reading")),
    ]


def _named(one: LimitPoint, study: LimitStudy) -> str:
    said = (
        t("at least {value:g} {unit}", value=one.limit, unit=study.unit)
        if one.side == "low"
        else t("at most {value:g} {unit}", value=one.limit, unit=study.unit)
    )
    return said.rstrip()


def _rules(study: LimitStudy) -> list[alt.Chart]:
    """An upright rule at each present limit that the study is about, and what it asks for in words."""
    rows = [
        {"at": one.limit, "says": t("present limit: {limit}", limit=_named(one, study))}
        for one in study.points
        if one.standing == "present"
    ]
    if not rows:
        return []  # a layer without marks would still be announced as a picture
    base = data(rows).encode(x=alt.X("at:Q"))
    to_bottom: Callable[[str], alt.Y2Value] = alt.Y2Value  # which says nothing of its types
    rule = base.mark_rule(color=ORANGE, strokeWidth=2, strokeDash=[8, 3]).encode(
        y=below_top(_BELOW), y2=to_bottom("height")
    )
    text = base.mark_text(angle=270, align="right", baseline="bottom", dx=-6, dy=-4, color=ORANGE).encode(
        y=below_top(_BELOW), text=alt.Text("says:N")
    )
    return [rule, text]


def _point(one: LimitPoint, study: LimitStudy) -> Row:
    return {
        "name": _named(one, study),
        "flagged": one.flagged_per_month,
        "share": t("{share:.0%}", share=one.flagged_share),
        "spared": one.spared_per_month.estimate,
        "low": one.spared_per_month.low,
        "high": one.spared_per_month.high,
        "kind": t(_STANDING[one.standing]),
        "said": ranged(one.spared_per_month),
        "more": ranged(one.spared_more) if isfinite(one.spared_more.estimate) else t("unknown"),
    }


def _point_tooltip() -> list[alt.Tooltip]:
    return [
        alt.Tooltip("name:N", title=t("limit")),
        alt.Tooltip("flagged:Q", title=t("flagged a month"), format=".1f"),
        alt.Tooltip("share:N", title=t("flagged")),
        alt.Tooltip("said:N", title=t("spared a month (95 %)")),
        alt.Tooltip("more:N", title=t("more than at the present limit")),
        alt.Tooltip("kind:N", title=t("standing")),
    ]

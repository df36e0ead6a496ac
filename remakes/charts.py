"""Results as charts: pure functions, no figure is worked out here that a reader would look for elsewhere.

Meaning is carried by place, shape and words first. The colours are Okabe and Ito's, which people with a
colour vision deficiency can tell apart; all have at least 3:1 contrast to a light and to a dark ground.
Text and axes take the colours of the page.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Final

import altair as alt

from remakes.actions.ranking import RankedAction
from remakes.evidence.estimate import Estimate
from remakes.evidence.findings import Finding
from remakes.trends import MonthlyRate, MonthlyShare

__all__ = [
    "SharePair",
    "forest",
    "joint_avoided",
    "months_by_delivery",
    "months_by_report",
    "share_pairs",
]

_BLUE: Final = "#0072B2"
_ORANGE: Final = "#D55E00"
_GREY: Final = "#7d7d7d"

#: Odds ratios beyond these ends are drawn at the edge; the table has the figures.
_ODDS_ENDS: Final = (0.1, 100.0)
_ODDS_TICKS: Final = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100)
_ROW: Final = 24
#: Axis, its title and a legend, which count into the height of a chart that fits its place.
_AROUND: Final = 130
_PLOT: Final = 340

Chart = alt.LayerChart
Row = Mapping[str, object]


@dataclass(frozen=True, slots=True, kw_only=True)
class SharePair:
    """One line of `share_pairs`: an own share beside the lab's, each with its interval."""

    name: str
    own: Estimate
    own_of: int
    lab: Estimate
    lab_of: int


def _data(rows: Sequence[Row]) -> alt.Chart:
    return alt.Chart(alt.InlineData(values=[dict(row) for row in rows]))


def _layered(*layers: alt.Chart, height: int) -> Chart:
    chart: Chart = alt.LayerChart(layer=list(layers)).properties(height=height)
    return chart


def months_by_report(rates: Sequence[MonthlyRate]) -> Chart:
    """Returns per 1,000 restoration-months in service by month of report, with the band of their 95 % intervals.

    Parameters
    ----------
    rates : sequence of MonthlyRate
        One for each month, all of one defect; months with nothing in service are left out.
    """
    rows = [
        {
            "month": one.month,
            "rate": one.rate.estimate,
            "low": one.rate.low,
            "high": one.rate.high,
            "returns": one.returns,
            "in_service": round(one.at_risk_months),
        }
        for one in rates
        if isfinite(one.rate.estimate)
    ]
    base = _data(rows).encode(x=_month_axis("month of report"))
    band = base.mark_area(opacity=0.25, color=_BLUE).encode(
        y=alt.Y("low:Q", title=["returns per 1,000", "restoration-months in service"]), y2="high:Q"
    )
    line = base.mark_line(color=_BLUE, point=alt.OverlayMarkDef(filled=True, size=45, color=_BLUE)).encode(
        y="rate:Q",
        tooltip=[
            alt.Tooltip("month:N", title="month"),
            alt.Tooltip("returns:Q", title="returns (n)"),
            alt.Tooltip("in_service:Q", title="restoration-months in service", format=",d"),
            alt.Tooltip("rate:Q", title="per 1,000", format=".2f"),
            alt.Tooltip("low:Q", title="95 % interval from", format=".2f"),
            alt.Tooltip("high:Q", title="to", format=".2f"),
        ],
    )
    return _layered(band, line, height=_PLOT)


def months_by_delivery(shares: Sequence[MonthlyShare]) -> Chart:
    """Share of each month's deliveries that came back within one time of service, with 95 % intervals.

    Months whose deliveries have not all been in service that long are open symbols, and named so in the legend.

    Parameters
    ----------
    shares : sequence of MonthlyShare
        One for each month, all of one defect and one time.
    """
    old, young = "observed long enough", "still too young: more may come"
    rows = [
        {
            "month": one.month,
            "share": one.share.estimate,
            "low": one.share.low,
            "high": one.share.high,
            "returned": one.returned,
            "delivered": one.delivered,
            "age": old if one.mature else young,
        }
        for one in shares
    ]
    base = _data(rows).encode(x=_month_axis("month of delivery"))
    legend = alt.Legend(title="time in service", orient="top", labelLimit=400)
    bars = [
        base.transform_filter(alt.datum.age == age)
        .mark_rule(color=_BLUE, strokeWidth=1.5, strokeDash=dash)
        .encode(y=alt.Y("low:Q", title="share returned", axis=alt.Axis(format="%")), y2="high:Q")
        for age, dash in ((old, [1, 0]), (young, [3, 3]))
    ]
    points = base.mark_point(opacity=1, size=70, strokeWidth=2, stroke=_BLUE).encode(
        y="share:Q",
        shape=alt.Shape("age:N", legend=legend, scale=alt.Scale(domain=[old, young], range=["circle", "triangle-up"])),
        fill=alt.Fill("age:N", legend=legend, scale=alt.Scale(domain=[old, young], range=[_BLUE, "transparent"])),
        tooltip=[
            alt.Tooltip("month:N", title="month"),
            alt.Tooltip("returned:Q", title="returned (n)"),
            alt.Tooltip("delivered:Q", title="of delivered (n)"),
            alt.Tooltip("share:Q", title="share", format=".1%"),
            alt.Tooltip("low:Q", title="95 % interval from", format=".1%"),
            alt.Tooltip("high:Q", title="to", format=".1%"),
            alt.Tooltip("age:N", title="time in service"),
        ],
    )
    return _layered(*bars, points, height=_PLOT)


def _month_axis(title: str) -> alt.X:
    return alt.X("month:O", title=title, axis=alt.Axis(labelAngle=-45, labelOverlap=True))


def forest(findings: Sequence[Finding], *, names: Sequence[str]) -> Chart:
    """Adjusted odds ratios with their 95 % intervals, one line a finding; the crude ones as small ticks.

    Parameters
    ----------
    findings : sequence of Finding
        In the order to be drawn, from the top; those without an estimate are left out.
    names : sequence of str
        What stands at the left of each; all different.

    Notes
    -----
    Log axis. Ends beyond 0.1 or 100, and open ends, are drawn at the edge with an arrow head.
    """
    rows = [
        _forest_row(one, name)
        for one, name in zip(findings, names, strict=True)
        if isfinite(one.adjusted.odds_ratio.estimate)
    ]
    axis = alt.X(
        "low:Q",
        scale=alt.Scale(type="log", domain=_odds_domain(rows), nice=False),
        axis=alt.Axis(values=list(_ODDS_TICKS), format="~g", grid=True, labelFlush=False),
        title="odds of a return where the step was missed, against where it was kept (odds ratio, log scale)",
    )
    base = _data(rows).encode(y=alt.Y("name:N", sort=None, title=None, axis=_wide()))
    reach = base.mark_rule(color=_BLUE, strokeWidth=2).encode(x=axis, x2="high:Q")
    crude = base.mark_tick(color=_ORANGE, thickness=2, size=12).encode(x="crude:Q", tooltip=_forest_tooltip())
    grades = ["strong", "moderate", "weak", "none", "cannot tell"]
    estimate = base.mark_point(filled=True, color=_BLUE, size=90, opacity=1).encode(
        x="estimate:Q",
        shape=alt.Shape(
            "grade:N",
            scale=alt.Scale(domain=grades, range=["diamond", "square", "circle", "triangle-up", "cross"]),
            legend=alt.Legend(title="evidence", orient="top"),
        ),
        tooltip=_forest_tooltip(),
    )
    beyond = [
        base.transform_filter(f"datum.{side}_open")
        .mark_point(filled=True, shape=shape, color=_BLUE, size=60)
        .encode(x=f"{side}:Q")
        for side, shape in (("low", "triangle-left"), ("high", "triangle-right"))
    ]
    return _layered(_dashed_at(1), reach, crude, estimate, *beyond, height=_height(rows))


def _forest_row(one: Finding, name: str) -> Row:
    ratio, counts = one.adjusted.odds_ratio, one.counts
    crude = one.crude.odds_ratio.estimate
    return {
        "name": name,
        "estimate": _within(ratio.estimate),
        "low": _within(ratio.low),
        "high": _within(ratio.high),
        "low_open": not ratio.low >= _ODDS_ENDS[0],
        "high_open": not ratio.high <= _ODDS_ENDS[1],
        "crude": _within(crude) if isfinite(crude) else None,
        "grade": one.grade,
        "said": str(ratio),
        "missed": f"{counts.returns_missed} of {counts.missed}",
        "met": f"{counts.returns_met} of {counts.met}",
    }


def _within(value: float) -> float:
    return min(max(value, _ODDS_ENDS[0]), _ODDS_ENDS[1])


def _odds_domain(rows: Sequence[Row]) -> list[float]:
    """From the last labelled tick below all intervals to the first above; at least from a half to two."""
    ends = [value for row in rows for key in ("low", "high", "crude") if isinstance(value := row[key], float)]
    lowest, highest = min([0.5, *ends]), max([2.0, *ends])
    return [
        max((float(tick) for tick in _ODDS_TICKS if tick <= lowest), default=_ODDS_ENDS[0]),
        min((float(tick) for tick in _ODDS_TICKS if tick >= highest), default=_ODDS_ENDS[1]),
    ]


def _forest_tooltip() -> list[alt.Tooltip]:
    return [
        alt.Tooltip("name:N", title="step and defect"),
        alt.Tooltip("said:N", title="odds ratio, adjusted (95 %)"),
        alt.Tooltip("crude:Q", title="without adjustment", format=".2f"),
        alt.Tooltip("missed:N", title="returned, missed (n)"),
        alt.Tooltip("met:N", title="returned, kept (n)"),
        alt.Tooltip("grade:N", title="evidence"),
    ]


def joint_avoided(actions: Sequence[RankedAction]) -> Chart:
    """Returns a month that the first one, two, three ... actions would spare together, with 95 % intervals.

    Parameters
    ----------
    actions : sequence of RankedAction
        In the order of their rank.
    """
    rows = [
        {
            "name": f"{one.rank}. {'+ ' if one.rank > 1 else ''}{one.action}",
            "estimate": one.joint_avoided_per_month.estimate,
            "low": one.joint_avoided_per_month.low,
            "high": one.joint_avoided_per_month.high,
            "title": one.title,
        }
        for one in actions
    ]
    base = _data(rows).encode(y=alt.Y("name:N", sort=None, title="actions taken together", axis=_wide()))
    title = "returns avoided a month, all actions down to this line together (95 % interval)"
    reach = base.mark_rule(color=_BLUE, strokeWidth=2).encode(x=alt.X("low:Q", title=title), x2="high:Q")
    point = base.mark_point(filled=True, color=_BLUE, size=90, opacity=1).encode(
        x="estimate:Q",
        tooltip=[
            alt.Tooltip("title:N", title="action"),
            alt.Tooltip("estimate:Q", title="avoided a month, together", format=".2f"),
            alt.Tooltip("low:Q", title="95 % interval from", format=".2f"),
            alt.Tooltip("high:Q", title="to", format=".2f"),
        ],
    )
    return _layered(_dashed_at(0), reach, point, height=_height(rows))


def share_pairs(pairs: Sequence[SharePair]) -> Chart:
    """Own shares (filled circle, 95 % interval) beside the lab's (open diamond); a pair without own n is left out."""
    shown = [pair for pair in pairs if isfinite(pair.own.estimate)]
    whose = ["own, with its range", "whole lab"]
    rows = [
        {"name": pair.name, "whose": name, "share": share.estimate, "low": share.low, "high": share.high, "of": of}
        for pair in shown
        for name, share, of in ((whose[0], pair.own, pair.own_of), (whose[1], pair.lab, pair.lab_of))
    ]
    base = _data(rows).encode(y=alt.Y("name:N", sort=None, title=None, axis=_wide()))
    reach = (
        base.transform_filter(alt.datum.whose == whose[0])
        .mark_rule(color=_BLUE, strokeWidth=2)
        .encode(x=alt.X("low:Q", title="share missed, of those recorded", axis=alt.Axis(format="%")), x2="high:Q")
    )
    legend = alt.Legend(title="share of", orient="top")

    def scale(*values: str) -> alt.Scale:
        return alt.Scale(domain=whose, range=list(values))

    points = base.mark_point(size=80, strokeWidth=2, opacity=1).encode(
        x="share:Q",
        shape=alt.Shape("whose:N", scale=scale("circle", "diamond"), legend=legend),
        stroke=alt.Stroke("whose:N", scale=scale(_BLUE, _ORANGE), legend=legend),
        fill=alt.Fill("whose:N", scale=scale(_BLUE, "transparent"), legend=legend),
        tooltip=[
            alt.Tooltip("name:N", title="requirement"),
            alt.Tooltip("whose:N", title="share of"),
            alt.Tooltip("share:Q", title="share missed", format=".1%"),
            alt.Tooltip("low:Q", title="95 % interval from", format=".1%"),
            alt.Tooltip("high:Q", title="to", format=".1%"),
            alt.Tooltip("of:Q", title="recorded (n)", format=",d"),
        ],
    )
    return _layered(reach, points, height=_height(shown))


def _dashed_at(value: float) -> alt.Chart:
    rule: alt.Chart = _data([{"at": value}]).mark_rule(color=_GREY, strokeDash=[4, 4]).encode(x="at:Q")
    return rule


def _wide() -> alt.Axis:
    return alt.Axis(labelLimit=360, labelOverlap=False, labelFlush=False)


def _height(rows: Sequence[object]) -> int:
    return max(1, len(rows)) * _ROW + _AROUND

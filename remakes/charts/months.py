"""Months as charts: returns by month of report, shares returned by month of delivery."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

import altair as alt

from remakes.charts.base import BLUE, PLOT, Chart, data, layered
from remakes.trends import MonthlyRate, MonthlyShare

__all__ = ["months_by_delivery", "months_by_report"]


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
    base = data(rows).encode(x=_month_axis("month of report"))
    band = base.mark_area(opacity=0.25, color=BLUE).encode(
        y=alt.Y("low:Q", title=["returns per 1,000", "restoration-months in service"]), y2="high:Q"
    )
    line = base.mark_line(color=BLUE, point=alt.OverlayMarkDef(filled=True, size=45, color=BLUE)).encode(
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
    return layered(band, line, height=PLOT)


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
    base = data(rows).encode(x=_month_axis("month of delivery"))
    legend = alt.Legend(title="time in service", orient="top", labelLimit=400)
    bars = [
        base.transform_filter(alt.datum.age == age)
        .mark_rule(color=BLUE, strokeWidth=1.5, strokeDash=dash)
        .encode(y=alt.Y("low:Q", title="share returned", axis=alt.Axis(format="%")), y2="high:Q")
        for age, dash in ((old, [1, 0]), (young, [3, 3]))
    ]
    points = base.mark_point(opacity=1, size=70, strokeWidth=2, stroke=BLUE).encode(
        y="share:Q",
        shape=alt.Shape("age:N", legend=legend, scale=alt.Scale(domain=[old, young], range=["circle", "triangle-up"])),
        fill=alt.Fill("age:N", legend=legend, scale=alt.Scale(domain=[old, young], range=[BLUE, "transparent"])),
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
    return layered(*bars, points, height=PLOT)


def _month_axis(title: str) -> alt.X:
    return alt.X("month:O", title=title, axis=alt.Axis(labelAngle=-45, labelOverlap=True))

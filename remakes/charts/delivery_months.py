"""Share of each month's deliveries that came back within one time of service."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import TYPE_CHECKING, Final

import altair as alt

from remakes.charts.base import BLUE, PLOT, Chart, Row, data, layered
from remakes.charts.in_limits import month_axis
from remakes.texts import later, t

if TYPE_CHECKING:
    from remakes.trends.months.delivery_months import DeliveryShare

__all__ = ["shares_by_delivery"]

_OLD: Final = later("observed long enough")
_YOUNG: Final = later("still too young: the figure may change")
_LEGEND: Final = 40


def shares_by_delivery(shares: Sequence[DeliveryShare]) -> Chart:
    """Shares with their 95 % intervals by month of delivery.

    Months whose deliveries have not all been in service that long are open symbols, and named so in the legend;
    those of which none has been are left out.

    Parameters
    ----------
    shares : sequence of DeliveryShare
        One for each month, all of one defect and one time.
    """
    rows = [_row(one) for one in shares if isfinite(one.share.estimate)]
    base = data(rows).encode(x=month_axis(t("month of delivery")))
    legend = alt.Legend(title=None, orient="top", labelLimit=400, columns=1)
    found = {row["age"] for row in rows}
    old, young = t(_OLD), t(_YOUNG)
    bars = [
        base.transform_filter(alt.datum.age == str(age))
        .mark_rule(color=BLUE, strokeWidth=1.5, strokeDash=dash)
        .encode(y=alt.Y("low:Q", title=t("share returned"), axis=alt.Axis(format="%")), y2=alt.Y2("high:Q"))
        for age, dash in ((old, [1, 0]), (young, [3, 3]))
        # A layer without a mark would be read out as a picture without a name.
        if age in found
    ]
    points = base.mark_point(opacity=1, size=70, strokeWidth=2, stroke=BLUE).encode(
        y=alt.Y("share:Q", title=t("share returned"), axis=alt.Axis(format="%")),
        shape=alt.Shape("age:N", legend=legend, scale=alt.Scale(domain=[old, young], range=["circle", "triangle-up"])),
        fill=alt.Fill("age:N", legend=legend, scale=alt.Scale(domain=[old, young], range=[BLUE, "transparent"])),
        tooltip=[
            alt.Tooltip("month:N", title=t("month")),
            alt.Tooltip("returned:Q", title=t("returned so far (n)")),
            alt.Tooltip("delivered:Q", title=t("of delivered (n)")),
            alt.Tooltip("followed:Q", title=t("still followed at that age (n)")),
            alt.Tooltip("share:Q", title=t("share"), format=".1%"),
            alt.Tooltip("low:Q", title=t("95 % interval from"), format=".1%"),
            alt.Tooltip("high:Q", title=t("to"), format=".1%"),
            alt.Tooltip("age:N", title=t("time in service")),
        ],
    )
    return layered(*bars, points, height=PLOT + _LEGEND)


def _row(one: DeliveryShare) -> Row:
    return {
        "month": one.month,
        "share": one.share.estimate,
        "low": one.share.low,
        "high": one.share.high,
        "returned": one.returned,
        "delivered": one.delivered,
        "followed": one.followed,
        "age": t(_OLD if one.mature else _YOUNG),
    }

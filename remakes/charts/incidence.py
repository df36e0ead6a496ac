"""The share that came back, by months since delivery, as a chart."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Final

import altair as alt

from remakes.charts.base import BLUE, ORANGE, PLOT, Chart, data, layered
from remakes.evidence.checks.incidence import CumulativeIncidence
from remakes.evidence.estimate import finite_or_none
from remakes.texts import t

__all__ = ["LEAST_AT_RISK", "MONTHS_NAMED", "cumulative_incidence"]

#: Months at which the axis says how many are still at risk.
MONTHS_NAMED: Final = (0, 3, 6, 12, 24)
#: A curve ends where fewer are left: its steps would be single restorations (common practice, no source).
LEAST_AT_RISK: Final = 10
#: Height that the numbers at risk take.
_NUMBERS: Final = 50


def cumulative_incidence(met: CumulativeIncidence, missed: CumulativeIncidence) -> Chart:
    """Share returned with one defect by months since delivery, where the requirement was met and where it was missed.

    Two step curves with the bands of their pointwise 95 % intervals, told apart by dash and colour. The labels of the
    axis name, beneath the month, how many of each are still at risk. A curve starts with what was found up to
    delivery, and ends after two years or where fewer than ten are left.

    Parameters
    ----------
    met, missed : CumulativeIncidence
        Of restorations in service, in months from 0.
    """
    groups: dict[str, CumulativeIncidence] = {t("kept"): met, t("missed"): missed}
    names = list(groups)
    rows = [row for name, curve in groups.items() for row in _rows(name, curve)]
    colour = alt.Scale(domain=names, range=[BLUE, ORANGE])
    dash = alt.Scale(domain=names, range=[[1, 0], [6, 3]])
    legend = alt.Legend(
        title=t("requirement"),
        orient="top",
        symbolType="stroke",
        symbolStrokeWidth=2.5,
        symbolSize=900,
        symbolOpacity=1,
    )
    base = data(rows).encode(x=_month_axis(groups), color=alt.Color("status:N", scale=colour, legend=legend))
    share = alt.Y("low:Q", title=t("share returned"), axis=alt.Axis(format="%"), scale=alt.Scale(zero=True))
    band = base.mark_area(opacity=0.18, interpolate="step-after").encode(y=share, y2=alt.Y2("high:Q"))
    line = base.mark_line(strokeWidth=2.5, interpolate="step-after").encode(
        y=alt.Y("share:Q"), strokeDash=alt.StrokeDash("status:N", scale=dash, legend=legend)
    )
    # Steps have no marks of their own to point at.
    points = base.mark_point(filled=True, size=60, opacity=0).encode(
        y=alt.Y("share:Q"),
        tooltip=[
            alt.Tooltip("status:N", title=t("requirement")),
            alt.Tooltip("month:Q", title=t("months since delivery")),
            alt.Tooltip("share:Q", title=t("share returned"), format=".1%"),
            alt.Tooltip("low:Q", title=t("95 % interval from"), format=".1%"),
            alt.Tooltip("high:Q", title=t("to"), format=".1%"),
            alt.Tooltip("at_risk:Q", title=t("still at risk (n)"), format=",d"),
        ],
    )
    return layered(band, line, points, height=PLOT + _NUMBERS)


def _rows(name: str, curve: CumulativeIncidence) -> list[dict[str, object]]:
    return [
        {
            "status": name,
            "month": int(month),
            "share": float(share),
            "low": finite_or_none(low),
            "high": finite_or_none(high),
            "at_risk": curve.still_at_risk(month),
        }
        for month, at_risk, share, low, high in zip(
            curve.months, curve.at_risk, curve.incidence, curve.low, curve.high, strict=True
        )
        if month <= MONTHS_NAMED[-1] and at_risk >= LEAST_AT_RISK
    ]


def _month_axis(groups: Mapping[str, CumulativeIncidence]) -> alt.X:
    """Months, and beneath each how many are still at risk: labels take the colours of the page, marks would not."""
    labels = {
        str(month): [str(month), *(_still(name, curve, month) for name, curve in groups.items())]
        for month in MONTHS_NAMED
    }
    return alt.X(
        "month:Q",
        title=[t("months since delivery"), t("(beneath each: how many are still at risk)")],
        scale=alt.Scale(domain=[0, MONTHS_NAMED[-1]], nice=False),
        axis=alt.Axis(
            values=list(MONTHS_NAMED),
            labelExpr=f"{json.dumps(labels)}[datum.value]",
            labelOverlap=False,
            labelFlush=False,
            grid=False,
        ),
    )


def _still(name: str, curve: CumulativeIncidence, month: int) -> str:
    count = t("{n:,}", n=curve.still_at_risk(month))
    return f"{name} {count}" if month == MONTHS_NAMED[0] else count

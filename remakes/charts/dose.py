"""The risk along a reading, and where the limit stands."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import Final

import altair as alt

from remakes import words
from remakes.charts.base import BLUE, GREY, ORANGE, PLOT, Chart, Row, below_top, data, layered, ranged
from remakes.counts.readings import Limit
from remakes.evidence.checks.dose import BandRisk, DoseResponse
from remakes.texts import later, t

__all__ = ["dose_response"]

#: Odds ratios beyond these ends are drawn at the edge with an arrow head.
_ENDS: Final = (0.05, 50.0)
_TICKS: Final = (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50)
_KEEPS, _REFERENCE, _BEYOND = (
    later("keeps the limit"),
    later("compared with (1 by definition)"),
    later("beyond the limit"),
)
_KINDS: Final = [_KEEPS, _REFERENCE, _BEYOND]


#: The legend stands in three lines above the plot.
_LEGEND: Final = 80


def dose_response(dose: DoseResponse, *, name: str) -> Chart:
    """Odds ratios with their 95 % intervals by band of readings, and a rule at each limit in force.

    Parameters
    ----------
    dose : DoseResponse
        Bands without an estimate are left out.
    name : str
        What the reading is called on the axis; its unit is added.

    Notes
    -----
    Points stand at the median reading of their band. Log axis; ends beyond 0.05 or 50 are drawn at the edge with
    an arrow head. Above each interval: returned, of how many restorations.
    """
    rows = [_row(one) for one in dose.bands if isfinite(one.odds_ratio.estimate)]
    reading = f"{name} ({dose.unit})" if dose.unit else name
    x = alt.X(
        "median:Q", title=t("{reading}, median of each band", reading=reading), scale=alt.Scale(zero=False, padding=30)
    )
    base = data(rows).encode(x=x, tooltip=_tooltip(reading))
    reach = base.mark_rule(color=BLUE, strokeWidth=2).encode(y=_odds_axis(rows), y2=alt.Y2("high:Q"))
    point = base.mark_point(size=90, strokeWidth=2, opacity=1).encode(
        y=alt.Y("estimate:Q"),
        shape=alt.Shape("kind:N", scale=_scale("circle", "square", "diamond"), legend=_legend()),
        stroke=alt.Stroke("kind:N", scale=_scale(BLUE, BLUE, ORANGE), legend=_legend()),
        fill=alt.Fill("kind:N", scale=_scale(BLUE, "transparent", ORANGE), legend=_legend()),
    )
    # Upright text, since bands can stand close to each other; a little aside, since one often stands at the limit.
    counts = base.mark_text(angle=270, align="left", dx=8, dy=8, color=GREY).encode(
        y=alt.Y("high:Q"), text=alt.Text("counts:N")
    )
    beyond = [
        base.transform_filter(f"datum.{end}_open")
        .mark_point(filled=True, shape=shape, color=BLUE, size=60)
        .encode(y=alt.Y(f"{end}:Q"))
        for end, shape in (("low", "triangle-down"), ("high", "triangle-up"))
        # A layer without marks would still be announced as a picture.
        if any(row[f"{end}_open"] for row in rows)
    ]
    one = data([{"at": 1.0}]).mark_rule(color=GREY, strokeDash=[4, 4]).encode(y=alt.Y("at:Q"))
    return layered(one, *_limits(dose.limits, dose.unit), reach, *beyond, point, counts, height=PLOT + _LEGEND)


def _row(one: BandRisk) -> Row:
    ratio = one.odds_ratio
    return {
        "band": one.band.label,
        "median": one.band.median,
        "estimate": _within(ratio.estimate),
        "low": _within(ratio.low),
        "high": _within(ratio.high),
        "low_open": not ratio.low >= _ENDS[0],
        "high_open": not ratio.high <= _ENDS[1],
        "kind": t(_REFERENCE if one.reference else _KEEPS if one.keeps else _BEYOND),
        "counts": words.part_of(one.returns, one.band.restorations),
        "said": t("1 (compared with)") if one.reference else ranged(ratio),
    }


def _within(value: float) -> float:
    return min(max(value, _ENDS[0]), _ENDS[1])


def _limits(limits: Sequence[Limit], unit: str) -> list[alt.Chart]:
    """An upright rule at every limit in force, and what it asks for in words."""
    rows = [
        {
            "at": one.value,
            "says": (
                t("limit: at least {value:g} {unit}", value=one.value, unit=unit)
                if one.side == "low"
                else t("limit: at most {value:g} {unit}", value=one.value, unit=unit)
            ).rstrip(),
        }
        for one in limits
        if one.present
    ]
    base = data(rows).encode(x=alt.X("at:Q"))
    rule = base.mark_rule(color=ORANGE, strokeWidth=2, strokeDash=[8, 3])
    text = base.mark_text(angle=270, align="right", baseline="bottom", dx=-6, dy=-4, color=ORANGE).encode(
        y=below_top(0), text=alt.Text("says:N")
    )
    return [rule, text]


def _odds_axis(rows: Sequence[Row]) -> alt.Y:
    ends = [value for row in rows for key in ("low", "high") if isinstance(value := row[key], float)]
    lowest, highest = min([0.5, *ends]), max([2.0, *ends])
    bottom = max((float(tick) for tick in _TICKS if tick <= lowest), default=_ENDS[0])
    # Room for the counts above the highest interval.
    top = 4 * min((float(tick) for tick in _TICKS if tick >= highest), default=_ENDS[1])
    return alt.Y(
        "low:Q",
        scale=alt.Scale(type="log", domain=[bottom, top], nice=False),
        axis=alt.Axis(values=[tick for tick in _TICKS if bottom <= tick <= top], format="~g"),
        title=[t("odds of a return"), t("(odds ratio, log scale)")],
    )


def _scale(*values: str) -> alt.Scale:
    return alt.Scale(domain=[t(one) for one in _KINDS], range=list(values))


def _legend() -> alt.Legend:
    return alt.Legend(title=t("readings"), orient="top", labelLimit=300, columns=1)


def _tooltip(reading: str) -> list[alt.Tooltip]:
    return [
        alt.Tooltip("band:N", title=reading),
        alt.Tooltip("said:N", title=t("odds ratio, adjusted (95 %)")),
        alt.Tooltip("counts:N", title=t("returned (n)")),
        alt.Tooltip("kind:N", title=t("readings")),
    ]

"""How one reading is spread, with the present limit and a new one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import altair as alt
import numpy as np

from remakes.charts.base import BLUE, GREY, ORANGE, Chart, below_top, data, layered
from remakes.records.requirements import Rule
from remakes.texts import t

__all__ = ["readings_and_limits"]

#: More different values than this are drawn in bins.
_MOST_VALUES: Final = 40
_BINS: Final = 30
_HEIGHT: Final = 260


def readings_and_limits(
    values: Sequence[tuple[float, int]], present: Rule | None, new: Rule, *, name: str, unit: str
) -> Chart:
    """Restorations by reading, as bars, and an upright line at each end of both limits.

    Parameters
    ----------
    values : sequence of (float, int)
        Readings, ascending, each with its restorations.
    present, new : Rule
        Of numbers. A present one of words is left out.
    name, unit : str
        What the axis is called; a blank unit is left out.

    Notes
    -----
    Up to 40 different values are drawn as they are, more of them in 30 bins of one width. The present limit is dashed
    and named above, the new one whole and named below it.
    """
    reading = f"{name} ({unit})" if unit else name
    rows = _bars(values)
    # Room above the bars for the names of the limits.
    room = alt.Scale(domainMin=0, domainMax=1.3 * max((row["restorations"] for row in rows), default=1))
    x = alt.X("low:Q", title=reading, scale=alt.Scale(zero=False, padding=25))
    bars = (
        data(rows)
        .mark_bar(color=BLUE, opacity=0.75, stroke=BLUE)
        .encode(
            x=x,
            x2=alt.X2("high:Q"),
            y=alt.Y("restorations:Q", scale=room, title=t("restorations"), axis=alt.Axis(format="~s", tickMinStep=1)),
            y2=alt.Y2Datum(0),
            tooltip=[
                alt.Tooltip("label:N", title=reading),
                alt.Tooltip("restorations:Q", title=t("restorations"), format=","),
            ],
        )
    )
    # Each name stands on the side away from the other limit's line.
    left = present is not None and _first(present) <= _first(new)
    limits = [
        *_lines(present, t("present"), unit, color=GREY, dash=[6, 4], at=0, left=left),
        *_lines(new, t("new"), unit, color=ORANGE, dash=[1, 0], at=18, left=not left),
    ]
    return layered(bars, *limits, height=_HEIGHT)


def _bars(values: Sequence[tuple[float, int]]) -> list[dict[str, Any]]:
    numbers = np.array([value for value, _ in values], dtype=np.float64)
    counts = np.array([n for _, n in values], dtype=np.int64)
    if len(values) <= _MOST_VALUES:
        # A bar as wide as most of the narrowest gap, so that neighbours do not touch.
        half = 0.4 * float(np.diff(numbers).min()) if len(values) > 1 else 0.4
        return [
            {"low": value - half, "high": value + half, "restorations": n, "label": f"{value:g}"}
            for value, n in zip(numbers.tolist(), counts.tolist(), strict=True)
        ]
    heights, edges = np.histogram(numbers, bins=_BINS, weights=counts)
    return [
        {
            "low": low,
            "high": high,
            "restorations": int(n),
            "label": t("{low} to {high}", low=f"{low:g}", high=f"{high:g}"),
        }
        for low, high, n in zip(edges[:-1].tolist(), edges[1:].tolist(), heights.tolist(), strict=True)
        if n
    ]


def _first(rule: Rule) -> float:
    return next((end for end in (rule.low, rule.high) if end is not None), 0.0)


def _lines(
    rule: Rule | None, which: str, unit: str, *, color: str, dash: list[int], at: int, left: bool
) -> list[alt.Chart]:
    if rule is None or not rule.numeric:
        return []
    ends = [
        (rule.low, t("{which}: at least {value} {unit}", which=which, value=f"{rule.low:g}", unit=unit))
        if rule.low is not None
        else None,
        (rule.high, t("{which}: at most {value} {unit}", which=which, value=f"{rule.high:g}", unit=unit))
        if rule.high is not None
        else None,
    ]
    rows = [{"at": end[0], "says": str(end[1]).rstrip()} for end in ends if end is not None]
    base = data(rows).encode(x=alt.X("at:Q"))
    line = base.mark_rule(color=color, strokeWidth=2, strokeDash=dash).encode()
    text = base.mark_text(
        align="right" if left else "left", baseline="top", dx=-5 if left else 5, color=color, fontWeight="bold"
    ).encode(y=below_top(at), text=alt.Text("says:N"))
    return [line, text]

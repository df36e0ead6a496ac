"""A monthly figure in its limits of common variation: what the charts of returns and of the bench share."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import isfinite
from typing import Final

import altair as alt

from remakes.charts.base import BLUE, GREY, ORANGE, Chart, Row, below_top, data, layered
from remakes.texts import later, t

__all__ = ["LATEST", "MonthPoint", "in_limits", "month_axis"]

#: Height of the plot itself.
_PLOT: Final = 280
#: Months drawn: the first of a long record would squeeze all others.
LATEST: Final = 24

_WITHIN, _SIGNAL, _OPEN, _COUNTED = (
    later("within the limits"),
    later("signal"),
    later("still coming in"),
    later("counted, not judged"),
)
#: Kind of month: shape, outline, fill. No two share a shape.
_LOOKS: Final = {
    _WITHIN: ("circle", BLUE, BLUE),
    _SIGNAL: ("diamond", ORANGE, ORANGE),
    _OPEN: ("triangle-up", BLUE, "transparent"),
    _COUNTED: ("square", BLUE, "transparent"),
}
#: A legend, an axis and its title, which count into the height of a chart that fits its place.
_AROUND: Final = 130
#: Room above the highest point for the words of a signal, as a share of the axis.
_ROOM: Final = 0.45


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthPoint:
    """One month of a chart.

    Attributes
    ----------
    month : str
    value : float
    centre, low, high : float
        Expected, and the limits of common variation; nan where the month is not judged.
    complete : bool
        False: more is still coming in, and the month is not judged for that reason.
    signals : tuple of str
    may_reach : tuple of float, optional
        Lowest, likeliest and highest figure once all is in.
    said : mapping
        What the pointer shows: name and words.
    """

    month: str
    value: float
    centre: float
    low: float
    high: float
    complete: bool = True
    signals: tuple[str, ...] = ()
    may_reach: tuple[float, float, float] | None = None
    said: Mapping[str, str] = field(default_factory=dict)


def month_axis(title: str) -> alt.X:
    """Months side by side, without gaps between them: a band of limits is one band."""
    axis = alt.Axis(labelAngle=-45, labelOverlap=True)
    return alt.X("month:O", title=title, axis=axis, scale=alt.Scale(paddingInner=0))


def in_limits(
    points: Sequence[MonthPoint],
    *,
    of: str,
    title: str | list[str],
    since: str | None = None,
    share: bool = False,
    height: int = _PLOT,
) -> Chart:
    """Months against the band of their limits; signals and what is still coming in told by shape and by words.

    Parameters
    ----------
    points : sequence of MonthPoint
        Oldest first.
    of : str
        Which month stands at the bottom: month of report, month of delivery.
    title : str or list of str
        Of the upright axis.
    since : str, optional
        The month a change most likely began: a dashed upright line.
    share : bool
        The figure is a share: the axis shows per cent.
    height : int
        Of the plot, without what stands around it.
    """
    rows = [_row(one) for one in points]
    base = data(rows).encode(x=month_axis(t(of)), tooltip=_tooltip(points))
    axis = alt.Axis(format="%") if share else alt.Axis(tickMinStep=1, format="d")
    y = alt.Y("value:Q", title=title, axis=axis, scale=alt.Scale(domain=[0, _top(points)], nice=False))
    joined = base.transform_filter("datum.joined").mark_line(color=BLUE, strokeWidth=1.5).encode(y=y)
    layers = [*_limits(base, points), *_began(points, since), joined, *_to_come(base, points)]
    return layered(*layers, _marks(base, rows), *_words(base, points), height=height + _AROUND)


def _row(one: MonthPoint) -> Row:
    lowest, likely, highest = one.may_reach or (None, None, None)
    kind = _kind(one)
    return {
        "month": one.month,
        "value": _known(one.value),
        "centre": _known(one.centre),
        "low": _known(one.low),
        "high": _known(one.high),
        "kind": t(kind),
        "joined": kind != _OPEN,
        "signals": ", ".join(t(signal) for signal in one.signals),
        "lowest": lowest,
        "likely": likely,
        "highest": highest,
        **one.said,
    }


def _kind(one: MonthPoint) -> str:
    if not one.complete:
        return _OPEN
    if one.signals:
        return _SIGNAL
    return _WITHIN if isfinite(one.high) else _COUNTED


def _known(value: float) -> float | None:
    return float(value) if isfinite(value) else None


def _top(points: Sequence[MonthPoint]) -> float:
    drawn = [value for one in points for value in (one.value, one.high, *(one.may_reach or ())) if isfinite(value)]
    highest = max(drawn, default=0.0) or 1.0
    signalled = max((one.value for one in points if one.signals), default=0.0)
    return max(1.06 * highest, signalled + _ROOM * highest if signalled else 0.0)


def _limits(base: alt.Chart, points: Sequence[MonthPoint]) -> list[alt.Chart]:
    """The band, one bar a month since limits differ from month to month, and the expected line."""
    if not any(isfinite(one.high) for one in points):
        # A layer without a mark would be read out as a picture without a name.
        return []
    judged = base.transform_filter("isValid(datum.high)")
    band = judged.mark_bar(color=BLUE, opacity=0.18, width={"band": 1}).encode(y=alt.Y("low:Q"), y2=alt.Y2("high:Q"))
    centre = judged.mark_line(color=GREY, strokeDash=[5, 4], strokeWidth=1.5).encode(y=alt.Y("centre:Q"))
    return [band, centre]


def _began(points: Sequence[MonthPoint], since: str | None) -> list[alt.Chart]:
    if since is None or all(one.month != since for one in points):
        return []
    base = data([{"month": since, "says": t("likely began")}]).encode(x=alt.X("month:O"))
    rule = base.mark_rule(color=GREY, strokeDash=[2, 3], strokeWidth=1.5)
    text = base.mark_text(align="right", baseline="top", dx=-5, dy=3, color=GREY).encode(
        y=below_top(0), text=alt.Text("says:N")
    )
    return [rule, text]


def _to_come(base: alt.Chart, points: Sequence[MonthPoint]) -> list[alt.Chart]:
    """From the figure so far up to where it may end, and a tick where it most likely does."""
    if not any(one.may_reach for one in points):
        return []
    waited = base.transform_filter("isValid(datum.likely)")
    reach = waited.mark_rule(color=BLUE, strokeDash=[3, 3], strokeWidth=2).encode(
        y=alt.Y("lowest:Q"), y2=alt.Y2("highest:Q")
    )
    likely = waited.mark_tick(color=BLUE, orient="horizontal", size=12, thickness=2).encode(y=alt.Y("likely:Q"))
    return [reach, likely]


def _marks(base: alt.Chart, rows: Sequence[Row]) -> alt.Chart:
    found = {row["kind"] for row in rows}
    kinds = [kind for kind in _LOOKS if t(kind) in found]
    legend = alt.Legend(title=None, orient="top", labelLimit=300, columns=2)

    def scale(at: int) -> alt.Scale:
        return alt.Scale(domain=[t(kind) for kind in kinds], range=[_LOOKS[kind][at] for kind in kinds])

    marks: alt.Chart = base.mark_point(size=75, strokeWidth=2, opacity=1).encode(
        y=alt.Y("value:Q"),
        shape=alt.Shape("kind:N", scale=scale(0), legend=legend),
        stroke=alt.Stroke("kind:N", scale=scale(1), legend=legend),
        fill=alt.Fill("kind:N", scale=scale(2), legend=legend),
    )
    return marks


def _words(base: alt.Chart, points: Sequence[MonthPoint]) -> list[alt.Chart]:
    """Upright, since months with a signal often follow each other."""
    if not any(one.signals for one in points):
        return []
    signalled = base.transform_filter(f"datum.kind == '{t(_SIGNAL)}'")
    return [
        signalled.mark_text(angle=270, align="left", dx=10, color=ORANGE, fontSize=12, fontWeight="bold").encode(
            y=alt.Y("value:Q"), text=alt.Text("signals:N")
        )
    ]


def _tooltip(points: Iterable[MonthPoint]) -> list[alt.Tooltip]:
    names = dict.fromkeys(name for one in points for name in one.said)
    return [alt.Tooltip("month:N", title=t("month")), *(alt.Tooltip(f"{name}:N", title=name) for name in names)]

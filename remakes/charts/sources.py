"""Lots, machines and clinics: returns against what was to be expected."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import TYPE_CHECKING, Final

import altair as alt

from remakes.charts.base import BLUE, ORANGE, Chart, Row, dashed_at, data, height_of, layered, ranged, wide_axis
from remakes.texts import later, t

if TYPE_CHECKING:
    from remakes.trends.sources.figures import SourceFigure

__all__ = ["source_ratios"]

#: Ratios beyond these ends are drawn at the edge; the table has the figures.
_ENDS: Final = (0.1, 20.0)
_TICKS: Final = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20)
_OUT, _IN = later("stands out"), later("does not stand out")


def source_ratios(figures: Sequence[SourceFigure], *, names: Sequence[str]) -> Chart:
    """Observed to expected returns, drawn towards the others as strongly as few returns ask, with 95 % intervals.

    Parameters
    ----------
    figures : sequence of SourceFigure
        In the order to be drawn, from the top; those without an estimate are left out.
    names : sequence of str
        What stands at the left of each; all different.
    """
    rows = [
        _row(one, name)
        for one, name in zip(figures, names, strict=True)
        if all(isfinite(value) for value in (one.ratio.estimate, one.ratio.low, one.ratio.high))
    ]
    base = data(rows).encode(y=alt.Y("name:N", sort=None, title=None, axis=wide_axis()), tooltip=_tooltip())
    axis = alt.X(
        "low:Q",
        scale=alt.Scale(type="log", domain=_domain(rows), nice=False),
        axis=alt.Axis(values=list(_TICKS), format="~g", grid=True, labelFlush=False),
        title=[t("returns against expected (ratio, log scale)")],
    )
    reach = base.mark_rule(color=BLUE, strokeWidth=2).encode(x=axis, x2=alt.X2("high:Q"))
    raw = (
        base.transform_filter("isValid(datum.raw)")
        .mark_tick(color=ORANGE, thickness=2, size=12)
        .encode(x=alt.X("raw:Q"))
    )
    kinds = [kind for kind in (_OUT, _IN) if any(row["kind"] == t(kind) for row in rows)]
    legend = alt.Legend(title=None, orient="top", labelLimit=300, columns=1)
    looks = {_OUT: ("diamond", BLUE), _IN: ("circle", "transparent")}
    point = base.mark_point(size=90, strokeWidth=2, opacity=1, stroke=BLUE).encode(
        x=alt.X("ratio:Q"),
        shape=alt.Shape(
            "kind:N",
            legend=legend,
            scale=alt.Scale(domain=[t(kind) for kind in kinds], range=[looks[k][0] for k in kinds]),
        ),
        fill=alt.Fill(
            "kind:N",
            legend=legend,
            scale=alt.Scale(domain=[t(kind) for kind in kinds], range=[looks[k][1] for k in kinds]),
        ),
    )
    # A layer without a mark would be read out as a picture without a name.
    ticks = [raw] if any(row["raw"] is not None for row in rows) else []
    return layered(dashed_at(1), reach, *ticks, point, height=height_of(rows))


def _row(one: SourceFigure, name: str) -> Row:
    raw = one.raw.estimate
    return {
        "name": name,
        "ratio": _within(one.ratio.estimate),
        "low": _within(one.ratio.low),
        "high": _within(one.ratio.high),
        # A log axis has no place for 0; the table has it.
        "raw": _within(raw) if isfinite(raw) and raw > 0 else None,
        "kind": t(_OUT if one.stands_out else _IN),
        "said": ranged(one.ratio),
        "returns": t("{observed:,} against {expected:.1f} expected", observed=one.observed, expected=one.expected),
        "restorations": t("{n:,}", n=one.restorations),
    }


def _within(value: float) -> float:
    return min(max(value, _ENDS[0]), _ENDS[1])


def _domain(rows: Sequence[Row]) -> list[float]:
    """From the last labelled tick below all intervals to the first above; at least from a half to two."""
    ends = [value for row in rows for key in ("low", "high", "raw") if isinstance(value := row[key], float)]
    lowest, highest = min([0.5, *ends]), max([2.0, *ends])
    return [
        max((float(tick) for tick in _TICKS if tick <= lowest), default=_ENDS[0]),
        min((float(tick) for tick in _TICKS if tick >= highest), default=_ENDS[1]),
    ]


def _tooltip() -> list[alt.Tooltip]:
    return [
        alt.Tooltip("name:N", title=t("source and defect")),
        alt.Tooltip("returns:N", title=t("first returns")),
        alt.Tooltip("said:N", title=t("ratio, drawn towards the others (95 %)")),
        alt.Tooltip("raw:Q", title=t("ratio as it is"), format=".2f"),
        alt.Tooltip("restorations:N", title=t("restorations (n)")),
    ]

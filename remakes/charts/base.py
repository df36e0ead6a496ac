"""What all charts share: colours, layers, heights.

Meaning is carried by place, shape and words first. The colours are Okabe and Ito's, which people with a
colour vision deficiency can tell apart; all have at least 3:1 contrast to a light and to a dark ground.
Text and axes take the colours of the page.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from hashlib import sha256
from types import MappingProxyType
from typing import Any, Final

import altair as alt
from altair.utils.schemapi import disable_debug_mode

from remakes.evidence.estimate import Estimate
from remakes.texts import language, t

__all__ = [
    "BLUE",
    "GREY",
    "ORANGE",
    "PLOT",
    "Chart",
    "Row",
    "below_top",
    "dashed_at",
    "data",
    "height_of",
    "layered",
    "ranged",
    "specification",
    "wide_axis",
]

# Otherwise every piece is held against the schema as it is made. A whole chart still is, by `to_dict()`.
disable_debug_mode()

BLUE: Final = "#0072B2"
ORANGE: Final = "#D55E00"
GREY: Final = "#7d7d7d"

#: Height of a plot with a vertical axis of its own.
PLOT: Final = 340
_ROW: Final = 24
#: What a further line of a name adds.
_LINE: Final = 11
#: Axis, its title and a legend, which count into the height of a chart that fits its place.
_AROUND: Final = 130

#: How numbers and days are written on axes and in tooltips, where not as in English.
_LOCALES: Final = MappingProxyType(
    {
        "de": alt.Locale(
            number=alt.NumberLocale(
                decimal=",", thousands="\u202f", grouping=[3], currency=["", "\u00a0€"], percent="\u202f%"
            ),
            time=alt.TimeLocale(
                dateTime="%A, der %e. %B %Y, %X",
                date="%d.%m.%Y",
                time="%H:%M:%S",
                periods=["AM", "PM"],
                days=["Sonntag", "Montag", "Dienstag", "Mittwoch", "Donnerstag", "Freitag", "Samstag"],
                shortDays=["So", "Mo", "Di", "Mi", "Do", "Fr", "Sa"],
                months=[
                    "Januar",
                    "Februar",
                    "März",
                    "April",
                    "Mai",
                    "Juni",
                    "Juli",
                    "August",
                    "September",
                    "Oktober",
                    "November",
                    "Dezember",
                ],
                shortMonths=["Jan", "Feb", "Mrz", "Apr", "Mai", "Jun", "Jul", "Aug", "Sep", "Okt", "Nov", "Dez"],
            ),
        )
    }
)

Chart = alt.LayerChart
Row = Mapping[str, object]


def data(rows: Sequence[Row]) -> alt.Chart:
    """Rows as they are, inside the chart."""
    return alt.Chart(alt.InlineData(values=[dict(row) for row in rows]))


def layered(*layers: alt.Chart, height: int) -> Chart:
    """Layers of one plot, its numbers and days written as the reader's language writes them."""
    rows: dict[str, list[Row]] = {}
    chart: Chart = alt.LayerChart(layer=[_rows_apart(one, rows) for one in layers], datasets=rows, height=height)
    locale = _LOCALES.get(language())
    return chart.configure(locale=locale) if locale else chart


def _rows_apart(layer: alt.Chart, rows: dict[str, list[Row]]) -> alt.Chart:
    """The layer with its rows by name, and the rows put among the others: joining layers copies what is in them."""
    own = layer.data.values
    # The name changes with the rows, so that a page draws anew instead of filling the former picture.
    name = f"data-{sha256(json.dumps(own, sort_keys=True, default=str).encode()).hexdigest()[:32]}"
    rows[name] = own
    apart: alt.Chart = layer.copy(deep=False)
    apart.data = alt.NamedData(name=name)
    return apart


def specification(chart: Chart, *, ink: str) -> dict[str, Any]:
    """A chart as a page hands it over, its words in an ink that can be read on the page's ground.

    Not held against the schema, which takes longer than all else: the tests do that for every chart.
    """
    inks = {"labelColor": ink, "titleColor": ink}
    found: dict[str, Any] = chart.to_dict(validate=False)
    # The library's own size of a plot goes: the page has a place for it.
    own = {name: one for name, one in found["config"].items() if name != "view"}
    found["config"] = {**own, "axis": inks, "legend": inks, "header": inks, "title": {"color": ink}}
    return found


def ranged(value: Estimate) -> str:
    """An estimate with its interval, for a tooltip: `6.11 (4.01 to 9.28)`."""
    return t("{estimate:.2f} ({low:.2f} to {high:.2f})", estimate=value.estimate, low=value.low, high=value.high)


def dashed_at(value: float) -> alt.Chart:
    """A dashed upright line."""
    rule: alt.Chart = data([{"at": value}]).mark_rule(color=GREY, strokeDash=[4, 4]).encode(x=alt.X("at:Q"))
    return rule


def below_top(pixels: int) -> alt.YValue:
    """A height that is the same whatever the numbers are."""
    fixed: Callable[[int], alt.YValue] = alt.YValue  # which says nothing of its types
    return fixed(pixels)


def wide_axis(*, lines: int = 1) -> alt.Axis:
    """An axis that shows long names whole; of several lines, where line breaks stand in them."""
    axis = alt.Axis(labelLimit=360, labelOverlap=False, labelFlush=False)
    if lines > 1:
        axis.labelExpr = "split(datum.label, '\\n')"
    return axis


def height_of(rows: Sequence[object], *, lines: int = 1) -> int:
    """Height of a chart with one row a name of so many lines."""
    return max(1, len(rows)) * (_ROW + _LINE * (lines - 1)) + _AROUND

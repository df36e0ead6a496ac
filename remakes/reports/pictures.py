"""Charts as pictures for paper and for a page that stands alone: SVG, made without a browser and without network."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from remakes.reports.letters import replaced, writable

if TYPE_CHECKING:
    import altair as alt

__all__ = ["svg"]

#: Ink on white: the charts of the pages take their text colour from the page, paper has none.
_INK = "#1a1a1a"
_LINE = "#d9d9d9"


def svg(chart: alt.LayerChart, *, width: int, height: int | None, font: str) -> str:
    """A chart as SVG on white.

    Parameters
    ----------
    chart : altair.LayerChart
        As the pages show it; its data are inside.
    width : int
        Of the whole picture, in pixels at 96 an inch.
    height : int, optional
        Of the plot without axes and legends; the chart's own where not given.
    font : str
        Family of all text, such as "Libertinus Serif".

    Notes
    -----
    No address is allowed for data or pictures: a chart that asked for one is refused by the converter.
    """
    import vl_convert

    spec = replaced(_for_print(chart.to_dict(validate=False), width, height, font), writable)
    return str(vl_convert.vegalite_to_svg(spec, allowed_base_urls=[]))


def _for_print(spec: dict[str, Any], width: int, height: int | None, font: str) -> dict[str, Any]:
    # Only the width is given: the words of a signal stand upright and would squeeze the plot.
    fitted = {"type": "fit-x", "contains": "padding"}
    axis = {"labelColor": _INK, "titleColor": _INK, "gridColor": _LINE, "tickColor": _LINE, "domainColor": "#808080"}
    # The converter measures words in a font of its own, so that entries of a legend may need more room.
    legend = {"labelColor": _INK, "titleColor": _INK, "columnPadding": 30}
    config = {
        "font": font,
        "axis": axis,
        "legend": legend,
        "title": {"color": _INK},
        "text": {"color": _INK, "fontSize": 9},
        "view": {"stroke": None},
    }
    return {
        **spec,
        "width": width,
        "height": spec["height"] if height is None else height,
        "autosize": fitted,
        "background": "white",
        "config": {**spec.get("config", {}), **config},
    }

"""What changed between two periods, part by part."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import altair as alt

from remakes.charts.base import BLUE, ORANGE, Chart, Row, dashed_at, data, height_of, layered, wide_axis
from remakes.evidence.estimate import Estimate, finite_or_none
from remakes.texts import t

if TYPE_CHECKING:
    from remakes.trends.changed.changed import Part, WhatChanged

__all__ = ["SMALLEST", "parts"]

#: Parts that stay below so many returns in either direction are not drawn.
SMALLEST: Final = 0.5

_WHOLE, _PART, _REST = "the whole difference", "a part of it", "what is left over"
_LOOKS: Final = {
    _WHOLE: ("diamond", ORANGE, ORANGE),
    _PART: ("circle", BLUE, BLUE),
    _REST: ("square", BLUE, "transparent"),
}


def parts(changed: WhatChanged, *, names: Mapping[str, str] = MappingProxyType({})) -> Chart:
    """The difference between two periods and what goes with it, in returns, with 95 % intervals.

    Parameters
    ----------
    changed : WhatChanged
        Parts come in the order they have, the rest last. Left out are those without an estimate, and those that do
        not even by their interval reach half a return: twenty points at zero would hide the others.
    names : mapping, optional
        What stands beside the plot for a part, where that is not its usual short name.
    """
    rows = [
        _row(t("all together"), changed.difference, _WHOLE),
        *(
            _row(names.get(one.part) or _short(one), one.returns, _REST if one.part == "rest" else _PART)
            for one in changed.parts
            if one.part == "rest" or _reaches(one.returns)
        ),
    ]
    rows = [row for row in rows if row["returns"] is not None]
    base = data(rows).encode(y=alt.Y("name:N", sort=None, title=None, axis=wide_axis()), tooltip=_tooltip())
    title = [t("change in returns"), t("(left: fewer, right: more)")]
    reach = (
        base.transform_filter("isValid(datum.low)")
        .mark_rule(color=BLUE, strokeWidth=2)
        .encode(
            x=alt.X(
                "low:Q",
                title=title,
                axis=alt.Axis(
                    # The title ends with the plot: beside long names it has no room in the middle of it.
                    titleAnchor="end",
                    format="+~r",
                    labelExpr="datum.value === 0 ? '0' : datum.label",
                    tickCount=8,
                ),
            ),
            x2=alt.X2("high:Q"),
        )
    )
    kinds = [kind for kind in _LOOKS if any(row["kind"] == kind for row in rows)]
    point = base.mark_point(size=90, strokeWidth=2, opacity=1).encode(
        x=alt.X("returns:Q", title=title),
        # Without a legend: the names at the left say what each is.
        shape=alt.Shape("kind:N", scale=_scale(kinds, 0), legend=None),
        stroke=alt.Stroke("kind:N", scale=_scale(kinds, 1), legend=None),
        fill=alt.Fill("kind:N", scale=_scale(kinds, 2), legend=None),
    )
    return layered(dashed_at(0), reach, point, height=height_of(rows))


def _short(one: Part) -> str:
    """A part's name beside the chart: a requirement by its code, since its words would leave no room for the plot."""
    kind, _, factor = one.part.partition(":")
    return t("misses of {factor}", factor=factor) if kind == "factor" and factor else t(one.label).split(":")[0]


def _reaches(returns: Estimate) -> bool:
    ends = [value for value in (returns.estimate, returns.low, returns.high) if isfinite(value)]
    return max(map(abs, ends), default=0.0) >= SMALLEST


def _row(name: str, returns: Estimate, kind: str) -> Row:
    known = isfinite(returns.low) and isfinite(returns.high)
    return {
        "name": name,
        "returns": finite_or_none(returns.estimate),
        "low": returns.low if known else None,
        "high": returns.high if known else None,
        "kind": kind,
        "said": t(
            "{estimate:+.1f} ({low:+.1f} to {high:+.1f})", estimate=returns.estimate, low=returns.low, high=returns.high
        ),
    }


def _scale(kinds: Sequence[str], at: int) -> alt.Scale:
    return alt.Scale(domain=list(kinds), range=[_LOOKS[kind][at] for kind in kinds])


def _tooltip() -> list[alt.Tooltip]:
    return [
        alt.Tooltip("name:N", title=t("goes with")),
        alt.Tooltip("said:N", title=t("returns (95 % interval)")),
    ]

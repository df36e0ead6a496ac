"""Own shares beside the whole lab's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import altair as alt

from remakes.charts.base import BLUE, ORANGE, Chart, data, height_of, layered, wide_axis
from remakes.evidence.estimate import Estimate
from remakes.texts import t

__all__ = ["SharePair", "share_pairs"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SharePair:
    """One line of `share_pairs`: an own share beside the lab's, each with its interval."""

    name: str
    own: Estimate
    own_of: int
    lab: Estimate
    lab_of: int


def share_pairs(pairs: Sequence[SharePair]) -> Chart:
    """Own shares (filled circle, 95 % interval) beside the lab's (open diamond); a pair without own n is left out."""
    shown = [pair for pair in pairs if isfinite(pair.own.estimate)]
    whose = [t("own, with its range"), t("whole lab")]
    rows = [
        {"name": pair.name, "whose": name, "share": share.estimate, "low": share.low, "high": share.high, "of": of}
        for pair in shown
        for name, share, of in ((whose[0], pair.own, pair.own_of), (whose[1], pair.lab, pair.lab_of))
    ]
    base = data(rows).encode(y=alt.Y("name:N", sort=None, title=None, axis=wide_axis()))
    reach = (
        base.transform_filter(alt.datum.whose == str(whose[0]))
        .mark_rule(color=BLUE, strokeWidth=2)
        .encode(
            x=alt.X("low:Q", title=t("share missed, of those recorded"), axis=alt.Axis(format="%")), x2=alt.X2("high:Q")
        )
    )
    legend = alt.Legend(title=t("share of"), orient="top")

    def scale(*values: str) -> alt.Scale:
        return alt.Scale(domain=whose, range=list(values))

    points = base.mark_point(size=80, strokeWidth=2, opacity=1).encode(
        x=alt.X("share:Q"),
        shape=alt.Shape("whose:N", scale=scale("circle", "diamond"), legend=legend),
        stroke=alt.Stroke("whose:N", scale=scale(BLUE, ORANGE), legend=legend),
        fill=alt.Fill("whose:N", scale=scale(BLUE, "transparent"), legend=legend),
        tooltip=[
            alt.Tooltip("name:N", title=t("requirement")),
            alt.Tooltip("whose:N", title=t("share of")),
            alt.Tooltip("share:Q", title=t("share missed"), format=".1%"),
            alt.Tooltip("low:Q", title=t("95 % interval from"), format=".1%"),
            alt.Tooltip("high:Q", title=t("to"), format=".1%"),
            alt.Tooltip("of:Q", title=t("recorded (n)"), format=",d"),
        ],
    )
    return layered(reach, points, height=height_of(shown))

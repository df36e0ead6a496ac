"""What actions would spare, as a chart."""

from __future__ import annotations

from collections.abc import Sequence

import altair as alt

from remakes.actions.ranking import RankedAction
from remakes.charts.base import BLUE, Chart, dashed_at, data, height_of, layered, wide_axis

__all__ = ["joint_avoided"]


def joint_avoided(actions: Sequence[RankedAction]) -> Chart:
    """Returns a month that the first one, two, three ... actions would spare together, with 95 % intervals.

    Parameters
    ----------
    actions : sequence of RankedAction
        In the order of their rank.
    """
    rows = [
        {
            "name": f"{one.rank}. {'+ ' if one.rank > 1 else ''}{one.action}",
            "estimate": one.joint_avoided_per_month.estimate,
            "low": one.joint_avoided_per_month.low,
            "high": one.joint_avoided_per_month.high,
            "title": one.title,
        }
        for one in actions
    ]
    base = data(rows).encode(y=alt.Y("name:N", sort=None, title="actions taken together", axis=wide_axis()))
    title = "returns avoided a month, all actions down to this line together (95 % interval)"
    reach = base.mark_rule(color=BLUE, strokeWidth=2).encode(x=alt.X("low:Q", title=title), x2="high:Q")
    point = base.mark_point(filled=True, color=BLUE, size=90, opacity=1).encode(
        x="estimate:Q",
        tooltip=[
            alt.Tooltip("title:N", title="action"),
            alt.Tooltip("estimate:Q", title="avoided a month, together", format=".2f"),
            alt.Tooltip("low:Q", title="95 % interval from", format=".2f"),
            alt.Tooltip("high:Q", title="to", format=".2f"),
        ],
    )
    return layered(dashed_at(0), reach, point, height=height_of(rows))

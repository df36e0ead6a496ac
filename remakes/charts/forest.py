"""Odds ratios as a forest plot."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import Final

import altair as alt

from remakes import words
from remakes.charts.base import BLUE, ORANGE, Chart, Row, dashed_at, data, height_of, layered, ranged, wide_axis
from remakes.evidence.estimate import Estimate
from remakes.evidence.findings import Finding
from remakes.texts import t

__all__ = ["forest"]

#: Odds ratios beyond these ends are drawn at the edge; the table has the figures.
_ODDS_ENDS: Final = (0.1, 100.0)
_ODDS_TICKS: Final = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100)


def forest(findings: Sequence[Finding], *, names: Sequence[str], in_full: Sequence[str] = ()) -> Chart:
    """Adjusted odds ratios with their 95 % intervals, one line a finding; the crude ones as small ticks.

    Parameters
    ----------
    findings : sequence of Finding
        In the order to be drawn, from the top; those without an estimate are left out.
    names : sequence of str
        What stands at the left of each, in one line or several; all different.
    in_full : sequence of str
        What the tooltip calls each; the names where none are given.

    Notes
    -----
    Log axis. Ends beyond 0.1 or 100, and open ends, are drawn at the edge with an arrow head. Where restorations of
    one clinic or technician may be alike and the interval is then wider, a thin dashed line shows the wider one.
    """
    rows = [
        _forest_row(one, name, full)
        for one, name, full in zip(findings, names, in_full or names, strict=True)
        if isfinite(one.adjusted.odds_ratio.estimate)
    ]
    axis = alt.X(
        "low:Q",
        scale=alt.Scale(type="log", domain=_odds_domain(rows), nice=False),
        axis=alt.Axis(values=list(_ODDS_TICKS), format="~g", grid=True, labelFlush=False, titleAnchor="end"),
        title=[
            t("odds of a return where the step was missed,"),
            t("against where it was kept (odds ratio, log scale)"),
        ],
    )
    lines = max((name.count("\n") + 1 for name in names), default=1)
    base = data(rows).encode(y=alt.Y("name:N", sort=None, title=None, axis=wide_axis(lines=lines)))
    reach = base.mark_rule(color=BLUE, strokeWidth=2).encode(x=axis, x2=alt.X2("high:Q"))
    wider = (
        base.transform_filter("isValid(datum.wide_low)")
        .mark_rule(color=BLUE, strokeWidth=1.2, strokeDash=[3, 3])
        .encode(x=alt.X("wide_low:Q"), x2=alt.X2("wide_high:Q"))
    )
    crude = base.mark_tick(color=ORANGE, thickness=2, size=12).encode(x=alt.X("crude:Q"), tooltip=_forest_tooltip())
    grades = [t(one) for one in words.GRADES]
    estimate = base.mark_point(filled=True, color=BLUE, size=90, opacity=1).encode(
        x=alt.X("estimate:Q"),
        shape=alt.Shape(
            "grade:N",
            scale=alt.Scale(domain=grades, range=["diamond", "square", "circle", "triangle-up", "cross"]),
            legend=alt.Legend(title=t("evidence"), orient="top", columns=2, values=_present(rows, grades)),
        ),
        tooltip=_forest_tooltip(),
    )
    beyond = [
        base.transform_filter(f"datum.{side}_open")
        .mark_point(filled=True, shape=shape, color=BLUE, size=60)
        .encode(x=alt.X(f"end_{side}:Q"))
        for side, shape in (("low", "triangle-left"), ("high", "triangle-right"))
        # A layer without a mark would be read out as a picture without a name.
        if any(row[f"{side}_open"] for row in rows)
    ]
    return layered(dashed_at(1), reach, wider, crude, estimate, *beyond, height=height_of(rows, lines=lines))


def _forest_row(one: Finding, name: str, full: str) -> Row:
    ratio, counts = one.adjusted.odds_ratio, one.counts
    crude = one.crude.odds_ratio.estimate
    return {
        "name": name,
        "full": full,
        "estimate": _within(ratio.estimate),
        "low": _within(ratio.low),
        "high": _within(ratio.high),
        **_wider(one),
        **_ends(ratio, one.checks.widest.odds_ratio if one.checks else ratio),
        "crude": _within(crude) if isfinite(crude) else None,
        "grade": t(one.grade),
        "said": ranged(ratio),
        "missed": words.part_of(counts.returns_missed, counts.missed),
        "met": words.part_of(counts.returns_met, counts.met),
    }


def _present(rows: Sequence[Row], grades: Sequence[str]) -> list[str]:
    found = {row["grade"] for row in rows}
    return [grade for grade in grades if grade in found]


def _wider(one: Finding) -> Row:
    """The interval that allows for restorations of one clinic or technician being alike, where it is the wider one."""
    if one.checks is None or one.checks.widest.source == "model":
        return {"wide_low": None, "wide_high": None, "wide_said": t("the same")}
    ratio = one.checks.widest.odds_ratio
    return {"wide_low": _within(ratio.low), "wide_high": _within(ratio.high), "wide_said": ranged(ratio)}


def _ends(*intervals: Estimate) -> Row:
    """Where all that is drawn ends, and whether that is the edge of the chart."""
    low, high = min(one.low for one in intervals), max(one.high for one in intervals)
    return {
        "end_low": _within(low),
        "end_high": _within(high),
        "low_open": not low >= _ODDS_ENDS[0],
        "high_open": not high <= _ODDS_ENDS[1],
    }


def _within(value: float) -> float:
    return min(max(value, _ODDS_ENDS[0]), _ODDS_ENDS[1])


def _odds_domain(rows: Sequence[Row]) -> list[float]:
    """From the last labelled tick below all intervals to the first above; at least from a half to two."""
    named = ("low", "high", "wide_low", "wide_high", "crude")
    ends = [value for row in rows for key in named if isinstance(value := row[key], float)]
    lowest, highest = min([0.5, *ends]), max([2.0, *ends])
    return [
        max((float(tick) for tick in _ODDS_TICKS if tick <= lowest), default=_ODDS_ENDS[0]),
        min((float(tick) for tick in _ODDS_TICKS if tick >= highest), default=_ODDS_ENDS[1]),
    ]


def _forest_tooltip() -> list[alt.Tooltip]:
    return [
        alt.Tooltip("full:N", title=t("step and defect")),
        alt.Tooltip("said:N", title=t("odds ratio, adjusted (95 %)")),
        alt.Tooltip("wide_said:N", title=t("were clinics or technicians alike")),
        alt.Tooltip("crude:Q", title=t("without adjustment"), format=".2f"),
        alt.Tooltip("missed:N", title=t("returned, missed (n)")),
        alt.Tooltip("met:N", title=t("returned, kept (n)")),
        alt.Tooltip("grade:N", title=t("evidence")),
    ]

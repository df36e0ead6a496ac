"""The charts of a limit study and of a planned trial, as they are handed over."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest

from remakes.actions.limits.figures import NOT_PROPOSED, LimitPoint, LimitStudy, ReadingRisk, Standing
from remakes.actions.trial.calendar import Group, Span
from remakes.actions.trial.figures import TrialPlan, TrialPower
from remakes.charts.base import Chart
from remakes.charts.limit_study import flagged_and_spared, risk_by_reading
from remakes.charts.trial import trial_calendar, trial_power
from remakes.counts.readings import Band
from remakes.evidence.estimate import UNKNOWN, Estimate


def reading(median: float, risk: Estimate, *, keeps: bool) -> ReadingRisk:
    edges = {"low": median - 5, "high": median + 5, "least": median, "most": median}
    return ReadingRisk(
        band=Band(label=f"{median:g}", median=median, restorations=1200, **edges), returns=9, risk=risk, keeps=keeps
    )


def limit(value: float, standing: Standing, spared: Estimate) -> LimitPoint:
    return LimitPoint(
        limit=value,
        side="low",
        standing=standing,
        flagged_share=value / 1000,
        flagged_per_month=value / 10,
        spared_per_month=spared,
        spared_more=UNKNOWN,
        probability_more=float("nan"),
        risk_within=UNKNOWN,
        risk_beyond=UNKNOWN,
    )


STUDY = LimitStudy(
    factor="bond_wait",
    defect="debonding",
    unit="s",
    horizon=12,
    bands=(
        reading(150, Estimate(0.08, 0.05, 0.12), keeps=False),
        reading(180, Estimate(0.02, 0.01, 0.03), keeps=True),
        reading(200, UNKNOWN, keeps=True),
    ),
    points=(
        limit(150, "laxer", Estimate(0.1, 0.0, 0.2)),
        limit(180, "present", Estimate(0.5, 0.2, 0.9)),
        limit(210, "tighter", Estimate(0.6, -0.1, 1.3)),
        limit(240, "tighter", UNKNOWN),
    ),
)

MONDAY = date(2026, 11, 2)
PLAN = TrialPlan(
    factor="bond_wait",
    defects=("debonding",),
    design="alternate weeks",
    effect=0.5,
    error=0.05,
    power=0.8,
    months_max=24,
    starts_on=MONDAY,
    table=tuple(
        TrialPower(effect=effect, months=months, restorations=100.4 * months, returns=3.0 * months, power=effect)
        for effect in (0.3, 0.5)
        for months in (6, 12)
    ),
    groups=(Group(name="A", technicians=("T01", "T03"), share=0.5, sd_factor=0.7),),
    calendar=(
        Span(group="A", begins=MONDAY, ends=MONDAY + timedelta(days=6), with_action=True),
        Span(group="A", begins=MONDAY + timedelta(days=7), ends=MONDAY + timedelta(days=13), with_action=False),
    ),
)


def layers(chart: Chart) -> list[dict[str, Any]]:
    """The layers, each with its mark's name and its rows."""
    whole = chart.to_dict()
    found = []
    for layer in whole["layer"]:
        named = layer.get("data", whole.get("data"))
        rows = whole["datasets"][named["name"]] if "name" in named else named["values"]
        found.append(layer | {"rows": rows, "kind": layer["mark"]["type"]})
    return found


def layer_of(chart: Chart, kind: str) -> dict[str, Any]:
    return next(layer for layer in layers(chart) if layer["kind"] == kind)


def test_the_risk_along_the_reading_with_its_band_and_the_present_limit() -> None:
    chart = risk_by_reading(STUDY, name="wait before bonding")
    assert [layer["kind"] for layer in layers(chart)] == ["rule", "text", "area", "line", "point", "text"]
    rows = layer_of(chart, "point")["rows"]
    # Counts of neighbours stand in different lines at the top, and the rule with its words begins below them.
    assert [row["line"] for row in rows] == [0, 1]
    first_rule, *_, counts = layers(chart)
    assert first_rule["encoding"]["y"]["value"] > 2 * 14
    assert counts["encoding"]["y"] == {"value": 0}
    # Room for them above the highest interval.
    assert layer_of(chart, "area")["encoding"]["y"]["scale"]["domain"][1] > 0.12 * 1.3
    # The band without an estimate is left out.
    assert [(row["median"], row["risk"], row["low"], row["high"]) for row in rows] == [
        (150, 0.08, 0.05, 0.12),
        (180, 0.02, 0.01, 0.03),
    ]
    assert [row["kind"] for row in rows] == ["beyond it", "keeps the present limit"]
    assert rows[0]["counts"] == "9 of 1,200"
    rule = layer_of(chart, "rule")["rows"]
    assert rule == [{"at": 180, "says": "present limit: at least 180 s"}]
    assert layer_of(chart, "area")["encoding"]["x"]["title"] == "wait before bonding (s), median of each band"


def test_flagged_against_spared_names_what_is_not_proposed() -> None:
    chart = flagged_and_spared(STUDY)
    point = layer_of(chart, "point")
    assert [(row["name"], row["flagged"], row["spared"]) for row in point["rows"]] == [
        ("at least 150 s", 15.0, 0.1),
        ("at least 180 s", 18.0, 0.5),
        ("at least 210 s", 21.0, 0.6),
    ]
    assert [row["kind"] for row in point["rows"]] == [NOT_PROPOSED, "present limit", "tighter"]
    # Not by colour alone: each standing has its own shape and its name in the legend.
    assert len(set(point["encoding"]["shape"]["scale"]["range"])) == 3
    assert NOT_PROPOSED in point["encoding"]["color"]["scale"]["domain"]


@pytest.mark.parametrize("draw", [lambda study: risk_by_reading(study, name="x"), flagged_and_spared])
def test_a_study_without_estimates_is_an_empty_chart(draw: Any) -> None:
    empty = LimitStudy(factor="bond_wait", defect="debonding", unit="", horizon=12, why_not="nothing")
    assert all(layer["rows"] in ([], [{"at": 0.0}]) for layer in layers(draw(empty)))


def test_power_by_months_and_how_often_is_asked_for() -> None:
    chart = trial_power(PLAN)
    rows = layer_of(chart, "line")["rows"]
    assert {row["fall"] for row in rows} == {"fall by 30 %", "fall by 50 %"}
    assert [(row["months"], row["power"], row["restorations"]) for row in rows][:2] == [(6, 0.3, 602), (12, 0.3, 1205)]
    assert layer_of(chart, "rule")["rows"] == [{"at": 0.8}]
    # The falls differ in their dashes, which also print in one colour.
    dashes = layer_of(chart, "line")["encoding"]["strokeDash"]["scale"]["range"]
    assert dashes[0] != dashes[1]


def test_the_calendar_shows_each_group_week_by_week() -> None:
    chart = trial_calendar(PLAN)
    rows = layer_of(chart, "bar")["rows"]
    assert [(row["group"], row["begins"], row["after"], row["kind"]) for row in rows] == [
        ("A: T01, T03", "2026-11-02", "2026-11-09", "with the action"),
        ("A: T01, T03", "2026-11-09", "2026-11-16", "without"),
    ]


def test_a_plan_without_figures_is_an_empty_chart() -> None:
    bare = TrialPlan(
        factor="bond_wait",
        defects=("debonding",),
        design="staggered",
        effect=0.5,
        error=0.05,
        power=0.8,
        months_max=24,
        starts_on=MONDAY,
        missing="two technicians",
    )
    assert [layer["kind"] for layer in layers(trial_power(bare))] == ["rule"]
    assert layer_of(trial_calendar(bare), "bar")["rows"] == []

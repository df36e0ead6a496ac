"""The charts of an action since its start, and of what actions are worth together, as they are handed over."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

from remakes import charts
from remakes.actions.ranking import RankedAction
from remakes.charts.base import Chart
from remakes.evidence.estimate import UNKNOWN, Estimate
from tests.sample_follow_up import CHANGE, FOUND


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


def test_returns_stand_against_those_expected_and_against_what_decides() -> None:
    point = layer_of(charts.returns_since_start(FOUND), "point")
    by_kind: dict[str, list[tuple[str, float]]] = {}
    for row in point["rows"]:
        by_kind.setdefault(row["kind"], []).append((row["until"], row["returns"]))
    # A look is at the end of the last day before the next period.
    assert by_kind["came back"] == [("2026-03-31", 1), ("2026-04-30", 3)]
    assert by_kind["expected without the action"] == [("2026-03-31", 2.35), ("2026-04-30", 6.3)]
    # No count shows a fall at the first look: nothing is drawn there.
    assert by_kind["so many or fewer: a fall is shown"] == [("2026-04-30", 0)]
    assert by_kind["so many or more: the fall worth having is excluded"] == [("2026-03-31", 8), ("2026-04-30", 12)]
    shapes = point["encoding"]["shape"]["scale"]
    assert len(set(shapes["range"])) == len(shapes["domain"]) == len(by_kind)


def test_without_looks_the_chart_of_returns_is_empty() -> None:
    assert all(not layer["rows"] for layer in layers(charts.returns_since_start(replace(FOUND, looks=()))))


def test_misses_by_week_before_and_since_with_the_start() -> None:
    chart = charts.miss_weeks(CHANGE, starts_on=date(2026, 3, 16))
    rows = layer_of(chart, "point")["rows"]
    # The week with nothing recorded has no point.
    assert [(row["week"], row["kind"], row["share"], row["says"]) for row in rows] == [
        ("2026-03-02", "before the decision", 0.2, "10 of 50 recorded"),
        ("2026-03-09", "before the decision", 0.2, "10 of 50 recorded"),
        ("2026-03-23", "since the start", 0.05, "4 of 80 recorded"),
    ]
    sides = layer_of(chart, "rect")["rows"]
    assert [(one["first"], one["last"], one["share"]) for one in sides] == [
        ("2026-03-02", "2026-03-09", 0.2),
        ("2026-03-23", "2026-03-23", 0.05),
    ]
    assert layer_of(chart, "text")["rows"] == [{"week": "2026-03-16", "says": "start"}]


def test_a_requirement_never_recorded_draws_no_share() -> None:
    empty = replace(CHANGE, weeks=(), share_before=UNKNOWN, share_after=UNKNOWN, weeks_before=0)
    kinds = [layer["kind"] for layer in layers(charts.miss_weeks(empty, starts_on=date(2026, 3, 16)))]
    assert kinds == ["rule", "text", "point"]


def action(rank: int, name: str, *, net: float, joint: float) -> RankedAction:
    one = Estimate(1.0, 0.5, 1.5)
    return RankedAction(
        action=name,
        title=name,
        rank=rank,
        avoided_per_month=one,
        net_per_month=Estimate(net, net - 10, net + 10),
        alone_avoided_per_month=one,
        alone_net_per_month=one,
        joint_avoided_per_month=one,
        joint_net_per_month=Estimate(joint, joint - 20, joint + 20),
        probability_worthwhile=0.9,
        cost_per_month=1.0,
        restorations_per_month=10.0,
        because=(),
        cautions=(),
    )


def test_net_value_together_tells_by_shape_which_action_still_adds() -> None:
    chart = charts.joint_net(
        [
            action(1, "timer", net=100, joint=100),
            action(2, "gauge", net=-30, joint=70),
            action(3, "lamp", net=5, joint=85),
        ],
        currency="EUR",
    )
    point = layer_of(chart, "point")
    assert [(row["name"], row["estimate"], row["low"], row["high"], row["kind"]) for row in point["rows"]] == [
        ("1. timer", 100, 80, 120, "adds more than it costs"),
        ("2. + gauge", 70, 50, 90, "costs more than it adds"),
        ("3. + lamp", 85, 65, 105, "may add more than it costs, or less"),
    ]
    assert point["encoding"]["shape"]["scale"]["range"] == ["circle", "square", "diamond"]
    reach = next(layer for layer in layers(chart) if "x2" in layer["encoding"])
    assert reach["encoding"]["x"]["title"][0] == "net value a month, EUR, all actions"


def test_the_order_of_actions_is_named_so_that_another_order_is_another_chart() -> None:
    one, other = action(1, "timer", net=1, joint=1), action(2, "gauge", net=1, joint=2)
    turned = [replace(other, rank=1), replace(one, rank=2)]
    for draw in (charts.joint_avoided, lambda ranked: charts.joint_net(ranked, currency="")):
        sorts = [layer_of(draw(ranked), "point")["encoding"]["y"]["sort"] for ranked in ([one, other], turned)]
        assert sorts == [["1. timer", "2. + gauge"], ["1. gauge", "2. + timer"]]

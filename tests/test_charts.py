"""The charts as they are handed over: which marks, at which values, with which words."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import pytest

from remakes import charts
from remakes.actions.ranking import RankedAction
from remakes.counts.table import FactorCounts
from remakes.evidence.checks.believability import Checks
from remakes.evidence.checks.clusters import Widest
from remakes.evidence.checks.early_late import EarlyLate, PartEffect
from remakes.evidence.checks.not_recorded import Gap, NotRecorded
from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.evidence.findings import Finding
from remakes.evidence.models.adjusted import AdjustedEffect
from remakes.evidence.tables.crude import CrudeEvidence

NAN = float("nan")


def finding(ratio: Estimate, *, crude: float = 2.0, factor: str = "bond_wait") -> Finding:
    return Finding(
        factor=factor,
        defect="debonding",
        counts=FactorCounts(
            met=100, missed=20, not_recorded=3, returns_met=4, returns_missed=5, returns_not_recorded=0
        ),
        crude=CrudeEvidence(
            odds_ratio=Estimate(crude, 1.0, 4.0),
            method="Mantel-Haenszel",
            p=0.01,
            stratified=UNKNOWN,
            homogeneity_p=NAN,
            risk_met=0.1,
            risk_missed=0.2,
            avoidable=2.0,
        ),
        adjusted=AdjustedEffect(odds_ratio=ratio, p=0.01, risk_met=0.1, risk_missed=0.2, avoidable=UNKNOWN),
        q=0.02,
        q_alike=0.04,
        plausible=True,
        detectable=2.5,
        grade="moderate",
        because="",
        cautions=(),
        compared_within=(),
    )


def checks(widest: Widest) -> Checks:
    """Checks of which only the widest interval is drawn."""
    part = PartEffect(
        odds_ratio=UNKNOWN, p=NAN, returns_met=0, returns_missed=0, returns_not_recorded=0, why_not="too few"
    )
    gaps = NotRecorded(
        factor="bond_wait",
        defect="debonding",
        recorded=120,
        unrecorded=0,
        returns_unrecorded=0,
        found=widest.odds_ratio,
        gap=Gap(odds_ratio=UNKNOWN, p=NAN),
        likely_share=NAN,
        if_none_missed=UNKNOWN,
        if_all_missed=UNKNOWN,
        lowest=UNKNOWN,
        highest=UNKNOWN,
        tipping_share=None,
        tipping=None,
        imputed=None,
        why_not="Recorded for every restoration.",
    )
    return Checks(
        clustered=(),
        widest=widest,
        left_out=(),
        gaps=gaps,
        early_late=EarlyLate(
            factor="bond_wait",
            defect="debonding",
            up_to_delivery=part,
            in_service=part,
            ratio=UNKNOWN,
            p_differ=NAN,
        ),
    )


def layers(chart: Any) -> list[dict[str, Any]]:
    """The layers, each with its own rows, which the whole chart keeps by name."""
    whole = chart.to_dict()
    named = [layer.get("data", whole.get("data")) for layer in whole["layer"]]
    return [
        {**layer, "data": {"values": whole["datasets"][data["name"]]}}
        for layer, data in zip(whole["layer"], named, strict=True)
    ]


def rows(layer: dict[str, Any]) -> list[dict[str, Any]]:
    values: list[dict[str, Any]] = layer["data"]["values"]
    return values


def of_mark(chart: Any, mark: str) -> list[dict[str, Any]]:
    return [layer for layer in layers(chart) if layer["mark"]["type"] == mark]


def test_forest_draws_estimate_interval_and_the_crude_ratio_on_a_log_axis() -> None:
    chart = charts.forest([finding(Estimate(3.0, 1.5, 6.0))], names=["bond_wait with debonding"])
    (row,) = rows(of_mark(chart, "tick")[0])
    assert (row["estimate"], row["low"], row["high"], row["crude"]) == (3.0, 1.5, 6.0, 2.0)
    assert (row["missed"], row["met"], row["grade"]) == ("5 of 20", "4 of 100", "moderate")
    reach = of_mark(chart, "rule")[1]
    assert reach["encoding"]["x"]["scale"] == {"domain": [0.5, 10.0], "nice": False, "type": "log"}
    assert reach["encoding"]["x2"] == {"field": "high"}
    assert rows(of_mark(chart, "rule")[0]) == [{"at": 1}]


def test_forest_leaves_out_what_cannot_be_estimated_and_marks_open_ends_at_the_edge() -> None:
    chart = charts.forest(
        [finding(UNKNOWN), finding(Estimate(40.0, 0.02, float("inf")), crude=NAN)], names=["left out", "kept"]
    )
    (row,) = rows(of_mark(chart, "tick")[0])
    assert row["name"] == "kept"
    assert (row["low"], row["low_open"], row["high"], row["high_open"]) == (0.1, True, 100.0, True)
    assert row["crude"] is None
    assert row["said"] == "40.00 (0.02 to inf)"
    shapes = {layer["mark"].get("shape") for layer in of_mark(chart, "point")}
    assert {"triangle-left", "triangle-right"} <= shapes


def test_forest_shows_the_wider_interval_where_restorations_of_one_clinic_may_be_alike() -> None:
    wider = Widest(source="clinic", odds_ratio=Estimate(3.0, 1.1, 120.0), p=0.03)
    own = Widest(source="model", odds_ratio=Estimate(3.0, 1.5, 6.0), p=0.01)
    chart = charts.forest(
        [replace(finding(Estimate(3.0, 1.5, 6.0)), checks=checks(one)) for one in (wider, own)], names=["wider", "own"]
    )
    first, second = rows(of_mark(chart, "tick")[0])
    assert (first["low"], first["high"], first["wide_low"], first["wide_high"]) == (1.5, 6.0, 1.1, 100.0)
    assert (first["end_high"], first["high_open"], first["low_open"]) == (100.0, True, False)
    assert (second["wide_low"], second["wide_high"], second["end_high"], second["high_open"]) == (
        None,
        None,
        6.0,
        False,
    )
    dashed = next(one for one in of_mark(chart, "rule") if one["encoding"]["x"].get("field") == "wide_low")
    assert dashed["mark"]["strokeDash"] == [3, 3]
    assert dashed["encoding"]["x2"] == {"field": "wide_high"}
    assert dashed["transform"] == [{"filter": "isValid(datum.wide_low)"}]
    # The axis reaches as far as the widest.
    assert of_mark(chart, "rule")[1]["encoding"]["x"]["scale"]["domain"] == [0.5, 100.0]


def test_forest_names_only_grades_that_are_there() -> None:
    strong = replace(finding(Estimate(3.0, 1.5, 6.0)), grade="strong")
    chart = charts.forest([finding(Estimate(2.0, 1.1, 3.0)), strong], names=["a", "b"])
    shape = next(one for one in of_mark(chart, "point") if "shape" in one["encoding"])["encoding"]["shape"]
    assert shape["legend"]["values"] == ["strong", "moderate"]


def test_forest_keeps_the_order_it_is_given() -> None:
    names = ["z", "a", "m"]
    chart = charts.forest([finding(Estimate(2.0, 1.0, 3.0)) for _ in names], names=names)
    assert [row["name"] for row in rows(of_mark(chart, "tick")[0])] == names
    assert of_mark(chart, "tick")[0]["encoding"]["y"]["sort"] is None


def test_joint_avoided_draws_what_all_actions_down_to_each_line_spare_together() -> None:
    alone, joint = Estimate(1.0, 0.5, 1.5), Estimate(2.5, 1.5, 3.5)
    action = RankedAction(
        action="bond_timer",
        title="Timer",
        rank=1,
        avoided_per_month=alone,
        net_per_month=alone,
        alone_avoided_per_month=alone,
        alone_net_per_month=alone,
        joint_avoided_per_month=joint,
        joint_net_per_month=alone,
        probability_worthwhile=0.9,
        cost_per_month=1.0,
        restorations_per_month=10.0,
        because=(),
        cautions=(),
    )
    chart = charts.joint_avoided(
        [action, replace(action, title="Calliper at the layering bench, read before the cure", rank=2)]
    )
    first, second = rows(of_mark(chart, "point")[0])
    assert (first["name"], second["name"]) == ("1. Timer", "2. + Calliper at the layering…")
    assert (first["estimate"], first["low"], first["high"]) == (2.5, 1.5, 3.5)


def test_share_pairs_tell_own_from_lab_by_shape_fill_and_words() -> None:
    pair = charts.SharePair(
        name="bond_wait", own=Estimate(0.1, 0.05, 0.2), own_of=40, lab=Estimate(0.2, 0.15, 0.25), lab_of=400
    )
    chart = charts.share_pairs([pair, replace(pair, name="none recorded", own=UNKNOWN)])
    (points,) = of_mark(chart, "point")
    assert [(row["name"], row["share"], row["of"]) for row in rows(points)] == [
        ("bond_wait", 0.1, 40),
        ("bond_wait", 0.2, 400),
    ]
    own, lab = (row["whose"] for row in rows(points))
    scales = {channel: points["encoding"][channel]["scale"] for channel in ("shape", "fill")}
    assert dict(zip(scales["shape"]["domain"], scales["shape"]["range"], strict=True)) == {
        own: "circle",
        lab: "diamond",
    }
    assert dict(zip(scales["fill"]["domain"], scales["fill"]["range"], strict=True))[lab] == "transparent"
    (reach,) = of_mark(chart, "rule")
    assert reach["transform"] == [{"filter": f"(datum.whose === '{own}')"}]


def luminance(colour: str) -> float:
    # WCAG 2.1, definition of relative luminance.
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (one / 12.92 if one <= 0.03928 else ((one + 0.055) / 1.055) ** 2.4 for one in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("ground", ["#fcfbf8", "#15181c"])
def test_colours_of_marks_stand_out_from_both_grounds(ground: str) -> None:
    # WCAG 2.1, success criterion 1.4.11: 3:1 for graphical objects.
    pair = charts.SharePair(name="a", own=Estimate(0.1, 0.05, 0.2), own_of=4, lab=Estimate(0.2, 0.1, 0.3), lab_of=9)
    both = charts.forest([finding(Estimate(3.0, 1.5, 6.0))], names=["a"]), charts.share_pairs([pair])
    used = set(re.findall(r"#[0-9a-fA-F]{6}", str([chart.to_dict() for chart in both])))
    assert len(used) == 3
    for colour in used:
        light, dark = sorted((luminance(ground), luminance(colour)), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 3.0, colour

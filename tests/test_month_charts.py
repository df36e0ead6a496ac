"""The charts of Month in review as they are handed over: which marks, at which values, with which words."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import pytest

from remakes import charts
from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.trends.delay.nowcast import NowcastMonth
from tests import sample_months as sample
from tests.test_charts import layers, luminance, of_mark, rows

NAN = float("nan")


def shapes(points: dict[str, Any], field: str = "shape") -> dict[str, str]:
    """What stands for each kind."""
    scale = points["encoding"][field]["scale"]
    return dict(zip(scale["domain"], scale["range"], strict=True))


def by_month(layer: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {row["month"]: row for row in rows(layer)}


def test_returns_stand_in_their_limits_and_signals_have_a_shape_and_words_of_their_own() -> None:
    chart = charts.judged_months(sample.judged_defect(), nowcast=sample.nowcast().of("all"))
    (points,) = of_mark(chart, "point")
    found = by_month(points)
    assert [row["kind"] for row in found.values()] == [
        *["counted, not judged"] * 6,
        *["within the limits"] * 11,
        *["signal"] * 2,
        "still coming in",
    ]
    assert found["2026-07"] | {"value": 19, "low": 3.0, "high": 18.0, "centre": 10.2} == found["2026-07"]
    assert len(set(shapes(points).values())) == 4
    assert shapes(points)["signal"] == "diamond"
    (said,) = (one for one in of_mark(chart, "text") if one["encoding"]["text"]["field"] == "signals")
    assert said["transform"] == [{"filter": "datum.kind == 'signal'"}]
    assert by_month(said)["2026-07"]["signals"] == "above the limit, slow rise"
    # Room above for the words; nothing is cut off.
    line = of_mark(chart, "line")[-1]
    assert line["encoding"]["y"]["scale"]["domain"][1] > 21
    (began,) = (one for one in of_mark(chart, "text") if one["encoding"]["text"]["field"] == "says")
    assert rows(began) == [{"month": "2026-05", "says": "likely began"}]


def test_an_unfinished_month_is_open_not_joined_and_shows_where_it_may_end() -> None:
    chart = charts.judged_months(sample.judged_defect(), nowcast=sample.nowcast().of("all"))
    (points,) = of_mark(chart, "point")
    last = by_month(points)["2026-08"]
    assert (last["lowest"], last["likely"], last["highest"]) == (10.0, 12.4, 16.0)
    assert last["joined"] is False
    assert shapes(points, "fill")["still coming in"] == "transparent"
    assert of_mark(chart, "line")[-1]["transform"] == [{"filter": "datum.joined"}]
    (reach,) = (one for one in of_mark(chart, "rule") if one["encoding"].get("y", {}).get("field") == "lowest")
    assert reach["mark"]["strokeDash"]
    # Without the range, up to the one figure there is.
    plain = by_month(of_mark(charts.judged_months(sample.judged_defect()), "point")[0])["2026-08"]
    assert (plain["lowest"], plain["likely"], plain["highest"]) == (9.0, 12.4, 12.4)


def test_limits_of_a_whole_month_are_not_drawn_beside_an_unfinished_one() -> None:
    judged = sample.judged_defect()
    open_month = replace(judged.months[-1], expected=10.0, low=3.0, high=18.0)
    chart = charts.judged_months(replace(judged, months=(*judged.months[:-1], open_month)))
    assert by_month(of_mark(chart, "point")[0])["2026-08"]["high"] is None


def test_a_small_lab_gets_counts_without_limits_and_no_empty_layer() -> None:
    counts = sample.review(enough=False).report_months.of("all")
    chart = charts.judged_months(replace(counts, months=counts.months[:6]))
    assert [layer["mark"]["type"] for layer in layers(chart)] == ["line", "point"]
    assert {row["kind"] for row in rows(of_mark(chart, "point")[0])} == {"counted, not judged"}


def test_only_the_latest_months_are_drawn() -> None:
    chart = charts.judged_months(sample.judged_defect(), latest=4)
    assert list(by_month(of_mark(chart, "point")[0])) == sample.MONTHS[-4:]


@pytest.mark.parametrize("months", [0, 1])
def test_no_month_or_one_draws_without_fault(months: int) -> None:
    judged = sample.judged_defect()
    one = replace(judged.months[0], returns=0)
    chart = charts.judged_months(replace(judged, months=(one,) * months, since=None))
    assert len(rows(of_mark(chart, "point")[0])) == months


def test_a_late_range_of_nothing_draws_nothing() -> None:
    judged = sample.judged_defect()
    nothing = NowcastMonth(month="2026-08", defect="all", reported=9, late=Estimate(0.0, 0.0, 0.0), completeness=1.0)
    assert by_month(of_mark(charts.judged_months(judged, nowcast=(nothing,)), "point")[0])["2026-08"]["likely"] is None


def test_deliveries_that_are_too_young_differ_in_shape_fill_dash_and_words() -> None:
    one, *_ = (each for each in sample.shares() if each.within_months == 3)
    chart = charts.shares_by_delivery(
        [one, replace(one, month="2026-02", mature=False), replace(one, month="2026-03", mature=False, share=UNKNOWN)]
    )
    points = of_mark(chart, "point")[0]
    old, young = (row["age"] for row in rows(points))
    assert (old, young) == ("observed long enough", "still too young: the figure may change")
    assert shapes(points) == {old: "circle", young: "triangle-up"}
    assert shapes(points, "fill")[young] == "transparent"
    dashes = {layer["transform"][0]["filter"]: layer["mark"]["strokeDash"] for layer in of_mark(chart, "rule")}
    assert dashes == {f"(datum.age === '{old}')": [1, 0], f"(datum.age === '{young}')": [3, 3]}


def test_parts_start_with_the_whole_and_keep_their_order_around_a_zero_line() -> None:
    chart = charts.parts(sample.what_changed())
    (points,) = of_mark(chart, "point")
    assert [(row["name"], row["returns"], row["low"], row["high"]) for row in rows(points)] == [
        ("all together", 28.0, 12.0, 44.0),
        ("restorations in service", 4.0, 4.0, 4.0),
        ("misses of bond_wait", 9.0, 3.0, 15.0),
        ("rest", 15.0, -1.0, 31.0),
    ]
    assert points["encoding"]["y"]["sort"] is None
    assert rows(of_mark(chart, "rule")[0]) == [{"at": 0}]
    assert rows(points)[3]["said"] == "+15.0 (−1.0 to +31.0)"
    assert shapes(points)["what is left over"] == "square"


def test_parts_without_an_estimate_are_left_out_and_open_ranges_have_no_rule() -> None:
    changed = sample.what_changed()
    first, *others = changed.parts
    odd = replace(changed, parts=(replace(first, returns=UNKNOWN), replace(others[0], returns=Estimate(1.0, NAN, NAN))))
    found = rows(of_mark(charts.parts(odd), "point")[0])
    assert [row["name"] for row in found] == ["all together", "misses of bond_wait"]
    assert found[1]["low"] is None


def test_parts_too_small_to_see_are_left_to_the_table_but_never_the_rest() -> None:
    changed = sample.what_changed()
    first, second, rest = changed.parts
    small = replace(
        changed, parts=(replace(first, returns=Estimate(0.1, -0.2, 0.4)), second, replace(rest, returns=UNKNOWN))
    )
    tiny_rest = replace(small, parts=(*small.parts[:2], replace(rest, returns=Estimate(0.0, -0.1, 0.1))))
    assert [row["name"] for row in rows(of_mark(charts.parts(tiny_rest), "point")[0])] == [
        "all together",
        "misses of bond_wait",
        "rest",
    ]


def test_sources_are_drawn_towards_the_others_with_the_plain_ratio_beside() -> None:
    figures = [
        sample.source("L07", out=True),
        sample.source("L08", raw=Estimate(0.0, 0.0, 4.0)),
        sample.source("L09", ratio=UNKNOWN),
    ]
    chart = charts.source_ratios(figures, names=["a", "b", "c"])
    first, second = rows(of_mark(chart, "point")[0])
    assert (first["ratio"], first["raw"], first["kind"]) == (2.6, 3.1, "stands out")
    # A log axis has no 0.
    assert (second["raw"], second["kind"]) == (None, "does not stand out")
    assert len(set(shapes(of_mark(chart, "point")[0]).values())) == 2
    assert of_mark(chart, "rule")[1]["encoding"]["x"]["scale"]["domain"] == [0.5, 5.0]


def test_the_bench_shows_what_was_missed_or_what_was_not_recorded() -> None:
    one = sample.factor("bond_wait", signal=True)
    missed, gaps = (charts.bench_months(one, kind=kind) for kind in ("missed", "not recorded"))
    found = by_month(of_mark(missed, "point")[0])
    assert (found["2026-07"]["value"], found["2026-07"]["kind"]) == (0.28, "signal")
    assert found["2025-01"]["kind"] == "counted, not judged"
    assert found["2026-07"]["missed"] == "25 of 90 recorded"
    assert {row["kind"] for row in rows(of_mark(gaps, "point")[0])} == {"counted, not judged", "within the limits"}
    assert of_mark(missed, "line")[-1]["encoding"]["y"]["axis"] == {"format": "%"}


def test_a_month_with_nothing_recorded_has_no_point() -> None:
    one = sample.factor("bond_wait")
    empty = replace(one.months[0], recorded=0, missed=0, miss_share=UNKNOWN)
    chart = charts.bench_months(replace(one, months=(empty, *one.months[1:])), kind="missed")
    assert by_month(of_mark(chart, "point")[0])["2025-01"]["value"] is None


@pytest.mark.parametrize("ground", ["#fcfbf8", "#15181c"])
def test_colours_of_marks_stand_out_from_both_grounds(ground: str) -> None:
    # WCAG 2.1, success criterion 1.4.11: 3:1 for graphical objects.
    drawn = [
        charts.judged_months(sample.judged_defect(), nowcast=sample.nowcast().of("all")),
        charts.parts(sample.what_changed()),
        charts.source_ratios([sample.source("L07", out=True)], names=["a"]),
    ]
    used = set(re.findall(r"#[0-9a-fA-F]{6}", str([chart.to_dict() for chart in drawn])))
    assert len(used) == 3
    for colour in used:
        light, dark = sorted((luminance(ground), luminance(colour)), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 3.0, colour

"""The curves of cumulative incidence as they are handed over."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from remakes.charts.base import BLUE, ORANGE
from remakes.charts.incidence import LEAST_AT_RISK, cumulative_incidence
from remakes.counts.service import ServiceMonths
from remakes.evidence.checks.incidence import CumulativeIncidence, incidence_in_service


def curve(
    *, restorations: int = 1030, early: int = 30, months: int = 30, back: int = 2, gone: int = 3
) -> CumulativeIncidence:
    """The same numbers come back and are replaced every month; all others are seen to the end."""
    leaving = np.full(months, back + gone)
    at_risk = restorations - early - np.concatenate([[0], leaving.cumsum()[:-1]])
    censored = np.zeros(months, dtype=np.int64)
    censored[-1] = at_risk[-1] - leaving[-1]
    return incidence_in_service(
        ServiceMonths(
            status="met",
            restorations=restorations,
            early=np.array([early, *[0] * (months - 1)]),
            at_risk=at_risk,
            events=np.full(months, back),
            removed=np.full(months, gone),
            censored=censored,
        )
    )


def layers(met: CumulativeIncidence, missed: CumulativeIncidence) -> dict[str, dict[str, Any]]:
    """Layers by mark, with their rows."""
    whole = cumulative_incidence(met, missed).to_dict()
    found = {}
    for layer in whole["layer"]:
        named = layer.get("data", whole.get("data"))
        rows = whole["datasets"][named["name"]] if "name" in named else named["values"]
        found[layer["mark"]["type"]] = layer | {"rows": rows}
    return found


def test_steps_bands_and_their_values() -> None:
    met = curve()
    drawn = layers(met, curve(back=8))
    assert {name: layer["mark"].get("interpolate") for name, layer in drawn.items()} == {
        "area": "step-after",
        "line": "step-after",
        "point": None,
    }
    rows = [row for row in drawn["line"]["rows"] if row["status"] == "kept"]
    # Two years, and time 0 for what was found up to delivery.
    assert [row["month"] for row in rows] == list(range(25))
    assert rows[0]["share"] == pytest.approx(30 / 1030)
    at_a_year = met.within(12)
    assert (rows[12]["share"], rows[12]["low"], rows[12]["high"]) == (
        at_a_year.estimate,
        at_a_year.low,
        at_a_year.high,
    )
    assert drawn["area"]["encoding"]["y2"] == {"field": "high"}
    assert drawn["area"]["encoding"]["y"]["axis"] == {"format": "%"}


def test_the_groups_differ_in_dash_and_name_and_not_in_colour_alone() -> None:
    line = layers(curve(), curve(back=8))["line"]["encoding"]
    dash, colour = line["strokeDash"]["scale"], line["color"]["scale"]
    assert dict(zip(dash["domain"], map(tuple, dash["range"]), strict=True)) == {"kept": (1, 0), "missed": (6, 3)}
    assert dict(zip(colour["domain"], colour["range"], strict=True)) == {"kept": BLUE, "missed": ORANGE}
    # The same title, field and domain: one legend shows both.
    assert line["strokeDash"]["legend"] == line["color"]["legend"]


def test_the_axis_names_how_many_are_still_at_risk() -> None:
    axis = layers(curve(), curve(restorations=60, early=0, back=0, gone=1))["line"]["encoding"]["x"]
    assert axis["axis"]["values"] == [0, 3, 6, 12, 24]
    labels = json.loads(axis["axis"]["labelExpr"].removesuffix("[datum.value]"))
    assert labels == {
        "0": ["0", "kept 1,000", "missed 60"],
        "3": ["3", "985", "57"],
        "6": ["6", "970", "54"],
        "12": ["12", "940", "48"],
        "24": ["24", "880", "36"],
    }
    assert axis["title"][0] == "months since delivery"


def test_a_curve_ends_where_few_are_left_and_an_empty_one_is_left_out() -> None:
    short = curve(restorations=40, early=0, months=10, back=2, gone=2)
    rows = layers(curve(), short)["line"]["rows"]
    missed = [row for row in rows if row["status"] == "missed"]
    # 40, 36, 32 ... at the start of the months; the ninth begins with 8.
    assert missed[-1]["month"] == 8
    assert LEAST_AT_RISK == 10
    none = np.zeros(5, dtype=np.int64)
    empty = incidence_in_service(
        ServiceMonths(
            status="missed", restorations=0, early=none, at_risk=none, events=none, removed=none, censored=none
        )
    )
    assert {row["status"] for row in layers(curve(), empty)["line"]["rows"]} == {"kept"}


def test_values_that_do_not_exist_are_null() -> None:
    all_back = curve(restorations=12, early=0, months=1, back=12, gone=0)
    rows = layers(curve(), all_back)["line"]["rows"]
    last = [row for row in rows if row["status"] == "missed"][-1]
    assert (last["share"], last["low"], last["high"]) == (1.0, None, None)

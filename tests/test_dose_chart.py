"""The chart of a dose-response as it is handed over: which marks, at which values, with which words."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from remakes.charts.dose import dose_response
from remakes.counts.readings import Band, Limit
from remakes.evidence.checks.dose import BandRisk, DoseResponse
from remakes.evidence.estimate import UNKNOWN, Estimate


def band(median: float, ratio: Estimate, *, keeps: bool, reference: bool = False) -> BandRisk:
    edges = {"low": median - 0.1, "high": median + 0.1, "least": median, "most": median}
    return BandRisk(
        band=Band(label=f"{median:g}", median=median, restorations=200, **edges),
        returns=9,
        odds_ratio=ratio,
        reference=reference,
        keeps=keeps,
    )


LIMIT = Limit(value=1.0, side="low", restorations=600, present=True)
DOSE = DoseResponse(
    factor="veneer_mm",
    defect="chipping",
    unit="mm",
    plausible=True,
    limits=(LIMIT, Limit(value=0.8, side="low", restorations=100, present=False)),
    bands=(
        band(0.7, Estimate(4.0, 2.0, 8.0), keeps=False),
        band(1.0, Estimate(1.2, 0.4, 3.0), keeps=True),
        band(1.3, Estimate(1.0, 1.0, 1.0), keeps=True, reference=True),
    ),
    trend=None,
    kept=None,
    missed=None,
    changes=(),
)


def layers(chart: Any) -> list[dict[str, Any]]:
    whole = chart.to_dict()
    return [
        {**layer, "rows": whole["datasets"][layer.get("data", whole.get("data"))["name"]]} for layer in whole["layer"]
    ]


def of_mark(chart: Any, mark: str) -> list[dict[str, Any]]:
    return [layer for layer in layers(chart) if layer["mark"]["type"] == mark]


def points(chart: Any) -> dict[str, Any]:
    """The layer of the estimates: the points whose shape says what they are."""
    (layer,) = [layer for layer in of_mark(chart, "point") if "shape" in layer["encoding"]]
    return layer


def test_points_stand_at_the_median_with_their_interval_and_counts() -> None:
    chart = dose_response(DOSE, name="veneer thickness")
    rows = points(chart)["rows"]
    assert [(row["median"], row["estimate"], row["low"], row["high"]) for row in rows] == [
        (0.7, 4.0, 2.0, 8.0),
        (1.0, 1.2, 0.4, 3.0),
        (1.3, 1.0, 1.0, 1.0),
    ]
    encoding = points(chart)["encoding"]
    assert encoding["x"]["field"] == "median"
    assert encoding["x"]["title"] == "veneer thickness (mm), median of each band"
    assert encoding["x"]["scale"]["zero"] is False
    reach = next(layer for layer in of_mark(chart, "rule") if "y2" in layer["encoding"])
    assert reach["encoding"]["y"]["scale"]["type"] == "log"
    assert reach["encoding"]["y2"] == {"field": "high"}
    counts = next(layer for layer in of_mark(chart, "text") if layer["encoding"]["text"]["field"] == "counts")
    assert [row["counts"] for row in counts["rows"]] == ["9 of 200"] * 3


def test_every_interval_has_room_on_the_axis() -> None:
    reach = next(layer for layer in of_mark(dose_response(DOSE, name="x"), "rule") if "y2" in layer["encoding"])
    bottom, top = reach["encoding"]["y"]["scale"]["domain"]
    assert bottom <= 0.4
    assert top >= 8.0
    assert 1 in reach["encoding"]["y"]["axis"]["values"]


def test_a_dashed_line_at_one_and_a_labelled_rule_at_the_limit_in_force() -> None:
    chart = dose_response(DOSE, name="veneer thickness")
    across = next(layer for layer in of_mark(chart, "rule") if layer["rows"] == [{"at": 1.0}])
    assert across["encoding"] == {"y": {"field": "at", "type": "quantitative"}}
    assert across["mark"]["strokeDash"]
    upright = next(layer for layer in of_mark(chart, "rule") if "says" in layer["rows"][0])
    assert upright["rows"] == [{"at": 1.0, "says": "limit: at least 1 mm"}]
    assert upright["encoding"]["x"]["field"] == "at"
    label = next(layer for layer in of_mark(chart, "text") if layer["encoding"]["text"]["field"] == "says")
    assert label["rows"] == upright["rows"]


def test_two_limits_are_two_rules() -> None:
    both = replace(DOSE, unit="", limits=(LIMIT, Limit(value=2.0, side="high", restorations=600, present=True)))
    label = next(
        layer
        for layer in of_mark(dose_response(both, name="x"), "text")
        if layer["encoding"]["text"]["field"] == "says"
    )
    assert [row["says"] for row in label["rows"]] == ["limit: at least 1", "limit: at most 2"]


def test_what_a_point_is_shows_in_shape_fill_and_words() -> None:
    layer = points(dose_response(DOSE, name="x"))
    assert [row["kind"] for row in layer["rows"]] == [
        "beyond the limit",
        "keeps the limit",
        "compared with (1 by definition)",
    ]
    shape = layer["encoding"]["shape"]
    assert shape["scale"]["domain"] == layer["encoding"]["fill"]["scale"]["domain"]
    assert len(set(shape["scale"]["range"])) == 3
    assert shape["legend"]["title"] == "readings"
    assert "transparent" in layer["encoding"]["fill"]["scale"]["range"]


def test_open_ends_are_drawn_at_the_edge_with_an_arrow_head_and_told_in_full() -> None:
    wide = band(0.7, Estimate(60.0, 0.01, float("inf")), keeps=False)
    chart = dose_response(replace(DOSE, bands=(wide, *DOSE.bands[1:])), name="x")
    row = points(chart)["rows"][0]
    assert (row["estimate"], row["low"], row["high"]) == (50.0, 0.05, 50.0)
    assert (row["low_open"], row["high_open"]) == (True, True)
    assert row["said"] == "60.00 (0.01 to inf)"
    assert {layer["mark"].get("shape") for layer in of_mark(chart, "point")} >= {"triangle-down", "triangle-up"}


@pytest.mark.parametrize("left", [0, 2])
def test_bands_without_an_estimate_are_left_out(left: int) -> None:
    bands = tuple(one if k < left else replace(one, odds_ratio=UNKNOWN) for k, one in enumerate(DOSE.bands))
    chart = dose_response(replace(DOSE, bands=bands), name="x")
    assert len(points(chart)["rows"]) == left

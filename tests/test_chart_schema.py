"""Every chart is held against the schema of the charting language here, since the pages hand charts over unchecked."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable, Mapping
from datetime import date
from typing import Any, Final

import altair as alt
import pytest
from altair.utils.schemapi import SchemaValidationError

from remakes import charts
from remakes.charts.base import Chart, data, layered, specification
from remakes.charts.limit_preview import readings_and_limits
from remakes.charts.limit_study import flagged_and_spared, risk_by_reading
from remakes.charts.trial import trial_calendar, trial_power
from remakes.evidence.estimate import Estimate
from remakes.records.requirements import Rule
from remakes.texts import speak
from tests import sample_months as sample
from tests.sample_follow_up import CHANGE, FOUND
from tests.test_action_charts import PLAN, STUDY
from tests.test_charts import finding
from tests.test_dose_chart import DOSE
from tests.test_follow_up_chart import action
from tests.test_incidence_chart import curve

RANKED: Final = [action(1, "timer", net=100, joint=100), action(2, "gauge", net=-30, joint=70)]
PAIR: Final = charts.SharePair(
    name="bond_wait", own=Estimate(0.1, 0.05, 0.2), own_of=4, lab=Estimate(0.2, 0.1, 0.3), lab_of=9
)
PRESENT, NEW = Rule(kind="at_least", low=2.0), Rule(kind="between", low=3.0, high=9.0)
DRAWN: Final[Mapping[str, Callable[[], Chart]]] = {
    "bench_months": lambda: charts.bench_months(sample.factor("bond_wait", signal=True), kind="missed"),
    "cumulative_incidence": lambda: charts.cumulative_incidence(curve(), curve(back=9)),
    "dose_response": lambda: charts.dose_response(DOSE, name="veneer"),
    "flagged_and_spared": lambda: flagged_and_spared(STUDY),
    "forest": lambda: charts.forest([finding(Estimate(3.0, 0.01, float("inf")))], names=["a"]),
    "joint_avoided": lambda: charts.joint_avoided(RANKED),
    "joint_net": lambda: charts.joint_net(RANKED, currency="EUR"),
    "judged_months": lambda: charts.judged_months(sample.judged_defect(), nowcast=sample.nowcast().of("all")),
    "miss_weeks": lambda: charts.miss_weeks(CHANGE, starts_on=date(2026, 3, 16)),
    "parts": lambda: charts.parts(sample.what_changed()),
    "readings_and_limits": lambda: readings_and_limits([(1.0, 2), (2.5, 1)], PRESENT, NEW, name="wait", unit="s"),
    "returns_since_start": lambda: charts.returns_since_start(FOUND),
    "risk_by_reading": lambda: risk_by_reading(STUDY, name="wait"),
    "share_pairs": lambda: charts.share_pairs([PAIR]),
    "shares_by_delivery": lambda: charts.shares_by_delivery([one for one in sample.shares() if one.within_months == 3]),
    "source_ratios": lambda: charts.source_ratios([sample.source("L07", out=True)], names=["a"]),
    "trial_calendar": lambda: trial_calendar(PLAN),
    "trial_power": lambda: trial_power(PLAN),
}


def public_charts() -> set[str]:
    """Functions of the folder that give a chart; those that others are made of are drawn through these."""
    modules = [
        importlib.import_module(f"{charts.__name__}.{one.name}") for one in pkgutil.iter_modules(charts.__path__)
    ]
    shared = {"in_limits", "layered"}
    named = {(name, getattr(module, name)) for module in modules for name in module.__all__}
    found = {name for name, one in named if getattr(one, "__annotations__", {}).get("return") == "Chart"}
    return found - shared


def test_no_chart_is_left_unchecked() -> None:
    assert public_charts() == set(DRAWN)


@pytest.mark.parametrize("name", DRAWN)
def test_a_chart_keeps_to_the_schema_and_is_handed_over_as_it_was_checked(name: str) -> None:
    chart = DRAWN[name]()
    checked = chart.to_dict()  # raises where anything is not in the schema
    handed_over = specification(chart, ink="#44484f")
    assert {**handed_over, "config": None} == {**checked, "config": None}
    assert any(handed_over["datasets"].values())


def test_a_piece_that_the_schema_does_not_know_is_refused_with_the_whole_chart() -> None:
    odd: dict[str, Any] = {"tickCount": "many of them"}
    wrong = data([{"a": 1}]).mark_point().encode(x=alt.X("a:Q", axis=alt.Axis(**odd)))
    with pytest.raises(SchemaValidationError):
        layered(wrong, height=10).to_dict()


def test_the_words_of_a_chart_are_in_the_ink_of_the_page_and_numbers_in_the_language_of_the_reader() -> None:
    def config() -> dict[str, Any]:
        found: dict[str, Any] = specification(DRAWN["trial_power"](), ink="#c9cdd2")["config"]
        return found

    assert config()["axis"] == config()["legend"] == {"labelColor": "#c9cdd2", "titleColor": "#c9cdd2"}
    assert "locale" not in config()
    speak("de")
    try:
        assert config()["locale"]["number"]["decimal"] == ","
    finally:
        speak("en")


def test_layers_of_the_same_rows_carry_them_once() -> None:
    base = data([{"a": 1}]).encode(x=alt.X("a:Q"))
    drawn = layered(base.mark_point(), base.mark_rule(), data([{"a": 2}]).mark_tick(), height=10).to_dict()
    first, second, third = (layer["data"]["name"] for layer in drawn["layer"])
    assert first == second != third
    assert drawn["datasets"] == {first: [{"a": 1}], third: [{"a": 2}]}

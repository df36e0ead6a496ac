"""Pages as a reader of German sees them: nothing of their own left in English, and links that mean the same."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from remakes import charts
from remakes.texts import speak
from remakes.views import state
from tests import sample_months as sample
from tests.views.lab import texts


def _months() -> None:
    from remakes.texts import speak
    from remakes.views import frame, months

    speak("de")
    frame.page("Month in review", months.body)()


@pytest.fixture
def page(small_lab: object, monkeypatch: pytest.MonkeyPatch) -> AppTest:
    made = sample.review()
    monkeypatch.setattr(
        state, "months", lambda month=None: SimpleNamespace(**vars(made) | {"month": month or made.month})
    )
    monkeypatch.setattr(state, "restorations_from", lambda *_: ())
    app = AppTest.from_function(_months, default_timeout=60)
    app.session_state["role"] = "quality"
    return app


def _control(page: AppTest, key: str) -> Any:
    return next(one for one in page.get("button_group") if one.key == key)


def test_an_address_in_english_opens_the_same_part_in_german_and_stays_as_it_is(page: AppTest) -> None:
    page.query_params["part"] = "Deliveries"
    page.query_params["defect"] = "Chipping"
    page.run()
    assert not page.exception
    assert page.title[0].value == "Monatsrückblick"
    assert _control(page, "part").value == "Deliveries"
    assert page.selectbox(key="defect").value == "chipping"
    assert page.query_params["part"] in ("Deliveries", ["Deliveries"])
    assert page.query_params["defect"] in ("Chipping", ["Chipping"])
    assert "kamen" in page.header[0].value or "Noch" in page.header[0].value


@pytest.mark.parametrize("part", ["Is it different?", "Deliveries", "Lots and machines", "At the bench"])
def test_heads_of_tables_and_captions_are_german(page: AppTest, part: str) -> None:
    page.query_params["part"] = part
    page.run()
    assert not page.exception
    shown = texts(page)
    assert "Wie sicher ist das?" in [one.value for one in page.subheader]
    for english in ("The latest", "By month", "Months differ", "Returns within", "A lot", "A share of"):
        assert english not in shown
    heads = {str(head) for one in page.dataframe for head in one.value.columns}
    assert not heads & {"month", "defect", "expected", "requirement", "made with", "delivered in"}


def test_charts_write_numbers_and_months_as_german_does() -> None:
    pairs = [sample.review().report_months.of("all")]
    assert "locale" not in charts.judged_months(pairs[0]).to_dict().get("config", {})
    speak("de")
    try:
        drawn = charts.judged_months(pairs[0]).to_dict()
    finally:
        speak("en")
    assert drawn["config"]["locale"]["number"]["decimal"] == ","
    assert "Meldemonat" in str(drawn)

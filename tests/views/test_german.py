"""Pages as a reader of German sees them: nothing of their own left in English, and links that mean the same."""

from __future__ import annotations

import ast
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

import remakes
from remakes import charts, words
from remakes.counts.sources import Source
from remakes.records import backups, decision_steps
from remakes.records.change_log import Change
from remakes.records.codes import defect_in_text
from remakes.records.requirements import Rule
from remakes.reports.month_table import month_signals
from remakes.texts import in_a_row, later, speak, speaking, t
from remakes.texts.said import catalogue
from remakes.views import state
from remakes.views.setup_parts import change_said, changes
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


@pytest.mark.parametrize(
    ("part", "key", "picked", "address"),
    [
        ("Deliveries", "within", "12", "12"),
        ("Lots and machines", "source", "bonding lot L08", "bonding lot L08"),
    ],
)
def test_what_is_picked_in_german_makes_an_address_that_every_reader_can_open(
    page: AppTest, part: str, key: str, picked: str, address: str
) -> None:
    page.query_params["part"] = part
    page.run()
    control = _control(page, key) if key == "within" else page.selectbox(key=key)
    # The test's own thread names the options, too.
    with speaking("de"):
        control.set_value(picked).run()
    assert not page.exception
    assert page.query_params[key] in (address, [address])


@pytest.mark.parametrize(
    ("part", "key", "address"),
    [
        ("Deliveries", "within", "12"),
        ("Lots and machines", "source", "bonding lot L08"),
    ],
)
def test_such_an_address_is_opened_in_german(page: AppTest, part: str, key: str, address: str) -> None:
    page.query_params["part"] = part
    page.query_params[key] = address
    page.run()
    assert not page.exception
    control = _control(page, key) if key == "within" else page.selectbox(key=key)
    assert control.value == address
    assert page.query_params[key] in (address, [address])


def _said(told: ast.expr) -> str:
    """The words of a literal, or of one that is kept for later."""
    literal = told.args[0] if isinstance(told, ast.Call) else told
    assert isinstance(literal, ast.Constant)
    return str(literal.value)


def test_what_a_worker_says_about_its_progress_is_german() -> None:
    """Workers speak English; the page says it again."""
    files = ("flow/months.py", "flow/analysis.py", "counts/patterns.py", "evidence/findings.py")
    spoken = [
        _said(node.args[0])
        for name in (*files, "evidence/checks/interactions.py")
        for node in ast.walk(ast.parse((Path(remakes.__file__).parent / name).read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in ("tell", "progress")
        and not isinstance(node.args[0], ast.Name)
    ]
    assert len(spoken) >= 10
    with speaking("de"):
        assert [text for text in spoken if t(text) == text] == []


def _noted(argument: str) -> set[str]:
    """What the code writes into the log for one argument, also where the call that notes gets it handed on."""
    return {
        str(each.value)
        for file in Path(remakes.__file__).parent.rglob("*.py")
        if "records" in file.parts
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        for word in node.keywords
        if word.arg == argument and _named(node) in _NOTING
        for each in ast.walk(word.value)
        if isinstance(each, ast.Constant)
    }


#: The calls that note, and those that hand on to them what is noted.
_NOTING = ("note", "_note", "_update", "_changed", "change_person", "next_step")


def _named(call: ast.Call) -> str:
    return call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")


#: Noted by a name that is chosen where it is noted.
_CHOSEN = {"deal with harm", "open harm again", "link remake", "take back link", backups._WHAT}


def test_the_change_log_has_a_sentence_for_whatever_is_noted() -> None:
    noted = _noted("what") | _noted("audited_as") | _CHOSEN | set(decision_steps._AUDITED_AS.values())
    assert len(noted) > 55
    assert noted <= set(change_said.SAID)
    # No sentence for what nothing notes.
    assert set(change_said.SAID) - noted == set()
    assert {one for one in _noted("table") if one} <= set(changes._TABLES)


def test_every_sentence_of_the_change_log_is_german_and_the_last_asks_for_what_is_always_known() -> None:
    every = [text for choices in (*change_said.SAID.values(), *change_said._SETTINGS.values()) for text in choices]
    assert all(str(one) in catalogue("de") for one in every)
    for what, choices in change_said.SAID.items():
        assert change_said._names(choices[-1]) <= {"key", "restoration", "file"}, what


def test_a_month_without_a_signal_says_so_in_german() -> None:
    month = next(one for one in sample.review().report_months.of("all").months if month_signals(one) == "no signal")
    with speaking("de"):
        assert month_signals(month) == "kein Signal"


def test_what_was_worked_out_in_english_is_said_in_german_to_its_last_word() -> None:
    with speaking("en"):
        told = in_a_row(map(defect_in_text, ("debonding", "chipping")))
        source = Source(what="equipment", step="final cure", code="F1")
        close = in_a_row([str(source), str(source)])
        signals = in_a_row([later("slow rise"), later("above the limit")])
    with speaking("de"):
        assert "debonding" not in t(told)
        assert t(close) == "final cure: Gerät F1 und final cure: Gerät F1"
        assert t(signals).startswith("langsamer Anstieg und ")
        assert t(later("month in service")) == "Gebrauchsmonat"


def test_rules_and_readings_of_a_tick_are_said_in_words() -> None:
    tick = Rule(kind="one_of", values=("yes",))
    with speaking("de"):
        assert str(tick) == "ja"
        assert str(Rule(kind="at_least", low=0.4)) == "mindestens 0,4"


def test_the_change_log_names_roles_and_particulars_in_german() -> None:
    change = Change(
        number=1,
        at=datetime.fromisoformat("2026-03-02"),
        who="technician T01",
        what="write reading",
        table="bench_readings",
        key="1",
        restoration="R1",
        detail={"restoration_id": "R1", "not_done": True, "shade_lamp": "L2"},
    )
    with speaking("de"):
        assert words.who(change.who) == "Technik T01"
        assert words.who("demo") == "demo"
        assert changes._besides(change) == "Restauration: R1; nicht ausgeführt: ja; shade_lamp: L2"
    assert change.told() == "restoration_id: R1; not_done: yes; shade_lamp: L2"

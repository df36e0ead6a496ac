"""A return entered on the page is in the records, twice only when confirmed. Undo, a dialog, needs a browser."""

from __future__ import annotations

from pathlib import Path

from streamlit.testing.v1 import AppTest

from remakes.records.look_up import latest_returns
from remakes.records.store import open_store
from remakes.views import cautions
from tests.views.lab import open_page, texts


def _filled(page: AppTest, turn: int = 0, *, defect: str = "debonding") -> AppTest:
    page.text_input(key=f"number_{turn}").set_value("R00001").run()
    page.radio(key=f"defect_{turn}").set_value(defect).run()
    return page


def _save(page: AppTest, turn: int = 0) -> AppTest:
    return page.button(key=f"save_{turn}").click().run()


def test_a_return_is_saved_with_what_was_chosen_and_the_rest_is_not_recorded(own_lab: Path) -> None:
    page = _filled(open_page("enter"))
    page.multiselect(key="others_0").set_value(["surface"])
    page.radio(key="plane_0").set_value("adhesive")
    page.radio(key="severity_0").set_value(4)
    page.text_input(key="note_0").set_value("came off while eating")
    _save(page)
    assert not page.exception
    assert "Saved" in page.success[0].value
    second, first = latest_returns(open_store(str(own_lab)), limit=2)
    assert (first.defect, first.primary, first.plane, first.severity) == ("debonding", True, "adhesive", 4)
    assert (second.defect, second.primary, second.plane) == ("surface", False, None)
    assert first.return_id == second.return_id
    assert first.note == "came off while eating"
    assert (first.harm, first.found_at, first.bare_metal_pct, first.judged_by) == (None, None, None, None)
    assert page.text_input(key="number_1").value == ""


def test_the_plane_is_asked_only_where_a_veneer_broke(own_lab: Path) -> None:
    page = _filled(open_page("enter"), defect="surface")
    assert "plane_0" not in [radio.key for radio in page.radio]
    page.radio(key="defect_0").set_value("chipping").run()
    assert "plane_0" in [radio.key for radio in page.radio]


def test_possible_harm_is_answered_at_once(own_lab: Path) -> None:
    page = _filled(open_page("enter"))
    assert not page.error
    page.radio(key="harm_0").set_value("yes").run()
    assert page.error[0].value == cautions.HARM
    assert "the same day" in page.error[0].value


def test_the_same_defect_again_is_asked_about_and_saved_when_confirmed(own_lab: Path) -> None:
    page = _save(_filled(open_page("enter")))
    _save(_filled(page, 1), 1)
    assert "already reports debonding" in page.warning[0].value
    store = open_store(str(own_lab))
    before = latest_returns(store, limit=1)
    page.button(key="again").click().run()
    assert "Saved" in page.success[0].value
    assert latest_returns(store, limit=1) != before


def test_nothing_is_saved_without_a_defect_or_for_an_unknown_number(own_lab: Path) -> None:
    store = open_store(str(own_lab))
    version = store.data_version()
    page = open_page("enter")
    page.text_input(key="number_0").set_value("R00001").run()
    _save(page)
    assert "No defect is chosen" in page.error[0].value
    page.text_input(key="number_0").set_value("R0000").run()
    assert "Numbers near it" in texts(page)
    assert store.data_version() == version

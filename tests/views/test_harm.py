"""Possible harm on the page Today: open until somebody says what was done, whoever looks."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from remakes import words
from remakes.records.corrections import correct_return
from remakes.records.entries import enter_return
from remakes.records.harm import deal_with_harm, harm_reports, open_harm_again
from remakes.records.importers import import_paths
from remakes.records.look_up import find_restoration, recorded_returns
from remakes.records.store import Store, open_store
from remakes.texts import speak, speaking
from remakes.views import cautions, state, visitors
from remakes.views.harm import dealt_with_in_words
from tests.views.lab import open_page, table_with, texts

PIECE = "R00001"


@pytest.fixture
def store(own_lab: Path) -> Store:
    """A lab in which nothing is marked but what a test enters."""
    opened = open_store(str(own_lab))
    for one in harm_reports(opened):
        deal_with_harm(opened, one.return_id, done="before the test", who="manager M1", version=one.version)
    return opened


def hurt(store: Store, number: str = "OUR-1", **changes: Any) -> int:
    record = find_restoration(store, PIECE)
    assert record is not None
    entry = {"restoration_id": PIECE, "return_id": number, "reported_on": record.delivered_on, "harm": "yes"}
    return enter_return(store, entry | {"defect": "debonding"} | changes, who="quality Q7", confirm_double=True)


def lines(page: AppTest) -> list[str]:
    """The reports on the page, one a line."""
    return [one.value.replace("\\", "") for one in page.markdown if "· return " in one.value.replace("\\", "")]


def send(page: AppTest, typed: str, number: str = "OUR-1") -> AppTest:
    page.text_input(key=f"harm_{number}").set_value(typed)
    return page.button(key=f"harm_{number}_send").click().run()


def header(page: AppTest) -> str:
    return str(page.header[0].value)


def test_an_old_report_is_listed_until_somebody_says_what_was_done_and_can_be_opened_again(store: Store) -> None:
    row = hurt(store, harm="no")
    assert "possible harm" not in header(open_page("today"))
    # The mark is set on a return of long ago.
    (opened,) = recorded_returns(store, [row])
    assert (date.today() - opened.reported_on).days > 90
    correct_return(store, opened, {"harm": "yes"}, who="quality Q8")
    page = open_page("today")
    assert not page.exception
    assert header(page).startswith("1 return is marked as possible harm: is it dealt with?")
    assert page.error[0].value == cautions.HARM
    assert f"[{PIECE}](restoration?role=quality&no={PIECE}) · return OUR-1 · debonding · reported on" in lines(page)[0]
    assert "noted by quality Q8 on" in lines(page)[0]
    send(page, "called the dentist at noon")
    assert not page.exception
    assert "Return OUR\\-1 is dealt with." in page.success[0].value
    assert "possible harm" not in header(page)
    assert not page.error
    done = next(line for one in lines(page) for line in one.splitlines() if "OUR-1" in line)
    assert "dealt with by quality on" in done
    assert done.endswith(": called the dentist at noon")
    # Told once; another browser sees it, too.
    other = open_page("today", role="manager")
    assert not other.success
    assert "possible harm" not in header(other)
    assert not [one for one in page.text_input if one.key == "harm_OUR-1"]
    other.selectbox(key="harm_again").set_value("OUR-1").run()
    assert other.text_input(key="harm_OUR-1").value == ""
    send(other, "the patient called again")
    assert "Return OUR\\-1 is open again." in other.success[0].value
    assert "opened again by manager on" in lines(other)[0]
    assert "1 return is marked" in header(open_page("today"))


def test_those_dealt_with_are_a_list_and_one_form_for_the_chosen_one(store: Store) -> None:
    for number in range(1, 8):
        hurt(store, f"OUR*{number}")
        deal_with_harm(store, f"OUR*{number}", done="dentist told", who="quality Q7", version=0)
    page = open_page("today")
    assert not [one for one in page.text_input if str(one.key).startswith("harm_OUR")]
    listed = next(one.value for one in page.markdown if "dealt with by" in one.value)
    assert [r"return OUR\*" + str(number) in listed for number in range(1, 8)] == [True] * 7
    assert listed.count("\n- ") + 1 >= 7
    chosen = page.selectbox(key="harm_again")
    assert chosen.value is None
    assert any(one.startswith("OUR*3 · ") for one in chosen.options)
    chosen.set_value("OUR*3").run()
    fields = [one for one in page.text_input if str(one.key).startswith("harm_OUR")]
    assert [one.label for one in fields] == ["Why is it opened again? (OUR*3)"]
    # Another browser is quicker: the choice is gone with the report it was for, and nothing breaks.
    open_harm_again(store, "OUR*3", why="not reached", who="quality Q9", version=1)
    page.run()
    assert not page.exception
    assert page.selectbox(key="harm_again").value is None


def test_a_blank_answer_and_one_that_came_second_are_refused_and_both_are_shown(store: Store) -> None:
    hurt(store)
    page = open_page("today")
    send(page, "  ")
    assert "Write what was done" in page.error[0].value
    assert harm_reports(store)[0].is_open or "1 return is marked" in header(page)
    # Both browsers have the page open.
    page.text_input(key="harm_OUR-1").set_value("I wrote to the clinic")
    deal_with_harm(store, "OUR-1", done="I called the dentist", who="quality Q9", version=0)
    page.button(key="harm_OUR-1_send").click().run()
    said = page.error[0].value.replace("\\", "")
    assert "quality Q9 dealt with it meanwhile: “I called the dentist”" in said
    assert "Yours was not saved: “I wrote to the clinic”" in said
    assert "possible harm" not in header(page)


def test_reports_stand_the_oldest_first_and_a_text_of_the_records_stays_text(store: Store) -> None:
    hurt(store, "OUR-2", reported_on=date.today(), defect="surface")
    hurt(store, "OUR-1")
    page = open_page("today")
    assert [line.split("return ")[1].split(" ")[0] for line in lines(page)[:2]] == ["OUR-1", "OUR-2"]
    send(page, "![x](https://example.invalid/a.png)")
    shown = next(one.value for one in page.markdown if "dealt with by" in one.value and "OUR" in one.value)
    assert r"\!\[x\]\(https" in shown


def test_many_reports_scroll_in_a_room_that_says_when_the_latest_was_reported(store: Store) -> None:
    for number, defect in enumerate(("debonding", "surface", "chipping", "loosening", "occlusion")):
        hurt(store, f"OUR-{number}", defect=defect, reported_on=date.today())
        said = f"the latest was reported on {words.day(date.today())}" in texts(open_page("today"))
        assert said == (number == 4)


def test_a_technician_sees_own_reports_without_a_form(store: Store) -> None:
    hurt(store)
    record = find_restoration(store, PIECE)
    assert record is not None
    mine = open_page("today", role="technician", code=str(record.technician))
    assert f"no={PIECE}" in lines(mine)[0]
    assert not mine.text_input
    other = open_page("today", role="technician", code="T99")
    assert (lines(other), list(other.error)) == ([], [])
    assert not open_page("today", role="technician").error


def test_the_restoration_says_what_was_done(store: Store) -> None:
    hurt(store)
    deal_with_harm(store, "OUR-1", done="dentist told", who="quality Q7", version=0)

    def opened() -> AppTest:
        page = open_page("restoration")
        return page.text_input(key="no").set_value(PIECE).run()

    page = opened()
    assert not page.error
    assert "Return OUR\\-1 is marked as possible harm: dealt with by quality Q7" in page.info[0].value
    assert "harm dealt with" in table_with(page, "what")["what"].tolist()
    open_harm_again(store, "OUR-1", why="not reached", who="quality Q7", version=1)
    asked = opened().error[0].value
    assert "is the dentist told, and the piece kept? What was done is noted under Today." in asked


def test_who_dealt_with_a_report_is_a_role_in_the_readers_language(store: Store) -> None:
    hurt(store)
    deal_with_harm(store, "OUR-1", done="dentist told", who="quality Q7", version=0)
    with speaking("de"):
        one = next(each for each in harm_reports(store) if each.return_id == "OUR-1")
        assert "bearbeitet von Qualität Q7 am" in dealt_with_in_words(one)


def test_what_was_saved_a_moment_ago_stops_calling_once_it_is_dealt_with(own_lab: Path) -> None:
    page = open_page("enter")
    page.text_input(key="enter_0_number").set_value(PIECE).run()
    page.radio(key="enter_0_defect").set_value("debonding").run()
    page.radio(key="enter_0_harm").set_value("yes").run()
    page.button(key="save_0").click().run()
    assert "call the dentist today" in open_page("enter").error[0].value
    store = open_store(str(own_lab))
    new = max(harm_reports(store), key=lambda one: one.reported_on)
    deal_with_harm(store, new.return_id, done="called", who="quality Q7", version=0)
    assert not open_page("enter").error


def test_a_report_made_before_is_not_handed_out_once_harm_is_dealt_with(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    hurt(store)
    made: list[tuple[Any, ...]] = []

    class Months:
        records_version, latest = 7, "2026-07"

        def with_harm(self, reports: Any) -> Any:
            made.append(reports)
            return self

    class Shelf:
        def job(self, key: Any, _work: Any, **_other: Any) -> Any:
            return key

    monkeypatch.setattr(visitors, "store", lambda: store)
    monkeypatch.setattr(state, "store", lambda: store)
    monkeypatch.setattr(state, "_months", lambda **_: Months())
    monkeypatch.setattr(state, "_review", lambda *_: Months())
    monkeypatch.setattr(state, "shelf", Shelf)
    monkeypatch.setattr(state, "follow", lambda job, *_: job)
    first, again = state.report("2026-07", "pdf"), state.report("2026-07", "pdf")
    assert first == again
    deal_with_harm(store, "OUR-1", done="called", who="quality Q7", version=0)
    assert state.report("2026-07", "pdf") != first
    assert [any(one.is_open for one in reports) for reports in made] == [True, True, False]


def _today_in_german() -> None:
    from remakes.texts import speak
    from remakes.views import frame, today

    speak("de")
    frame.page("Today", today.body)()


def test_the_page_speaks_german_also_of_what_was_refused(store: Store) -> None:
    hurt(store)
    page = AppTest.from_function(_today_in_german, default_timeout=60)
    page.session_state["role"] = "quality"
    try:
        page.run()
        assert page.text_input(key="harm_OUR-1").label == "Was wurde getan? (OUR-1)"
        assert "vermerkt von Qualität Q7" in texts(page)
        send(page, "")
        assert "Schreiben, was getan wurde" in page.error[0].value
        send(page, "Praxis verständigt")
        assert "ist bearbeitet" in page.success[0].value
    finally:
        speak("en")


def test_of_very_many_reports_the_oldest_have_a_form_and_the_others_follow(store: Store) -> None:
    for number in range(1, 23):
        hurt(store, f"OUR-{number}")
    page = open_page("today")
    assert "22 returns are marked as possible harm" in header(page)
    assert sum(one.label.startswith("What was done?") for one in page.text_input) == 20
    assert "2 more follow" in texts(page)


def test_many_reports_of_past_years_are_dealt_with_in_one_form(store: Store, tmp_path: Path) -> None:
    record = find_restoration(store, PIECE)
    assert record is not None
    rows = "".join(f"OLD-{number},{PIECE},{record.delivered_on},chipping,yes\n" for number in range(5))
    file = tmp_path / "returns.csv"
    file.write_text(f"return_id,restoration_id,reported_on,defect,harm\n{rows}")
    assert import_paths(store, [file], who="quality Q7").ok
    hurt(store)
    page = open_page("today")
    assert "6 returns are marked" in header(page)
    page.button(key="harm_past_send").click().run()
    assert "Write what was done" in page.error[0].value
    page.text_input(key="harm_past").set_value("The dentists were told in those years.")
    page.button(key="harm_past_send").click().run()
    assert "1 return is marked" in header(page)
    assert "5 old reports are dealt with" in page.success[0].value
    assert not any(one.key == "harm_past" for one in page.text_input)

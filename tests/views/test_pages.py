"""Every page on an empty store and on a small lab, without a browser."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from remakes import flow, words
from remakes.records.entries import enter_return
from remakes.records.store import open_store
from remakes.views import cautions, menu
from remakes.views.server import PAGES_SCRIPT
from tests.shared_labs import analysis_of
from tests.views.lab import PAGES, open_page, put_on_shelf, table_with, texts


@pytest.fixture(scope="module", autouse=True)
def _analyzed(small_lab_file: Path, clear_lab_file: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    for lab in (small_lab_file, clear_lab_file):
        put_on_shelf(lab, analysis_of(tmp_path_factory, lab))


@pytest.fixture
def own_work(clear_lab: Path, tmp_path_factory: pytest.TempPathFactory) -> flow.OwnWork:
    """That of T02 in the clear lab."""
    return flow.own_work(analysis_of(tmp_path_factory, clear_lab), "T02")


@pytest.mark.parametrize("name", PAGES)
def test_a_page_of_an_empty_store_says_what_to_do_next(name: str, empty_lab: Path) -> None:
    page = open_page(name, code="T01")
    assert not page.exception
    assert not page.error
    said = texts(page)
    assert "no records yet" in said or "Nothing is in yet" in said
    assert cautions.SAFETY_LINE in said


@pytest.mark.parametrize("name", PAGES)
def test_a_page_of_the_small_lab_shows_without_fault(name: str, small_lab: Path) -> None:
    page = open_page(name, code="T01")
    assert not page.exception
    assert [one.value for one in page.error if "possible harm in" not in one.value] in ([], [cautions.HARM])
    said = texts(page)
    assert cautions.SAFETY_LINE in said
    assert "nan" not in said.split()
    assert "inf" not in said.split()


def test_the_demo_lab_is_loaded_by_one_click_from_an_empty_store(
    empty_lab: Path, small_lab_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("remakes.views.frame.demo_files", lambda: small_lab_file.parent / "files")
    page = open_page("today")
    page.button(key="load_demo").click().run()
    assert not page.exception
    assert int(page.metric[0].value.replace(",", "")) == flow.brief(open_store(str(empty_lab))).restorations > 0


@pytest.mark.parametrize(("role", "expected"), [("quality", "enter"), ("manager", "next"), ("technician", "mine")])
def test_each_role_has_its_menu(role: str, expected: str) -> None:
    assert expected in menu.MENUS[role]  # type: ignore[index]
    assert ("steps" in menu.MENUS[role]) == (role != "technician")  # type: ignore[index]
    assert ("mine" in menu.MENUS[role]) == (role == "technician")  # type: ignore[index]


@pytest.mark.parametrize("name", ["today", "lists"])
def test_a_day_that_nobody_stated_is_not_told_as_complete(name: str, own_lab: Path) -> None:
    store = open_store(str(own_lab))
    with store.writer(may="state the date") as connection:
        store.put_setting(connection, "observed_until", None, who="manager M1")
    assert "taken as complete up to" in open_page(name).header[0].value
    flow.set_observed_until(store, date(2026, 10, 31), who="manager M1", today=date(2026, 12, 1))
    said = open_page(name).header[0].value
    assert "complete up to 31 October 2026" in said
    assert "taken as" not in said


def test_a_day_to_come_is_not_taken_as_complete(own_lab: Path) -> None:
    stands = open_store(str(own_lab)).observed_until()
    page = open_page("lists")
    page.text_input(key=f"observed_until_{stands}").set_value("2099-01-01")
    page.button(key="set_observed_until").click().run()
    assert any("is still to come, so returns cannot be complete" in one.value for one in page.error)
    assert open_store(str(own_lab)).observed_until() == stands


def test_the_app_opens_on_today_and_asks_a_technician_for_the_code(small_lab: Path) -> None:
    app = AppTest.from_file(PAGES_SCRIPT, default_timeout=60).run()
    assert not app.exception
    assert app.title[0].value == "Today"
    assert [one.key for one in app.sidebar.selectbox] == ["language"]
    app.sidebar.radio(key="role").set_value("technician").run()
    assert "T01" in app.sidebar.selectbox(key="technician").options
    assert "Opened without accounts" in app.sidebar.caption[-1].value


@pytest.mark.parametrize(
    ("name", "role"),
    [("steps", "technician"), ("try_next", "quality"), ("my_work", "manager"), ("lists", "technician")],
)
def test_an_address_opened_in_another_role_is_refused_in_words(name: str, role: str, small_lab: Path) -> None:
    page = open_page(name, role=role)
    assert not page.exception
    assert "This page is for the role" in page.error[0].value


def test_an_inner_fault_is_told_in_a_sentence_without_a_traceback(
    small_lab: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError("secret detail")

    monkeypatch.setattr(flow, "brief", fail)
    page = open_page("today")
    assert not page.exception
    assert "Something went wrong inside the program (ZeroDivisionError)" in page.error[0].value
    assert "secret detail" not in page.error[0].value
    assert "secret detail" in caplog.text


def test_steps_say_goes_with_and_list_the_restorations_behind(clear_lab: Path) -> None:
    page = open_page("steps")
    said = texts(page)
    assert (
        "1 missed step goes with returns; most clearly “Left to react for 3 minutes” \\(bond\\_wait\\) with debonding."
        in said
    )
    assert "Left to react for 3 minutes" in said
    assert "causes" not in said
    assert page.selectbox(key="finding").value == "bond_wait with debonding"
    behind = flow.restorations_behind(open_store(str(clear_lab)), factor="bond_wait", defect="debonding")
    table = table_with(page, "step was")
    assert [one.split("no=")[1] for one in table["restoration"]] == [one.restoration_id for one in behind]
    assert "monomer" in said


def test_what_to_try_next_starts_with_the_action_that_a_finding_backs(clear_lab: Path) -> None:
    page = open_page("try_next")
    said = texts(page)
    assert "Start with: “Timer at the bonding bench”." in said
    assert "An estimate from records" in said
    assert "instructions and licensed practice come first" in said
    table = table_with(page, "pays in")
    # By its title: the lab's code for it stands in the file.
    assert "bond_timer" not in {str(cell) for cell in table.iloc[0]}
    assert table["what"].iloc[0].startswith("Timer at the bonding bench")
    assert f"Because “Left to react for 3 minutes” {words.plain('(bond_wait)')} goes with debonding." in said


@pytest.mark.parametrize(
    ("name", "term"),
    [
        ("today", words.A_RETURN),
        ("lists", words.A_RETURN),
        ("steps", words.FIRST_RETURNS),
        ("try_next", words.COUNTED_AS_FIRST),
        ("months", words.COUNTED_AS_FIRST),
    ],
)
def test_a_page_that_counts_returns_says_what_it_counts(name: str, term: str, small_lab: Path) -> None:
    page = open_page(name)
    assert texts(page).count(term) == 1
    # One count has one name.
    assert "return rows" not in texts(page)
    if name == "today":
        assert "returns" in [one.label for one in page.metric]


def test_what_to_try_next_says_so_where_nothing_is_clear(small_lab: Path) -> None:
    assert "No step is clear enough" in texts(open_page("try_next"))


def test_my_work_sets_own_misses_beside_the_lab(own_work: flow.OwnWork) -> None:
    page = open_page("my_work", code="T02")
    table = table_with(page, "requirement").set_index("requirement")
    wait = next(one for one in own_work.factors if one.factor == "bond_wait")
    assert table.loc["bond_wait", "my misses (n)"] == f"{wait.missed} of {wait.recorded}"
    assert table.loc["bond_wait", "lab's misses (n)"] == f"{wait.lab_missed} of {wait.lab_recorded}"
    assert wait.share.low < wait.share.estimate < wait.share.high
    assert f"“Left to react for 3 minutes” {words.plain('(bond_wait)')} with debonding" in texts(page)


def test_what_is_unclear_stands_on_today_without_a_grid_and_leads_to_its_restoration(own_lab: Path) -> None:
    store = open_store(str(own_lab))
    raw = {"restoration_id": "R00007", "defect": "other", "reported_on": date.today(), "return_id": "a|b *c*"}
    enter_return(store, raw, who="quality Q1")
    page = open_page("today")
    # The grid takes longer to come than all else on the first page.
    assert not page.dataframe
    (shown,) = [one.value for one in page.markdown if "R00007" in one.value]
    assert shown.splitlines()[:2] == ["| restoration | return | reported |", "| --- | --- | --- |"]
    line = next(one for one in shown.splitlines() if "R00007" in one)
    assert line.startswith("| [R00007](restoration?role=quality&no=R00007) | a\\|b \\*c\\* | ")


def test_steps_of_one_defect_only(small_lab: Path) -> None:
    page = open_page("steps")
    page.selectbox(key="defect").set_value("chipping").run()
    assert not page.exception
    for table in page.dataframe:
        for column in ("goes with", "defect"):
            assert set(table.value.get(column, [])) <= {"Chipping"}


def test_my_work_shows_no_other_person(small_lab: Path) -> None:
    page = open_page("my_work", code="T02")
    shown = texts(page) + "".join(one.value.to_string() for one in page.dataframe)
    others = {"T01", "T03", "T04", "T05", "T06", "T07", "T08", "T09"}
    assert not {other for other in others if other in shown}


def test_my_work_asks_for_the_code_first(small_lab: Path) -> None:
    assert "Choose your own code" in open_page("my_work").info[0].value


def test_a_restoration_shows_its_time_line_and_an_unknown_number_its_neighbours(small_lab: Path) -> None:
    page = open_page("restoration")
    page.text_input(key="no").set_value("R00001").run()
    assert "was delivered on" in texts(page)
    assert "delivered" in set(table_with(page, "detail")["what"])
    page.text_input(key="no").set_value("R0001").run()
    assert "Numbers near it" in page.error[0].value


def test_my_work_counts_returns_not_restorations(own_work: flow.OwnWork) -> None:
    # One restoration with two defects is two first returns; the sentence must not call them restorations.
    page = open_page("my_work", code="T02")
    assert f"{own_work.returned} first returns on your {own_work.delivered:,} restorations" in texts(page)

"""The bench log without a browser: one tap writes, nothing is invented, own work only."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from argon2 import PasswordHasher
from streamlit.testing.v1 import AppTest

from remakes.errors import StoreError
from remakes.records import people, schema, sessions
from remakes.records.bench.late import LateCell
from remakes.records.bench.moments import local_day, on_the_clock
from remakes.records.bench.readings import Standing, Written, standing_readings, write_reading
from remakes.records.bench.timers import running_timers, start_timer
from remakes.records.bench.work import change_work, open_work
from remakes.records.drafts import keep_draft, load_draft
from remakes.records.look_up import find_restoration
from remakes.records.standard import load_standard
from remakes.records.store import Store, now, open_store
from remakes.views import visitors
from remakes.views.bench_parts.hand import Hand
from remakes.views.bench_parts.late import changed_cells
from remakes.views.bench_parts.late_drafts import Opened, edited, keep, with_typed
from remakes.views.server import DATABASE_VARIABLE, OPEN_HERE_VARIABLE, PAGES_SCRIPT
from tests.records.bench_lab import WHO, begin, take_standard
from tests.views.lab import open_page, texts

SECRET = "four words in a row"


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    file = tmp_path / "bench.sqlite"
    monkeypatch.setenv(DATABASE_VARIABLE, str(file))
    store = open_store(str(file))
    take_standard(store)
    begin(store)
    return store


def page(**address: str) -> AppTest:
    app = open_page("bench", role="technician", code="T1")
    for name, value in address.items():
        app.query_params[name] = value
    return app.run() if address else app


def late_sheet() -> AppTest:
    return page().segmented_control(key="bench_part").set_value("late").run()


def standing(store: Store, reading: str) -> Standing | None:
    found = standing_readings(store, ["N1"])["N1"]
    return next((one for (_, name), one in found.items() if name == reading), None)


def keys(app: AppTest, kind: str = "button") -> list[str]:
    return [str(one.key) for one in app.get(kind)]


def test_the_list_opens_a_piece_at_its_next_step(bench: Store) -> None:
    begin(bench, "N0", due_on=date.today() - timedelta(days=1))
    app = page()
    assert not app.exception
    assert [key for key in keys(app) if key.startswith("open_")] == ["open_N0", "open_N1"]
    assert "was due on" in app.button(key="open_N0").label
    app.button(key="open_N1").click().run()
    assert app.query_params["piece"] == "N1"
    assert "step_framework" in keys(app)
    assert "save_N1_framework_metal_mm" in keys(app)
    app.button(key="back").click().run()
    assert "open_N1" in keys(app)


def test_yes_and_no_are_one_tap_each_and_no_is_recorded(bench: Store) -> None:
    app = page(piece="N1", step="checking")
    app.button(key="write_N1_checking_fit_check_no").click().run()
    assert not app.exception
    one = standing(bench, "fit_check")
    assert one is not None
    assert (one.value, one.not_done, one.operator) == ("no", True, "T1")
    assert "✗ not done" in texts(app)
    app.text_input(key=f"why_{one.reading_id}").set_value("model broken")
    next(button for button in app.button if button.label == "Keep the reason").click().run()
    assert "because: model broken" in texts(app)


def test_a_number_is_typed_with_a_comma_and_one_outside_the_limit_is_written_and_asked_about(bench: Store) -> None:
    app = page(piece="N1", step="framework")
    app.text_input(key="typed_N1_framework_metal_mm").set_value("0,3")
    app.button(key="save_N1_framework_metal_mm").click().run()
    one = standing(bench, "metal_mm")
    assert one is not None
    assert one.value == "0.3"
    assert "▲ outside the limit" in texts(app)
    assert f"why_{one.reading_id}" in keys(app, "text_input")
    # A correction is a newer reading; the first is kept.
    app.text_input(key="typed_N1_framework_metal_mm").set_value("0.45")
    app.button(key="save_N1_framework_metal_mm").click().run()
    newer = standing(bench, "metal_mm")
    assert newer is not None
    assert newer.value == "0.45"
    assert newer.reading_id != one.reading_id


def test_what_cannot_be_read_is_refused_at_the_top_and_nothing_is_written(bench: Store) -> None:
    app = page(piece="N1", step="framework")
    version = bench.data_version()
    assert app.button(key="save_N1_framework_metal_mm").label == "Write metal down"
    app.text_input(key="typed_N1_framework_metal_mm").set_value("thick")
    app.button(key="save_N1_framework_metal_mm").click().run()
    assert "is no number" in app.error[0].value
    assert app.text_input(key="typed_N1_framework_metal_mm").value == "thick"  # to be mended
    assert bench.data_version() == version
    # A measure cannot be "not done".
    assert not [key for key in keys(app) if key.startswith("write_")]


def test_a_timer_is_one_tap_to_start_and_one_to_stop(bench: Store) -> None:
    app = page(piece="N1", step="bonding")
    app.button(key="start_N1_bonding_wait_s").click().run()
    (timer,) = running_timers(bench)
    assert timer.started_by == WHO
    # A new visit finds it running, on the list too.
    again = page()
    assert "Timers that are running" in [one.value for one in again.subheader]
    again.button(key=f"stop_{timer.id}").click().run()
    assert running_timers(bench) == ()
    one = standing(bench, "wait_s")
    assert one is not None
    assert float(one.value) < 60
    assert "written down for wait" in again.success[0].value
    # The first page still shows it running: its stop says who was first.
    app.button(key=f"stop_{timer.id}").click().run()
    assert "stopped this timer at" in app.error[0].value


def test_a_forgotten_timer_asks_when_its_time_was_up(bench: Store) -> None:
    begun = now() - timedelta(days=1)
    timer = start_timer(bench, "N1", step="opaquer", reading="cure_min", who=WHO, at=begun)
    app = page()
    assert f"stop_{timer.id}" not in keys(app)
    assert "its time is not taken as it is" in app.warning[0].value
    (write,) = (one for one in app.button if one.label == "Write this time down as a late entry")
    write.click().run()
    assert "Nothing was written down" in app.error[0].value
    app.button(key=f"give_up_{timer.id}_2").click().run()
    assert running_timers(bench) == ()
    assert standing(bench, "cure_min") is None


def test_a_scan_opens_sets_or_asks(bench: Store) -> None:
    def scan(code: str) -> None:
        app.text_input(key="bench_scan").set_value(code).run()

    app = page()
    scan("N1")
    assert (app.query_params["piece"], app.query_params["step"]) == ("N1", "framework")
    assert app.text_input(key="bench_scan").value == ""
    app.button(key="step_framework").click().run()  # closed again
    scan("F9")
    assert "is not known here. What is it?" in app.warning[0].value
    assert "asked_machine" not in keys(app)  # no step is open
    app.button(key="step_opaquer").click().run()
    app.button(key="asked_machine").click().run()
    assert "Machine F9 is used for opaquer today" in app.success[0].value
    app.text_input(key="typed_N1_opaquer_coats").set_value("2")
    app.button(key="save_N1_opaquer_coats").click().run()
    one = standing(bench, "coats")
    assert one is not None
    assert (one.equipment, one.lot) == ("F9", None)
    scan("F9")  # known from now on
    assert "Machine F9 is used for opaquer today" in app.success[0].value
    scan("N77")
    app.button(key="asked_new").click().run()
    assert app.text_input(key="new_restoration_id_0").value == "N77"


def test_a_number_scanned_among_late_entries_opens_it_at_the_bench_and_small_letters_do_no_harm(bench: Store) -> None:
    app = late_sheet()
    app.text_input(key="bench_scan").set_value("n1").run()
    assert not app.warning
    assert app.query_params["piece"] == "N1"
    assert app.segmented_control(key="bench_part").value == "bench"
    assert "step_framework" in keys(app)


def test_a_correction_that_came_too_late_shows_what_stands_and_what_was_typed(bench: Store) -> None:
    app = page(piece="N1")
    change_work(bench, "N1", {"teeth": "21"}, version=1, who="manager M1")
    app.text_input(key="correct_teeth_N1_1").set_value("12")
    app.button(key="correct").click().run()
    assert "manager M1 changed N1" in app.error[0].value
    assert "You had typed\\: Teeth\\: 12." in app.error[0].value
    assert app.text_input(key="correct_teeth_N1_2").value == "21"


def test_no_day_of_delivery_is_taken_for_granted(bench: Store) -> None:
    app = page(piece="N1")
    app.text_input(key="deliver_N1").set_value(" ")
    app.button(key="deliver").click().run()
    assert "Type the day on which it left the lab" in app.error[0].value
    assert [one.restoration_id for one in open_work(bench)] == ["N1"]


def grid(app: AppTest) -> dict[str, str]:
    shown = app.dataframe[0].value
    return dict(zip(shown["number"], shown[shown.columns[1]], strict=True))


def test_cells_that_were_not_saved_come_back_to_their_sheet_and_to_nobody_elses(bench: Store) -> None:
    here = Hand(store=bench, code="T1", who=WHO, today=date.today(), standard=load_standard(bench))
    begin(bench, "N2")
    recorded = pd.DataFrame({"number": ["N1", "N2"], "metal_mm": ["", ""]}, dtype=object)
    opened = Opened(
        owner="T1",
        what=f"bench sheet {date.today().isoformat()} framework",
        key="grid",
        recorded=recorded,
        shown=recorded,
        typed_at=None,
    )
    after = edited(recorded, {"edited_rows": {1: {"metal_mm": "0,55"}}})
    keep(here, opened, changed_cells(recorded, after, step="framework"))
    app = late_sheet()
    assert not app.exception
    assert grid(app) == {"N1": "", "N2": "0,55"}
    assert "is back in the sheet" in app.info[0].value
    # Something was recorded elsewhere meanwhile: the grid is made anew, and what was typed stands in it.
    written = Written(restoration_id="N1", step="framework", reading="metal_mm", value="0.5")
    write_reading(bench, written, who=WHO)
    assert grid(app.run()) == {"N1": "0.5", "N2": "0,55"}
    app.button(key="late_save").click().run()
    assert "One late entry is saved" in app.success[0].value
    assert grid(app) == {"N1": "0.5", "N2": "0.55"}
    assert not app.info
    keep(here, opened, changed_cells(recorded, after, step="framework"))
    again = late_sheet()
    again.button(key="late_afresh").click().run()
    assert load_draft(bench, opened.what, owner="T1") is None
    assert grid(again) == {"N1": "0.5", "N2": "0.55"}


def test_a_draft_ignores_rows_and_columns_that_the_sheet_no_longer_has() -> None:
    recorded = pd.DataFrame({"number": ["N1"], "coats": [""]}, dtype=object)
    shown = with_typed(recorded, {"N1": {"coats": "2", "gone": "1"}, "N9": {"coats": "3"}})
    assert shown.to_dict("records") == [{"number": "N1", "coats": "2"}]
    assert recorded.to_dict("records") == [{"number": "N1", "coats": ""}]


def test_work_is_begun_and_delivered_from_the_page(bench: Store) -> None:
    app = page()
    app.segmented_control(key="bench_part").set_value("begin").run()
    app.text_input(key="new_restoration_id_0").set_value("N2")
    app.text_input(key="new_teeth_0").set_value("21 22")
    app.button(key="begin").click().run()
    assert not app.exception
    assert "N2 is in work" in app.success[0].value
    piece = next(one for one in open_work(bench) if one.restoration_id == "N2")
    assert (piece.units, piece.technician, piece.framework, piece.kind) == (2, "T1", "base metal", "crown")
    app.button(key="deliver").click().run()
    assert "N2 is delivered" in app.success[0].value
    record = find_restoration(bench, "N2")
    assert record is not None
    assert record.delivered_on == date.today()


def test_somebody_elses_work_is_not_shown_and_nobodys_can_be_taken_over(bench: Store) -> None:
    begin(bench, "T2S", technician="T2")
    begin(bench, "FREE", technician=None)
    app = page(piece="T2S", step="checking")
    assert "is the work of T2" in app.warning[0].value
    assert not [key for key in keys(app) if key.startswith(("write_", "step_", "start_"))]
    free = page(piece="FREE")
    free.button(key="take_over").click().run()
    assert {one.restoration_id: one.technician for one in open_work(bench)}["FREE"] == "T1"


def test_a_filled_cell_is_read_a_blank_one_is_not(bench: Store) -> None:
    app = page(bench_part="late")
    assert not app.exception
    before = pd.DataFrame({"number": ["N1", "N2"], "coats": ["2", None], "cure_min": [None, None]}, dtype=object)
    after = before.copy()
    after.loc[0, "coats"] = None  # what is recorded is not blanked here
    after.loc[1, "coats"] = "Not Done"
    after.loc[1, "cure_min"] = "12,5"
    made: Any = {"restoration_id": "N2", "step": "opaquer"}
    assert changed_cells(before, after, step="opaquer") == [
        LateCell(reading="coats", text="not done", **made),
        LateCell(reading="cure_min", text="12,5", **made),
    ]


def test_without_a_code_or_a_standard_the_page_says_what_to_do(empty_lab: Path) -> None:
    assert "Choose your own code" in open_page("bench", role="technician").info[0].value
    assert "There are no records yet" in open_page("bench", role="technician", code="T1").info[0].value


def test_today_tells_a_technician_of_timers_and_unfinished_work(own_lab: Path) -> None:
    store = open_store(str(own_lab))
    begin(store, "N1", technician="T01")
    assert "restoration in work has readings" in texts(open_page("today", role="technician", code="T01"))
    begun = now() - timedelta(days=1)
    start_timer(store, "N1", step="final cure", reading="final_cure_min", who=WHO, at=begun)
    app = open_page("today", role="technician", code="T01")
    assert app.header[0].value.startswith("One timer is running (N1).")
    assert any("forgotten on N1" in one.value for one in app.warning)
    assert "in work" not in texts(open_page("today", role="quality"))


def test_today_asks_a_technician_for_nothing_of_the_records(own_lab: Path) -> None:
    app = open_page("today", role="technician", code="T02")
    assert app.header[0].value == "No timer of yours is running, and nothing of yours is left to write down."
    assert not app.metric
    assert "Lists and import" not in texts(app) + "".join(one.value for one in app.warning)
    assert open_page("today", role="technician").header[0].value.startswith("Choose your own code")


def test_late_entries_are_told_as_saved_though_their_draft_cannot_go(
    bench: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep_draft(
        bench,
        f"bench sheet {date.today().isoformat()} framework",
        {"format": 1, "cells": {"N1": {"metal_mm": "0,55"}}},
        owner="T1",
    )
    app = late_sheet()
    assert "is back in the sheet" in app.info[0].value

    def refused(*_args: object, **_kwargs: object) -> None:
        raise StoreError("Somebody else has been writing.")

    monkeypatch.setattr("remakes.views.bench_parts.late_drafts.drop_draft", refused)
    app.button(key="late_save").click().run()
    assert not app.exception
    assert not app.error
    assert "One late entry is saved" in app.success[0].value
    # It is not given up in silence either.
    app.button(key="late_afresh").click().run()
    assert "Somebody else has been writing" in app.error[0].value


@pytest.fixture
def token(bench: Store, monkeypatch: pytest.MonkeyPatch) -> str:
    """T1 has signed in, and reads German."""
    cheap = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    people.add_first_manager(bench, "M1", SECRET, hasher=cheap)
    people.add_person(bench, "T1", ["technician"], SECRET, who="M1", language="de", hasher=cheap)
    signed_in = sessions.sign_in(bench, "T1", SECRET, hasher=cheap)
    monkeypatch.setenv(OPEN_HERE_VARIABLE, "")
    monkeypatch.setattr(visitors, "token", lambda: signed_in)
    return signed_in


@pytest.mark.parametrize("how", ["idle", "signed out elsewhere"])
def test_a_tap_after_the_visit_has_ended_writes_nothing_and_is_told_and_the_timer_runs_on(
    bench: Store, token: str, how: str
) -> None:
    app = page(piece="N1", step="bonding")
    app.button(key="start_N1_bonding_wait_s").click().run()
    (timer,) = running_timers(bench)
    if how == "idle":
        with bench.writer(may="sign in") as connection:
            connection.execute(schema.sessions.update().values(last_seen=now() - timedelta(minutes=31)))
    else:
        sessions.sign_out(bench, token)
    lines = bench.data_version()
    app.button(key=f"stop_{timer.id}").click().run()
    assert not app.exception
    assert bench.data_version() == lines
    assert running_timers(bench) == (timer,)
    # What is shown next is the page of whoever is not signed in.
    away = AppTest.from_file(PAGES_SCRIPT, default_timeout=60)
    away.session_state[visitors.NOT_SAVED_KEY] = app.session_state[visitors.NOT_SAVED_KEY]
    assert "nothing was written down. A timer that was running runs on." in away.run().warning[0].value


def test_a_tap_is_told_in_the_language_of_who_tapped(bench: Store, token: str) -> None:
    app = page(piece="N1", step="framework")
    app.text_input(key="typed_N1_framework_metal_mm").set_value("0.5")
    app.button(key="save_N1_framework_metal_mm").click().run()
    assert "ist aufgeschrieben" in app.success[0].value


def test_a_timer_from_before_the_clock_was_set_back_can_be_given_up(bench: Store) -> None:
    timer = start_timer(bench, "N1", step="bonding", reading="wait_s", who=WHO, at=now() + timedelta(hours=1))
    app = page()
    assert "was set back since this timer was started" in app.warning[0].value
    app.button(key=f"give_up_{timer.id}_2").click().run()
    assert running_timers(bench) == ()
    assert standing(bench, "wait_s") is None


def test_who_writes_over_somebody_elses_reading_is_told_and_sees_both(bench: Store) -> None:
    app = page(piece="N1", step="framework")
    app.text_input(key="typed_N1_framework_metal_mm").set_value("0.5")
    other = Written(restoration_id="N1", step="framework", reading="metal_mm", value="0.3")
    write_reading(bench, other, who="manager M1")
    app.button(key="save_N1_framework_metal_mm").click().run()
    assert "manager M1 wrote 0.3 down for metal" in app.error[0].value
    one = standing(bench, "metal_mm")
    assert one is not None
    assert one.value == "0.3"
    # What was typed is still there, and is written once it is pressed again.
    assert app.text_input(key="typed_N1_framework_metal_mm").value == "0.5"
    app.button(key="save_N1_framework_metal_mm").click().run()
    one = standing(bench, "metal_mm")
    assert one is not None
    assert one.value == "0.5"


def test_when_the_tap_came_too_late_the_time_is_said_to_the_second(bench: Store) -> None:
    begun = now() - timedelta(minutes=10)
    if local_day(begun) != local_day(now()):
        pytest.skip("midnight has just passed")
    timer = start_timer(bench, "N1", step="bonding", reading="wait_s", who=WHO, at=begun)
    app = page()
    up = on_the_clock(begun + timedelta(seconds=190))
    app.text_input(key=f"up_time_{timer.id}").set_value(f"{up:%H:%M:%S}")
    next(one for one in app.button if one.label == "Write this time down as a late entry").click().run()
    one = standing(bench, "wait_s")
    assert one is not None
    assert one.late
    assert 189 <= float(one.value) <= 190
    assert running_timers(bench) == ()

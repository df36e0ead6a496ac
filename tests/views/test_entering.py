"""A return entered on the page is in the records, twice only when confirmed. Dialogs need a browser."""

from __future__ import annotations

import io
from datetime import date
from pathlib import Path

import pytest
from PIL import Image
from streamlit.testing.v1 import AppTest

from remakes.errors import EntryError, StoreError
from remakes.records.drafts import HERE, load_draft
from remakes.records.entries import enter_restoration, enter_return, void_returns
from remakes.records.look_up import RestorationRecord, find_restoration, latest_returns
from remakes.records.photos import add_photo, list_photos
from remakes.records.remake_links import unlink_remake
from remakes.records.store import Store, open_store
from remakes.views import cautions
from tests.views.lab import open_page, table_with, texts


def key(name: str, turn: int = 0) -> str:
    return f"enter_{turn}_{name}"


def _number(page: AppTest, number: str, turn: int = 0) -> AppTest:
    return page.text_input(key=key("number", turn)).set_value(number).run()


def _filled(page: AppTest, turn: int = 0, *, defect: str = "debonding") -> AppTest:
    _number(page, "R00001", turn)
    page.radio(key=key("defect", turn)).set_value(defect).run()
    return page


def _save(page: AppTest, turn: int = 0) -> AppTest:
    return page.button(key=f"save_{turn}").click().run()


def _radios(page: AppTest) -> list[str]:
    return [str(radio.key).split("_", 2)[2] for radio in page.radio]


def _restoration(store: Store, number: str = "R00001") -> RestorationRecord:
    found = find_restoration(store, number)
    assert found is not None
    return found


def test_a_return_is_saved_with_what_was_chosen_and_the_rest_is_not_recorded(own_lab: Path) -> None:
    page = _filled(open_page("enter"))
    page.multiselect(key=key("others")).set_value(["surface"]).run()
    page.radio(key=key("plane_debonding")).set_value("adhesive")
    page.text_input(key=key("bare_debonding")).set_value("37,5")
    page.radio(key=key("surface")).set_value("dull")
    page.radio(key=key("severity")).set_value(4)
    page.text_input(key=key("note")).set_value("came off while eating")
    _save(page)
    assert not page.exception
    assert "Saved: R00001, debonding and surface" in page.success[0].value.replace("\\", "")
    second, first = latest_returns(open_store(str(own_lab)), limit=2)
    assert (first.defect, first.primary, first.plane, first.severity) == ("debonding", True, "adhesive", 4)
    assert (first.bare_metal_pct, first.extra) == (37.5, {})
    assert (second.defect, second.primary, second.plane, second.extra) == ("surface", False, None, {"surface": "dull"})
    assert first.return_id == second.return_id
    assert first.note == "came off while eating"
    assert (first.harm, first.found_at, first.judged_by, first.reported_on) == (None, None, None, date.today())
    assert page.text_input(key=key("number", 1)).value == ""


def test_what_is_asked_follows_the_defect(own_lab: Path) -> None:
    page = _filled(open_page("enter"), defect="surface")
    assert "surface" in _radios(page)
    assert not [name for name in _radios(page) if name.startswith("plane")]
    page.radio(key=key("defect")).set_value("margin_fit").run()
    assert {"margin", "margin_seen_on"} <= set(_radios(page))
    assert "surface" not in _radios(page)
    page.radio(key=key("defect")).set_value("transit").run()
    assert _radios(page) == ["defect", "harm", "severity", "found", "disposition", "attributed"]


@pytest.mark.parametrize(("framework", "asked"), [("base metal", True), ("zirconia", False), ("none", False)])
def test_bare_metal_is_asked_only_where_there_may_be_metal(own_lab: Path, framework: str, asked: bool) -> None:
    store = open_store(str(own_lab))
    numbers = (f"R{n:05d}" for n in range(1, 600))
    number = next(one for one in numbers if (made := find_restoration(store, one)) and made.framework == framework)
    page = open_page("enter")
    _number(page, number)
    page.radio(key=key("defect")).set_value("chipping").run()
    assert "plane_chipping" in _radios(page)
    assert (key("bare_chipping") in [one.key for one in page.text_input]) is asked
    page.radio(key=key("plane_chipping")).set_value("adhesive")
    _save(page)
    (saved,) = latest_returns(store, limit=1)
    assert (saved.restoration_id, saved.plane, saved.bare_metal_pct) == (number, "adhesive", None)


def test_that_a_piece_was_made_in_place_of_no_other_can_be_answered(
    own_lab: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("remakes.views.enter_parts.links.likely_replaced", lambda *_: ("R00002",))
    page = _filled(open_page("enter"))
    asked = page.radio(key=key("replaces"))
    assert asked.value is None
    assert asked.options == ["yes, of R00002", "no"]
    asked.set_value("none of them").run()
    _save(page)
    assert not page.error
    assert "Saved" in page.success[0].value
    assert _restoration(open_store(str(own_lab))).remake_of is None


def test_two_broken_defects_are_asked_each_for_itself(own_lab: Path) -> None:
    page = _filled(open_page("enter"), defect="chipping")
    page.multiselect(key=key("others")).set_value(["debonding"]).run()
    page.radio(key=key("plane_chipping")).set_value("cohesive")
    page.radio(key=key("plane_debonding")).set_value("adhesive")
    _save(page)
    planes = {one.defect: one.plane for one in latest_returns(open_store(str(own_lab)), limit=2)}
    assert planes == {"chipping": "cohesive", "debonding": "adhesive"}


def test_a_number_that_cannot_be_read_is_refused_and_not_left_out(own_lab: Path) -> None:
    store = open_store(str(own_lab))
    version = store.data_version()
    page = _filled(open_page("enter"))
    page.text_input(key=key("bare_debonding")).set_value("much").run()
    _save(page)
    assert "is no number" in texts(page)
    page.text_input(key=key("bare_debonding")).set_value("")
    page.text_input(key=key("reported")).set_value("31.2.2026")
    _save(page)
    assert "calendar" in texts(page)
    assert store.data_version() == version


def test_possible_harm_is_answered_at_once_and_stays_in_sight(own_lab: Path) -> None:
    page = _filled(open_page("enter"))
    assert _radios(page)[:2] == ["defect", "harm"]
    assert not page.error
    page.radio(key=key("harm")).set_value("yes").run()
    assert page.error[0].value == cautions.HARM
    assert "the same day" in page.error[0].value
    _save(page)
    assert "call the dentist today, and keep the piece" in page.error[0].value
    assert "call the dentist today" in open_page("enter").error[0].value
    today = open_page("today")
    assert "possible harm" in texts(today)
    assert "the same day" in texts(today)
    assert "the same day" in texts(_opened("R00001"))


def test_the_same_defect_again_is_asked_about_and_saved_when_confirmed(own_lab: Path) -> None:
    page = _save(_filled(open_page("enter")))
    _filled(page, 1)
    assert "Entered already in the last 14 days" in texts(page)
    _save(page, 1)
    # What the question names is the button that stands below it.
    assert "already reports debonding" in texts(page)
    assert "choose “Save as another return”" in texts(page)
    assert page.button(key="again").label == "Save as another return"
    store = open_store(str(own_lab))
    before = latest_returns(store, limit=1)
    page.button(key="again").click().run()
    assert "Saved" in page.success[0].value
    assert latest_returns(store, limit=1) != before


def test_a_return_number_is_not_given_twice(own_lab: Path) -> None:
    page = _filled(open_page("enter"))
    page.text_input(key=key("return_id")).set_value("OUR-7")
    _save(page)
    _number(page, "R00002", 1)
    page.radio(key=key("defect", 1)).set_value("surface").run()
    page.text_input(key=key("return_id", 1)).set_value("OUR-7")
    _save(page, 1)
    assert "belongs to restoration" in texts(page)
    assert [one.restoration_id for one in latest_returns(open_store(str(own_lab)), limit=1)] == ["R00001"]


def test_nothing_is_saved_without_a_defect(own_lab: Path) -> None:
    store = open_store(str(own_lab))
    version = store.data_version()
    page = _number(open_page("enter"), "R00001")
    _save(page)
    assert "No defect is chosen" in page.error[0].value
    assert store.data_version() == version


def test_a_scan_in_small_letters_with_blanks_is_found(own_lab: Path) -> None:
    page = _number(open_page("enter"), " r00001 ")
    assert "R00001" in page.info[0].value
    page.radio(key=key("defect")).set_value("surface").run()
    _save(page)
    assert latest_returns(open_store(str(own_lab)), limit=1)[0].restoration_id == "R00001"


def test_an_unknown_number_offers_those_near_it(own_lab: Path) -> None:
    page = _number(open_page("enter"), "R0000")
    assert "cannot be saved yet" in texts(page)
    near = [button for button in page.button if str(button.key).startswith("near_")]
    assert 1 <= len(near) <= 3
    near[0].click().run()
    assert page.text_input(key=key("number")).value == str(near[0].key).removeprefix("near_")
    assert page.radio(key=key("defect"))


def test_a_restoration_that_no_list_brought_is_entered_on_the_spot(own_lab: Path) -> None:
    page = _number(open_page("enter"), "NEW-1")
    page.radio(key="hand_kind").set_value("crown")
    page.text_input(key="hand_teeth").set_value("11")
    page.text_input(key="hand_delivered").set_value("2.3.2026")
    page.button(key="hand_save").click().run()
    assert "NEW" in page.info[0].value
    page.radio(key=key("defect")).set_value("contact").run()
    page.radio(key=key("contact")).set_value("open")
    _save(page)
    store = open_store(str(own_lab))
    assert latest_returns(store, limit=1)[0].extra == {"contact": "open"}
    assert _restoration(store, "NEW-1").delivered_on == date(2026, 3, 2)


def test_a_refresh_or_another_browser_finds_what_was_typed(own_lab: Path) -> None:
    page = _filled(open_page("enter"))
    page.radio(key=key("severity")).set_value(4).run()
    again = open_page("enter")
    assert "Not saved yet" in texts(again)
    assert again.text_input(key=key("number")).value == "R00001"
    assert again.radio(key=key("defect")).value == "debonding"
    assert again.radio(key=key("severity")).value == 4
    _save(again)
    assert load_draft(open_store(str(own_lab)), "return", owner=HERE) is None
    assert "Not saved yet" not in texts(open_page("enter"))


def test_what_was_typed_can_be_given_up(own_lab: Path) -> None:
    _filled(open_page("enter"))
    again = open_page("enter")
    again.button(key="enter_afresh").click().run()
    assert again.text_input(key=key("number", 1)).value == ""
    assert load_draft(open_store(str(own_lab)), "return", owner=HERE) is None


def test_a_draft_that_no_longer_fits_breaks_nothing(own_lab: Path) -> None:
    from remakes.records.drafts import keep_draft

    answers = {"number": "R00001", "defect": "rust", "teeth": ["99"], "others": ["rust", "surface"], "severity": 9}
    keep_draft(open_store(str(own_lab)), "return", {"format": 1, "answers": answers}, owner="")
    page = open_page("enter")
    assert not page.exception
    assert page.radio(key=key("defect")).value is None


def test_another_scan_sets_the_unfinished_entry_aside(own_lab: Path) -> None:
    page = _filled(open_page("enter"))
    page.text_input(key=key("number")).set_value("R00002").run()
    assert page.text_input(key=key("number", 1)).value == "R00002"
    assert page.radio(key=key("defect", 1)).value is None
    assert "The return of R00001 was not saved" in texts(page)
    page.button(key="enter_back").click().run()
    assert page.text_input(key=key("number", 2)).value == "R00001"
    assert page.radio(key=key("defect", 2)).value == "debonding"
    assert "was not saved when" not in texts(page)


def test_several_entries_set_aside_come_back_one_after_the_other(own_lab: Path) -> None:
    page = _filled(open_page("enter"))
    _number(page, "R00002").radio(key=key("defect", 1)).set_value("surface").run()
    _number(page, "R00003", 1).radio(key=key("defect", 2)).set_value("contact").run()
    page.button(key="enter_back").click().run()
    # What stood in the form takes the place of what came back.
    assert page.text_input(key=key("number", 3)).value == "R00002"
    assert "The return of R00003 was not saved" in texts(page)
    page.button(key="enter_give_up").click().run()
    assert "The return of R00001 was not saved" in texts(page)
    page.button(key="enter_back").click().run()
    assert page.radio(key=key("defect", 4)).value == "debonding"


def test_undo_sets_aside_what_is_being_typed(own_lab: Path) -> None:
    page = _save(_filled(open_page("enter")))
    _number(page, "R00002", 1).radio(key=key("defect", 1)).set_value("surface").run()
    page.button(key="enter_undo").click().run()
    assert page.text_input(key=key("number", 2)).value == "R00001"
    assert "The return of R00002 was not saved" in texts(page)


def test_possible_harm_stays_in_sight_whatever_is_saved_after_it_until_it_is_taken_back(own_lab: Path) -> None:
    page = _filled(open_page("enter"))
    page.radio(key=key("harm")).set_value("yes").run()
    _save(page)
    _number(page, "R00002", 1).radio(key=key("defect", 1)).set_value("surface").run()
    _save(page, 1)
    assert "R00002" in page.success[0].value
    assert "R00001" in page.error[0].value
    assert "call the dentist today" in page.error[0].value
    store = open_store(str(own_lab))
    second, first = latest_returns(store, limit=2)
    assert (first.restoration_id, first.harm, second.harm) == ("R00001", True, None)
    void_returns(store, [first.row_id], who="QA", why="another piece")
    assert not page.run().error


def test_what_could_not_be_kept_with_a_saved_return_is_told(own_lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_args: object, **_kwargs: object) -> None:
        raise EntryError("The photo could not be written (no space).")

    monkeypatch.setattr("remakes.views.enter_parts.photo_parts.add_photo", full)
    page = _filled(open_page("enter"))
    page.file_uploader(key="photo_0_files").upload("piece.jpg", _picture(), "image/jpeg").run()
    _save(page)
    assert "R00001" in page.success[0].value
    assert "could not be written" in page.error[0].value


def _refused(*_args: object, **_kwargs: object) -> None:
    raise StoreError("Somebody else has been writing to the records.")


def test_a_draft_that_cannot_be_kept_is_told_and_the_form_goes_on(
    own_lab: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as locked:
        locked.setattr("remakes.views.enter_parts.answers.keep_draft", _refused)
        page = _filled(open_page("enter"))
    assert "kept in this window only" in texts(page)
    assert not page.error
    page.run()
    # Tried again at the next answer.
    assert "kept in this window only" not in texts(page)
    assert load_draft(open_store(str(own_lab)), "return", owner=HERE) is not None


def test_another_scan_that_would_lose_the_unfinished_entry_is_not_taken(
    own_lab: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = _filled(open_page("enter"))
    monkeypatch.setattr("remakes.views.enter_parts.answers.keep_draft", _refused)
    _number(page, "R00002")
    assert not page.exception
    assert "Somebody else has been writing" in page.error[0].value
    assert page.text_input(key=key("number")).value == "R00001"
    assert page.radio(key=key("defect")).value == "debonding"


@pytest.mark.parametrize("harm", ["no", "yes"])
def test_a_return_is_told_as_saved_though_nothing_can_be_written_after_it(
    own_lab: Path, monkeypatch: pytest.MonkeyPatch, harm: str
) -> None:
    store = open_store(str(own_lab))
    before = len(latest_returns(store, limit=1000))
    page = _filled(open_page("enter"))
    page.radio(key=key("harm")).set_value(harm).run()
    with monkeypatch.context() as locked:
        for name in ("answers.keep_draft", "answers.drop_draft", "last_saved.keep_draft"):
            locked.setattr(f"remakes.views.enter_parts.{name}", _refused)
        _save(page)
    assert not page.exception
    assert "Nothing was saved" not in texts(page)
    told = page.error[0].value if harm == "yes" else page.success[0].value
    assert "R00001" in told
    # An empty form, and no draft that would be saved a second time.
    assert page.text_input(key=key("number", 1)).value == ""
    assert len(latest_returns(store, limit=1000)) == before + 1
    page.run()
    assert load_draft(store, "return", owner=HERE) is None


def test_undo_takes_the_last_one_back_and_fills_the_form_again(own_lab: Path) -> None:
    page = _filled(open_page("enter"))
    page.multiselect(key=key("others")).set_value(["surface"]).run()
    _save(page)
    page.button(key="enter_undo").click().run()
    assert page.text_input(key=key("number", 2)).value == "R00001"
    assert page.radio(key=key("defect", 2)).value == "debonding"
    assert page.multiselect(key=key("others", 2)).value == ["surface"]
    assert all(one.voided for one in latest_returns(open_store(str(own_lab)), limit=2))
    assert "enter_undo" not in [button.key for button in page.button]


def _picture() -> bytes:
    to = io.BytesIO()
    Image.new("RGB", (40, 30), "grey").save(to, "JPEG")
    return to.getvalue()


def test_a_photo_is_kept_with_the_return_and_shown(own_lab: Path) -> None:
    page = _filled(open_page("enter"))
    page.file_uploader(key="photo_0_files").upload("piece.jpg", _picture(), "image/jpeg").run()
    _save(page)
    assert "1 photo is kept with it" in page.success[0].value
    store = open_store(str(own_lab))
    (photo,) = list_photos(store, restoration_id="R00001")
    assert photo.return_id == latest_returns(store, limit=1)[0].return_id
    assert "1 photo" in [str(button.label) for button in page.button]
    assert "photo added" in set(table_with(_opened("R00001"), "what")["what"])


def test_what_is_no_photo_stops_the_save(own_lab: Path) -> None:
    store = open_store(str(own_lab))
    version = store.data_version()
    page = _filled(open_page("enter"))
    page.file_uploader(key="photo_0_files").upload("piece.jpg", b"no picture at all", "image/jpeg").run()
    _save(page)
    assert "no photo in JPEG or PNG" in texts(page)
    assert store.data_version() == version


def _opened(number: str, role: str = "quality") -> AppTest:
    page = open_page("restoration", role=role)
    page.text_input(key="no").set_value(number).run()
    assert not page.exception
    return page


def test_a_remade_piece_is_linked_to_the_new_one(own_lab: Path) -> None:
    store = open_store(str(own_lab))
    newest = max(
        (found for n in range(1, 600) if (found := find_restoration(store, f"R{n:05d}")) and not found.remake_of),
        key=lambda one: one.delivered_on,
    )
    page = _filled(open_page("enter"))
    page.radio(key=key("disposition")).set_value("remade").run()
    page.text_input(key=key("replaced_by")).set_value("R99999")
    _save(page)
    assert "no restoration" in texts(page)
    page.text_input(key=key("replaced_by")).set_value(newest.restoration_id.lower())
    _save(page)
    assert "Saved" in page.success[0].value
    assert _restoration(store, newest.restoration_id).remake_of == "R00001"
    unlink_remake(store, newest.restoration_id, was="R00001", who="QA", why="for a test")


def test_the_restoration_page_tells_the_story(own_lab: Path) -> None:
    store = open_store(str(own_lab))
    raw = {"restoration_id": "R00001", "reported_on": date.today(), "defect": "loosening", "cement_is": "tooth"}
    enter_return(store, raw, who="QA")
    add_photo(store, latest_returns(store, limit=1)[0].return_id, _picture(), who="QA")
    page = _opened("r00001")
    assert "came back with" in page.header[0].value
    assert "Readings that the standard of that day asks for" in texts(page)
    table = table_with(page, "what")
    assert list(table.columns) == ["day", "time", "what", "what it says", "status", "detail", "limit", "who"]
    assert {"delivered", "returned", "photo added"} <= set(table["what"])
    assert {"kept"} <= set(table["status"])
    assert any("Where is the cement? On the tooth" in detail for detail in table["detail"])


def test_a_technician_reads_the_story_and_changes_nothing(own_lab: Path) -> None:
    enter_return(
        open_store(str(own_lab)),
        {"restoration_id": "R00001", "reported_on": date.today(), "defect": "contact"},
        who="QA",
    )
    page = _opened("R00001", role="technician")
    assert not [button.key for button in page.button if str(button.key).startswith(("undo", "correct", "photos", "go"))]


def test_a_link_is_made_and_taken_back_on_the_page(own_lab: Path) -> None:
    store = open_store(str(own_lab))
    numbers = [f"R{n:05d}" for n in range(1, 600)]
    records = [found for one in numbers if (found := find_restoration(store, one)) and not found.remake_of]
    first, last = (pick(records, key=lambda one: one.delivered_on).restoration_id for pick in (min, max))
    page = _opened(last)
    page.text_input(key="link_replaces").set_value(first)
    next(button for button in page.button if button.label == "Link").click().run()
    assert _restoration(store, last).remake_of == first
    page.text_input(key="unlink_why").set_value("mixed up")
    next(button for button in page.button if button.label == "Take the link back").click().run()
    assert _restoration(store, last).remake_of is None


@pytest.mark.parametrize("tool", ["Correct", "Add photo"])
def test_signs_in_the_number_of_a_return_are_no_format_in_the_title_of_a_dialog(own_lab: Path, tool: str) -> None:
    page = _filled(open_page("enter"))
    page.text_input(key=key("return_id")).set_value("![q](x.png)").run()
    _save(page)
    next(one for one in page.button if one.label == tool).click().run()
    assert not page.exception
    titles = [block.proto.dialog.title for block in page.get("dialog")]
    assert len(titles) == 1
    assert "\\!\\[q" in titles[0]


def test_signs_in_a_number_near_the_one_typed_are_no_format(own_lab: Path) -> None:
    raw = {"restoration_id": "Z*77*1", "kind": "crown", "teeth": "11", "delivered_on": "2026-03-02"}
    enter_restoration(open_store(str(own_lab)), raw, who="QA", today=date(2026, 12, 31))
    page = _number(open_page("enter"), "Z*77*2")
    (near,) = (one for one in page.button if one.key == "near_Z*77*1")
    assert near.label == "Z\\*77\\*1"
    near.click().run()
    assert page.text_input(key=key("number")).value == "Z*77*1"


def _correcting(row: int) -> None:
    from remakes.records.look_up import recorded_returns
    from remakes.views import state
    from remakes.views.enter_parts import correct

    correct.open_for(recorded_returns(state.store(), (row,))[0])


@pytest.mark.parametrize(("framework", "typed", "asked"), [("zirconia", "", False), ("zirconia", "20", True)])
def test_a_correction_asks_for_bare_metal_where_it_was_answered_or_may_be(
    own_lab: Path, framework: str, typed: str, asked: bool
) -> None:
    store = open_store(str(own_lab))
    numbers = (f"R{n:05d}" for n in range(1, 600))
    number = next(one for one in numbers if (made := find_restoration(store, one)) and made.framework == framework)
    raw = {"restoration_id": number, "reported_on": date.today(), "defect": "chipping", "bare_metal_pct": typed}
    row = enter_return(store, raw, who="QA")
    page = AppTest.from_function(_correcting, args=(row,), default_timeout=60)
    page.session_state["role"] = "quality"
    page.run()
    assert not page.exception
    assert (f"correct_{row}_bare_metal_pct" in [one.key for one in page.text_input]) is asked

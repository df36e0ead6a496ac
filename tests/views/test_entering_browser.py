"""Entering by keyboard alone in a browser: how many keys, what a scanner does, dialogs."""

from __future__ import annotations

import io
import shutil
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import pytest
from PIL import Image

from tests.views.serving import BROWSER, served, settle, visiting

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytestmark = BROWSER

#: Key presses after the scan, which ends with Enter by itself.
SHORTEST: Final = ("Tab", "Space", "Control+s")
#: Debonding, nobody hurt, adhesive, repaired at severity 4, in service.
USUAL: Final = (
    *("Tab", "Space", "ArrowDown"),  # defect
    *("Tab", "Space"),  # harm: no
    *("Tab", "Tab", "Space"),  # past further defects; plane: adhesive
    *("Tab", "Tab", "Space", "ArrowRight", "ArrowRight", "ArrowRight"),  # past bare metal; severity 4
    *("Tab", "Space", "ArrowLeft"),  # found: the last one, in service
    "Control+s",
)


@pytest.fixture(scope="module")
def lab(clear_lab_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    copy = tmp_path_factory.mktemp("entering") / "lab.sqlite"
    shutil.copyfile(clear_lab_file, copy)
    return copy


@pytest.fixture(scope="module")
def address(lab: Path) -> Iterator[str]:
    with served(lab) as at:
        yield at


@pytest.fixture(scope="module")
def visit(chromium: Any, address: str) -> Iterator[Any]:
    with visiting(chromium, address, viewport={"width": 1280, "height": 900}) as page:
        yield page


def opened(visit: Any) -> Any:
    """The page with an empty form; gives the field for the number."""
    visit.goto("/enter-return?role=quality")
    number = visit.get_by_role("textbox", name="Restoration number", exact=True)
    number.wait_for()
    visit.get_by_role("heading", name="Last ten entered").wait_for()
    settle(visit)
    afresh = visit.get_by_role("button", name="Start afresh")
    for _ in range(3):
        # Seen twice on a machine at its limit: as if nobody had pressed. Why is not known; then once more.
        if afresh.count():
            afresh.click()
            settle(visit)
        with suppress(AssertionError):
            holds(number, "")
            break
    holds(number, "")
    sync_api.expect(number).to_be_focused()
    return number


def scan(visit: Any, number: str) -> None:
    visit.keyboard.type(number)
    visit.keyboard.press("Enter")


def press(visit: Any, keys: tuple[str, ...], *, wait: bool = True) -> None:
    for one in keys:
        visit.keyboard.press(one)
        if wait:
            # A person's pace: what a key sets off may begin a moment after it.
            visit.wait_for_timeout(200)
            settle(visit)


def newest(lab: Path, columns: str) -> tuple[Any, ...]:
    with sqlite3.connect(lab) as connection:
        (found,) = connection.execute(f"select {columns} from returns order by id desc limit 1").fetchall()
    connection.close()
    return tuple(found)


def until(true: Callable[[], bool]) -> None:
    end = time.monotonic() + 15
    while not true():
        assert time.monotonic() < end, "waited for 15 seconds"
        time.sleep(0.05)


def holds(field: Any, value: str) -> None:
    """Wait until there is one such field with this value; for a moment the old one stands beside the new one."""
    until(lambda: field.evaluate_all("all => all.map(one => one.value)") == [value])


def test_the_shortest_entry_takes_three_keys_however_fast_and_the_next_scan_finds_its_way(
    visit: Any, lab: Path
) -> None:
    assert len(SHORTEST) <= 3
    number = opened(visit)
    # A whole stack without a pause: what is typed while the page is being drawn is held, and given to the new form.
    for one in ("R00010", "R00012", "R00013"):
        scan(visit, one)
        press(visit, SHORTEST, wait=False)
        if one == "R00012":
            visit.get_by_text("Saved: R00012, chipping").wait_for()
    visit.get_by_text("Saved: R00013, chipping").wait_for()
    sync_api.expect(number).to_be_focused()
    sync_api.expect(number).to_have_value("")
    columns = "group_concat(restoration_id), group_concat(distinct defect), count(severity), count(harm)"
    with sqlite3.connect(lab) as connection:
        last = f"select {columns} from (select * from returns order by id desc limit 3)"
        assert connection.execute(last).fetchall() == [("R00013,R00012,R00010", "chipping", 0, 0)]
    connection.close()


@pytest.mark.parametrize("number", ["R00014", "R00015", "R00016"])
def test_whoever_types_as_soon_as_the_field_is_there_loses_no_key(
    chromium: Any, address: str, lab: Path, number: str
) -> None:
    # In a browser that was never here before: scripts are still being fetched while the first number is typed.
    with visiting(chromium, address) as visit:
        visit.goto("/enter-return?role=quality")
        field = visit.get_by_role("textbox", name="Restoration number", exact=True)
        field.wait_for()
        settle(visit)
        field.focus()
        scan(visit, number)
        visit.get_by_text(f"{number}:").wait_for()
        press(visit, SHORTEST, wait=False)
        visit.get_by_text(f"Saved: {number}, chipping").wait_for()
    assert newest(lab, "restoration_id, defect") == (number, "chipping")


def test_a_usual_entry_takes_eighteen_keys(visit: Any, lab: Path) -> None:
    assert len(USUAL) <= 18
    opened(visit)
    scan(visit, "R00011")
    visit.get_by_text("R00011:").wait_for()
    settle(visit)
    visit.set_viewport_size({"width": 390, "height": 900})
    assert visit.evaluate("document.documentElement.scrollWidth") <= 390
    visit.set_viewport_size({"width": 1280, "height": 900})
    press(visit, USUAL, wait=False)
    visit.get_by_text("Saved: R00011, debonding").wait_for()
    columns = "restoration_id, defect, harm, plane, severity, found_at"
    assert newest(lab, columns) == ("R00011", "debonding", 0, "adhesive", 4, "in_service")


def test_what_was_typed_last_is_saved_and_one_key_takes_it_back(visit: Any, lab: Path) -> None:
    number = opened(visit)
    scan(visit, "R00030")
    visit.get_by_text("R00030:").wait_for()
    settle(visit)
    press(visit, ("Tab", "Space"))
    visit.get_by_role("textbox", name="Judged by").click()
    visit.keyboard.type("QA")
    visit.keyboard.press("Control+s")  # while the cursor is still in the field
    visit.get_by_text("Saved: R00030").wait_for()
    assert newest(lab, "judged_by, voided_at is null") == ("QA", 1)
    settle(visit)
    visit.keyboard.press("Alt+u")
    until(lambda: newest(lab, "voided_at is null") == (0,))
    holds(number, "R00030")
    sync_api.expect(visit.get_by_role("textbox", name="Judged by")).to_have_value("QA")


def test_a_scan_finds_the_number_wherever_the_cursor_is(visit: Any) -> None:
    number = opened(visit)
    scan(visit, "R00040")
    visit.get_by_text("R00040:").wait_for()
    settle(visit)
    press(visit, ("Tab", "Space"))
    sync_api.expect(visit.get_by_role("radio", name="Chipping")).to_be_focused()
    scan(visit, "R00041")
    visit.get_by_text("R00041:").wait_for()
    holds(number, "R00041")
    visit.get_by_text("The return of R00040 was not saved").wait_for()
    sync_api.expect(visit.get_by_role("radio", name="Chipping")).not_to_be_checked()
    settle(visit)
    # Its Enter presses no button that happens to have the focus.
    visit.get_by_role("button", name="Give it up").focus()
    scan(visit, "R00042")
    visit.get_by_text("R00042:").wait_for()
    visit.get_by_text("The return of R00040 was not saved").wait_for()
    visit.get_by_role("button", name="Give it up").click()
    settle(visit)


def picture() -> bytes:
    to = io.BytesIO()
    Image.new("RGB", (400, 300), "grey").save(to, "JPEG")
    return to.getvalue()


def test_a_photo_is_added_to_a_saved_return_and_seen_on_the_restoration(visit: Any) -> None:
    opened(visit)
    visit.get_by_role("button", name="Add photo").first.click()
    dialog = visit.get_by_role("dialog")
    dialog.get_by_text("The piece only, no patient").wait_for()
    dialog.locator("input[type=file]").set_input_files(
        [{"name": "piece.jpg", "mimeType": "image/jpeg", "buffer": picture()}]
    )
    keep = dialog.get_by_role("button", name="Keep these photos")
    sync_api.expect(keep).to_be_enabled()
    keep.click()
    visit.get_by_role("button", name="1 photo").wait_for()
    visit.get_by_role("button", name="1 photo").click()
    visit.get_by_role("dialog").get_by_role("img", name="Photo of the returned piece").wait_for()

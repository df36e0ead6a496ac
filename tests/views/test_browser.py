"""The app in a browser: by keyboard alone, by addresses, no request to anywhere else."""

from __future__ import annotations

import re
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.views.serving import BROWSER, served, settle, visiting, whole

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytestmark = BROWSER

NEW = b"restoration_id,kind,units,delivered_on\nX1,crown,1,2026-01-05\n"


@pytest.fixture(scope="module")
def lab(clear_lab_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    copy = tmp_path_factory.mktemp("browser") / "lab.sqlite"
    shutil.copyfile(clear_lab_file, copy)
    return copy


@pytest.fixture(scope="module")
def address(lab: Path) -> Iterator[str]:
    with served(lab) as at:
        yield at


@pytest.fixture(scope="module")
def visit(chromium: Any, address: str) -> Iterator[Any]:
    """A visit that fails at the end if anything was asked of another host."""
    with visiting(chromium, address) as page:
        yield page


def rows(lab: Path, query: str) -> list[tuple[Any, ...]]:
    with sqlite3.connect(lab) as connection:
        found = connection.execute(query).fetchall()
    connection.close()
    return found


def test_a_return_is_entered_by_keyboard_alone_and_taken_back(visit: Any, lab: Path) -> None:
    visit.goto("/enter-return?role=quality")
    number = visit.get_by_role("textbox", name="Restoration number", exact=True)
    sync_api.expect(number).to_be_focused()
    keys = visit.keyboard
    keys.type("R00002")
    keys.press("Enter")
    visit.get_by_text("R00002:").wait_for()
    settle(visit)
    keys.press("Tab")
    keys.press("Space")  # the first defect
    visit.get_by_text("Where did the break run?").wait_for()
    keys.press("ArrowDown")  # the second
    sync_api.expect(visit.get_by_role("radio", name="Debonding")).to_be_checked()
    note = visit.get_by_role("textbox", name="Note, in the reporter's words")
    for _ in range(9):  # counted, not looked for: keys pressed while the page is drawn take effect a moment later
        keys.press("Tab")
    sync_api.expect(note).to_be_focused()
    keys.type("came off whole")
    keys.press("Control+s")  # while the cursor is still in the note
    visit.get_by_text("Saved: R00002, debonding").wait_for()
    newest = "select restoration_id, defect, note, voided_at is null, voided_why from returns order by id desc limit 1"
    assert rows(lab, newest) == [("R00002", "debonding", "came off whole", 1, None)]
    sync_api.expect(number).to_be_focused()
    sync_api.expect(number).to_have_value("")

    # The next scan must find its way without a mouse, though the message of the last one goes away.
    keys.type("R00003")
    keys.press("Enter")
    visit.get_by_text("R00003:").wait_for()
    settle(visit)
    keys.press("Tab")
    keys.press("Space")
    sync_api.expect(visit.get_by_role("radio", name="Chipping")).to_be_checked()

    visit.get_by_role("button", name="Undo").first.press("Enter")
    sync_api.expect(visit.get_by_role("textbox", name="Why is it taken back?")).to_be_focused()
    keys.press("Enter")
    visit.get_by_text("No reason was given").wait_for()
    keys.type("typed in for a test")
    keys.press("Enter")
    visit.get_by_text("taken back: typed in for a test").wait_for()
    assert rows(lab, newest) == [("R00002", "debonding", "came off whole", 0, "typed in for a test")]


def test_a_list_is_uploaded_looked_at_saved_and_taken_back(visit: Any, lab: Path) -> None:
    known = "select count(*) from restorations where restoration_id = 'X1'"
    visit.goto("/lists?role=quality")
    visit.get_by_text("What was brought in").wait_for()
    whole(visit)
    visit.locator("input[type=file]").first.set_input_files(
        [{"name": "restorations.csv", "mimeType": "text/csv", "buffer": NEW}]
    )
    visit.get_by_text("1 would be taken").wait_for()
    assert rows(lab, known) == [(0,)]
    visit.get_by_role("button", name="Save these rows").click()
    visit.get_by_text("restorations.csv: 1 taken").wait_for()
    settle(visit)
    assert rows(lab, known) == [(1,)]
    visit.get_by_role("combobox", name="Import to take back").click()
    visit.get_by_role("option", name="6: restorations.csv").click()
    visit.get_by_role("button", name="Take back").click()
    visit.get_by_text("Import 6, restorations.csv").wait_for()
    visit.get_by_role("button", name="Take it back").click()
    visit.get_by_text("500 restorations").wait_for()
    assert rows(lab, known) == [(0,)]


def test_a_closer_look_at_a_finding_is_opened_from_its_own_address(visit: Any) -> None:
    visit.goto("/steps?role=manager&finding=grit_uses+with+debonding")
    visit.get_by_role("combobox", name="Finding").wait_for()
    settle(visit)
    sync_api.expect(visit.get_by_role("radio", name="manager")).to_be_checked()
    assert "finding=grit_uses+with+debonding" in visit.url
    visit.goto("/steps?role=manager&finding=bond_wait+with+debonding")
    visit.get_by_text("Can it be believed?").wait_for()
    settle(visit)
    sync_api.expect(visit.get_by_role("combobox", name="Finding")).to_have_value(
        "“Left to react for 3 minutes” (bond_wait) with debonding"
    )
    look, months = (
        visit.get_by_role("button", name="Look closer"),
        visit.get_by_text("When returns come."),
    )
    look.or_(months).first.wait_for()
    asked = look.count() > 0
    if asked:
        look.press("Enter")
    months.wait_for()
    settle(visit)
    if not asked:  # Somebody else's visit asked: what came of it is there, folded away.
        months.click()
        visit.get_by_text("The reading and its limit.").click()
    sync_api.expect(look).to_have_count(0)
    visit.get_by_text("Can it be believed?").click()
    visit.get_by_role("cell", name="Does it hang on one technician?").wait_for()
    # Forest, reading and months: each drawn, none wider than its place.
    charts = visit.get_by_test_id("stVegaLiteChart")
    sync_api.expect(charts).to_have_count(3)
    for chart in charts.all():
        drawn = chart.locator("canvas, svg").first
        drawn.scroll_into_view_if_needed()
        sync_api.expect(drawn).to_be_visible()
        assert drawn.bounding_box()["width"] <= chart.bounding_box()["width"] + 1
    visit.get_by_text("missed (").click()
    settle(visit)
    assert visit.get_by_test_id("stException").count() == 0


@pytest.mark.parametrize("path", ["/restoration?role=quality&no=", "/restoration?role="])
def test_words_of_a_visitor_are_never_fetched(visit: Any, path: str) -> None:
    # What stands in an address or a number comes back in an error's words: as words, not as an image.
    visit.goto(f"{path}![x](http://example.invalid/a.png)", wait_until="networkidle")
    sync_api.expect(visit.get_by_role("heading", level=1)).to_be_visible()
    if "no=" in path:
        sync_api.expect(visit.get_by_text("example.invalid").first).to_be_visible()


def test_a_link_to_a_part_of_the_bench_keeps_whose_bench_it_is(visit: Any) -> None:
    # What the page wrote into the address used to undo the code that stood beside it.
    visit.goto("/bench-log?role=technician&technician=T02&bench_part=late")
    visit.get_by_text("For what was not written down at the step.").wait_for()
    settle(visit)
    assert "technician=T02" in visit.url
    assert visit.get_by_text("Choose your own code at the left.").count() == 0


#: By role, what the menu leads to beside Today.
MENUS = {
    "quality": ("Enter a return", "Month in review", "Lists and import"),
    "manager": ("Month in review", "Which steps matter", "What to try next", "Lists and import", "People and set-up"),
    "technician&technician=T01": ("Bench log", "My work"),
}


@pytest.mark.parametrize("role", MENUS)
def test_every_page_is_left_and_come_back_to(visit: Any, role: str) -> None:
    # A page that was loaded and one that is come back to differ in what the toolkit remembers of their fields.
    visit.goto(f"/?role={role}")
    whole(visit)
    for name in (*MENUS[role], "Today") * 2:
        visit.get_by_role("link", name=name, exact=True).click()
        sync_api.expect(visit).to_have_title(f"{name} · remakes")
        whole(visit)
        assert visit.get_by_text("Something went wrong").count() == 0, name


def test_what_if_stays_asked_while_other_pages_are_looked_at(visit: Any) -> None:
    visit.goto("/try-next?role=manager")
    whole(visit)
    visit.get_by_text("What if?", exact=True).first.click()
    slider = visit.get_by_role("slider", name="Months of service that count")
    slider.focus()
    slider.press("ArrowRight")
    visit.get_by_text("13 months of service count").first.wait_for()
    settle(visit)
    visit.get_by_role("link", name="Lists and import", exact=True).click()
    visit.get_by_text("What was brought in").wait_for()
    settle(visit)
    visit.get_by_role("link", name="What to try next", exact=True).click()
    visit.get_by_text("13 months of service count").first.wait_for()


def test_a_table_with_more_columns_than_are_seen_says_so_until_they_are(visit: Any) -> None:
    visit.set_viewport_size({"width": 390, "height": 900})
    visit.goto("/steps?role=manager&finding=bond_wait+with+debonding")
    whole(visit)
    grid = visit.get_by_test_id("stDataFrame").last
    grid.scroll_into_view_if_needed()
    said = "one => getComputedStyle(one.closest('.stElementContainer'), '::after').content"
    # The sign comes a moment after the table.
    visit.wait_for_function(f"() => [...document.querySelectorAll('[data-more]')].some(one => ({said})(one) != 'none')")
    assert "More columns at the right" in grid.evaluate(said)
    grid.locator(".dvn-scroller").evaluate("one => { one.scrollLeft = one.scrollWidth; }")
    sync_api.expect(grid).not_to_have_attribute("data-more", re.compile(".*"))
    assert grid.evaluate(said) == "none"

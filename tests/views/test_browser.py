"""The app in a browser: by keyboard alone, both colour schemes, no request to anywhere else."""

from __future__ import annotations

import os
import shutil
import socket
import sqlite3
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("google-chrome")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine: set CHROMIUM to its path"),
]

ROOT = Path(__file__).parents[2]
PAGES = {
    "/?role=quality": "Today",
    "/enter-return?role=quality": "Enter a return",
    "/months?role=manager": "Month in review",
    "/steps?role=manager": "Which steps matter",
    "/try-next?role=manager": "What to try next",
    "/my-work?role=technician&technician=T02": "My work",
    "/lists?role=quality": "Lists and import",
    "/restoration?role=quality&no=R00001": "Restoration",
}
NEW = b"restoration_id,kind,units,delivered_on\nX1,crown,1,2026-01-05\n"


@pytest.fixture(scope="module")
def lab(clear_lab_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    copy = tmp_path_factory.mktemp("browser") / "lab.sqlite"
    shutil.copyfile(clear_lab_file, copy)
    return copy


@pytest.fixture(scope="module")
def address(lab: Path) -> Iterator[str]:
    """A server of its own on a free port; stopped again whatever happens."""
    with socket.socket() as probe:
        probe.bind(("localhost", 0))
        port = probe.getsockname()[1]
    start = "import sys; from remakes.views.server import serve; "
    start += "serve(sys.argv[1], port=int(sys.argv[2]), open_browser=False)"
    # The parent's warning filter would make the server's own libraries fail.
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONWARNINGS"}
    environment["PYTHONPATH"] = str(ROOT)
    server = subprocess.Popen(
        [sys.executable, "-c", start, str(lab), str(port)], env=environment, cwd=lab.parent, stderr=subprocess.PIPE
    )
    try:
        at = f"http://localhost:{port}"
        for _ in range(200):
            if server.poll() is not None:
                pytest.fail(f"the server stopped: {server.stderr.read().decode() if server.stderr else ''}")
            try:
                with urllib.request.urlopen(f"{at}/_stcore/health", timeout=1):
                    break
            except OSError:
                time.sleep(0.1)
        yield at
    finally:
        server.terminate()
        server.communicate(timeout=10)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
        )
        yield running
        running.close()


@pytest.fixture
def visit(chromium: Any, address: str, request: pytest.FixtureRequest) -> Iterator[Any]:
    """A fresh visit that fails at the end if anything was asked of another host."""
    scheme = getattr(request, "param", "light")
    context = chromium.new_context(color_scheme=scheme, base_url=address)
    page = context.new_page()
    page.set_default_timeout(20_000)
    asked: list[str] = []
    page.on("request", lambda one: asked.append(one.url))
    page.on("websocket", lambda one: asked.append(one.url))
    yield page
    context.close()
    here = address.removeprefix("http://")
    elsewhere = [url for url in asked if not url.startswith((f"http://{here}/", f"ws://{here}/", "data:", "blob:"))]
    assert not elsewhere
    assert any(url.startswith("ws://") for url in asked)


def settle(visit: Any) -> None:
    """Wait until the page is whole: what is pressed before may find nothing, or something else."""
    visit.locator("[data-test-script-state='notRunning']").wait_for()


def rows(lab: Path, query: str) -> list[tuple[Any, ...]]:
    with sqlite3.connect(lab) as connection:
        found = connection.execute(query).fetchall()
    connection.close()
    return found


@pytest.mark.parametrize("visit", ["light", "dark"], indirect=True)
def test_every_page_loads_without_a_fault_in_light_and_dark(visit: Any, request: pytest.FixtureRequest) -> None:
    faults: list[str] = []
    visit.on("pageerror", lambda error: faults.append(str(error)))
    for path, title in PAGES.items():
        visit.goto(path)
        visit.get_by_role("heading", name=title, exact=True, level=1).wait_for()
        visit.get_by_text("Stop and report suspected harm.").wait_for()
        assert visit.get_by_test_id("stException").count() == 0, title
        assert visit.get_by_text("Something went wrong").count() == 0, title
    assert not faults
    dark = request.node.callspec.params["visit"] == "dark"
    ground = visit.evaluate("getComputedStyle(document.querySelector('.stApp')).backgroundColor")
    assert ground == ("rgb(21, 24, 28)" if dark else "rgb(252, 251, 248)")


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
    for _ in range(25):
        if note.evaluate("field => field === document.activeElement"):
            break
        keys.press("Tab")
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
    visit.locator("input[type=file]").first.set_input_files(
        [{"name": "restorations.csv", "mimeType": "text/csv", "buffer": NEW}]
    )
    visit.get_by_text("1 good rows").wait_for()
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


def test_a_finding_leads_to_the_restorations_behind_it_and_the_address_keeps_the_choice(visit: Any) -> None:
    visit.goto("/steps?role=manager&defect=Debonding")
    visit.get_by_role("heading", name="Show me these").wait_for()
    sync_api.expect(visit.get_by_role("radio", name="manager")).to_be_checked()
    assert "defect=Debonding" in visit.url
    visit.goto("/restoration?role=manager&no=R00002")
    visit.get_by_role("heading", name="R00002 was delivered on").wait_for()
    visit.get_by_role("link", name="What to try next").wait_for()


@pytest.mark.parametrize("visit", ["light", "dark"], indirect=True)
def test_a_closer_look_at_a_finding_is_opened_from_its_own_address(visit: Any) -> None:
    faults: list[str] = []
    visit.on("pageerror", lambda error: faults.append(str(error)))
    visit.goto("/steps?role=manager&finding=grit_uses+with+debonding")
    visit.get_by_text("The requirement: uses").wait_for()
    settle(visit)
    assert "finding=grit_uses+with+debonding" in visit.url
    visit.goto("/steps?role=manager&finding=bond_wait+with+debonding")
    visit.get_by_text("The requirement: Left to react for 3 minutes").wait_for()
    settle(visit)
    look, months = (
        visit.get_by_role("button", name="Look closer"),
        visit.get_by_role("heading", name="When returns come"),
    )
    look.or_(months).first.wait_for()
    if look.count():  # The first visit asks; for the second it is there.
        look.press("Enter")
    months.wait_for()
    settle(visit)
    sync_api.expect(look).to_have_count(0)
    visit.get_by_role("cell", name="Does it hang on one technician?").wait_for()
    visit.get_by_role("heading", name="The reading and its limit").wait_for()
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
    assert not faults


@pytest.mark.parametrize("path", ["/restoration?role=quality&no=", "/restoration?role="])
def test_words_of_a_visitor_are_never_fetched(visit: Any, path: str) -> None:
    # What stands in an address or a number comes back in an error's words: as words, not as an image.
    visit.goto(f"{path}![x](http://example.invalid/a.png)", wait_until="networkidle")
    sync_api.expect(visit.get_by_role("heading", level=1)).to_be_visible()
    if "no=" in path:
        sync_api.expect(visit.get_by_text("example.invalid").first).to_be_visible()

"""The bench log in a browser: timers outlive refresh and restart, targets are large, a scan and a sheet are saved."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from remakes.records.bench.readings import standing_readings
from remakes.records.bench.timers import running_timers
from remakes.records.store import Store, open_store
from tests.records.bench_lab import begin, take_standard
from tests.views.serving import CHROMIUM, free_port, served, settle

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine: set CHROMIUM to its path"),
]

BENCH = "/bench-log?role=technician&technician=T1"
#: Height in pixels of everything that is tapped, and by how much the page is wider than the window.
SMALL = """() => [...document.querySelectorAll('.stMain button, .stMain input, .stMain summary')]
  .filter((one) => one.offsetParent && !one.closest('[data-testid=stElementToolbar]'))
  .filter((one) => one.getBoundingClientRect().height < 47.5)
  .map((one) => `${one.tagName} ${one.innerText || one.ariaLabel} ${one.getBoundingClientRect().height}`)"""
TOO_WIDE = "() => document.documentElement.scrollWidth - window.innerWidth"


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A lab that knows technician T1, with two restorations in work."""
    from datetime import date

    from remakes.records.bench.delivery import deliver

    file = tmp_path_factory.mktemp("bench") / "lab.sqlite"
    store = open_store(str(file))
    take_standard(store)
    for number in ("OLD", "N1", "N2"):
        begin(store, number)
    deliver(store, "OLD", delivered_on=date.today(), who="technician T1")
    store.close()
    return file


@pytest.fixture(scope="module")
def address(lab: Path) -> Iterator[str]:
    with served(lab) as at:
        yield at


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        yield running
        running.close()


@pytest.fixture
def visit(chromium: Any) -> Iterator[Any]:
    page = chromium.new_page(viewport={"width": 1280, "height": 1400})
    page.set_default_timeout(30_000)
    yield page
    page.close()


def store_of(lab: Path) -> Store:
    return open_store(str(lab))


def shown_seconds(visit: Any) -> int:
    minutes, seconds = visit.get_by_role("timer").first.inner_text().split(":")
    return int(minutes) * 60 + int(seconds)


def test_a_timer_outlives_refresh_and_restart_and_is_stopped_from_its_first_start(lab: Path, visit: Any) -> None:
    store, port = store_of(lab), free_port()
    with served(lab, port=port) as at:
        visit.goto(f"{at}{BENCH}&piece=N1&step=bonding")
        visit.get_by_role("button", name="Start wait").click()
        visit.get_by_role("timer").wait_for()
        (timer,) = running_timers(store)
        before = shown_seconds(visit)
        visit.reload()
        visit.get_by_role("button", name="Stop wait").wait_for()
        assert shown_seconds(visit) >= before
        visit.wait_for_timeout(1_500)
        assert shown_seconds(visit) > before  # it ticks, and nothing asks the server
    time.sleep(1)
    with served(lab, port=port) as at:
        visit.goto(f"{at}{BENCH}")
        assert running_timers(store) == (timer,)
        visit.get_by_role("button", name="Stop wait").click()
        visit.get_by_text("written down for wait").wait_for()
    standing = standing_readings(store, ["N1"])["N1"]["bonding", "wait_s"]
    passed = (standing.recorded_at or timer.started_at) and int(standing.value)
    assert passed >= 3
    assert running_timers(store) == ()


@pytest.mark.parametrize("width", [390, 820])
def test_every_target_is_large_and_nothing_scrolls_sideways(address: str, visit: Any, width: int) -> None:
    visit.set_viewport_size({"width": width, "height": 900})
    for place, there in (
        ("", "restorations are in work"),
        ("&piece=N2&step=opaquer", "readings are recorded"),
        ("&piece=N2&step=blasting", "readings are recorded"),
        ("&bench_part=begin", "Case numbers and pseudonyms only"),
        ("&bench_part=late", "A blank cell is not recorded"),
    ):
        visit.goto(f"{address}{BENCH}{place}")
        visit.get_by_text(there).wait_for()
        settle(visit)
        visit.get_by_text("Stop and report suspected harm.").wait_for()
        # Fields are drawn after their texts, one by one.
        visit.wait_for_function("() => !document.querySelector('.stMain [data-testid=stSkeleton]')")
        for summary in visit.locator(".stMain summary").all():
            summary.click()
        assert visit.evaluate(SMALL) == [], place
        assert visit.evaluate(TOO_WIDE) <= 0, place


def test_a_scan_opens_a_restoration_and_sets_a_machine_by_keyboard_alone(lab: Path, address: str, visit: Any) -> None:
    visit.goto(f"{address}{BENCH}")
    scan = visit.get_by_role("textbox", name="Scan", exact=True)
    scan.wait_for()
    settle(visit)
    scan.focus()
    visit.keyboard.type("N2")
    visit.keyboard.press("Enter")
    visit.get_by_text("N2: 0 of 7 readings are recorded.").wait_for()
    settle(visit)
    visit.get_by_role("button", name=re.compile("opaquer: 0 of 2")).click()
    visit.get_by_text("coats: at least 2 coats").wait_for()
    settle(visit)
    scan.focus()
    visit.keyboard.type("F1")
    visit.keyboard.press("Enter")
    visit.get_by_role("button", name="A machine").click()
    visit.get_by_text("Machine F1 is used for opaquer today.").wait_for()
    sync_api.expect(scan).to_have_value("", timeout=20_000)
    visit.get_by_role("button", name="Not done").first.click()
    visit.get_by_text("N2: coats is written down.").wait_for()
    standing = standing_readings(store_of(lab), ["N2"])["N2"]["opaquer", "coats"]
    assert (standing.value, standing.not_done, standing.equipment) == ("0", True, "F1")


def test_a_late_sheet_is_typed_and_saved(lab: Path, address: str, visit: Any) -> None:
    visit.goto(f"{address}{BENCH}&bench_part=late")
    visit.get_by_role("button", name="Save as late entries").wait_for()
    grid = visit.get_by_test_id("stDataFrame")
    grid.wait_for()
    grid.locator("canvas").first.wait_for(state="attached")
    settle(visit)
    visit.wait_for_timeout(1_000)  # what stands above is still being drawn, and moves the grid
    box = grid.bounding_box()
    # The first cell below the head, right of the number.
    visit.mouse.click(box["x"] + 180, box["y"] + 52)
    sync_api.expect(visit.get_by_test_id("glide-cell-1-0")).to_have_attribute("aria-selected", "true")
    visit.keyboard.press("Enter")
    visit.locator("#portal textarea, #portal input").first.wait_for()
    visit.keyboard.type("0,55")
    visit.keyboard.press("Enter")
    sync_api.expect(visit.get_by_test_id("glide-cell-1-0")).to_have_text("0,55", timeout=20_000)
    visit.get_by_role("button", name="Save as late entries").click()
    visit.get_by_text("One late entry is saved.").wait_for()
    found = standing_readings(store_of(lab), ["N1", "N2", "OLD"])
    late = [one for values in found.values() for one in values.values() if one.late]
    assert [one.value for one in late] == ["0.55"]

"""Every page and part of a page: no fault that keeps somebody out, in light and dark, by mouse, thumb and keyboard."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

import pytest

from remakes.records.bench.timers import start_timer
from remakes.records.store import open_store
from tests.records.bench_lab import begin
from tests.views.serving import BROWSER, served, visiting, whole

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytestmark = BROWSER

QUALITY, MANAGER, TECHNICIAN = "role=quality", "role=manager", "role=technician&technician=T01"
#: Every address that leads to something else than the others, and words that stand there when it is drawn.
PLACES: Final[Mapping[str, tuple[str, str]]] = MappingProxyType(
    {
        "today of quality": (f"/?{QUALITY}", "What the records hold"),
        "today of a manager": (f"/?{MANAGER}", "What the records hold"),
        "today of a technician": (f"/?{TECHNICIAN}", "One timer is running"),
        "enter a return": (f"/enter-return?{QUALITY}", "Last ten entered"),
        "month: different": (f"/months?{QUALITY}", "The month as a report"),
        "month: changed": (f"/months?{QUALITY}&part=What+changed", "The month as a report"),
        "month: deliveries": (f"/months?{QUALITY}&part=Deliveries", "The month as a report"),
        "month: to be entered": (f"/months?{QUALITY}&part=Still+to+be+entered", "The month as a report"),
        "month: lots": (f"/months?{QUALITY}&part=Lots+and+machines", "The month as a report"),
        "month: bench": (f"/months?{MANAGER}&part=At+the+bench", "The month as a report"),
        "steps": (f"/steps?{MANAGER}", "How sure is this?"),
        "next: worth": (f"/try-next?{MANAGER}", "How sure is this?"),
        "next: decided": (f"/try-next?{MANAGER}&part=Decided", "No action has been proposed yet"),
        "next: worked": (f"/try-next?{MANAGER}&part=Did+it+work%3F", "What to try next"),
        "next: trial": (f"/try-next?{MANAGER}&part=Plan+a+trial", "What to try next"),
        "next: limits": (f"/try-next?{MANAGER}&part=Where+should+the+limit+be%3F", "What to try next"),
        "lists": (f"/lists?{QUALITY}", "Sample files"),
        "restoration": (f"/restoration?{QUALITY}&no=R00001", "Replaces and replaced by"),
        "set-up: people": (f"/set-up?{MANAGER}&part=people", "can sign in."),
        "set-up: standard": (f"/set-up?{MANAGER}&part=standard", "Steps and title"),
        "set-up: costs": (f"/set-up?{MANAGER}&part=costs", "People and set-up"),
        "set-up: backup": (f"/set-up?{MANAGER}&part=backup", "People and set-up"),
        "set-up: changes": (f"/set-up?{MANAGER}&part=changes", "People and set-up"),
        "bench": (f"/bench-log?{TECHNICIAN}", "Timers that are running"),
        "bench: a step": (f"/bench-log?{TECHNICIAN}&piece=N2&step=bonding", "readings are recorded"),
        "bench: another step": (f"/bench-log?{TECHNICIAN}&piece=N2&step=blasting", "readings are recorded"),
        "bench: begin": (f"/bench-log?{TECHNICIAN}&bench_part=begin", "Case numbers and pseudonyms only"),
        "bench: late": (f"/bench-log?{TECHNICIAN}&bench_part=late", "A blank cell is not recorded"),
        "my work": (f"/my-work?{TECHNICIAN}", "How sure is this?"),
        "own password": (f"/own-password?{QUALITY}", "Nobody signs in here"),
        "no such page for the role": (f"/try-next?{TECHNICIAN}", "One timer is running"),
    }
)
#: Widths in pixels of a phone and a tablet.
NARROW: Final = (390, 820)
#: What keeps somebody from using a page. All rules are asked of the light page; of the dark one, what colours change.
GRAVE: Final = ("serious", "critical")
COLOURS: Final = MappingProxyType({"runOnly": {"type": "rule", "values": ["color-contrast", "link-in-text-block"]}})
#: Controls of the page that a gloved thumb cannot hit.
SMALL: Final = """() => [...document.querySelectorAll('.stMain button, .stMain input, .stMain summary')]
  .filter((one) => one.offsetParent && !one.closest('[data-testid=stElementToolbar]'))
  .filter((one) => one.getBoundingClientRect().height < 47.5)
  .map((one) => `${one.tagName} ${one.innerText || one.ariaLabel} ${one.getBoundingClientRect().height}`)"""
#: By how many pixels the page is wider than the window, and what sticks out.
TOO_WIDE: Final = """() => document.documentElement.scrollWidth <= window.innerWidth ? [] :
  [...document.querySelectorAll('.stMain *')].filter((one) => one.getBoundingClientRect().right > window.innerWidth)
  .map((one) => `${one.tagName} ${one.dataset.testid} ${one.getBoundingClientRect().right}`)"""


@pytest.fixture(scope="module")
def address(small_lab_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The small lab with work on the bench of technician T01, and a timer that runs."""
    lab = tmp_path_factory.mktemp("accessibility") / "lab.sqlite"
    shutil.copyfile(small_lab_file, lab)
    store = open_store(str(lab))
    for number in ("N1", "N2"):
        begin(store, number, technician="T01")
    start_timer(store, "N1", step="bonding", reading="bond_wait_s", who="technician T01")
    store.close()
    with served(lab) as at:
        yield at


@pytest.fixture(scope="module")
def page(chromium: Any, address: str) -> Iterator[Any]:
    with visiting(chromium, address, viewport={"width": 1280, "height": 1400}) as one:
        yield one


def opened(page: Any, place: str) -> None:
    path, there = PLACES[place]
    page.goto("about:blank")  # else the page before would be drawn once more, for the new width and colours
    page.set_viewport_size({"width": 1280, "height": 1400})
    page.emulate_media(color_scheme="light")
    page.goto(path)
    page.get_by_text(there).first.wait_for()
    whole(page)


def grave_faults(page: Any, options: Mapping[str, Any] | None = None, *, within: str | None = None) -> list[str]:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed")
    found = axe.Axe().run(page, context=within, options=dict(options or {})).response["violations"]
    return [
        f"{one['id']}: {node['html'][:200]} | {node.get('failureSummary', '')}"
        for one in found
        if one["impact"] in GRAVE
        for node in one["nodes"]
    ]


@pytest.mark.parametrize("place", PLACES)
def test_nothing_keeps_anybody_out(page: Any, place: str) -> None:
    """In light and dark, on a phone and a tablet; one load for all, since loading is what takes the time."""
    opened(page, place)
    assert page.get_by_test_id("stException").count() == 0
    assert page.get_by_text("Something went wrong").count() == 0
    ground = page.evaluate("getComputedStyle(document.querySelector('.stApp')).backgroundColor")
    assert ground == "rgb(252, 251, 248)"
    light = grave_faults(page)
    assert not light, "\n".join(("in light:", *light))
    page.emulate_media(color_scheme="dark")
    page.wait_for_function("getComputedStyle(document.querySelector('.stApp')).backgroundColor === 'rgb(21, 24, 28)'")
    page.wait_for_timeout(300)  # colours fade
    # The menu beside it is the same on every page of a role.
    dark = grave_faults(page, COLOURS, within=None if place.startswith("today") else ".stMain")
    assert not dark, "\n".join(("in dark:", *dark))
    for width in NARROW:
        page.set_viewport_size({"width": width, "height": 1400})
        page.wait_for_timeout(200)  # charts follow the window a moment later
        sync_api.expect(page.get_by_test_id("stApp")).to_have_css("width", f"{width}px")
        assert page.evaluate(TOO_WIDE) == [], f"at {width} pixels"
        if place.startswith("bench"):
            page.locator(".stMain details:not([open]) > summary").evaluate_all("all => all.forEach(one => one.click())")
            page.wait_for_timeout(300)  # what is folded opens slowly
            assert page.evaluate(SMALL) == [], f"at {width} pixels"

"""Signing in, in a browser: by keyboard, across a refresh and a restart, in light and dark."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final

import pytest

from tests.views.serving import BROWSER, free_port, served, settle, visiting

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytestmark = BROWSER

SECRET: Final = "four words in a row"


@pytest.fixture
def lab(small_lab_file: Path, tmp_path: Path) -> Path:
    """A lab that nobody has signed in to yet."""
    copy = tmp_path / "lab.sqlite"
    shutil.copyfile(small_lab_file, copy)
    return copy


@pytest.fixture
def bare(chromium: Any) -> Iterator[Any]:
    """A phone that lets a check in: the page's own rules let no script in, and the check is one."""
    context = chromium.new_context(bypass_csp=True, viewport={"width": 390, "height": 800})
    yield context.new_page()
    context.close()


def keeps_nobody_out(page: Any, at: str) -> None:
    """The page of signing in, in light and dark, on a phone."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed")
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        page.goto(f"{at}/signin")
        assert page.evaluate("document.documentElement.scrollWidth <= 390")
        found = axe.Axe().run(page)
        assert found.violations_count == 0, found.generate_report()


def test_from_the_first_manager_to_signing_out_across_a_restart(chromium: Any, bare: Any, lab: Path) -> None:
    port = free_port()
    with ExitStack() as visits, served(lab, open_here=False, port=port) as at:
        keeps_nobody_out(bare, at)
        page = visits.enter_context(visiting(chromium, at))
        page.goto("/months")
        page.get_by_role("heading", name="The first manager").wait_for()
        page.wait_for_load_state("networkidle")
        page.get_by_label("Your code").fill("M1")
        page.get_by_label("Choose a password").fill(SECRET)
        page.get_by_label("The password once more").fill(SECRET)
        page.keyboard.press("Enter")
        page.get_by_role("heading", name="Month in review", level=1).wait_for()
        page.get_by_text("Signed in as M1").wait_for()
        # Nearly all of the program came while the password was typed.
        sizes = "performance.getEntriesByType('resource').map(one => one.transferSize)"
        assert sum(page.evaluate(sizes)) < 500_000
        (cookie,) = [one for one in page.context.cookies() if one["name"] == f"remakes_{port}"]
        assert (cookie["httpOnly"], cookie["sameSite"], cookie["expires"]) == (True, "Lax", -1)
        assert page.evaluate("document.cookie").find(cookie["value"]) == -1
        page.reload()
        page.get_by_text("Signed in as M1").wait_for()
        with visiting(chromium, at) as other:
            other.goto("/")
            sync_api.expect(other.get_by_label("Your code")).to_be_focused()
        stopped = visits.pop_all()
    with stopped, served(lab, open_here=False, port=port):
        page.goto("/set-up")
        page.get_by_text("1 person can sign in.").wait_for()
        settle(page)
        page.get_by_role("button", name="Sign out").press("Enter")
        page.get_by_role("heading", name="Sign in").wait_for()
        page.wait_for_url("**/signin?next=%2Fset-up**")
        keeps_nobody_out(bare, at)
        # Back in, to where one was.
        page.bring_to_front()
        sync_api.expect(page.get_by_label("Your code")).to_be_focused()
        page.keyboard.type("M1")
        page.keyboard.press("Tab")
        page.keyboard.type(SECRET)
        page.keyboard.press("Enter")
        page.get_by_role("heading", name="People and set-up", level=1).wait_for()

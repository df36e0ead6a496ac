"""Signing in, in a browser: by keyboard, across a refresh and a restart, in two browsers, light and dark."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from argon2 import PasswordHasher

from remakes.records import people
from remakes.records.store import open_store
from remakes.views.server import OPEN_HERE_VARIABLE
from tests.views.serving import CHROMIUM, free_port, served, settle

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine: set CHROMIUM to its path"),
]

SECRET = "four words in a row"


@pytest.fixture
def lab(small_lab_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(OPEN_HERE_VARIABLE, "")
    copy = tmp_path / "lab.sqlite"
    shutil.copyfile(small_lab_file, copy)
    return copy


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        yield running
        running.close()


def visit(chromium: Any, at: str, *, scheme: str = "light") -> Any:
    page = chromium.new_context(color_scheme=scheme, base_url=at, locale="en-GB").new_page()
    page.set_default_timeout(20_000)
    return page


def type_in(page: Any, code: str) -> None:
    keys = page.keyboard
    keys.type(code)
    keys.press("Tab")
    keys.type(SECRET)
    keys.press("Enter")


def test_from_the_first_manager_to_signing_out_across_a_restart(chromium: Any, lab: Path) -> None:
    port = free_port()
    asked: list[str] = []
    with served(lab, open_here=False, port=port) as at:
        page = visit(chromium, at)
        page.on("request", lambda one: asked.append(one.url))
        page.goto("/months")
        page.get_by_role("heading", name="The first manager").wait_for()
        page.get_by_label("Your code").fill("M1")
        page.get_by_label("Choose a password").fill(SECRET)
        page.get_by_label("The password once more").fill(SECRET)
        page.keyboard.press("Enter")
        page.get_by_role("heading", name="Month in review", level=1).wait_for()
        page.get_by_text("Signed in as M1").wait_for()
        (cookie,) = [one for one in page.context.cookies() if one["name"] == f"remakes_{port}"]
        assert (cookie["httpOnly"], cookie["sameSite"], cookie["expires"]) == (True, "Lax", -1)
        assert page.evaluate("document.cookie").find(cookie["value"]) == -1
        page.reload()
        page.get_by_text("Signed in as M1").wait_for()
        other = visit(chromium, at)
        other.goto("/")
        sync_api.expect(other.get_by_label("Your code")).to_be_focused()
    with served(lab, open_here=False, port=port):
        page.goto("/set-up")
        page.get_by_text("1 person can sign in.").wait_for()
        settle(page)
        page.get_by_role("button", name="Sign out").press("Enter")
        page.get_by_role("heading", name="Sign in").wait_for()
        page.wait_for_url("**/signin?next=%2Fset-up**")
        # Back in, to where one was.
        sync_api.expect(page.get_by_label("Your code")).to_be_focused()
        type_in(page, "M1")
        page.get_by_role("heading", name="People and set-up", level=1).wait_for()
    assert all(one.startswith((f"{at}/", "data:", "blob:")) for one in asked)


def test_two_browsers_and_letting_go_ends_the_other_at_once(chromium: Any, lab: Path) -> None:
    cheap = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    store = open_store(str(lab))
    people.add_first_manager(store, "M1", SECRET, hasher=cheap)
    people.add_person(store, "Q1", ["quality"], SECRET, who="M1", hasher=cheap)
    people.change_own_password(store, "Q1", SECRET, SECRET + "!", hasher=cheap)
    people.change_own_password(store, "Q1", SECRET + "!", SECRET, hasher=cheap)
    with served(lab, open_here=False) as at:
        manager, quality = visit(chromium, at), visit(chromium, at, scheme="dark")
        for page, code in ((manager, "M1"), (quality, "Q1")):
            page.goto("/signin")
            page.get_by_label("Your code").focus()
            type_in(page, code)
            page.get_by_text(f"Signed in as {code}").wait_for()
        assert quality.get_by_role("link", name="People and set-up").count() == 0
        assert manager.get_by_role("link", name="People and set-up").count() == 1
        person = people.find_person(store, "Q1")
        assert person is not None
        people.let_go(store, "Q1", version=person.version, who="M1")
        settle(quality)
        quality.get_by_role("link", name="Enter a return").click()
        quality.wait_for_url("**/signin?next=**")
        manager.reload()
        manager.get_by_text("Signed in as M1").wait_for()
    store.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_sign_in_page_is_accessible(scheme: str, chromium: Any, lab: Path) -> None:
    with served(lab, open_here=False) as at:
        page = visit(chromium, at, scheme=scheme)
        page.set_viewport_size({"width": 390, "height": 800})
        page.goto("/signin")
        # The page's own rules let no script in; the check is one.
        assert page.evaluate("document.documentElement.scrollWidth <= 390")
        bare = chromium.new_context(color_scheme=scheme, bypass_csp=True).new_page()
        bare.goto(f"{at}/signin")
        found = axe.Axe().run(bare)
        assert found.violations_count == 0, found.generate_report()

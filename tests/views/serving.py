"""A server of the app on a free port, a browser to visit it, and the patience that pages need."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

from remakes.views.server import OPEN_HERE_VARIABLE

__all__ = ["BROWSER", "CHROMIUM", "PATIENCE_MS", "browser", "free_port", "served", "settle", "visiting", "whole"]

CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("google-chrome")
ROOT = Path(__file__).parents[2]
#: Marks of every test that needs a browser.
BROWSER = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine: set CHROMIUM to its path"),
    pytest.mark.skipif(find_spec("playwright") is None, reason="playwright is not installed"),
    # Waited for in vain, and only that, is tried once more: on a machine at its limit a browser may miss its turn.
    pytest.mark.flaky(reruns=1, only_rerun=["TimeoutError", "Locator expected"]),
]
#: How long a page may take on a machine whose cores are all in use.
PATIENCE_MS = 30_000


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("localhost", 0))
        return int(probe.getsockname()[1])


@contextmanager
def served(lab: Path, *, open_here: bool = True, port: int | None = None) -> Iterator[str]:
    """The app on this lab; gives its address, and stops it again whatever happens."""
    port = port or free_port()
    start = (
        "import sys; from remakes.views.server import serve; "
        f"serve(sys.argv[1], port=int(sys.argv[2]), open_browser=False, open_here={open_here})"
    )
    # The parent's warning filter would make the server's own libraries fail.
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONWARNINGS"}
    environment |= {"PYTHONPATH": str(ROOT), OPEN_HERE_VARIABLE: "1" if open_here else ""}
    server = subprocess.Popen(
        [sys.executable, "-c", start, str(lab), str(port)], env=environment, cwd=lab.parent, stderr=subprocess.PIPE
    )
    try:
        at = f"http://localhost:{port}"
        _wait_for(at, server)
        yield at
    finally:
        server.terminate()
        try:
            server.communicate(timeout=10)
        except subprocess.TimeoutExpired:  # in the midst of an analysis it hears late
            server.kill()
            server.communicate()


def _wait_for(at: str, server: subprocess.Popen[bytes]) -> None:
    for _ in range(300):
        if server.poll() is not None:
            raise RuntimeError(f"the server stopped: {server.stderr.read().decode() if server.stderr else ''}")
        try:
            with urllib.request.urlopen(f"{at}/_stcore/health", timeout=1):
                return
        except OSError:
            time.sleep(0.1)
    raise RuntimeError("the server did not answer within 30 seconds")


def settle(page: Any) -> None:
    """Wait until the page is whole: what is pressed before may find nothing, or something else."""
    page.locator("[data-test-script-state='notRunning']").wait_for()


def whole(page: Any) -> None:
    """Wait until the page has been drawn down to its last line."""
    page.get_by_text("Stop and report suspected harm.").first.wait_for()
    settle(page)
    page.wait_for_function("() => !document.querySelector('.stMain [data-testid=stSkeleton]')")


@contextmanager
def browser() -> Iterator[Any]:
    """A running Chromium. Not for longer than one file of tests: what is run beside it may want the event loop."""
    from playwright.sync_api import expect, sync_playwright

    expect.set_options(timeout=PATIENCE_MS)
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
        )
        try:
            yield running
        finally:
            running.close()


@contextmanager
def visiting(browser: Any, at: str, **wishes: Any) -> Iterator[Any]:
    """A browser window of its own on the app at an address; fails at the end if anything was asked of another host.

    Parameters
    ----------
    browser
        The running browser.
    at : str
        Address of the app.
    **wishes
        As for a new context of the browser: color_scheme, viewport, storage_state ...
    """
    asked: list[str] = []
    faults: list[str] = []
    # What moves is never at rest where a check looks at it.
    context = browser.new_context(base_url=at, **{"locale": "en-GB", "reduced_motion": "reduce", **wishes})
    context.on("request", lambda one: asked.append(one.url))
    page = context.new_page()
    page.on("websocket", lambda one: asked.append(one.url))
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.set_default_timeout(PATIENCE_MS)
    try:
        yield page
    finally:
        context.close()
    here = at.removeprefix("http://")
    elsewhere = [url for url in asked if not url.startswith((f"http://{here}/", f"ws://{here}/", "data:", "blob:"))]
    assert asked
    assert not elsewhere
    assert not faults

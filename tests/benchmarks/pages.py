"""How soon does a page stand, and what do eight visitors cost? ``python -m tests.benchmarks.pages``.

On the demo lab, in a browser, as a manager; beside it, in the same run, the baseline: a bare app of the same toolkit
with a heading and two pages.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from typing import Any

from remakes.records.demo_lab import build_demo
from tests.views.serving import browser, free_port, served, settle, whole

ROUNDS = 3
VISITORS = 8
IDLE_SECONDS = 20
#: What the menu leads a manager to, and words that stand there once the answer does.
MENU = {
    "Month in review": "The month as a report",
    "Which steps matter": "How sure is this?",
    "What to try next": "How sure is this?",
    "Enter a return": "Last ten entered",
    "Lists and import": "Sample files",
    "People and set-up": "can sign in.",
    "Today": "What the records hold",
}
BARE = """
import streamlit as st
def one(): st.header("One"); st.write("That is all.")
def two(): st.header("Two"); st.write("That is all.")
st.navigation([st.Page(one, title="One"), st.Page(two, title="Two")]).run()
"""


def main() -> None:
    """Print seconds of first pages and of page changes, memory and idle load, each beside the bare app."""
    with tempfile.TemporaryDirectory() as folder:
        lab = Path(folder) / "demo.sqlite"
        build_demo(str(lab))
        (Path(folder) / "bare.py").write_text(BARE)
        with browser() as running:
            with _bare(Path(folder) / "bare.py") as at:
                bare = _figures(running, at, "/", {"Two": "That is all.", "One": "That is all."}, settle)
            with served(lab) as at:
                ours = _figures(running, at, "/?role=manager", MENU, whole)
    for name, value in ours.items():
        beside = bare.get(name)
        print(
            f"{name:42} {value:8.2f}" + (f"   bare app {beside:8.2f}   {value / beside:5.1f} times" if beside else "")
        )


def _figures(running: Any, at: str, first: str, menu: dict[str, str], still: Callable[[Any], None]) -> dict[str, float]:
    server = _listening(at)
    cold, _ = _first_page(running, at, first, still)
    page = running.new_page(base_url=at)
    page.goto(first)
    still(page)
    page.set_default_timeout(120_000)
    changes: dict[str, list[tuple[float, float]]] = {name: [] for name in menu}
    for _ in range(ROUNDS + 1):
        for name, words in menu.items():
            changes[name].append(_change(page, name, words, still))
    page.close()
    # Now the server has worked out what it begins with at its start.
    empty, filled = (
        median(times) for times in zip(*(_first_page(running, at, first, still) for _ in range(ROUNDS)), strict=True)
    )
    seen = [seen for times in changes.values() for seen, _ in times[1:]]
    done = [done for times in changes.values() for _, done in times[1:]]
    figures = {
        "first page of a new server, s": cold,
        "first page, browser never here before, s": empty,
        "first page, browser here before, s": filled,
        "page change until the answer, median s": median(seen),
        "page change until still, median s": median(done),
        "slowest page change until still, s": max(done),
    }
    figures |= {f"  {name}": median(done for _, done in times[1:]) for name, times in changes.items()}
    pages = [running.new_page(base_url=at) for _ in range(VISITORS)]
    for number, one in enumerate(pages):
        one.goto(first)
        still(one)
        one.get_by_role("link", name=list(menu)[number % len(menu)], exact=True).click()
        still(one)
    before, start = _processor(server), time.perf_counter()
    time.sleep(IDLE_SECONDS)
    figures["idle with 8 visitors, % of a core"] = 100 * (_processor(server) - before) / (time.perf_counter() - start)
    figures["memory with 8 visitors, MB"] = _memory(server)
    for one in pages:
        one.close()
    return figures


def _first_page(running: Any, at: str, first: str, still: Callable[[Any], None]) -> tuple[float, float]:
    """Seconds until the first page is whole, for a browser that has seen nothing of the app, and once more."""
    context = running.new_context(base_url=at)
    page = context.new_page()
    seconds = []
    for _ in range(2):
        start = time.perf_counter()
        page.goto(first)
        page.locator(".stMain :is(h1, h2)").first.wait_for()
        still(page)
        seconds.append(time.perf_counter() - start)
    context.close()
    return seconds[0], seconds[1]


def _change(page: Any, name: str, words: str, still: Callable[[Any], None]) -> tuple[float, float]:
    """Seconds from the click in the menu to the answer, and to a page that is still."""
    start = time.perf_counter()
    page.get_by_role("link", name=name, exact=True).click()
    page.locator(".stMain :is(h1, h2)", has_text=name).first.wait_for()
    page.get_by_text(words).first.wait_for()
    seen = time.perf_counter() - start
    still(page)
    return seen, time.perf_counter() - start


@contextmanager
def _bare(script: Path) -> Iterator[str]:
    port = free_port()
    options = ["--server.headless=true", f"--server.port={port}", "--browser.gatherUsageStats=false"]
    server = subprocess.Popen(
        [sys.executable, "-m", "streamlit", "run", str(script), *options], stdout=subprocess.DEVNULL
    )
    try:
        time.sleep(4)
        yield f"http://localhost:{port}"
    finally:
        server.terminate()
        server.wait()


def _listening(at: str) -> int:
    """The process that answers at this address (Linux)."""
    port = at.rsplit(":", 1)[1]
    for line in subprocess.run(["ss", "-ltnp"], capture_output=True, text=True, check=True).stdout.splitlines():
        if f":{port} " in line:
            return int(line.split("pid=")[1].split(",")[0])
    raise SystemExit(f"Nobody listens at {at}.")


def _processor(server: int) -> float:
    fields = Path(f"/proc/{server}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / 100


def _memory(server: int) -> float:
    status = Path(f"/proc/{server}/status").read_text()
    return int(status.split("VmRSS:")[1].split()[0]) / 1000


if __name__ == "__main__":
    main()

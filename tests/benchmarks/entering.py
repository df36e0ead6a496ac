"""How long does the machine take for one return, from the scan to saved? ``python -m tests.benchmarks.entering``.

On the demo lab, in a browser, by the shortest entry; beside it, in the same run, the baseline: the number alone,
from Enter to what the records know of it.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path
from statistics import median
from typing import Any

from remakes.records.demo_lab import build_demo
from tests.views.serving import browser, served, settle

SHORTEST = ("Tab", "Space", "Control+s")
ENTRIES = 10


def main() -> None:
    """Print both medians and their ratio."""
    with tempfile.TemporaryDirectory() as folder:
        lab = Path(folder) / "demo.sqlite"
        build_demo(str(lab))
        with served(lab) as at, browser() as running:
            page = running.new_page(base_url=at)
            page.set_default_timeout(60_000)
            page.goto("/enter-return?role=quality")
            page.get_by_role("textbox", name="Restoration number", exact=True).wait_for()
            settle(page)
            both = [_entry(page, f"R{number:05d}") for number in range(20, 20 + ENTRIES)]
    known, saved = (median(times) for times in zip(*both, strict=True))
    print(f"number alone (baseline): {known:.2f} s; whole entry: {saved:.2f} s; {saved / known:.1f} times")


def _entry(page: Any, number: str) -> tuple[float, float]:
    """Seconds until the number is known, and until the return is saved."""
    page.get_by_role("textbox", name="Restoration number", exact=True).focus()
    page.keyboard.type(number)
    start = time.perf_counter()
    page.keyboard.press("Enter")
    page.get_by_text(number).first.wait_for()
    known = time.perf_counter() - start
    settle(page)
    for key in SHORTEST:
        page.keyboard.press(key)
        settle(page)
    page.get_by_text(f"Saved: {number}, chipping").wait_for()
    saved = time.perf_counter() - start
    settle(page)
    page.wait_for_timeout(300)  # the cursor goes back into the field
    return known, saved


if __name__ == "__main__":
    main()

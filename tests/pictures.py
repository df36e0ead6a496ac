"""Make the pictures of the README from the demo lab: ``python -m tests.pictures [NAME ...]``.

Builds the invented demo lab in a folder of its own, opens the app on it, and takes each picture in a browser, always in
the same way. Needs a Chromium on this machine (the variable CHROMIUM names another place).
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from remakes.records.store import now, open_store
from tests.views.serving import CHROMIUM, browser, served, settle, visiting, whole

FOLDER = Path(__file__).parents[1] / ".pictures"
#: The technician whose bench and own work are shown, and the pieces on that bench.
TECHNICIAN, PIECES = "T02", ("R90001", "R90002", "R90003")
#: What is written down of the first of them.
WRITTEN = (
    ("framework", "metal_mm", "0.5"),
    ("framework", "wax_key", "yes"),
    ("framework", "beads", "yes"),
    ("blasting", "grit_um", "110"),
    ("blasting", "blast_bar", "3"),
    ("blasting", "grit_uses", "2"),
)
DESK, TALL, TABLET = (1280, 900), (1280, 1130), (820, 1180)


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """One picture: which page, how wide, light or dark, and what to do on it first."""

    path: str
    wait_for: str
    size: tuple[int, int] = DESK
    scheme: str = "light"
    first: Callable[[Any], None] | None = None


def _fill_in_a_return(page: Any) -> None:
    page.get_by_role("textbox", name="Restoration number", exact=True).fill("R00042")
    page.keyboard.press("Enter")
    page.get_by_text("R00042").first.wait_for()
    settle(page)
    page.get_by_role("radio", name="Chipping").check(force=True)
    page.get_by_text("Where did the break run").first.wait_for()
    settle(page)


PICTURES: Mapping[str, Picture] = {
    "which-steps": Picture(path="/steps?role=manager", wait_for="Show me these", size=TALL),
    "enter-a-return": Picture(
        path="/enter-return?role=quality", wait_for="Restoration number", first=_fill_in_a_return
    ),
    "bench-log": Picture(
        path=f"/bench-log?role=technician&technician={TECHNICIAN}&piece={PIECES[0]}&step=blasting",
        wait_for="Stop bond",
        size=TABLET,
    ),
    "my-work": Picture(path=f"/my-work?role=technician&technician={TECHNICIAN}", wait_for="How sure is this?"),
    "month": Picture(path="/months?role=manager", wait_for="The month as a report", size=TALL),
    "try-next": Picture(path="/try-next?role=manager", wait_for="How sure is this?"),
    "try-next-dark": Picture(path="/try-next?role=manager", wait_for="How sure is this?", scheme="dark"),
}


def take(names: list[str]) -> None:
    """Take these pictures, or all."""
    from remakes.records.demo_lab import build_demo

    FOLDER.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        lab = Path(folder) / "demo.sqlite"
        build_demo(str(lab))
        _put_work_on_the_bench(str(lab))
        with served(lab) as address, browser() as running:
            for name in names or PICTURES:
                _take(running, address, name, PICTURES[name])


def _put_work_on_the_bench(lab: str) -> None:
    """Three restorations in work, some readings, and a timer that has run for two minutes."""
    from remakes.records.bench.readings import Written, write_reading
    from remakes.records.bench.timers import start_timer
    from remakes.records.bench.work import add_work

    store, who = open_store(lab), f"technician {TECHNICIAN}"
    for number, teeth, due in zip(PIECES, ("11", "21 22 23", "46"), (0, 1, 3), strict=True):
        raw = {
            "restoration_id": number,
            "kind": "bridge" if " " in teeth else "crown",
            "veneer": "lab composite",
            "framework": "base metal",
            "teeth": teeth,
            "technician": TECHNICIAN,
            "due_on": date.today() + timedelta(days=due),
        }
        add_work(store, raw, who=who)
    for step, reading, value in WRITTEN:
        written = Written(restoration_id=PIECES[0], step=step, reading=reading, value=value, operator=TECHNICIAN)
        write_reading(store, written, who=who)
    begun = now() - timedelta(seconds=125)
    start_timer(store, PIECES[0], step="bonding", reading="bond_wait_s", who=who, at=begun)
    store.close()


def _take(running: Any, address: str, name: str, wanted: Picture) -> None:
    width, height = wanted.size
    with visiting(running, address, color_scheme=wanted.scheme, viewport={"width": width, "height": height}) as page:
        page.set_default_timeout(120_000)
        page.goto(wanted.path)
        page.get_by_text(wanted.wait_for).first.wait_for()
        whole(page)
        if wanted.first:
            wanted.first(page)
        # Charts are drawn after the page says that it is done.
        page.wait_for_timeout(1500)
        page.screenshot(path=FOLDER / f"{name}.png")
    print(FOLDER / f"{name}.png", (FOLDER / f"{name}.png").stat().st_size // 1000, "kB")


def main() -> None:
    """Read the names from the command line."""
    parser = argparse.ArgumentParser(description="Make the pictures of the README.")
    parser.add_argument("names", nargs="*", choices=[*PICTURES, []])
    if CHROMIUM is None or not shutil.which(CHROMIUM):
        sys.exit("No Chromium on this machine: install it, or set CHROMIUM to its path.")
    os.environ.setdefault("TZ", "UTC")
    take(parser.parse_args().names)


if __name__ == "__main__":
    main()

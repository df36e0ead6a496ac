"""Pages opened without a browser, on a store of their own."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from random import Random

from streamlit.testing.v1 import AppTest

from remakes.records.importers import import_paths
from remakes.records.store import open_store
from synthetic_data.generate import generate

#: A year of an invented lab, small enough to be analyzed in a few seconds.
MONTHS, RESTORATIONS = 12, 600
PAGES = ("today", "enter", "months", "steps", "try_next", "my_work", "lists", "restoration")
ROLES = {"try_next": "manager", "my_work": "technician"}


def build_small_lab(folder: Path) -> Path:
    """The small lab as a store; gives its file."""
    generate(folder / "files", months=MONTHS, restorations=RESTORATIONS)
    to = folder / "lab.sqlite"
    store = open_store(str(to))
    report = import_paths(store, [folder / "files"], today=date(2026, 12, 31))
    store.close()
    assert report.ok
    return to


CLEAR_STANDARD = """
title = "Clear lab"
steps = ["blasting", "bonding"]

[[requirement]]
factor = "grit_uses"
step = "blasting"
reading = "uses"
at_most = 5
may_cause = ["debonding"]
valid_from = 2024-01-01

[[requirement]]
factor = "bond_wait"
step = "bonding"
reading = "wait_s"
unit = "s"
at_least = 180
may_cause = ["debonding"]
valid_from = 2024-01-01
says = "Left to react for 3 minutes"
"""
CLEAR_ACTIONS = """
[costs]
currency = "EUR"
per_minute = 0.5
default_per_return = 200

[[action]]
action = "bond_timer"
title = "Timer at the bonding bench"
corrects = { bond_wait = 0.9 }
cost_once = 100
minutes_per_restoration = 0.2
"""


def build_clear_lab(folder: Path) -> Path:
    """One miss in five comes back with debonding three times in ten, else one in thirty; nothing else matters."""
    draw = Random(5)
    restorations, log, returns = [], [], []
    for number in range(1, 501):
        name, technician = f"R{number:05d}", draw.choice(["T01", "T02", "T03"])
        delivered = date(2025, 1, 6) + timedelta(days=draw.randrange(300))
        restorations.append(
            (name, f"A{number}", "C01", technician, "crown", "11", 1, "base metal", "lab composite", delivered)
        )
        missed = draw.random() < 0.2
        log += [
            (name, "bonding", "wait_s", draw.randrange(60, 170) if missed else draw.randrange(180, 260), technician),
            (name, "blasting", "uses", draw.randrange(1, 8), technician),
        ]
        if draw.random() < (0.3 if missed else 0.033):
            reported = delivered + timedelta(days=draw.randrange(5, 300))
            returns.append((f"Q{number}", name, reported, "debonding", "in_service"))
    tables = {
        "restorations": (
            "restoration_id,case_id,clinic,technician,kind,teeth,units,framework,veneer,delivered_on",
            restorations,
        ),
        "process_log": ("restoration_id,step,reading,value,operator", log),
        "returns": ("return_id,restoration_id,reported_on,defect,found_at", returns),
    }
    for name, (header, rows) in tables.items():
        lines = [header, *(",".join(map(str, row)) for row in rows)]
        (folder / f"{name}.csv").write_text("\n".join(lines) + "\n")
    (folder / "standard.toml").write_text(CLEAR_STANDARD)
    (folder / "actions.toml").write_text(CLEAR_ACTIONS)
    to = folder / "clear.sqlite"
    store = open_store(str(to))
    report = import_paths(store, [folder], observed_until=date(2026, 10, 31), today=date(2026, 12, 31))
    store.close()
    assert report.ok
    return to


def _show(name: str) -> None:
    from importlib import import_module

    from remakes.views import frame

    frame.page("A page", import_module(f"remakes.views.{name}").body)()


def open_page(name: str, *, role: str | None = None, code: str = "") -> AppTest:
    """One page as a visitor in a role sees it."""
    app = AppTest.from_function(_show, default_timeout=60, kwargs={"name": name})
    app.session_state["role"] = role or ROLES.get(name, "quality")
    app.session_state["technician"] = code
    return app.run()


def texts(app: AppTest) -> str:
    """Every word on the page that is no table."""
    return "\n".join(
        str(part.value)
        for kind in ("header", "markdown", "caption", "info", "error", "warning", "success")
        for part in app.get(kind)
    )

"""What is costly to build and only read: built once for all workers of a run of the suite."""

from __future__ import annotations

import os
import pickle
import time
from collections.abc import Callable
from datetime import date, timedelta
from functools import cache
from pathlib import Path
from random import Random
from typing import TypeVar

import pytest

from remakes import flow
from remakes.records.demo_lab import build_demo
from remakes.records.importers import import_paths
from remakes.records.store import open_store
from synthetic_data.generate import generate

__all__ = [
    "analysis_of",
    "build_clear_lab",
    "build_small_lab",
    "clear_lab",
    "demo_lab",
    "large_lab",
    "months_of",
    "shared_folder",
    "shared_result",
    "small_lab",
]

Result = TypeVar("Result")
#: How long a worker waits for what another one builds before it takes that one for dead.
_PATIENCE_S = 300.0
_LOOK_AGAIN_S = 0.05


def shared_folder(factory: pytest.TempPathFactory, name: str, build: Callable[[Path], object]) -> Path:
    """A folder that one worker fills and all read; nothing may be written to it afterwards.

    Parameters
    ----------
    factory : TempPathFactory
    name : str
        The same name is the same folder in every worker of this run, and no other.
    build : callable
        Fills the empty folder it is given. Where it fails, the next who asks tries anew.

    Raises
    ------
    TimeoutError
        Another worker has begun to build it and has not come to an end.
    """
    folder = _for_all_workers(factory) / name
    finished = folder.with_name(f"{name}.finished")
    until = time.monotonic() + _PATIENCE_S
    while not finished.exists():
        if _mine(folder):
            _fill(folder, build)
            finished.touch()
        elif time.monotonic() > until:
            raise TimeoutError(f"{folder} has not been built by the worker that began it; run the tests again")
        else:
            time.sleep(_LOOK_AGAIN_S)
    return folder


def shared_result(factory: pytest.TempPathFactory, name: str, work: Callable[[], Result]) -> Result:
    """What one worker works out and all may look at; each call gives a copy of its own.

    Parameters
    ----------
    factory : TempPathFactory
    name : str
        As for a shared folder.
    work : callable
        Gives the result, which must be one that can be pickled.
    """
    folder = shared_folder(factory, name, lambda to: (to / "result").write_bytes(pickle.dumps(work())))
    result: Result = pickle.loads((folder / "result").read_bytes())
    return result


def small_lab(factory: pytest.TempPathFactory) -> Path:
    """The file of the small lab; its lists lie beside it in `files`."""
    return shared_folder(factory, "small_lab", build_small_lab) / "lab.sqlite"


def clear_lab(factory: pytest.TempPathFactory) -> Path:
    """The file of the lab with one clear cause; its lists lie beside it."""
    return shared_folder(factory, "clear_lab", build_clear_lab) / "clear.sqlite"


def large_lab(factory: pytest.TempPathFactory) -> Path:
    """The file of a lab of 16 months and 1200 restorations; its lists lie beside it in `files`."""
    return shared_folder(factory, "large_lab", _build_large_lab) / "lab.sqlite"


def _build_large_lab(folder: Path) -> None:
    generate(folder / "files", seed=11, months=16, restorations=1200)
    store = open_store(str(folder / "lab.sqlite"))
    report = import_paths(store, [folder / "files"], observed_until=date(2026, 10, 31))
    store.close()
    assert report.ok


def demo_lab(factory: pytest.TempPathFactory) -> Path:
    """The file of the demo lab."""
    return shared_folder(factory, "demo_lab", lambda to: build_demo(str(to / "demo.sqlite"))) / "demo.sqlite"


def analysis_of(factory: pytest.TempPathFactory, lab: Path) -> flow.Analysis:
    """The analysis of a shared lab."""
    return shared_result(factory, f"analysis_of_{lab.parent.name}", lambda: flow.analyze(open_store(str(lab))))


@cache
def months_of(lab: Path) -> flow.Months:
    """The months of a shared lab, counted once in each worker: they hold a connection, which none can hand over."""
    return flow.count_months(open_store(str(lab)))


def _for_all_workers(factory: pytest.TempPathFactory) -> Path:
    own = factory.getbasetemp()
    # Each worker of pytest-xdist has a folder inside the one of the run.
    return own.parent if os.environ.get("PYTEST_XDIST_WORKER") else own


def _mine(folder: Path) -> bool:
    """Making the folder is the lock: one of all workers can."""
    try:
        folder.mkdir()
    except FileExistsError:
        return False
    return True


def _fill(folder: Path, build: Callable[[Path], object]) -> None:
    try:
        build(folder)
    except BaseException:
        # Out of the way, and left to be looked at.
        folder.rename(folder.with_name(f"{folder.name}.failed.{os.getpid()}.{time.monotonic_ns()}"))
        raise


def build_small_lab(folder: Path) -> Path:
    """A year of an invented lab, analyzed in a few seconds, as a store in an empty folder; gives its file."""
    generate(folder / "files", months=12, restorations=600)
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

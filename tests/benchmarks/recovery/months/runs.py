"""Draw labs, put every method to them, and keep one row a figure."""

from __future__ import annotations

import csv
import multiprocessing
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import astuple, dataclass, fields
from pathlib import Path

from threadpoolctl import threadpool_limits

from tests.benchmarks.recovery.months.methods import METHODS
from tests.benchmarks.recovery.months.scenarios import SCENARIOS, make_lab
from tests.benchmarks.recovery.months.scores import score

__all__ = ["Row", "in_order", "read_rows", "run_all", "run_lab", "write_rows"]


@dataclass(frozen=True, slots=True)
class Row:
    """What one figure of one method adds up to in one lab: a sum and what it is to be divided by."""

    scenario: str
    level: float
    seed: int
    method: str
    measure: str
    value: float
    weight: float


def run_lab(scenario: str, level: float, seed: int) -> list[Row]:
    """Put every method to one lab."""
    lab = make_lab(scenario, level, seed)
    rows = list[Row]()
    # More threads than one make small matrices slower, and two labs are run beside each other.
    with threadpool_limits(limits=1):
        for method, ask in METHODS.items():
            values, weights = dict[str, float](), dict[str, float]()
            for figure in score(scenario, lab, ask(SCENARIOS[scenario], lab)):
                values[figure.measure] = values.get(figure.measure, 0.0) + figure.value
                weights[figure.measure] = weights.get(figure.measure, 0.0) + figure.weight
            rows += [Row(scenario, level, seed, method, name, values[name], weights[name]) for name in values]
    return rows


def run_all(jobs: Sequence[tuple[str, float, int]], *, workers: int) -> Iterator[list[Row]]:
    """Put every method to all labs; yields them as they are done, in any order."""
    if workers == 1:
        for job in jobs:
            yield run_lab(*job)
        return
    # A forked child would share the counting engine's threads with its parent.
    fresh = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(max_workers=workers, mp_context=fresh) as pool:
        for done in as_completed([pool.submit(run_lab, *job) for job in jobs]):
            yield done.result()


def write_rows(rows: Sequence[Row], file: Path) -> None:
    """One line a lab, method and figure."""
    with file.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow([one.name for one in fields(Row)])
        for row in rows:
            writer.writerow([f"{cell:.6g}" if isinstance(cell, float) else cell for cell in astuple(row)])


def read_rows(file: Path) -> list[Row]:
    """Rows as `write_rows` left them."""
    with file.open(newline="", encoding="utf-8") as stream:
        return [
            Row(
                line["scenario"],
                float(line["level"]),
                int(line["seed"]),
                line["method"],
                line["measure"],
                float(line["value"]),
                float(line["weight"]),
            )
            for line in csv.DictReader(stream)
        ]


def in_order(rows: Sequence[Row]) -> list[Row]:
    """By scenario as listed, level, seed and method; measures stay as they come."""
    scenarios, methods = list(SCENARIOS), list(METHODS)
    return sorted(rows, key=lambda row: (scenarios.index(row.scenario), row.level, row.seed, methods.index(row.method)))

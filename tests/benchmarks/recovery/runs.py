"""Draw labs, put every method to them, and keep one row a lab and method."""

from __future__ import annotations

import csv
import multiprocessing
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

from threadpoolctl import threadpool_limits

from tests.benchmarks.recovery.labs import Lab
from tests.benchmarks.recovery.methods import METHODS, Answer
from tests.benchmarks.recovery.scenarios import SCENARIOS, make_lab
from tests.benchmarks.recovery.scores import Score, score
from tests.benchmarks.recovery.trade import PLAUSIBLE

__all__ = ["Row", "in_order", "read_rows", "run_all", "run_lab", "write_pairs", "write_rows"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One lab and one method; `pairs` is what it said of each pair beside the truth, where that was asked for."""

    scenario: str
    seed: int
    method: str
    restorations: int
    returns: int
    score: Score
    pairs: tuple[dict[str, Any], ...] = ()


def run_lab(scenario: str, seed: int, *, keep_pairs: bool = False) -> list[Row]:
    """Put every method to one lab."""
    lab = make_lab(scenario, seed)
    rows = []
    # More threads than one make small matrices slower, and two labs are run beside each other.
    with threadpool_limits(limits=1):
        for method, ask in METHODS.items():
            answer = ask(lab)
            rows.append(
                Row(
                    scenario=scenario,
                    seed=seed,
                    method=method,
                    restorations=lab.orders.size,
                    returns=len(lab.returns.day),
                    score=score(lab, answer),
                    pairs=tuple(_pairs(lab, answer)) if keep_pairs else (),
                )
            )
    return rows


def run_all(jobs: Sequence[tuple[str, int]], *, workers: int, keep_pairs: bool = False) -> Iterator[list[Row]]:
    """Put every method to all labs; yields them as they are done, in any order."""
    if workers == 1:
        for job in jobs:
            yield run_lab(*job, keep_pairs=keep_pairs)
        return
    # A forked child would share the counting engine's threads with its parent.
    fresh = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(max_workers=workers, mp_context=fresh) as pool:
        for done in as_completed([pool.submit(run_lab, *job, keep_pairs=keep_pairs) for job in jobs]):
            yield done.result()


def _pairs(lab: Lab, answer: Answer) -> Iterator[dict[str, Any]]:
    truth = lab.truth
    for pair, told in answer.told.items():
        kind = "cause" if pair in truth.causes else "cannot be told" if pair in truth.cannot_be_told else "no effect"
        yield {
            "factor": pair[0],
            "defect": pair[1],
            "truth": kind,
            "plausible": pair in PLAUSIBLE,
            "true_log_odds_ratio": truth.causes.get(pair, 0.0),
            "true_avoidable": truth.avoidable.get(pair, 0.0),
            "q": answer.q[pair],
            **asdict(told),
        }


def write_rows(rows: Sequence[Row], file: Path) -> None:
    """One line a lab and method."""
    names = [one.name for one in fields(Score)]
    with file.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(["scenario", "seed", "method", "restorations", "returns", *names])
        for row in rows:
            figures = [_figure(getattr(row.score, name)) for name in names]
            writer.writerow([row.scenario, row.seed, row.method, row.restorations, row.returns, *figures])


def write_pairs(rows: Sequence[Row], file: Path) -> None:
    """One line a lab, method and pair: for finding out where a method goes wrong."""
    with file.open("w", newline="", encoding="utf-8") as stream:
        writer: csv.DictWriter[str] | None = None
        for row in rows:
            for pair in row.pairs:
                line = {"scenario": row.scenario, "seed": row.seed, "method": row.method, **pair}
                if writer is None:
                    writer = csv.DictWriter(stream, list(line), lineterminator="\n")
                    writer.writeheader()
                writer.writerow(line)


def read_rows(file: Path) -> list[Row]:
    """Rows as `write_rows` left them."""
    with file.open(newline="", encoding="utf-8") as stream:
        return [
            Row(
                scenario=line["scenario"],
                seed=int(line["seed"]),
                method=line["method"],
                restorations=int(line["restorations"]),
                returns=int(line["returns"]),
                score=_read_score(line),
            )
            for line in csv.DictReader(stream)
        ]


def _read_score(line: Mapping[str, str]) -> Score:
    figures: dict[str, Any] = {
        one.name: int(line[one.name]) if one.type == "int" else float(line[one.name])
        for one in fields(Score)
        # Figures that came later are 0 in an earlier file.
        if one.name in line
    }
    return Score(**figures)


def in_order(rows: Sequence[Row]) -> list[Row]:
    """By scenario as listed, seed and method."""
    scenarios, methods = list(SCENARIOS), list(METHODS)
    return sorted(rows, key=lambda row: (scenarios.index(row.scenario), row.seed, methods.index(row.method)))


def _figure(value: float) -> str:
    return str(value) if isinstance(value, int) else f"{value:.6g}"

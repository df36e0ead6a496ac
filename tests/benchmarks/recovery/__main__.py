"""Run the recovery benchmark: ``python -m tests.benchmarks.recovery --seeds 1-3 --scenarios plain,null``."""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path

from tests.benchmarks.recovery.chart import picture
from tests.benchmarks.recovery.report import goals, goals_table, results_table, seeds_in_words, write_into
from tests.benchmarks.recovery.runs import Row, in_order, read_rows, run_all, write_pairs, write_rows
from tests.benchmarks.recovery.scenarios import SCENARIOS

_HERE = Path(__file__).parent


def main() -> None:
    wanted = _arguments()
    rows = in_order(read_rows(wanted.results) if wanted.results else _run(wanted))
    results = f"{results_table(rows)}\n\n{goals_table(goals(rows))}"
    print(results)
    folder = _HERE if wanted.readme else wanted.out
    if wanted.pairs:
        write_pairs(rows, wanted.pairs)
    if folder:
        folder.mkdir(parents=True, exist_ok=True)
        write_rows(rows, folder / "results.csv")
        (folder / "results.svg").write_text(picture(rows), encoding="utf-8")
    if wanted.readme:
        labs = len({(row.scenario, row.seed) for row in rows})
        write_into(_HERE / "README.md", f"Seeds {seeds_in_words(rows)}, {labs} labs.\n\n{results}")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.recovery", description=__doc__)
    parser.add_argument("--seeds", type=_seeds, default=[1, 2, 3], help="1-3 or 1,5,9; 1-99 for tuning, 101- to report")
    parser.add_argument("--scenarios", type=_scenarios, default=list(SCENARIOS), help="names parted by commas")
    parser.add_argument("--workers", type=int, default=2, help="processes beside each other")
    parser.add_argument(
        "--out", type=Path, help="folder for results.csv and results.svg; without it nothing is written"
    )
    parser.add_argument("--pairs", type=Path, help="CSV file for what each method said of each pair")
    parser.add_argument("--readme", action="store_true", help="write the results into this folder and its README.md")
    parser.add_argument("--results", type=Path, help="show an earlier results.csv instead of running")
    return parser.parse_args()


def _seeds(text: str) -> list[int]:
    first, dash, last = text.partition("-")
    return list(range(int(first), int(last) + 1)) if dash else [int(one) for one in text.split(",")]


def _scenarios(text: str) -> list[str]:
    names = [name.strip() for name in text.split(",")]
    unknown = sorted(set(names) - set(SCENARIOS))
    if unknown:
        raise argparse.ArgumentTypeError(f"no scenario {', '.join(unknown)}; there are {', '.join(SCENARIOS)}")
    return names


def _run(wanted: argparse.Namespace) -> list[Row]:
    # Before the workers start and load their libraries.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    jobs = [(scenario, seed) for seed in wanted.seeds for scenario in wanted.scenarios]
    started, rows = time.perf_counter(), list[Row]()
    done = run_all(jobs, workers=wanted.workers, keep_pairs=wanted.pairs is not None)
    for number, more in enumerate(done, start=1):
        rows += more
        print(
            f"{number} of {len(jobs)} labs, {time.perf_counter() - started:.0f} s: {more[0].scenario} {more[0].seed}",
            file=sys.stderr,
        )
    return rows


if __name__ == "__main__":
    main()

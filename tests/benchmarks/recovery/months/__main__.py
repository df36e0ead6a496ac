"""Run it: ``python -m tests.benchmarks.recovery.months --seeds 1-3 --scenarios stable,step``."""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path

from tests.benchmarks.recovery.months.chart import picture
from tests.benchmarks.recovery.months.report import goals_table, results_table
from tests.benchmarks.recovery.months.runs import Row, in_order, read_rows, run_all, write_rows
from tests.benchmarks.recovery.months.scenarios import SCENARIOS, jobs
from tests.benchmarks.recovery.report import write_into

_HERE = Path(__file__).parent


def main() -> None:
    wanted = _arguments()
    rows = in_order(read_rows(wanted.results) if wanted.results else _run(wanted))
    results = f"{goals_table(rows)}\n\n{results_table(rows)}"
    print(results)
    folder = _HERE if wanted.readme else wanted.out
    if folder:
        folder.mkdir(parents=True, exist_ok=True)
        write_rows(rows, folder / "results.csv")
        (folder / "results.svg").write_text(picture(rows), encoding="utf-8")
    if wanted.readme:
        labs = len({(row.scenario, row.level, row.seed) for row in rows})
        write_into(_HERE / "README.md", f"Seeds {_in_words(rows)}, {labs} labs.\n\n{results}")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.recovery.months", description=__doc__)
    parser.add_argument("--seeds", type=_seeds, default=[1, 2, 3], help="1-3 or 1,5,9; 1-99 for tuning, 101- to report")
    parser.add_argument("--scenarios", type=_scenarios, default=list(SCENARIOS), help="names parted by commas")
    parser.add_argument("--workers", type=int, default=2, help="processes beside each other")
    parser.add_argument(
        "--out", type=Path, help="folder for results.csv and results.svg; without it nothing is written"
    )
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


def _in_words(rows: list[Row]) -> str:
    seeds = sorted({row.seed for row in rows})
    whole = seeds == list(range(seeds[0], seeds[-1] + 1))
    return f"{seeds[0]}-{seeds[-1]}" if whole and len(seeds) > 1 else ", ".join(map(str, seeds))


def _run(wanted: argparse.Namespace) -> list[Row]:
    # Before the workers start and load their libraries.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    todo = jobs(wanted.scenarios, wanted.seeds)
    started, rows = time.perf_counter(), list[Row]()
    try:
        for number, more in enumerate(run_all(todo, workers=wanted.workers), start=1):
            rows += more
            first = more[0]
            print(
                f"{number} of {len(todo)} labs, {time.perf_counter() - started:.0f} s: "
                f"{first.scenario} {first.level:g} {first.seed}",
                file=sys.stderr,
            )
    except KeyboardInterrupt:
        print("Stopped; what has been finished is reported.", file=sys.stderr)
    return rows


if __name__ == "__main__":
    main()

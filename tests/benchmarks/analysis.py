"""The whole analysis of the demo lab in a cold process, against an import of statsmodels and scikit-learn.

Run: ``python tests/benchmarks/analysis.py [RUNS]``
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

BASELINE = [sys.executable, "-c", "import statsmodels.api, sklearn.linear_model"]


def measured(command: list[str]) -> tuple[float, float]:
    """Wall seconds and peak memory in MB of one process."""
    started = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _pid, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{command} ended with {child.returncode}")
    return time.perf_counter() - started, usage.ru_maxrss / 1024


def main(runs: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        database = str(Path(folder) / "demo.sqlite")
        remakes = [sys.executable, "-m", "remakes.cli"]
        subprocess.run([*remakes, "demo", "--db", database, "--build-only"], check=True, capture_output=True)
        analysis = [*remakes, "analyze", "--db", database, "--json", "-"]
        measured(analysis)
        pairs = [(measured(analysis), measured(BASELINE)) for _ in range(runs)]
    for name, number, unit in (("wall", 0, "s"), ("peak memory", 1, "MB")):
        mine = [pair[0][number] for pair in pairs]
        theirs = [pair[1][number] for pair in pairs]
        ratios = sorted(a / b for a, b in zip(mine, theirs, strict=True))
        print(
            f"{name}: analysis {median(mine):.2f} {unit}, imports {median(theirs):.2f} {unit}, "
            f"ratio {median(ratios):.2f} ({ratios[0]:.2f} to {ratios[-1]:.2f}, {runs} pairs)"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5)

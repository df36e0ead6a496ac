"""All adjusted fits of the demo lab on counts, against a loop of plain logistic fits on rows.

The baseline is what a user would write: for every factor and defect one ``statsmodels`` logistic regression of
"came back with it" on the miss, technician, kind and quarter, one row a recorded restoration, no months, no penalty, no
profile. Run: ``python tests/benchmarks/fits.py``
"""

from __future__ import annotations

import tempfile
import time
import warnings
from pathlib import Path

import numpy as np
import statsmodels.api as sm

from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.counts.table import PatternTable
from remakes.deviations.detect import MET, MISSED
from remakes.evidence.findings import find
from remakes.records.demo_lab import build_demo
from remakes.records.snapshot import take_snapshot
from remakes.records.store import open_store


def plain_loop(table: PatternTable) -> tuple[int, int]:
    """Fits done and fits that failed."""
    weights = table.restorations
    levels = [table.attributes[name] for name in ("technician", "kind", "quarter")]
    dummies = np.hstack([np.eye(len(a.levels))[a.codes][:, 1:] for a in levels])
    done = failed = 0
    for defect in table.defects:
        returned = np.minimum(table.returns_by_pattern(defect), 1)
        for factor in table.factors:
            status = table.status_of(factor)
            rows = np.flatnonzero((status == MET) | (status == MISSED))
            rows = np.repeat(rows, weights[rows])
            X = np.column_stack([np.ones(len(rows)), status[rows] == MISSED, dummies[rows]]).astype(float)
            try:
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")
                    sm.Logit(returned[rows], X).fit(disp=0)
                done += 1
            except (np.linalg.LinAlgError, ValueError):
                failed += 1
    return done, failed


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "demo.sqlite"
        build_demo(str(path))
        snapshot = take_snapshot(open_store(str(path)))
    if snapshot.observed_until is None:
        raise SystemExit("the demo lab is empty")
    table = count_patterns(connect(snapshot), snapshot.standard, observed_until=snapshot.observed_until)
    started = time.perf_counter()
    findings = find(table, snapshot.standard)
    mine = time.perf_counter() - started
    started = time.perf_counter()
    done, failed = plain_loop(table)
    theirs = time.perf_counter() - started
    fitted = sum(not one.adjusted.why_not for one in findings)
    print(f"on counts, Firth, months, profile: {fitted} pairs in {mine:.2f} s, {1000 * mine / fitted:.0f} ms each")
    print(f"plain loop on rows: {done} pairs in {theirs:.2f} s ({failed} failed), {1000 * theirs / done:.0f} ms each")
    print(f"ratio of time per pair: {theirs / done / (mine / fitted):.2f}")


if __name__ == "__main__":
    main()

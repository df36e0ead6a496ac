"""Open data recast as a lab's records: the published figures must come out at the other end.

A subject becomes a restoration followed for one month, an exposure a reading, an outcome a return, a stratum
the kind of restoration. Everything goes through the command line: files in, findings out.
"""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from firthmodels import FirthLogisticRegression
from statsmodels.stats.contingency_tables import StratifiedTable
from typer.testing import CliRunner

from remakes.cli import app
from tests.published.cases import dataset, published

KINDS = ("crown", "onlay", "inlay", "veneer", "implant crown", "other")


def analyzed(folder: Path, subjects: list[tuple[bool, bool, int]]) -> dict[str, Any]:
    """Write (exposed, event, stratum) as a lab's files, import and analyze them, give the one finding."""
    rows = [(f"R{n:05d}", *subject) for n, subject in enumerate(subjects)]
    write(
        folder / "restorations.csv",
        ["restoration_id", "case_id", "clinic", "technician", "kind", "teeth", "units", "delivered_on"],
        [[name, name, "C01", "T01", KINDS[stratum], "11", 1, "2025-01-01"] for name, _x, _y, stratum in rows],
    )
    write(
        folder / "process_log.csv",
        ["restoration_id", "step", "reading", "value"],
        [[name, "bench", "kept", "no" if x else "yes"] for name, x, _y, _s in rows],
    )
    write(
        folder / "returns.csv",
        ["return_id", "restoration_id", "reported_on", "defect", "found_at", "severity", "disposition"],
        [[f"Q{name}", name, "2025-01-20", "chipping", "in_service", 4, "repaired"] for name, _x, y, _s in rows if y],
    )
    (folder / "standard.toml").write_text(
        'title = "recast"\nsteps = ["bench"]\n[[requirement]]\nfactor = "exposure"\nstep = "bench"\n'
        'reading = "kept"\none_of = ["yes"]\nmay_cause = ["chipping"]\nvalid_from = 2025-01-01\n',
        encoding="utf-8",
    )
    database = str(folder / "lab.sqlite")
    runner = CliRunner()
    done = runner.invoke(app, ["import", str(folder), "--db", database, "--observed-until", "2025-01-31"])
    assert done.exit_code == 0, done.output
    done = runner.invoke(app, ["analyze", "--db", database, "--json", "-"])
    assert done.exit_code == 0, done.output
    result = json.loads(done.stdout)
    assert result["data"]["restorations"] == len(subjects)
    (finding,) = result["findings"]
    return dict(finding)


def write(path: Path, header: list[str], rows: list[list[object]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([header, *rows])


def firth(subjects: list[tuple[bool, bool, int]]) -> FirthLogisticRegression:
    """An independent program on the same subjects: exposure, then strata as indicators."""
    strata = sorted({stratum for _x, _y, stratum in subjects})[1:]
    X = np.array([[float(x), *(float(s == level) for level in strata)] for x, _y, s in subjects])
    y = np.array([int(event) for _x, event, _s in subjects])
    return FirthLogisticRegression(backend="numpy", gtol=1e-7, xtol=1e-7, max_iter=100).fit(X, y)


def check_firth(finding: dict[str, Any], subjects: list[tuple[bool, bool, int]]) -> None:
    other = firth(subjects)
    low, high = other.conf_int(method="pl")[0]
    ratio = finding["odds_ratio"]
    # The search for an interval's end stops at half a percent.
    assert ratio["estimate"] == pytest.approx(math.exp(other.coef_[0]), rel=5e-3)
    assert (ratio["low"], ratio["high"]) == pytest.approx((math.exp(low), math.exp(high)), rel=1e-2)
    other.lrt()
    assert finding["p"] == pytest.approx(other.lrt_pvalues_[0], rel=2e-2)


def test_smoking_and_low_birth_weight(tmp_path: Path) -> None:
    # R package MASS, birthwt; table, risk ratio, excess events as in epiR (P-g2).
    subjects = [(r["smoke"] == "1", r["low"] == "1", 0) for r in dataset("birthwt")]
    finding = analyzed(tmp_path, subjects)
    case = published("P-g2")
    (a, b), (c, d) = case.data["table"]
    assert [finding[k] for k in ("returns_missed", "missed", "returns_met", "met")] == [a, a + b, c, c + d]
    case.check(
        rr=finding["crude_risk_missed"] / finding["crude_risk_met"],
        excess_events=finding["crude_avoidable_returns"],
        paf_from_risks=finding["crude_avoidable_returns"] / (a + c),
    )
    assert finding["crude_odds_ratio"]["estimate"] == pytest.approx(a * d / b / c, rel=1e-9)
    # Firth on a 2 x 2 table: half added to each cell (Heinze & Schemper 2002).
    half = (a + 0.5) * (d + 0.5) / (b + 0.5) / (c + 0.5)
    assert finding["odds_ratio"]["estimate"] == pytest.approx(half, rel=5e-3)
    check_firth(finding, subjects)


def test_smoking_and_low_birth_weight_within_race(tmp_path: Path) -> None:
    # Hosmer & Lemeshow, Applied Logistic Regression (2000), give 3.09 for the Mantel-Haenszel odds ratio of
    # smoking within race, and 3.05 by logistic regression: both from memory; statsmodels recomputes the first.
    subjects = [(r["smoke"] == "1", r["low"] == "1", int(r["race"]) - 1) for r in dataset("birthwt")]
    finding = analyzed(tmp_path, subjects)
    tables = np.zeros((2, 2, 3))
    for x, y, stratum in subjects:
        tables[int(not x), int(not y), stratum] += 1
    other = StratifiedTable(tables)
    stratified = finding["stratified_odds_ratio"]
    assert stratified["estimate"] == pytest.approx(other.oddsratio_pooled, rel=1e-9)
    assert stratified["estimate"] == pytest.approx(3.09, abs=0.005)
    assert (stratified["low"], stratified["high"]) == pytest.approx(other.oddsratio_pooled_confint(), rel=1e-9)
    assert finding["odds_ratio"]["estimate"] == pytest.approx(3.05, rel=0.05)
    assert "kind" in finding["compared_within"]
    check_firth(finding, subjects)


def test_neovasculization_and_grade_with_an_empty_cell(tmp_path: Path) -> None:
    # Endometrial cancer data, Heinze & Schemper 2002: no patient with neovasculization had a low grade.
    subjects = [(r["NV"] == "1", r["HG"] == "1", 0) for r in dataset("endometrial")]
    finding = analyzed(tmp_path, subjects)
    assert finding["returns_missed"] == finding["missed"]
    assert finding["crude_odds_ratio"]["estimate"] is None
    assert finding["crude_odds_ratio"]["low"] > 1
    assert finding["crude_odds_ratio"]["method"] == "exact conditional, mid-p"
    check_firth(finding, subjects)


def test_admissions_within_departments(tmp_path: Path) -> None:
    # Berkeley admissions 1973 (R dataset UCBAdmissions), P-b1: Simpson's paradox; departments as kinds.
    case = published("P-b1")
    subjects = [
        (exposed, event, stratum)
        for stratum, cells in enumerate(case.data["strata"])
        for exposed, event, name in (
            (True, True, "exp_event"),
            (True, False, "exp_noevent"),
            (False, True, "unexp_event"),
            (False, False, "unexp_noevent"),
        )
        for _ in range(cells[name])
    ]
    finding = analyzed(tmp_path, subjects)
    case.check(
        crude_or=finding["crude_odds_ratio"]["estimate"],
        crude_rr=finding["crude_risk_missed"] / finding["crude_risk_met"],
        mh_or=finding["stratified_odds_ratio"]["estimate"],
        mh_or_rbg_lo=finding["stratified_odds_ratio"]["low"],
        mh_or_rbg_hi=finding["stratified_odds_ratio"]["high"],
    )
    check_firth(finding, subjects)

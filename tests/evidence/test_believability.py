"""Reported findings are held against what could undo them, and what fails takes a grade off."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.counts.table import PatternTable
from remakes.deviations.detect import MET, NOT_RECORDED
from remakes.evidence.checks.closer_look import look_closer
from remakes.evidence.checks.tipping import TippingPoint
from remakes.evidence.findings import Finding, find
from tests.evidence.drawn_tables import DEFECT, FACTOR, drawn_table, rules
from tests.planted import planted_lab


def lab(seed: int, *, driven_by_one_clinic: bool) -> PatternTable:
    """Twelve clinics; the miss acts everywhere, or in one clinic alone that holds a fifth of the restorations."""
    rng = np.random.default_rng(seed)
    n = 2500
    clinic = np.where(rng.random(n) < 0.2, 0, rng.integers(1, 12, n))
    codes = {"clinic": clinic, "technician": rng.integers(0, 6, n), "quarter": rng.integers(0, 6, n)}
    missed = rng.random(n) < 0.2
    effect = np.where(clinic == 0, 3.0, 0.0) if driven_by_one_clinic else np.full(n, 1.4)
    return drawn_table(rng, log_hazard=-5.5 + np.where(missed, effect, 0.0), missed=missed, codes=codes)


def finding(table: PatternTable) -> Finding:
    return next(one for one in find(table, rules()) if (one.factor, one.defect) == (FACTOR, DEFECT))


def test_a_finding_that_all_share_stands_and_keeps_its_grade() -> None:
    one = finding(lab(1, driven_by_one_clinic=False))
    assert one.grade == "strong"
    assert one.checks is not None
    assert one.checks.doubts == ()
    assert {left.attribute for left in one.checks.left_out} == {"technician", "clinic", "quarter"}
    assert one.checks.widest.odds_ratio.low <= one.adjusted.odds_ratio.low


def test_a_finding_of_one_clinic_loses_a_grade_and_says_why() -> None:
    one = finding(lab(2, driven_by_one_clinic=True))
    assert one.checks is not None
    assert any("clinic00" in doubt for doubt in one.checks.doubts)
    assert one.grade in ("moderate", "weak")
    assert "but for the doubts" in one.because
    assert set(one.checks.doubts) <= set(one.cautions)


def test_gaps_that_could_undo_a_finding_are_a_doubt() -> None:
    checks = finding(lab(1, driven_by_one_clinic=False)).checks
    assert checks is not None
    tips = TippingPoint(share_returned=0.2, odds_ratio=1.2, expected_share=0.5)
    doubted = replace(checks, gaps=replace(checks.gaps, tipping=tips))
    assert [("nobody wrote down" in doubt) for doubt in doubted.doubts] == [True]
    harmless = replace(checks, gaps=replace(checks.gaps, tipping=replace(tips, odds_ratio=0.4)))
    assert harmless.doubts == ()


def test_a_log_with_gaps_where_returns_are_says_so() -> None:
    table = lab(1, driven_by_one_clinic=False)
    # Most restorations that came back with the step done right lose their record, as does a tenth of the others.
    status = table.status.copy()
    column = table.factors.index(FACTOR)
    returned = np.isin(np.arange(table.patterns), table.event_pattern)
    hidden = np.flatnonzero(returned & (status[:, column] == MET))[9:]
    status[np.concatenate([hidden, np.flatnonzero(~returned)[::10]]), column] = NOT_RECORDED
    one = finding(replace(table, status=status))
    assert one.checks is not None
    assert one.checks.gaps.gap.p < 0.001
    assert any("The gap itself goes with more returns" in caution for caution in one.cautions)


def test_only_what_is_reported_is_checked_and_only_what_cannot_be_told_has_an_outlook() -> None:
    records = planted_lab(3, odds_ratio=4.0)
    assert records.observed_until is not None
    table = count_patterns(connect(records), records.standard, observed_until=records.observed_until)
    findings = find(table, records.standard)
    assert [one.checks is not None for one in findings] == [one.reported for one in findings]
    waiting = [one.plausible and one.grade == "cannot tell" for one in findings]
    assert [one.months is not None for one in findings] == waiting
    assert any(waiting)
    json.dumps([one.as_json() for one in findings], allow_nan=False)


@pytest.mark.parametrize(("factor", "defect"), [("bond_wait", "debonding"), ("thickness", "chipping")])
def test_a_closer_look_agrees_with_the_finding(factor: str, defect: str) -> None:
    records = planted_lab(4, odds_ratio=4.0)
    assert records.observed_until is not None
    tables = connect(records)
    table = count_patterns(tables, records.standard, observed_until=records.observed_until)
    one = next(f for f in find(table, records.standard) if (f.factor, f.defect) == (factor, defect))
    look = look_closer(tables, table, records.standard, factor=factor, defect=defect, alpha_to_list=0.01)
    assert str(look.effect.odds_ratio) == str(one.adjusted.odds_ratio)
    restorations = {status: curve.at_risk[0] for status, curve in look.incidence.items() if len(curve.at_risk)}
    assert restorations["met"] == one.counts.met
    assert restorations.get("missed", 0) == one.counts.missed
    if look.checks is not None:
        assert look.checks.gaps.imputed is not None
        assert look.dose is not None
        assert sum(band.returns for band in look.dose.bands) == one.counts.returns_met + one.counts.returns_missed
    else:
        assert look.effect.why_not
    json.dumps(look.as_json(), allow_nan=False)

"""Plant a cause and find it; plant none and find none; do not fall for the confounded one."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from firthmodels import FirthLogisticRegression

from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.counts.table import PatternTable
from remakes.deviations.detect import MET, MISSED, NOT_APPLICABLE, NOT_RECORDED
from remakes.errors import NothingToAnalyzeError
from remakes.evidence.findings import Finding, find
from remakes.evidence.models.adjusted import missed_share
from remakes.evidence.models.adjustment import Background, adjustment_names, pair_design
from remakes.evidence.models.case_mix import CaseMix
from remakes.evidence.models.logistic import fit
from remakes.evidence.models.shrinkage import estimate_shrinkage
from remakes.records.requirements import ProcessStandard
from remakes.records.snapshot import Snapshot
from tests.labs import snapshot, standard
from tests.planted import END, planted_lab


def counted(records: Snapshot) -> PatternTable:
    assert records.observed_until is not None
    return count_patterns(connect(records), records.standard, observed_until=records.observed_until)


@cache
def found(seed: int, odds_ratio: float = 4.0) -> dict[tuple[str, str], Finding]:
    records = planted_lab(seed, odds_ratio=odds_ratio)
    return {(f.factor, f.defect): f for f in find(counted(records), records.standard)}


@pytest.mark.parametrize("seed", [1, 2])
def test_the_planted_cause_is_found_first_with_its_size(seed: int) -> None:
    findings = found(seed)
    assert next(iter(findings)) == ("bond_wait", "debonding")
    one = findings["bond_wait", "debonding"]
    assert one.grade == "strong"
    assert one.adjusted.odds_ratio.low < 4.0 < one.adjusted.odds_ratio.high
    assert one.adjusted.risk_missed > 2 * one.adjusted.risk_met
    # VanderWeele & Ding 2017: RR + sqrt(RR (RR - 1)), here at the end of the interval nearer to 1.
    low = one.odds_ratio.low
    assert one.as_json()["e_value"]["limit"] == pytest.approx(low + math.sqrt(low * (low - 1)))
    assert any("E-value" in caution for caution in one.cautions)


def test_a_confounded_factor_looks_guilty_crudely_and_not_when_adjusted() -> None:
    # One lab may mislead by chance; the mean of six must not.
    pairs = [found(seed)["polish", "chipping"] for seed in (1, 2, 11, 12, 13, 14)]
    crude = np.mean([math.log(one.crude.odds_ratio.estimate) for one in pairs])
    adjusted = np.mean([math.log(one.adjusted.odds_ratio.estimate) for one in pairs])
    assert crude > 0.25
    assert abs(adjusted) < 0.15
    assert sum(one.grade in ("none", "cannot tell") for one in pairs) >= 5
    assert all(any("serves as a check" in caution for caution in one.cautions) for one in pairs)


def test_nothing_planted_nothing_found() -> None:
    graded = [f.grade for seed in (3, 4) for f in found(seed, 1.0).values()]
    assert not {"strong", "moderate", "weak"} & set(graded)


def test_avoidable_returns_are_those_planted() -> None:
    # With an odds ratio of 4 and rare returns, three quarters of the returns with the miss are avoidable.
    one = found(1)["bond_wait", "debonding"]
    share = 1 - 1 / one.adjusted.odds_ratio.estimate
    recorded = share * one.counts.returns_missed
    assert recorded * 0.7 < one.adjusted.avoidable.estimate < recorded * 1.4
    assert one.adjusted.avoidable.low < one.adjusted.avoidable.estimate < one.adjusted.avoidable.high
    # Both intervals tell the same story.
    assert (one.adjusted.odds_ratio.low > 1) == (one.adjusted.avoidable.low > 0)


def test_the_adjusted_odds_ratio_is_that_of_another_program_on_rows() -> None:
    """Expand the design to one row a month at risk and hand it to an independent Firth program."""
    records = planted_lab(6, restorations=900)
    table = counted(records)
    case_mix = CaseMix(table)
    at_risk, events = table.events_of("debonding")
    shrinkage = estimate_shrinkage(case_mix, at_risk=at_risk, events=events)
    pair = pair_design(
        table,
        Background(table, case_mix, shrinkage, "debonding"),
        records.standard,
        factor="bond_wait",
        unrecorded=missed_share(table, "bond_wait"),
    )
    design = pair.design
    if design.ridge.any() or design.levels:
        design = design.__class__(
            covariates=design.covariates[:, design.ridge == 0],
            at_risk=design.at_risk,
            events=design.events,
            ridge=np.zeros(int((design.ridge == 0).sum())),
        )
    rows, y = [], []
    for i, j in zip(*np.nonzero(design.at_risk), strict=True):
        total, returned = int(design.at_risk[i, j]), int(design.events[i, j])
        rows += [np.concatenate([np.eye(design.bins)[j], design.covariates[i]])] * total
        y += [1] * returned + [0] * (total - returned)
    other = FirthLogisticRegression(backend="numpy", fit_intercept=False, gtol=1e-5, xtol=1e-6, max_iter=200)
    other.fit(np.array(rows), np.array(y))
    assert fit(design).theta == pytest.approx(other.coef_, abs=1e-4)


def test_merging_equal_rows_changes_nothing() -> None:
    records = planted_lab(7, restorations=600)
    table = counted(records)
    case_mix = CaseMix(table)
    at_risk, events = table.events_of("chipping")
    shrinkage = estimate_shrinkage(case_mix, at_risk=at_risk, events=events)
    pair = pair_design(
        table,
        Background(table, case_mix, shrinkage, "chipping"),
        records.standard,
        factor="thickness",
        unrecorded=missed_share(table, "thickness"),
    )
    status = table.status_of("thickness")
    recorded = (status == MET) | (status == MISSED)
    assert pair.design.covariates.shape[0] < recorded.sum()
    assert pair.design.at_risk.sum() == at_risk[recorded][:, pair.bins].sum()
    assert pair.design.events.sum() == events[recorded].sum()
    assert pair.restorations.sum() == table.restorations[status != NOT_APPLICABLE].sum()
    months = at_risk[:, pair.bins].sum(axis=1)
    share = np.where(status == MISSED, 1.0, np.where(status == NOT_RECORDED, missed_share(table, "thickness"), 0.0))
    assert pair.exposed.sum() == pytest.approx(share @ months)


def test_the_adjustment_set_never_holds_a_later_step() -> None:
    rules = standard()
    assert adjustment_names(rules, "thickness", "chipping") == ("bond_wait",)
    assert adjustment_names(rules, "bond_wait", "chipping") == ()
    assert set(adjustment_names(rules, "bond_wait", "debonding")) == {"grit_uses", "cleaning"}
    # Same step, same defect: each stands in the other's set.
    assert adjustment_names(rules, "grit_uses", "debonding") == ("cleaning",)


def test_what_cannot_be_estimated_is_null_and_says_why() -> None:
    lab = [{"restoration_id": f"R{k}", "technician": f"T{k % 2}"} for k in range(40)]
    log = [
        {"restoration_id": f"R{k}", "step": "bonding", "reading": "wait_s", "value": "100" if k < 5 else "200"}
        for k in range(40)
    ]
    back = [
        {"return_id": f"Q{k}", "restoration_id": f"R{k}", "reported_on": "2024-02-01", "defect": "debonding"}
        for k in (1, 30)
    ]
    records = snapshot(lab, log, back)
    findings = {(f.factor, f.defect): f for f in find(counted(records), records.standard)}
    one = findings["bond_wait", "debonding"]
    as_json = one.as_json()
    assert one.grade == "cannot tell"
    assert as_json["odds_ratio"] == {"estimate": None, "low": None, "high": None}
    assert as_json["p"] is None
    assert as_json["q"] is None
    assert any("only 2 of its returns" in caution for caution in one.cautions)
    never = findings["polish", "debonding"]
    assert (never.counts.not_recorded, never.adjusted.why_not) == (40, "never recorded")


def test_every_factor_meets_every_defect_with_a_return() -> None:
    findings = found(1)
    assert set(findings) == {(f, d) for f in standard().factors for d in ("debonding", "chipping")}
    one = findings["bond_wait", "debonding"].counts
    assert one.met + one.missed + one.not_recorded == 3000


def test_without_returns_or_standard_there_is_nothing_to_say() -> None:
    lab = snapshot([{"restoration_id": "R1"}])
    with pytest.raises(NothingToAnalyzeError, match="No return has been recorded"):
        find(counted(lab), lab.standard)
    bare = snapshot(
        [{"restoration_id": "R1"}],
        (),
        [{"return_id": "Q", "restoration_id": "R1", "reported_on": "2024-02-01", "defect": "other"}],
        by=ProcessStandard(),
    )
    with pytest.raises(NothingToAnalyzeError, match="no process standard"):
        find(counted(bare), bare.standard)


def test_misses_in_one_hand_cannot_be_told_from_the_hand() -> None:
    rng = np.random.default_rng(8)
    lab, log, back = [], [], []
    for k in range(1500):
        mine = k % 3 == 0
        lab.append({"restoration_id": f"R{k}", "technician": "T01" if mine else "T02"})
        short = mine and rng.random() < 0.5
        log.append(
            {"restoration_id": f"R{k}", "step": "bonding", "reading": "wait_s", "value": "90" if short else "200"}
        )
        if rng.random() < (0.12 if short else 0.02):
            back.append(
                {"return_id": f"Q{k}", "restoration_id": f"R{k}", "reported_on": "2024-01-20", "defect": "debonding"}
            )
    records = snapshot(lab, log, back)
    findings = {(f.factor, f.defect): f for f in find(counted(records), records.standard)}
    one = findings["bond_wait", "debonding"]
    assert one.grade == "cannot tell"
    assert any("100% of the misses are in one technician (T01)" in caution for caution in one.cautions)


def test_the_same_records_give_the_same_findings() -> None:
    records = planted_lab(9, restorations=800)
    one, other = ([f.as_json() for f in find(counted(records), records.standard, horizon=6)] for _ in range(2))
    assert one == other


def test_figures_do_not_depend_on_the_order_of_the_rows() -> None:
    records = planted_lab(10, restorations=800)
    turned = Snapshot(
        restorations=records.restorations.take(list(range(799, -1, -1))),
        process_log=records.process_log,
        returns=records.returns,
        standard=records.standard,
        observed_until=END,
    )
    for one, other in zip(
        find(counted(records), records.standard), find(counted(turned), records.standard), strict=True
    ):
        assert (one.factor, one.defect, one.counts) == (other.factor, other.defect, other.counts)
        assert one.adjusted.odds_ratio.estimate == pytest.approx(
            other.adjusted.odds_ratio.estimate, rel=1e-3, nan_ok=True
        )

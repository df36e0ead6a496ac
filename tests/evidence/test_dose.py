"""Plant a step, a slope, a valley or nothing into the readings, and see what is said about the limit."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import statsmodels.api as sm
from threadpoolctl import threadpool_limits

from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.counts.readings import ReadingBands, reading_bands
from remakes.evidence.checks.dose import DoseResponse, dose_response
from remakes.evidence.models.adjusted import adjusted_effect
from remakes.evidence.models.adjustment import Background
from remakes.evidence.models.case_mix import CaseMix
from remakes.evidence.models.shrinkage import estimate_shrinkage
from remakes.records.snapshot import Snapshot
from remakes.records.standard import ProcessStandard
from tests.evidence.planted_readings import WAITS, Counted, planted_readings
from tests.labs import snapshot
from tests.planted import END, planted_lab


def prepared(records: Snapshot, factor: str, defect: str) -> tuple[ReadingBands, Background, ProcessStandard]:
    assert records.observed_until is not None
    tables = connect(records)
    table = count_patterns(tables, records.standard, observed_until=records.observed_until)
    return prepared_from(Counted(tables=tables, table=table, standard=records.standard), factor, defect)


def prepared_from(lab: Counted, factor: str, defect: str) -> tuple[ReadingBands, Background, ProcessStandard]:
    table = lab.table
    bands = reading_bands(lab.tables, table, lab.standard, factor=factor)
    assert bands is not None
    case_mix = CaseMix(table)
    at_risk, events = table.events_of(defect)
    with threadpool_limits(limits=1):
        shrinkage = estimate_shrinkage(case_mix, at_risk=at_risk, events=events)
    return bands, Background(table, case_mix, shrinkage, defect), lab.standard


@cache
def dose_of(plant: str) -> DoseResponse:
    """Of one reading of the lab of many."""
    return dose_response(*prepared_from(planted_readings(), plant, plant))


def stepped(seed: int, at: float) -> DoseResponse:
    """The limit is 180 s whatever the truth."""
    return dose_of(f"step_{at:.0f}_{seed}")


@pytest.mark.parametrize(
    ("at", "says"), [(220.0, "Try a stricter one"), (140.0, "which is no reason to loosen it")], ids=["above", "below"]
)
def test_a_step_elsewhere_is_located_and_the_limit_is_not_in_the_set(at: float, says: str) -> None:
    for seed in (1, 2):
        dose = stepped(seed, at)
        (change,) = dose.changes
        assert change.located
        assert change.low <= at <= change.high
        assert change.limit_within is False
        assert change.best.odds_ratio > 2
        assert says in dose.sentence
        assert dose.sentence.endswith("The material's instruction comes first.")


def test_a_step_at_the_limit_is_located_and_the_limit_lies_within() -> None:
    doses = [stepped(seed, 180.0) for seed in (1, 2, 3)]
    for dose in doses:
        (change,) = dose.changes
        assert change.located
        assert change.limit_within is True
        assert change.shape != "gradual"
        assert "the limit of 180 s lies within" in dose.sentence
    assert "step" in {dose.changes[0].shape for dose in doses}
    # Readings that keep the limit are all alike, and so are those that miss it: six tests of nothing,
    # of which more than one has a chance of 3 % to lie below 0.05.
    p = np.array([side.p for dose in doses for side in (dose.kept, dose.missed) if side is not None])
    assert len(p) == 6
    assert (p < 0.05).sum() <= 1
    assert "instruction" not in doses[1].sentence


def test_the_cut_is_where_the_log_likelihood_of_another_program_has_it() -> None:
    """One clinic, one technician, one quarter: only the month bins and the step are left to fit."""
    rng = np.random.default_rng(5)
    values = rng.choice(WAITS, size=1500)
    lab = [{"restoration_id": f"R{k}"} for k in range(len(values))]
    log = [
        {"restoration_id": f"R{k}", "step": "bonding", "reading": "wait_s", "value": str(value)}
        for k, value in enumerate(values)
    ]
    back = [
        {
            "return_id": f"Q{k}",
            "restoration_id": f"R{k}",
            "reported_on": f"2024-{int(rng.integers(2, 12)):02d}-01",
            "defect": "debonding",
        }
        for k, value in enumerate(values)
        if rng.random() < (0.15 if value < 150 else 0.05)
    ]
    bands, background, rules = prepared(snapshot(lab, log, back), "bond_wait", "debonding")
    (change,) = dose_response(bands, background, rules).changes
    at_risk, events = bands.refined.table.events_of("debonding")
    row, column = np.nonzero(at_risk)
    months = np.eye(at_risk.shape[1])[column][:, events.sum(axis=0) > 0]
    counted = months.any(axis=1)
    band = bands.refined.attribute.codes[row]
    returned = events[row, column]
    cells = np.column_stack([returned, at_risk[row, column] - returned])[counted]
    logliks = []
    for cut in range(len(bands.cuts)):
        X = np.column_stack([months, band <= cut])[counted]
        logliks.append(sm.GLM(cells, X, family=sm.families.Binomial()).fit().llf)
    drops = 2 * (max(logliks) - np.array(logliks))
    # The wide prior of standard deviation 5 moves twice the log-likelihood by less than this.
    assert [step.drop for step in change.steps] == pytest.approx(drops.tolist(), abs=0.1)


def test_two_bands_are_met_against_missed() -> None:
    """A bench that writes 100 or 200 only: the band model is the model of the finding."""
    records = planted_lab(1)
    tables = connect(records)
    table = count_patterns(tables, records.standard, observed_until=END)
    lab = Counted(tables=tables, table=table, standard=records.standard)
    bands, background, rules = prepared_from(lab, "bond_wait", "debonding")
    dose = dose_response(bands, background, rules)
    finding = adjusted_effect(table, background, rules, factor="bond_wait", horizon=12)
    short, long = dose.bands
    assert (short.band.label, long.reference, long.odds_ratio.estimate) == ("100", True, 1.0)
    for name in ("estimate", "low", "high"):
        assert getattr(short.odds_ratio, name) == pytest.approx(getattr(finding.odds_ratio, name), rel=0.01)
    # One line through two points is the same question again.
    assert dose.trend is not None
    assert dose.trend.p == pytest.approx(finding.p, rel=0.05)
    assert dose.trend.odds_ratio.estimate == pytest.approx(
        short.odds_ratio.estimate ** (dose.trend.per / 100), rel=0.01
    )
    counts = table.counts("bond_wait", "debonding")
    assert (short.returns, long.returns) == (counts.returns_missed, counts.returns_met)
    assert (dose.kept, dose.missed) == (None, None)
    assert dose.changes[0].limit_within is True


def test_a_slope_is_called_gradual_with_its_size() -> None:
    for seed in (11, 12):
        dose = dose_of(f"slope_{seed}")
        assert dose.trend is not None
        truth = 1.5 ** (dose.trend.per / 30)
        # Medians stand for whole bands, which flattens or steepens a little.
        assert dose.trend.odds_ratio.low / 1.1 < truth < dose.trend.odds_ratio.high * 1.1
        assert dose.trend.p < 1e-6
        assert dose.changes[0].shape == "gradual"
        assert "rise gradually as the reading falls" in dose.sentence
        assert dose.kept is not None
        assert dose.kept.odds_ratio.estimate > 1


def test_nothing_planted_nothing_seen() -> None:
    doses = [dose_of(f"nothing_{seed}") for seed in range(21, 27)]
    assert sum(dose.changes[0].seen for dose in doses) <= 1
    p = np.array([gradient.p for dose in doses for gradient in (dose.trend, dose.kept, dose.missed) if gradient])
    # 18 tests, of which 0.9 are expected below 0.05; more than 4 has a chance of 1 in 500.
    assert (p < 0.05).sum() <= 4
    assert p.mean() > 0.25
    cannot = "These records cannot tell where the risk changes with the reading."
    assert sum(dose.sentence == cannot for dose in doses) >= 5


def test_of_two_limits_each_side_has_its_own_place() -> None:
    """Layers below 1.0 mm break, and so do those above 2.0 mm."""
    dose = dose_of("valley")
    low, high = dose.changes
    assert (low.side, high.side) == ("low", "high")
    assert low.limit_within is True
    assert high.limit_within is True
    assert dose.sentence.startswith("At low readings: in these records the risk changes between")
    assert "At high readings: in these records" in dose.sentence
    assert dose.trend is not None
    assert dose.trend.odds_ratio.low > 1  # outwards, whichever side is nearer
    assert [one.keeps for one in dose.bands].count(False) == 4


def test_fewer_returns_beyond_the_limit_are_no_reason_to_change_it() -> None:
    dose = dose_of("reversed")
    assert dose.changes[0].seen
    assert "Returns become fewer, not more, as the reading falls" in dose.sentence
    assert "change nothing yet" in dose.sentence


def test_where_nobody_misses_the_limit_its_place_cannot_be_judged() -> None:
    dose = dose_of("never_missed")
    assert dose.changes[0].limit_within is None
    assert "no reading lies beyond the limit of 30 s" in dose.sentence
    assert dose.missed is None


def test_what_cannot_be_estimated_says_why_and_keeps_the_counts() -> None:
    constant = dose_of("constant")
    assert constant.sentence == "The readings show nothing here: every reading is 200: there is nothing to compare."
    assert constant.bands[0].band.restorations == 2000
    assert constant.bands[0].returns > 10
    rare = dose_of("rare")
    assert 0 < sum(one.returns for one in rare.bands) < 3
    assert "3 are needed" in rare.why_not
    as_json = rare.as_json()
    assert as_json["trend"] is None
    assert as_json["bands"][0]["odds_ratio"] == {"estimate": None, "low": None, "high": None}


def test_a_defect_the_step_cannot_cause_gets_no_advice() -> None:
    dose = stepped(1, 220.0)
    assert dose.plausible
    words = replace(dose, plausible=False).sentence
    assert "Try a stricter one" not in words
    assert words.endswith("This step is not thought to cause the defect: something else may be behind both.")


def test_figures_go_out_as_plain_json() -> None:
    dose = stepped(1, 220.0)
    held = json.loads(json.dumps(dose.as_json(), allow_nan=False))
    assert held["limits"] == [{"value": 180.0, "side": "low", "restorations": 2000, "present": True}]
    assert held["bands"][0]["low"] is None
    assert held["bands"][-1]["high"] is None
    assert sum(band["restorations"] for band in held["bands"]) == 2000
    assert held["changes"][0]["between"] == [dose.changes[0].low, dose.changes[0].high]
    assert held["says"] == dose.sentence
    assert min(cut["drop"] for cut in held["changes"][0]["cuts"]) == 0.0
    assert sum(band["reference"] for band in held["bands"]) == 1

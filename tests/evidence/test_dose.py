"""Plant a step, a slope, a valley or nothing into the readings, and see what is said about the limit."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
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
from remakes.records.standard import ProcessStandard, Requirement
from tests.labs import snapshot
from tests.planted import END, planted_lab

#: Seconds waited and millimetres layered, as a bench writes them; more in the middle than at the ends.
WAITS = np.arange(60, 310, 10)
LAYERS = np.arange(0.4, 2.7, 0.1).round(1)


def lab_of(
    seed: int, odds: Callable[[float], float], *, reading: str = "wait_s", restorations: int = 2000, base: float = 0.004
) -> Snapshot:
    """A lab whose only cause is one reading: `odds` times `base` is the chance of a return in each month."""
    rng = np.random.default_rng(seed)
    values, step, defect = {
        "wait_s": (WAITS, "bonding", "debonding"),
        "mm": (LAYERS, "layering", "chipping"),
    }[reading]
    weights = np.exp(-0.5 * ((values - values.mean()) / values.std()) ** 2)
    drawn = rng.choice(values, size=restorations, p=weights / weights.sum())
    lab, log, back = [], [], []
    for k, value in enumerate(drawn):
        name, delivered = f"R{k}", date(2024, 1, 2) + timedelta(days=int(rng.integers(0, 550)))
        lab.append(
            {
                "restoration_id": name,
                "technician": f"T{k % 3}",
                "clinic": f"C{k % 7}",
                "delivered_on": delivered.isoformat(),
            }
        )
        log.append({"restoration_id": name, "step": step, "reading": reading, "value": str(value)})
        month = int(rng.geometric(base * odds(float(value)))) - 1
        if month < int((END - delivered).days / 30.4375):
            day = min(delivered + timedelta(days=int((month + rng.random()) * 30.4375)), END)
            back.append(
                {
                    "return_id": f"Q{k}",
                    "restoration_id": name,
                    "reported_on": day.isoformat(),
                    "defect": defect,
                    "disposition": "repaired",
                }
            )
    return snapshot(lab, log, back, observed_until=END)


def prepared(records: Snapshot, factor: str, defect: str) -> tuple[ReadingBands, Background, ProcessStandard]:
    assert records.observed_until is not None
    tables = connect(records)
    table = count_patterns(tables, records.standard, observed_until=records.observed_until)
    bands = reading_bands(tables, table, records.standard, factor=factor)
    assert bands is not None
    case_mix = CaseMix(table)
    at_risk, events = table.events_of(defect)
    with threadpool_limits(limits=1):
        shrinkage = estimate_shrinkage(case_mix, at_risk=at_risk, events=events)
    return bands, Background(table, case_mix, shrinkage, defect), records.standard


def dose_of(records: Snapshot, factor: str = "bond_wait", defect: str = "debonding") -> DoseResponse:
    return dose_response(*prepared(records, factor, defect))


@cache
def stepped(seed: int, at: float) -> DoseResponse:
    """The limit is 180 s whatever the truth."""
    return dose_of(lab_of(seed, lambda wait: 4.0 if wait < at else 1.0))


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
    bands, background, rules = prepared(records, "bond_wait", "debonding")
    dose = dose_response(bands, background, rules)
    tables = connect(records)
    table = count_patterns(tables, rules, observed_until=END)
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
        dose = dose_of(lab_of(seed, lambda wait: 1.5 ** ((180 - wait) / 30), base=0.003))
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
    doses = [dose_of(lab_of(seed, lambda _wait: 1.0, restorations=1000, base=0.006)) for seed in range(21, 27)]
    assert sum(dose.changes[0].seen for dose in doses) <= 1
    p = np.array([gradient.p for dose in doses for gradient in (dose.trend, dose.kept, dose.missed) if gradient])
    # 18 tests, of which 0.9 are expected below 0.05; more than 4 has a chance of 1 in 500.
    assert (p < 0.05).sum() <= 4
    assert p.mean() > 0.25
    cannot = "These records cannot tell where the risk changes with the reading."
    assert sum(dose.sentence == cannot for dose in doses) >= 5


def test_of_two_limits_each_side_has_its_own_place() -> None:
    """Layers below 1.0 mm break, and so do those above 2.0 mm."""
    valley = lab_of(31, lambda mm: 1.0 if 1.0 <= mm <= 2.0 else 5.0, reading="mm")
    dose = dose_of(valley, "thickness", "chipping")
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
    dose = dose_of(lab_of(41, lambda wait: 1.0 if wait < 180 else 4.0))
    assert dose.changes[0].seen
    assert "Returns become fewer, not more, as the reading falls" in dose.sentence
    assert "change nothing yet" in dose.sentence


def test_where_nobody_misses_the_limit_its_place_cannot_be_judged() -> None:
    records = lab_of(42, lambda wait: 5.0 if wait < 220 else 1.0)
    easy = ProcessStandard(
        steps=records.standard.steps,
        requirements=tuple(
            _with_limit(one, 30.0) if one.factor == "bond_wait" else one for one in records.standard.requirements
        ),
    )
    dose = dose_of(replace(records, standard=easy))
    assert dose.changes[0].limit_within is None
    assert "no reading lies beyond the limit of 30 s" in dose.sentence
    assert dose.missed is None


def _with_limit(requirement: Requirement, low: float) -> Requirement:
    return replace(requirement, rule=replace(requirement.rule, low=low))


def test_what_cannot_be_estimated_says_why_and_keeps_the_counts() -> None:
    same = lab_of(51, lambda _wait: 1.0, restorations=300, base=0.02)
    written = same.process_log.set_column(
        same.process_log.column_names.index("value"), "value", [["200"] * same.process_log.num_rows]
    )
    constant = dose_of(replace(same, process_log=written))
    assert constant.sentence == "The readings show nothing here: every reading is 200: there is nothing to compare."
    assert constant.bands[0].band.restorations == 300
    assert constant.bands[0].returns > 10
    rare = dose_of(lab_of(52, lambda _wait: 1.0, restorations=300, base=0.0005))
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

"""A limit study on planted labs: closed forms, monotone flags, what is never proposed, what cannot be told."""

from __future__ import annotations

import json
import math
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from remakes.actions.limits.draws import BandDraws, summary
from remakes.actions.limits.figures import NOT_PROPOSED, LimitPoint, LimitStudy
from remakes.actions.limits.study import limit_study
from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.counts.table import DAYS_PER_MONTH
from remakes.errors import ProcessStandardError
from remakes.evidence.findings import find
from remakes.records.snapshot import Snapshot
from tests.evidence.planted_readings import LAYERS, WAITS, planted_readings
from tests.labs import snapshot
from tests.planted import planted_lab

BASE = 0.004


def studied(records: Snapshot, *, factor: str = "bond_wait", defect: str = "debonding") -> LimitStudy:
    assert records.observed_until is not None
    tables = connect(records)
    table = count_patterns(tables, records.standard, observed_until=records.observed_until)
    return limit_study(tables, table, records.standard, factor=factor, defect=defect)


@cache
def planted_study(plant: str) -> LimitStudy:
    """Of one reading of the lab of many."""
    lab = planted_readings()
    return limit_study(lab.tables, lab.table, lab.standard, factor=plant, defect=plant)


def stepped(seed: int, at: float) -> LimitStudy:
    """The limit is 180 s whatever the truth."""
    return planted_study(f"step_{at:.0f}_{seed}")


def present(study: LimitStudy, side: str = "low") -> LimitPoint:
    return next(point for point in study.points if point.standing == "present" and point.side == side)


def truth(beyond: float, at: float, odds: float, restorations: int) -> tuple[float, float]:
    """Flagged share and returns spared a month of the planted lab, in closed form.

    The chance within a year is 1 - (1 - h)^12 of each reading's own h; those beyond the limit get the mean of those
    within it.
    """
    weights = np.exp(-0.5 * ((WAITS - WAITS.mean()) / WAITS.std()) ** 2)
    weights /= weights.sum()
    risk = 1 - (1 - BASE * np.where(at > WAITS, odds, 1.0)) ** 12
    flagged = beyond > WAITS
    goal = np.average(risk[~flagged], weights=weights[~flagged])
    months = 550 / DAYS_PER_MONTH
    return float(weights[flagged].sum()), restorations / months * float(
        (weights[flagged] * (risk[flagged] - goal)).sum()
    )


def test_flags_and_spared_returns_are_those_of_the_closed_form() -> None:
    inside, estimates, truths = 0, [], []
    for seed in range(1, 4):
        study = stepped(seed, 180.0)
        point = present(study)
        share, spared = truth(180.0, 180.0, 4.0, 2000)
        assert point.limit == 180.0
        assert point.flagged_share == pytest.approx(share, abs=0.035)
        assert point.flagged_per_month == pytest.approx(
            point.flagged_share * study.recorded / (550 / DAYS_PER_MONTH), rel=0.01
        )
        inside += point.spared_per_month.low <= spared <= point.spared_per_month.high
        estimates.append(point.spared_per_month.estimate)
        truths.append(spared)
    assert inside >= 2
    assert np.mean(estimates) == pytest.approx(np.mean(truths), rel=0.2)


def test_risk_on_either_side_is_the_planted_one() -> None:
    study = stepped(1, 180.0)
    point = present(study)
    for found, hazard in ((point.risk_within, BASE), (point.risk_beyond, 4 * BASE)):
        assert found.low < 1 - (1 - hazard) ** 12 < found.high
    for band in study.bands:
        assert band.risk.low < band.risk.estimate < band.risk.high
        assert band.keeps == (band.band.least >= 180)


def test_what_is_spared_agrees_with_the_finding() -> None:
    """All misses removed, by the finding's own standardization; readings are two values, so bands are the statuses."""
    records = planted_lab(1)
    assert records.observed_until is not None
    tables = connect(records)
    table = count_patterns(tables, records.standard, observed_until=records.observed_until)
    study = limit_study(tables, table, records.standard, factor="bond_wait", defect="debonding")
    finding = next(
        one for one in find(table, records.standard) if (one.factor, one.defect) == ("bond_wait", "debonding")
    )
    months = ((table.last_delivered - table.first_delivered).days + 1) / DAYS_PER_MONTH
    recorded = study.recorded / int(table.restorations.sum())
    avoidable = finding.adjusted.avoidable.estimate / months * recorded
    assert present(study).spared_per_month.estimate == pytest.approx(avoidable, rel=0.12)
    assert [point.standing for point in study.points] == ["present"]


@pytest.mark.parametrize("side", ["low", "high"])
def test_a_tighter_limit_flags_more(side: str) -> None:
    # Between two limits; both too thin and too thick come back more often.
    study = planted_study("between")
    points = [point for point in study.points if point.side == side]
    assert len(points) >= 3
    shares = [point.flagged_share for point in points]
    # Ascending limits: of "at least" each flags more than the one before, of "at most" less.
    assert shares == sorted(shares, reverse=side == "high")
    assert len(set(shares)) == len(shares)
    now = present(study, side).limit
    for point in points:
        tighter = point.limit > now if side == "low" else point.limit < now
        assert point.standing == ("present" if point.limit == now else "tighter" if tighter else "laxer")
        flagged = point.limit > LAYERS if side == "low" else point.limit < LAYERS
        assert 0 < flagged.sum() < len(LAYERS)


@given(seed=st.integers(0, 10_000), bands=st.integers(2, 7))
@settings(max_examples=50, deadline=None)
def test_more_beyond_spares_more_where_risk_falls_with_the_reading(seed: int, bands: int) -> None:
    rng = np.random.default_rng(seed)
    draws = BandDraws(
        restorations=rng.integers(30, 500, bands).astype(float),
        base=rng.uniform(30, 500, bands),
        relative=np.sort(rng.lognormal(0, 1, (bands, 5)), axis=0)[::-1],
        total=rng.uniform(10, 50, 5),
    )
    number = np.arange(bands)
    spared = np.array([draws.spared(number < cut, number >= cut) for cut in range(bands)])
    assert np.all(spared[0] == 0)
    assert np.all(np.diff(spared, axis=0) >= -1e-9)
    # Never more than there is, and the risks of the bands, with their case mix, are the returns there are.
    assert np.all(spared <= draws.total)
    assert draws.risk.T @ draws.base * draws.restorations.sum() / draws.base.sum() == pytest.approx(draws.total)
    assert np.isnan(draws.spared(number >= 0, number < 0)).all()


def test_a_step_inside_the_limit_makes_a_tighter_one_worth_trying() -> None:
    study = stepped(1, 220.0)
    better = [point for point in study.points if point.standing == "tighter" and point.probability_more > 0.99]
    assert better
    for point in better:
        _share, spared = truth(point.limit, 220.0, 4.0, 2000)
        assert point.spared_per_month.low * 0.8 < spared < point.spared_per_month.high * 1.25
    assert "A limit of at least" in study.sentence
    assert study.sentence.endswith("the material's instructions say.")


def test_a_step_at_the_limit_gives_no_reason_for_a_tighter_one() -> None:
    said = []
    for seed in range(1, 4):
        study = stepped(seed, 180.0)
        assert any(point.standing == "tighter" for point in study.points)
        assert math.isnan(present(study).probability_more)
        said.append("cannot tell whether a tighter limit" in study.sentence)
    # One lab in forty may say otherwise, and of three at most one.
    assert sum(said) >= 2


def test_laxer_limits_are_information_and_never_proposed() -> None:
    study = stepped(1, 180.0)
    laxer = [point for point in study.points if point.standing == "laxer"]
    assert laxer
    assert not any(point.proposed for point in laxer)
    assert all(point.as_json()["says"] == NOT_PROPOSED for point in laxer)
    for point in laxer:
        assert f"at least {point.limit:g}" not in study.sentence
        assert point.spared_more.estimate < 0


def test_no_effect_is_not_read_as_one() -> None:
    # One lab in twenty would miss zero by chance; this one, drawn from its seed, does not.
    point = present(planted_study("no_effect"))
    assert point.spared_per_month.low <= 0 <= point.spared_per_month.high


def test_the_same_seed_gives_the_same_study() -> None:
    lab = planted_readings()
    first, again, second = (
        limit_study(lab.tables, lab.table, lab.standard, factor="step_180_1", defect="step_180_1", seed=seed)
        for seed in (3, 3, 4)
    )
    assert first.as_json() == again.as_json()
    assert first.points[0].spared_per_month.estimate == second.points[0].spared_per_month.estimate
    assert first.points[0].spared_per_month.low != second.points[0].spared_per_month.low


def one_reading(values: list[str], *, returned: int, defect: str = "debonding") -> Snapshot:
    return snapshot(
        [{"restoration_id": f"R{k}"} for k in range(len(values))],
        [
            {"restoration_id": f"R{k}", "step": "bonding", "reading": "wait_s", "value": value}
            for k, value in enumerate(values)
            if value
        ],
        [
            {"return_id": f"Q{k}", "restoration_id": f"R{k}", "defect": defect, "reported_on": "2024-05-01"}
            for k in range(returned)
        ],
    )


@pytest.mark.parametrize(
    ("values", "returned", "says"),
    [
        (["100", "200"] * 60, 0, "no return with debonding"),
        (["100", "200"] * 60, 2, "only 2 of its returns"),
        (["200"] * 80, 80, "all alike"),
        (["soon", ""] * 40, 10, "none is legible"),
    ],
)
def test_what_cannot_be_had_is_said_and_counts_stand(values: list[str], returned: int, says: str) -> None:
    study = studied(one_reading(values, returned=returned))
    assert says in study.sentence
    assert all(math.isnan(point.spared_per_month.estimate) for point in study.points)
    assert sum(band.band.restorations for band in study.bands) == study.recorded
    if "100" in values:
        assert present(study).flagged_share == pytest.approx(0.5)
    json.dumps(study.as_json(), allow_nan=False)


def test_everything_beyond_the_limit_and_nothing_beyond_it() -> None:
    short = studied(one_reading(["100", "120", "140", "160"] * 40, returned=40))
    assert present(short).flagged_share == 1.0
    assert math.isnan(present(short).spared_per_month.estimate)
    assert "none keeps it" in short.sentence
    long = studied(one_reading(["190", "200", "220", "240"] * 40, returned=40))
    assert present(long).flagged_share == 0.0
    assert present(long).spared_per_month.estimate == 0.0
    assert "No reading lies beyond the present limit" in long.sentence


def test_a_requirement_of_words_and_an_unknown_one() -> None:
    records = one_reading(["200"] * 40, returned=4)
    assert "asks for words" in studied(records, factor="polish", defect="debonding").sentence
    with pytest.raises(ProcessStandardError, match="names no factor"):
        studied(records, factor="nowhere")


def test_cautions_name_heaps_gaps_few_returns_and_surprise() -> None:
    gappy = studied(one_reading((["180"] * 30 + ["100"] * 40 + ["200"] * 30) + [""] * 60, returned=60))
    said = " ".join(gappy.cautions)
    assert "40% of the readings are 100" in said
    assert "have no legible reading" in said
    strange = studied(one_reading(["100", "200"] * 60, returned=12, defect="surface"), defect="surface")
    assert any("not thought to lead to surface" in caution for caution in strange.cautions)
    assert any("Only 12 returns" in caution for caution in strange.cautions)
    assert "not thought to lead" not in said


def test_summary_is_the_first_and_the_middle_of_the_rest() -> None:
    found = summary(np.concatenate([[0.4], np.linspace(0.0, 1.0, 1001)]))
    assert (found.estimate, found.low, found.high) == pytest.approx((0.4, 0.025, 0.975))

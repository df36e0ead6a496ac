"""Lots, machines and clinics: who stands out, who does not, and what is said where nothing can be told."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import betabinom, binom

from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.counts.sources import Source, SourceCounts, count_sources
from remakes.counts.table import PatternTable
from remakes.errors import TableError
from remakes.trends.sources.clinics import clinics
from remakes.trends.sources.figures import SourceFigure, Sources
from remakes.trends.sources.naming import judge
from remakes.trends.sources.sources import sources
from remakes.trends.sources.standardized import Compared, compare, shrinkages_of
from remakes.trends.sources.standing_out import FALSE_NAMES, spread_of_the_others, standing_out
from tests.benchmarks.sources_calibration import drawn_lab, outcome
from tests.labs import snapshot, standard

Floats = NDArray[np.float64]

END = date(2025, 6, 30)
LOTS = 8
BAD_LOT = 3


def test_p_is_the_exact_tail_given_the_returns_of_the_step() -> None:
    found = standing_out(observed=[7, 2, 0], total=[40, 40, 12], share=[0.1, 0.1, 0.3])
    assert found.p == pytest.approx([binom.sf(6, 40, 0.1), binom.sf(1, 40, 0.1), 1.0])


def test_with_a_spread_p_is_that_of_the_beta_binomial_of_the_same_variance() -> None:
    share, spread, total = 0.1, 0.2, 40
    size = 1.0 / (share * (1.0 - share) * spread) - 1.0
    found = standing_out(observed=[9], total=[total], share=[share], spread=[spread])
    assert found.p == pytest.approx([betabinom.sf(8, total, share * size, (1.0 - share) * size)])
    assert found.p[0] > standing_out(observed=[9], total=[total], share=[share]).p[0]


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.integers(1, 40), st.floats(0.02, 0.9), st.floats(0.0, 1.0)), min_size=1, max_size=12))
def test_the_allowances_add_up_to_no_more_than_the_risk(pairs: list[tuple[int, float, float]]) -> None:
    total, share, at = (np.array(column) for column in zip(*pairs, strict=True))
    observed = np.floor(at * total)
    found = standing_out(observed=observed, total=total, share=share)
    assert found.allowance.sum() <= FALSE_NAMES + 1e-12
    # Named by the family's figure or by its own allowance: the same pairs.
    assert ((found.chance <= FALSE_NAMES) == (found.p <= found.allowance * (1 + 1e-9))).all()
    assert (found.chance >= found.p - 1e-12).all()


def test_by_chance_alone_anything_is_named_in_few_labs() -> None:
    rng = np.random.default_rng(7)
    share = rng.dirichlet(np.full(12, 6.0))
    false = 0
    for _lab in range(400):
        observed = np.concatenate([rng.multinomial(total, share) for total in (90, 50, 30)])
        total = np.repeat([90, 50, 30], 12)
        false += bool((standing_out(observed=observed, total=total, share=np.tile(share, 3)).chance <= 0.05).any())
    assert 0 < false <= 400 * 0.05 + 2 * (400 * 0.05 * 0.95) ** 0.5


def test_what_cannot_be_compared_is_not_tested() -> None:
    found = standing_out(observed=[3, 3, 0, 3], total=[3, 3, 0, 9], share=[1.0, np.nan, 0.5, 0.5])
    assert np.isnan(found.p).tolist() == [True, True, True, False]
    assert found.tested == 1
    assert found.allowance[:3].sum() == 0.0


def test_a_pair_of_no_weight_is_never_named() -> None:
    found = standing_out(observed=[30, 5], total=[40, 40], share=[0.1, 0.1], weight=[0.0, 1.0])
    assert found.p[0] < 1e-15
    assert found.allowance[0] == 0.0
    assert found.chance[0] > 0.05


def test_more_returns_than_the_step_has_are_refused() -> None:
    with pytest.raises(TableError, match="9 returns of the 5 of its step"):
        standing_out(observed=[9], total=[5], share=[0.2])


def test_the_spread_is_found_where_there_is_one_and_own_figures_do_not_enter() -> None:
    rng = np.random.default_rng(5)
    share, total = np.full(200, 0.05), np.full(200, 200)
    source = np.arange(200)
    ratios = rng.gamma(4.0, 0.25, 200)
    observed = rng.binomial(total, share * ratios / (1 - share + share * ratios))
    wide = spread_of_the_others(observed=observed, total=total, share=share, source=source)
    assert 0.15 < wide[0] < 0.4
    none = spread_of_the_others(observed=rng.binomial(total, share), total=total, share=share, source=source)
    assert none[0] < 0.03
    ordinary = np.full(6, 10)
    ordinary[0] = 60
    apart = spread_of_the_others(observed=ordinary, total=np.full(6, 200), share=np.full(6, 0.05), source=np.arange(6))
    assert apart[0] == 0.0 < apart[1]


def test_the_expectation_of_one_source_is_the_rate_of_the_others() -> None:
    lab = _compared({"A": [30.0], "B": [10.0], "C": [20.0]})
    totals = lab.totals()
    # Equal months at risk: each is expected to have the mean of the two others.
    assert totals.expected[:, 0] == pytest.approx([15.0, 25.0, 20.0])
    assert totals.expected[:, 1] == pytest.approx([15.0, 25.0, 20.0])


def test_a_single_source_has_nothing_to_compare_with() -> None:
    found = judge(_compared({"A": [30.0]}), np.ones((1, 2)))
    assert np.isnan(found.expected).all()
    assert np.isnan(found.p).all()
    assert np.isnan(found.q).all()
    assert found.tested == 0
    assert not found.named.any()


def _compared(seen: dict[str, list[float]]) -> Compared:
    return Compared.of(
        sources=tuple(Source(what="lot", step="bonding", code=code) for code in seen),
        defects=("chipping",),
        observed=np.array(list(seen.values())),
        expected=np.ones((len(seen), 1)),
        member_row=np.arange(len(seen)),
        member_source=np.arange(len(seen)),
    )


def test_one_who_shares_the_restorations_of_the_bad_lot_is_not_named_with_it() -> None:
    # Bad lot A: tripled. The bonding lot X was used for all of them and as many others.
    steps = [("opaquer", "A"), ("opaquer", "B"), ("bonding", "X"), ("bonding", "Y")]
    rows = [("A", "X", 45.0, 15.0), ("B", "X", 15.0, 15.0), ("B", "Y", 60.0, 60.0)]
    members = [(n, k) for n, row in enumerate(rows) for k, (_step, code) in enumerate(steps) if code in row[:2]]
    lab = Compared.of(
        sources=tuple(Source(what="lot", step=step, code=code) for step, code in steps),
        defects=("debonding",),
        observed=np.array([[row[2]] for row in rows]),
        expected=np.array([[row[3]] for row in rows]),
        member_row=np.array([n for n, _k in members]),
        member_source=np.array([k for _n, k in members]),
    )
    assert standing_out(observed=[60], total=[120], share=[30 / 90]).chance[0] < 0.01
    found = judge(lab, np.array([[1.0, 0.05]] * 4))
    assert [steps[k][1] for k in np.flatnonzero(found.named[:, 0])] == ["A"]
    assert found.rivals == {(0, 0): ()}
    assert found.expected[2, 0] == pytest.approx(60.0, rel=0.02)


def test_two_lots_used_for_the_same_restorations_cannot_be_told_apart() -> None:
    steps = [("opaquer", "A"), ("opaquer", "B"), ("bonding", "X"), ("bonding", "Y")]
    lab = Compared.of(
        sources=tuple(Source(what="lot", step=step, code=code) for step, code in steps),
        defects=("debonding",),
        observed=np.array([[45.0], [60.0]]),
        expected=np.array([[15.0], [60.0]]),
        member_row=np.array([0, 1, 0, 1]),
        member_source=np.array([0, 1, 2, 3]),
    )
    found = judge(lab, np.array([[1.0, 0.05]] * 4))
    assert found.named[:, 0].tolist() == [True, False, False, False]
    assert found.rivals == {(0, 0): (2,)}


def test_bad_lots_are_named_and_others_are_not() -> None:
    seeds = range(1, 16)
    bad = [outcome(drawn_lab(seed, expected=20.0, restorations=500)) for seed in seeds]
    assert np.mean([one.told for one in bad]) >= 0.8
    fine = [outcome(drawn_lab(seed, restorations=500)) for seed in seeds]
    assert sum(one.false for one in fine) <= 2


def test_one_very_bad_source_does_not_hide_another() -> None:
    # Ten lots of thirty returns each, but for two: together they would pass for a large spread of all.
    lab = _compared({str(k): [seen] for k, seen in enumerate([200.0, 90.0, *[30.0] * 8])})
    found = judge(lab, np.array([[1.0, 0.05]] * 10))
    assert np.flatnonzero(found.named[:, 0]).tolist() == [0, 1]


@cache
def lab(seed: int, *, bad: bool = True, restorations: int = 2000) -> tuple[SourceCounts, PatternTable]:
    """Lots of bonding agent used up one after the other; with the bad one three times as many debondings."""
    rng = np.random.default_rng(seed)
    made, log, returns = [], [], []
    for number in range(restorations):
        name, used = f"R{number:05d}", number * LOTS // restorations
        day = date(2024, 1, 2) + timedelta(days=number * 400 // restorations)
        made.append(_row(name, day, rng))
        machine = f"E{int(rng.integers(2))}"
        log.append({"restoration_id": name, "step": "bonding", "reading": "x", "lot": f"L{used}", "equipment": machine})
        times = 3.0 if bad and used == BAD_LOT else 1.0
        for defect, hazard in (("debonding", 0.006 * times), ("chipping", 0.005), ("surface", 0.002)):
            reported = day + timedelta(days=int(rng.geometric(hazard) * 30.4375))
            if reported <= END:
                returns.append(_return(name, defect, reported))
    tables = connect(snapshot(made, log, returns, observed_until=END))
    table = count_patterns(tables, standard(), observed_until=END)
    return count_sources(tables, table), table


def _row(name: str, day: date, rng: np.random.Generator) -> dict[str, Any]:
    clinic, technician = f"C{int(rng.integers(10)):02d}", f"T{int(rng.integers(3)):02d}"
    return {"restoration_id": name, "delivered_on": day.isoformat(), "clinic": clinic, "technician": technician}


def _return(name: str, defect: str, day: date) -> dict[str, Any]:
    return {"return_id": f"{name}{defect}", "restoration_id": name, "reported_on": day.isoformat(), "defect": defect}


@cache
def of_the_lab_with_a_bad_lot() -> Sources:
    return sources(*lab(4), standard())


def of(found: Sources, code: str, defect: str) -> SourceFigure:
    (one,) = [one for one in found.figures if (one.code, one.defect) == (code, defect)]
    return one


def test_the_bad_lot_of_a_lab_is_named_first_and_alone() -> None:
    found = of_the_lab_with_a_bad_lot()
    assert found.enough
    assert found.missing == ""
    assert [(one.code, one.defect) for one in found.standing_out] == [(f"L{BAD_LOT}", "debonding")]
    worst = found.figures[0]
    assert worst.stands_out
    assert worst.q < 0.05
    assert worst.p < worst.q
    assert (worst.what, worst.step, worst.restorations, worst.still_in_service) == ("lot", "bonding", 250, 250)
    assert worst.raw.low < worst.raw.estimate == worst.observed / worst.expected
    assert 1.0 < worst.ratio.low < worst.ratio.estimate < worst.raw.estimate
    assert 2.0 < worst.raw.estimate < 4.5
    assert found.sentence.startswith(f"Bonding lot L{BAD_LOT} stands out: {worst.observed} returns with debonding")
    evidence = [one.p for one in found.figures if not one.stands_out and np.isfinite(one.p)]
    assert evidence == sorted(evidence)


def test_every_source_has_a_line_for_all_and_for_its_plausible_defects() -> None:
    _counted, table = lab(4)
    found = of_the_lab_with_a_bad_lot()
    for code in (*(f"L{k}" for k in range(LOTS)), "E0", "E1"):
        every = of(found, code, "all")
        single = [one for one in found.figures if one.code == code and one.defect != "all"]
        assert {"debonding", "chipping"} <= {one.defect for one in single}
        assert every.observed == sum(one.observed for one in single)
    assert sum(of(found, f"L{k}", "all").observed for k in range(LOTS)) == table.returns


def test_the_lines_are_those_of_the_format() -> None:
    row = of_the_lab_with_a_bad_lot().figures[0].as_json()
    wanted = ["what", "code", "step", "defect", "restorations", "observed", "expected", "ratio", "low", "high", "q"]
    assert {*wanted, "stands_out"} <= set(row)
    assert replace(of_the_lab_with_a_bad_lot().figures[0], expected=float("nan")).as_json()["expected"] is None


def test_a_lab_without_a_bad_lot_names_none_and_says_what_that_is_worth() -> None:
    found = sources(*lab(2, bad=False), standard())
    assert found.standing_out == ()
    assert found.sentence.startswith("None of the lots and machines stands out among ")
    assert "can still be bad" in found.sentence


def test_base_models_may_be_handed_in() -> None:
    counted, table = lab(4)
    models = shrinkages_of(table)
    assert sources(counted, table, standard(), shrinkages=models) == of_the_lab_with_a_bad_lot()


def test_expectations_add_up_to_what_was_seen() -> None:
    counted, table = lab(4)
    found = compare(counted, table, shrinkages_of(table), kinds=frozenset({"lot"}))
    assert found.expected.sum(axis=0) == pytest.approx(found.observed.sum(axis=0))


def test_clinics_come_by_code_and_none_stands_out_where_none_differs() -> None:
    counted, table = lab(2, bad=False)
    found = clinics(counted, table)
    assert found.enough
    assert found.standing_out == ()
    codes = [one.code for one in found.figures]
    assert codes == sorted(codes)
    assert len(set(codes)) == 10
    assert {one.what for one in found.figures} == {"clinic"}
    assert {one.step for one in found.figures} == {""}
    assert sum(one.observed for one in found.figures if one.defect == "all") == table.returns


def test_few_returns_give_counts_and_say_what_is_missing() -> None:
    counted, table = lab(1, restorations=12)
    assert table.returns < 5
    for found in (sources(counted, table, standard()), clinics(counted, table)):
        assert not found.enough
        assert found.tested == 0
        assert "at least 5" in found.missing
        assert found.sentence == found.missing
        assert found.figures
        assert not any(one.stands_out for one in found.figures)
        assert all(np.isnan(one.expected) and np.isnan(one.ratio.estimate) for one in found.figures)
        assert (
            sum(one.observed for one in found.figures if one.defect == "all" and one.what != "equipment")
            == table.returns
        )


def only(log: list[dict[str, Any]], returns: list[dict[str, Any]]) -> tuple[SourceCounts, PatternTable]:
    tables = connect(snapshot([{"restoration_id": "R1"}, {"restoration_id": "R2"}], log, returns))
    table = count_patterns(tables, standard(), observed_until=END)
    return count_sources(tables, table), table


def test_without_a_lot_or_without_a_second_one_it_is_said() -> None:
    returns = [_return("R1", "chipping", date(2024, 3, 1))]
    found = sources(*only([], returns), standard())
    assert found.figures == ()
    assert found.missing.startswith("No lot or machine is recorded.")
    log = [{"restoration_id": name, "step": "bonding", "reading": "x", "lot": "L1"} for name in ("R1", "R2")]
    alike = only(log, returns)
    found = sources(*alike, standard())
    assert found.missing == "Each step has a single lot or machine on record, so there is nothing to compare it with."
    assert of(found, "L1", "all").observed == 1
    assert "nothing to compare" in clinics(*alike).missing


def test_a_lab_without_returns_has_counts_of_none() -> None:
    log = [{"restoration_id": f"R{k}", "step": "bonding", "reading": "x", "lot": f"L{k}"} for k in (1, 2)]
    found = sources(*only(log, []), standard())
    assert not found.enough
    assert [one.observed for one in found.figures] == [0, 0]


def test_when_everything_came_back_nothing_breaks() -> None:
    counted, table = lab(4, restorations=60)
    everything = replace(
        counted,
        event_row=np.arange(counted.rows),
        event_defect=np.zeros(counted.rows, dtype=np.intp),
        event_bin=np.zeros(counted.rows, dtype=np.intp),
        event_count=counted.restorations,
        event_lost=np.zeros((counted.rows, counted.at_risk.shape[1])),
    )
    found = sources(everything, table, standard())
    assert found.enough
    assert found.standing_out == ()


def test_evidence_beyond_all_numbers_is_evidence_still() -> None:
    """Two thousand returns, nearly all of one lot: the likelihood ratio is larger than any number of the machine."""
    found = standing_out(observed=[1500, 1], total=[2000, 2000], share=[0.01, 0.01])
    assert found.p[0] < 1e-12
    assert found.p[1] > 0.9
    assert (found.chance <= FALSE_NAMES).tolist() == [True, False]

"""Leave one level out: a finding that one level made falls, a finding that all share stands."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator

import numpy as np
import pytest
from threadpoolctl import threadpool_limits

from remakes.counts.subset import subset
from remakes.counts.table import PatternTable
from remakes.evidence.checks.clusters import take_apart
from remakes.evidence.checks.leave_out import LeaveOut, leave_one_out
from remakes.evidence.estimate import UNKNOWN, Estimate
from tests.evidence.drawn_tables import DEFECT, FACTOR, Fitted, drawn_table, fitted_pair, shrinkage_of


@pytest.fixture(autouse=True)
def _one_thread() -> Iterator[None]:
    """Matrices this small are slower on two threads, much slower beside other work."""
    with threadpool_limits(limits=1):
        yield


def without(one: Fitted, attribute: str) -> LeaveOut:
    apart = take_apart(one.table, one.background, one.standard, one.pair, one.best, factor=FACTOR, by=attribute)
    found = leave_one_out(one.table, one.pair, one.best, apart, factor=FACTOR, defect=DEFECT, full=one.odds_ratio)
    assert found is not None
    return found


def lab(seed: int, *, driven_by: str = "", effect: float = 1.3, restorations: int = 1600) -> PatternTable:
    """Eight technicians, twelve clinics, eight quarters, five lots; the miss acts everywhere, or in one level alone.

    The level alone holds a quarter of the restorations of its kind and many of the misses.
    """
    rng = np.random.default_rng(seed)
    n = restorations
    codes = {
        "technician": rng.integers(0, 8, n),
        "clinic": rng.integers(0, 12, n),
        "quarter": rng.integers(0, 8, n),
        "lot": rng.integers(0, 5, n),
        "kind": rng.integers(0, 3, n),
    }
    acts = np.ones(n, dtype=bool)
    if driven_by:
        moved = rng.random(n) < 0.2
        codes[driven_by] = np.where(moved, 0, codes[driven_by])
        acts = codes[driven_by] == 0
    missed = rng.random(n) < 0.2
    return drawn_table(
        rng,
        log_hazard=-5.2 + np.where(missed & acts, effect if not driven_by else 2.5, 0.0),
        missed=missed,
        codes=codes,
    )


@pytest.mark.parametrize("attribute", ["technician", "clinic", "lot"])
def test_a_finding_that_one_level_made_does_not_survive(attribute: str) -> None:
    for seed in range(3):
        one = fitted_pair(lab(seed, driven_by=attribute))
        assert one.odds_ratio.low > 1
        found = without(one, attribute)
        assert not found.survives
        assert not found.interval_survives
        assert found.lowest_without == found.worst_without == f"{attribute}00"
        assert found.worst.low < 1
        assert found.sentence.startswith("Hangs on ")
        assert f"{attribute}00" in found.sentence


@pytest.mark.parametrize("attribute", ["technician", "clinic", "quarter", "lot"])
def test_a_finding_that_all_share_survives(attribute: str) -> None:
    kept = 0
    for seed in range(6):
        one = fitted_pair(lab(seed))
        found = without(one, attribute)
        assert found.lowest < one.odds_ratio.estimate < found.highest
        assert found.survives
        assert found.sign_survives
        kept += found.interval_survives
    assert kept >= 4


@pytest.mark.parametrize("grouped", [False, True])
def test_the_refits_are_those_of_the_rest_analyzed_anew(grouped: bool) -> None:
    """Every level, tried or not, through the part of the table that is left."""
    table = lab(7)
    sd = {"clinic": 0.5, "quarter": 0.4, "technician": 0.3} if grouped else {}
    one = fitted_pair(table, shrinkage_of(table, **sd))
    attribute = table.attributes["clinic"]
    anew = {}
    for level, name in enumerate(attribute.levels):
        rest = subset(table, attribute.codes != level)
        anew[name] = fitted_pair(rest, shrinkage_of(rest, **sd), tolerance=1e-5).odds_ratio
    found = without(one, "clinic")
    assert found.lowest_without == min(anew, key=lambda name: anew[name].estimate)
    assert found.highest_without == max(anew, key=lambda name: anew[name].estimate)
    assert found.lowest == pytest.approx(anew[found.lowest_without].estimate, rel=5e-3)
    assert found.highest == pytest.approx(anew[found.highest_without].estimate, rel=5e-3)
    assert found.worst_without == min(anew, key=lambda name: anew[name].low)
    expected = anew[found.worst_without]
    assert (found.worst.low, found.worst.high) == pytest.approx((expected.low, expected.high), rel=5e-3)


def test_levels_that_are_not_tried_could_not_have_moved_it() -> None:
    """Sixty clinics: those without a return with the miss and with little of all else are passed over."""
    rng = np.random.default_rng(11)
    n = 1800
    missed = rng.random(n) < 0.2
    table = drawn_table(rng, log_hazard=-5.5 + 1.5 * missed, missed=missed, codes={"clinic": rng.integers(0, 60, n)})
    one = fitted_pair(table)
    found = without(one, "clinic")
    codes, returned = table.attributes["clinic"].codes, table.returns_by_pattern(DEFECT)
    shares = [np.bincount(codes, of, minlength=60) / of.sum() for of in (missed, ~missed, returned * ~missed)]
    worth = (np.bincount(codes, returned * missed, minlength=60) > 0) | (np.max(shares, axis=0) >= 0.05)
    assert found.tried == worth.sum() < found.levels == 60
    for level in np.flatnonzero(~worth):
        rest = fitted_pair(subset(table, codes != level), tolerance=1e-5)
        assert abs(math.log(rest.odds_ratio.estimate / one.odds_ratio.estimate)) < 0.1


def test_without_the_level_that_holds_all_misses_there_is_no_estimate() -> None:
    rng = np.random.default_rng(12)
    technician = rng.integers(0, 4, 800)
    missed = (technician == 2) & (rng.random(800) < 0.5)
    one = fitted_pair(drawn_table(rng, log_hazard=-4.5 + 1.5 * missed, missed=missed, codes={"technician": technician}))
    found = without(one, "technician")
    assert found.no_estimate_without == ("technician02",)
    assert not any([found.survives, found.sign_survives, found.interval_survives])
    assert found.sentence == (
        "Hangs on technician technician02: without these restorations there is no odds ratio to be had."
    )


def test_a_column_that_only_one_level_told_apart_does_no_harm() -> None:
    """Kind 2 is made by one technician alone; without him its column is empty."""
    rng = np.random.default_rng(13)
    n = 1200
    technician = rng.integers(0, 5, n)
    kind = np.where(technician == 0, 2, rng.integers(0, 2, n))
    missed = rng.random(n) < 0.25
    table = drawn_table(
        rng, log_hazard=-4.8 + 1.2 * missed, missed=missed, codes={"technician": technician, "kind": kind}
    )
    one = fitted_pair(table)
    found = without(one, "technician")
    assert found.no_estimate_without == ()
    rest = fitted_pair(subset(table, technician != 0)).odds_ratio.estimate
    assert found.lowest - 5e-3 <= rest <= found.highest + 5e-3


def test_with_one_level_there_is_nothing_to_leave_out() -> None:
    one = fitted_pair(lab(3))
    apart = take_apart(one.table, one.background, one.standard, one.pair, one.best, factor=FACTOR, by="span")
    assert (
        leave_one_out(one.table, one.pair, one.best, apart, factor=FACTOR, defect=DEFECT, full=one.odds_ratio) is None
    )


def test_a_pair_without_a_finding_is_not_said_to_hang_on_anybody() -> None:
    hung = 0
    for seed in range(8):
        one = fitted_pair(lab(seed, effect=0.0))
        hung += not without(one, "clinic").survives
    assert hung <= 1


def result(full: Estimate, **changes: object) -> LeaveOut:
    return LeaveOut(attribute="lot", full=full, levels=5, **changes)  # type: ignore[arg-type]


def test_the_sentences_say_what_happens() -> None:
    full = Estimate(3.0, 1.3, 7.0)
    both = {"tried": 4, "lowest_without": "L1", "highest_without": "L2", "highest": 4.0, "worst_without": "L1"}
    firm = result(full, lowest=2.5, worst=Estimate(2.5, 1.1, 6.0), **both)
    assert firm.survives
    assert firm.sentence == (
        "Whichever material lot is left out, the odds ratio stays between 2.5 and 4.0, and its interval above 1."
    )
    thinner = result(full, lowest=2.2, worst=Estimate(2.2, 0.9, 6.0), **both)
    assert thinner.survives
    assert not thinner.interval_survives
    assert thinner.sentence.endswith("; without material lot L1 its interval reaches 1 (0.9 to 6.0).")
    fallen = result(full, lowest=1.2, worst=Estimate(1.2, 0.5, 3.0), **both)
    assert fallen.sign_survives
    assert not fallen.survives
    assert fallen.sentence == ("Hangs on material lot L1: without these restorations the odds ratio is 1.2, not 3.0.")
    unknown = result(full, lowest=1.2, worst=Estimate(1.2, 0.5, 3.0), **(both | {"lowest_without": "not recorded"}))
    assert "restorations whose material lot is not recorded" in unknown.sentence
    untried = result(full, tried=0)
    assert untried.survives
    assert untried.sentence == "No single material lot holds enough of it to change the odds ratio of 3.0."


def test_a_protective_finding_is_judged_from_its_own_side() -> None:
    full = Estimate(0.3, 0.1, 0.8)
    both = {"tried": 4, "lowest_without": "L1", "highest_without": "L2", "lowest": 0.25, "worst_without": "L2"}
    firm = result(full, highest=0.35, worst=Estimate(0.35, 0.15, 0.9), **both)
    assert firm.survives
    assert firm.sentence.endswith("and its interval below 1.")
    fallen = result(full, highest=1.1, worst=Estimate(1.1, 0.4, 3.0), **both)
    assert not fallen.sign_survives
    assert "Hangs on material lot L2" in fallen.sentence


def test_what_is_not_a_number_is_null() -> None:
    found = result(Estimate(3.0, 1.3, 7.0), tried=1, no_estimate_without=("L1",)).as_json()
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    assert found["lowest"] is found["highest"] is None
    assert found["worst"] == UNKNOWN.as_json()
    assert found["survives"] is False

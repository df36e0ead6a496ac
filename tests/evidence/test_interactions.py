"""Two misses together: planted and found, not planted and not found, against formulas for the four groups."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from itertools import product

import numpy as np
import pytest
from scipy.optimize import brentq, minimize
from scipy.special import expit, logit

from remakes.counts.patterns import ATTRIBUTES
from remakes.counts.table import BIN_EDGES, Attribute, PatternTable
from remakes.deviations.detect import MET, MISSED, NOT_RECORDED
from remakes.errors import FitError
from remakes.evidence.checks.interactions import Cell, Interactions, Together, interactions
from remakes.evidence.models.adjustment import Background
from remakes.evidence.models.case_mix import CaseMix
from remakes.evidence.models.shrinkage import estimate_shrinkage
from remakes.evidence.tables.multiplicity import benjamini_hochberg
from remakes.records.standard import ProcessStandard
from tests.labs import standard

#: In order of work: blasting twice, bonding, layering, finishing. Debonding may come of the first three, chipping of
#: the third and fourth.
FACTORS = ("grit_uses", "cleaning", "bond_wait", "thickness", "polish")


def month_of_service(
    status: np.ndarray, restorations: np.ndarray, debonding: np.ndarray, technician: np.ndarray | None = None
) -> PatternTable:
    """A table of restorations followed for one month, one row each pattern."""
    rows = len(status)
    nobody = np.zeros(rows, dtype=np.intp)
    people = nobody if technician is None else technician.astype(np.intp)
    attributes = {name: Attribute(nobody, ("one",)) for name in ATTRIBUTES}
    attributes["technician"] = Attribute(people, tuple(f"T{k}" for k in range(people.max() + 1)))
    attributes["difficulty"] = Attribute(nobody, ("",))
    returned = np.flatnonzero(debonding)
    first_bin = np.eye(len(BIN_EDGES))[0]
    return PatternTable(
        factors=FACTORS,
        defects=("debonding",),
        status=status.astype(np.int8),
        restorations=restorations.astype(np.int64),
        at_risk=restorations[:, None] * first_bin,
        attributes=attributes,
        event_pattern=returned,
        event_defect=np.zeros(len(returned), dtype=np.intp),
        event_bin=np.zeros(len(returned), dtype=np.intp),
        event_count=debonding[returned].astype(np.int64),
        event_lost=np.zeros((len(returned), len(BIN_EDGES))),
        event_early=np.zeros(len(returned), dtype=np.int64),
        observed_until=date(2025, 2, 28),
        first_delivered=date(2025, 1, 1),
        last_delivered=date(2025, 1, 31),
        returns=int(debonding.sum()),
        readings={},
    )


def four_groups(restorations: Sequence[int], returns: Sequence[int]) -> PatternTable:
    """Neither, grit_uses alone, bond_wait alone, both; everything else met, cleaning never recorded."""
    status = np.full((4, 5), MET)
    status[:, 1] = NOT_RECORDED
    status[[1, 3], 0] = status[[2, 3], 2] = MISSED
    return month_of_service(status, np.array(restorations), np.array(returns))


def simulated(seed: int, *, grit: float, wait: float, together: float, gaps: float = 0.1) -> PatternTable:
    """Odds ratios of debonding with grit used too often, the wait cut short, and the factor beyond their product."""
    rng = np.random.default_rng(seed)
    n = 24_000
    technician = rng.integers(0, 3, n)
    missed = rng.random((n, 5)) < np.column_stack(
        [np.full((n, 2), 0.15), 0.1 + 0.05 * technician, np.full((n, 2), 0.1)]
    )
    a, b = missed[:, 0], missed[:, 2]
    odds = 0.006 * grit**a * wait**b * together ** (a & b) * np.array([1.0, 1.5, 0.7])[technician]
    came_back = rng.random(n) < odds / (1 + odds)
    status = np.where(rng.random((n, 5)) < gaps, NOT_RECORDED, np.where(missed, MISSED, MET))
    patterns, of_row = np.unique(np.column_stack([technician, status]), axis=0, return_inverse=True)
    of_row = of_row.reshape(-1)
    return month_of_service(patterns[:, 1:], np.bincount(of_row), np.bincount(of_row, came_back), patterns[:, 0])


def of(found: Interactions, first: str, second: str) -> Together:
    return next(one for one in found.tested if (one.first, one.second) == (first, second))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_planted_interaction_is_found_first_with_its_size(seed: int) -> None:
    found = interactions(simulated(seed, grit=1.5, wait=1.5, together=5.0), standard())
    one = found.tested[0]
    assert (one.first, one.second, one.defect) == ("grit_uses", "bond_wait", "debonding")
    assert one.found
    assert one.ratio.low < 5.0 < one.ratio.high
    assert one.odds_both.low < 1.5 * 1.5 * 5.0 < one.odds_both.high
    assert one.excess.low > 0
    assert "That is more than what the two make by multiplying" in one.sentence
    assert [other.found for other in found.tested[1:]] == [False, False]
    assert "3 were tested and 1 found to act together" in found.sentence


def test_odds_ratios_that_multiply_are_not_called_an_interaction() -> None:
    eight = [interactions(simulated(seed, grit=3.0, wait=3.0, together=1.0), standard()) for seed in range(4, 12)]
    pairs = [of(found, "grit_uses", "bond_wait") for found in eight]
    assert not any(one.found for one in pairs)
    assert sum(one.ratio.low < 1.0 < one.ratio.high for one in pairs) >= 7
    assert abs(np.mean([math.log(one.ratio.estimate) for one in pairs])) < 0.15
    # 9 is more than 3 + 3 - 1: what multiplies adds up to more than its parts.
    assert sum(one.excess.low < 4.0 < one.excess.high for one in pairs) >= 7
    assert np.mean([one.excess.estimate for one in pairs]) == pytest.approx(4.0, abs=1.0)


def test_p_is_even_where_nothing_is_planted() -> None:
    p = [
        one.p
        for seed in range(20, 34)
        for one in interactions(simulated(seed, grit=1, wait=1, together=1), standard()).tested
    ]
    assert len(p) == 42
    assert 0.35 < np.mean(p) < 0.65
    assert sum(one < 0.05 for one in p) <= 6  # 2 expected; more than 6 once in a hundred times


def test_four_groups_are_those_of_the_closed_formula() -> None:
    """Four groups and four parameters: Firth's estimate adds half a return to each group and half to the others."""
    restorations, returns = np.array([3000, 400, 350, 60]), np.array([30, 8, 9, 5])
    (one,) = interactions(four_groups(restorations.tolist(), returns.tolist()), standard()).tested
    log_odds = logit((returns + 0.5) / (restorations + 1.0))
    first, second, both = log_odds[1:] - log_odds[0]
    assert math.log(one.odds_first.estimate) == pytest.approx(first, abs=1e-3)
    assert math.log(one.odds_second.estimate) == pytest.approx(second, abs=1e-3)
    assert math.log(one.odds_both.estimate) == pytest.approx(both, abs=1e-3)
    assert math.log(one.ratio.estimate) == pytest.approx(both - first - second, abs=1e-3)
    assert one.excess.estimate == pytest.approx(np.exp(both) - np.exp(first) - np.exp(second) + 1, abs=1e-3)
    assert [one.neither, one.first_alone, one.second_alone, one.both] == [
        Cell(restorations=n, returns=r) for n, r in zip(restorations, returns, strict=True)
    ]

    def dropped(contrast: np.ndarray, value: float) -> float:
        """Twice the fall of Jeffreys' penalized likelihood where a contrast of the log odds is held."""

        def cost(log_odds: np.ndarray) -> float:
            p = expit(log_odds)
            # The penalty is half the logarithm of n p (1 - p) of each group.
            return -float(np.sum((returns + 0.5) * np.log(p) + (restorations - returns + 0.5) * np.log(1 - p)))

        held = minimize(
            cost, log_odds, constraints={"type": "eq", "fun": lambda x: contrast @ x - value}, options={"ftol": 1e-12}
        )
        return 2 * (held.fun - cost(log_odds))

    multiplied = np.array([1.0, -1.0, -1.0, 1.0])
    (chi2, both_against_neither) = dropped(multiplied, 0.0), np.array([-1.0, 0.0, 0.0, 1.0])
    assert one.p == pytest.approx(math.erfc(math.sqrt(chi2 / 2)), rel=1e-3)
    for contrast, interval in ((multiplied, one.ratio), (both_against_neither, one.odds_both)):
        centre = math.log(interval.estimate)
        low, high = (
            brentq(lambda v, c=contrast: dropped(c, v) - 3.841459, centre, centre + away, xtol=1e-4) for away in (-6, 6)
        )
        assert (math.log(interval.low), math.log(interval.high)) == pytest.approx((low, high), abs=0.01)


def test_few_expected_together_are_not_tested_and_counted() -> None:
    found = interactions(four_groups([3000, 100, 100, 3], [30, 3, 3, 3]), standard())
    assert (found.tested, found.plausible, found.too_few) == ((), 3, 3)
    assert "Of 3 pairs" in found.sentence
    assert "of 3 these records cannot tell" in found.sentence


def test_the_bar_looks_at_either_miss_and_never_at_both_together() -> None:
    """Moving returns between the groups while those with either miss stay as many changes no choice of pairs."""
    kept = [
        interactions(four_groups([3000, 300, 300, 90], [30 + move, 9 - move, 9 - move, 3 + move]), standard()).tested[0]
        for move in (-3, 0, 6)
    ]
    assert [one.expected for one in kept] == pytest.approx([kept[0].expected] * 3)
    assert kept[0].ratio.estimate < 1 < kept[2].ratio.estimate


def test_two_always_missed_together_cannot_be_told_apart() -> None:
    found = interactions(four_groups([3000, 0, 200, 300], [30, 0, 4, 12]), standard())
    assert (found.tested, found.too_few) == ((), 3)


def test_a_pair_that_cannot_be_fitted_is_named_with_the_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_given: object, **_named: object) -> None:
        raise FitError("No maximum.")

    monkeypatch.setattr("remakes.evidence.checks.interactions.fit", refuse)
    found = interactions(four_groups([3000, 400, 350, 60], [30, 8, 9, 5]), standard())
    assert found.not_fitted == ("grit_uses with bond_wait, debonding: No maximum.",)
    assert (found.tested, found.plausible, found.too_few) == ((), 3, 2)


def test_unrecorded_restorations_are_left_out() -> None:
    table = simulated(3, grit=2.0, wait=2.0, together=1.0, gaps=0.3)
    one = of(interactions(table, standard()), "grit_uses", "bond_wait")
    grit, wait = table.status_of("grit_uses"), table.status_of("bond_wait")
    known = (grit != NOT_RECORDED) & (wait != NOT_RECORDED)
    cells = (one.neither, one.first_alone, one.second_alone, one.both)
    assert sum(cell.restorations for cell in cells) == table.restorations[known].sum() < table.restorations.sum()
    assert sum(cell.returns for cell in cells) == table.returns_by_pattern("debonding")[known].sum()


def confounded(factor: int) -> PatternTable:
    """Where grit and wait are both missed, a third factor mostly is; it alone brings returns."""
    rows = []
    for grit, wait, third in product((0, 1), repeat=3):
        share = 0.8 if grit and wait else 0.1
        n = round(20_000 * (0.15 if grit else 0.85) * (0.15 if wait else 0.85) * (share if third else 1 - share))
        status = np.full(5, MET)
        status[[0, 2, factor]] = [MISSED if missed else MET for missed in (grit, wait, third)]
        rows.append((status, n, round(n * (0.06 if third else 0.006))))
    status, n, returns = (np.array(column) for column in zip(*rows, strict=True))
    return month_of_service(status, n, returns)


def test_the_other_misses_of_both_adjustment_sets_are_compared_within() -> None:
    explained = of(interactions(confounded(FACTORS.index("cleaning")), standard()), "grit_uses", "bond_wait")
    assert explained.ratio.low < 1 < explained.ratio.high
    assert explained.ratio.estimate < 1.6
    # A later step is no part of it: what came after cannot explain, so the same table with polish keeps the ratio.
    unexplained = of(interactions(confounded(FACTORS.index("polish")), standard()), "grit_uses", "bond_wait")
    assert unexplained.ratio.low > 2


def test_q_is_over_all_tested_pairs_and_the_order_that_of_p() -> None:
    found = interactions(simulated(1, grit=1.5, wait=1.5, together=5.0), standard())
    p = [one.p for one in found.tested]
    assert p == sorted(p)
    assert [one.q for one in found.tested] == pytest.approx(list(benjamini_hochberg(p)))


def test_given_backgrounds_serve_as_well_and_progress_is_told() -> None:
    table = simulated(5, grit=2.0, wait=2.0, together=2.0)
    case_mix = CaseMix(table)
    at_risk, events = table.events_of("debonding")
    shrinkage = estimate_shrinkage(case_mix, at_risk=at_risk, events=events)
    told: list[tuple[str, int, int]] = []
    given = interactions(
        table,
        standard(),
        backgrounds={"debonding": Background(table, case_mix, shrinkage, "debonding")},
        progress=lambda *what: told.append(what),
    )
    assert given.as_json() == interactions(table, standard()).as_json()
    assert told == [("comparing pairs", k, 3) for k in (1, 2, 3)]


def test_a_standard_without_shared_defects_has_no_pairs() -> None:
    table = simulated(5, grit=2.0, wait=2.0, together=2.0)
    alone = ProcessStandard(
        steps=standard().steps,
        requirements=tuple(
            replace(one, may_cause=("debonding",) if one.factor == "bond_wait" else ("surface",))
            for one in standard().requirements
        ),
    )
    found = interactions(table, alone)
    assert (found.tested, found.plausible, found.too_few, found.not_fitted) == ((), 0, 0, ())


def test_json_has_no_infinite_number_and_the_sentence_says_what_is_known() -> None:
    found = interactions(four_groups([3000, 400, 350, 60], [30, 8, 9, 0]), standard())
    text = json.dumps(found.as_json(), allow_nan=False)
    assert json.loads(text)["tested"][0]["both"] == {"restorations": 60, "returns": 0}
    assert "These records cannot tell whether that is more or less" in found.tested[0].sentence
    many = interactions(four_groups([300_000, 40_000, 35_000, 6000], [3000, 800, 700, 240]), standard()).tested[0]
    assert "That fits what the two make by multiplying (4.1)" in many.sentence
    assert "More come back than the two would make by adding up." in many.sentence
    less = interactions(four_groups([300_000, 40_000, 35_000, 6000], [3000, 800, 700, 60]), standard()).tested[0]
    assert "That is less than what the two make by multiplying (4.1)" in less.sentence
    chance = replace(less, q=0.2)
    assert "That is not what the two make by multiplying (4.1), but among so many pairs chance" in chance.sentence

"""Steps nobody wrote down, in labs where it is known what they were."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from remakes.counts.table import BIN_EDGES, Attribute, PatternTable
from remakes.deviations.detect import MET, MISSED, NOT_APPLICABLE, NOT_RECORDED
from remakes.errors import FitError
from remakes.evidence.checks.filled_in import ROOT_AT_LIMIT, FilledIn, restorations_apart, signed_root_of
from remakes.evidence.checks.imputation import Imputed, MissModel, combine, impute
from remakes.evidence.checks.not_recorded import NotRecorded, not_recorded
from remakes.evidence.checks.tipping import TippingPoint
from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.evidence.models.adjusted import AdjustedEffect, adjusted_effect, missed_share
from remakes.evidence.models.adjustment import Background
from remakes.evidence.models.case_mix import CaseMix
from remakes.evidence.models.shrinkage import estimate_shrinkage
from tests.labs import standard

FACTOR, DEFECT = "bond_wait", "debonding"
RULES = standard()
COLUMN = RULES.factors.index(FACTOR)


@dataclass(frozen=True, slots=True)
class Lab:
    """The whole truth, and what was written down of it; one pattern a restoration."""

    truth: PatternTable
    logged: PatternTable

    @property
    def hidden(self) -> np.ndarray[Any, Any]:
        """Which restorations have no record, (n,) array of bool."""
        return np.asarray(self.logged.status[:, COLUMN] == NOT_RECORDED)


def lab(
    seed: int,
    *,
    odds_ratio: float = 4.0,
    restorations: int = 2500,
    hazard: float = 0.003,
    gaps: float = 0.3,
    gaps_if_missed: float = 0.0,
    gaps_if_returned: float = 0.0,
    gaps_if_both: float = 0.0,
) -> Lab:
    """Bond waits cut short, more often by the second technician, cause debonding; some of them nobody wrote down.

    The gaps' shares add up: a restoration cut short and returned is unrecorded with the sum of all four.
    """
    rng = np.random.default_rng(seed)
    n = restorations
    technician = rng.integers(0, 2, n)
    short = rng.random(n) < np.where(technician == 1, 0.3, 0.15)
    grit = rng.random(n) < 0.2
    months = rng.integers(4, 25, n)
    each = hazard * np.where(short, odds_ratio, 1.0) * np.where(grit, 2.0, 1.0) * np.where(technician == 1, 1.5, 1.0)
    month = rng.geometric(each) - 1
    returned = month < months
    status = np.full((n, len(RULES.factors)), MET, dtype=np.int8)
    status[:, COLUMN] = np.where(short, MISSED, MET)
    status[:, RULES.factors.index("grit_uses")] = np.where(grit, MISSED, MET)
    truth = pattern_table(status, technician, rng.integers(0, 12, n), months, month, returned)
    chance = gaps + gaps_if_missed * short + gaps_if_returned * returned + gaps_if_both * (short & returned)
    logged = status.copy()
    logged[rng.random(n) < chance, COLUMN] = NOT_RECORDED
    return Lab(truth, replace(truth, status=logged))


def pattern_table(
    status: np.ndarray[Any, Any],
    technician: np.ndarray[Any, Any],
    clinic: np.ndarray[Any, Any],
    months: np.ndarray[Any, Any],
    month: np.ndarray[Any, Any],
    returned: np.ndarray[Any, Any],
) -> PatternTable:
    """One pattern a restoration, followed for whole months and returned, if so, in month `month`."""
    n = len(status)
    edges = np.array([*BIN_EDGES, 10**6])

    def served(until: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        clipped: np.ndarray[Any, Any] = np.clip(until[:, None], edges[:-1], edges[1:]) - edges[:-1]
        return clipped.astype(np.float64)

    back = np.flatnonzero(returned)
    one = Attribute(np.zeros(n, dtype=np.intp), ("-",))
    attributes = dict.fromkeys(
        ("kind", "framework", "veneer", "span", "region", "lead_time", "workload", "quarter"), one
    )
    attributes["difficulty"] = Attribute(np.zeros(n, dtype=np.intp), ("",))
    attributes["technician"] = Attribute(technician.astype(np.intp), ("T1", "T2"))
    attributes["clinic"] = Attribute(clinic.astype(np.intp), tuple(f"C{k:02d}" for k in range(12)))
    return PatternTable(
        factors=RULES.factors,
        defects=(DEFECT,),
        status=status,
        restorations=np.ones(n, dtype=np.int64),
        at_risk=served(months),
        attributes=attributes,
        event_pattern=back,
        event_defect=np.zeros(len(back), dtype=np.intp),
        event_bin=np.searchsorted(BIN_EDGES, month[back], side="right") - 1,
        event_count=np.ones(len(back), dtype=np.int64),
        event_lost=served(months[back]) - served(month[back] + 1),
        event_early=np.zeros(len(back), dtype=np.int64),
        observed_until=date(2025, 12, 31),
        first_delivered=date(2024, 1, 1),
        last_delivered=date(2025, 8, 31),
        returns=len(back),
        readings={},
    )


@dataclass(frozen=True, slots=True)
class Case:
    """One lab with all that a check needs, and the complete-data answer beside it."""

    lab: Lab
    background: Background
    found: AdjustedEffect
    truth: AdjustedEffect

    @property
    def filled(self) -> FilledIn:
        return FilledIn(self.lab.logged, self.background, RULES, FACTOR)

    def on(self, status: np.ndarray[Any, Any]) -> AdjustedEffect:
        """The finding had these statuses been recorded, (n,) array."""
        changed = self.lab.logged.status.copy()
        changed[:, COLUMN] = status
        return effect(replace(self.lab.logged, status=changed), self.background)

    def answer(self, seed: int = 0, imputations: int = 20) -> NotRecorded:
        return not_recorded(
            self.lab.logged,
            self.background,
            RULES,
            factor=FACTOR,
            found=self.found.odds_ratio,
            seed=seed,
            imputations=imputations,
        )


def effect(table: PatternTable, background: Background) -> AdjustedEffect:
    return adjusted_effect(table, background, RULES, factor=FACTOR, horizon=12)


def background_of(table: PatternTable) -> Background:
    at_risk, events = table.events_of(DEFECT)
    case_mix = CaseMix(table)
    return Background(table, case_mix, estimate_shrinkage(case_mix, at_risk=at_risk, events=events), DEFECT)


def case_of(one: Lab) -> Case:
    background = background_of(one.logged)
    return Case(one, background, effect(one.logged, background), effect(one.truth, background))


@cache
def blind(seed: int) -> Case:
    """Three in ten readings are missing, whatever they were."""
    return case_of(lab(seed))


@cache
def telling(seed: int) -> Case:
    """Misses are left out more often, those of returned restorations most often of all."""
    return case_of(lab(seed, gaps=0.05, gaps_if_missed=0.15, gaps_if_returned=0.15, gaps_if_both=0.3))


@cache
def leaning() -> Case:
    """Few returns, and half of those restorations without a record."""
    return case_of(lab(5, odds_ratio=2.5, hazard=0.001, gaps=0.05, gaps_if_returned=0.5))


def same(one: Estimate, other: Estimate) -> bool:
    """Equal to what the searches for an interval's ends promise: half a percent."""
    return bool(np.allclose(*(np.log([e.estimate, e.low, e.high]) for e in (one, other)), rtol=0, atol=0.01))


# The design


def test_filled_in_with_the_truth_it_is_the_finding_of_complete_records() -> None:
    case = blind(1)
    rows = case.filled.unrecorded
    missed = (case.lab.truth.status[rows.pattern, COLUMN] == MISSED).astype(np.float64)
    _fit, interval = case.filled.interval(missed)
    ends = Estimate(*np.exp([interval.estimate, interval.low, interval.high]))
    assert same(ends, case.truth.odds_ratio)
    assert not same(ends, case.found.odds_ratio)


@pytest.mark.parametrize("share", [0.0, 0.37, 1.0])
def test_filling_in_moves_months_and_returns_and_loses_none(share: float) -> None:
    case = blind(1)
    design = case.filled.design(np.full(len(case.filled.unrecorded.number), share))
    at_risk, events = case.lab.logged.events_of(DEFECT)
    bins = events.sum(axis=0) > 0
    assert design.events.sum() == pytest.approx(events.sum())
    assert design.at_risk.sum() == pytest.approx(at_risk[:, bins].sum())
    missed = (case.lab.logged.status[:, COLUMN] == MISSED) + share * case.lab.hidden
    assert design.covariates[:, 0] @ design.events.sum(axis=1) == pytest.approx(missed @ events.sum(axis=1))
    assert design.covariates[:, 0] @ design.at_risk.sum(axis=1) == pytest.approx(missed @ at_risk[:, bins].sum(axis=1))


def merged(table: PatternTable, of: int) -> PatternTable:
    """Neighbours put into one pattern, `of` at a time, as if nothing told them apart."""
    keep = np.arange(0, table.patterns, of)
    place = np.arange(table.patterns) // of
    return replace(
        table,
        status=table.status[keep],
        restorations=np.bincount(place, table.restorations).astype(np.int64),
        at_risk=np.add.reduceat(table.at_risk, keep),
        attributes={name: Attribute(a.codes[keep], a.levels) for name, a in table.attributes.items()},
        event_pattern=place[table.event_pattern],
    )


def test_returned_restorations_are_told_apart_exactly_where_a_pattern_is_one() -> None:
    case = blind(1)
    apart = restorations_apart(case.lab.logged, case.background, np.ones(case.lab.logged.patterns, dtype=bool))
    came_back = np.zeros(case.lab.logged.patterns, dtype=bool)
    came_back[case.lab.logged.event_pattern] = True
    at_risk, events = case.lab.logged.events_of(DEFECT)
    order = np.argsort(apart.pattern)
    assert (apart.pattern[order] == np.arange(case.lab.logged.patterns)).all()
    assert (apart.returned[order] == came_back).all()
    assert (apart.at_risk[order] == at_risk).all()
    assert (apart.events[order] == events).all()


@pytest.mark.parametrize("of", [2, 7, 50])
def test_larger_patterns_keep_their_totals(of: int) -> None:
    table = merged(blind(1).lab.logged, of)
    apart = restorations_apart(table, background_of(table), np.ones(table.patterns, dtype=bool))
    at_risk, events = table.events_of(DEFECT)
    for parts, whole in ((apart.at_risk, at_risk), (apart.events, events), (apart.number, table.restorations)):
        sums = np.zeros(whole.shape)
        np.add.at(sums, apart.pattern, parts)
        assert sums == pytest.approx(whole.astype(np.float64))
    assert (apart.at_risk >= apart.events - 1e-9).all()
    assert apart.number.min() >= 1
    # Returned restorations were at risk for fewer months than the others, in the mean.
    mean = [apart.at_risk[side].sum() / apart.number[side].sum() for side in (apart.returned, ~apart.returned)]
    assert mean[0] < mean[1]


# None, all, and the bounds


def test_none_and_all_are_the_findings_of_records_that_say_so() -> None:
    case = blind(2)
    answer, logged = case.answer(imputations=2), case.lab.logged.status[:, COLUMN]
    for said, status in ((answer.if_none_missed, MET), (answer.if_all_missed, MISSED)):
        assert same(said, case.on(np.where(case.lab.hidden, status, logged)).odds_ratio)


@pytest.mark.parametrize("make", [blind, telling])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_truth_and_every_guess_lie_within_the_bounds(make: Any, seed: int) -> None:
    case = make(seed)
    answer, logged = case.answer(imputations=2), case.lab.logged.status[:, COLUMN]
    low, high = answer.lowest.estimate, answer.highest.estimate
    rng = np.random.default_rng(seed)
    guesses = [np.where(rng.random(len(logged)) < share, MISSED, MET) for share in (0.1, 0.5, 0.9)]
    estimates = [case.on(np.where(case.lab.hidden, guess, logged)).odds_ratio.estimate for guess in guesses]
    estimates += [case.truth.odds_ratio.estimate, case.found.odds_ratio.estimate]
    estimates += [answer.if_none_missed.estimate, answer.if_all_missed.estimate]
    assert low < min(estimates)
    assert max(estimates) < high


def test_none_and_all_are_no_bounds_themselves() -> None:
    # Three in ten gaps that hide nothing: filling in one answer for all weakens the finding either way.
    for seed in (1, 2, 3):
        answer = blind(seed).answer(imputations=2)
        assert max(answer.if_none_missed.estimate, answer.if_all_missed.estimate) < answer.found.estimate


# The gap itself


def test_a_gap_goes_with_returns_where_returned_ones_are_left_out() -> None:
    told = telling(1).answer(imputations=2)
    assert told.gap.odds_ratio.low > 1.5
    assert told.gap.p < 1e-4
    assert "goes with more returns" in told.sentence


def test_a_blind_gap_goes_with_nothing() -> None:
    gaps = [blind(seed).answer(imputations=2).gap for seed in range(1, 7)]
    assert sum(gap.p < 0.05 for gap in gaps) <= 1
    assert abs(np.mean([math.log(gap.odds_ratio.estimate) for gap in gaps])) < 0.25
    assert all((gap.p < 0.05) != (gap.odds_ratio.low < 1 < gap.odds_ratio.high) for gap in gaps)


def test_the_gap_is_that_of_a_program_that_knows_no_gaps() -> None:
    """Call a gap a miss and a record a requirement met: the same question for the model of the finding."""
    case = telling(1)
    swapped = np.where(case.lab.hidden, MISSED, MET).astype(np.int8)
    assert same(case.answer(imputations=2).gap.odds_ratio, case.on(swapped).odds_ratio)


# Tipping


def test_the_tipping_point_tips() -> None:
    case = leaning()
    tips = case.answer(imputations=2).tipping
    assert tips is not None
    rows, likely = case.filled.unrecorded, missed_share(case.lab.logged, FACTOR)
    likely = likely[rows.pattern]
    odds = likely / (1 - likely)

    def low_end(ratio: float) -> float:
        of_returned = odds * ratio / (1 + odds * ratio)
        return float(case.filled.interval(np.where(rows.returned, of_returned, likely))[1].low)

    assert low_end(tips.odds_ratio) == pytest.approx(0.0, abs=0.01)
    assert low_end(tips.odds_ratio * 1.3) > 0.01 > -0.01 > low_end(tips.odds_ratio / 1.3)
    shares = odds * tips.odds_ratio / (1 + odds * tips.odds_ratio)
    assert tips.share_returned == pytest.approx(shares[rows.returned].mean())
    assert tips.share_returned < tips.expected_share
    assert f"{tips.share_returned:.0%} of the returned ones" in case.answer(imputations=2).sentence


def test_the_common_tipping_share_tips() -> None:
    case = leaning()
    answer = case.answer(imputations=2)
    share = answer.tipping_share
    assert share is not None
    size = len(case.filled.unrecorded.number)
    low = [case.filled.interval(np.full(size, s))[1].low for s in (share, answer.likely_share)]
    # Either the likely share itself erases the finding, or the lower end has just reached 1.
    assert low[0] <= 0.01
    assert share == answer.likely_share or (low[1] > 0 and low[0] == pytest.approx(0.0, abs=0.01))


def test_a_finding_that_no_share_erases_has_no_tipping_point() -> None:
    answer = case_of(lab(1, gaps=0.05)).answer(imputations=2)
    assert answer.lowest.low > 1
    assert answer.tipping is None
    assert answer.tipping_share is None
    assert "Even if none of the returned ones was a miss, the finding stands." in answer.sentence
    assert not answer.fragile


def test_the_signed_root_says_on_which_side_of_one_the_interval_ends() -> None:
    case = leaning()
    size = len(case.filled.unrecorded.number)
    sides = set()
    for share in (0.0, 0.1, 0.3, 0.6, 1.0):
        filled = case.filled
        _fit, interval = filled.interval(np.full(size, share))
        assert filled.signed_root(np.full(size, share)) == pytest.approx(signed_root_of(interval), abs=0.01)
        assert (interval.low > 0) == (signed_root_of(interval) > ROOT_AT_LIMIT)
        sides.add(interval.low > 0)
    assert sides == {True, False}


# Imputation


def test_where_gaps_are_blind_imputation_agrees_with_the_recorded_and_with_the_truth() -> None:
    truth, found, filled, covered, lost = [], [], [], 0, []
    for seed in range(1, 9):
        case = blind(seed)
        imputed = case.answer(seed).imputed
        assert imputed is not None
        truth.append(math.log(case.truth.odds_ratio.estimate))
        found.append(math.log(case.found.odds_ratio.estimate))
        filled.append(math.log(imputed.odds_ratio.estimate))
        covered += imputed.odds_ratio.low < 4.0 < imputed.odds_ratio.high
        lost.append(imputed.missing_information)
        assert imputed.missed_share == pytest.approx(0.225, abs=0.05)
    gap = np.array(filled) - np.array(found)
    assert np.abs(gap).max() < 0.15
    assert abs(gap.mean()) < 0.05
    # A standard error of the difference to the truth is about 0.2 in one lab.
    assert abs(np.mean(filled) - np.mean(truth)) < 0.15
    assert covered >= 7
    # Three tenths are gone; returns among them still say something about who missed.
    assert 0.15 < np.mean(lost) < 0.45


def test_imputation_cannot_know_what_gaps_hide() -> None:
    """Where misses of returned restorations are left out, recorded and imputed are both too low; a bound is not."""
    gaps = []
    for seed in (1, 2, 3):
        case, answer = telling(seed), telling(seed).answer(seed)
        assert answer.imputed is not None
        gaps.append(math.log(answer.imputed.odds_ratio.estimate / case.truth.odds_ratio.estimate))
        assert answer.imputed.odds_ratio.estimate < answer.highest.estimate
    assert np.mean(gaps) < -0.1


def test_an_imputed_interval_is_no_shorter_than_that_of_complete_records() -> None:
    for seed in (1, 2, 3):
        case, imputed = blind(seed), blind(seed).answer(seed).imputed
        assert imputed is not None
        lengths = [math.log(e.high / e.low) for e in (imputed.odds_ratio, case.truth.odds_ratio)]
        assert lengths[0] > lengths[1]


def test_the_miss_model_knows_technician_and_return() -> None:
    case = blind(3)
    filled = case.filled
    model = MissModel(case.lab.logged, case.background, filled, FACTOR)
    rows = filled.unrecorded
    second = case.lab.logged.attributes["technician"].codes[rows.pattern] == 1
    truth = case.lab.truth.status[rows.pattern, COLUMN] == MISSED
    for group in (second, ~second):
        assert model.probability[group].mean() == pytest.approx(truth[group].mean(), abs=0.04)
    # At an odds ratio of 4 about half of the returned are misses, against a fifth of the others.
    assert model.probability[rows.returned].mean() == pytest.approx(truth[rows.returned].mean(), abs=0.15)
    assert model.probability[rows.returned].mean() > model.probability[~rows.returned].mean() + 0.15


def test_draws_are_whole_restorations() -> None:
    table = merged(lab(4).logged, 3)
    background = background_of(table)
    filled = FilledIn(table, background, RULES, FACTOR)
    assert filled.unrecorded.number.max() == 3
    model = MissModel(table, background, filled, FACTOR)
    drawn = np.array(list(model.draws(40, np.random.default_rng(0)))) * filled.unrecorded.number
    assert np.allclose(drawn, drawn.round())
    assert drawn.mean() == pytest.approx((model.probability * filled.unrecorded.number).mean(), rel=0.1)
    assert len({tuple(row) for row in drawn}) == 40


def test_draws_vary_more_than_chance_alone_would_make_them() -> None:
    """The odds of a miss are estimated, not known, and the draws must show it."""
    case = case_of(lab(4, restorations=600, gaps=0.6))
    model = MissModel(case.lab.logged, case.background, case.filled, FACTOR)
    totals = [missed.sum() for missed in model.draws(300, np.random.default_rng(0))]
    chance = float((model.probability * (1 - model.probability)).sum())
    assert np.var(totals) > 1.5 * chance


def test_with_hardly_a_gap_the_imputed_interval_is_that_of_the_finding() -> None:
    # Few returns: the profile reaches further up than down, and further than the information says.
    case = case_of(lab(3, hazard=0.0005, gaps=0.01))
    imputed, found = case.answer(imputations=20).imputed, case.found.odds_ratio
    assert imputed is not None
    assert imputed.missing_information < 0.02
    sides = [[math.log(e.estimate / e.low), math.log(e.high / e.estimate)] for e in (imputed.odds_ratio, found)]
    assert sides[0] == pytest.approx(sides[1], rel=0.03)
    at_mode = case.filled.interval(missed_share(case.lab.logged, FACTOR)[case.filled.unrecorded.pattern])[0]
    by_information = 1.959964 * math.sqrt(case.filled.effect(at_mode)[1])
    assert sides[1][0] > 1.05 * by_information or sides[1][1] > 1.05 * by_information


def test_a_quick_last_step_gives_the_estimate_of_a_full_search() -> None:
    case = blind(1)
    filled = case.filled
    model = MissModel(case.lab.logged, case.background, filled, FACTOR)
    near, _interval = filled.interval(model.probability)
    for missed in model.draws(4, np.random.default_rng(7)):
        estimate, variance = filled.drawn(missed, near=near)
        _fit, full = case.filled.interval(missed)
        assert estimate == pytest.approx(full.estimate, abs=0.03 * math.sqrt(variance))


def test_the_seed_and_nothing_else_decides() -> None:
    case = blind(1)
    one, again, other = case.answer(3).as_json(), case.answer(3).as_json(), case.answer(4).as_json()
    assert one == again
    assert one["imputed"] != other["imputed"]
    assert {k: v for k, v in one.items() if k not in ("imputed", "sentence")} == {
        k: v for k, v in other.items() if k not in ("imputed", "sentence")
    }


def test_the_more_is_missing_the_more_information_is() -> None:
    lost = []
    for gaps in (0.05, 0.3, 0.6):
        case = case_of(lab(1, gaps=gaps))
        model = MissModel(case.lab.logged, case.background, case.filled, FACTOR)
        lost.append(impute(case.filled, model, imputations=20, seed=1).missing_information)
    assert lost[0] < 0.15 < lost[1] < lost[2]


# Rubin's rules


def test_rubins_rules_on_the_example_of_a_manual() -> None:
    # Mean oxygen uptake of 31 men in five imputations. SAS/STAT User's Guide, The MIANALYZE Procedure, example
    # "Reading Means and Standard Errors from a DATA= Data Set": means and standard errors as printed there; variance
    # 0.980626, 26.298 degrees of freedom (30 in complete data) and fraction missing 0.051977 from memory.
    means = np.array([47.0120, 47.2407, 47.4995, 47.1485, 47.0042])
    errors = np.array([0.95984, 0.93540, 1.00766, 0.95439, 0.96528])
    pooled = combine(means, errors**2, complete_df=30)
    assert pooled.estimate == pytest.approx(47.180993, abs=5e-5)
    assert pooled.variance == pytest.approx(0.980626, abs=2e-5)
    assert pooled.df == pytest.approx(26.298, abs=2e-3)
    assert pooled.missing_information == pytest.approx(0.051977, abs=2e-5)
    # The t interval by its textbook quantile: 2.0543 at 26.3 degrees of freedom (2.0555 at 26, 2.0518 at 27).
    assert (pooled.high - pooled.estimate) / math.sqrt(pooled.variance) == pytest.approx(2.0544, abs=5e-4)


def test_rubins_rules_are_those_of_another_program() -> None:
    from statsmodels.imputation.mice import MICE

    rng = np.random.default_rng(1)
    estimates, variances = rng.normal(1.2, 0.3, 20), rng.uniform(0.05, 0.08, 20)
    other = MICE.__new__(MICE)
    other.exog_names, other.endog_names, other.model_class = ["x", "z"], "y", object
    other.results_list = [
        SimpleNamespace(
            _results=SimpleNamespace(params=np.array([q, 0.5 * q**2]), cov_params=lambda u=u: np.diag([u, 1.0])),
            scale=1.0,
        )
        for q, u in zip(estimates, variances, strict=True)
    ]
    theirs, ours = other.combine(), combine(estimates, variances)
    assert ours.estimate == pytest.approx(float(theirs.params[0]))
    assert ours.variance == pytest.approx(float(theirs.cov_params()[0, 0]))
    # Theirs is the share of variance alone, ours that of Rubin (1987) with its correction for few imputations.
    share = float(theirs.frac_miss_info[0])
    assert ours.df == pytest.approx(19 / share**2)
    assert ours.missing_information == pytest.approx(share + (1 - share) * 2 / (ours.df + 3))


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.tuples(st.floats(-5, 5), st.floats(0.01, 4)), min_size=2, max_size=30),
    st.floats(-10, 10),
    st.floats(0.1, 10),
)
def test_rubins_rules_follow_shift_and_scale(pairs: list[tuple[float, float]], shift: float, scale: float) -> None:
    estimates, variances = (np.array(column) for column in zip(*pairs, strict=True))
    one, other = combine(estimates, variances), combine(shift + scale * estimates, scale**2 * variances)
    assert other.estimate == pytest.approx(shift + scale * one.estimate, abs=1e-9)
    assert other.high - other.low == pytest.approx(scale * (one.high - one.low), rel=1e-6)
    assert other.missing_information == pytest.approx(one.missing_information, abs=1e-9)
    assert one.variance >= variances.mean() - 1e-12
    assert one.low <= one.estimate <= one.high
    assert -1e-12 <= one.missing_information < 1
    # Fewer degrees of freedom in the complete data never shorten an interval.
    few = combine(estimates, variances, complete_df=12)
    assert few.df <= min(one.df, 12)
    assert few.high - few.low >= one.high - one.low - 1e-12


def test_alike_estimates_have_lost_nothing() -> None:
    pooled = combine(np.array([0.5, 0.5, 0.5]), np.array([0.04, 0.04, 0.04]))
    assert (pooled.missing_information, pooled.df) == (0.0, math.inf)
    assert pooled.high - pooled.estimate == pytest.approx(1.959964 * 0.2, rel=1e-6)


@pytest.mark.parametrize("estimates", [[1.0], [1.0, math.nan], []])
def test_what_cannot_be_combined_is_refused(estimates: list[float]) -> None:
    with pytest.raises(FitError, match="at least two, all finite"):
        combine(np.array(estimates), np.ones(len(estimates)))


# What is said


def test_nothing_unrecorded_says_so_and_computes_nothing() -> None:
    case = blind(1)
    answer = not_recorded(
        case.lab.truth, background_of(case.lab.truth), RULES, factor=FACTOR, found=case.truth.odds_ratio
    )
    assert answer.sentence == "Recorded for every restoration it applies to: nothing can hide in gaps."
    assert answer.imputed is answer.tipping is answer.tipping_share is None
    assert not answer.fragile
    as_json = answer.as_json()
    assert as_json["gap_odds_ratio"] == {"estimate": None, "low": None, "high": None, "p": None}
    assert as_json["if_all_missed"]["estimate"] is None


def test_without_a_finding_only_the_gap_is_looked_at() -> None:
    case = telling(1)
    answer = not_recorded(case.lab.logged, case.background, RULES, factor=FACTOR, found=UNKNOWN)
    assert math.isfinite(answer.gap.odds_ratio.estimate)
    assert "give no odds ratio" in answer.why_not
    assert answer.imputed is None


def test_never_recorded_and_does_not_apply() -> None:
    case = blind(1)
    for code, words in ((NOT_RECORDED, "Never recorded"), (NOT_APPLICABLE, "Recorded for every restoration")):
        status = case.lab.logged.status.copy()
        status[:, COLUMN] = code
        table = replace(case.lab.logged, status=status)
        answer = not_recorded(table, case.background, RULES, factor=FACTOR, found=UNKNOWN)
        assert words in answer.why_not


@pytest.mark.parametrize("make", [lambda: blind(1), lambda: telling(1), leaning])
def test_as_json_is_json(make: Any) -> None:
    as_json = make().answer(imputations=2).as_json()
    assert json.loads(json.dumps(as_json, allow_nan=False)) == as_json
    assert as_json["lowest"]["estimate"] < as_json["highest"]["estimate"]


def test_no_returned_restoration_without_a_record() -> None:
    """Gaps among restorations that never came back: nothing to tip, and nothing breaks."""
    one = lab(1)
    status = one.truth.status.copy()
    quiet = np.setdiff1d(np.flatnonzero(one.hidden), one.truth.event_pattern)
    status[quiet, COLUMN] = NOT_RECORDED
    case = case_of(Lab(one.truth, replace(one.truth, status=status)))
    answer = case.answer(imputations=2)
    assert answer.returns_unrecorded == 0
    assert answer.tipping is None
    assert answer.gap.odds_ratio.estimate < 0.1
    json.dumps(answer.as_json(), allow_nan=False)


def test_misses_recorded_only_when_they_came_back_are_survived() -> None:
    """Separated miss model: every recorded restoration that did not come back met the requirement."""
    one = lab(2, restorations=800)
    quiet = np.ones(800, dtype=bool)
    quiet[one.truth.event_pattern] = False
    status = one.truth.status.copy()
    status[quiet & (status[:, COLUMN] == MISSED), COLUMN] = NOT_RECORDED
    case = case_of(Lab(one.truth, replace(one.truth, status=status)))
    answer = case.answer(imputations=4)
    json.dumps(answer.as_json(), allow_nan=False)
    assert answer.lowest.estimate < answer.highest.estimate


def test_fragile_follows_its_rule() -> None:
    base = blind(1).answer(imputations=2)
    assert base.imputed is not None
    stands = replace(base, tipping=None)
    assert not stands.fragile

    def with_imputed(low: float) -> NotRecorded:
        imputed = Imputed(
            odds_ratio=Estimate(2.0, low, 4.0), missing_information=0.1, missed_share=0.2, imputations=20, df=90.0
        )
        return replace(stands, imputed=imputed)

    assert with_imputed(0.99).fragile
    assert not with_imputed(1.01).fragile
    for ratio, fragile in ((0.9, False), (1.1, True)):
        tips = TippingPoint(share_returned=0.2, odds_ratio=ratio, expected_share=0.5)
        told = replace(stands, tipping=tips)
        assert told.fragile is fragile
        assert ("leans on steps nobody wrote down" in told.sentence) is fragile
    # What is no finding cannot be undone.
    assert not replace(with_imputed(0.99), found=Estimate(1.4, 0.9, 2.2)).fragile


def test_a_finding_that_rests_on_returned_gaps_is_called_fragile_and_a_firm_one_is_not() -> None:
    assert leaning().answer(1).fragile
    assert not any(blind(seed).answer(1).fragile for seed in (1, 2, 3))

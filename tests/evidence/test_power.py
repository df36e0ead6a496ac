"""Months to tell: against labs that really go on for so long, and in the direction that each part of it pulls."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from threadpoolctl import threadpool_limits

from remakes.counts.patterns import ATTRIBUTES
from remakes.counts.table import BIN_EDGES, DAYS_PER_MONTH, Attribute, PatternTable
from remakes.deviations.detect import MET, MISSED, NOT_RECORDED
from remakes.errors import TableError
from remakes.evidence.checks.outlook import MONTHS_AHEAD, ReturnsAhead
from remakes.evidence.checks.power import MonthsToTell, listing_alpha, months_to_tell
from remakes.evidence.models.likelihood import Design
from remakes.evidence.models.logistic import fit
from remakes.evidence.models.profile_interval import profile

BEGAN = date(2024, 1, 1)
EDGES = np.array(BIN_EDGES, dtype=float)
WIDTHS = np.append(np.diff(EDGES), np.inf)


def table_of(
    quarter: np.ndarray,
    status: np.ndarray,
    restorations: np.ndarray,
    at_risk: np.ndarray,
    events: np.ndarray,
    end: date,
) -> PatternTable:
    """One factor, one defect; a row each pattern; nobody and nothing told apart but the quarter."""
    nobody = np.zeros(len(status), dtype=np.intp)
    names, codes = np.unique(quarter, return_inverse=True)
    where = np.argwhere(events > 0)
    return PatternTable(
        factors=("bond_wait",),
        defects=("debonding",),
        status=status.astype(np.int8)[:, None],
        restorations=restorations.astype(np.int64),
        at_risk=at_risk.astype(float),
        attributes={name: Attribute(nobody, ("",)) for name in ATTRIBUTES}
        | {"quarter": Attribute(codes.astype(np.intp), tuple(names.tolist()))},
        event_pattern=where[:, 0],
        event_defect=np.zeros(len(where), dtype=np.intp),
        event_bin=where[:, 1],
        event_count=events[events > 0].astype(np.int64),
        event_lost=np.zeros((len(where), len(BIN_EDGES))),
        event_early=np.zeros(len(where), dtype=np.int64),
        observed_until=end,
        first_delivered=BEGAN,
        last_delivered=end,
        returns=int(events.sum()),
        readings={},
    )


def lab(
    rng: np.random.Generator,
    months: float,
    *,
    odds_ratio: float,
    pace: int = 70,
    missed: float = 0.08,
    gaps: float = 0.2,
) -> PatternTable:
    """A lab that has delivered evenly for so many months; returns come soon after delivery or seldom later."""
    n = rng.poisson(pace * months)
    age = rng.random(n) * months  # months since delivery
    miss = rng.random(n) < missed
    status = np.where(rng.random(n) < gaps, NOT_RECORDED, np.where(miss, MISSED, MET))
    served = np.maximum(np.floor(age + 0.5), 1)
    first, later = (hazard * np.where(miss, odds_ratio, 1.0) for hazard in (0.006, 0.0008))
    month = np.where(rng.random(n) < first, 0, rng.geometric(later))
    back = month < age
    until = np.where(back, np.minimum(month + 1, served), served)
    at_risk = np.clip(until[:, None] - EDGES, 0, WIDTHS)
    in_bin = (np.searchsorted(EDGES, month, side="right") - 1)[:, None] == np.arange(len(EDGES))
    events = back[:, None] & in_bin
    end = BEGAN + timedelta(days=round(months * DAYS_PER_MONTH))
    delivered = np.datetime64(end) - (age * DAYS_PER_MONTH).astype("timedelta64[D]")
    quarter_number = delivered.astype("datetime64[M]").astype(int) // 3  # since 1970
    keys, row = np.unique(quarter_number * 4 + status, return_inverse=True)

    def summed(values: np.ndarray) -> np.ndarray:
        return np.column_stack([np.bincount(row, values[:, k]) for k in range(values.shape[1])])

    names = np.array([f"{1970 + q // 4} Q{q % 4 + 1}" for q in keys // 4])
    return table_of(names, keys % 4, np.bincount(row), summed(at_risk), summed(events.astype(float)), end)


@pytest.fixture(autouse=True)
def _one_thread() -> Iterator[None]:
    """Two threads for matrices of eight rows wait for each other most of the time."""
    with threadpool_limits(limits=1):
        yield


def two_groups(table: PatternTable) -> tuple[float, float]:
    """Penalized likelihood-ratio p, and the standard error of the log odds ratio from its interval."""
    at_risk, events = table.events_of("debonding")
    status = table.status_of("bond_wait")
    groups = [status == MET, status == MISSED]
    bins = np.flatnonzero(events[groups[0] | groups[1]].sum(axis=0) > 0)
    design = Design(
        covariates=np.array([[0.0], [1.0]]),
        at_risk=np.array([at_risk[rows].sum(axis=0)[bins] for rows in groups]),
        events=np.array([events[rows].sum(axis=0)[bins] for rows in groups]),
        ridge=np.zeros(1),
    )
    interval = profile(design, fit(design, tolerance=1e-5), 0, tolerance=0.05)
    return interval.p, (interval.high - interval.low) / (2 * 1.959964)


def test_a_lab_that_goes_on_for_so_long_finds_it_four_times_in_five() -> None:
    rng = np.random.default_rng(1)
    shares, ahead = [], []
    for _ in range(10):
        today = lab(rng, 18, odds_ratio=3.0)
        told = months_to_tell(today, factor="bond_wait", defect="debonding", log_se=two_groups(today)[1])
        assert told.months is not None
        ahead.append(told.months)
        later = [lab(rng, 18 + told.months, odds_ratio=3.0) for _ in range(50)]
        shares.append(np.mean([two_groups(one)[0] < 0.05 for one in later]))
    assert min(ahead) >= 3  # there is something to wait for
    assert np.mean(shares) == pytest.approx(0.80, abs=0.06)
    assert 0.60 <= min(shares) <= max(shares) <= 0.95  # each lab knows its pace only from some thirty returns


def test_expected_returns_are_those_of_labs_that_went_on() -> None:
    rng = np.random.default_rng(2)
    today = [lab(rng, 18, odds_ratio=3.0, pace=400) for _ in range(30)]
    later = [lab(rng, 30, odds_ratio=3.0, pace=400) for _ in range(30)]
    outlooks = [ReturnsAhead(one, factor="bond_wait", defect="debonding") for one in today]
    for month, labs in ((0, today), (12, later)):
        counts = [one.counts("bond_wait", "debonding") for one in labs]
        missed, met = np.mean([[side[month] for side in one.parted(3.0)] for one in outlooks], axis=0)
        assert missed == pytest.approx(np.mean([one.returns_missed for one in counts]), rel=0.06)
        assert met == pytest.approx(np.mean([one.returns_met for one in counts]), rel=0.06)


def steady(
    *, returns: int = 40, missed: int = 20, gaps: int = 0, met: int = 200, returns_missed: int = 0, quarters: int = 8
) -> PatternTable:
    """So many deliveries each quarter; returns in the first quarter, seven weeks after delivery, met or missed."""
    names = [f"{2024 + k // 4} Q{k % 4 + 1}" for k in range(quarters)]
    numbers = {code: number for code, number in ((MET, met), (MISSED, missed), (NOT_RECORDED, gaps)) if number}
    rows = [(name, code, numbers[code], 3 * (quarters - k) - 1.5) for k, name in enumerate(names) for code in numbers]
    quarter, status, restorations, ages = (np.array(column) for column in zip(*rows, strict=True))
    at_risk = np.clip(ages[:, None] - EDGES, 0, WIDTHS) * restorations[:, None]
    events = np.zeros_like(at_risk)
    events[:2, 1] = [returns, returns_missed][: len(events)]
    return table_of(quarter, status, restorations, at_risk, events, date(2023 + quarters // 4, 12, 31))


def ask(table: PatternTable, **wanted: float) -> MonthsToTell:
    return months_to_tell(table, factor="bond_wait", defect="debonding", **({"log_se": math.nan} | wanted))


def in_order(one: MonthsToTell) -> int:
    return MONTHS_AHEAD + 1 if one.months is None else one.months


@settings(max_examples=40, deadline=None)
@given(
    returns=st.integers(3, 150),
    missed=st.integers(1, 40),
    gaps=st.integers(0, 200),
    odds_ratio=st.floats(1.2, 8.0),
    more=st.integers(1, 60),
)
def test_more_of_each_makes_it_sooner(returns: int, missed: int, gaps: int, odds_ratio: float, more: int) -> None:
    given_now = {"returns": returns, "missed": missed, "gaps": gaps}
    now = in_order(ask(steady(**given_now), odds_ratio=odds_ratio))
    assert in_order(ask(steady(**given_now | {"returns": returns + more}), odds_ratio=odds_ratio)) <= now
    assert in_order(ask(steady(**given_now), odds_ratio=odds_ratio + more / 10)) <= now
    assert in_order(ask(steady(**given_now), odds_ratio=odds_ratio, alpha=0.01)) >= now
    assert in_order(ask(steady(**given_now), odds_ratio=odds_ratio, power=0.9)) >= now
    # More misses among as many recorded restorations: up to a sixth of them, below what tells most.
    recorded = 200 + missed
    rarer = in_order(ask(steady(returns=returns, missed=missed, met=recorded - missed), odds_ratio=odds_ratio))
    oftener = min(missed + more, recorded // 6)
    assert (
        in_order(ask(steady(returns=returns, missed=oftener, met=recorded - oftener), odds_ratio=odds_ratio)) <= rarer
    )


@settings(max_examples=25, deadline=None)
@given(returns=st.integers(3, 80), missed=st.integers(1, 40), gaps=st.integers(0, 400))
def test_the_answer_is_the_first_month_and_hangs_together(returns: int, missed: int, gaps: int) -> None:
    table = steady(returns=returns, missed=missed, gaps=gaps)
    one = ask(table, alpha_to_list=0.001)
    signal = ReturnsAhead(table, factor="bond_wait", defect="debonding").signal(3.0, design_effect=one.design_effect)
    assert np.all(np.diff(signal) >= -1e-9)
    aim = 1.959964 + 0.841621
    if one.months is None:
        assert signal[-1] < aim
        assert one.returns_needed > one.returns_expected
        assert one.within_reach > 3.0 * (1 - 1e-8)
        assert "Not within 5 years" in one.sentence
    else:
        assert signal[one.months] >= aim - 1e-6
        assert one.months == 0 or signal[one.months - 1] < aim
        assert one.returns_needed <= one.returns_expected * (1 + 1e-9)
        assert one.within_reach <= 3.0 * (1 + 1e-8)
        assert one.months_if_recorded is not None
        assert one.months_if_recorded <= one.months
        assert one.months_to_list is None or one.months_to_list >= one.months
    assert one.missed_needed < one.returns_needed
    json.dumps(one.as_json(), allow_nan=False)


def test_the_signal_is_that_of_the_textbook_deviance() -> None:
    ahead = ReturnsAhead(steady(returns=60, missed=30), factor="bond_wait", defect="debonding")
    for month in (0, 7, 60):
        missed, met = (side[month] for side in ahead.parted(4.0))
        share, even = missed / (missed + met), ahead.missed[month] / (ahead.missed[month] + ahead.met[month])
        deviance = 2 * (missed * math.log(share / even) + met * math.log((1 - share) / (1 - even)))
        assert ahead.signal(4.0, design_effect=1.3)[month] == pytest.approx(math.sqrt(deviance / 1.3))
    # The lab's returns of today stay as many, whatever the odds ratio that parts them.
    assert sum(side[0] for side in ahead.parted(4.0)) == pytest.approx(ahead.missed[0] + ahead.met[0])


def test_with_the_wider_error_of_the_present_model_it_takes_longer() -> None:
    both, few = steady(returns=32, returns_missed=8), steady(returns=38, returns_missed=2)
    plain = math.sqrt(1 / 8.5 + 1 / 32.5)
    assert ask(both, log_se=plain).design_effect == pytest.approx(1.0)
    assert ask(both, log_se=1.5 * plain).design_effect == pytest.approx(2.25)
    assert ask(both, log_se=0.9 * plain).design_effect == 1.0  # shrinkage does not make counts worth more
    assert ask(both).design_effect == ask(few, log_se=5.0).design_effect == 1.1  # no telling
    assert in_order(ask(both, log_se=1.5 * plain)) > in_order(ask(both, log_se=plain))


def test_closing_gaps_is_spoken_of_where_it_saves_time() -> None:
    gappy = ask(steady(returns=80, missed=10, met=100, gaps=300))
    assert gappy.months is not None
    assert gappy.months_if_recorded is not None
    assert gappy.months_if_recorded < 0.7 * gappy.months
    assert f"with every restoration recorded, about {gappy.months_if_recorded}" in gappy.sentence
    whole = ask(steady(returns=40, missed=10, met=110))
    assert whole.months == whole.months_if_recorded
    assert "every restoration" not in whole.sentence


def test_the_sentences() -> None:
    soon = ask(steady(returns=40, missed=25), alpha_to_list=0.0005)
    assert soon.sentence.startswith(
        f"About {soon.months} more months at this pace would show an odds ratio of 3 or more"
    )
    assert (
        f"To stand out among all pairs compared it would take about {soon.months_to_list} more months." in soon.sentence
    )
    assert "long enough to show an odds ratio of 3 or more" in ask(steady(returns=400, missed=60)).sentence
    never = ask(steady(returns=3, missed=2))
    assert never.months is None
    assert "Not within 5 years at this pace" in never.sentence
    assert "The records of several labs together would tell sooner." in never.sentence


@pytest.mark.parametrize(
    ("table", "says"),
    [
        (steady(returns=2), "2 of the restorations bond_wait applies to came back with debonding"),
        (steady(missed=0), "bond_wait has never been recorded as missed"),
        (steady(missed=0, met=0, gaps=40), "bond_wait is not recorded"),
        (steady(met=0), "recorded as missed every time: nothing to compare with"),
    ],
)
def test_what_is_missing_is_said(table: PatternTable, says: str) -> None:
    one = ask(table)
    assert one.months is None
    assert says in one.missing
    assert one.sentence == f"How much longer it takes to tell cannot be said: {one.missing}."
    assert one.as_json()["returns_needed"] is None


def test_a_defect_without_a_return_is_said_to_have_none() -> None:
    one = months_to_tell(steady(), factor="bond_wait", defect="chipping", log_se=math.nan)
    assert one.missing == "no return with chipping has been recorded"


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"factor": "polish"}, "name no factor 'polish'"),
        ({"odds_ratio": 1.0}, "Need a finite one above 1"),
        ({"odds_ratio": math.inf}, "Need a finite one above 1"),
        ({"alpha": 0.0}, "alpha = 0"),
        ({"power": 1.0}, "power = 1"),
        ({"alpha_to_list": 2.0}, "alpha_to_list = 2"),
    ],
)
def test_impossible_questions_are_refused(wrong: dict[str, object], says: str) -> None:
    question: dict[str, object] = {"factor": "bond_wait", "defect": "debonding", "log_se": 0.5}
    with pytest.raises(TableError, match=says):
        months_to_tell(steady(), **question | wrong)  # type: ignore[arg-type]


def test_the_level_of_the_list_is_that_of_its_next_place() -> None:
    assert listing_alpha(tested=200, found=9) == pytest.approx(0.10 * 10 / 200)
    for tested, found, rate in ((0, 0, 0.1), (5, 5, 0.1), (5, -1, 0.1), (5, 1, 1.0)):
        with pytest.raises(TableError, match="Need 0 <= found < tested"):
            listing_alpha(tested=tested, found=found, rate=rate)

"""The benchmark of the months runs, its labs are what they claim, its scores right where the answer is known."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pyarrow.compute as pc
import pytest

from tests.benchmarks.recovery.months.answers import ALL, Answer, Late, Named, Series, new_signals
from tests.benchmarks.recovery.months.baseline import p_chart
from tests.benchmarks.recovery.months.calendar_days import LAST_DAY, first_day, month_name, month_of, opened
from tests.benchmarks.recovery.months.chart import picture
from tests.benchmarks.recovery.months.labs import MonthsLab, draw_months_lab
from tests.benchmarks.recovery.months.methods import METHODS
from tests.benchmarks.recovery.months.plans import MONTHS_OF_RECORDS, Change, Entry, MonthsPlan, TripledLot
from tests.benchmarks.recovery.months.report import goals_table, results_table, seen
from tests.benchmarks.recovery.months.runs import Row, read_rows, write_rows
from tests.benchmarks.recovery.months.scenarios import CHANGED_IN, MISSED_FROM, SCENARIOS, make_lab
from tests.benchmarks.recovery.months.scores import Figure, score
from tests.benchmarks.recovery.months.service import draw_reported, multiplier
from tests.benchmarks.recovery.orders import Floats
from tests.benchmarks.recovery.plans import Plan
from tests.benchmarks.recovery.trade import DEFECTS, NAMES, START

LAB = Plan(restorations=2000, months=MONTHS_OF_RECORDS, returns=250, clinics=10, technicians=4)


@cache
def stepped() -> MonthsLab:
    plan = MonthsPlan(lab=LAB, target="debonding", expected=6.0, change=Change(month=CHANGED_IN))
    return draw_months_lab(plan, seed=1)


@cache
def bad_lot() -> MonthsLab:
    plan = MonthsPlan(lab=LAB, target="chipping", expected=8.0, lot=TripledLot(step="layering"))
    return draw_months_lab(plan, seed=2)


def figures(found: Iterable[Figure]) -> dict[str, float]:
    """Ratios of sums, as the report has them for one lab."""
    values, weights = dict[str, float](), dict[str, float]()
    for one in found:
        values[one.measure] = values.get(one.measure, 0.0) + one.value
        weights[one.measure] = weights.get(one.measure, 0.0) + one.weight
    return {name: values[name] / weights[name] for name in values if weights[name]}


def returns_drawn(lab: MonthsLab, defect: str, draws: int) -> Floats:
    """Mean returns by month over fresh draws from one lab's hazards."""
    rng, total = np.random.default_rng(0), np.zeros(MONTHS_OF_RECORDS)
    for _ in range(draws):
        came = draw_reported(lab.plan, lab.intensities, rng)
        mine = came.defect == DEFECTS.index(defect)
        total += np.bincount(month_of(came.day[mine]), minlength=MONTHS_OF_RECORDS)
    return total / draws


def test_months_are_those_of_the_calendar() -> None:
    days = np.arange(LAST_DAY + 1)
    dates = np.datetime64(START) + days
    assert [month_name(month) for month in month_of(days).tolist()] == dates.astype("datetime64[M]").astype(
        str
    ).tolist()
    assert month_of(np.array([first_day(7) - 1, first_day(7)])).tolist() == [6, 7]
    assert month_of(np.array([LAST_DAY, LAST_DAY + 1])).tolist() == [MONTHS_OF_RECORDS - 1, MONTHS_OF_RECORDS]


def test_a_closed_lab_delivers_nothing_and_is_open_when_a_return_is_reported() -> None:
    dates = np.datetime64(START) + stepped().orders.day
    monday = (dates - dates.astype("datetime64[Y]")).astype(int)
    assert not np.isin(dates, np.datetime64("2024-08-05") + np.arange(14)).any()
    assert np.is_busday(dates).all()
    assert len(np.unique(monday)) > 200
    arose = np.arange(LAST_DAY + 1)
    patient = opened(arose, 1.0, np.random.default_rng(0))
    assert (patient >= arose).all()
    assert not np.isin(np.datetime64(START) + patient, np.datetime64("2024-08-05") + np.arange(14)).any()
    hasty = opened(arose, 0.0, np.random.default_rng(0))
    assert (hasty - arose <= 2).all()


def test_the_lab_grows() -> None:
    day = draw_months_lab(MonthsPlan(lab=LAB, growth=2.0), seed=3).orders.day
    # Of weeks growing in a straight line to twice the first one, the first half holds 5 of 12.
    assert (day < LAST_DAY / 2).mean() == pytest.approx(5 / 12, abs=0.05)


def test_returns_double_from_the_month_of_the_step_on_and_only_those_of_its_defect() -> None:
    lab = stepped()
    came = returns_drawn(lab, "debonding", 40)
    calm = replace(lab, plan=replace(lab.plan, change=None))
    usual = returns_drawn(calm, "debonding", 40)
    after, before = slice(CHANGED_IN, CHANGED_IN + 4), slice(CHANGED_IN - 12, CHANGED_IN)
    # Remakes and first returns take a few percent of what the hazards promise; closed weeks move some.
    assert usual[after].mean() == pytest.approx(6.0, rel=0.15)
    assert came[after].sum() / usual[after].sum() == pytest.approx(2.0, rel=0.1)
    assert came[before].sum() / usual[before].sum() == pytest.approx(1.0, rel=0.1)
    others = [returns_drawn(one, "chipping", 40)[after].sum() for one in (lab, calm)]
    assert others[0] / others[1] == pytest.approx(1.0, rel=0.15)


def test_a_drift_is_complete_after_its_months() -> None:
    change = Change(month=10, ratio=2.0, over_months=12)
    by_month = multiplier(change, np.array([first_day(month) for month in range(36)]))
    assert by_month[:10].tolist() == [1.0] * 10
    assert by_month[22:] == pytest.approx(2.0)
    assert (np.diff(by_month[9:23]) > 0).all()


def test_a_lot_has_three_times_the_returns_expected_and_is_written_in_the_log() -> None:
    lab = bad_lot()
    made = lab.sources.made_with("layering", lab.bad_lot)
    expected = lab.intensities.until(DEFECTS.index("chipping"), LAST_DAY + 1)
    known = made & lab.logged_at("layering")
    assert expected[known].sum() == pytest.approx(3 * 8.0)
    log = lab.records.process_log
    written = log.filter(pc.equal(log["lot"], lab.bad_lot))
    names = {f"R{row:06d}" for row in np.flatnonzero(known).tolist()}
    assert set(written["step"].to_pylist()) == {"layering"}
    assert set(written["restoration_id"].to_pylist()) == names
    assert set(pc.unique(log.filter(pc.equal(log["step"], "checking"))["lot"]).to_pylist()) == {""}


def test_the_share_missed_doubles() -> None:
    plan = MonthsPlan(lab=LAB, factor="bond_wait", missed_more=Change(month=MISSED_FROM))
    lab = draw_months_lab(plan, seed=4)
    k, after = NAMES.index("bond_wait"), lab.orders.day >= first_day(MISSED_FROM)
    missed, recorded = lab.logged.missed[:, k], lab.logged.recorded[:, k]
    assert missed[~after].sum() / recorded[~after].sum() == pytest.approx(0.10, abs=0.03)
    assert missed[after].sum() / recorded[after].sum() == pytest.approx(0.20, abs=0.05)


def test_the_records_of_a_day_hold_what_was_entered_by_then() -> None:
    plan = MonthsPlan(lab=LAB, entry=Entry(mean_days=30.0, slow_month=30))
    lab = draw_months_lab(plan, seed=5)
    day = first_day(31) - 1
    known = lab.as_of(day)
    assert known.observed_until is not None
    assert known.observed_until.isoformat() == "2025-07-31"
    assert max(known.returns["entered_on"].to_pylist()) <= "2025-07-31"
    assert max(known.restorations["delivered_on"].to_pylist()) <= "2025-07-31"
    reported = (lab.returns.day <= day).sum()
    assert known.returns.num_rows + lab.late(day).sum() == reported
    # Nobody enters in July.
    assert not ((lab.entered >= first_day(30)) & (lab.entered < first_day(31))).any()
    assert 0.0 < lab.completeness(30, day) < lab.completeness(29, day) < lab.completeness(20, day) <= 1.0


def test_a_standing_signal_is_told_once_and_rises_are_told_from_falls() -> None:
    told = [(1, ("above the limit",)), (2, ("above the limit", "slow rise")), (3, ()), (4, ("below the limit",))]
    assert new_signals(told) == ((1, 2), (4,))


def test_a_p_chart_has_its_limits_at_three_deviations_of_the_months_before() -> None:
    total = np.full(14, 100)
    events = np.array([10] * 12 + [19, 20])
    # Mean 0.1, deviation 0.03: the limit is 0.19, which the 13th month reaches and does not exceed.
    assert p_chart(events, total).rises == (13,)
    assert p_chart(np.array([10] * 12 + [0, 0]), total).falls == (12,)
    assert p_chart(events, np.array([100] * 12 + [0, 100])).judged == (13,)


def perfect() -> Answer:
    quiet = Series(judged=tuple(range(12, 36)))
    return Answer(returns={ALL: quiet, **dict.fromkeys(DEFECTS, quiet)}, named=(), late=())


def test_a_perfect_answer_has_a_perfect_score() -> None:
    lab, answer = stepped(), perfect()
    told = Series(judged=tuple(range(12, 36)), rises=(CHANGED_IN + 3,), since=CHANGED_IN)
    got = figures(score("step", lab, replace(answer, returns={**answer.returns, "debonding": told})))
    assert got["signalled within 4 months"] == 1.0
    assert got["beginning told, months too late"] == 0.0
    assert got["false signals in 24 months, other defects"] == 0.0
    named = (Named("lot", "layering", bad_lot().bad_lot, "chipping"),)
    got = figures(score("bad_lot", bad_lot(), replace(answer, named=named)))
    assert (got["named"], got["labs with another source named"]) == (1.0, 0.0)


def test_a_wrong_answer_is_seen() -> None:
    judged = tuple(range(12, 36))
    returns = {
        **perfect().returns,
        "debonding": Series(judged=judged, rises=(CHANGED_IN - 1, CHANGED_IN + 4), since=CHANGED_IN - 5),
        "chipping": Series(judged=judged, rises=(14,), falls=(20,)),
    }
    got = figures(score("step", stepped(), replace(perfect(), returns=returns)))
    assert got["signalled within 4 months"] == 0.0
    assert got["beginning told, months too late"] == -5.0
    # Two signals of six defects in 24 months each.
    assert got["false signals in 24 months, other defects"] == pytest.approx(2 / 6)
    other = (Named("lot", "bonding", "B002", ALL), Named("lot", "layering", bad_lot().bad_lot, "surface"))
    got = figures(score("bad_lot", bad_lot(), replace(perfect(), named=other)))
    assert (got["named"], got["named with any defect, or all"], got["labs with another source named"]) == (
        0.0,
        1.0,
        1.0,
    )


def test_returns_to_come_are_covered_where_the_interval_holds_them() -> None:
    lab = draw_months_lab(MonthsPlan(lab=LAB, entry=Entry(mean_days=40.0)), seed=6)
    day = LAST_DAY
    truly = float((lab.late(day) & (month_of(lab.returns.day) == 35)).sum())
    assert truly > 0
    right, wrong = Late(day, 35, ALL, truly, truly, truly + 1), Late(day, 35, ALL, 0.0, 0.0, truly - 1)
    # A month long complete is not asked for.
    old = Late(day, 2, ALL, 5.0, 5.0, 5.0)
    got = figures(score("late_entry", lab, replace(perfect(), late=(right, wrong, old))))
    assert got["returns to come covered"] == 0.5
    assert got["latest month, mean error in returns"] == pytest.approx(-truly / 2)


def test_a_lab_is_decided_by_its_seed_and_level() -> None:
    one, again, other, more = (make_lab("bad_lot", level, seed) for level, seed in ((3, 1), (3, 1), (3, 2), (5, 1)))
    assert one.records.process_log.equals(again.records.process_log)
    assert one.records.returns.equals(again.records.returns)
    assert one.returns.day.tolist() != other.returns.day.tolist()
    assert one.returns.day.tolist() != more.returns.day.tolist()
    assert one.records.observed_until is not None
    assert one.records.observed_until.isoformat() == "2025-12-31"


def row(method: str, measure: str, value: float, weight: float = 1.0, *, seed: int = 1) -> Row:
    return Row("step", 5.0, seed, method, measure, value, weight)


def test_a_median_is_a_figure_that_was_seen_and_may_be_never() -> None:
    rows = [
        row("remakes", "months until a signal, median", value, seed=k) for k, value in enumerate((2.0, np.inf, 3.0))
    ]
    assert seen(rows, median=True).figure == 3.0
    never = [row("remakes", "x, median", value, seed=k) for k, value in enumerate((2.0, np.inf, np.inf))]
    assert np.isinf(seen(never, median=True).figure)


def test_results_survive_the_file(tmp_path: Path) -> None:
    rows = [
        row(method, measure, value, seed=seed)
        for seed in (1, 2)
        for method in METHODS
        for measure, value in (
            ("signalled within 4 months", float(seed == 1)),
            ("months until a signal, median", np.inf),
        )
    ]
    write_rows(rows, tmp_path / "results.csv")
    again = read_rows(tmp_path / "results.csv")
    assert again == rows
    assert results_table(again) == results_table(rows)
    assert "50 %" in goals_table(again)
    titles = list(ElementTree.fromstring(picture(again)).iter("{http://www.w3.org/2000/svg}title"))
    assert [title.text for title in titles] == [f"step, {method}: 50%, 2 labs" for method in METHODS]


def test_the_whole_chain_finds_an_obvious_step() -> None:
    plan = MonthsPlan(
        lab=replace(LAB, restorations=1500),
        target="debonding",
        expected=8.0,
        change=Change(month=CHANGED_IN, ratio=5.0),
        entry=Entry(mean_days=10.0),
    )
    lab = draw_months_lab(plan, seed=7)
    asked = replace(SCENARIOS["stable"], months_asked=(35,))
    for name, method in METHODS.items():
        answer = method(asked, lab)
        told = figures(score("step", lab, answer))
        assert told["signalled within 4 months"] == 1.0, name
        assert set(answer.missed) == set(answer.gaps) == set(NAMES)
        assert answer.named is not None
        assert {one.defect for one in answer.late or ()} >= {ALL, "debonding"}
        assert max(one.month for one in answer.late or ()) == MONTHS_OF_RECORDS - 1
    assert told["beginning told within 3 months"] == 1.0
    # Of 200 and more returns with this defect the months are judged from the second or third year on.
    assert 6 < len(answer.returns["debonding"].judged) < 24

"""Returns not entered yet: published values of the delay curve, coverage of the nowcast, and its limits."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from math import isnan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike, NDArray

from remakes.counts.delays import UNDATED, DelayCounts
from remakes.errors import TableError
from remakes.trends.delay.back_test import back_test, month_ends
from remakes.trends.delay.entry_clock import entered_in_batches
from remakes.trends.delay.entry_delay import entry_delay
from remakes.trends.delay.nowcast import Nowcast, late_returns
from remakes.trends.delay.reverse_time import RiskSets, risk_sets
from tests.published.cases import dataset, published

Ints = NDArray[np.int64]

END = date(2026, 10, 31)
#: Most are entered within days, a sixth only after weeks.
DELAYS = np.repeat([0, 1, 2, 4, 7, 12, 21, 30, 45], [20, 15, 20, 10, 10, 8, 5, 7, 5])


def delays_of(
    reported: ArrayLike, delay: ArrayLike, *, end: date = END, defect: ArrayLike | None = None
) -> DelayCounts:
    """One element a return, entered or not by the end."""
    day, wait = np.asarray(reported, dtype=np.int64), np.asarray(delay, dtype=np.int64)
    kind = np.zeros(len(day), dtype=np.int64) if defect is None else np.asarray(defect, dtype=np.int64)
    known = (day + np.maximum(wait, 0) <= end.toordinal()) & (day <= end.toordinal())
    day, wait, kind = day[known], wait[known], kind[known]
    dated = wait >= 0
    return DelayCounts(
        defects=("chipping", "debonding")[: int(kind.max(initial=0)) + 1],
        observed_until=end,
        known_until=end,
        reported=day,
        defect=kind,
        delay=wait,
        count=np.ones(len(day), dtype=np.int64),
        entry_reported=day[dated],
        entry_delay=wait[dated],
        entry_count=np.ones(int(dated.sum()), dtype=np.int64),
        undated=int((~dated).sum()),
        negative=0,
        too_long=0,
    )


def reports(generator: np.random.Generator, per_month: float, *, months: int = 18, end: date = END) -> Ints:
    days = np.arange(end.toordinal() - round(months * 30.4375), end.toordinal() + 1)
    rate = np.where(days % 7 < 5, per_month / 30.4375 * 7 / 5, 0.0)
    return np.repeat(days, generator.poisson(rate))


def sets_of_triangle(triangle: list[list[int]]) -> RiskSets:
    """Rows are periods of the report, columns delays; what could not be seen yet is left out of the row."""
    cells = [
        (row, delay, len(counts) - 1, count)
        for row, counts in enumerate(triangle)
        for delay, count in enumerate(counts)
    ]
    group, delay, age, count = zip(*cells, strict=True)
    return risk_sets(group=group, delay=delay, age=age, count=count)


def test_published_triangle() -> None:
    # Invented triangle; reverse-time hazards, Lawless, Can J Stat 22:15-31 (1994).
    case = published("P-i1")
    triangle = case.data["triangle"]
    curve = sets_of_triangle(triangle).curve()
    observed = np.array([sum(row) for row in triangle])
    share = curve.within([len(row) - 1 for row in triangle])
    case.check(
        reverse_hazard_g=curve.reverse_hazard[1:],
        F_delay=curve.entered_by,
        observed=observed,
        nowcast_total=observed / share,
        sum_not_yet_reported=(observed / share - observed).sum(),
    )


def test_published_reporting_delays() -> None:
    # Quarterly reports with up to 14 further steps of delay; de Angelis & Gilks (1994), Davison & Hinkley (1997) 7.3.
    case = published("P-i2")
    steps = {delay: step for step, delay in enumerate(sorted({int(row["delay"]) for row in dataset("aids_delay")}))}
    quarters: dict[tuple[int, int], list[int]] = {}
    for row in dataset("aids_delay"):
        if row["dud"] == "0":
            seen = quarters.setdefault((int(row["year"]), int(row["quarter"])), [])
            assert len(seen) == steps[int(row["delay"])]
            seen.append(int(row["y"]))
    triangle = [quarters[when] for when in sorted(quarters)]
    curve = sets_of_triangle(triangle).curve()
    observed = np.array([sum(row) for row in triangle])
    total = observed / curve.within([len(row) - 1 for row in triangle])
    case.check(
        observed_total=observed.sum(),
        predicted_unreported=(total - observed).sum(),
        nowcast_last_8_quarters=total[-8:],
        observed_last_8_quarters=observed[-8:],
    )


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 20), st.integers(0, 20)), min_size=1, max_size=60))
def test_the_curve_rises_to_1_and_is_the_plain_share_where_nothing_is_cut_off(rows: list[tuple[int, int]]) -> None:
    delay = np.array([wait for wait, _ in rows])
    cut_off = risk_sets(
        group=np.arange(len(rows)), delay=delay, age=delay + [more for _, more in rows], count=np.ones(len(rows))
    ).curve()
    assert np.all(np.diff(cut_off.entered_by) >= -1e-12)
    assert cut_off.entered_by[-1] == 1.0
    whole = risk_sets(group=np.arange(len(rows)), delay=delay, age=np.full(len(rows), 99), count=np.ones(len(rows)))
    plain = [(delay <= day).mean() for day in range(int(delay.max()) + 1)]
    assert whole.curve().entered_by == pytest.approx(plain)
    drawn = whole.resampled(20, np.random.default_rng(0)).entered_by
    assert np.all((drawn >= -1e-12) & (drawn <= 1.0 + 1e-12))


def test_delays_longer_than_could_be_seen_are_refused() -> None:
    with pytest.raises(TableError, match="1 delays longer than could have been seen"):
        risk_sets(group=[0], delay=[3], age=[2], count=[1])
    with pytest.raises(TableError, match="0 entries"):
        risk_sets(group=[], delay=[], age=[], count=[])


def test_taken_forwards_the_latest_delays_would_look_too_short() -> None:
    generator = np.random.default_rng(2)
    reported = reports(generator, 400, months=2)
    delays = delays_of(reported, generator.choice(DELAYS, len(reported)))
    plain = float((delays.entry_delay <= 7).mean())
    assert plain > 0.82
    assert float(entry_delay(delays).curve.within(7)) == pytest.approx(0.75, abs=0.03)


def coverage(
    wait: Callable[[np.random.Generator, Ints], Ints], *, per_month: float, trials: int = 80, end: date = END
) -> tuple[float, float]:
    """Share of the 90 % intervals of the latest month that hold, and the mean error."""
    held, error = [], []
    first = end.replace(day=1).toordinal()
    for trial in range(trials):
        generator = np.random.default_rng(trial)
        reported = reports(generator, per_month, end=end)
        delay = wait(generator, reported)
        late = int(((reported >= first) & (reported + delay > end.toordinal())).sum())
        month = late_returns(delays_of(reported, delay, end=end), draws=300, seed=trial).of("all")[-1]
        held.append(month.late.low <= late <= month.late.high)
        error.append(month.late.estimate - late)
    return float(np.mean(held)), float(np.mean(error))


@pytest.mark.parametrize("per_month", [5, 30])
@pytest.mark.parametrize("end", [END, date(2026, 10, 12)])
def test_intervals_of_a_stable_lab_hold(per_month: float, end: date) -> None:
    held, error = coverage(lambda rng, day: rng.choice(DELAYS, len(day)), per_month=per_month, end=end)
    # 90 % and, counts being whole, a little more; two standard errors of 80 trials are 7 %.
    assert held >= 0.83
    assert abs(error) < 0.15 + 0.02 * per_month


@pytest.mark.parametrize("every", [7, 30])
def test_intervals_hold_where_returns_are_entered_in_batches(every: int) -> None:
    held, error = coverage(lambda _rng, day: -day % every, per_month=30, trials=40, end=date(2026, 10, 12))
    assert held >= 0.8
    assert abs(error) < 1.5


def test_batches_are_told_from_single_entries() -> None:
    generator = np.random.default_rng(0)
    reported = reports(generator, 15)
    assert not entered_in_batches(delays_of(reported, generator.choice(DELAYS, len(reported))))
    assert not entered_in_batches(delays_of(reported, np.full(len(reported), 2)))
    batches = delays_of(reported, 30 - reported % 30)
    assert entered_in_batches(batches)
    assert "entered in batches" in late_returns(batches).sentence


def test_after_the_last_batch_nothing_is_missing_from_before_it() -> None:
    reported = reports(np.random.default_rng(0), 30)
    # The tray is emptied every 30 days; the end of observation is such a day.
    batches = delays_of(reported, (END.toordinal() - reported) % 30)
    latest = late_returns(batches).of("all")[-1]
    assert latest.completeness == pytest.approx(1.0, abs=0.01)


def test_slower_entry_lately_is_noticed_and_said() -> None:
    generator = np.random.default_rng(4)
    reported = reports(generator, 40)
    plain = generator.choice(DELAYS, len(reported))
    slower = np.where(reported > END.toordinal() - 122, plain * 3 // 2 + 2, plain)
    assert "Entering has become slower" in late_returns(delays_of(reported, slower)).sentence
    assert "Entering has become" not in late_returns(delays_of(reported, plain)).sentence


def test_a_month_is_complete_once_the_longest_delay_has_passed() -> None:
    found = stable()
    late = {one.month: one for one in found.of("all")}
    assert late["2026-08"].completeness == 1.0
    assert (late["2026-08"].late.estimate, late["2026-08"].late.high) == (0.0, 0.0)
    assert 0.6 < late["2026-10"].completeness < 0.8 < late["2026-09"].completeness < 1.0
    assert found.completeness()["2026-10"] == late["2026-10"].completeness
    assert found.completeness("debonding") == found.completeness()
    assert found.late()["2026-08"] == 0.0


def stable(seed: int = 0) -> Nowcast:
    generator = np.random.default_rng(1)
    reported = reports(generator, 20)
    kinds = (generator.random(len(reported)) < 0.2).astype(np.int64)
    return late_returns(delays_of(reported, generator.choice(DELAYS, len(reported)), defect=kinds), seed=seed)


def test_counts_add_up_and_the_seed_decides() -> None:
    found = stable()
    for every, one, other in zip(found.of("all"), found.of("chipping"), found.of("debonding"), strict=True):
        assert every.reported == one.reported + other.reported
        assert every.late.low <= every.late.estimate <= every.late.high
    assert found.months == stable().months
    assert found.months != stable(seed=1).months
    assert found.of("never seen") == ()


@settings(max_examples=25, deadline=None)
@given(
    rows=st.lists(st.tuples(st.integers(0, 400), st.integers(-1, 183), st.integers(0, 1)), min_size=50, max_size=120),
    grid=st.sampled_from([1, 7, 30]),
    silent=st.integers(0, 90),
)
def test_whatever_was_entered_when_the_figures_are_possible(
    rows: list[tuple[int, int, int]], grid: int, silent: int
) -> None:
    ago, wait, defect = (np.array(column) for column in zip(*rows, strict=True))
    # Reports and entries on a coarse grid bring ties and batches about.
    reported = END.toordinal() - silent - ago // grid * grid
    found = late_returns(delays_of(reported, wait // grid * grid, defect=defect), draws=100)
    assert found.sentence
    for month in found.months if found.enough else ():
        assert 0.0 <= month.completeness <= 1.0 + 1e-12
        assert 0.0 <= month.late.low <= month.late.estimate <= month.late.high
        assert month.completeness < 1.0 or month.late.estimate < 1e-6


def test_returns_without_a_day_of_entry_count_and_raise_what_is_to_come() -> None:
    generator = np.random.default_rng(1)
    reported = reports(generator, 40)
    delay = generator.choice(DELAYS, len(reported))
    blank = np.where(generator.random(len(reported)) < 0.5, UNDATED, delay)
    # A blank one is in the records only if it has been entered.
    seen = reported + delay <= END.toordinal()
    half, whole = (late_returns(delays_of(reported[seen], wait[seen])).of("all")[-1] for wait in (blank, delay))
    assert half.reported == whole.reported
    assert half.late.estimate == pytest.approx(whole.late.estimate, rel=0.3)


def test_too_few_entries_give_counts_only() -> None:
    days = np.arange(END.toordinal() - 200, END.toordinal(), 5)
    found = late_returns(delays_of(days, np.ones(len(days))))
    assert not found.enough
    assert found.missing.startswith("Only 40 returns have a usable day of entry; at least 50")
    assert found.completeness() == found.late() == {}
    assert sum(one.reported for one in found.of("all")) == 40
    assert all(isnan(one.late.estimate) and isnan(one.completeness) for one in found.months)
    assert "may still grow" in found.sentence


def test_a_short_history_cannot_show_long_delays() -> None:
    reported = reports(np.random.default_rng(0), 40, months=2)
    found = late_returns(delays_of(reported, reported % 11))
    assert not found.enough
    assert found.missing.endswith("at least 92 are needed for long delays to be seen.")


def test_old_papers_typed_in_on_one_day_do_not_tell_the_delay() -> None:
    days = np.arange(END.toordinal() - 150, END.toordinal() - 30)
    found = late_returns(delays_of(days, END.toordinal() - 20 - days))
    assert not found.enough
    assert "on a single day" in found.missing


def test_no_returns_at_all() -> None:
    found = late_returns(delays_of([], []))
    assert (found.enough, found.months) == (False, ())
    assert back_test(delays_of([], [])).missing
    assert month_ends(delays_of([], [])) == ()


def test_entry_on_the_very_day_leaves_nothing_to_come() -> None:
    reported = reports(np.random.default_rng(0), 20)
    found = late_returns(delays_of(reported, np.zeros(len(reported))))
    assert all(one.completeness == 1.0 and one.late.high == 0.0 for one in found.months)
    assert "All months are as good as complete." in found.sentence


def test_a_long_silence_is_told() -> None:
    reported = reports(np.random.default_rng(0), 20, end=END - timedelta(days=70))
    assert "Nothing has been entered since" in late_returns(delays_of(reported, np.ones(len(reported)))).sentence


@pytest.mark.parametrize("wrong", [{"level": 1.0}, {"draws": 5}])
def test_impossible_settings(wrong: dict[str, float]) -> None:
    with pytest.raises(TableError, match="Need"):
        late_returns(delays_of([], []), **wrong)  # type: ignore[arg-type]


def test_the_past_would_have_been_forecast() -> None:
    generator = np.random.default_rng(7)
    reported = reports(generator, 25, months=30)
    found = back_test(delays_of(reported, generator.choice(DELAYS, len(reported))), draws=300)
    assert found.enough
    assert len({one.cut for one in found.of()}) >= 20
    assert 0.8 <= found.coverage() <= 1.0
    assert abs(found.mean_error()) < 1.0
    assert "intervals of 90% held" in found.sentence
    # Only cuts after which the longest delay has passed can be checked.
    assert max(one.cut for one in found.of()) + timedelta(days=45) <= END
    assert isnan(found.coverage("never seen"))
    assert isnan(found.mean_error("never seen"))


def test_a_back_test_compares_with_what_was_entered_after_the_cut() -> None:
    cut = date(2026, 6, 30)
    old = reports(np.random.default_rng(3), 40, end=date(2026, 5, 31))
    # Five more were reported before the cut and entered ten days after their report, after it.
    days, wait = np.append(old, [cut.toordinal() - 1] * 5), np.append(old % 11, [10] * 5)
    (june,) = [one for one in back_test(delays_of(days, wait), cuts=[cut]).of() if one.month == "2026-06"]
    assert (june.entered, june.came) == (0, 5)


def test_a_back_test_of_few_months_says_so() -> None:
    reported = reports(np.random.default_rng(3), 60, months=4)
    found = back_test(delays_of(reported, reported % 11))
    assert not found.enough
    assert found.sentence.startswith("The nowcast could be tried out on ")

"""What changed: parts that add up, planted changes found in their own part, intervals that hold the truth."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from math import nan
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from remakes.counts.engine import Tables, connect
from remakes.counts.patterns import count_patterns
from remakes.counts.period_counts import PeriodCounts, count_periods
from remakes.counts.table import PatternTable
from remakes.errors import TableError
from remakes.evidence.estimate import Estimate
from remakes.records.snapshot import Snapshot
from remakes.trends.changed.changed import WhatChanged, what_changed, what_changed_each
from remakes.trends.changed.parts import Composition, averaged_others, split
from remakes.trends.changed.periods import usual_periods
from remakes.trends.changed.sentences import clearness, sentence_of, stands_out
from tests.evidence.drawn_tables import rules
from tests.labs import snapshot, standard
from tests.planted import planted_lab
from tests.trends.drawn_periods import Before, drawn_periods

AGES = 4


# --- the split itself ---------------------------------------------------------------------------------------------


def composition(rng: np.random.Generator, *, draws: int = 2, factors: int = 3) -> Composition:
    at_risk = rng.gamma(1.0, 50.0, AGES) * (rng.random(AGES) < 0.8)
    case_mix = at_risk * rng.gamma(5.0, 0.2, (draws, AGES))
    return Composition(
        at_risk=at_risk,
        case_mix=case_mix,
        misses=case_mix[:, None, :] * rng.normal(0.0, 0.3, (draws, factors, AGES)),
    )


@given(seed=st.integers(0, 2**32 - 1))
def test_parts_add_up_to_the_expected_difference_exactly(seed: int) -> None:
    rng = np.random.default_rng(seed)
    before, after, hazard = composition(rng), composition(rng), rng.gamma(1.0, 0.02, (2, AGES))
    expected = (hazard * (after.total - before.total)).sum(axis=1)
    forth, back = split(before, after, hazard), split(after, before, hazard)
    np.testing.assert_allclose(forth.total, expected, rtol=1e-9, atol=1e-9)
    # The other way round every part changes its sign: no order is preferred.
    for name in ("in_service", "age", "case_mix", "misses"):
        np.testing.assert_allclose(getattr(forth, name), -getattr(back, name), rtol=1e-9, atol=1e-9)


def test_a_change_in_one_component_is_that_components_part() -> None:
    rng = np.random.default_rng(5)
    before, hazard = composition(rng), rng.gamma(1.0, 0.02, (2, AGES))
    more = split(before, before.scaled(1.5), hazard)
    assert more.in_service == pytest.approx(0.5 * (hazard * before.total).sum(axis=1))
    assert all(np.abs(part).max() < 1e-9 for part in (more.age, more.case_mix, more.misses))

    harder = replace(before, case_mix=before.case_mix * 1.2, misses=before.misses * 1.2)
    of_mix = split(before, harder, hazard)
    assert of_mix.case_mix == pytest.approx(0.2 * (hazard * before.total).sum(axis=1))
    assert np.abs(of_mix.misses).max() < 1e-9

    doubled = before.misses.copy()
    doubled[:, 1] *= 2.0
    of_misses = split(before, replace(before, misses=doubled), hazard)
    assert of_misses.misses[:, 1] == pytest.approx((hazard * before.misses[:, 1]).sum(axis=1))
    assert np.abs(np.delete(of_misses.misses, 1, axis=1)).max() == 0.0
    assert np.abs(of_misses.case_mix).max() == 0.0


def test_a_period_with_nothing_at_risk_leaves_all_to_the_number_in_service() -> None:
    rng = np.random.default_rng(6)
    after, hazard = composition(rng), np.full((2, AGES), 0.01)
    none = after.scaled(0.0)
    found = split(none, after, hazard)
    assert found.in_service == pytest.approx((hazard * after.total).sum(axis=1))
    assert found.age == pytest.approx(0.0)
    assert split(none, none, hazard).total == pytest.approx(0.0)


def test_the_average_over_orders_is_das_guptas_formula() -> None:
    """Two to four factors: Das Gupta P. Standardization and decomposition of rates (1993), chapter 2; from memory."""
    small, large = np.random.default_rng(7).random((2, 4))
    b, c, d = small[1:]
    B, C, D = large[1:]
    four = (b * c * d + B * C * D) / 4 + (b * c * D + b * C * d + B * c * d + b * C * D + B * c * D + B * C * d) / 12
    three = (b * c + B * C) / 3 + (b * C + B * c) / 6
    for size, formula in ((4, four), (3, three), (2, (b + B) / 2)):
        then, now = ([np.array([x]) for x in side[:size]] for side in (small, large))
        assert averaged_others(then, now, 0) == pytest.approx(formula)


def test_two_rates_are_split_as_kitagawa_does() -> None:
    """Composition by average rates, rates by average composition: Kitagawa EM. JASA 50:1168-1194 (1955)."""
    shares, rates = np.array([[0.7, 0.3], [0.4, 0.6]]), np.array([[0.01, 0.05], [0.02, 0.04]])
    composition_part = float(((shares[1] - shares[0]) * rates.mean(axis=0)).sum())
    got = averaged_others([shares[0], rates[0]], [shares[1], rates[1]], 0) * (shares[1] - shares[0])
    assert float(got.sum()) == pytest.approx(composition_part)


# --- planted changes ----------------------------------------------------------------------------------------------

LARGE = Before(per_month=500.0)
PLANTED: dict[str, tuple[dict[str, Any], str]] = {
    "half as many again in service": ({"after": replace(LARGE, per_month=750.0)}, "in_service"),
    "misses of one step from 10 to 30 %": ({"after": replace(LARGE, missed=(0.3, 0.2))}, "factor:grit_uses"),
    "more bridges": ({"after": replace(LARGE, bridges=0.7)}, "case_mix"),
    "a cause that is not recorded": ({"hidden": 2.0}, "rest"),
}


@pytest.mark.parametrize("name", PLANTED)
def test_a_planted_change_is_found_in_its_own_part(name: str) -> None:
    change, planted = PLANTED[name]
    lab = drawn_periods(np.random.default_rng(11), before=LARGE, **change)
    found = what_changed(lab.counted, lab.table, rules(), defect="debonding")
    true = truth(lab.true, lab.true_rest, level=1.5 if "hidden" in change else 1.0)
    parts = {one.part: one.returns for one in found.parts}
    assert list(parts) == list(true)
    size = abs(true[planted])
    assert size > 20
    assert parts[planted].low <= true[planted] <= parts[planted].high
    assert not parts[planted].low <= 0.0 <= parts[planted].high
    for other in set(parts) - {planted, "rest"}:
        assert parts[other].estimate == pytest.approx(true[other], abs=0.1 * size), other
        assert abs(parts[other].estimate) < 0.25 * size, other
    assert sum(one.estimate for one in parts.values()) == pytest.approx(found.difference.estimate, abs=1e-9)
    if planted != "rest":
        assert parts["rest"].low <= 0.0 <= parts["rest"].high


def truth(true: Any, rest: float, *, level: float) -> dict[str, float]:
    names = ("in_service", "age", "case_mix", "factor:grit_uses", "factor:bond_wait", "not_recorded")
    values = [float(v[0]) for v in (true.in_service, true.age, true.case_mix)] + [float(v) for v in true.misses[0]]
    found = {name: level * value for name, value in zip(names, values, strict=True)}
    return found | {"rest": sum(values) + rest - sum(found.values())}


def test_more_gaps_do_not_look_like_fewer_misses() -> None:
    lab = drawn_periods(np.random.default_rng(12), before=LARGE, after=replace(LARGE, gaps=0.5))
    found = what_changed(lab.counted, lab.table, rules(), defect="debonding")
    parts = {one.part: one.returns for one in found.parts}
    # Recorded misses fell by half.
    recorded = float(lab.true.misses[0, 0])
    assert abs(recorded) < 0.05 * found.returns_before
    assert parts["factor:grit_uses"].estimate == pytest.approx(recorded, abs=0.05 * found.returns_before)
    assert parts["not_recorded"].low <= 0.0 <= parts["not_recorded"].high


def test_intervals_hold_the_truth() -> None:
    """Sixty small labs of three changes; in 420 intervals 5 % may miss, and those of one lab hang together."""
    hits: dict[str, list[bool]] = {}
    small = Before(per_month=60.0)
    changes: list[dict[str, Any]] = [{"after": replace(small, missed=(0.3, 0.2))}, {"hidden": 2.0}]
    changes.append({"after": replace(small, per_month=90.0, bridges=0.5)})
    for seed in range(60):
        change = changes[seed % 3]
        lab = drawn_periods(np.random.default_rng([13, seed]), before=small, **change)
        found = what_changed(lab.counted, lab.table, rules(), defect="debonding")
        true = truth(lab.true, lab.true_rest, level=1.5 if "hidden" in change else 1.0)
        for one in found.parts:
            hits.setdefault(one.part, []).append(one.returns.low <= true[one.part] <= one.returns.high)
    assert all(len(of_part) == 60 for of_part in hits.values())
    # 50 or fewer of 60 at 95 % each happen once in 2,000 times.
    assert min(sum(of_part) for of_part in hits.values()) > 50
    assert np.mean([sum(of_part) for of_part in hits.values()]) > 0.9 * 60


# --- from the records ---------------------------------------------------------------------------------------------

AFTER_LAST = date(2025, 6, 30)
BEFORE_MONTHS, AFTER_MONTHS = ("2025-01", "2025-02", "2025-03"), ("2025-04", "2025-05", "2025-06")


def patterns(lab: Snapshot) -> tuple[Tables, PatternTable]:
    tables = connect(lab)
    assert lab.observed_until is not None
    return tables, count_patterns(tables, lab.standard, observed_until=lab.observed_until)


def counted(lab: Snapshot) -> tuple[PeriodCounts, PatternTable]:
    tables, table = patterns(lab)
    return count_periods(tables, table, before=BEFORE_MONTHS, after=AFTER_MONTHS), table


@pytest.fixture(scope="module")
def planted_tables() -> tuple[Tables, PatternTable]:
    return patterns(planted_lab(3, restorations=1200))


@pytest.fixture(scope="module")
def planted(planted_tables: tuple[Tables, PatternTable]) -> tuple[PeriodCounts, PatternTable]:
    tables, table = planted_tables
    return count_periods(tables, table, before=BEFORE_MONTHS, after=AFTER_MONTHS), table


@pytest.fixture(scope="module")
def few() -> tuple[PeriodCounts, PatternTable]:
    """Forty restorations of which four came back."""
    units = [{"restoration_id": f"R{k}", "delivered_on": f"2024-0{1 + k % 9}-10"} for k in range(40)]
    back = [
        {"return_id": f"Q{k}", "restoration_id": f"R{k}", "reported_on": "2025-04-02", "defect": "chipping"}
        for k in range(4)
    ]
    return counted(snapshot(units, (), back, observed_until=AFTER_LAST))


@pytest.fixture(scope="module")
def every(planted: tuple[PeriodCounts, PatternTable]) -> dict[str, WhatChanged]:
    return dict(what_changed_each(*planted, standard()))


def test_parts_of_all_defects_are_the_sums_over_defects(every: dict[str, WhatChanged]) -> None:
    whole, *single = every.values()
    assert list(every) == ["all", "chipping", "debonding"]
    assert whole.returns_after == sum(one.returns_after for one in single)
    totals: dict[str, float] = {}
    for one in single:
        assert one.enough
        for part in one.parts:
            totals[part.part] = totals.get(part.part, 0.0) + part.returns.estimate
    assert {part.part: part.returns.estimate for part in whole.parts} == pytest.approx(totals)
    assert [part.part for part in whole.parts][-2:] == ["not_recorded", "rest"]
    for one in every.values():
        assert sum(p.returns.estimate for p in one.parts) == pytest.approx(one.difference.estimate, abs=1e-9)
        assert all(p.returns.low <= p.returns.estimate <= p.returns.high for p in one.parts)


def test_only_steps_that_may_cause_the_defect_enter(every: dict[str, WhatChanged]) -> None:
    def asked(defect: str) -> set[str]:
        return {part.part for part in every[defect].parts if part.part.startswith("factor:")}

    # Thickness is never missed in this lab.
    assert asked("debonding") == {"factor:bond_wait"}
    assert asked("chipping") == {"factor:bond_wait"}


def test_the_answer_is_the_same_every_time_and_for_one_defect(
    planted: tuple[PeriodCounts, PatternTable], every: dict[str, WhatChanged]
) -> None:
    assert what_changed(*planted, standard(), defect="debonding") == every["debonding"]
    assert what_changed(*planted, standard()) == every["all"]


def test_the_interchange_format_has_the_split(every: dict[str, WhatChanged]) -> None:
    found = json.loads(json.dumps(every["all"].as_json(), allow_nan=False))
    assert (found["from"], found["to"]) == ("2025-01", "2025-06")
    assert found["parts"][-1]["part"] == "rest"
    assert set(found["parts"][0]) == {"part", "returns", "low", "high"}
    assert sum(part["returns"] for part in found["parts"]) == pytest.approx(found["difference"])
    assert found["difference"] == found["returns_after"] - found["returns_before"]


def test_periods_of_unequal_length_are_scaled_to_the_later_one(planted_tables: tuple[Tables, PatternTable]) -> None:
    tables, table = planted_tables
    counts = count_periods(tables, table, before=("2025-03",), after=AFTER_MONTHS)
    found = what_changed(counts, table, standard())
    assert found.scale == pytest.approx(91 / 31)
    assert found.difference.estimate == pytest.approx(found.returns_after - found.scale * found.returns_before)
    assert sum(part.returns.estimate for part in found.parts) == pytest.approx(found.difference.estimate, abs=1e-9)
    assert "scaled to the same length" in found.sentence


def test_counts_of_other_records_are_refused(
    planted: tuple[PeriodCounts, PatternTable], few: tuple[PeriodCounts, PatternTable]
) -> None:
    _counts, other = few
    with pytest.raises(TableError, match="hold different restorations"):
        what_changed(planted[0], other, standard())


def test_few_returns_give_counts_only(few: tuple[PeriodCounts, PatternTable]) -> None:
    found = what_changed(*few, standard(), defect="chipping")
    assert (found.enough, found.returns_before, found.returns_after) == (False, 0, 4)
    assert found.missing == "The two periods hold 4 returns together; to split the difference takes at least 10."
    assert found.sentence.startswith("0 returns in the earlier period and 4 in the later.")
    assert [part.part for part in found.parts] == ["rest"]
    assert found.parts[0].returns == found.difference
    assert found.difference.low < 4 < found.difference.high


def test_a_short_record_and_no_periods_say_what_is_missing() -> None:
    units = [{"restoration_id": f"R{k}", "delivered_on": "2025-04-10"} for k in range(40)]
    back = [
        {"return_id": f"Q{k}", "restoration_id": f"R{k}", "reported_on": "2025-06-02", "defect": "chipping"}
        for k in range(20)
    ]
    counts, table = counted(snapshot(units, (), back, observed_until=AFTER_LAST))
    found = what_changed(counts, table, standard())
    assert found.missing == "The records hold 3 months; to split a difference takes at least 6."
    never_seen = what_changed(counts, table, standard(), defect="porosity")
    assert (never_seen.returns_before, never_seen.returns_after) == (0, 0)
    without = replace(counts, before=(), after=(), days=np.array([counts.days[0], 0, 0]))
    none = what_changed(without, table, standard())
    assert none.missing == "There are no two periods of whole months to compare yet."
    assert np.isnan(none.difference.estimate)
    assert json.dumps(none.as_json(), allow_nan=False)


restorations = st.tuples(
    st.sampled_from(["2024-01-10", "2024-12-30", "2025-03-31", "2025-05-02"]),
    st.sampled_from(["T1", "T2", ""]),
    st.sampled_from(["100", "200", ""]),
    st.sampled_from([None, "2023-12-01", "2025-01-01", "2025-03-31", "2025-06-30"]),
    st.sampled_from(["debonding", "chipping"]),
    st.sampled_from(["repaired", "remade"]),
)


@settings(deadline=None, max_examples=4, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(lab=st.lists(restorations, min_size=1, max_size=60))
def test_any_lab_gets_an_answer(lab: list[Any]) -> None:
    units, log, back = [], [], []
    for k, (delivered, person, wait, returned, defect, disposition) in enumerate(lab):
        units.append({"restoration_id": f"R{k}", "delivered_on": delivered, "technician": person})
        log.append({"restoration_id": f"R{k}", "step": "bonding", "reading": "wait_s", "value": wait})
        if returned:
            back.append({"return_id": f"Q{k}", "restoration_id": f"R{k}", "reported_on": returned, "defect": defect})
            back[-1]["disposition"] = disposition
    for found in what_changed_each(
        *counted(snapshot(units, log, back, observed_until=AFTER_LAST)), standard()
    ).values():
        assert found.sentence
        assert sum(part.returns.estimate for part in found.parts) == pytest.approx(found.difference.estimate, abs=1e-6)
        assert json.dumps(found.as_json(), allow_nan=False)


# --- words and periods --------------------------------------------------------------------------------------------


def said(difference: Estimate, *parts: tuple[str, Estimate]) -> str:
    return sentence_of(difference, parts, standard(), periods=(BEFORE_MONTHS, AFTER_MONTHS), scale=1.0)


def test_the_sentence_tells_size_parts_and_what_is_left() -> None:
    text = said(
        Estimate(12.0, 2.0, 22.0),
        ("in_service", Estimate(7.1, 6.0, 8.0)),
        ("age", Estimate(-0.3, -0.5, -0.1)),
        ("factor:bond_wait", Estimate(4.2, 1.0, 7.0)),
        ("rest", Estimate(1.0, -9.0, 11.0)),
    )
    assert text == (
        "12 more returns than in the three months before (2 to 22 more). Of that, about 7 more go with more "
        "restorations in service and 4 more with more misses of “wait_s: at least 180”; "
        "left over: 1 more (from 9 fewer to 11 more)."
    )


def test_the_sentence_says_first_that_it_may_be_chance() -> None:
    text = said(
        Estimate(-3.0, -11.0, 5.0),
        ("in_service", Estimate(0.1, 0.0, 0.2)),
        ("case_mix", Estimate(-2.0, -5.0, 1.0)),
        ("rest", Estimate(-1.1, -9.0, 7.0)),
    )
    assert text.startswith(
        "The difference may be chance: 3 fewer returns than in the three months before (from 11 fewer"
    )
    assert "Of that, about 2 fewer go with parts that may be chance or are small" in text


def test_a_range_that_only_just_leaves_zero_out_is_told_so_in_tenths() -> None:
    text = said(Estimate(25.0, 0.4, 49.6), ("rest", Estimate(25.0, 0.4, 49.6)))
    assert text.startswith(
        "The difference is only just more than chance gives: 25 more returns than in the three months before "
        "(0.4 to 49.6 more)."
    )
    assert text.endswith("left over: 25 more (0.4 to 49.6 more), which is more than chance explains.")
    # As a table shows it, with one decimal, this one begins at 0.
    assert said(Estimate(25.0, 0.04, 50.0), ("rest", Estimate(25.0, 0.04, 50.0))).startswith(
        "The difference may be chance: 25 more returns than in the three months before (0 to 50 more)."
    )


@pytest.mark.parametrize(
    ("low", "high", "told"),
    [
        (-1.0, 3.0, "may be none"),
        (0.0, 3.0, "may be none"),
        (0.04, 3.0, "may be none"),
        (0.1, 3.0, "only just"),
        (-3.0, -0.3, "only just"),
        (0.6, 3.0, "clear"),
        (-9.0, -2.0, "clear"),
        (nan, nan, "may be none"),
    ],
)
def test_the_words_follow_the_range_as_it_is_shown(low: float, high: float, told: str) -> None:
    assert clearness(Estimate((low + high) / 2, low, high)) == told


def test_what_stands_out_is_more_than_half_a_return_by_a_range_without_zero() -> None:
    assert stands_out(Estimate(-2.0, -3.0, -1.0))
    assert not stands_out(Estimate(0.4, 0.3, 0.5))
    assert not stands_out(Estimate(5.0, -0.1, 10.1))


def test_a_rest_beyond_chance_is_named() -> None:
    text = said(Estimate(20.0, 9.0, 31.0), ("in_service", Estimate(0.2, 0.1, 0.3)), ("rest", Estimate(19.8, 8.0, 32.0)))
    assert text.endswith(
        "None of it goes with what was in service; "
        "left over: 20 more (8 to 32 more), which is more than chance explains."
    )


def test_usual_periods_are_the_last_six_complete_months_in_two() -> None:
    months = tuple(f"2025-{k:02d}" for k in range(1, 13))
    assert usual_periods(months, "2025-10") == (
        ("2025-05", "2025-06", "2025-07"),
        ("2025-08", "2025-09", "2025-10"),
    )
    assert usual_periods(months, "2025-09") == (("2025-04", "2025-05", "2025-06"), ("2025-07", "2025-08", "2025-09"))
    assert usual_periods(months, "2025-08") == ((), ())
    assert usual_periods((), "") == ((), ())

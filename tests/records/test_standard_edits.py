"""The standard changed by a person: the past keeps its limits, the file's rules hold, two people do not overwrite."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select

from remakes.errors import EntryError, NotAllowedError
from remakes.records import schema
from remakes.records.change_log import read_changes
from remakes.records.changed_meanwhile import ChangedMeanwhileError
from remakes.records.permissions import Actor
from remakes.records.requirements import ProcessStandard, Requirement, Rule
from remakes.records.standard import load_standard, parse_standard, save_standard
from remakes.records.standard_days import columns_known, standing_of
from remakes.records.standard_edits import (
    add_requirement,
    change_outline,
    change_requirement,
    correct_requirement,
    end_requirement,
    reword_requirement,
)
from remakes.records.standard_text import same_or_tighter, standard_as_toml
from remakes.records.store import Store

TODAY = date(2026, 4, 1)
TOMORROW = TODAY + timedelta(days=1)
WAIT = Requirement(
    factor="bond_wait",
    step="bonding",
    reading="bond_wait_s",
    unit="s",
    rule=Rule(kind="at_least", low=180.0),
    applies_when={"veneer": ("lab composite",)},
    may_cause=("debonding",),
    valid_from=date(2024, 1, 1),
    says="Left for 3 minutes",
    source="common practice, no source",
)
STANDARD = ProcessStandard(title="A lab", steps=("blasting", "bonding", "finishing"), requirements=(WAIT,))


def at_least(value: float) -> Rule:
    return Rule(kind="at_least", low=value)


@pytest.fixture
def kept(lab: Store) -> Store:
    save_standard(lab, STANDARD, who="QA")
    return lab


def longer(**changes: Any) -> Requirement:
    return replace(WAIT, rule=at_least(200.0), valid_from=TOMORROW, **changes)


def test_a_new_limit_leaves_the_past_alone(kept: Store) -> None:
    change_requirement(kept, WAIT, longer(), who="M1", today=TODAY)
    standard = load_standard(kept)
    attributes: Mapping[str, str | None] = {"veneer": "lab composite"}
    limits = [
        found.rule.low
        for day in (date(2024, 1, 1), TODAY, TOMORROW, date(2030, 1, 1))
        if (found := standard.in_force("bond_wait", delivered_on=day, attributes=attributes))
    ]
    assert limits == [180.0, 180.0, 200.0, 200.0]
    (line,) = [one for one in read_changes(kept).changes if one.what == "change requirement"]
    assert (line.who, line.key) == ("M1", "bond_wait")
    assert ("rule", "at_least: 180", "at_least: 200") in line.before_and_after()


@pytest.mark.parametrize("day", [TODAY, date(2026, 3, 1), date(2023, 1, 1)])
def test_a_new_limit_never_begins_in_the_past(kept: Store, day: date) -> None:
    with pytest.raises(EntryError, match=r"not after|2026-04-02"):
        change_requirement(kept, WAIT, replace(longer(), valid_from=day), who="M1", today=TODAY)
    assert load_standard(kept) == STANDARD


def test_who_comes_second_sees_both(kept: Store) -> None:
    change_requirement(kept, WAIT, longer(), who="M1", today=TODAY)
    with pytest.raises(ChangedMeanwhileError, match="M1") as refused:
        reword_requirement(kept, WAIT, says="Other", source="", may_cause=("debonding",), who="M2")
    assert refused.value.theirs == replace(WAIT, valid_until=TODAY)
    assert refused.value.who == "M1"


def test_a_laxer_limit_needs_a_source_of_its_own(kept: Store) -> None:
    laxer = replace(longer(), rule=at_least(120.0))
    for source in (None, WAIT.source, "Common practice"):
        with pytest.raises(EntryError, match="laxer"):
            change_requirement(kept, WAIT, replace(laxer, source=source), who="M1", today=TODAY)
    change_requirement(kept, WAIT, replace(laxer, source="instructions 2026-02"), who="M1", today=TODAY)
    assert load_standard(kept).requirements[-1].rule == at_least(120.0)


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (at_least(1), at_least(1), True),
        (at_least(1), at_least(0.9), False),
        (at_least(1), Rule(kind="between", low=1, high=3), True),
        (Rule(kind="between", low=1, high=3), at_least(1), False),
        (Rule(kind="at_most", high=5), Rule(kind="at_most", high=6), False),
        (at_least(1), Rule(kind="one_of", values=("yes",)), False),
        (Rule(kind="one_of", values=("a", "b")), Rule(kind="one_of", values=("A",)), True),
        (Rule(kind="one_of", values=("a",)), Rule(kind="one_of", values=("a", "b")), False),
        (Rule(kind="none_of", values=("a",)), Rule(kind="none_of", values=("a", "b")), True),
        (Rule(kind="none_of", values=("a", "b")), Rule(kind="none_of", values=("a",)), False),
    ],
)
def test_what_is_tighter(old: Rule, new: Rule, expected: bool) -> None:
    assert same_or_tighter(replace(WAIT, rule=old), replace(WAIT, rule=new)) is expected


def test_fewer_cases_is_laxer_and_another_unit_cannot_be_compared() -> None:
    everybody = replace(WAIT, applies_when={})
    assert same_or_tighter(WAIT, everybody)
    assert not same_or_tighter(everybody, WAIT)
    assert not same_or_tighter(WAIT, replace(WAIT, unit="min"))


def test_the_rules_of_the_file_hold(kept: Store) -> None:
    upside_down = Rule(kind="between", low=300.0, high=200.0)
    with pytest.raises(EntryError, match="lower number must come first"):
        change_requirement(kept, WAIT, replace(longer(), rule=upside_down), who="M1", today=TODAY)
    with pytest.raises(EntryError, match="no such step"):
        add_requirement(kept, replace(WAIT, factor="new", step="casting", valid_from=TOMORROW), who="M1", today=TODAY)
    with pytest.raises(EntryError, match="stands in step bonding already"):
        add_requirement(kept, replace(longer(), step="blasting", applies_when={}), who="M1", today=TODAY)
    with pytest.raises(EntryError, match="no such defect"):
        reword_requirement(kept, WAIT, says="", source="", may_cause=("melting",), who="M1")
    assert load_standard(kept) == STANDARD
    assert [one.what for one in read_changes(kept).changes] == ["take standard"]


def test_what_was_at_odds_before_does_not_stop_a_change(kept: Store) -> None:
    moved = replace(WAIT, step="blasting", valid_from=date(2025, 1, 1))
    save_standard(kept, replace(STANDARD, requirements=(moved,)), who="QA")
    reworded = reword_requirement(kept, WAIT, says="Other words", source="", may_cause=("debonding",), who="M1")
    assert reworded.says == "Other words"


def test_a_row_is_corrected_only_while_nothing_was_delivered_under_it(kept: Store) -> None:
    with pytest.raises(EntryError, match="2 restorations were delivered"):
        correct_requirement(kept, WAIT, replace(WAIT, rule=at_least(200.0)), who="M1", why="typed 180", today=TODAY)
    planned = change_requirement(kept, WAIT, longer(), who="M1", today=TODAY)
    later = replace(planned, rule=at_least(220.0), valid_from=date(2026, 6, 1))
    with pytest.raises(EntryError, match="reason is blank"):
        correct_requirement(kept, planned, later, who="M1", why=" ", today=TODAY)
    correct_requirement(kept, planned, later, who="M1", why="wrong day", today=TODAY)
    # No day between the two is left without a limit.
    assert load_standard(kept).requirements == (replace(WAIT, valid_until=date(2026, 5, 31)), later)
    with pytest.raises(EntryError, match="2026-04-02"):
        correct_requirement(kept, later, replace(later, valid_from=TODAY), who="M1", why="earlier", today=TODAY)


def test_a_planned_row_does_not_slip_before_the_one_it_follows(kept: Store) -> None:
    first = change_requirement(kept, WAIT, replace(longer(), valid_from=date(2026, 5, 1)), who="M1", today=TODAY)
    second = replace(first, rule=at_least(240.0), valid_from=date(2026, 7, 1))
    second = change_requirement(kept, first, second, who="M1", today=TODAY)
    before = load_standard(kept)
    for day in (date(2026, 4, 20), date(2026, 5, 1)):
        with pytest.raises(EntryError, match=r"2026-05-01|as block"):
            correct_requirement(kept, second, replace(second, valid_from=day), who="M1", why="sooner", today=TODAY)
    assert load_standard(kept) == before
    correct_requirement(kept, second, replace(second, valid_from=date(2026, 6, 1)), who="M1", why="sooner", today=TODAY)
    assert [one.valid_until for one in load_standard(kept).requirements] == [
        date(2026, 4, 30),
        date(2026, 5, 31),
        None,
    ]


def test_an_end_holds_for_all_that_it_replaced(kept: Store) -> None:
    stricter = replace(WAIT, rule=at_least(240.0), valid_from=date(2025, 1, 1))
    save_standard(kept, replace(STANDARD, requirements=(stricter,)), who="QA")
    standard = load_standard(kept)
    assert [standing_of(standard, one, TODAY) for one in standard.requirements] == ["replaced", "in force"]
    with pytest.raises(EntryError, match="has replaced this one"):
        change_requirement(kept, WAIT, longer(), who="M1", today=TODAY)
    with pytest.raises(EntryError, match="has passed"):
        end_requirement(kept, stricter, last_day=date(2026, 3, 1), who="M1", why="gone", today=TODAY)
    end_requirement(kept, stricter, last_day=TODAY, who="M1", why="gone", today=TODAY)
    standard, cases = load_standard(kept), {"veneer": "lab composite"}
    assert standard.in_force("bond_wait", delivered_on=TOMORROW, attributes=cases) is None
    on_the_day = standard.in_force("bond_wait", delivered_on=TODAY, attributes=cases)
    assert on_the_day is not None
    assert on_the_day.rule == at_least(240.0)
    former = standard.in_force("bond_wait", delivered_on=date(2024, 5, 1), attributes=cases)
    assert former is not None
    assert former.rule == at_least(180.0)


def test_the_first_standard_may_hold_for_the_past(store: Store) -> None:
    change_outline(store, ("", ()), title="New", steps=("bonding",), who="M1")
    add_requirement(store, WAIT, who="M1", today=TODAY)
    assert load_standard(store) == ProcessStandard(title="New", steps=("bonding",), requirements=(WAIT,))


def test_a_new_requirement_begins_tomorrow_once_deliveries_are_in(kept: Store) -> None:
    new = replace(WAIT, factor="polish", step="finishing", reading="polished", unit=None, rule=Rule(kind="one_of"))
    new = replace(new, rule=Rule(kind="one_of", values=("yes",)))
    with pytest.raises(EntryError, match="2026-04-02"):
        add_requirement(kept, new, who="M1", today=TODAY)
    add_requirement(kept, replace(new, valid_from=TOMORROW), who="M1", today=TODAY)
    assert "polish" in load_standard(kept).factors


def test_defects_hold_for_the_factor_through_all_time(kept: Store) -> None:
    change_requirement(kept, WAIT, longer(), who="M1", today=TODAY)
    new = load_standard(kept).requirements[1]
    reword_requirement(kept, new, says="x", source="y", may_cause=("chipping",), who="M1")
    assert load_standard(kept).may_cause("bond_wait") == {"chipping"}
    assert [one.says for one in load_standard(kept).requirements] == [WAIT.says, "x"]


def test_rows_that_get_the_same_defects_leave_a_line_even_where_the_opened_one_stays(kept: Store) -> None:
    earlier = replace(WAIT, valid_from=date(2023, 1, 1), valid_until=date(2023, 12, 31), may_cause=("chipping",))
    save_standard(kept, replace(STANDARD, requirements=(earlier, WAIT)), who="QA")

    def reword() -> list[str]:
        reword_requirement(
            kept, WAIT, says=WAIT.says or "", source=WAIT.source or "", may_cause=WAIT.may_cause, who="M1"
        )
        return [one.what for one in read_changes(kept).changes if one.what == "reword requirement"]

    assert reword() == ["reword requirement"]
    assert load_standard(kept).may_cause("bond_wait") == {"debonding"}
    # Nothing is left to change, and nothing is noted.
    assert reword() == ["reword requirement"]


def test_steps_in_another_order(kept: Store) -> None:
    opened = (STANDARD.title, STANDARD.steps)
    with pytest.raises(EntryError, match="bonding"):
        change_outline(kept, opened, title="A lab", steps=("blasting",), who="M1")
    change_outline(kept, opened, title="Ours", steps=("bonding", "blasting", "checking"), who="M1")
    assert load_standard(kept).steps == ("bonding", "blasting", "checking")
    with pytest.raises(ChangedMeanwhileError, match="M1"):
        change_outline(kept, opened, title="Mine", steps=("bonding",), who="M2")


def test_only_a_manager_changes_the_standard(kept: Store) -> None:
    quality = kept.acting_as(Actor(code="Q1", roles=frozenset({"quality"})))
    with pytest.raises(NotAllowedError, match="change the standard"):
        change_requirement(quality, WAIT, longer(), who="Q1", today=TODAY)
    with pytest.raises(NotAllowedError):
        end_requirement(quality, WAIT, last_day=TODAY, who="Q1", why="x", today=TODAY)
    assert load_standard(kept) == STANDARD


def test_values_that_a_requirement_can_depend_on(kept: Store) -> None:
    known = columns_known(kept)
    assert known["veneer"] == ("ceramic", "lab composite")
    assert known["difficulty"] == ()


def test_the_file_gives_the_same_standard(kept: Store) -> None:
    change_requirement(kept, WAIT, longer(), who="M1", today=TODAY)
    standard = load_standard(kept)
    assert parse_standard(standard_as_toml(standard), file="standard.toml") == standard
    assert save_standard(kept, parse_standard(standard_as_toml(standard), file="s"), who="M1") == (0, 0, 2)
    with kept.reader() as connection:
        assert len(connection.execute(select(schema.requirements)).all()) == 2


TEXT = st.text(st.characters(blacklist_categories=("Cs", "Cc", "Zs", "Zl", "Zp")), min_size=1, max_size=12)
NUMBER = st.floats(-1e6, 1e6, allow_nan=False).map(lambda one: one + 0.0)
RULES = st.one_of(
    NUMBER.map(at_least),
    NUMBER.map(lambda high: Rule(kind="at_most", high=high)),
    st.tuples(NUMBER, NUMBER).map(lambda ends: Rule(kind="between", low=min(ends), high=max(ends))),
    st.lists(TEXT, min_size=1, max_size=3, unique=True).map(lambda some: Rule(kind="none_of", values=tuple(some))),
)


@given(rule=RULES, says=TEXT, values=st.lists(TEXT, min_size=1, max_size=3, unique=True))
def test_any_standard_comes_back_from_its_file(rule: Rule, says: str, values: list[str]) -> None:
    one = replace(WAIT, rule=rule, says=says, applies_when={"veneer": tuple(sorted(values))})
    standard = ProcessStandard(title=says, steps=("bonding",), requirements=(one,))
    assert parse_standard(standard_as_toml(standard), file="standard.toml") == standard

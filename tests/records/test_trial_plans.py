"""Trials that are kept to: what stands once it is kept, who may do what, and what the database itself refuses."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.exc import DBAPIError

from remakes.errors import EntryError, NotAllowedError
from remakes.records import schema
from remakes.records.permissions import Actor
from remakes.records.store import Store
from remakes.records.trial_plans import (
    KeptPlan,
    TrialPlanChangedError,
    give_up,
    keep_plan,
    keep_reading,
    list_plans,
    load_plan,
)
from tests.new_stores import new_store

TODAY = date(2026, 4, 1)
STARTS, ENDS, AFTER = date(2026, 4, 6), date(2026, 9, 27), date(2026, 9, 28)
READING = {"sentence": "The trial cannot tell.", "ratio": {"estimate": 0.8, "low": 0.5, "high": None}}


@dataclass(frozen=True)
class Plan:
    """As much of a plan as the records look at."""

    starts_on: date = STARTS
    ends_on: date | None = ENDS

    def as_json(self) -> dict[str, Any]:
        return {"starts_on": self.starts_on.isoformat(), "share": 0.1 + 0.2, "unit": None, "who": ["T1", "T2"]}


def kept(store: Store, **changed: Any) -> KeptPlan:
    asked: dict[str, Any] = {"plan": Plan(), "title": "Timer, every other week", "who": "manager M1", "today": TODAY}
    return keep_plan(store, **(asked | changed))


def audit(store: Store) -> list[tuple[str, str, str | None]]:
    with store.reader() as connection:
        lines = connection.execute(select(schema.audit).order_by(schema.audit.c.id)).all()
    return [(line.what, line.who, line.row_key) for line in lines if line.table_name == "trial_plans"]


def change(store: Store, statement: str) -> None:
    with store.writer(may="import lists") as connection:
        connection.exec_driver_sql(statement)


def test_a_plan_is_kept_word_for_word_and_read_at_its_end(store: Store) -> None:
    figures = store.figures_version()
    one = kept(store)
    assert one.plan == Plan().as_json()
    assert (one.title, one.kept_by, one.starts_on, one.ends_on) == (
        "Timer, every other week",
        "manager M1",
        STARTS,
        ENDS,
    )
    states = [one.state(on) for on in (TODAY, STARTS, ENDS, AFTER)]
    assert states == ["not begun", "running", "running", "to be read"]
    assert list_plans(store) == (one,) == (load_plan(store, one.plan_id),)
    read = keep_reading(store, one.plan_id, READING, who="manager M2", version=1, today=date(2026, 10, 20))
    assert (read.reading, read.read_on, read.version) == (READING, date(2026, 10, 20), 2)
    assert (read.state(ENDS), read.is_open, read.plan) == ("read", False, one.plan)
    assert audit(store) == [
        ("keep trial plan", "manager M1", str(one.plan_id)),
        ("read trial", "manager M2", str(one.plan_id)),
    ]
    assert store.figures_version() == figures


def test_it_is_not_read_before_its_end_nor_twice(store: Store) -> None:
    one = kept(store)
    with pytest.raises(EntryError, match="read after 2026-09-27, its last day, not earlier"):
        keep_reading(store, one.plan_id, READING, who="manager M1", version=1, today=ENDS)
    assert load_plan(store, one.plan_id) == one
    keep_reading(store, one.plan_id, READING, who="manager M1", version=1, today=AFTER)
    with pytest.raises(EntryError, match="at its end already"):
        keep_reading(store, one.plan_id, {"sentence": "better"}, who="manager M1", version=2, today=AFTER)
    with pytest.raises(EntryError, match="at its end already"):
        give_up(store, one.plan_id, why="not what we hoped for", who="manager M1", version=2)
    assert load_plan(store, one.plan_id).reading == READING


def test_a_button_pressed_twice_keeps_one_trial(store: Store) -> None:
    one = kept(store)
    with pytest.raises(EntryError, match=f"kept already: trial {one.plan_id}, “Timer, every other week”"):
        kept(store)
    assert list_plans(store) == (one,)
    other = kept(store, title="Timer, the second bench")
    give_up(store, one.plan_id, why="two benches are ill", who="manager M1", version=1)
    again = kept(store)
    assert [each.plan_id for each in list_plans(store)] == [again.plan_id, other.plan_id, one.plan_id]


def test_what_is_given_up_is_kept_with_the_reason(store: Store) -> None:
    one = kept(store)
    with pytest.raises(EntryError, match="Write why"):
        give_up(store, one.plan_id, why="  ", who="manager M1", version=1)
    gone = give_up(store, one.plan_id, why="two benches are ill", who="manager M1", version=1)
    assert (gone.given_up_why, gone.state(TODAY), gone.is_open) == ("two benches are ill", "given up", False)
    assert gone.given_up_at is not None
    with pytest.raises(EntryError, match="at its end already"):
        keep_reading(store, one.plan_id, READING, who="manager M1", version=2, today=AFTER)
    assert audit(store)[-1] == ("give up trial", "manager M1", str(one.plan_id))
    assert [kept(store).plan_id, one.plan_id] == [each.plan_id for each in list_plans(store)]


def test_of_two_who_change_it_the_second_is_told_who_did(store: Store) -> None:
    one = kept(store)
    give_up(store, one.plan_id, why="two benches are ill", who="manager M7", version=1)
    with pytest.raises(TrialPlanChangedError, match="by manager M7") as told:
        keep_reading(store, one.plan_id, READING, who="manager M1", version=1, today=AFTER)
    assert told.value.kept.given_up_why == "two benches are ill"
    assert len(audit(store)) == 2


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"plan": Plan(ends_on=None)}, "cannot be had"),
        ({"today": date(2026, 4, 7)}, "begins on 2026-04-06, which is past"),
        ({"title": " "}, "title of the trial is blank"),
        ({"title": "x" * 121}, "at most 120"),
        ({"who": ""}, "is blank"),
    ],
)
def test_what_cannot_be_kept_leaves_nothing(tmp_path: Path, changed: dict[str, Any], says: str) -> None:
    store = new_store(tmp_path / "lab.sqlite")
    with pytest.raises(EntryError, match=says):
        kept(store, **changed)
    assert list_plans(store) == ()
    with pytest.raises(EntryError, match="no trial 7"):
        load_plan(store, 7)
    with store.reader() as connection:
        assert connection.scalar(select(func.count()).select_from(schema.audit)) == 0
    store.close()


def test_only_who_may_decide_keeps_and_gives_up(tmp_path: Path) -> None:
    store = new_store(tmp_path / "lab.sqlite")
    one = kept(store)
    other = store.acting_as(Actor(code="Q1", roles=frozenset({"quality", "technician"})))
    with pytest.raises(NotAllowedError, match="decide actions"):
        kept(other)
    with pytest.raises(NotAllowedError, match="decide actions"):
        give_up(other, one.plan_id, why="x", who="quality Q1", version=1)
    assert list_plans(store) == (one,)
    store.close()


def test_the_database_refuses_to_bend_a_plan_a_reading_and_to_lose_either(store: Store) -> None:
    one = kept(store)
    read = keep_reading(store, one.plan_id, READING, who="manager M1", version=1, today=AFTER)
    for statement in (
        "UPDATE trial_plans SET plan = '{}'",
        "UPDATE trial_plans SET title = 'another'",
        "UPDATE trial_plans SET kept_at = '2020-01-01'",
        "UPDATE trial_plans SET reading = '{}'",
        "UPDATE trial_plans SET reading = NULL",
    ):
        with pytest.raises(DBAPIError, match="what was planned and read stands"):
            change(store, statement)
    with pytest.raises(DBAPIError, match="given up, never deleted"):
        change(store, "DELETE FROM trial_plans")
    assert list_plans(store) == (read,)


def test_figures_of_a_plan_come_back_to_the_last_digit(store: Store) -> None:
    one = kept(store)
    assert one.plan["share"] == 0.1 + 0.2
    assert replace(one, title="x") != one

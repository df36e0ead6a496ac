"""Corrective actions and costs: the file with all its mistakes, and the store."""

from __future__ import annotations

from dataclasses import replace

import pytest

from remakes.errors import InputError
from remakes.records import schema
from remakes.records.corrective_actions import (
    ActionsFileError,
    CorrectiveAction,
    Costs,
    load_actions,
    load_costs,
    parse_actions,
    save_actions,
    undo_actions,
    unknown_factors,
    write_actions,
)
from remakes.records.standard import parse_standard
from remakes.records.store import Store, now

ACTIONS = """\
[[action]]
action = "bond_timer"
title = "Timer at the bonding bench; start and stop are logged"
corrects = { bond_wait = 0.9 }
cost_once = 120
cost_per_restoration = 0.10
minutes_per_restoration = 0.3

[[action]]
action = "gauge"
title = "Gauge at the thin sites"
corrects = { veneer_mm = 0.8, framework_mm = 1 }

[costs]
per_minute = 0.75
per_return = { chipping = 140, debonding = 210.5 }
default_per_return = 90
currency = "EUR"
"""
STANDARD = """\
steps = ["bonding"]
[[requirement]]
factor = "bond_wait"
step = "bonding"
reading = "bond_wait_s"
at_least = 180
may_cause = ["debonding"]
valid_from = 2024-01-01
"""


def mistakes(text: str) -> list[tuple[str, str, int | None]]:
    with pytest.raises(ActionsFileError) as refused:
        parse_actions(text, file="actions.toml")
    return [(mistake.block, mistake.key, mistake.line) for mistake in refused.value.mistakes]


def test_the_whole_file() -> None:
    actions, costs = parse_actions(ACTIONS, file="actions.toml")
    assert actions == (
        CorrectiveAction(
            action="bond_timer",
            title="Timer at the bonding bench; start and stop are logged",
            corrects={"bond_wait": 0.9},
            cost_once=120.0,
            cost_per_restoration=0.10,
            minutes_per_restoration=0.3,
        ),
        CorrectiveAction(
            action="gauge", title="Gauge at the thin sites", corrects={"veneer_mm": 0.8, "framework_mm": 1.0}
        ),
    )
    assert costs == Costs(
        per_minute=0.75, per_return={"chipping": 140.0, "debonding": 210.5}, default_per_return=90.0, currency="EUR"
    )
    assert costs is not None
    assert (costs.of_return("debonding"), costs.of_return("occlusion")) == (210.5, 90.0)


def test_costs_are_optional_and_may_stand_alone() -> None:
    actions, costs = parse_actions(ACTIONS.partition("[costs]")[0], file="x")
    assert (len(actions), costs) == (2, None)
    assert parse_actions("[costs]\nper_minute = 1", file="x") == ((), Costs(per_minute=1.0))


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("bond_wait = 0.9", "bond_wait = 0", "corrects"),
        ("bond_wait = 0.9", "bond_wait = 1.01", "corrects"),
        ("bond_wait = 0.9", "bond_wait = -0.5", "corrects"),
        ("bond_wait = 0.9", "bond_wait = 90", "corrects"),
        ("bond_wait = 0.9", 'bond_wait = "most"', "corrects"),
        ("bond_wait = 0.9", "bond_wait = nan", "corrects"),
        ("{ bond_wait = 0.9 }", "{ }", "corrects"),
        ("{ bond_wait = 0.9 }", '"bond_wait"', "corrects"),
        ("corrects = { bond_wait = 0.9 }\n", "", "corrects"),
        ("cost_once = 120", "cost_once = -1", "cost_once"),
        ("cost_once = 120", 'cost_once = "120"', "cost_once"),
        ("cost_once = 120", "cost_onse = 120", "cost_onse"),
        ("minutes_per_restoration = 0.3", "minutes_per_restoration = true", "minutes_per_restoration"),
        ('"bond_timer"', '""', "action"),
        ('"gauge"', '"bond_timer"', "action"),
        ("chipping = 140", "chiping = 140", "per_return"),
        ("chipping = 140", "chipping = -1", "per_return"),
        ("per_return = {", "per_return = 3 #", "per_return"),
        ("per_minute = 0.75", "per_minute = -0.75", "per_minute"),
        ('currency = "EUR"', "currency = 3", "currency"),
        ('currency = "EUR"', 'curency = "EUR"', "curency"),
    ],
)
def test_one_mistake_is_found_where_it_is(old: str, new: str, key: str) -> None:
    assert ACTIONS.count(old) == 1
    text = ACTIONS.replace(old, new)
    ((_, found_key, line),) = mistakes(text)
    assert found_key == key
    assert line is not None
    assert 1 <= line <= len(text.splitlines())


def test_all_mistakes_at_once() -> None:
    text = ACTIONS.replace("0.9", "9").replace("framework_mm = 1", "framework_mm = 0").replace("chipping", "chiping")
    assert mistakes(text) == [
        ("[[action]] 1", "corrects", 4),
        ("[[action]] 2", "corrects", 12),
        ("[costs]", "per_return", 16),
    ]
    with pytest.raises(InputError, match="Did you mean chipping"):
        parse_actions(text, file="actions.toml")


@pytest.mark.parametrize("text", ["", "# nothing", "costs = 3", "action = 3", "actions = []", "[[action]", "[costs"])
def test_files_that_are_something_else(text: str) -> None:
    assert len(mistakes(text)) == 1


def test_unknown_factors_are_told_not_refused() -> None:
    actions, _ = parse_actions(ACTIONS, file="actions.toml")
    assert unknown_factors(actions, parse_standard(STANDARD, file="x")) == ("veneer_mm", "framework_mm")


def test_saving_twice_changes_nothing(store: Store) -> None:
    assert load_actions(store) == ()
    assert load_costs(store) == Costs()
    actions, costs = parse_actions(ACTIONS, file="actions.toml")
    assert save_actions(store, actions, costs, who="QA") == (2, 0, 0)
    version = store.data_version()
    assert save_actions(store, actions, costs, who="QA") == (0, 0, 2)
    assert store.data_version() == version
    assert (load_actions(store), load_costs(store)) == (actions, costs)


def test_a_changed_action_replaces_and_nothing_is_deleted(store: Store) -> None:
    actions, costs = parse_actions(ACTIONS, file="actions.toml")
    save_actions(store, actions, costs, who="QA")
    dearer = replace(actions[0], cost_once=200.0)
    added = replace(actions[0], action="reminder")
    # No costs in the new file: the stored ones stay.
    assert save_actions(store, [dearer, added], None, who="QA") == (1, 1, 0)
    assert load_actions(store) == (dearer, actions[1], added)
    assert load_costs(store) == costs


def test_new_costs_alone_are_taken_and_audited(store: Store) -> None:
    actions, costs = parse_actions(ACTIONS, file="actions.toml")
    save_actions(store, actions, costs, who="QA")
    version = store.data_version()
    assert save_actions(store, actions, Costs(per_minute=1.0, currency="EUR"), who="QA") == (0, 0, 2)
    assert load_costs(store) == Costs(per_minute=1.0, currency="EUR")
    assert store.data_version() > version


@pytest.mark.parametrize("before", [True, False])
def test_undo_gives_back_what_was_there(store: Store, before: bool) -> None:
    actions, costs = parse_actions(ACTIONS, file="actions.toml")
    if before:
        save_actions(store, actions, costs, who="QA")
    former = (load_actions(store), load_costs(store))
    changed = [replace(actions[0], corrects={"bond_wait": 0.5}), replace(actions[1], action="other")]
    row = {"at": now(), "who": "QA", "file": "actions.toml", "table_name": "actions", "sha256": "0"}
    with store.writer(may="import lists") as connection:
        (batch,) = connection.execute(schema.imports.insert().values(row)).inserted_primary_key or (0,)
        write_actions(connection, changed, Costs(per_minute=2.0), import_id=batch)
    assert (load_actions(store), load_costs(store)) != former
    with store.writer(may="import lists") as connection:
        assert undo_actions(connection, batch) == 2
    assert (load_actions(store), load_costs(store)) == former

"""Costs and corrective actions changed by a person; what ends is kept."""

from __future__ import annotations

from dataclasses import replace

import pytest

from remakes.errors import EntryError, NotAllowedError
from remakes.records.change_log import read_changes
from remakes.records.changed_meanwhile import ChangedMeanwhileError
from remakes.records.corrective_actions import (
    CorrectiveAction,
    Costs,
    load_actions,
    load_costs,
    parse_actions,
    save_actions,
)
from remakes.records.cost_edits import (
    actions_as_toml,
    add_action,
    change_action,
    change_costs,
    changed_amounts,
    end_action,
    ended_actions,
    take_up_again,
)
from remakes.records.permissions import Actor
from remakes.records.standard import parse_standard, save_standard
from remakes.records.store import Store

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
TIMER = CorrectiveAction(action="timer", title="A timer", corrects={"bond_wait": 0.9}, cost_once=120.0)
COSTS = Costs(per_minute=0.75, per_return={"chipping": 140.5}, default_per_return=90.0, currency="EUR")


@pytest.fixture
def kept(lab: Store) -> Store:
    save_standard(lab, parse_standard(STANDARD, file="s"), who="QA")
    save_actions(lab, [TIMER], COSTS, who="QA")
    return lab


def test_costs_are_changed_with_before_and_after(kept: Store) -> None:
    new = replace(COSTS, per_return={"chipping": 150.0, "debonding": 200.0})
    before = kept.figures_version()
    change_costs(kept, COSTS, new, who="M1")
    assert load_costs(kept) == new
    assert kept.figures_version() > before
    line = read_changes(kept).changes[0]
    assert line.before_and_after() == (("per_return", "chipping: 140.5", "chipping: 150, debonding: 200"),)
    assert changed_amounts(COSTS, new) == ("per_return",)
    with pytest.raises(ChangedMeanwhileError, match="M1") as refused:
        change_costs(kept, COSTS, COSTS, who="M2")
    assert refused.value.theirs == new


def test_costs_that_change_nothing_leave_no_line(kept: Store) -> None:
    before = kept.data_version()
    change_costs(kept, COSTS, COSTS, who="M1")
    assert kept.data_version() == before


def test_the_rules_of_the_file_hold(kept: Store) -> None:
    with pytest.raises(EntryError, match="0 or more"):
        change_costs(kept, COSTS, replace(COSTS, per_minute=-1.0), who="M1")
    with pytest.raises(EntryError, match="no such defect"):
        change_costs(kept, COSTS, replace(COSTS, per_return={"melting": 1.0}), who="M1")
    with pytest.raises(EntryError, match="above 0 and at most 1"):
        change_action(kept, TIMER, replace(TIMER, corrects={"bond_wait": 1.5}), who="M1")
    with pytest.raises(EntryError, match="no requirement grit"):
        add_action(kept, replace(TIMER, action="grit", corrects={"grit": 0.5}), who="M1")
    with pytest.raises(EntryError, match="already"):
        add_action(kept, TIMER, who="M1")
    assert (load_actions(kept), load_costs(kept)) == ((TIMER,), COSTS)


def test_an_action_is_changed_under_its_name(kept: Store) -> None:
    cheaper = replace(TIMER, cost_once=60.0)
    change_action(kept, TIMER, cheaper, who="M1")
    assert load_actions(kept) == (cheaper,)
    with pytest.raises(ChangedMeanwhileError, match="M1"):
        change_action(kept, TIMER, replace(TIMER, title="Mine"), who="M2")
    with pytest.raises(EntryError, match="name"):
        change_action(kept, cheaper, replace(cheaper, action="clock"), who="M1")


def test_what_ends_is_kept_and_can_come_back(kept: Store) -> None:
    with pytest.raises(EntryError, match="reason"):
        end_action(kept, TIMER, who="M1", why="")
    end_action(kept, TIMER, who="M1", why="replaced by the gauge")
    assert load_actions(kept) == ()
    (ended,) = ended_actions(kept)
    assert (ended.action, ended.who, ended.why) == (TIMER, "M1", "replaced by the gauge")
    with pytest.raises(ChangedMeanwhileError):
        change_action(kept, TIMER, TIMER, who="M2")
    assert take_up_again(kept, "timer", who="M1") == TIMER
    assert load_actions(kept) == (TIMER,)
    assert ended_actions(kept) == ()
    with pytest.raises(EntryError, match="not among"):
        take_up_again(kept, "timer", who="M1")
    assert [one.what for one in read_changes(kept).changes][:2] == ["take action up again", "end action"]


def test_the_file_gives_the_same_list(kept: Store) -> None:
    text = actions_as_toml(load_actions(kept), load_costs(kept))
    assert parse_actions(text, file="actions.toml") == ((TIMER,), COSTS)
    assert save_actions(kept, *parse_actions(text, file="a"), who="M1") == (0, 0, 1)


def test_only_a_manager_changes_costs(kept: Store) -> None:
    quality = kept.acting_as(Actor(code="Q1", roles=frozenset({"quality"})))
    with pytest.raises(NotAllowedError, match="change costs"):
        change_costs(quality, COSTS, replace(COSTS, per_minute=1.0), who="Q1")
    with pytest.raises(NotAllowedError):
        end_action(quality, TIMER, who="Q1", why="x")
    assert (load_actions(kept), load_costs(kept)) == ((TIMER,), COSTS)

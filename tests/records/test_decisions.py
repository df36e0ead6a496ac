"""The life of a corrective action: what may follow on what, what stands once it is decided, and who may do it."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import func, select
from sqlalchemy.exc import DBAPIError, IntegrityError

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.corrective_actions import CorrectiveAction, save_actions
from remakes.records.decisions import (
    OPEN,
    VERDICTS,
    Decision,
    DecisionChangedError,
    JudgingRule,
    decide,
    judge,
    list_decisions,
    load_decision,
    postpone,
    propose,
    start,
    withdraw,
)
from remakes.records.store import Store, open_store
from remakes.records.typed_text import LONGEST_CODE, LONGEST_LINE, LONGEST_NOTE
from remakes.records.upkeep import backup, check
from tests.new_stores import new_store

TODAY = date(2026, 4, 1)
RULE = JudgingRule(factors=("bond_wait",), defects=("debonding", "chipping"))
AGREED: dict[str, Any] = {
    "owner_role": "bench lead",
    "owner_code": "T3",
    "starts_on": date(2026, 4, 8),
    "due_on": date(2027, 4, 8),
    "rule": RULE,
    "who": "manager M1",
    "role": "manager",
    "today": TODAY,
}
ACTION = CorrectiveAction(action="bond_timer", title="Timer at the bonding bench", corrects={"bond_wait": 0.9})
JUDGED: dict[str, Any] = {"note": "12 instead of 21 expected", "who": "manager M1", "role": "manager"}


def day(n: int) -> date:
    return TODAY + timedelta(days=n)


def with_actions(store: Store) -> Store:
    other = CorrectiveAction(action="gauge", title="Gauge at the thin sites", corrects={"veneer_mm": 0.8})
    save_actions(store, [ACTION, other], None, who="QA")
    return store


@pytest.fixture
def listed(store: Store) -> Store:
    """The list of actions in a store of each kind."""
    return with_actions(store)


@pytest.fixture
def on_file(tmp_path: Path) -> Iterator[Store]:
    """The same in a file only, for what no database decides."""
    opened = new_store(tmp_path / "lab.sqlite")
    yield with_actions(opened)
    opened.close()


def proposed(store: Store, **values: Any) -> Decision:
    return propose(store, **({"action": "bond_timer", "who": "quality Q1"} | values))


def decided(store: Store, **values: Any) -> Decision:
    one = proposed(store)
    return decide(store, one.decision_id, **(AGREED | {"version": one.version} | values))


def running(store: Store) -> Decision:
    one = decided(store)
    return start(store, one.decision_id, who="bench lead T3", version=2, today=AGREED["starts_on"])


def rows(store: Store) -> list[int]:
    """How many decisions, events and lines of the audit there are."""
    tables = (schema.decisions, schema.decision_events, schema.audit)
    with store.reader() as connection:
        return [connection.scalar(select(func.count()).select_from(table)) or 0 for table in tables]


def change(store: Store, statement: str) -> None:
    with store.writer(may="import lists") as connection:
        connection.exec_driver_sql(statement)


def test_an_action_lives_from_proposal_to_verdict(listed: Store) -> None:
    one = proposed(listed, correction="Six crowns of lot 7 re-bonded", note="debonding in March")
    assert (one.status, one.version, one.is_open) == ("proposed", 1, True)
    assert (one.action, one.title, dict(one.corrects)) == (ACTION.action, ACTION.title, {"bond_wait": 0.9})
    assert (one.rule, one.decided_on, one.owner_code) == (None, None, "")
    one = decide(listed, one.decision_id, **AGREED, version=1)
    assert (one.status, one.decided_on, one.rule) == ("decided", TODAY, RULE)
    # What was done about the restorations at hand stays beside the action, and what was proposed is kept.
    assert (one.correction, one.note) == ("Six crowns of lot 7 re-bonded", "debonding in March")
    one = start(listed, one.decision_id, who="bench lead T3", version=2, today=date(2026, 4, 8))
    assert (one.status, one.starts_on) == ("running", date(2026, 4, 8))
    one = judge(listed, one.decision_id, verdict="verified", version=3, today=date(2026, 12, 1), **JUDGED)
    assert (one.status, one.verdict, one.judged_on) == ("judged", "verified", date(2026, 12, 1))
    assert (one.note, one.is_open) == ("12 instead of 21 expected", False)
    assert [(event.who, event.from_status, event.to_status) for event in one.history] == [
        ("quality Q1", "", "proposed"),
        ("manager M1", "proposed", "decided"),
        ("bench lead T3", "decided", "running"),
        ("manager M1", "running", "judged"),
    ]
    assert one == load_decision(listed, one.decision_id)
    assert list_decisions(listed) == (one,)
    assert check_faults(listed) == []


def check_faults(store: Store) -> list[str]:
    return [finding.text for finding in check(store) if finding.severity == "fault"]


def test_every_step_is_audited_with_what_it_set(listed: Store) -> None:
    running(listed)
    with listed.reader() as connection:
        audit = schema.audit.c
        lines = connection.execute(select(schema.audit).where(audit.table_name == "decisions").order_by(audit.id)).all()
    assert [(line.what, line.who, line.row_key) for line in lines] == [
        ("propose action", "quality Q1", "1"),
        ("decide action", "manager M1", "1"),
        ("start action", "bench lead T3", "1"),
    ]
    assert lines[1].detail["rule"] == RULE.as_json()
    assert (lines[1].detail["starts_on"], lines[1].detail["owner_code"]) == ("2026-04-08", "T3")


def test_a_step_must_follow_on_the_one_before(on_file: Store) -> None:
    one = proposed(on_file)
    with pytest.raises(EntryError, match="proposed and cannot become running"):
        start(on_file, one.decision_id, who="T3", version=1, today=TODAY)
    with pytest.raises(EntryError, match="proposed and cannot become judged"):
        judge(on_file, one.decision_id, verdict="verified", version=1, today=day(400), **JUDGED)
    one = decide(on_file, one.decision_id, **AGREED, version=1)
    with pytest.raises(EntryError, match=r"decided and cannot become decided: it can become running or withdrawn"):
        decide(on_file, one.decision_id, **AGREED, version=2)
    one = withdraw(on_file, one.decision_id, why="no timer to be had", who="manager M1", role="manager", version=2)
    assert (one.status, one.note) == ("withdrawn", "no timer to be had")
    with pytest.raises(EntryError, match="propose the action anew"):
        withdraw(on_file, one.decision_id, why="twice", who="manager M1", role="manager", version=3)
    with pytest.raises(EntryError, match="no decision 7"):
        load_decision(on_file, 7)


def test_only_a_manager_decides_judges_and_gives_up_what_was_decided(on_file: Store) -> None:
    one = proposed(on_file)
    for role in ("quality", "technician", "", "Manager"):
        with pytest.raises(EntryError, match="Only the role manager decides"):
            decide(on_file, one.decision_id, **(AGREED | {"role": role}), version=1)
    one = withdraw(on_file, one.decision_id, why="slip", who="technician T1", role="technician", version=1)
    two = decided(on_file)
    with pytest.raises(EntryError, match="Only the role manager withdraws"):
        withdraw(on_file, two.decision_id, why="slip", who="technician T1", role="technician", version=2)
    start(on_file, two.decision_id, who="technician T3", version=2, today=day(7))
    with pytest.raises(EntryError, match="Only the role manager judges"):
        judge(
            on_file,
            two.decision_id,
            verdict="verified",
            version=3,
            today=day(99),
            **(JUDGED | {"role": "quality"}),
        )
    assert [one.status for one in list_decisions(on_file)] == ["running", "withdrawn"]


#: What is wrong with a decision, and a word of the refusal.
UNDECIDABLE: list[tuple[dict[str, Any], str]] = [
    ({"starts_on": day(-1)}, "must be fixed before the start"),
    ({"due_on": AGREED["starts_on"]}, "not after the start"),
    ({"due_on": day(-9)}, "not after the start"),
    ({"who": "  "}, "blank"),
    ({"owner_code": ""}, "pseudonym of the owner is blank"),
    ({"owner_role": ""}, "role of the owner is blank"),
    ({"owner_code": "Given Family"}, "names are not kept"),
    ({"owner_code": "T" * (LONGEST_CODE + 1)}, "at most 20"),
    ({"owner_role": "x" * (LONGEST_LINE + 1)}, "at most 60"),
    ({"owner_role": "bench\nlead"}, r"U\+000A"),
    ({"correction": "x" * (LONGEST_NOTE + 1)}, "2,001 signs"),
    ({"owner_role": "bench\u2028lead"}, r"U\+2028"),
    ({"note": "bell \a"}, r"U\+0007"),
    ({"note": "a half \ud83e"}, r"U\+D83E"),
    ({"correction": "\x00"}, r"U\+0000"),
    ({"rule": replace(RULE, factors=("bond_wait", "veneer_mm"))}, "veneer_mm, which bond_timer does not correct"),
]


def test_what_cannot_be_decided_leaves_nothing(on_file: Store) -> None:
    one = proposed(on_file)
    before = rows(on_file)
    for values, words in UNDECIDABLE:
        with pytest.raises(EntryError, match=words):
            decide(on_file, one.decision_id, **(AGREED | {"version": 1} | values))
    assert rows(on_file) == before
    assert load_decision(on_file, one.decision_id) == one


def test_texts_are_kept_as_written_but_for_blanks_around_them(listed: Store) -> None:
    one = decided(listed, correction="  Brücke „lose“ 🦷\r\nre-bonded\n", owner_code=" T3 ")
    assert (one.correction, one.owner_code) == ("Brücke „lose“ 🦷\nre-bonded", "T3")
    assert len(decided_anew(listed, correction="x" * LONGEST_NOTE).correction) == LONGEST_NOTE


def decided_anew(store: Store, **values: Any) -> Decision:
    for one in list_decisions(store, status=OPEN):
        withdraw(store, one.decision_id, why="x", who="manager M1", role="manager", version=one.version)
    return decided(store, **values)


def test_the_start_is_the_true_day_and_the_history_keeps_the_plan(on_file: Store) -> None:
    one = decided(on_file)
    for on, words in ((day(-1), "before the decision"), (day(40), "later than today"), (None, "later than today")):
        with pytest.raises(EntryError, match=words):
            start(on_file, one.decision_id, who="T3", version=2, on=on, today=day(3))
    with pytest.raises(EntryError, match="when it was to be judged"):
        start(on_file, one.decision_id, who="T3", version=2, on=AGREED["due_on"], today=day(999))
    one = start(on_file, one.decision_id, who="T3", version=2, on=day(20), note="late delivery", today=day(22))
    assert one.starts_on == day(20)
    assert one.history[-1].note == "Planned for 2026-04-08, began on 2026-04-21. late delivery"


LATER: dict[str, Any] = {
    "starts_on": day(30),
    "due_on": day(395),
    "who": "manager M1",
    "role": "manager",
    "why": "the timer is not delivered yet",
    "today": day(5),
}


def test_a_decided_action_may_begin_later_and_its_rule_stands(listed: Store) -> None:
    before = decided(listed)
    figures = listed.figures_version()
    after = postpone(listed, before.decision_id, version=2, **LATER)
    assert (after.status, after.version) == ("decided", 3)
    assert (after.starts_on, after.due_on) == (day(30), day(395))
    assert (after.rule, after.decided_on, after.owner_code) == (before.rule, before.decided_on, before.owner_code)
    step = after.history[-1]
    assert (step.from_status, step.to_status, step.who) == ("decided", "decided", "manager M1")
    assert step.note == (
        "Was to begin on 2026-04-08 and to be judged by 2027-04-08; now 2026-05-01 and 2027-05-01. "
        "the timer is not delivered yet"
    )
    with listed.reader() as connection:
        line = connection.execute(select(schema.audit).order_by(schema.audit.c.id.desc())).first()
    assert line is not None
    assert (line.what, line.row_key, line.detail["starts_on"]) == ("postpone action", "1", "2026-05-01")
    assert listed.figures_version() == figures
    one = start(listed, before.decision_id, who="bench lead T3", version=3, today=day(30))
    assert (one.status, one.starts_on) == ("running", day(30))
    assert check_faults(listed) == []


def test_what_has_begun_or_is_not_decided_cannot_be_postponed(listed: Store) -> None:
    one = proposed(listed)
    with pytest.raises(EntryError, match="only what is decided"):
        postpone(listed, one.decision_id, version=1, **LATER)
    one = decide(listed, one.decision_id, **AGREED, version=1)
    one = start(listed, one.decision_id, who="T3", version=2, today=AGREED["starts_on"])
    with pytest.raises(EntryError, match="only what is decided"):
        postpone(listed, one.decision_id, version=3, **LATER)
    # Nor past the rules of this program: the database refuses as well.
    with pytest.raises(DBAPIError, match="what was decided stands"):
        change(listed, "UPDATE decisions SET due_on = '2028-01-01'")
    assert load_decision(listed, one.decision_id).due_on == AGREED["due_on"]


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"starts_on": day(4)}, "is past"),
        ({"starts_on": day(6)}, "not later than the agreed one"),
        ({"due_on": day(394)}, "365 days were agreed on"),
        ({"due_on": day(20)}, "fewer"),
        ({"why": " "}, "reason is blank"),
        ({"role": "quality"}, "Only the role manager postpones"),
        ({"who": ""}, "is blank"),
    ],
)
def test_what_cannot_be_postponed_leaves_nothing(on_file: Store, changed: dict[str, Any], says: str) -> None:
    one = decided(on_file)
    held = rows(on_file)
    with pytest.raises(EntryError, match=says):
        postpone(on_file, one.decision_id, version=2, **(LATER | changed))
    assert rows(on_file) == held
    assert load_decision(on_file, one.decision_id) == one


def test_of_two_who_postpone_the_second_is_told(on_file: Store) -> None:
    one = decided(on_file)
    postpone(on_file, one.decision_id, version=2, **LATER)
    with pytest.raises(DecisionChangedError, match="by manager M1; it is decided now") as told:
        postpone(on_file, one.decision_id, version=2, **(LATER | {"starts_on": day(60), "due_on": day(500)}))
    assert told.value.decision.starts_on == day(30)


def test_an_action_may_start_on_the_day_it_is_decided(on_file: Store) -> None:
    one = decided(on_file, starts_on=TODAY)
    one = start(on_file, one.decision_id, who="T3", version=2, today=TODAY)
    assert one.decided_on == one.starts_on == TODAY


def test_a_verdict_needs_a_reason_and_time(on_file: Store) -> None:
    number = running(on_file).decision_id
    later: dict[str, Any] = {"version": 3, "today": day(90)} | JUDGED
    refused: list[tuple[dict[str, Any], str]] = [
        ({"verdict": "it worked"}, "no verdict. Choose one of: verified"),
        ({"verdict": "verified", "note": " "}, "what the verdict rests on"),
        ({"verdict": "verified", "today": AGREED["starts_on"]}, "nothing can have been seen"),
        ({"verdict": "too early"}, "no verdict before 2027-04-08"),
        ({"verdict": "on the way"}, "no verdict before 2027-04-08"),
    ]
    for values, words in refused:
        with pytest.raises(EntryError, match=words):
            judge(on_file, number, **(later | values))
    due = judge(on_file, number, verdict="too early", by_rule="on the way", **(later | {"today": AGREED["due_on"]}))
    assert due.verdict == "too early"
    assert due.note == "By the rule: on the way. 12 instead of 21 expected"


def test_two_browsers_cannot_overwrite_each_other(listed: Store) -> None:
    seen = proposed(listed)
    decide(listed, seen.decision_id, **AGREED, version=seen.version)
    before = rows(listed)
    with pytest.raises(DecisionChangedError, match=r"changed meanwhile by manager M1; it is decided now") as refused:
        withdraw(listed, seen.decision_id, why="slip", who="manager M2", role="manager", version=seen.version)
    assert (refused.value.decision.status, refused.value.decision.version) == ("decided", 2)
    assert rows(listed) == before


def test_of_four_who_decide_at_once_one_does(listed: Store) -> None:
    number = proposed(listed).decision_id

    def attempt(n: int) -> bool:
        try:
            decide(listed, number, **(AGREED | {"who": f"manager M{n}"}), version=1)
        except DecisionChangedError:
            return False
        return True

    with ThreadPoolExecutor(4) as browsers:
        outcomes = list(browsers.map(attempt, range(4)))
    assert sorted(outcomes) == [False, False, False, True]
    one = load_decision(listed, number)
    assert [event.who for event in one.history] == ["quality Q1", f"manager M{outcomes.index(True)}"]


def test_an_action_is_undertaken_once_at_a_time_and_may_be_again(listed: Store) -> None:
    first = running(listed)
    with pytest.raises(EntryError, match=rf"bond_timer is running already \(decision {first.decision_id}\)"):
        proposed(listed)
    judge(listed, first.decision_id, verdict="no effect", version=3, today=day(99), **JUDGED)
    again = proposed(listed)
    other = proposed(listed, action="gauge")
    assert [one.decision_id for one in list_decisions(listed, action="bond_timer")] == [
        again.decision_id,
        first.decision_id,
    ]
    assert {one.decision_id for one in list_decisions(listed, status=OPEN)} == {again.decision_id, other.decision_id}
    assert list_decisions(listed, status=()) == ()


def test_an_action_that_is_not_in_the_list_is_refused(on_file: Store) -> None:
    with pytest.raises(EntryError, match=r"no action 'bond_timr' .* Did you mean bond_timer\?"):
        proposed(on_file, action="bond_timr")
    with pytest.raises(EntryError, match="blank"):
        proposed(on_file, who="\t")
    assert list_decisions(on_file) == ()


def test_what_was_proposed_outlives_a_change_of_the_list(on_file: Store) -> None:
    one = running(on_file)
    save_actions(on_file, [replace(ACTION, title="Another timer", corrects={"veneer_mm": 0.1})], None, who="QA")
    assert load_decision(on_file, one.decision_id) == one


#: Statements, past all functions, against what was agreed and what happened.
BENDING = [
    "update decisions set rule = '{}'",
    "update decisions set rule = null, status = 'withdrawn'",
    "update decisions set decided_on = '2026-01-01'",
    "update decisions set due_on = '2030-01-01'",
    "update decisions set corrects = '{\"bond_wait\": 0.1}'",
    "update decisions set action = 'gauge'",
    "update decisions set starts_on = '2026-06-01'",
    "delete from decisions",
    "update decision_events set note = 'x'",
    "delete from decision_events",
]


def test_what_was_decided_cannot_be_bent_afterwards(listed: Store) -> None:
    one = running(listed)
    on_a_server = [] if listed.sqlite_path else ["truncate decision_events", "truncate decisions cascade"]
    for statement in BENDING + on_a_server:
        with pytest.raises(DBAPIError, match=r"stands|append-only|never deleted"):
            change(listed, statement)
    assert load_decision(listed, one.decision_id) == one


#: Rows that no decision can have.
IMPOSSIBLE = [
    "update decisions set status = 'forgotten'",
    "update decisions set status = 'decided'",
    "update decisions set status = 'judged'",
    "update decisions set starts_on = '2026-03-31', decided_on = '2026-04-01'",
    "update decisions set starts_on = '2026-04-01', due_on = '2026-04-01'",
]


def test_impossible_decisions_are_refused_by_the_database(listed: Store) -> None:
    one = proposed(listed)
    for statement in IMPOSSIBLE:
        with pytest.raises(IntegrityError):
            change(listed, statement)
    assert load_decision(listed, one.decision_id) == one


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"factors": ()}, "names no factor"),
        ({"factors": ("a", "a")}, "names a factor twice"),
        ({"defects": ()}, "names no defect"),
        ({"defects": ("debondin",)}, r"'debondin' is no defect of the records. Did you mean debonding\?"),
        ({"miss_share_down_by": 0.0}, "share of misses is 0.0"),
        ({"miss_share_down_by": 1.1}, "share of misses is 1.1"),
        ({"returns_down_by": 1.0}, "fall of returns is 1.0"),
        ({"returns_down_by": float("nan")}, "fall of returns is nan"),
        ({"months": 0}, "0 months"),
        ({"months": 37}, "37 months"),
        ({"months": 1.5}, "1.5 months"),
        ({"error": 0.0}, "rate of error is 0.0"),
        ({"error": 0.5}, "rate of error is 0.5"),
    ],
)
def test_a_rule_that_cannot_judge_is_refused(values: dict[str, Any], words: str) -> None:
    with pytest.raises(EntryError, match=words):
        replace(RULE, **values)


def test_every_mistake_of_a_rule_is_told_at_once() -> None:
    with pytest.raises(EntryError, match=r"names no factor.*fall of returns.*months"):
        JudgingRule(factors=(), defects=("debonding",), returns_down_by=2.0, months=99)


@given(
    factors=st.lists(st.text(min_size=1), min_size=1, max_size=4, unique=True),
    miss=st.floats(0.01, 1.0),
    fall=st.floats(0.01, 0.99),
    months=st.integers(1, 36),
)
def test_a_rule_comes_back_from_json_as_it_was(factors: list[str], miss: float, fall: float, months: int) -> None:
    rule = JudgingRule(
        factors=tuple(factors), defects=("chipping",), miss_share_down_by=miss, returns_down_by=fall, months=months
    )
    assert JudgingRule.from_json(json.loads(json.dumps(rule.as_json()))) == rule


def test_a_decision_is_handed_on_as_json(on_file: Store) -> None:
    one = running(on_file)
    said = json.loads(json.dumps(one.as_json(), allow_nan=False))
    assert (said["starts_on"], said["judged_on"], said["corrects"]) == ("2026-04-08", None, {"bond_wait": 0.9})
    assert said["rule"]["defects"] == ["debonding", "chipping"]
    assert [event["to_status"] for event in said["history"]] == ["proposed", "decided", "running"]


def test_what_is_late_is_seen(on_file: Store) -> None:
    one = decided(on_file)
    assert [one.overdue(day(n)) for n in (7, 8)] == [False, True]
    one = start(on_file, one.decision_id, who="T3", version=2, today=day(8))
    assert [one.overdue(today) for today in (day(8), date(2027, 4, 8), date(2027, 4, 9))] == [False, False, True]
    one = judge(on_file, one.decision_id, verdict="verified", version=3, today=date(2027, 5, 1), **JUDGED)
    assert not one.overdue(date(2028, 1, 1))


def test_the_check_finds_lost_history_and_what_cannot_be_followed_up(listed: Store) -> None:
    decided(listed)
    assert check_faults(listed) == []
    # The action leaves the list, as when the batch that brought it is undone; the standard never named its factor.
    change(listed, "delete from actions where action = 'bond_timer'")
    remarks = [finding.text for finding in check(listed) if "decision" in finding.text or "judged" in finding.text]
    assert remarks == [
        "1 open decision on an action that is no longer in the list (1: bond_timer).",
        "1 factor by which an action is to be judged, and which the standard does not name (1: bond_wait); "
        "it cannot be followed up. Bring a standard in that names it.",
    ]
    change(listed, "update decisions set status = 'running', version = 3")
    assert check_faults(listed) == ["1 decision whose history does not end where it stands (1). Restore a backup."]


def test_events_without_their_decision_are_a_fault(on_file: Store) -> None:
    with sqlite3.connect(str(on_file.sqlite_path)) as other:  # which does not ask for foreign keys
        other.execute(
            "insert into decision_events (decision_id, version, at, who, from_status, to_status, note) "
            "values (9, 1, '2026-04-01 00:00:00', 'QA', '', 'proposed', '')"
        )
    other.close()
    assert check_faults(on_file) == ["1 row (decision_events) whose parent row is lost. Restore a backup."]
    change(on_file, "drop trigger decisions_stand")
    assert "The decisions are no longer protected against changes. Restore a backup." in check_faults(on_file)


def test_a_backup_holds_the_decisions_and_guards_them(on_file: Store, tmp_path: Path) -> None:
    one = running(on_file)
    backup(on_file, tmp_path / "copy.sqlite")
    copy = open_store(str(tmp_path / "copy.sqlite"), create=False)
    assert load_decision(copy, one.decision_id) == one
    with pytest.raises(DBAPIError, match="never deleted"):
        change(copy, "delete from decisions")
    copy.close()


Step = Callable[[Store, Decision, date], Decision]
STEPS: dict[str, Step] = {
    "decide": lambda store, one, today: decide(
        store,
        one.decision_id,
        **(AGREED | {"starts_on": today, "due_on": today + timedelta(days=300), "today": today}),
        version=one.version,
    ),
    "start": lambda store, one, today: start(store, one.decision_id, who="T3", version=one.version, today=today),
    "judge": lambda store, one, today: judge(
        store,
        one.decision_id,
        verdict=VERDICTS[one.version % 4],
        by_rule="no effect",
        version=one.version,
        today=today,
        **JUDGED,
    ),
    "postpone": lambda store, one, today: postpone(
        store,
        one.decision_id,
        starts_on=today + timedelta(days=20),
        due_on=today + timedelta(days=420),
        why="x",
        who="manager M1",
        role="manager",
        version=one.version,
        today=today,
    ),
    "withdraw": lambda store, one, today: withdraw(
        store, one.decision_id, why="x", who="manager M1", role="manager", version=one.version
    ),
}


@pytest.fixture(scope="module")
def worn(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """A store that many lives pass through."""
    opened = new_store(tmp_path_factory.mktemp("worn") / "lab.sqlite")
    save_actions(opened, [ACTION], None, who="QA")
    yield opened
    opened.close()


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(tried=st.lists(st.tuples(st.sampled_from(sorted(STEPS)), st.integers(0, 400)), max_size=8))
def test_whatever_is_tried_the_history_holds_together(worn: Store, tried: list[tuple[str, int]]) -> None:
    one = propose(worn, action="bond_timer", who="QA")
    today, agreed = TODAY, None
    for step, days in tried:
        today += timedelta(days=days)
        try:
            one = STEPS[step](worn, one, today)
        except EntryError:
            assert load_decision(worn, one.decision_id) == one  # what was refused changed nothing
        agreed = agreed or (one.rule and (one.rule, one.decided_on))
        assert agreed is None or agreed == (one.rule, one.decided_on)
    assert one.version == len(one.history)
    assert [event.from_status for event in one.history] == ["", *(event.to_status for event in one.history[:-1])]
    assert one.history[-1].to_status == one.status
    if one.decided_on is not None:
        assert one.starts_on is not None
        assert one.due_on is not None
        assert one.decided_on <= one.starts_on < one.due_on
    assert (one.status == "judged") == (one.judged_on is not None) == bool(one.verdict)
    if one.is_open:
        withdraw(worn, one.decision_id, why="next", who="manager M1", role="manager", version=one.version)


def test_a_decision_leaves_the_figures_as_they_were(on_file: Store) -> None:
    figures, records = on_file.figures_version(), on_file.data_version()
    proposed(on_file)
    assert on_file.figures_version() == figures
    assert on_file.data_version() > records
    save_actions(on_file, [replace(ACTION, cost_once=7.0)], None, who="QA")
    assert on_file.figures_version() == on_file.data_version()

"""The life of a corrective action: proposed, decided, running, judged, or withdrawn.

::

    proposed ──► decided ──► running ──► judged
        │           │           │
        └───────────┴───────────┴──────► withdrawn

Every step holds the write lock, adds one line to the decision's own history and one to the audit, and is
saved whole or not at all. What a decision holds, and how it is read: see `undertakings`.

The rule for judging is fixed with the decision, the start cannot lie before it, and neither can be changed
afterwards: a rule chosen after a look at the outcome verifies whatever it is meant to. Deciding, judging
and giving up what was decided are the manager's. People stand here by role and pseudonym, never by name.
"""

from __future__ import annotations

from datetime import date
from typing import Any, Final

from sqlalchemy import Connection, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.cells import did_you_mean, shown
from remakes.records.decision_days import agreed_days, check_agreed, check_start, check_verdict
from remakes.records.decision_steps import DecisionChangedError, decision_before, first_step, next_step
from remakes.records.store import Store
from remakes.records.typed_text import note_text, one_line, pseudonym
from remakes.records.undertakings import (
    OPEN,
    STATUSES,
    VERDICTS,
    Decision,
    DecisionEvent,
    JudgingRule,
    Status,
    Verdict,
    list_decisions,
    load_decision,
)

__all__ = [
    "OPEN",
    "STATUSES",
    "VERDICTS",
    "Decision",
    "DecisionChangedError",
    "DecisionEvent",
    "JudgingRule",
    "Status",
    "Verdict",
    "decide",
    "judge",
    "list_decisions",
    "load_decision",
    "propose",
    "start",
    "withdraw",
]

_DECIDES: Final = "manager"


def propose(store: Store, *, action: str, who: str, correction: str = "", note: str = "") -> Decision:
    """Put one action of the lab's list up for decision.

    Parameters
    ----------
    action : str
        Its short name in the list of corrective actions; title and what it corrects are copied, since the
        list may change.
    who : str
        Role and pseudonym, for the history. Anybody may propose.
    correction : str
        What was done about the restorations at hand, if anything.
    note : str
        Why it is proposed.

    Returns
    -------
    Decision
        Proposed, version 1.

    Raises
    ------
    EntryError
        No such action, or it is proposed, decided or running already; no `who`; a faulty text.
    """
    texts = {"correction": note_text(correction, "correction"), "note": note_text(note, "note")}
    with store.writer(may="decide actions") as connection:
        values = _listed(connection, action.strip()) | texts
        _refuse_second(connection, values["action"])
        return first_step(store, connection, values, who=who)


def decide(
    store: Store,
    decision_id: int,
    *,
    owner_role: str,
    owner_code: str,
    starts_on: date,
    due_on: date,
    rule: JudgingRule,
    who: str,
    role: str,
    version: int,
    correction: str | None = None,
    note: str = "",
    today: date | None = None,
) -> Decision:
    """Decide that a proposed action is undertaken: who sees to it, when, and by which rule it is judged.

    Parameters
    ----------
    owner_role, owner_code : str
        Who sees to it, by role and pseudonym.
    starts_on : date
        The planned start, today or later: the rule is fixed before it.
    due_on : date
        By when it is judged; after the start.
    rule : JudgingRule
        Its factors are among those that the action corrects. From now on it stands.
    who, role : str
        Who decides; the role must be manager.
    version : int
        The decision's, as it was when it was looked at.
    correction : str, optional
        What was done about the restorations at hand; default: as proposed.
    today : date, optional
        Default: the calendar day of this machine; it becomes `decided_on`.

    Raises
    ------
    EntryError
        Not proposed, another role, a date or text that cannot be, or a factor the action does not correct.
    DecisionChangedError
        Changed since `version`.
    """
    _managers("decides", role)
    today = today or date.today()
    check_agreed(today, starts_on, due_on)
    note = note_text(note, "note")
    values: dict[str, Any] = {
        "owner_role": one_line(owner_role, "role of the owner"),
        "owner_code": pseudonym(owner_code, "pseudonym of the owner"),
        "decided_on": today,
        "starts_on": starts_on,
        "due_on": due_on,
        "rule": rule.as_json(),
    }
    if correction is not None:
        values["correction"] = note_text(correction, "correction")
    with store.writer(may="decide actions") as connection:
        before = decision_before(connection, decision_id, version, to="decided")
        foreign = [factor for factor in rule.factors if factor not in before.corrects]
        if foreign:
            raise EntryError(
                f"The rule looks at {', '.join(foreign)}, which {before.action} does not correct. "
                f"Choose among {', '.join(before.corrects)}, or propose the action that corrects it."
            )
        return next_step(store, connection, before, "decided", who=who, note=note, values=values)


def start(
    store: Store,
    decision_id: int,
    *,
    who: str,
    version: int,
    on: date | None = None,
    note: str = "",
    today: date | None = None,
) -> Decision:
    """Say that a decided action is being done at the bench.

    Parameters
    ----------
    who : str
        Role and pseudonym; the owner, as a rule.
    on : date, optional
        The first day it was done; default: the planned one. It takes the place of the planned start, which
        stays in the history. Not before the decision, not in the future, and before it is due.

    Raises
    ------
    EntryError
        Not decided, or a day that cannot be.
    DecisionChangedError
        Changed since `version`.
    """
    today = today or date.today()
    note = note_text(note, "note")
    with store.writer(may="decide actions") as connection:
        before = decision_before(connection, decision_id, version, to="running")
        planned = agreed_days(before).starts_on
        first = planned if on is None else on
        check_start(before, first, today)
        if first != planned:
            note = f"Planned for {planned.isoformat()}, began on {first.isoformat()}. {note}".strip()
        return next_step(store, connection, before, "running", who=who, note=note, values={"starts_on": first})


def judge(
    store: Store,
    decision_id: int,
    *,
    verdict: Verdict,
    note: str,
    who: str,
    role: str,
    version: int,
    by_rule: Verdict | None = None,
    today: date | None = None,
) -> Decision:
    """Close a running action with a verdict by the rule that was fixed before the start.

    Parameters
    ----------
    verdict : Verdict
        "verified" or "no effect" at any time; "on the way" and "too early" only once it is due, and then
        they mean that the records could not tell in that time.
    note : str
        What the verdict rests on: the figures, and what else was looked at.
    who, role : str
        Who judges; the role must be manager.
    by_rule : Verdict, optional
        What the rule came to on that day. It is kept in the note, above all where the verdict is another.

    Raises
    ------
    EntryError
        Not running, another role, no such verdict, no note, or no verdict yet.
    DecisionChangedError
        Changed since `version`.
    """
    _managers("judges", role)
    today = today or date.today()
    if verdict not in VERDICTS:
        raise EntryError(f"{shown(verdict)!r} is no verdict. Choose one of: {', '.join(VERDICTS)}.")
    note = note_text(note, "note", needed="Write what the verdict rests on.")
    if by_rule is not None:
        note = f"By the rule: {by_rule}. {note}"
    with store.writer(may="decide actions") as connection:
        before = decision_before(connection, decision_id, version, to="judged")
        check_verdict(before, verdict, today)
        values = {"verdict": verdict, "judged_on": today}
        return next_step(store, connection, before, "judged", who=who, note=note, values=values)


def withdraw(store: Store, decision_id: int, *, why: str, who: str, role: str, version: int) -> Decision:
    """Give an action up before it is judged; it is kept, with the reason.

    Parameters
    ----------
    why : str
        For the history.
    who, role : str
        Anybody may withdraw what is only proposed; what was decided, a manager.

    Raises
    ------
    EntryError
        Judged or withdrawn before, another role, or no reason.
    DecisionChangedError
        Changed since `version`.
    """
    why = note_text(why, "reason", needed="Write why it is given up; it is kept with the decision.")
    with store.writer(may="decide actions") as connection:
        before = decision_before(connection, decision_id, version, to="withdrawn")
        if before.status != "proposed":
            _managers("withdraws what was decided", role)
        return next_step(store, connection, before, "withdrawn", who=who, note=why, values={})


def _listed(connection: Connection, action: str) -> dict[str, Any]:
    """What a decision copies from the list of actions."""
    table = schema.actions
    query = select(table.c.action, table.c.title, table.c.corrects).where(table.c.action == action)
    row = connection.execute(query).one_or_none()
    if row is None:
        hint = did_you_mean(action, connection.scalars(select(table.c.action)).all())
        raise EntryError(
            f"There is no action {shown(action)!r} in the lab's list.{hint} "
            "Choose one of the list, or add it to the actions.toml and bring that in."
        )
    return dict(row._mapping)


def _refuse_second(connection: Connection, action: str) -> None:
    table = schema.decisions
    query = select(table.c.decision_id, table.c.status).where(table.c.action == action, table.c.status.in_(OPEN))
    other = connection.execute(query).first()
    if other is not None:
        raise EntryError(
            f"{action} is {other.status} already (decision {other.decision_id}). "
            "Go on with that one, or judge or withdraw it first."
        )


def _managers(does: str, role: str) -> None:
    if role != _DECIDES:
        raise EntryError(
            f"Only the role {_DECIDES} {does}; the role here is {shown(role) or 'blank'}. "
            f"Nothing was saved: ask a {_DECIDES}, or choose that role if it is yours."
        )

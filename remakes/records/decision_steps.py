"""One step in the life of a decision: whether it may be taken, and writing it down.

Inside a running write: the decision's row, one line of its own history, one line of the audit.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any, Final

from sqlalchemy import Connection, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.cells import did_you_mean, shown
from remakes.records.store import Store, now
from remakes.records.typed_text import one_line
from remakes.records.undertakings import OPEN, Decision, Status, read_decision
from remakes.texts import either, t

__all__ = [
    "DecisionChangedError",
    "decision_as_seen",
    "decision_before",
    "first_step",
    "listed_action",
    "next_step",
    "refuse_second",
]

_FOLLOWS: Final[Mapping[Status, tuple[Status, ...]]] = {
    "proposed": ("decided", "withdrawn"),
    "decided": ("running", "withdrawn"),
    "running": ("judged", "withdrawn"),
    "judged": (),
    "withdrawn": (),
}

_AUDITED_AS: Final[Mapping[Status, str]] = {
    "proposed": "propose action",
    "decided": "decide action",
    "running": "start action",
    "judged": "judge action",
    "withdrawn": "withdraw action",
}


class DecisionChangedError(EntryError):
    """Somebody else changed the decision since it was read; nothing was saved.

    Parameters
    ----------
    decision : Decision
        As it is now.
    """

    def __init__(self, decision: Decision) -> None:
        by = decision.history[-1].who if decision.history else ""
        super().__init__(
            t(
                "Decision {decision_id} was changed meanwhile by {by}; it is {status} now. Nothing was saved: load "
                "the page again, look at what was changed, and save again if it is still right."
                if by
                else "Decision {decision_id} was changed meanwhile; it is {status} now. Nothing was saved: load "
                "the page again, look at what was changed, and save again if it is still right.",
                decision_id=decision.decision_id,
                by=by,
                status=t(decision.status),
            )
        )
        self.decision = decision


def decision_as_seen(connection: Connection, decision_id: int, version: int) -> Decision:
    """The decision, if it still is what the caller looked at.

    Raises
    ------
    EntryError
        No such decision.
    DecisionChangedError
        Its version is another.
    """
    decision = read_decision(connection, decision_id)
    if decision.version != version:
        raise DecisionChangedError(decision)
    return decision


def decision_before(connection: Connection, decision_id: int, version: int, *, to: Status) -> Decision:
    """The decision, if it still is what the caller looked at and may go on to this status.

    Raises
    ------
    EntryError
        No such decision, or that status does not follow on its own.
    DecisionChangedError
        Its version is another.
    """
    decision = decision_as_seen(connection, decision_id, version)
    allowed = _FOLLOWS[decision.status]
    if to not in allowed:
        next_ones = (
            t("it can become {items}", items=either(t(one) for one in allowed))
            if allowed
            else t("that is its end; propose the action anew")
        )
        raise EntryError(
            t(
                "Decision {decision_id} is {status} and cannot become {to}: {next_ones}.",
                decision_id=decision_id,
                status=t(decision.status),
                to=t(to),
                next_ones=next_ones,
            )
        )
    return decision


def first_step(store: Store, connection: Connection, values: Mapping[str, Any], *, who: str) -> Decision:
    """Write a new proposal down; `values` are columns of the decisions."""
    row = {**values, "status": "proposed", "version": 1}
    (decision_id,) = connection.execute(schema.decisions.insert().values(row)).inserted_primary_key or (0,)
    what = _AUDITED_AS["proposed"]
    return _remember(store, connection, decision_id, None, what, who=who, note=values["note"], values=values)


def next_step(
    store: Store,
    connection: Connection,
    before: Decision,
    to: Status,
    *,
    who: str,
    note: str,
    values: Mapping[str, Any],
    audited_as: str = "",
) -> Decision:
    """Write the next step down; `values` are the columns that it changes. A blank note leaves the former one.

    `audited_as` is for a step that leaves the status as it is; otherwise the status tells.
    """
    table = schema.decisions
    row = {**values, "status": to, "version": before.version + 1, "note": note or before.note}
    connection.execute(table.update().where(table.c.decision_id == before.decision_id).values(row))
    what = audited_as or _AUDITED_AS[to]
    return _remember(store, connection, before.decision_id, before.status, what, who=who, note=note, values=values)


def listed_action(connection: Connection, action: str) -> dict[str, Any]:
    """What a decision copies from the list of actions.

    Raises
    ------
    EntryError
        The list has no such action.
    """
    table = schema.actions
    query = select(table.c.action, table.c.title, table.c.corrects).where(table.c.action == action)
    row = connection.execute(query).one_or_none()
    if row is None:
        hint = did_you_mean(action, connection.scalars(select(table.c.action)).all())
        raise EntryError(
            t(
                "There is no action {shown!r} in the lab's list.{hint} Choose one of the list, or add it to "
                "the actions.toml and bring that in.",
                shown=shown(action),
                hint=hint,
            )
        )
    return dict(row._mapping)


def refuse_second(connection: Connection, action: str) -> None:
    """Refuse an action that is proposed, decided or running already."""
    table = schema.decisions
    query = select(table.c.decision_id, table.c.status).where(table.c.action == action, table.c.status.in_(OPEN))
    other = connection.execute(query).first()
    if other is not None:
        raise EntryError(
            t(
                "{action} is {status} already (decision {decision_id}). Go on with that one, or judge or "
                "withdraw it first.",
                action=action,
                status=t(other.status),
                decision_id=other.decision_id,
            )
        )


def _remember(
    store: Store,
    connection: Connection,
    decision_id: int,
    former: Status | None,
    what: str,
    *,
    who: str,
    note: str,
    values: Mapping[str, Any],
) -> Decision:
    who = one_line(who, t("pseudonym of who writes this"))
    after = read_decision(connection, decision_id)
    event = {
        "decision_id": decision_id,
        "version": after.version,
        "at": now(),
        "who": who,
        "from_status": former or "",
        "to_status": after.status,
        "note": note,
    }
    connection.execute(schema.decision_events.insert(), event)
    detail = {name: value.isoformat() if isinstance(value, date) else value for name, value in values.items()}
    if note:
        detail["note"] = note
    store.note(
        connection,
        who=who,
        what=what,
        table=schema.decisions.name,
        key=str(decision_id),
        detail=detail,
    )
    return read_decision(connection, decision_id)

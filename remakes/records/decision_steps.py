"""One step in the life of a decision: whether it may be taken, and writing it down.

Inside a running write: the decision's row, one line of its own history, one line of the audit.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any, Final

from sqlalchemy import Connection

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.store import Store, now
from remakes.records.typed_text import one_line
from remakes.records.undertakings import Decision, Status, read_decision

__all__ = ["DecisionChangedError", "decision_before", "first_step", "next_step"]

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
        by = f" by {decision.history[-1].who}" if decision.history else ""
        super().__init__(
            f"Decision {decision.decision_id} was changed meanwhile{by}; it is {decision.status} now. "
            "Nothing was saved: load the page again, look at what was changed, and save again if it is still right."
        )
        self.decision = decision


def decision_before(connection: Connection, decision_id: int, version: int, *, to: Status) -> Decision:
    """The decision, if it still is what the caller looked at and may go on to this status.

    Raises
    ------
    EntryError
        No such decision, or that status does not follow on its own.
    DecisionChangedError
        Its version is another.
    """
    decision = read_decision(connection, decision_id)
    if decision.version != version:
        raise DecisionChangedError(decision)
    allowed = _FOLLOWS[decision.status]
    if to not in allowed:
        next_ones = f"it can become {' or '.join(allowed)}" if allowed else "that is its end; propose the action anew"
        raise EntryError(f"Decision {decision_id} is {decision.status} and cannot become {to}: {next_ones}.")
    return decision


def first_step(store: Store, connection: Connection, values: Mapping[str, Any], *, who: str) -> Decision:
    """Write a new proposal down; `values` are columns of the decisions."""
    row = {**values, "status": "proposed", "version": 1}
    (decision_id,) = connection.execute(schema.decisions.insert().values(row)).inserted_primary_key or (0,)
    return _remember(store, connection, decision_id, None, who=who, note=values["note"], values=values)


def next_step(
    store: Store,
    connection: Connection,
    before: Decision,
    to: Status,
    *,
    who: str,
    note: str,
    values: Mapping[str, Any],
) -> Decision:
    """Write the next step down; `values` are the columns that it changes. A blank note leaves the former one."""
    table = schema.decisions
    row = {**values, "status": to, "version": before.version + 1, "note": note or before.note}
    connection.execute(table.update().where(table.c.decision_id == before.decision_id).values(row))
    return _remember(store, connection, before.decision_id, before.status, who=who, note=note, values=values)


def _remember(
    store: Store,
    connection: Connection,
    decision_id: int,
    former: Status | None,
    *,
    who: str,
    note: str,
    values: Mapping[str, Any],
) -> Decision:
    who = one_line(who, "pseudonym of who writes this")
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
        what=_AUDITED_AS[after.status],
        table=schema.decisions.name,
        key=str(decision_id),
        detail=detail,
    )
    return read_decision(connection, decision_id)

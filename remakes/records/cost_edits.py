"""Costs and the list of corrective actions changed by a person, one at a time.

The rules of what they may say are those of the file of actions: every change is written as that file and read back.
An action that is ended leaves the list, and is kept beside it with who ended it, when and why.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy import Connection, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.changed_meanwhile import changed_meanwhile
from remakes.records.corrective_actions import (
    ActionsFileError,
    CorrectiveAction,
    Costs,
    parse_actions,
    read_actions,
    read_costs,
    write_costs,
)
from remakes.records.standard import read_standard
from remakes.records.standard_text import refuse
from remakes.records.store import Store, now
from remakes.records.toml_writing import block
from remakes.records.typed_text import note_text
from remakes.texts import t

__all__ = [
    "EndedAction",
    "actions_as_toml",
    "add_action",
    "change_action",
    "change_costs",
    "changed_amounts",
    "end_action",
    "ended_actions",
    "take_up_again",
]

_ENDED: Final = "ended_actions"
_COSTS: Final = "costs"


@dataclass(frozen=True, slots=True, kw_only=True)
class EndedAction:
    """An action that left the list. `at` in UTC."""

    action: CorrectiveAction
    who: str
    at: datetime
    why: str


def change_costs(store: Store, opened: Costs, new: Costs, *, who: str) -> Costs:
    """The lab's own rates are others from now on.

    Parameters
    ----------
    opened : Costs
        As they stood when the person opened them.
    who : str
        Pseudonym of the person, for the audit.

    Raises
    ------
    ChangedMeanwhileError
        They were changed after that.
    EntryError
        What the file of actions would be refused for: an unknown defect, an amount below 0.
    """
    new = _checked((), new)[1] or Costs()
    with store.writer(may="change costs") as connection:
        theirs = read_costs(connection)
        if theirs != opened:
            what = t("The list of costs")
            raise changed_meanwhile(connection, what, theirs=theirs, tables=("settings", "actions"), key=_COSTS)
        if new != theirs:
            write_costs(connection, new)
            detail = {"before": asdict(theirs), "after": asdict(new)}
            # Named as undoing an import looks for it.
            store.note(connection, who=who, what="change costs", table="settings", key=_COSTS, detail=detail)
    return new


def add_action(store: Store, new: CorrectiveAction, *, who: str) -> CorrectiveAction:
    """An action that the list did not have.

    Raises
    ------
    EntryError
        There is one of this name, a factor is unknown to the standard, or what the file of actions would be
        refused for.
    """
    with store.writer(may="change costs") as connection:
        new = _known(connection, _one(new))
        if any(one.action == new.action for one in read_actions(connection)):
            raise EntryError(t("There is an action “{name}” already. Give another name.", name=new.action))
        connection.execute(schema.actions.insert(), asdict(new))
        _note(store, connection, who=who, what="add action", before=None, after=new)
    return new


def change_action(store: Store, opened: CorrectiveAction, new: CorrectiveAction, *, who: str) -> CorrectiveAction:
    """An action of the list says, corrects or costs something else; its name stays.

    Raises
    ------
    ChangedMeanwhileError
        It was changed, or left the list, after it was opened.
    EntryError
        A factor that is unknown to the standard, or what the file of actions would be refused for.
    """
    with store.writer(may="change costs") as connection:
        _as_opened(connection, opened)
        new = _known(connection, _one(new))
        if new.action != opened.action:
            raise EntryError(
                t("The name “{name}” stays: decisions refer to it. Add another action.", name=opened.action)
            )
        if new != opened:
            table = schema.actions
            connection.execute(table.update().where(table.c.action == new.action).values(asdict(new)))
            _note(store, connection, who=who, what="change action", before=opened, after=new)
    return new


def end_action(store: Store, opened: CorrectiveAction, *, who: str, why: str) -> None:
    """An action leaves the list: it is ranked no more, and kept among those that were ended.

    Decisions on it stand; they hold a copy of what was decided.

    Raises
    ------
    ChangedMeanwhileError
        It was changed, or left the list, after it was opened.
    EntryError
        No reason.
    """
    why = note_text(why, t("reason"), needed=t("Say in a few words why; it is kept with the action."))
    with store.writer(may="change costs") as connection:
        _as_opened(connection, opened)
        kept = dict(_ended(connection))
        kept[opened.action] = {"content": asdict(opened), "who": who, "at": now().isoformat(), "why": why}
        _keep_ended(connection, kept)
        # The row moves to the ended ones, whole; the list of actions is what is ranked.
        connection.execute(schema.actions.delete().where(schema.actions.c.action == opened.action))
        _note(store, connection, who=who, what="end action", before=opened, after=None, why=why)


def take_up_again(store: Store, name: str, *, who: str) -> CorrectiveAction:
    """Put an action that was ended back into the list, as it was.

    Raises
    ------
    EntryError
        None of this name was ended, or the list has one of this name again.
    """
    with store.writer(may="change costs") as connection:
        kept = dict(_ended(connection))
        if name not in kept or any(one.action == name for one in read_actions(connection)):
            raise EntryError(t("“{name}” is not among the actions that were ended. Look at the list again.", name=name))
        action = CorrectiveAction(**kept.pop(name)["content"])
        _keep_ended(connection, kept)
        connection.execute(schema.actions.insert(), asdict(action))
        _note(store, connection, who=who, what="take action up again", before=None, after=action)
    return action


def ended_actions(store: Store) -> tuple[EndedAction, ...]:
    """The actions that left the list and have not come back, the latest first."""
    with store.reader() as connection:
        kept = _ended(connection)
        listed = {one.action for one in read_actions(connection)}
    found = [
        EndedAction(
            action=CorrectiveAction(**one["content"]),
            who=one["who"],
            at=datetime.fromisoformat(one["at"]),
            why=one["why"],
        )
        for name, one in kept.items()
        if name not in listed
    ]
    return tuple(sorted(found, key=lambda one: one.at, reverse=True))


def changed_amounts(before: Costs | CorrectiveAction, after: Costs | CorrectiveAction) -> tuple[str, ...]:
    """The fields in which two `Costs`, or two `CorrectiveAction`s, differ; in the order of the fields."""
    former, newer = asdict(before), asdict(after)
    return tuple(name for name in former if former[name] != newer[name])


def actions_as_toml(actions: Sequence[CorrectiveAction], costs: Costs | None) -> str:
    """Actions and costs as the file that a person edits and the importer reads."""
    blocks = [block("[[action]]", asdict(one)) for one in actions]
    if costs is not None:
        blocks.insert(0, block("[costs]", asdict(costs)))
    return "\n\n".join(blocks) + "\n"


def _checked(
    actions: Sequence[CorrectiveAction], costs: Costs | None
) -> tuple[tuple[CorrectiveAction, ...], Costs | None]:
    """Actions and costs as the file would be read; refused for what it would be refused for."""
    try:
        return parse_actions(actions_as_toml(actions, costs), file="actions")
    except ActionsFileError as error:
        refuse(error.mistakes)
        raise


def _one(new: CorrectiveAction) -> CorrectiveAction:
    (checked,) = _checked((new,), None)[0]
    return checked


def _known(connection: Connection, new: CorrectiveAction) -> CorrectiveAction:
    known = read_standard(connection).factors
    strange = [factor for factor in new.corrects if factor not in known]
    if strange:
        raise EntryError(
            t(
                "The standard has no requirement {factors}, so nothing would be corrected. Choose one that it has.",
                factors=", ".join(strange),
            )
        )
    return new


def _as_opened(connection: Connection, opened: CorrectiveAction) -> None:
    theirs = next((one for one in read_actions(connection) if one.action == opened.action), None)
    if theirs != opened:
        what = t("The action “{name}”", name=opened.action)
        raise changed_meanwhile(connection, what, theirs=theirs, tables=("actions",), key=opened.action)


def _ended(connection: Connection) -> Mapping[str, Any]:
    settings = schema.settings.c
    return connection.scalar(select(settings.value).where(settings.key == _ENDED)) or {}


def _keep_ended(connection: Connection, kept: Mapping[str, Any]) -> None:
    connection.execute(schema.settings.delete().where(schema.settings.c.key == _ENDED))
    connection.execute(schema.settings.insert(), {"key": _ENDED, "value": dict(kept)})


def _note(
    store: Store,
    connection: Connection,
    *,
    who: str,
    what: str,
    before: CorrectiveAction | None,
    after: CorrectiveAction | None,
    why: str = "",
) -> None:
    detail: dict[str, Any] = {
        "before": None if before is None else asdict(before),
        "after": None if after is None else asdict(after),
    }
    if why:
        detail["why"] = why
    one = after or before
    store.note(connection, who=who, what=what, table="actions", key=one.action if one else None, detail=detail)

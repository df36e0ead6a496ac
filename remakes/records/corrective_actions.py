"""Corrective actions: what the lab could change, which missed requirements that removes, and what it costs.

`parse_actions` reads the file a person edits and lists every mistake at once; `save_actions` adds to
what the store holds and deletes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from sqlalchemy import Connection, select

from remakes.errors import InputError
from remakes.records import schema
from remakes.records.before_images import keep_before
from remakes.records.cells import did_you_mean
from remakes.records.codes import DEFECTS
from remakes.records.requirements import ProcessStandard
from remakes.records.store import Store
from remakes.records.toml_blocks import Block, Blocks, MistakesError
from remakes.texts import t

__all__ = [
    "ActionsFileError",
    "CorrectiveAction",
    "Costs",
    "load_actions",
    "load_costs",
    "parse_actions",
    "read_actions",
    "read_costs",
    "save_actions",
    "undo_actions",
    "unknown_factors",
    "write_actions",
    "write_costs",
]

_COSTS = "costs"
_AMOUNTS = ("cost_once", "cost_per_restoration", "minutes_per_restoration")


class ActionsFileError(MistakesError, InputError):
    """A file of corrective actions with mistakes; nothing of it was taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectiveAction:
    """One thing the lab could change. Costs in the lab's own currency."""

    action: str
    title: str
    #: Factor to the share of its missed requirements that the action removes, in (0, 1].
    corrects: Mapping[str, float] = field(hash=False)
    cost_once: float = 0.0
    cost_per_restoration: float = 0.0
    minutes_per_restoration: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """The lab's own rates, in its own currency; all zero and the currency blank where none were stated."""

    #: One minute of work.
    per_minute: float = 0.0
    #: Defect to what one return with it costs the lab.
    per_return: Mapping[str, float] = field(default_factory=dict, hash=False)
    #: The same for the defects that `per_return` does not name.
    default_per_return: float = 0.0
    currency: str = ""

    def of_return(self, defect: str) -> float:
        """What one return with this defect costs the lab."""
        return self.per_return.get(defect, self.default_per_return)


def parse_actions(text: str, *, file: str) -> tuple[tuple[CorrectiveAction, ...], Costs | None]:
    """Read a file of corrective actions and costs, or say everything that is wrong with it.

    Parameters
    ----------
    text : str
        The content of the TOML file.
    file : str
        Its name, for the messages.

    Returns
    -------
    actions, costs
        In the order of the file; costs None where the file has no `[costs]`. Whether the standard
        knows the factors is not asked here: see `unknown_factors`.

    Raises
    ------
    ActionsFileError
        Any mistake; the error lists them all, with block, key and line.
    """
    blocks = Blocks(text)
    if not blocks.readable:
        raise ActionsFileError(file, blocks.in_order())
    blocks.top().only(("action", "costs"))
    found = blocks.tables("action")
    actions = tuple(_action(block) for block in found)
    first: dict[str, int] = {}
    for n, (block, one) in enumerate(zip(found, actions, strict=True), start=1):
        if one.action and first.setdefault(one.action, n) != n:
            block.mistake(
                "action",
                t("block {first} has this name already; needed is another", first=first[one.action]),
                seen=one.action,
            )
    costs_block = blocks.table("costs")
    costs = None if costs_block is None else _costs(costs_block)
    if not blocks.content:
        blocks.top().mistake("action", t("needed is at least one block [[action]], or [costs]"))
    if blocks.mistakes:
        raise ActionsFileError(file, blocks.in_order())
    return actions, costs


def unknown_factors(actions: Sequence[CorrectiveAction], standard: ProcessStandard) -> tuple[str, ...]:
    """Which factors do the actions name that the standard does not? In the order they are named."""
    known = set(standard.factors)
    named = dict.fromkeys(factor for action in actions for factor in action.corrects)
    return tuple(factor for factor in named if factor not in known)


def save_actions(
    store: Store,
    actions: Sequence[CorrectiveAction],
    costs: Costs | None,
    *,
    who: str,
    import_id: int | None = None,
) -> tuple[int, int, int]:
    """Take actions and costs into the store, in a write of its own; see `write_actions`.

    Returns
    -------
    taken, changed, unchanged : int
        Numbers of actions. What changes nothing leaves no line in the audit.
    """
    with store.writer(may="change costs") as connection:
        before = _stored_costs(connection)
        taken, changed, unchanged = write_actions(connection, actions, costs, import_id=import_id)
        if taken or changed or before != _stored_costs(connection):
            detail = {"taken": taken, "changed": changed, "unchanged": unchanged}
            store.note(connection, who=who, what="take actions", table="actions", detail=detail)
    return taken, changed, unchanged


def write_actions(
    connection: Connection,
    actions: Sequence[CorrectiveAction],
    costs: Costs | None,
    *,
    import_id: int | None = None,
) -> tuple[int, int, int]:
    """Take actions and costs into the store, inside a running write; the caller notes it in the audit.

    An action of a stored name replaces its content; others are added; none is deleted. Costs are
    replaced as a whole, unless None.

    Parameters
    ----------
    connection : Connection
        From `Store.writer`.
    import_id : int, optional
        The batch they belong to; what was there before is then kept for `undo_actions`.

    Returns
    -------
    taken, changed, unchanged : int
        Numbers of actions.
    """
    table = schema.actions
    stored = {one.action: one for one in read_actions(connection)}
    taken = changed = 0
    for one in actions:
        before = stored.get(one.action)
        if before is None:
            connection.execute(table.insert(), asdict(one) | {"import_id": import_id})
            taken += 1
        elif before != one:
            keep_before(connection, import_id, table=table.name, key=one.action, before=asdict(before))
            connection.execute(table.update().where(table.c.action == one.action).values(asdict(one)))
            changed += 1
    former = _stored_costs(connection)
    if costs is not None and asdict(costs) != former:
        keep_before(connection, import_id, table=schema.settings.name, key=_COSTS, before={"value": former})
        _write_costs(connection, asdict(costs))
    return taken, changed, len(actions) - taken - changed


def undo_actions(connection: Connection, import_id: int) -> int:
    """Take back what one batch did to actions and costs; gives the number of actions touched.

    Actions the batch added go, those it changed and the costs get their former content. The caller sees
    to it that no later batch changed them.
    """
    table, changes = schema.actions, schema.import_changes
    touched = connection.execute(table.delete().where(table.c.import_id == import_id)).rowcount
    for change in connection.execute(select(changes).where(changes.c.import_id == import_id).order_by(changes.c.id)):
        if change.table_name == table.name:
            connection.execute(table.update().where(table.c.action == change.row_key).values(change.before))
            touched += 1
        elif change.table_name == schema.settings.name and change.row_key == _COSTS:
            _write_costs(connection, change.before["value"])
    return touched


def load_actions(store: Store) -> tuple[CorrectiveAction, ...]:
    """The corrective actions the store holds, by name."""
    with store.reader() as connection:
        return read_actions(connection)


def load_costs(store: Store) -> Costs:
    """The lab's rates; all zero and without currency where none were stated."""
    with store.reader() as connection:
        return read_costs(connection)


def read_costs(connection: Connection) -> Costs:
    """As `load_costs`, on a connection in hand."""
    stored = _stored_costs(connection)
    return Costs() if stored is None else Costs(**stored)


def write_costs(connection: Connection, costs: Costs) -> None:
    """Replace the rates inside a running write; the caller notes it in the audit."""
    _write_costs(connection, asdict(costs))


def _action(block: Block) -> CorrectiveAction:
    block.only(("action", "title", "corrects", *_AMOUNTS))
    corrects = block.numbers("corrects", of=t("factors with the share of their misses that it removes"))
    if block.values.get("corrects") == {}:
        block.mistake("corrects", t("needed is at least one factor, such as { bond_wait = 0.9 }"))
    for factor, share in corrects.items():
        if not 0.0 < share <= 1.0:
            block.mistake(
                "corrects",
                t("{factor} needs a share above 0 and at most 1 (0.9 is nine in ten)", factor=factor),
                seen=share,
            )
    name = block.text("action", needed=t("the action's short name")) or ""
    cost_once, cost_per_restoration, minutes = (block.number(key, low=0.0) for key in _AMOUNTS)
    return CorrectiveAction(
        action=name,
        title=block.text("title") or name,
        corrects=corrects,
        cost_once=cost_once,
        cost_per_restoration=cost_per_restoration,
        minutes_per_restoration=minutes,
    )


def _costs(block: Block) -> Costs:
    block.only(("per_minute", "per_return", "default_per_return", "currency"))
    per_return = block.numbers("per_return", of=t("defects")) if "per_return" in block else {}
    for defect, cost in per_return.items():
        if defect not in DEFECTS:
            hint = did_you_mean(defect, DEFECTS)
            block.mistake(
                "per_return",
                t("no such defect; known are {items}.{hint}", items=", ".join(DEFECTS), hint=hint),
                seen=defect,
            )
        if cost < 0:
            block.mistake("per_return", t("{defect} needs 0 or more", defect=defect), seen=cost)
    return Costs(
        per_minute=block.number("per_minute", low=0.0),
        per_return=per_return,
        default_per_return=block.number("default_per_return", low=0.0),
        currency=block.text("currency") or "",
    )


def read_actions(connection: Connection) -> tuple[CorrectiveAction, ...]:
    """As `load_actions`, on a connection in hand."""
    rows = connection.execute(select(schema.actions).order_by(schema.actions.c.action))
    return tuple(
        CorrectiveAction(
            action=row.action,
            title=row.title,
            corrects=row.corrects,
            cost_once=row.cost_once,
            cost_per_restoration=row.cost_per_restoration,
            minutes_per_restoration=row.minutes_per_restoration,
        )
        for row in rows
    )


def _stored_costs(connection: Connection) -> dict[str, Any] | None:
    return connection.scalar(select(schema.settings.c.value).where(schema.settings.c.key == _COSTS))


def _write_costs(connection: Connection, costs: Mapping[str, Any] | None) -> None:
    connection.execute(schema.settings.delete().where(schema.settings.c.key == _COSTS))
    if costs is not None:
        connection.execute(schema.settings.insert(), {"key": _COSTS, "value": dict(costs)})

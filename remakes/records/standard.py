"""The process standard: what each working step must keep to, since when, and what it may cause.

`parse_standard` reads the file a person edits; `save_standard` adds to what the store holds and deletes
nothing, so that the past keeps the limits it was made under; `load_standard` reads it all back.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date
from typing import Any

from sqlalchemy import Connection, Row, select

from remakes.errors import ProcessStandardError
from remakes.records import schema
from remakes.records.before_images import keep_before
from remakes.records.requirements import ProcessStandard, Requirement, Rule, RuleKind
from remakes.records.standard_file import APPLIES_WHEN_COLUMNS, StandardFileError, parse_standard
from remakes.records.store import Store
from remakes.texts import t

__all__ = [
    "APPLIES_WHEN_COLUMNS",
    "ProcessStandard",
    "Requirement",
    "Rule",
    "RuleKind",
    "StandardFileError",
    "load_standard",
    "parse_standard",
    "read_standard",
    "requirement_as_json",
    "requirement_columns",
    "save_standard",
    "undo_standard",
    "write_standard",
    "write_steps_and_title",
]

_TITLE = "standard_title"
_KEY = ("factor", "valid_from", "applies_when")
_DAYS = ("valid_from", "valid_until")


def save_standard(
    store: Store, standard: ProcessStandard, *, who: str, import_id: int | None = None
) -> tuple[int, int, int]:
    """Take a standard into the store, in a write of its own; see `write_standard`.

    Returns
    -------
    taken, changed, unchanged : int
        Numbers of requirements. A standard that changes nothing leaves no line in the audit.
    """
    with store.writer(may="change the standard") as connection:
        before = _steps_and_title(connection)
        taken, changed, unchanged = write_standard(connection, standard, import_id=import_id)
        if taken or changed or before != _steps_and_title(connection):
            detail = {"taken": taken, "changed": changed, "unchanged": unchanged, "steps": list(standard.steps)}
            store.note(connection, who=who, what="take standard", table="requirements", detail=detail)
    return taken, changed, unchanged


def write_standard(
    connection: Connection, standard: ProcessStandard, *, import_id: int | None = None
) -> tuple[int, int, int]:
    """Take a standard into the store, inside a running write; the caller notes it in the audit.

    A requirement with the same factor, `valid_from` and `applies_when` as a stored one replaces its
    content; all others are added; none is deleted. Steps and title are replaced.

    Parameters
    ----------
    connection : Connection
        From `Store.writer`.
    standard : ProcessStandard
        As `parse_standard` gives it.
    import_id : int, optional
        The batch it belongs to; what was there before is then kept for `undo_standard`.

    Returns
    -------
    taken, changed, unchanged : int
        Numbers of requirements.

    Raises
    ------
    ProcessStandardError
        A stored requirement that is not in this standard belongs to a step that it no longer names.
    """
    table = schema.requirements
    stored = {tuple(getattr(row, name) for name in _KEY): row for row in connection.execute(select(table))}
    wanted = {
        tuple(values[name] for name in _KEY): values for values in map(requirement_columns, standard.requirements)
    }
    _refuse_lost_steps(standard.steps, [row for key, row in stored.items() if key not in wanted])
    _replace_steps_and_title(connection, standard, import_id=import_id)
    added = [values | {"import_id": import_id} for key, values in wanted.items() if key not in stored]
    if added:
        connection.execute(table.insert(), added)
    changed = 0
    for key, values in wanted.items():
        row = stored.get(key)
        if row is None or all(getattr(row, name) == value for name, value in values.items()):
            continue
        changed += 1
        keep_before(
            connection, import_id, table=table.name, key=str(row.id), before=requirement_as_json(_requirement(row))
        )
        connection.execute(table.update().where(table.c.id == row.id).values(values))
    return len(added), changed, len(wanted) - len(added) - changed


def load_standard(store: Store) -> ProcessStandard:
    """The whole standard the store holds; an empty one where none was taken yet."""
    with store.reader() as connection:
        return read_standard(connection)


def read_standard(connection: Connection) -> ProcessStandard:
    """As `load_standard`, on a connection in hand."""
    steps, title = _steps_and_title(connection)
    position = {step: n for n, step in enumerate(steps)}
    rows = connection.execute(select(schema.requirements).order_by(schema.requirements.c.id)).all()
    return ProcessStandard(
        title=title or "",
        steps=steps,
        requirements=tuple(_requirement(row) for row in sorted(rows, key=lambda row: position[row.step])),
    )


def undo_standard(connection: Connection, import_id: int) -> int:
    """Take back what one batch did to the standard; gives the number of requirements touched.

    Requirements the batch added go, those it changed and the steps and title get their former content.
    The caller sees to it that no later batch changed the standard.
    """
    table, changes = schema.requirements, schema.import_changes
    touched = connection.execute(table.delete().where(table.c.import_id == import_id)).rowcount
    for change in connection.execute(select(changes).where(changes.c.import_id == import_id).order_by(changes.c.id)):
        if change.table_name == table.name:
            before = _from_json(change.before)
            connection.execute(table.update().where(table.c.id == int(change.row_key)).values(before))
            touched += 1
        elif change.table_name == schema.steps.name:
            write_steps_and_title(connection, tuple(change.before["steps"]), change.before["title"])
    return touched


def requirement_columns(one: Requirement) -> dict[str, Any]:
    """A requirement as its row of the store; days as days."""
    conditions = {column: list(values) for column, values in one.applies_when.items()}
    return {
        "factor": one.factor,
        "step": one.step,
        "reading": one.reading,
        "unit": one.unit,
        "rule": one.rule.to_json(),
        # Canonical text: it is part of the key.
        "applies_when": json.dumps(conditions, sort_keys=True, ensure_ascii=False),
        "may_cause": list(one.may_cause),
        "valid_from": one.valid_from,
        "valid_until": one.valid_until,
        "says": one.says,
        "source": one.source,
    }


def _requirement(row: Row[Any]) -> Requirement:
    return Requirement(
        factor=row.factor,
        step=row.step,
        reading=row.reading,
        unit=row.unit,
        rule=Rule.from_json(row.rule),
        applies_when={column: tuple(values) for column, values in json.loads(row.applies_when).items()},
        may_cause=tuple(row.may_cause),
        valid_from=row.valid_from,
        valid_until=row.valid_until,
        says=row.says,
        source=row.source,
    )


def requirement_as_json(one: Requirement) -> dict[str, Any]:
    """The same, as JSON can hold it: for the audit, and for a batch that may be undone."""
    content = requirement_columns(one)
    return content | {name: content[name] and content[name].isoformat() for name in _DAYS}


def _from_json(before: Mapping[str, Any]) -> dict[str, Any]:
    return dict(before) | {name: before[name] and date.fromisoformat(before[name]) for name in _DAYS}


def _refuse_lost_steps(steps: tuple[str, ...], kept: list[Row[Any]]) -> None:
    lost = sorted(
        {t("{step} (factor {factor})", step=row.step, factor=row.factor) for row in kept if row.step not in steps}
    )
    if lost:
        raise ProcessStandardError(
            t(
                "The new standard no longer names steps that earlier requirements belong to: {items}. "
                "Nothing is deleted, since past deliveries keep their limits: keep these steps in `steps`, "
                "and give requirements that no longer hold a valid_until.",
                items=", ".join(lost),
            )
        )


def _steps_and_title(connection: Connection) -> tuple[tuple[str, ...], str | None]:
    steps = connection.scalars(select(schema.steps.c.step).order_by(schema.steps.c.position)).all()
    title = connection.scalar(select(schema.settings.c.value).where(schema.settings.c.key == _TITLE))
    return tuple(steps), title


def _replace_steps_and_title(connection: Connection, standard: ProcessStandard, *, import_id: int | None) -> None:
    steps, title = _steps_and_title(connection)
    if (steps, title) != (standard.steps, standard.title):
        before = {"steps": list(steps), "title": title}
        keep_before(connection, import_id, table=schema.steps.name, key="", before=before)
        write_steps_and_title(connection, standard.steps, standard.title)


def write_steps_and_title(connection: Connection, steps: tuple[str, ...], title: str | None) -> None:
    """Replace the steps in their order, and what the standard is called."""
    connection.execute(schema.steps.delete())
    if steps:
        connection.execute(schema.steps.insert(), [{"position": n, "step": step} for n, step in enumerate(steps, 1)])
    connection.execute(schema.settings.delete().where(schema.settings.c.key == _TITLE))
    if title is not None:
        connection.execute(schema.settings.insert(), {"key": _TITLE, "value": title})

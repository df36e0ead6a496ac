"""The history of imports, and taking one back."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, Row, Select, Table, func, or_, select, true
from sqlalchemy.exc import IntegrityError

from remakes.errors import InputError
from remakes.records import schema
from remakes.records.corrective_actions import undo_actions
from remakes.records.importers.batches import KEYS, from_json, row_key, write_contents
from remakes.records.importers.reports import ImportBatch
from remakes.records.permissions import Permission
from remakes.records.standard import undo_standard
from remakes.records.store import Store, now
from remakes.texts import later, t, tn

__all__ = ["UndoEffect", "list_imports", "undo_effect", "undo_import"]

#: Where the content of a TOML file is kept, as the audit names it when a person changes it.
_AUDITED_AS = {"standard": ("requirements",), "actions": ("actions",)}
_MOST_NAMED = 5
_READINGS: Final = later("{rows:,} readings of {named}")
_READINGS_TYPED: Final = later("{rows:,} readings entered by a person")
_RETURNS: Final = later("{rows:,} returns of {named}")
_RETURNS_TYPED: Final = later("{rows:,} returns entered by a person")
_MAY: Final[Mapping[str, Permission]] = MappingProxyType({"standard": "change the standard", "actions": "change costs"})


@dataclass(frozen=True, slots=True, kw_only=True)
class UndoEffect:
    """What taking an import back would come to.

    Attributes
    ----------
    removed, restored : int
        Rows it added, which would go; rows it changed, which would get their former content. Of a standard or
        actions file both are 0: it is taken back as a whole.
    obstacles : tuple of str
        What was written later and rests on it; as long as there is any, the import cannot be taken back.
    """

    removed: int
    restored: int
    obstacles: tuple[str, ...]


def list_imports(store: Store) -> tuple[ImportBatch, ...]:
    """All batches that brought something new, the latest first; those taken back too."""
    audit = schema.audit
    with store.reader() as connection:
        rows = connection.execute(select(schema.imports).order_by(schema.imports.c.import_id.desc())).all()
        undone = select(audit.c.row_key, audit.c.who).where(audit.c.what == "undo import")
        undone_by = {str(key): str(who) for key, who in connection.execute(undone)}
    return tuple(
        ImportBatch(
            import_id=row.import_id,
            at=row.at,
            who=row.who,
            file=row.file,
            table=row.table_name,
            taken=row.taken,
            changed=row.changed,
            unchanged=row.unchanged,
            refused=row.refused,
            undone_at=row.undone_at,
            undone_by=undone_by.get(str(row.import_id), "") if row.undone_at else "",
        )
        for row in rows
    )


def undo_effect(store: Store, import_id: int) -> UndoEffect:
    """What would taking this import back change, and does anything rest on it? Nothing is written.

    Raises
    ------
    InputError
        No such import, or one taken back already.
    """
    with store.reader() as connection:
        one = _standing(connection, import_id)
        removed = restored = 0
        if one.table_name in KEYS or one.table_name == "process_log":
            table, changes = schema.metadata.tables[one.table_name], schema.import_changes
            added = select(func.count()).select_from(table).where(table.c.import_id == import_id)
            changed = select(func.count()).select_from(changes).where(changes.c.import_id == import_id)
            removed, restored = int(connection.scalar(added) or 0), int(connection.scalar(changed) or 0)
        return UndoEffect(removed=removed, restored=restored, obstacles=tuple(_obstacles(connection, one)))


def _standing(connection: Connection, import_id: int) -> Row[Any]:
    """The import, which must not have been taken back."""
    imports = schema.imports
    one = connection.execute(select(imports).where(imports.c.import_id == import_id)).one_or_none()
    if one is None:
        raise InputError(t("There is no import {import_id}. Choose one from the list of imports.", import_id=import_id))
    if one.undone_at is not None:
        raise InputError(
            t(
                "Import {import_id} ({file}) was taken back before; nothing is left to do.",
                import_id=import_id,
                file=one.file,
            )
        )
    return one


def undo_import(store: Store, import_id: int, *, who: str) -> int:
    """Take one import back: what it added goes, what it changed gets its former content.

    Parameters
    ----------
    import_id : int
        As in `TableReport.import_id` or `list_imports`.
    who : str
        Pseudonym of the person, for the audit.

    Returns
    -------
    int
        Rows deleted or restored.

    Raises
    ------
    InputError
        No such import, taken back already, or something later depends on it: readings or returns of its
        restorations, or later changes of the same rows. All of them are named.

    Notes
    -----
    A row that a later file repeated belongs to the import that brought it first, and goes with that one.
    The date up to which returns are complete is a setting of its own and stays.
    """
    imports = schema.imports
    try:
        with store.writer(may="import lists") as connection:
            one = _standing(connection, import_id)
            if store.actor is not None and one.table_name in _MAY:
                store.actor.refuse_unless(_MAY[one.table_name])
            obstacles = list(_obstacles(connection, one))
            if obstacles:
                raise InputError(
                    t(
                        "Import {import_id} ({file}) cannot be taken back, since later records depend on it: "
                        "{items}. Take those back first, the latest first.",
                        import_id=import_id,
                        file=one.file,
                        items="; ".join(obstacles),
                    )
                )
            rows = _take_back(connection, one)
            connection.execute(imports.update().where(imports.c.import_id == import_id).values(undone_at=now()))
            detail = {"file": one.file, "rows": rows}
            store.note(connection, who=who, what="undo import", table=one.table_name, key=str(import_id), detail=detail)
    except IntegrityError as error:
        raise InputError(
            t(
                "Import {import_id} cannot be taken back: its former content no longer fits the records. "
                "Nothing was changed: take back what came later first.",
                import_id=import_id,
            )
        ) from error
    return rows


def _take_back(connection: Connection, one: Row[Any]) -> int:
    if one.table_name == "standard":
        return undo_standard(connection, one.import_id)
    if one.table_name == "actions":
        return undo_actions(connection, one.import_id)
    table, changes = schema.metadata.tables[one.table_name], schema.import_changes
    rows = connection.execute(table.delete().where(table.c.import_id == one.import_id)).rowcount
    former = connection.scalars(select(changes.c.before).where(changes.c.import_id == one.import_id)).all()
    if former:
        write_contents(connection, table, [from_json(table, before) for before in former])
    return rows + len(former)


def _obstacles(connection: Connection, one: Row[Any]) -> Iterator[str]:
    """What was written later and would lose its ground, in words."""
    if one.table_name in _AUDITED_AS:
        yield from _later_imports(connection, one)
        yield from _later_entries_of_content(connection, one)
        return
    if one.table_name == "restorations":
        log = schema.process_log
        written = log.c.import_id.is_(None) & log.c.id.in_(_written_at_bench())
        yield from _dependents(connection, one, log, (_READINGS, _READINGS_TYPED), but_not=written)
        yield from _at_bench(connection, one)
        yield from _dependents(connection, one, schema.returns, (_RETURNS, _RETURNS_TYPED))
        yield from _reports_before_former_delivery(connection, one)
    if one.table_name in KEYS:
        yield from _later_changes(connection, one)
        yield from _later_entries_of_rows(connection, one)


def _named(import_id: int, file: str) -> str:
    return t("import {import_id} ({file})", import_id=import_id, file=file)


def _key_in_words(table: str, key: str) -> str:
    """A key that `row_key` wrote, as a person writes it: the return's number with its defect."""
    if len(KEYS[table]) == 1:
        return key
    number, defect = json.loads(key)
    return t("{number} with {defect}", number=number, defect=defect)


def _some(names: list[str]) -> str:
    named, left = ", ".join(names[:_MOST_NAMED]), len(names) - _MOST_NAMED
    return t("{named} and {left} more", named=named, left=left) if left > 0 else named


def _later_imports(connection: Connection, one: Row[Any]) -> Iterator[str]:
    imports = schema.imports
    since = connection.execute(
        select(imports)
        .where(
            imports.c.table_name == one.table_name, imports.c.import_id > one.import_id, imports.c.undone_at.is_(None)
        )
        .order_by(imports.c.import_id.desc())
    )
    for row in since:
        yield t("{named} changed the same content", named=_named(row.import_id, row.file))


def _dependents(
    connection: Connection,
    one: Row[Any],
    table: Table,
    texts: tuple[str, str],
    *,
    but_not: ColumnElement[bool] | None = None,
) -> Iterator[str]:
    restorations, imports = schema.restorations, schema.imports
    found = connection.execute(
        select(table.c.import_id, imports.c.file, func.count().label("rows"))
        .join(restorations, restorations.c.restoration_id == table.c.restoration_id)
        .join(imports, imports.c.import_id == table.c.import_id, isouter=True)
        .where(restorations.c.import_id == one.import_id, true() if but_not is None else ~but_not)
        .group_by(table.c.import_id, imports.c.file)
        .order_by(table.c.import_id)
    )
    for row in found:
        imported, typed = texts
        if row.import_id is None:
            yield t(str(typed), rows=row.rows)
        else:
            yield t(str(imported), rows=row.rows, named=_named(row.import_id, row.file))


def _written_at_bench() -> Select[Any]:
    log_id = schema.bench_readings.c.process_log_id
    return select(log_id).where(log_id.is_not(None))


def _at_bench(connection: Connection, one: Row[Any]) -> Iterator[str]:
    """Readings that were written at the bench for its restorations, and timers that would be left without a piece."""
    restorations, log, timers, work = schema.restorations.c, schema.process_log.c, schema.timers.c, schema.open_work.c
    own = select(restorations.restoration_id).where(restorations.import_id == one.import_id)
    written = log.import_id.is_(None) & log.id.in_(_written_at_bench())
    numbers = connection.scalars(select(log.restoration_id).where(written, log.restoration_id.in_(own))).all()
    if numbers:
        yield tn(
            len(numbers),
            "one reading written at the bench, to be taken back in the bench log ({some})",
            "{n:,} readings written at the bench, to be taken back in the bench log ({some})",
            some=_some(sorted(set(numbers))),
        )
    # Work that was begun at the bench goes back there, and its timers run on.
    begun = select(work.restoration_id)
    lost = timers.stopped_at.is_(None) & timers.restoration_id.in_(own) & timers.restoration_id.not_in(begun)
    numbers = connection.scalars(select(timers.restoration_id).where(lost)).all()
    if numbers:
        yield tn(
            len(numbers),
            "one timer running at the bench, to be stopped or given up there ({some})",
            "{n:,} timers running at the bench, to be stopped or given up there ({some})",
            some=_some(sorted(set(numbers))),
        )


def _reports_before_former_delivery(connection: Connection, one: Row[Any]) -> Iterator[str]:
    changes, returns = schema.import_changes, schema.returns
    former = connection.scalars(select(changes.c.before).where(changes.c.import_id == one.import_id)).all()
    delivered = {before["restoration_id"]: before["delivered_on"] for before in former}
    reports = connection.execute(
        select(returns.c.return_id, returns.c.restoration_id, returns.c.reported_on)
        .where(returns.c.voided_at.is_(None), func.coalesce(returns.c.found_at, "") != "before_delivery")
        .where(returns.c.restoration_id.in_(select(changes.c.row_key).where(changes.c.import_id == one.import_id)))
    )
    early = [row.return_id for row in reports if row.reported_on.isoformat() < delivered[row.restoration_id]]
    if early:
        yield t("returns reported before the former date of delivery ({some})", some=_some(sorted(early)))


def _later_changes(connection: Connection, one: Row[Any]) -> Iterator[str]:
    changes, imports = schema.import_changes, schema.imports
    since = connection.execute(
        select(changes.c.row_key, imports.c.import_id, imports.c.file)
        .join(imports, imports.c.import_id == changes.c.import_id)
        .where(
            changes.c.table_name == one.table_name, changes.c.import_id > one.import_id, imports.c.undone_at.is_(None)
        )
    ).all()
    own = _own_keys(connection, one) if since else {}
    touched: dict[str, list[str]] = {}
    for row in since:
        if row.row_key in own:
            touched.setdefault(_named(row.import_id, row.file), []).append(row.row_key)
    for name, keys in touched.items():
        yield t("{name} changed {keys:,} of its rows", name=name, keys=len(keys))


def _own_keys(connection: Connection, one: Row[Any]) -> dict[str, str]:
    """The keys of the rows the batch added or changed, each with the name the audit gives the row."""
    table, changes = schema.metadata.tables[one.table_name], schema.import_changes
    named = table.c.id if "id" in table.c else table.c.restoration_id
    keys = [table.c[column] for column in KEYS[one.table_name]]
    changed = set(connection.scalars(select(changes.c.row_key).where(changes.c.import_id == one.import_id)))
    query = select(table.c.import_id, named.label("named"), *keys)
    if not changed:
        query = query.where(table.c.import_id == one.import_id)
    own = {}
    for row in connection.execute(query):
        key = row_key(one.table_name, dict(row._mapping))
        if row.import_id == one.import_id or key in changed:
            own[key] = str(row.named)
    return own


def _audit_lines_since(connection: Connection, one: Row[Any]) -> Select[Any]:
    audit = schema.audit
    own = (
        select(func.max(audit.c.id))
        .where(audit.c.what == "import", audit.c.table_name == one.table_name, audit.c.row_key == str(one.import_id))
        .scalar_subquery()
    )
    return select(audit).where(audit.c.id > own, audit.c.what.not_in(("import", "undo import"))).order_by(audit.c.id)


def _later_entries_of_rows(connection: Connection, one: Row[Any]) -> Iterator[str]:
    """Rows of the batch that a person changed or took back."""
    audit = schema.audit
    lines = connection.execute(_audit_lines_since(connection, one).where(audit.c.table_name == one.table_name)).all()
    own = {named: key for key, named in _own_keys(connection, one).items()} if lines else {}
    touched = dict.fromkeys(own[line.row_key] for line in lines if line.row_key in own)
    if touched:
        named = [_key_in_words(one.table_name, key) for key in touched]
        yield t("{touched:,} of its rows changed by a person ({some})", touched=len(touched), some=_some(named))


def _later_entries_of_content(connection: Connection, one: Row[Any]) -> Iterator[str]:
    audit = schema.audit
    query = _audit_lines_since(connection, one)
    named: list[ColumnElement[bool]] = [audit.c.table_name.in_(_AUDITED_AS[one.table_name])]
    if one.table_name == "actions":
        named.append((audit.c.table_name == "settings") & (audit.c.row_key == "costs"))
    lines = connection.execute(query.where(or_(*named))).all()
    if lines:
        yield t("{lines:,} changes of the same content by a person", lines=len(lines))

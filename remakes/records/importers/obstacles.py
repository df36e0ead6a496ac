"""What was written later and rests on an import, so that it cannot be taken back yet."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, Select, Table, func, or_, select, true

from remakes.records import schema
from remakes.records.importers.batches import KEYS, row_key
from remakes.texts import t, tn

__all__ = ["obstacles"]

#: Where the content of a TOML file is kept, as the audit names it when a person changes it.
_AUDITED_AS = {"standard": ("requirements",), "actions": ("actions",)}
_MOST_NAMED = 5


def obstacles(connection: Connection, one: Row[Any]) -> Iterator[str]:
    """What was written later and would lose its ground, in words."""
    if one.table_name in _AUDITED_AS:
        yield from _later_imports(connection, one)
        yield from _later_entries_of_content(connection, one)
        return
    if one.table_name == "restorations":
        log = schema.process_log
        written = log.c.import_id.is_(None) & log.c.id.in_(_written_at_bench())
        yield from _dependents(connection, one, log, _readings, but_not=written)
        yield from _at_bench(connection, one)
        yield from _dependents(connection, one, schema.returns, _returns)
        yield from _reports_before_former_delivery(connection, one)
    if one.table_name == "returns":
        yield from _photos(connection, one)
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
    in_words: Callable[[int, str], str],
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
        yield in_words(row.rows, _named(row.import_id, row.file) if row.import_id is not None else "")


def _readings(rows: int, named: str) -> str:
    """So many, of an import; of a person where none is named."""
    if not named:
        return tn(rows, "{n:,} reading entered by a person", "{n:,} readings entered by a person")
    return tn(rows, "{n:,} reading of {named}", "{n:,} readings of {named}", named=named)


def _returns(rows: int, named: str) -> str:
    """So many, of an import; of a person where none is named."""
    if not named:
        return tn(rows, "{n:,} return entered by a person", "{n:,} returns entered by a person")
    return tn(rows, "{n:,} return of {named}", "{n:,} returns of {named}", named=named)


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


def _photos(connection: Connection, one: Row[Any]) -> Iterator[str]:
    """Photos that would show a return which is no longer in the records."""
    returns, photos = schema.returns.c, schema.photos.c
    own = select(returns.return_id).where(returns.import_id == one.import_id)
    # A return of two defects may have come in two files, or one defect of it from a person.
    others = select(returns.return_id).where(func.coalesce(returns.import_id, -1) != one.import_id)
    lost = photos.voided_at.is_(None) & photos.return_id.in_(own) & photos.return_id.not_in(others)
    numbers = connection.scalars(select(photos.return_id).where(lost)).all()
    if numbers:
        yield tn(
            len(numbers),
            "one photo of its returns, to be taken back first ({some})",
            "{n:,} photos of its returns, to be taken back first ({some})",
            some=_some(sorted(set(numbers))),
        )


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
        yield tn(
            len(touched),
            "{n:,} of its rows was changed by a person ({some})",
            "{n:,} of its rows were changed by a person ({some})",
            some=_some(named),
        )


def _later_entries_of_content(connection: Connection, one: Row[Any]) -> Iterator[str]:
    audit = schema.audit
    query = _audit_lines_since(connection, one)
    named: list[ColumnElement[bool]] = [audit.c.table_name.in_(_AUDITED_AS[one.table_name])]
    if one.table_name == "actions":
        named.append((audit.c.table_name == "settings") & (audit.c.row_key == "costs"))
    lines = connection.execute(query.where(or_(*named))).all()
    if lines:
        yield tn(
            len(lines),
            "{n:,} change of the same content by a person",
            "{n:,} changes of the same content by a person",
        )

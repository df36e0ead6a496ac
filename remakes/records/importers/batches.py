"""Save one checked file as one batch: whole or not at all, and the same rows again change nothing.

A restoration is known by its number, a return by its number and defect; a row whose key is stored
with other content replaces it, and what stood there before is kept for `undo`. A reading has no key:
it is known by its content, so a corrected reading is a further one and both stay.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from itertools import islice
from typing import Any

from sqlalchemy import Connection, Table, bindparam, null, select
from sqlalchemy.exc import DBAPIError, IntegrityError

from remakes.errors import StoreError
from remakes.records import schema
from remakes.records.importers.ledger import Row
from remakes.records.rows import COLUMNS, ReadingRow
from remakes.records.store import Store, now
from remakes.texts import t

__all__ = [
    "KEYS",
    "Batch",
    "Saved",
    "batch",
    "count_rows",
    "from_json",
    "reading_hash",
    "row_key",
    "save_rows",
    "write_contents",
]

#: What a row of each table is known by.
KEYS: Mapping[str, tuple[str, ...]] = {
    "restorations": ("restoration_id",),
    "returns": ("return_id", "defect"),
}
_CHUNK = 20_000
#: Up to so many restorations, the stored rows are looked up by their numbers; beyond, all are read at once.
_FEW = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Saved:
    """What saving a file came to; `import_id` is None where nothing was new."""

    taken: int = 0
    changed: int = 0
    unchanged: int = 0
    import_id: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """The open batch of one file."""

    connection: Connection
    import_id: int


class _NothingNew(Exception):  # noqa: N818 - no error: it ends a write without leaving a trace
    """The batch would change nothing; the open write is given up."""


@contextmanager
def _in_words(file: str) -> Iterator[None]:
    """Say in words what can go wrong between checking and saving."""
    try:
        yield
    except IntegrityError as error:
        raise StoreError(
            t(
                "Somebody changed the records while {file} was being checked. Nothing of it was saved: "
                "import it again.",
                file=file,
            )
        ) from error
    except DBAPIError as error:
        reason = str(error.orig).strip().splitlines()[0]
        raise StoreError(
            t(
                "{file} could not be saved ({reason}). Nothing of it was saved: check the free space and "
                "import it again.",
                file=file,
                reason=reason,
            )
        ) from error


def batch(
    store: Store,
    *,
    file: str,
    table: str,
    sha256: str,
    who: str,
    refused: int,
    write: Callable[[Batch], tuple[int, int, int]],
) -> Saved:
    """Write one file as one batch, with its line in the history and in the audit.

    Parameters
    ----------
    write : callable
        Writes the rows inside the transaction; gives rows taken, changed and unchanged. Where nothing
        was written at all, the batch leaves no trace.

    Raises
    ------
    StoreError
        The records were changed by somebody else meanwhile, or cannot be written to.
    """
    imports = schema.imports
    with _in_words(file):
        try:
            with store.writer(may="import lists") as connection:
                values = {
                    "at": now(),
                    "who": who,
                    "file": file,
                    "table_name": table,
                    "sha256": sha256,
                    "refused": refused,
                }
                (import_id,) = connection.execute(imports.insert().values(values)).inserted_primary_key or (0,)
                taken, changed, unchanged = write(Batch(connection=connection, import_id=import_id))
                counts = {"taken": taken, "changed": changed, "unchanged": unchanged}
                if not taken and not _anything_changed(connection, import_id):
                    raise _NothingNew
                connection.execute(imports.update().where(imports.c.import_id == import_id).values(counts))
                if table == "restorations":
                    # Read here: the bench knows a reading again by the hash below.
                    from remakes.records.bench.moving import settle_bench

                    settle_bench(store, connection, who=who)
                detail = {"file": file, **counts, "refused": refused}
                store.note(connection, who=who, what="import", table=table, key=str(import_id), detail=detail)
        except _NothingNew:
            return Saved(**counts)
    return Saved(**counts, import_id=import_id)


def _anything_changed(connection: Connection, import_id: int) -> bool:
    changes = schema.import_changes
    return connection.scalar(select(changes.c.id).where(changes.c.import_id == import_id).limit(1)) is not None


def count_rows(connection: Connection, table: str, rows: Sequence[Row], *, repeated: int = 0) -> tuple[int, int, int]:
    """What `save_rows` would come to; nothing is written."""
    if table == "process_log":
        new, changed = sum(1 for _ in _new_readings(connection, _readings_of(rows))), 0
    else:
        found, changes = _new_and_changed(connection, table, rows)
        new, changed = len(found), len(changes)
    return new, changed, len(rows) - new - changed + repeated


def _readings_of(rows: Sequence[Row]) -> list[ReadingRow]:
    return [row for row in rows if isinstance(row, ReadingRow)]


def save_rows(open_batch: Batch, table: str, rows: Sequence[Row], *, repeated: int = 0) -> tuple[int, int, int]:
    """Write the rows of one table inside a batch.

    Parameters
    ----------
    repeated : int
        Rows of the file that say the same as another one; they count as unchanged.

    Returns
    -------
    taken, changed, unchanged : int
    """
    target = schema.metadata.tables[table]
    new: Iterable[dict[str, Any]]
    changes: list[tuple[dict[str, Any], dict[str, Any]]] = []
    if table == "process_log":
        new = _new_readings(open_batch.connection, _readings_of(rows))
    else:
        new, changes = _new_and_changed(open_batch.connection, table, rows)
    taken = _insert(open_batch, target, new)
    _update(open_batch, target, changes)
    return taken, len(changes), len(rows) - taken - len(changes) + repeated


def reading_hash(row: ReadingRow) -> int:
    """By what a reading is known again: a 64-bit hash of all it says, kept extras left out."""
    recorded_at = row.recorded_at.isoformat() if row.recorded_at is not None else None
    content = (row.restoration_id, row.step, row.reading, row.value, recorded_at, row.operator, row.equipment, row.lot)
    # No text of a checked row is empty or holds a NUL, so that no two contents are joined alike.
    joined = "\x00".join([part or "" for part in content])
    return int.from_bytes(hashlib.blake2b(joined.encode(), digest_size=8).digest(), "big", signed=True)


def row_key(table: str, content: Mapping[str, Any]) -> str:
    """The key of a row as the history of changes writes it."""
    parts = [content[column] for column in KEYS[table]]
    return str(parts[0]) if len(parts) == 1 else json.dumps(parts, ensure_ascii=False)


def _to_json(content: Mapping[str, Any]) -> dict[str, Any]:
    """A row's content as JSON can hold it."""
    return {column: value.isoformat() if isinstance(value, date) else value for column, value in content.items()}


def from_json(table: Table, content: Mapping[str, Any]) -> dict[str, Any]:
    """The content that `_to_json` wrote."""
    found = dict(content)
    for column, value in content.items():
        kind = table.c[column].type.python_type
        if value is not None and kind in (date, datetime):
            found[column] = kind.fromisoformat(value)
    return found


def _new_readings(connection: Connection, rows: Sequence[ReadingRow]) -> Iterator[dict[str, Any]]:
    table = schema.process_log
    ids = {row.restoration_id for row in rows}
    stored = select(table.c.row_hash)
    if len(ids) <= _FEW:
        stored = stored.where(table.c.restoration_id.in_(ids))
    seen = set(connection.scalars(stored))
    for row in rows:
        known_by = reading_hash(row)
        if known_by not in seen:
            seen.add(known_by)
            yield row.model_dump() | {"row_hash": known_by}


def _new_and_changed(
    connection: Connection, name: str, rows: Sequence[Row]
) -> tuple[list[dict[str, Any]], list[tuple[dict[str, Any], dict[str, Any]]]]:
    """New content, and pairs of stored and new content where they differ."""
    table = schema.metadata.tables[name]
    columns = [*COLUMNS[name], "extra"]
    query = select(*(table.c[column] for column in columns))
    keys = {getattr(row, KEYS[name][0]) for row in rows}
    if len(keys) <= _FEW:
        query = query.where(table.c[KEYS[name][0]].in_(keys))
    contents = [dict(zip(columns, row, strict=True)) for row in connection.execute(query)]
    stored = {row_key(name, content): content for content in contents}
    new: list[dict[str, Any]] = []
    changes: list[tuple[dict[str, Any], dict[str, Any]]] = []
    for row in rows:
        content = row.model_dump()
        before = stored.get(row_key(name, content))
        if before is None:
            new.append(content)
        elif {**before, "extra": before["extra"] or {}} != content:
            changes.append((before, content))
    return new, changes


def _insert(open_batch: Batch, table: Table, rows: Iterable[dict[str, Any]]) -> int:
    # Chunk by chunk, so that a long log does not stand in memory a second time. Rows without extras leave the column
    # out: it is then NULL, not the JSON text "null".
    remaining = iter(rows)
    written = 0
    while chunk := list(islice(remaining, _CHUNK)):
        for group in _by_extra(chunk):
            if group:
                values = [row | {"import_id": open_batch.import_id} for row in group]
                open_batch.connection.execute(table.insert(), values)
        written += len(chunk)
    return written


def _by_extra(rows: Iterable[dict[str, Any]]) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    with_extra: list[dict[str, Any]] = []
    without: list[dict[str, Any]] = []
    for row in rows:
        if row["extra"]:
            with_extra.append(row)
        else:
            bare = row.copy()
            del bare["extra"]
            without.append(bare)
    return with_extra, without


def _update(open_batch: Batch, table: Table, changes: Sequence[tuple[dict[str, Any], dict[str, Any]]]) -> None:
    if not changes:
        return
    before = [
        {
            "import_id": open_batch.import_id,
            "table_name": table.name,
            "row_key": row_key(table.name, old),
            "before": _to_json(old),
        }
        for old, _ in changes
    ]
    open_batch.connection.execute(schema.import_changes.insert(), before)
    write_contents(open_batch.connection, table, [new for _, new in changes])


def write_contents(connection: Connection, table: Table, contents: Iterable[dict[str, Any]]) -> None:
    """Replace the content of stored rows of these keys."""
    keys = KEYS[table.name]
    columns = [column for column in COLUMNS[table.name] if column not in keys]
    statement = table.update().where(*(table.c[key] == bindparam(f"key_{key}") for key in keys))
    statement = statement.values({column: bindparam(f"new_{column}") for column in columns})
    with_extra, without = _by_extra(contents)
    for group, extra in ((with_extra, bindparam("new_extra")), (without, null())):
        if group:
            parameters = [
                {f"key_{key}": row[key] for key in keys}
                | {f"new_{column}": row.get(column) for column in (*columns, "extra")}
                for row in group
            ]
            connection.execute(statement.values(extra=extra), parameters)

"""What a person corrected stays, although the same list comes again with what stood there before.

A cumulative list brings every row anew each month. Where it says of a column what the person replaced, it says
nothing new; where it says a third thing, it does, and counts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Final

from sqlalchemy import Connection, Table, select

from remakes.records import schema
from remakes.records.rows import ReadingRow, RestorationRow, ReturnRow

__all__ = ["KeptCorrections", "read_kept_corrections"]

_AT_ONCE: Final = 500
_LINKED: Final = ("link remake", "take back link")

#: A restoration by its number, a return by its number and the defect that a list would name.
_Key = str | tuple[str, str]
_Row = RestorationRow | ReadingRow | ReturnRow


@dataclass(frozen=True, slots=True, kw_only=True)
class _Correction:
    """One column of one row: what a person replaced, as JSON holds it, and what stands there."""

    column: str
    replaced: Sequence[object]
    stands: Any


@dataclass(slots=True, kw_only=True)
class KeptCorrections:
    """The corrections that still stand, by the row that a list would name."""

    by_key: dict[_Key, tuple[_Correction, ...]] = field(default_factory=dict)

    def keep(self, row: _Row) -> _Row:
        """The row of a list, with the person's values where it has what the person replaced; else the row itself."""
        if isinstance(row, ReadingRow) or not self.by_key:
            return row
        key = row.restoration_id if isinstance(row, RestorationRow) else (row.return_id, row.defect)
        kept = {
            one.column: one.stands
            for one in self.by_key.get(key, ())
            if _as_json(getattr(row, one.column)) in one.replaced
        }
        return row.model_copy(update=kept) if kept else row


def read_kept_corrections(connection: Connection) -> KeptCorrections:
    """Every correction of a return and every link of a remake that stands as the person left it."""
    found = KeptCorrections()
    _add_links(connection, found)
    _add_returns(connection, found)
    return found


def _add_links(connection: Connection, found: KeptCorrections) -> None:
    audit, table = schema.audit.c, schema.restorations
    query = select(audit.row_key, audit.detail).where(audit.table_name == table.name, audit.what.in_(_LINKED))
    changes: dict[str, list[tuple[object, object]]] = {}
    for number, detail in connection.execute(query.order_by(audit.id)):
        changes.setdefault(number, []).append((detail["before"], detail["remake_of"]))
    for row in _rows_of(connection, table, "restoration_id", list(changes)):
        kept = _standing("remake_of", changes[row["restoration_id"]], row)
        if kept is not None:
            found.by_key[row["restoration_id"]] = (kept,)


def _add_returns(connection: Connection, found: KeptCorrections) -> None:
    audit, table = schema.audit.c, schema.returns
    query = select(audit.row_key, audit.detail).where(audit.table_name == table.name, audit.what == "correct return")
    changes: dict[int, dict[str, list[tuple[object, object]]]] = {}
    for row_id, detail in connection.execute(query.order_by(audit.id)):
        columns = changes.setdefault(int(row_id), {})
        for column, before in detail["before"].items():
            columns.setdefault(column, []).append((before, detail["after"][column]))
    rows = list(_rows_of(connection, table, "id", list(changes)))
    numbers = list({row["return_id"] for row in rows})
    there = {(row["return_id"], row["defect"]) for row in _rows_of(connection, table, "return_id", numbers)}
    for row in rows:
        standing = (_standing(column, pairs, row) for column, pairs in changes[row["id"]].items())
        kept = tuple(one for one in standing if one is not None)
        own = (row["return_id"], row["defect"])
        found.by_key[own] = kept
        for one in kept:
            if one.column == "defect":
                # A list that names the former defect means this row, unless that defect came in as a row of its own.
                former = {(row["return_id"], str(defect)) for defect in one.replaced}
                found.by_key.update((key, kept) for key in former - there)


def _rows_of(connection: Connection, table: Table, column: str, keys: Sequence[object]) -> Iterator[Mapping[str, Any]]:
    for first in range(0, len(keys), _AT_ONCE):
        some = keys[first : first + _AT_ONCE]
        for row in connection.execute(select(table).where(table.c[column].in_(some))):
            yield {str(name): value for name, value in row._mapping.items()}


def _standing(column: str, changes: Sequence[tuple[object, object]], row: Mapping[str, Any]) -> _Correction | None:
    """The correction of a column; None where something later, such as a list that said a third thing, stands."""
    stands = row[column] or {} if column == "extra" else row[column]
    after = changes[-1][1]
    if _as_json(stands) != after:
        return None
    replaced = [before for before, _ in changes if before != after]
    return _Correction(column=column, replaced=replaced, stands=stands) if replaced else None


def _as_json(value: object) -> object:
    return value.isoformat() if isinstance(value, date) else value

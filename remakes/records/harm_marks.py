"""When was the mark of possible harm set on a return, and by whom? Read from the audit."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Literal

from sqlalchemy import Connection, Row, or_, select

from remakes.records import schema
from remakes.records.importers.batches import row_key

__all__ = ["Mark", "marks"]

_How = Literal["entered", "corrected", "imported"]
_HOW: Final[Mapping[str, _How]] = {"enter return": "entered", "correct return": "corrected", "import": "imported"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """How the mark came onto a row of the returns.

    Attributes
    ----------
    how : {"entered", "corrected", "imported"}
    who : str
    at : datetime
        UTC.
    line : int
        Number of the audit's line. Lines rise one write after the other; clocks may go wrong.
    """

    how: _How
    who: str
    at: datetime
    line: int


def marks(connection: Connection, rows: Sequence[Row[Any]]) -> dict[int, Mark]:
    """By the number of a marked row, what the audit tells of its mark: the latest change that found it without.

    Rows that the audit does not know are left out. What a file changed and what was then taken back does not count.
    """
    audit = schema.audit
    by_file = _files(connection, rows)
    numbers = {str(number) for files in by_file.values() for number in files}
    own = audit.c.what.in_(("enter return", "correct return")) & audit.c.row_key.in_([str(row.id) for row in rows])
    imported = (audit.c.what == "import") & audit.c.row_key.in_(numbers)
    query = select(audit).where(audit.c.table_name == "returns", or_(own, imported)).order_by(audit.c.id)
    found: dict[int, Mark] = {}
    for line in connection.execute(query):
        mark = Mark(how=_HOW[line.what], who=line.who, at=line.at, line=line.id)
        found |= dict.fromkeys(_concerned(line, by_file), mark)
    return found


def _concerned(line: Row[Any], by_file: Mapping[int, Sequence[int]]) -> Iterable[int]:
    number = int(line.row_key)
    if line.what == "import":
        return [row for row, files in by_file.items() if number in files]
    if line.what == "correct return":
        before = (line.detail or {}).get("before") or {}
        if "harm" not in before or before["harm"] is True:
            return []
    return [number]


def _files(connection: Connection, rows: Sequence[Row[Any]]) -> dict[int, list[int]]:
    """By row, the import that brought it and those that found it without the mark."""
    found = {row.id: [row.import_id] if row.import_id is not None else [] for row in rows}
    keys = {row_key("returns", {"return_id": row.return_id, "defect": row.defect}): row.id for row in rows}
    for key, number in _changed_by_files(connection, keys):
        found[keys[key]].append(number)
    return found


def _changed_by_files(connection: Connection, keys: Iterable[str]) -> Iterator[tuple[str, int]]:
    changes, imports = schema.import_changes, schema.imports
    query = (
        select(changes.c.row_key, changes.c.import_id, changes.c.before)
        .join(imports, imports.c.import_id == changes.c.import_id)
        .where(changes.c.table_name == "returns", changes.c.row_key.in_(list(keys)), imports.c.undone_at.is_(None))
    )
    for row in connection.execute(query):
        if row.before.get("harm") is not True:
            yield row.row_key, row.import_id

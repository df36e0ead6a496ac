"""The change log: who changed what, and when, read page by page; it is never read as a whole."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import Connection, Row, Select, func, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.bench.moments import on_the_clock, stored
from remakes.records.cells import shown
from remakes.records.store import Store
from remakes.texts import speaking, t

__all__ = [
    "PAGE",
    "Change",
    "ChangePage",
    "Filters",
    "authors",
    "every_change",
    "in_words",
    "last_change",
    "months",
    "read_changes",
    "tables",
    "who_changed",
]

#: Lines a page.
PAGE: Final = 50
_BATCH: Final = 1_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One line of the audit.

    Attributes
    ----------
    number : int
        Rises with time; never given twice.
    at : datetime
        In UTC, without zone.
    who, what, table : str
    key : str
        What was changed within the table; blank where it concerns the whole.
    restoration : str
        The restoration concerned; blank where there is none, or where the line does not tell.
    detail : mapping
        What the line keeps besides: the content before and after, the reason.
    """

    number: int
    at: datetime
    who: str
    what: str
    table: str
    key: str
    restoration: str
    detail: dict[str, Any]

    def before_and_after(self) -> tuple[tuple[str, str, str], ...]:
        """Field, former and new content of all fields that the change touched, in words; blank is nothing there.

        Empty where the line keeps no former and new content.
        """
        before, after = (self.detail.get(name) or {} for name in ("before", "after"))
        if not (isinstance(before, dict) and isinstance(after, dict)):
            return ()
        return tuple(
            (name, in_words(before.get(name)), in_words(after.get(name)))
            for name in dict.fromkeys([*before, *after])
            if before.get(name) != after.get(name)
        )

    def told(self) -> str:
        """The particulars on one line, with the names of the records: `file: returns.csv; taken: 503`.

        In English whoever reads, since it is for files.
        """
        with speaking("en"):
            return "; ".join(f"{name}: {said}" for name, said in self.particulars())

    def as_row(self) -> dict[str, object]:
        """The line for a file, which has to be the same whoever asks for it: in English, times in UTC."""
        with speaking("en"):
            touched = self.before_and_after()
        return {
            "number": self.number,
            "at_utc": self.at.isoformat(sep=" ", timespec="seconds"),
            "who": self.who,
            "what": self.what,
            "table": self.table,
            "key": self.key,
            "restoration": self.restoration,
            "before": "; ".join(f"{name}: {before}" for name, before, _ in touched),
            "after": "; ".join(f"{name}: {after}" for name, _, after in touched),
            "besides": self.told(),
        }

    def particulars(self) -> tuple[tuple[str, str], ...]:
        """What the line keeps besides former and new content: name and what it says; blanks are left out."""
        rest = {name: in_words(one) for name, one in self.detail.items() if name not in ("before", "after")}
        return tuple((name, said) for name, said in rest.items() if said)


@dataclass(frozen=True, slots=True, kw_only=True)
class Filters:
    """Which lines to read; blank: all.

    Attributes
    ----------
    who, table : str
    month : str
        Year and month of the lab's clock, `2026-10`.
    """

    who: str = ""
    table: str = ""
    month: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangePage:
    """One page of the log, the latest line first.

    Attributes
    ----------
    changes : tuple of Change
    older : int or None
        Hand it to `read_changes` as `before` for the next page; None on the last.
    """

    changes: tuple[Change, ...]
    older: int | None


def read_changes(
    store: Store, filters: Filters | None = None, *, before: int | None = None, size: int = PAGE
) -> ChangePage:
    """One page of the log.

    Parameters
    ----------
    filters : Filters, optional
        Default: every line.
    before : int, optional
        Only lines of lower numbers; default: from the latest.
    size : int
        Lines on the page.

    Raises
    ------
    EntryError
        The month is none.
    """
    with store.reader() as connection:
        found = _page(connection, filters or Filters(), before, size + 1)
    changes = found[:size]
    return ChangePage(changes=changes, older=changes[-1].number if len(found) > size else None)


def every_change(store: Store, filters: Filters | None = None) -> Iterator[Change]:
    """All lines, the latest first, read a thousand at a time; for a file."""
    before: int | None = None
    while True:
        with store.reader() as connection:
            found = _page(connection, filters or Filters(), before, _BATCH)
        yield from found
        if len(found) < _BATCH:
            return
        before = found[-1].number


def authors(store: Store) -> tuple[str, ...]:
    """Everybody who changed something, in order."""
    return _distinct(store, schema.audit.c.who)


def tables(store: Store) -> tuple[str, ...]:
    """Every table that something was changed in, in order."""
    return _distinct(store, schema.audit.c.table_name)


def months(store: Store) -> tuple[str, ...]:
    """The months from the first line to the latest, by the lab's clock, the latest first; empty for an empty log."""
    audit = schema.audit.c
    with store.reader() as connection:
        first, last = connection.execute(select(func.min(audit.at), func.max(audit.at))).one()
    if first is None:
        return ()
    first, last = on_the_clock(first), on_the_clock(last)
    span = range(first.year * 12 + first.month - 1, last.year * 12 + last.month)
    return tuple(f"{month // 12:04d}-{month % 12 + 1:02d}" for month in reversed(span))


def last_change(connection: Connection, *, tables: Sequence[str], key: str | None = None) -> Change | None:
    """The latest line of these tables, and of this key where one is given."""
    audit = schema.audit.c
    query = select(schema.audit).where(audit.table_name.in_(tables)).order_by(audit.id.desc()).limit(1)
    if key is not None:
        query = query.where(audit.row_key == key)
    row = connection.execute(query).one_or_none()
    return None if row is None else _change(row, {})


def who_changed(store: Store, *, tables: Sequence[str], key: str) -> Change | None:
    """As `last_change`, of this key or, where no line names it, of the tables."""
    with store.reader() as connection:
        return last_change(connection, tables=tables, key=key) or last_change(connection, tables=tables)


def in_words(content: object) -> str:
    """A value of the log on one line: `at_least: 180`, `debonding, chipping`; blank for nothing."""
    if content is None or content in ("", [], {}, "{}"):
        return ""
    if isinstance(content, dict):
        return ", ".join(f"{name}: {in_words(one)}" for name, one in content.items())
    if isinstance(content, list):
        return ", ".join(map(in_words, content))
    if isinstance(content, bool):
        return t("yes") if content else t("no")
    return f"{content:g}" if isinstance(content, float) else str(content)


def _distinct(store: Store, column: Any) -> tuple[str, ...]:
    with store.reader() as connection:
        return tuple(str(one) for one in connection.scalars(select(column).distinct().order_by(column)))


def _page(connection: Connection, filters: Filters, before: int | None, size: int) -> tuple[Change, ...]:
    query = _filtered(filters).order_by(schema.audit.c.id.desc()).limit(size)
    if before is not None:
        query = query.where(schema.audit.c.id < before)
    rows = connection.execute(query).all()
    # Asked once for the page, not for every line.
    restorations = _restorations(connection, rows)
    return tuple(_change(row, restorations) for row in rows)


def _filtered(filters: Filters) -> Select[Any]:
    audit = schema.audit.c
    query = select(schema.audit)
    if filters.who:
        query = query.where(audit.who == filters.who)
    if filters.table:
        query = query.where(audit.table_name == filters.table)
    if filters.month:
        first, end = _span(filters.month)
        query = query.where(audit.at >= first, audit.at < end)
    return query


def _span(month: str) -> tuple[datetime, datetime]:
    """Begin and end of a month of the lab's clock, in UTC as the store has its moments."""
    try:
        first = datetime.fromisoformat(f"{month}-01")
        # No month has more than 31 days, and no two have fewer than 59.
        return stored(first), stored((first + timedelta(days=31)).replace(day=1))
    except (ValueError, OverflowError):
        raise EntryError(t("{seen} is no month. Give one such as 2026-10.", seen=shown(month))) from None


def _restorations(connection: Connection, rows: Iterable[Row[Any]]) -> dict[str, str]:
    """The restorations of returns that the log names by their row only."""
    keys = {int(row.row_key) for row in rows if row.table_name == "returns" and (row.row_key or "").isdecimal()}
    if not keys:
        return {}
    returns = schema.returns.c
    found = connection.execute(select(returns.id, returns.restoration_id).where(returns.id.in_(keys)))
    return {str(row.id): row.restoration_id for row in found}


def _change(row: Row[Any], restorations: dict[str, str]) -> Change:
    detail = row.detail if isinstance(row.detail, dict) else {}
    key = row.row_key or ""
    restoration = detail.get("restoration_id") or ""
    if not restoration and row.table_name == "returns" and row.what not in ("import", "undo import"):
        restoration = restorations.get(key, "")
    return Change(
        number=row.id,
        at=row.at,
        who=row.who,
        what=row.what,
        table=row.table_name,
        key=key,
        restoration=str(restoration),
        detail=detail,
    )

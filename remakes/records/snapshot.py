"""Hand the records over for counting: Arrow tables that see one state of the store.

The store is never the counting engine. Blank text is an empty string here, never null, and dates are
ISO text, so that the tables look the same whichever database or exported folder they come from.
"""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow as pa
from sqlalchemy import (
    Column,
    ColumnElement,
    Connection,
    DateTime,
    Dialect,
    Interval,
    Select,
    Table,
    Text,
    case,
    cast,
    func,
    literal,
    select,
)

from remakes.errors import StoreError
from remakes.records import schema
from remakes.records.standard import ProcessStandard, read_standard
from remakes.records.store import Store, copy_sqlite, read_observed_until
from remakes.texts import t

__all__ = ["LOG_COLUMNS", "RESTORATION_COLUMNS", "RETURN_COLUMNS", "Snapshot", "arrow_schema", "take_snapshot"]

RESTORATION_COLUMNS = (
    "restoration_id",
    "case_id",
    "clinic",
    "technician",
    "kind",
    "teeth",
    "units",
    "framework",
    "veneer",
    "difficulty",
    "received_on",
    "due_on",
    "delivered_on",
    "remake_of",
)
LOG_COLUMNS = ("id", "restoration_id", "step", "reading", "value", "recorded_at", "operator", "equipment", "lot")
RETURN_COLUMNS = (
    "id",
    "return_id",
    "restoration_id",
    "reported_on",
    "entered_on",
    "defect",
    "found_at",
    "disposition",
    "severity",
    "attributed_to",
    "cost",
)
_INTEGERS = frozenset({"id", "units"})
_Query = tuple[Select[Any], Sequence[str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """The records as they stood at one moment.

    Attributes
    ----------
    restorations, process_log, returns : pyarrow.Table
        Columns as in `RESTORATION_COLUMNS`, `LOG_COLUMNS`, `RETURN_COLUMNS`; returns taken back are left out.
    standard : ProcessStandard
    observed_until : date, optional
        Returns are complete up to here; None for an empty store.
    """

    restorations: pa.Table
    process_log: pa.Table
    returns: pa.Table
    standard: ProcessStandard
    observed_until: date | None


def take_snapshot(store: Store, *, reading: tuple[str, str] | None = None) -> Snapshot:
    """The records of a store, for counting.

    Parameters
    ----------
    store : Store
    reading : (str, str), optional
        Step and reading: no other rows of the process log are handed over.

    Raises
    ------
    StoreError
        There is no room for the copy that an SQLite store is read from.
    """
    # One connection, one read transaction: everything of the same moment.
    with store.reader() as connection:
        standard, observed_until = read_standard(connection), read_observed_until(connection)
        # A file is not copied for the few rows of one reading.
        read = _read_any if store.sqlite_path is None or reading else _read_sqlite
        restorations, process_log, returns = read(connection, _queries(reading, on_file=store.sqlite_path is not None))
    return Snapshot(
        restorations=restorations,
        process_log=process_log,
        returns=returns,
        standard=standard,
        observed_until=observed_until,
    )


def arrow_schema(columns: Sequence[str]) -> pa.Schema:
    """The types of a snapshot's columns: numbers of rows and units, and text."""
    return pa.schema([(name, pa.int64() if name in _INTEGERS else pa.string()) for name in columns])


def _queries(reading: tuple[str, str] | None, *, on_file: bool) -> tuple[_Query, ...]:
    log, in_log = _log_query(on_file=on_file), schema.process_log.c
    if reading is not None:
        log = log.where(in_log.step == reading[0], in_log.reading == reading[1])
    in_force = schema.returns.c.voided_at.is_(None)
    return (
        (_query(schema.restorations, RESTORATION_COLUMNS), RESTORATION_COLUMNS),
        (log, LOG_COLUMNS),
        (_query(schema.returns, RETURN_COLUMNS).where(in_force), RETURN_COLUMNS),
    )


def _query(table: Table, names: Sequence[str]) -> Select[Any]:
    columns: list[Column[Any]] = [table.c[name] for name in names]
    return select(*columns).order_by(next(iter(table.primary_key)))


def _log_query(*, on_file: bool) -> Select[Any]:
    """The process log. A late entry written after the piece had come back counts as recorded when it was written.

    Asked here and not where it is written: the return may be entered after the reading, for a day before it.
    """
    log, bench, returns = schema.process_log.c, schema.bench_readings.c, schema.returns.c
    of_log = bench.process_log_id.is_not(None) & bench.late.is_(True)
    # The days of returns are those of the lab's calendar, and so must the day of the entry be.
    entered_at = _on_the_clock(func.min(bench.entered_at), on_file=on_file).label("entered_at")
    late = select(bench.process_log_id, entered_at).where(of_log).group_by(bench.process_log_id).subquery()
    came_back = returns.voided_at.is_(None) & (func.coalesce(returns.found_at, "") != "before_delivery")
    reported_on = func.min(returns.reported_on).label("reported_on")
    first = select(returns.restoration_id, reported_on).where(came_back).group_by(returns.restoration_id).subquery()
    knew = func.date(late.c.entered_at) > first.c.reported_on
    recorded_at = case((knew, late.c.entered_at), else_=log.recorded_at).label("recorded_at")
    joined = schema.process_log.outerjoin(late, late.c.process_log_id == log.id)
    joined = joined.outerjoin(first, first.c.restoration_id == log.restoration_id)
    columns = [recorded_at if name == "recorded_at" else log[name] for name in LOG_COLUMNS]
    return select(*columns).select_from(joined).order_by(log.id)


def _on_the_clock(moment: ColumnElement[datetime], *, on_file: bool) -> ColumnElement[datetime]:
    """A moment of the store (UTC) as the lab's clock showed it, to the second, in SQL."""
    if on_file:
        return func.strftime("%Y-%m-%d %H:%M:%S.000000", moment, "localtime", type_=DateTime())
    # The server may stand in another zone. A change of the clocks since moves what was written around midnight only.
    ahead = datetime.now().astimezone().utcoffset() or timedelta(0)
    return func.date_trunc("second", moment + literal(ahead, Interval), type_=DateTime())


def _read_sqlite(connection: Connection, queries: Sequence[_Query]) -> list[pa.Table]:
    """By ADBC, from a copy: columns arrive as Arrow without a Python object per cell.

    ADBC brings an SQLite library of its own. Two such libraries in one process cancel each other's locks on a
    file (sqlite.org/howtocorrupt.html, "Multiple copies of SQLite linked into the same application"): reading
    the store itself gave rows from before the last write, and "database disk image is malformed".
    """
    with tempfile.TemporaryDirectory(prefix="remakes-", ignore_cleanup_errors=True) as folder:
        copy = Path(folder) / "copy.sqlite"
        try:
            copy_sqlite(connection, copy)
        except (OSError, sqlite3.Error) as error:
            raise StoreError(
                t(
                    "The records could not be copied to {folder} for counting ({error}). Free some space there, "
                    "or name another folder in the environment variable TMPDIR.",
                    folder=folder,
                    error=error,
                )
            ) from error
        return _read_file(copy, connection.dialect, queries)


def _read_file(file: Path, dialect: Dialect, queries: Sequence[_Query]) -> list[pa.Table]:
    from adbc_driver_sqlite import dbapi

    tables = []
    with dbapi.connect(str(file)) as connection, connection.cursor() as cursor:
        for query, columns in queries:
            # The driver takes a column's type from its first rows; every text is made text in SQL.
            plain = query.with_only_columns(*(_as_text(query.selected_columns[name], name) for name in columns))
            cursor.execute(str(plain.compile(dialect=dialect, compile_kwargs={"literal_binds": True})))
            # An empty table has no first rows: its columns are given their types here.
            tables.append(cursor.fetch_arrow_table().cast(arrow_schema(columns)))
    return tables


def _as_text(column: ColumnElement[Any], name: str) -> ColumnElement[Any]:
    return column if name in _INTEGERS else func.coalesce(cast(column, Text), "").label(name)


def _read_any(connection: Connection, queries: Sequence[_Query]) -> list[pa.Table]:
    """By rows, from any database; the cells come out as from `_read_sqlite`."""
    tables = []
    for query, columns in queries:
        rows = connection.execute(query).all()
        cells = zip(*rows, strict=True) if rows else ((),) * len(columns)
        arrays = [
            pa.array(
                values if name in _INTEGERS else [_text(value) for value in values],
                type=arrow_schema([name]).field(0).type,
            )
            for name, values in zip(columns, cells, strict=True)
        ]
        tables.append(pa.Table.from_arrays(arrays, schema=arrow_schema(columns)))
    return tables


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.isoformat(sep=" ", timespec="microseconds")
    if isinstance(value, float):
        return _text_of_number(value)
    return str(value)


def _text_of_number(value: float) -> str:
    # As SQLite casts it: 15 significant digits, always with a point.
    digits, e, exponent = f"{value:.15g}".partition("e")
    return digits + ("" if "." in digits else ".0") + e + exponent

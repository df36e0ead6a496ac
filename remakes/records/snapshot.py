"""Hand the records over for counting: Arrow tables that see one state of the store.

The store is never the counting engine. Blank text is an empty string here, never null, and dates are
ISO text, so that the tables look the same whichever database or exported folder they come from.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import pyarrow as pa
from sqlalchemy import Column, ColumnElement, Select, Table, Text, cast, func, select

from remakes.errors import StoreError
from remakes.records import schema
from remakes.records.standard import ProcessStandard, read_standard
from remakes.records.store import Store, read_observed_until

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


def take_snapshot(store: Store) -> Snapshot:
    """The records of a store, for counting."""
    if store.sqlite_path is not None:
        version = store.data_version()
        with store.reader() as connection:
            taken = _snapshot(connection, _read_sqlite(store))
        if store.data_version() == version:
            return taken
        # Somebody wrote while two connections read: the slower way sees one moment on one connection.
    with store.reader() as connection:
        return _snapshot(connection, _read_any(connection))


def arrow_schema(columns: Sequence[str]) -> pa.Schema:
    """The types of a snapshot's columns: numbers of rows and units, and text."""
    return pa.schema([(name, pa.int64() if name in _INTEGERS else pa.string()) for name in columns])


def _snapshot(connection: Connection, tables: Sequence[pa.Table]) -> Snapshot:
    restorations, process_log, returns = tables
    return Snapshot(
        restorations=restorations,
        process_log=process_log,
        returns=returns,
        standard=read_standard(connection),
        observed_until=read_observed_until(connection),
    )


def _queries() -> tuple[tuple[Select[Any], Sequence[str]], ...]:
    in_force = schema.returns.c.voided_at.is_(None)
    return (
        (_query(schema.restorations, RESTORATION_COLUMNS), RESTORATION_COLUMNS),
        (_query(schema.process_log, LOG_COLUMNS), LOG_COLUMNS),
        (_query(schema.returns, RETURN_COLUMNS).where(in_force), RETURN_COLUMNS),
    )


def _query(table: Table, names: Sequence[str]) -> Select[Any]:
    columns: list[Column[Any]] = [table.c[name] for name in names]
    return select(*columns).order_by(next(iter(table.primary_key)))


def _read_sqlite(store: Store) -> list[pa.Table]:
    """By ADBC: columns arrive as Arrow without a Python object per cell."""
    from adbc_driver_sqlite import dbapi

    tables = []
    # One connection, one read transaction: all three tables of the same moment.
    with dbapi.connect(str(store.sqlite_path)) as connection, connection.cursor() as cursor:
        for query, columns in _queries():
            inner = str(query.compile(store.engine, compile_kwargs={"literal_binds": True}))
            # The driver takes a column's type from its first rows; every text is made text in SQL.
            outer = ", ".join(
                f'"{name}"' if name in _INTEGERS else f"""ifnull(cast("{name}" as text), '') as "{name}\""""
                for name in columns
            )
            cursor.execute(f"select {outer} from ({inner})")  # noqa: S608 - built from this module's own names
            # An empty table has no first rows: its columns are given their types here.
            tables.append(cursor.fetch_arrow_table().cast(arrow_schema(columns)))
    return tables


def _read_any(connection: Connection) -> list[pa.Table]:
    """By rows, from any database; the cells come out as from `_read_sqlite`."""
    tables = []
    for query, columns in _queries():
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

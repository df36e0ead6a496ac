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

from remakes.records import schema
from remakes.records.standard import ProcessStandard, load_standard
from remakes.records.store import Store

__all__ = ["LOG_COLUMNS", "RESTORATION_COLUMNS", "RETURN_COLUMNS", "Snapshot", "take_snapshot"]

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
    read = _read_sqlite if store.sqlite_path is not None else _read_any
    tables = read(
        store,
        [
            _query(schema.restorations, RESTORATION_COLUMNS),
            _query(schema.process_log, LOG_COLUMNS),
            _query(schema.returns, RETURN_COLUMNS).where(schema.returns.c.voided_at.is_(None)),
        ],
        [RESTORATION_COLUMNS, LOG_COLUMNS, RETURN_COLUMNS],
    )
    return Snapshot(
        restorations=tables[0],
        process_log=tables[1],
        returns=tables[2],
        standard=load_standard(store),
        observed_until=store.observed_until(),
    )


def _query(table: Table, names: Sequence[str]) -> Select[Any]:
    columns: list[Column[Any]] = [table.c[name] for name in names]
    return select(*columns).order_by(next(iter(table.primary_key)))


def _as_text(column: ColumnElement[Any], name: str) -> ColumnElement[Any]:
    return column if name in _INTEGERS else func.coalesce(cast(column, Text), "").label(name)


def _schema(names: Sequence[str]) -> pa.Schema:
    return pa.schema([(name, pa.int64() if name in _INTEGERS else pa.string()) for name in names])


def _read_sqlite(store: Store, queries: Sequence[Select[Any]], names: Sequence[Sequence[str]]) -> list[pa.Table]:
    """By ADBC: columns arrive as Arrow without a Python object per cell."""
    from adbc_driver_sqlite import dbapi

    tables = []
    # One connection, one read transaction: all three tables of the same moment.
    with dbapi.connect(str(store.sqlite_path)) as connection, connection.cursor() as cursor:
        for query, columns in zip(queries, names, strict=True):
            # The driver takes a column's type from its first rows; every text is made text in SQL.
            plain = query.with_only_columns(*(_as_text(query.selected_columns[name], name) for name in columns))
            cursor.execute(str(plain.compile(store.engine, compile_kwargs={"literal_binds": True})))
            # An empty table has no first rows: its columns are given their types here.
            tables.append(cursor.fetch_arrow_table().cast(_schema(columns)))
    return tables


def _read_any(store: Store, queries: Sequence[Select[Any]], names: Sequence[Sequence[str]]) -> list[pa.Table]:
    tables = []
    with store.reader() as connection:
        for query, columns in zip(queries, names, strict=True):
            rows = connection.execute(query).all()
            cells = zip(*rows, strict=True) if rows else ((),) * len(columns)
            arrays = [
                pa.array(
                    values if name in _INTEGERS else [_text(value) for value in values],
                    type=_schema([name]).field(0).type,
                )
                for name, values in zip(columns, cells, strict=True)
            ]
            tables.append(pa.Table.from_arrays(arrays, schema=_schema(columns)))
    return tables


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.isoformat(sep=" ")
    return str(value)

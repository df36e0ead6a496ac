"""What a row held before a batch changed it, kept so that the batch can be undone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection

from remakes.records import schema

__all__ = ["keep_before"]


def keep_before(
    connection: Connection, import_id: int | None, *, table: str, key: str, before: Mapping[str, Any]
) -> None:
    """Keep a row's former content, as JSON can hold it; without a batch there is nothing to keep it for."""
    if import_id is not None:
        values = {"import_id": import_id, "table_name": table, "row_key": key, "before": dict(before)}
        connection.execute(schema.import_changes.insert(), values)

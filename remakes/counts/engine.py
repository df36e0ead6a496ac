"""The engine that counts: DuckDB in this process, through Ibis."""

from __future__ import annotations

from typing import Any

import ibis

from remakes.records.snapshot import Snapshot

__all__ = ["Tables", "connect"]


class Tables:
    """A snapshot's tables in a counting engine, and the engine itself.

    Attributes
    ----------
    engine
        An Ibis backend.
    restorations, process_log, returns
        Ibis tables with a snapshot's columns; dates still as text.
    """

    def __init__(self, engine: Any, snapshot: Snapshot) -> None:
        self.engine = engine
        self._kept: set[str] = set()
        self.restorations = engine.create_table("restorations", snapshot.restorations, temp=True)
        self.process_log = engine.create_table("process_log", snapshot.process_log, temp=True)
        self.returns = engine.create_table("returns", snapshot.returns, temp=True)

    def keep(self, name: str, expression: Any) -> Any:
        """Work an expression out once and keep its rows for the queries that follow."""
        # To replace a table the engine first fills another one and copies it.
        table = self.engine.create_table(name, expression, temp=True, overwrite=name in self._kept)
        self._kept.add(name)
        return table


def connect(snapshot: Snapshot) -> Tables:
    """A counting engine in this process, holding the snapshot."""
    # Two threads are as quick as many on a lab's data, and leave the machine usable.
    engine = ibis.duckdb.connect(threads=2)
    return Tables(engine, snapshot)

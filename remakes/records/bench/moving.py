"""Bench readings become rows of the process log once their restoration has left the lab."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Literal

from sqlalchemy import Connection, Row, func, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.bench.moments import local_day, on_the_clock
from remakes.records.bench.pieces import DELIVERED
from remakes.records.importers.batches import reading_hash
from remakes.records.rows import ReadingRow
from remakes.records.store import Store, now
from remakes.texts import t

__all__ = ["ENTRY", "Entered", "entered", "into_process_log", "out_of_process_log", "settle_bench"]

#: How a row of the process log was entered, as its `extra` says under this name.
ENTRY: Final = "entry"
#: bench: at the step; late: afterwards; after return: when the restoration had come back, so that whoever wrote
#: it down knew how the story ended.
Entered = Literal["bench", "late", "after return"]


def into_process_log(connection: Connection, rows: Sequence[Row[Any]]) -> int:
    """Copy rows of `bench_readings` into the process log; gives how many of them are new there.

    Their restorations must be in the records. The bench rows stay, and say where the copy is.
    """
    log, bench = schema.process_log, schema.bench_readings
    new = 0
    for row in rows:
        how = entered(connection, row)
        extra = {ENTRY: how} | ({"reason": row.reason} if row.reason else {})
        recorded_at = row.recorded_at
        if how == "after return":
            # What somebody wrote who knew of the return is of the day of writing, whatever day it tells of: the
            # analysis leaves out what was written after the day of the report, and says how many.
            extra["day of work"] = row.recorded_at.date().isoformat()
            recorded_at = max(recorded_at, on_the_clock(row.entered_at))
        content = ReadingRow(
            restoration_id=row.restoration_id,
            step=row.step,
            reading=row.reading,
            value=row.value,
            recorded_at=recorded_at,
            operator=row.operator,
            equipment=row.equipment,
            lot=row.lot,
            extra=extra,
        )
        known_by = reading_hash(content)
        log_id = connection.scalar(select(log.c.id).where(log.c.row_hash == known_by))
        if log_id is None:
            values = content.model_dump() | {"row_hash": known_by}
            (log_id,) = connection.execute(log.insert().values(values)).inserted_primary_key or (0,)
            new += 1
        connection.execute(bench.update().where(bench.c.id == row.id).values(process_log_id=log_id))
    return new


def entered(connection: Connection, row: Row[Any]) -> Entered:
    """How was this row of `bench_readings` entered?"""
    returns = schema.returns.c
    first = connection.scalar(
        select(func.min(returns.reported_on))
        .where(returns.restoration_id == row.restoration_id, returns.voided_at.is_(None))
        .where(func.coalesce(returns.found_at, "") != "before_delivery")
    )
    if first is not None and first <= local_day(row.entered_at):
        return "after return"
    return "late" if row.late else "bench"


def out_of_process_log(connection: Connection, row: Row[Any]) -> bool:
    """Take the copy of a bench reading out of the process log; gives whether there was one.

    What the person wrote stays in `bench_readings`, with who took it back, when and why.

    Raises
    ------
    EntryError
        The same row came in by a file.
    """
    log, bench = schema.process_log, schema.bench_readings
    if row.process_log_id is None:
        return False
    import_id = connection.scalar(select(log.c.import_id).where(log.c.id == row.process_log_id))
    if import_id is not None:
        raise EntryError(
            t(
                "The same reading came in by import {number}, so it cannot be taken back here. Take the import back "
                "under Lists and import, or write the right value down.",
                number=import_id,
            )
        )
    connection.execute(bench.update().where(bench.c.id == row.id).values(process_log_id=None))
    # The same value written twice within a second is one row of the log.
    shared = connection.scalar(select(bench.c.id).where(bench.c.process_log_id == row.process_log_id).limit(1))
    if shared is None:
        connection.execute(log.delete().where(log.c.id == row.process_log_id))
    return True


def settle_bench(store: Store, connection: Connection, *, who: str) -> int:
    """Move what was written at the bench for restorations that have left the lab meanwhile, however they came in.

    Also closes their open work. Inside a running write; gives the readings moved. Timers run on: stopped, they
    write into the process log at once.
    """
    work, bench, restorations = schema.open_work, schema.bench_readings, schema.restorations
    came = select(restorations.c.restoration_id).where(restorations.c.restoration_id == work.c.restoration_id).exists()
    numbers = connection.scalars(select(work.c.restoration_id).where(work.c.closed_at.is_(None), came)).all()
    if numbers:
        closed = {"closed_at": now(), "closed_why": DELIVERED, "version": work.c.version + 1}
        connection.execute(work.update().where(work.c.restoration_id.in_(numbers)).values(closed))
    for number in numbers:
        store.note(connection, who=who, what="delivered by import", table=work.name, key=number)
    there = bench.c.restoration_id.in_(select(restorations.c.restoration_id))
    waiting = bench.c.process_log_id.is_(None) & bench.c.voided_at.is_(None)
    rows = connection.execute(select(bench).where(waiting, there).order_by(bench.c.id)).all()
    if not rows:
        return 0
    moved = into_process_log(connection, rows)
    detail = {"restorations": sorted({row.restoration_id for row in rows}), "readings": len(rows)}
    store.note(connection, who=who, what="move bench readings", table="process_log", detail=detail)
    return moved

"""Delivering: open work becomes a restoration of the records, and its bench readings rows of the process log."""

from __future__ import annotations

from datetime import date

from sqlalchemy import select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.bench.moving import into_process_log
from remakes.records.bench.pieces import DELIVERED, piece_in_hand
from remakes.records.bench.work import FIELDS, close_row, refuse_running, refuse_stale
from remakes.records.entries import RefusedEntryError
from remakes.records.rows import check_restoration
from remakes.records.store import Store
from remakes.texts import t

__all__ = ["deliver"]


def deliver(
    store: Store,
    restoration_id: str,
    *,
    delivered_on: date,
    who: str,
    version: int | None = None,
    today: date | None = None,
) -> int:
    """Say that a restoration has left the lab.

    Parameters
    ----------
    delivered_on : date
        The lab's calendar day.
    version : int, optional
        As the page was opened with; default: whatever stands there.
    today : date, optional
        Default: the calendar day of this machine.

    Returns
    -------
    int
        Readings that are now in the process log.

    Raises
    ------
    EntryError
        Not in work, a day in the future or before it was received, or a timer is running on it.
    WorkChangedError
        Somebody else changed it meanwhile.
    NotAllowedError
        It is somebody else's work.
    """
    today = today or date.today()
    if delivered_on > today:
        raise EntryError(
            t("{day} is later than today. Type the day on which it left the lab.", day=delivered_on.isoformat())
        )
    with store.writer(may="write at the bench") as connection:
        piece = piece_in_hand(store, connection, restoration_id)
        if piece.version is None or piece.delivered_on is not None:
            raise EntryError(
                t(
                    "{number} left the lab on {day} already; nothing is left to do.",
                    number=restoration_id,
                    day=piece.delivered_on.isoformat() if piece.delivered_on else "",
                )
            )
        if version is not None:
            refuse_stale(connection, piece, version)
        refuse_running(connection, restoration_id)
        bench = schema.bench_readings
        fields = {name: getattr(piece, name) for name in FIELDS}
        row, problems = check_restoration({"restoration_id": restoration_id, "delivered_on": delivered_on, **fields})
        if row is None:
            raise RefusedEntryError(tuple(problems))
        connection.execute(schema.restorations.insert().values(row.model_dump(exclude={"extra"})))
        written = select(bench).where(bench.c.restoration_id == restoration_id, bench.c.voided_at.is_(None))
        waiting = written.where(bench.c.process_log_id.is_(None)).order_by(bench.c.id)
        moved = into_process_log(connection, connection.execute(waiting).all())
        close_row(connection, piece, DELIVERED)
        detail = {"delivered_on": delivered_on.isoformat(), "readings": moved}
        store.note(connection, who=who, what="deliver", table="restorations", key=restoration_id, detail=detail)
    return moved

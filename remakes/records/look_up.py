"""One restoration and everything the records say about it: its columns, its returns, its time line."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from difflib import get_close_matches
from typing import Any

from sqlalchemy import Connection, Row, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.codes import DEFECTS, FOUND_AT, SEVERITIES
from remakes.records.store import Store

__all__ = [
    "HistoryEvent",
    "RecordedReturn",
    "RestorationRecord",
    "find_restoration",
    "latest_returns",
    "restoration_history",
    "unknown_restoration",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedReturn:
    """One row of the returns as the store holds it; None is not recorded."""

    row_id: int
    return_id: str
    restoration_id: str
    reported_on: date
    entered_on: date | None
    defect: str
    primary: bool | None
    plane: str | None
    bare_metal_pct: float | None
    found_at: str | None
    severity: int | None
    harm: bool | None
    teeth: str
    disposition: str | None
    attributed_to: str | None
    judged_by: str | None
    cost: float | None
    note: str | None
    extra: dict[str, str]
    import_id: int | None
    voided_at: datetime | None
    voided_why: str | None

    @property
    def voided(self) -> bool:
        """Was it taken back? Then it is shown, and left out of every figure."""
        return self.voided_at is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class RestorationRecord:
    """One restoration as the store holds it, with its returns by day of report, those taken back too."""

    restoration_id: str
    case_id: str | None
    clinic: str | None
    technician: str | None
    kind: str
    teeth: str
    units: int
    framework: str | None
    veneer: str | None
    difficulty: str
    received_on: date | None
    due_on: date | None
    delivered_on: date
    remake_of: str | None
    extra: dict[str, str]
    import_id: int | None
    returns: tuple[RecordedReturn, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryEvent:
    """One line of a restoration's time line; `on` is None where no day was recorded."""

    on: date | None
    what: str
    detail: str = ""


def find_restoration(store: Store, restoration_id: str) -> RestorationRecord | None:
    """What do the records hold on the restoration of this number?

    Parameters
    ----------
    restoration_id : str
        The lab's own number, exactly; blanks around it do not matter.

    Returns
    -------
    RestorationRecord or None
        None where there is no such number.
    """
    with store.reader() as connection:
        return _restoration(connection, restoration_id.strip())


def latest_returns(store: Store, *, limit: int = 10) -> tuple[RecordedReturn, ...]:
    """The returns last written down, newest first, those taken back too.

    Raises
    ------
    EntryError
        `limit` is less than 1.
    """
    if limit < 1:
        raise EntryError(f"{limit} returns were asked for; ask for 1 or more.")
    query = select(schema.returns).order_by(schema.returns.c.id.desc()).limit(limit)
    with store.reader() as connection:
        return tuple(map(_recorded_return, connection.execute(query)))


def restoration_history(store: Store, restoration_id: str) -> tuple[HistoryEvent, ...]:
    """What happened to this restoration, in order?

    Returns
    -------
    tuple of HistoryEvent
        By day; within a day work comes before delivery and delivery before returns. Readings without a
        recorded day stand at the end: where they belong is not known.

    Raises
    ------
    EntryError
        There is no such number.
    """
    restoration_id = restoration_id.strip()
    with store.reader() as connection:
        record = _restoration(connection, restoration_id)
        if record is None:
            raise unknown_restoration(connection, restoration_id)
        log = schema.process_log
        # By time of recording, then by row: two readings of one day keep their order.
        query = select(log).where(log.c.restoration_id == restoration_id).order_by(log.c.recorded_at, log.c.id)
        readings = [_reading_event(row) for row in connection.execute(query)]
        remade = select(schema.restorations).where(schema.restorations.c.remake_of == restoration_id)
        replacements = [
            HistoryEvent(on=row.delivered_on, what="replaced", detail=f"by {row.restoration_id}")
            for row in connection.execute(remade.order_by(schema.restorations.c.delivered_on))
        ]
    events = [*_before_work(record), *readings, *_after_work(record), *replacements]
    # A stable sort: within a day the order above holds.
    return tuple(sorted(events, key=lambda event: event.on or date.max))


def unknown_restoration(connection: Connection, restoration_id: str) -> EntryError:
    """The error for a number that is not in the records, naming the nearest ones."""
    known = connection.scalars(select(schema.restorations.c.restoration_id)).all()
    near = get_close_matches(restoration_id, known, n=3, cutoff=0.7)
    hint = f" Numbers near it: {', '.join(near)}." if near else ""
    return EntryError(
        f"There is no restoration {restoration_id!r} in the records.{hint} "
        "Check the number, or bring the list of restorations in first."
    )


def _restoration(connection: Connection, restoration_id: str) -> RestorationRecord | None:
    table, returns = schema.restorations, schema.returns
    row = connection.execute(select(table).where(table.c.restoration_id == restoration_id)).one_or_none()
    if row is None:
        return None
    query = select(returns).where(returns.c.restoration_id == restoration_id)
    found = connection.execute(query.order_by(returns.c.reported_on, returns.c.id))
    values = dict(row._mapping) | {"extra": row.extra or {}}
    return RestorationRecord(**values, returns=tuple(map(_recorded_return, found)))


def _recorded_return(row: Row[Any]) -> RecordedReturn:
    values = dict(row._mapping) | {"extra": row.extra or {}}
    return RecordedReturn(row_id=values.pop("id"), **values)


def _before_work(record: RestorationRecord) -> Iterator[HistoryEvent]:
    if record.received_on is not None:
        detail = f"replaces {record.remake_of}" if record.remake_of else ""
        yield HistoryEvent(on=record.received_on, what="received", detail=detail)
    elif record.remake_of:
        yield HistoryEvent(on=None, what="ordered", detail=f"replaces {record.remake_of}")


def _after_work(record: RestorationRecord) -> Iterator[HistoryEvent]:
    if record.due_on is not None:
        yield HistoryEvent(on=record.due_on, what="due")
    yield HistoryEvent(on=record.delivered_on, what="delivered")
    for one in record.returns:
        yield HistoryEvent(on=one.reported_on, what="returned", detail=_return_in_words(one))
        if one.voided_at is not None:
            local = one.voided_at.replace(tzinfo=UTC).astimezone().date()
            yield HistoryEvent(on=local, what="return taken back", detail=f"{one.return_id}: {one.voided_why or ''}")


def _reading_event(row: Row[Any]) -> HistoryEvent:
    value = "not recorded" if row.value is None else row.value
    who = f", {row.operator}" if row.operator else ""
    return HistoryEvent(
        on=row.recorded_at and row.recorded_at.date(), what=row.step, detail=f"{row.reading} = {value}{who}"
    )


def _return_in_words(one: RecordedReturn) -> str:
    parts = [f"{one.return_id}: {DEFECTS.get(one.defect, one.defect)}"]
    if one.teeth:
        parts.append(f"teeth {one.teeth}")
    if one.found_at:
        parts.append(FOUND_AT.get(one.found_at, one.found_at))
    if one.severity is not None:
        parts.append(f"severity {one.severity} ({SEVERITIES[one.severity]})")
    if one.disposition:
        parts.append(one.disposition)
    if one.voided:
        parts.append("taken back")
    return ", ".join(parts)

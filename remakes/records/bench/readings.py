"""Readings at the bench: written, given a reason, taken back. A correction is a newer reading."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Row, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.bench.asked import find_asked, typed_value
from remakes.records.bench.moments import local_day, on_the_clock
from remakes.records.bench.moving import ENTRY, into_process_log, out_of_process_log
from remakes.records.bench.pieces import Piece, piece_in_hand
from remakes.records.standard import read_standard
from remakes.records.store import Store, now
from remakes.records.typed_text import note_text, one_line, pseudonym
from remakes.texts import t

__all__ = [
    "ReadingChangedError",
    "Standing",
    "Written",
    "give_reason",
    "insert_reading",
    "read_standing",
    "standing_readings",
    "void_reading",
    "write_reading",
    "write_reading_over",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """One reading as a person writes it down.

    Attributes
    ----------
    value : str
        As typed or chosen; what `not_done_value` gives for a step that was not done.
    not_done : bool
        The person said “not done” rather than measuring that value.
    operator, equipment, lot : str or None
        Who did it, on which machine, with which lot; None is not recorded.
    reason : str
        Why a limit was not kept, in the technician's words.
    """

    restoration_id: str
    step: str
    reading: str
    value: str
    not_done: bool = False
    operator: str | None = None
    equipment: str | None = None
    lot: str | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """The reading that counts now: of several, the one recorded last.

    Attributes
    ----------
    reading_id : int or None
        Its row of `bench_readings`; None where it came by a file.
    recorded_at : datetime or None
        On the lab's clock.
    """

    reading_id: int | None
    value: str
    not_done: bool
    recorded_at: datetime | None
    operator: str | None
    equipment: str | None
    lot: str | None
    reason: str
    late: bool


class ReadingChangedError(EntryError):
    """Somebody else wrote the same reading down, or took it back, after the page was opened; nothing was saved.

    Parameters
    ----------
    stands : Standing or None
        What counts now.
    """

    def __init__(self, stands: Standing | None, *, reading: str, typed: str, who: str) -> None:
        if stands is None:
            told = t(
                "{reading} was taken back by {who} after you had opened it. Yours, {typed}, is not saved: write it "
                "again if it is right.",
                reading=reading,
                who=who,
                typed=typed,
            )
        else:
            told = t(
                "{who} wrote {value} down for {reading} after you had opened it. Yours, {typed}, is not saved: look "
                "at both, and write yours again if it is right.",
                who=who,
                value=stands.value,
                reading=reading,
                typed=typed,
            )
        super().__init__(told)
        self.stands = stands


def write_reading(store: Store, written: Written, *, who: str, at: datetime | None = None) -> int:
    """Write one reading down, now.

    For what has left the lab it goes into the process log at once.

    Parameters
    ----------
    who : str
        Role and pseudonym, for the audit.
    at : datetime, optional
        The present moment, in UTC; default: now.

    Returns
    -------
    int
        Its row, for `give_reason` and `void_reading`.

    Raises
    ------
    EntryError
        The value cannot be read, the standard names no such reading, or there is no such work.
    NotAllowedError
        It is somebody else's work.
    """
    at = at or now()
    with store.writer(may="write at the bench") as connection:
        piece = piece_in_hand(store, connection, written.restoration_id)
        return insert_reading(store, connection, piece, written, who=who, recorded_at=on_the_clock(at), at=at)


def write_reading_over(
    store: Store, written: Written, opened: Standing | None, *, who: str, at: datetime | None = None
) -> int:
    """The same, if what stands there is what the page showed; a second tap of the same person writes nothing more.

    Parameters
    ----------
    opened : Standing or None
        What stood there when the page was opened; None: nothing was recorded.

    Raises
    ------
    ReadingChangedError
        Something else stands there by now.
    EntryError, NotAllowedError
        As for `write_reading`.
    """
    at = at or now()
    with store.writer(may="write at the bench") as connection:
        piece = piece_in_hand(store, connection, written.restoration_id)
        stands = _stands(connection, piece, written)
        # A reason that was given since is no other reading.
        if (stands and replace(stands, reason="")) != (opened and replace(opened, reason="")):
            asked = find_asked(read_standard(connection), piece, written.step, written.reading, today=local_day(at))
            by = _last_hand(connection, piece, written)
            typed = typed_value(asked, written.value)
            if stands is not None and stands.reading_id is not None and (stands.value, by) == (typed, who):
                return stands.reading_id
            raise ReadingChangedError(stands, reading=asked.name, typed=typed, who=by or t("An import"))
        return insert_reading(store, connection, piece, written, who=who, recorded_at=on_the_clock(at), at=at)


def insert_reading(
    store: Store,
    connection: Connection,
    piece: Piece,
    written: Written,
    *,
    who: str,
    recorded_at: datetime,
    at: datetime,
    late: bool = False,
) -> int:
    """The same inside a running write, for work that may be written on; `recorded_at` on the lab's clock.

    What is written now counts, also where the clock went back since the reading before, as it does in October.
    """
    before = None if late else _stands(connection, piece, written)
    if before is not None and before.recorded_at is not None and before.recorded_at > recorded_at:
        recorded_at = before.recorded_at + timedelta(seconds=1)
    asked = find_asked(read_standard(connection), piece, written.step, written.reading, today=local_day(at))
    value = typed_value(asked, written.value)
    values = {
        "restoration_id": piece.restoration_id,
        "step": written.step,
        "reading": written.reading,
        "value": value,
        "not_done": written.not_done and value == asked.not_done,
        "recorded_at": recorded_at,
        "operator": pseudonym(written.operator, t("code of who did it")) if written.operator else None,
        "equipment": one_line(written.equipment, t("code of the machine")) if written.equipment else None,
        "lot": one_line(written.lot, t("code of the lot")) if written.lot else None,
        "reason": note_text(written.reason, t("reason")),
        "entered_at": at,
        "entered_by": who,
        "late": late,
    }
    bench = schema.bench_readings
    (reading_id,) = connection.execute(bench.insert().values(values)).inserted_primary_key or (0,)
    in_log = piece.delivered_on is not None
    if in_log:
        into_process_log(connection, [_row(connection, reading_id)])
    # Only what is in the process log can change a figure.
    table = "process_log" if in_log else bench.name
    detail = {name: values[name] for name in ("restoration_id", "step", "reading", "value", "not_done", "late")}
    store.note(connection, who=who, what="write reading", table=table, key=str(reading_id), detail=detail)
    return int(reading_id)


def give_reason(store: Store, reading_id: int, reason: str, *, who: str, before: str | None = None) -> None:
    """Say why a limit was not kept; in the place of what was said before.

    Parameters
    ----------
    before : str, optional
        What was said when the page was opened; where it is given, another reason is not overwritten.

    Raises
    ------
    EntryError
        Blank or too long, no such reading, or somebody else gave another reason meanwhile.
    """
    reason = note_text(reason, t("reason"), needed=t("Write it in a few words, or leave it and go on."))
    bench, log = schema.bench_readings, schema.process_log
    with store.writer(may="write at the bench") as connection:
        row = _in_hand(store, connection, reading_id)
        if before is not None and row.reason not in (before, reason):
            raise EntryError(
                t(
                    "Somebody else gave a reason meanwhile: “{theirs}”. Yours is not saved: “{typed}”.",
                    theirs=row.reason,
                    typed=reason,
                )
            )
        connection.execute(bench.update().where(bench.c.id == reading_id).values(reason=reason))
        if row.process_log_id is not None:
            extra = connection.scalar(select(log.c.extra).where(log.c.id == row.process_log_id)) or {}
            if ENTRY in extra:  # a row of the bench, none of a file
                newer = {**extra, "reason": reason}
                connection.execute(log.update().where(log.c.id == row.process_log_id).values(extra=newer))
        detail = {"before": row.reason, "after": reason}
        store.note(connection, who=who, what="give reason", table=bench.name, key=str(reading_id), detail=detail)


def void_reading(store: Store, reading_id: int, *, who: str, why: str) -> None:
    """Take one reading back: it is kept with who, when and why, and counts no longer.

    Raises
    ------
    EntryError
        No reason, no such reading, taken back already, or the same row came in by a file.
    NotAllowedError
        It is somebody else's work.
    """
    why = note_text(why, t("reason"), needed=t("Write why the reading is taken back; it is kept with the reason."))
    bench = schema.bench_readings
    with store.writer(may="write at the bench") as connection:
        row = _in_hand(store, connection, reading_id)
        in_log = out_of_process_log(connection, row)
        voided = {"voided_at": now(), "voided_by": who, "voided_why": why}
        connection.execute(bench.update().where(bench.c.id == reading_id).values(voided))
        table = "process_log" if in_log else bench.name
        detail = {"restoration_id": row.restoration_id, "reading": row.reading, "value": row.value, "why": why}
        store.note(connection, who=who, what="take back reading", table=table, key=str(reading_id), detail=detail)


def standing_readings(store: Store, numbers: Iterable[str]) -> Mapping[str, Mapping[tuple[str, str], Standing]]:
    """What is recorded for these restorations: by number, then by step and reading; nothing for what is not."""
    with store.reader() as connection:
        return read_standing(connection, numbers)


def read_standing(connection: Connection, numbers: Iterable[str]) -> Mapping[str, Mapping[tuple[str, str], Standing]]:
    """The same, on a connection in hand."""
    wanted = sorted(set(numbers))
    found: dict[str, dict[tuple[str, str], Standing]] = {number: {} for number in wanted}
    bench, log = schema.bench_readings, schema.process_log
    own = select(bench).where(bench.c.restoration_id.in_(wanted), bench.c.voided_at.is_(None)).order_by(bench.c.id)
    by_bench = connection.execute(own).all()
    copies = {row.process_log_id for row in by_bench}
    filled = select(log).where(log.c.restoration_id.in_(wanted), log.c.value.is_not(None)).order_by(log.c.id)
    by_file = [_of_file(row) for row in connection.execute(filled) if row.id not in copies]
    for number, name, one in [*by_file, *map(_of_bench, by_bench)]:
        before = found[number].get(name)
        if before is None or _not_before(one, before):
            found[number][name] = one
    return found


def _stands(connection: Connection, piece: Piece, written: Written) -> Standing | None:
    return read_standing(connection, [piece.restoration_id])[piece.restoration_id].get((written.step, written.reading))


def _last_hand(connection: Connection, piece: Piece, written: Written) -> str:
    """Who wrote this reading down at the bench or took it back last; blank where nobody did."""
    bench = schema.bench_readings.c
    own = (bench.restoration_id == piece.restoration_id, bench.step == written.step, bench.reading == written.reading)
    standing_first = (bench.voided_at.is_not(None), bench.id.desc())
    query = select(bench.entered_by, bench.voided_by).where(*own).order_by(*standing_first)
    row = connection.execute(query.limit(1)).one_or_none()
    return "" if row is None else str(row.voided_by or row.entered_by)


def _not_before(one: Standing, other: Standing) -> bool:
    # What has no time of recording gives way to what has one, as where the readings are counted.
    if one.recorded_at is None or other.recorded_at is None:
        return other.recorded_at is None
    return one.recorded_at >= other.recorded_at


def _of_bench(row: Row[Any]) -> tuple[str, tuple[str, str], Standing]:
    values = {name: row._mapping[name] for name in Standing.__slots__ if name != "reading_id"}
    return row.restoration_id, (row.step, row.reading), Standing(reading_id=row.id, **values)


def _of_file(row: Row[Any]) -> tuple[str, tuple[str, str], Standing]:
    names = ("value", "recorded_at", "operator", "equipment", "lot")
    values = {name: row._mapping[name] for name in names}
    one = Standing(reading_id=None, not_done=False, reason="", late=False, **values)
    return row.restoration_id, (row.step, row.reading), one


def _row(connection: Connection, reading_id: int) -> Row[Any]:
    bench = schema.bench_readings
    return connection.execute(select(bench).where(bench.c.id == reading_id)).one()


def _in_hand(store: Store, connection: Connection, reading_id: int) -> Row[Any]:
    bench = schema.bench_readings
    row = connection.execute(select(bench).where(bench.c.id == reading_id)).one_or_none()
    if row is None:
        raise EntryError(t("There is no reading {number}. Choose one of those on the page.", number=reading_id))
    if row.voided_at is not None:
        raise EntryError(
            t("{who} took this reading back before: {why}", who=row.voided_by or t("Somebody"), why=row.voided_why)
        )
    piece_in_hand(store, connection, row.restoration_id)
    return row

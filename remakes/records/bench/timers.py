"""Timers: their start stands in the store, so that no refresh, restart or other browser loses a waiting time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import Connection, Row, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.bench.asked import Asked, find_asked
from remakes.records.bench.codes import StepCodes
from remakes.records.bench.moments import local_day, on_the_clock, stored
from remakes.records.bench.pieces import piece_in_hand
from remakes.records.bench.readings import Written, insert_reading
from remakes.records.standard import read_standard
from remakes.records.store import Store, now
from remakes.records.typed_text import note_text
from remakes.texts import t

__all__ = [
    "ForgottenTimerError",
    "Stopped",
    "Timer",
    "TimerStoppedError",
    "as_value",
    "give_up_timer",
    "running_timers",
    "start_timer",
    "stop_forgotten",
    "stop_timer",
]

#: A timer that runs longer, or into another day, was forgotten: its time is not taken unasked.
_LONGEST: Final = timedelta(hours=12)


class TimerStoppedError(EntryError):
    """Somebody stopped this timer, or gave it up, before; nothing was saved."""


class ForgottenTimerError(EntryError):
    """The timer has run for more than twelve hours or into another day; nothing was saved."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Timer:
    """One timer; times in UTC."""

    id: int
    restoration_id: str
    step: str
    reading: str
    started_at: datetime
    started_by: str
    stopped_at: datetime | None
    stopped_by: str | None
    given_up_why: str | None

    def seconds(self, at: datetime) -> int:
        """Whole seconds since the start; never below zero, as after a change of the clock."""
        return max(0, int((at - self.started_at) // timedelta(seconds=1)))

    def forgotten(self, at: datetime) -> bool:
        """Has it run for more than twelve hours, or into another day of the lab, or backwards as the clock says?"""
        return not timedelta(0) <= at - self.started_at <= _LONGEST or local_day(at) != local_day(self.started_at)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopped:
    """What stopping a timer wrote down."""

    reading_id: int
    value: str
    seconds: int
    missed: bool


def running_timers(store: Store, *, technician: str | None = None, started_by: str | None = None) -> tuple[Timer, ...]:
    """Which timers are running?

    Parameters
    ----------
    technician : str, optional
        Only those on this person's work, and those started by `started_by`; default: all.

    Returns
    -------
    tuple of Timer
        The first started first.
    """
    timers, work, restorations = schema.timers, schema.open_work, schema.restorations
    query = select(timers).where(timers.c.stopped_at.is_(None)).order_by(timers.c.started_at, timers.c.id)
    if technician is not None:
        of_work = select(work.c.restoration_id).where(work.c.technician == technician)
        of_restorations = select(restorations.c.restoration_id).where(restorations.c.technician == technician)
        number = timers.c.restoration_id
        own = number.in_(of_work) | number.in_(of_restorations)
        query = query.where(own | (timers.c.started_by == started_by) if started_by else own)
    with store.reader() as connection:
        return tuple(map(_timer, connection.execute(query)))


def start_timer(
    store: Store, restoration_id: str, *, step: str, reading: str, who: str, at: datetime | None = None
) -> Timer:
    """Start the waiting time of one reading.

    Parameters
    ----------
    at : datetime, optional
        In UTC; default: now, by the clock of the machine that runs the app.

    Raises
    ------
    EntryError
        It is running already, or the reading is no time in seconds or minutes.
    NotAllowedError
        It is somebody else's work.
    """
    at = at or now()
    timers = schema.timers
    with store.writer(may="write at the bench") as connection:
        piece = piece_in_hand(store, connection, restoration_id)
        asked = find_asked(read_standard(connection), piece, step, reading, today=local_day(at))
        if asked.control != "timer":
            raise EntryError(t("{reading} is no time in seconds or minutes. Type its value.", reading=reading))
        same = (timers.c.restoration_id == piece.restoration_id, timers.c.step == step, timers.c.reading == reading)
        row = connection.execute(select(timers).where(*same, timers.c.stopped_at.is_(None))).one_or_none()
        if row is not None:
            raise EntryError(
                t(
                    "{who} started this timer at {time}; it is running.",
                    who=row.started_by,
                    time=f"{on_the_clock(row.started_at):%H:%M:%S}",
                )
            )
        values = {
            "restoration_id": piece.restoration_id,
            "step": step,
            "reading": reading,
            "started_at": at,
            "started_by": who,
        }
        (number,) = connection.execute(timers.insert().values(values)).inserted_primary_key or (0,)
        detail = {"restoration_id": piece.restoration_id, "step": step, "reading": reading}
        store.note(connection, who=who, what="start timer", table=timers.name, key=str(number), detail=detail)
        return _timer(_read(connection, number))


def stop_timer(
    store: Store,
    timer_id: int,
    *,
    who: str,
    operator: str | None = None,
    equipment: str | None = None,
    lot: str | None = None,
    at: datetime | None = None,
) -> Stopped:
    """Stop a timer and write its time down, in the unit of the reading.

    Whole seconds, or hundredths of a minute, both rounded down: a time is never made longer.

    Raises
    ------
    TimerStoppedError
        Somebody stopped it before.
    ForgottenTimerError
        It ran for more than twelve hours or into another day: see `stop_forgotten` and `give_up_timer`.
    """
    at = at or now()
    with store.writer(may="write at the bench") as connection:
        timer = _running(connection, timer_id)
        if timer.forgotten(at):
            raise ForgottenTimerError(
                t(
                    "The timer for {reading} on {number} has been running since {start}. Say when the time was up, or "
                    "give the timer up; its time is not taken as it is.",
                    reading=timer.reading,
                    number=timer.restoration_id,
                    start=f"{on_the_clock(timer.started_at):%Y-%m-%d %H:%M}",
                )
            )
        used = StepCodes(operator=operator or "", equipment=equipment or "", lot=lot or "")
        return _stop(store, connection, timer, who=who, stopped_at=at, at=at, used=used, late=False)


def stop_forgotten(
    store: Store,
    timer_id: int,
    *,
    stopped_at: datetime,
    who: str,
    operator: str | None = None,
    at: datetime | None = None,
) -> Stopped:
    """Say afterwards when a forgotten timer should have been stopped; its time is a late entry.

    Parameters
    ----------
    stopped_at : datetime
        On the lab's clock.

    Raises
    ------
    EntryError
        Before the start, in the future, or more than twelve hours after the start.
    """
    at, end = at or now(), stored(stopped_at)
    with store.writer(may="write at the bench") as connection:
        timer = _running(connection, timer_id)
        if end < timer.started_at:
            # In October an hour of the clock comes twice: then the second is meant.
            end = stored(stopped_at.replace(fold=1))
        if not timer.started_at <= end <= at or end - timer.started_at > _LONGEST:
            raise EntryError(
                t(
                    "{end} is not within twelve hours of the start, {start}, or not past yet. Type the time again, or "
                    "give the timer up.",
                    end=f"{stopped_at:%Y-%m-%d %H:%M}",
                    start=f"{on_the_clock(timer.started_at):%Y-%m-%d %H:%M}",
                )
            )
        used = StepCodes(operator=operator or "")
        return _stop(store, connection, timer, who=who, stopped_at=end, at=at, used=used, late=True)


def give_up_timer(store: Store, timer_id: int, *, why: str, who: str) -> None:
    """Stop a timer without writing its time down.

    Raises
    ------
    EntryError
        No reason.
    TimerStoppedError
        Somebody stopped it before.
    """
    why = note_text(why, t("reason"), needed=t("Write or choose why the timer is given up; it is kept with it."))
    timers = schema.timers
    with store.writer(may="write at the bench") as connection:
        timer = _running(connection, timer_id)
        piece_in_hand(store, connection, timer.restoration_id)
        ended = {"stopped_at": now(), "stopped_by": who, "given_up_why": why}
        connection.execute(timers.update().where(timers.c.id == timer_id).values(ended))
        detail = {"restoration_id": timer.restoration_id, "reading": timer.reading, "why": why}
        store.note(connection, who=who, what="give up timer", table=timers.name, key=str(timer_id), detail=detail)


def as_value(seconds: int, asked: Asked) -> str:
    """A time in the unit of its reading: whole seconds, or minutes with two decimals, rounded down."""
    hundredths = seconds * 100 // asked.unit_seconds
    return f"{hundredths / 100:.12g}"


def _stop(
    store: Store,
    connection: Connection,
    timer: Timer,
    *,
    who: str,
    stopped_at: datetime,
    at: datetime,
    used: StepCodes,
    late: bool,
) -> Stopped:
    piece = piece_in_hand(store, connection, timer.restoration_id)
    asked = find_asked(read_standard(connection), piece, timer.step, timer.reading, today=local_day(at))
    seconds = timer.seconds(stopped_at)
    written = Written(
        restoration_id=timer.restoration_id,
        step=timer.step,
        reading=timer.reading,
        value=as_value(seconds, asked),
        operator=used.operator or None,
        equipment=used.equipment or None,
        lot=used.lot or None,
    )
    clock = on_the_clock(stopped_at)
    reading_id = insert_reading(store, connection, piece, written, who=who, recorded_at=clock, at=at, late=late)
    timers = schema.timers
    ended = {"stopped_at": stopped_at, "stopped_by": who}
    connection.execute(timers.update().where(timers.c.id == timer.id).values(ended))
    return Stopped(
        reading_id=reading_id, value=written.value, seconds=seconds, missed=bool(asked.missed(written.value))
    )


def _running(connection: Connection, timer_id: int) -> Timer:
    timer = _timer(_read(connection, timer_id))
    if timer.stopped_at is None:
        return timer
    who, time = timer.stopped_by or "", f"{on_the_clock(timer.stopped_at):%H:%M:%S}"
    if timer.given_up_why:
        raise TimerStoppedError(
            t(
                "{who} gave this timer up at {time}: {why}. Nothing more was saved.",
                who=who,
                time=time,
                why=timer.given_up_why,
            )
        )
    raise TimerStoppedError(
        t(
            "{who} stopped this timer at {time}, after {seconds} s. That time stands; nothing more was saved.",
            who=who,
            time=time,
            seconds=timer.seconds(timer.stopped_at),
        )
    )


def _read(connection: Connection, timer_id: int) -> Row[Any]:
    timers = schema.timers
    row = connection.execute(select(timers).where(timers.c.id == timer_id)).one_or_none()
    if row is None:
        raise EntryError(t("There is no timer {number}. Choose one of those on the page.", number=timer_id))
    return row


def _timer(row: Row[Any]) -> Timer:
    return Timer(**row._mapping)

"""How the bench stands: whose work is open, how much of it is written down, and what was left lying."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from sqlalchemy import Connection, func, select

from remakes.records import schema
from remakes.records.bench.asked import Asked, asked_of
from remakes.records.bench.pieces import DELIVERED, Piece
from remakes.records.bench.readings import Standing, standing_readings
from remakes.records.bench.timers import Timer, running_timers
from remakes.records.bench.work import open_work
from remakes.records.standard import ProcessStandard, load_standard
from remakes.records.store import Store
from remakes.texts import tn

__all__ = ["BenchPiece", "BenchStand", "bench_piece", "bench_stand", "left_lying"]

_WAITING_DAYS: Final = 60
_TIMER_HOURS: Final = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchPiece:
    """One piece with what it needs and what is recorded of it."""

    piece: Piece
    asked: Mapping[str, tuple[Asked, ...]]
    standing: Mapping[tuple[str, str], Standing]

    @property
    def needed(self) -> int:
        """Readings that its requirements ask for."""
        return sum(len(readings) for readings in self.asked.values())

    @property
    def recorded(self) -> int:
        """Those of them that are recorded."""
        return sum(self.recorded_of(step) for step in self.asked)

    def recorded_of(self, step: str) -> int:
        """Those of one step."""
        return sum((one.step, one.reading) in self.standing for one in self.asked.get(step, ()))

    @property
    def next_step(self) -> str:
        """The first step in working order of which something is not recorded; blank if none."""
        return next((step for step, readings in self.asked.items() if self.recorded_of(step) < len(readings)), "")


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchStand:
    """One person's bench: pieces by due day, and running timers."""

    pieces: tuple[BenchPiece, ...]
    timers: tuple[Timer, ...]

    @property
    def unfinished(self) -> int:
        """Pieces begun of which at least one reading is not recorded."""
        return sum(one.recorded < one.needed for one in self.pieces)


def bench_stand(store: Store, *, technician: str, who: str, today: date) -> BenchStand:
    """What has this person on the bench?

    Parameters
    ----------
    technician : str
        Own work and what nobody has yet.
    who : str
        Role and pseudonym: timers this person started on other work are shown too.
    """
    pieces = open_work(store, technician=technician)
    standard = load_standard(store)
    standing = standing_readings(store, (one.restoration_id for one in pieces))
    return BenchStand(
        pieces=tuple(
            BenchPiece(piece=one, asked=asked_of(standard, one, today=today), standing=standing[one.restoration_id])
            for one in pieces
        ),
        timers=running_timers(store, technician=technician, started_by=who),
    )


def bench_piece(store: Store, piece: Piece, standard: ProcessStandard, *, today: date) -> BenchPiece:
    """One piece with what it needs and what is recorded of it."""
    standing = standing_readings(store, [piece.restoration_id])[piece.restoration_id]
    return BenchPiece(piece=piece, asked=asked_of(standard, piece, today=today), standing=standing)


def left_lying(connection: Connection, at: datetime) -> Iterator[str]:
    """Readings whose restoration was never delivered, and timers that nobody stopped, in words.

    Parameters
    ----------
    at : datetime
        The present moment, in UTC.
    """
    bench, timers = schema.bench_readings.c, schema.timers.c
    work = schema.open_work.c
    given_up = select(work.restoration_id).where(work.closed_at.is_not(None), work.closed_why != DELIVERED)
    waiting = bench.process_log_id.is_(None) & bench.voided_at.is_(None) & bench.restoration_id.not_in(given_up)
    old = select(bench.restoration_id, func.count()).where(waiting).group_by(bench.restoration_id)
    old = old.having(func.max(bench.entered_at) < at - timedelta(days=_WAITING_DAYS)).order_by(bench.restoration_id)
    found = connection.execute(old).all()
    if found:
        yield tn(
            sum(n for _, n in found),
            "One reading at the bench is of a restoration that was not delivered for more than {days} days "
            "({numbers}); it is in no figure. Deliver it, or give the work up.",
            "{n} readings at the bench are of restorations that were not delivered for more than {days} days "
            "({numbers}); they are in no figure. Deliver them, or give the work up.",
            days=_WAITING_DAYS,
            numbers=_some([number for number, _ in found]),
        )
    running = select(timers.restoration_id).where(timers.stopped_at.is_(None))
    running = running.where(timers.started_at < at - timedelta(hours=_TIMER_HOURS)).order_by(timers.started_at)
    if numbers := connection.scalars(running).all():
        yield tn(
            len(numbers),
            "One timer has been running for more than a day ({numbers}). Say at the bench when it stopped, or give it "
            "up.",
            "{n} timers have been running for more than a day ({numbers}). Say at the bench when they stopped, or give "
            "them up.",
            numbers=_some(list(dict.fromkeys(numbers))),
        )


def _some(numbers: list[str], most: int = 5) -> str:
    return ", ".join(numbers[:most]) + (" …" if len(numbers) > most else "")

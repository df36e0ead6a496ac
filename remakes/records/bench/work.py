"""Open work: begun, taken over, corrected, given up. Delivering is in `delivery`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Final

from sqlalchemy import Connection, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.bench.pieces import Piece, as_piece, piece_in_hand, read_piece, refuse_others, still_open
from remakes.records.cells import Problem
from remakes.records.entries import RefusedEntryError
from remakes.records.rows import check_restoration
from remakes.records.store import Store, now
from remakes.records.typed_text import note_text, pseudonym
from remakes.texts import t

__all__ = [
    "FIELDS",
    "Usual",
    "WorkChangedError",
    "add_work",
    "change_work",
    "close_row",
    "give_up_work",
    "open_work",
    "refuse_running",
    "refuse_stale",
    "take_over",
    "usual_work",
]

#: What a person fills in or corrects.
FIELDS: Final = (
    *("case_id", "clinic", "technician", "kind", "teeth", "units", "framework", "veneer"),
    *("difficulty", "received_on", "due_on", "remake_of"),
)
#: Stands in for the day that is not known before the delivery, so that the checks of a restoration can be used.
_SOME_DAY: Final = date(2100, 12, 31)


class WorkChangedError(EntryError):
    """Somebody else changed the work since it was opened here; nothing was saved.

    Parameters
    ----------
    current : Piece
        As it stands now.
    changed_by : str
    """

    def __init__(self, current: Piece, changed_by: str) -> None:
        super().__init__(
            t(
                "{who} changed {number} since you opened it. Nothing was saved: look at what stands there now, and "
                "change it again if it is still needed.",
                who=changed_by,
                number=current.restoration_id,
            )
        )
        self.current = current
        self.changed_by = changed_by


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """What the form for new work is filled with at first, and what it offers."""

    kind: str = "crown"
    veneer: str | None = None
    framework: str | None = None
    veneers: tuple[str, ...] = ()
    frameworks: tuple[str, ...] = ()


def open_work(store: Store, *, technician: str | None = None) -> tuple[Piece, ...]:
    """What is begun and not delivered?

    Parameters
    ----------
    technician : str, optional
        Only this person's, and what nobody has yet; default: all.

    Returns
    -------
    tuple of Piece
        The first due first; without a due day last.
    """
    work = schema.open_work
    query = select(work).where(still_open())
    if technician is not None:
        query = query.where((work.c.technician == technician) | work.c.technician.is_(None))
    query = query.order_by(work.c.due_on.is_(None), work.c.due_on, work.c.opened_at, work.c.restoration_id)
    with store.reader() as connection:
        return tuple(map(as_piece, connection.execute(query)))


def usual_work(store: Store, *, who: str) -> Usual:
    """Materials as this person last typed them, or else as the lab last delivered; and all that the lab has used."""
    work, restorations = schema.open_work, schema.restorations
    with store.reader() as connection:
        own = select(work).where(work.c.opened_by == who).order_by(work.c.opened_at.desc()).limit(1)
        last = connection.execute(own).first()
        if last is None:
            last = connection.execute(
                select(restorations).order_by(restorations.c.delivered_on.desc()).limit(1)
            ).first()
        known = {name: _used(connection, name) for name in ("veneer", "framework")}
    values = {} if last is None else {name: last._mapping[name] for name in ("kind", "veneer", "framework")}
    return Usual(**values, veneers=known["veneer"], frameworks=known["framework"])


def _used(connection: Connection, column: str) -> tuple[str, ...]:
    found: set[str] = set()
    for table in (schema.restorations, schema.open_work):
        found.update(connection.scalars(select(table.c[column]).where(table.c[column].is_not(None)).distinct()))
    return tuple(sorted(found))


def add_work(store: Store, raw: Mapping[str, object], *, who: str) -> Piece:
    """Begin a restoration: it is in work until it is delivered or given up.

    Parameters
    ----------
    raw : mapping
        `restoration_id` and the columns of `FIELDS` as typed. Blank `units` become the number of teeth.
    who : str
        Role and pseudonym, for the audit.

    Raises
    ------
    RefusedEntryError
        A field is faulty.
    EntryError
        The number is in work, or delivered already.
    NotAllowedError
        It would be somebody else's work.
    """
    values = _checked(raw)
    with store.writer(may="write at the bench") as connection:
        number = values["restoration_id"]
        _refuse_known(connection, number)
        opened = {"version": 1, "opened_at": now(), "opened_by": who, "closed_at": None, "closed_why": None}
        work = schema.open_work
        before = connection.scalar(select(work.c.version).where(work.c.restoration_id == number))
        if before is None:
            connection.execute(work.insert().values(values | opened))
        else:  # given up once, and begun again
            again = values | opened | {"version": before + 1}
            connection.execute(work.update().where(work.c.restoration_id == number).values(again))
        piece = _standing(connection, number)
        if piece.technician is not None:
            refuse_others(store, piece)
        store.note(connection, who=who, what="begin work", table=work.name, key=number, detail=_as_json(values))
    return piece


def change_work(store: Store, restoration_id: str, changes: Mapping[str, object], *, version: int, who: str) -> Piece:
    """Correct what is known of open work.

    Parameters
    ----------
    changes : mapping
        Columns of `FIELDS`; the others stay.
    version : int
        As the form was opened with.

    Raises
    ------
    WorkChangedError
        Somebody else changed it meanwhile.
    RefusedEntryError, EntryError, NotAllowedError
        As for `add_work`.
    """
    with store.writer(may="write at the bench") as connection:
        before = piece_in_hand(store, connection, restoration_id)
        refuse_stale(connection, before, version)
        stands = {name: getattr(before, name) for name in FIELDS}
        values = _checked({"restoration_id": restoration_id, **stands, **changes})
        return _update(store, connection, before, values, who=who, what="change work")


def take_over(store: Store, restoration_id: str, *, technician: str, version: int, who: str) -> Piece:
    """Take work that nobody has yet as one's own.

    Raises
    ------
    EntryError
        Somebody has it already, or it is not in work.
    WorkChangedError
        Somebody else changed it meanwhile.
    """
    technician = pseudonym(technician, t("code of the technician"))
    with store.writer(may="write at the bench") as connection:
        before = read_piece(connection, restoration_id)
        if before is None or before.version is None:
            raise EntryError(t("{number} is not in work, so nobody can take it over.", number=restoration_id))
        if before.technician is not None:
            raise EntryError(t("{technician} works on {number}.", technician=before.technician, number=restoration_id))
        refuse_stale(connection, before, version)
        refuse_others(store, replace(before, technician=technician))
        return _update(store, connection, before, {"technician": technician}, who=who, what="take over work")


def give_up_work(store: Store, restoration_id: str, *, why: str, version: int, who: str) -> None:
    """Close work that will not be delivered; its readings are kept and never become figures.

    Raises
    ------
    EntryError
        No reason, not in work, a timer is running, or changed meanwhile.
    """
    why = note_text(why, t("reason"), needed=t("Write why the work is given up; it is kept with the reason."))
    with store.writer(may="write at the bench") as connection:
        piece = piece_in_hand(store, connection, restoration_id)
        if piece.version is None:
            raise EntryError(t("{number} has left the lab, so it cannot be given up.", number=restoration_id))
        refuse_stale(connection, piece, version)
        # Once the work is given up nobody has it in hand, and nothing could stop the timer any more.
        refuse_running(connection, restoration_id)
        close_row(connection, piece, why)
        detail = {"why": why}
        store.note(connection, who=who, what="give up work", table="open_work", key=restoration_id, detail=detail)


def close_row(connection: Connection, piece: Piece, why: str) -> None:
    """Close the row of open work, inside a running write."""
    work = schema.open_work
    closed = {"closed_at": now(), "closed_why": why, "version": (piece.version or 0) + 1}
    connection.execute(work.update().where(work.c.restoration_id == piece.restoration_id).values(closed))


def refuse_running(connection: Connection, restoration_id: str) -> None:
    """Stop whoever would close work while a timer runs on it.

    Raises
    ------
    EntryError
        A timer is running.
    """
    timers = schema.timers.c
    running = select(timers.reading).where(timers.restoration_id == restoration_id, timers.stopped_at.is_(None))
    if reading := connection.scalar(running.limit(1)):
        raise EntryError(
            t(
                "The timer for {reading} is still running on {number}. Stop it, or give it up first.",
                reading=reading,
                number=restoration_id,
            )
        )


def refuse_stale(connection: Connection, piece: Piece, version: int) -> None:
    """Stop a change of work that somebody else changed since.

    Raises
    ------
    WorkChangedError
        The version is not the one that was opened.
    """
    if piece.version == version:
        return
    audit = schema.audit.c
    of_work = (audit.table_name == "open_work") | ((audit.table_name == "restorations") & (audit.what == "deliver"))
    query = select(audit.who).where(of_work, audit.row_key == piece.restoration_id)
    changed_by = connection.scalar(query.order_by(audit.id.desc()).limit(1))
    raise WorkChangedError(piece, changed_by or t("Somebody"))


def _update(
    store: Store, connection: Connection, before: Piece, values: Mapping[str, Any], *, who: str, what: str
) -> Piece:
    work, number = schema.open_work, before.restoration_id
    moved = {name: value for name, value in values.items() if getattr(before, name) != value}
    if not moved:
        return before
    newer = {**moved, "version": (before.version or 0) + 1}
    connection.execute(work.update().where(work.c.restoration_id == number).values(newer))
    piece = _standing(connection, number)
    if piece.technician is not None:
        refuse_others(store, piece)
    detail = {"before": _as_json({name: getattr(before, name) for name in moved}), "after": _as_json(moved)}
    store.note(connection, who=who, what=what, table=work.name, key=number, detail=detail)
    return piece


def _standing(connection: Connection, number: str) -> Piece:
    work = schema.open_work
    return as_piece(connection.execute(select(work).where(work.c.restoration_id == number)).one())


def _checked(raw: Mapping[str, object]) -> dict[str, Any]:
    row, problems = check_restoration(
        {name: raw.get(name) for name in ("restoration_id", *FIELDS)} | {"delivered_on": _SOME_DAY}
    )
    if row is None:
        raise RefusedEntryError(tuple(problems))
    values = row.model_dump(include={"restoration_id", *FIELDS})
    if values["technician"] is not None:
        values["technician"] = pseudonym(values["technician"], t("code of the technician"))
    if values["restoration_id"] is not None and len(values["restoration_id"]) > 60:
        problem = Problem(
            column="restoration_id",
            value=values["restoration_id"][:60],
            reason=t("The number is longer than 60 signs."),
            mend=t("Scan or type the lab's own number."),
        )
        raise RefusedEntryError((problem,))
    return values


def _refuse_known(connection: Connection, number: str) -> None:
    piece = read_piece(connection, number)
    if piece is None:
        return
    if piece.delivered_on is not None:
        raise EntryError(
            t(
                "{number} left the lab on {day}. Open it by its number to write down what is missing.",
                number=number,
                day=piece.delivered_on.isoformat(),
            )
        )
    raise EntryError(
        t("{number} is in work already, begun by {who}. Open it by its number.", number=number, who=piece.opened_by)
    )


def _as_json(values: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value.isoformat() if isinstance(value, date) else value for name, value in values.items()}

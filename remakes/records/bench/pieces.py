"""One piece on the bench: open work, or a restoration that has left the lab and may still get late entries."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, Row, select

from remakes.errors import EntryError, NotAllowedError
from remakes.records import schema
from remakes.records.cells import shown
from remakes.records.standard import APPLIES_WHEN_COLUMNS
from remakes.records.store import Store
from remakes.texts import t

__all__ = [
    "DELIVERED",
    "Piece",
    "as_piece",
    "find_begun",
    "find_piece",
    "may_write",
    "piece_in_hand",
    "read_piece",
    "refuse_others",
    "still_open",
]

#: Why work was closed, where it became a restoration of the records.
DELIVERED: Final = "delivered"


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """What the bench knows of one restoration.

    Attributes
    ----------
    version : int or None
        Handed back with a change of open work; None for what has left the lab.
    delivered_on : date or None
        None: still in work.
    opened_at : datetime or None
        In UTC; None for what has left the lab.
    """

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
    remake_of: str | None
    version: int | None = None
    opened_at: datetime | None = None
    opened_by: str = ""
    delivered_on: date | None = None

    @property
    def attributes(self) -> Mapping[str, str | None]:
        """What a requirement may depend on."""
        return {column: getattr(self, column) for column in APPLIES_WHEN_COLUMNS}


def find_piece(store: Store, restoration_id: str) -> Piece | None:
    """The open work or the restoration of this number; None where there is neither."""
    with store.reader() as connection:
        return read_piece(connection, restoration_id.strip())


def find_begun(store: Store, restoration_id: str) -> Piece | None:
    """The work that was begun under this number, also if it was given up or delivered since; None: never begun here."""
    work = schema.open_work
    with store.reader() as connection:
        row = connection.execute(select(work).where(work.c.restoration_id == restoration_id.strip())).one_or_none()
    return None if row is None else as_piece(row)


def read_piece(connection: Connection, restoration_id: str) -> Piece | None:
    """The same, inside a running read or write. What has left the lab comes first."""
    restorations, work = schema.restorations, schema.open_work
    row = connection.execute(select(restorations).where(restorations.c.restoration_id == restoration_id)).one_or_none()
    if row is None:
        query = select(work).where(work.c.restoration_id == restoration_id, still_open())
        row = connection.execute(query).one_or_none()
    return None if row is None else as_piece(row)


def piece_in_hand(store: Store, connection: Connection, restoration_id: str) -> Piece:
    """The piece a person is about to write on.

    Raises
    ------
    EntryError
        There is none of this number, or nobody has it yet.
    NotAllowedError
        It is somebody else's.
    """
    piece = read_piece(connection, restoration_id)
    if piece is None:
        raise EntryError(
            t("There is no work of the number “{number}”. Add it first.", number=shown(restoration_id) or "-")
        )
    refuse_others(store, piece)
    return piece


def may_write(store: Store, piece: Piece) -> bool:
    """Is it this person's own work, or does a role allow all of it?"""
    actor = store.actor
    return actor is None or "manager" in actor.roles or piece.technician == actor.code


def refuse_others(store: Store, piece: Piece) -> None:
    """Stop a technician who would write on somebody else's work.

    Raises
    ------
    EntryError
        Nobody has it yet: it can be taken over.
    NotAllowedError
        Somebody else has it.
    """
    if may_write(store, piece):
        return
    if piece.technician is None:
        if piece.delivered_on is None:
            raise EntryError(t("Nobody works on {number} yet. Take it over first.", number=piece.restoration_id))
        raise NotAllowedError(
            t(
                "{number} is in the records without a technician, so it is nobody's own work. Nothing was saved: "
                "ask the manager to write it down.",
                number=piece.restoration_id,
            )
        )
    raise NotAllowedError(
        t(
            "{number} is the work of {technician}. Nothing was saved: {technician} or the manager can write on it.",
            number=piece.restoration_id,
            technician=piece.technician,
        )
    )


def still_open() -> ColumnElement[bool]:
    """Rows of open work that is still in work; also what was delivered by an import that was taken back."""
    work, restorations = schema.open_work.c, schema.restorations.c
    known = select(restorations.restoration_id).where(restorations.restoration_id == work.restoration_id).exists()
    return (work.closed_at.is_(None) | (work.closed_why == DELIVERED)) & ~known


def as_piece(row: Row[Any]) -> Piece:
    """A row of open work or of the restorations as a piece."""
    have = row._mapping
    return Piece(**{name: have[name] for name in Piece.__slots__ if name in have})

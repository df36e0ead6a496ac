"""Which restoration replaces which: a remake is linked to the piece it was made for."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Row, or_, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.look_up import unknown_restoration
from remakes.records.store import Store
from remakes.records.typed_text import note_text
from remakes.texts import t

__all__ = ["check_link", "likely_replaced", "link_remake", "replaced_by", "unlink_remake"]

_MOST_OFFERED = 5


def link_remake(store: Store, restoration_id: str, *, replaces: str, who: str) -> None:
    """Say that a restoration was made in place of an earlier one.

    Raises
    ------
    EntryError
        One of the two is unknown, they are the same, the link would run in a circle, the remake left the lab
        before the piece it replaces, or it is linked to another piece already. Nothing was saved.
    """
    table = schema.restorations
    with store.writer(may="enter returns") as connection:
        one = _checked(connection, restoration_id, replaces)
        if one.remake_of == replaces.strip():
            return
        connection.execute(
            table.update().where(table.c.restoration_id == one.restoration_id).values(remake_of=replaces.strip())
        )
        _note(store, connection, one, who=who, after=replaces.strip())


def check_link(store: Store, restoration_id: str, *, replaces: str) -> None:
    """Could these two be linked? Raises what `link_remake` would raise, and writes nothing."""
    with store.reader() as connection:
        _checked(connection, restoration_id, replaces)


def unlink_remake(store: Store, restoration_id: str, *, was: str, who: str, why: str) -> None:
    """Take a link back: the restoration no longer counts as a remake.

    Parameters
    ----------
    was : str
        What it was linked to when the person looked; another link by now is left alone.
    why : str
        Kept in the audit.

    Raises
    ------
    EntryError
        Unknown number, no reason or one that is too long, or the link is another one by now.
    """
    if not why.strip():
        raise EntryError(t("No reason was given. Write why the link is taken back; it is kept with the reason."))
    why = note_text(why, t("reason"))
    table = schema.restorations
    with store.writer(may="enter returns") as connection:
        one = _restoration(connection, restoration_id)
        if one.remake_of != was:
            raise EntryError(
                t(
                    "Somebody else changed this meanwhile: {number} now stands as a remake of {other}. "
                    "Nothing was saved: look again, then decide.",
                    number=one.restoration_id,
                    other=one.remake_of or t("nothing"),
                )
            )
        connection.execute(table.update().where(table.c.restoration_id == one.restoration_id).values(remake_of=None))
        _note(store, connection, one, who=who, after=None, why=why)


def likely_replaced(store: Store, restoration_id: str) -> tuple[str, ...]:
    """Earlier restorations that this one, if it is a remake without a link, was probably made for.

    Those of the same case, or of the same clinic and teeth with a return that ended in a remake; the latest
    first. Empty where the link is there already.
    """
    table, returns = schema.restorations.c, schema.returns.c
    with store.reader() as connection:
        one = connection.execute(select(schema.restorations).where(table.restoration_id == restoration_id)).first()
        if one is None or one.remake_of is not None:
            return ()
        remade = select(returns.id).where(
            returns.restoration_id == table.restoration_id, returns.disposition == "remade", returns.voided_at.is_(None)
        )
        alike = []
        if one.case_id:
            alike.append(table.case_id == one.case_id)
        if one.clinic and one.teeth:
            alike.append((table.clinic == one.clinic) & (table.teeth == one.teeth) & remade.exists())
        if not alike:
            return ()
        query = (
            select(table.restoration_id)
            .where(table.restoration_id != restoration_id, table.delivered_on < one.delivered_on, or_(*alike))
            .order_by(table.delivered_on.desc())
            .limit(_MOST_OFFERED)
        )
        return tuple(connection.scalars(query))


def replaced_by(store: Store, restoration_id: str) -> tuple[str, ...]:
    """The restorations made in place of this one, by day of delivery."""
    table = schema.restorations.c
    query = select(table.restoration_id).where(table.remake_of == restoration_id).order_by(table.delivered_on)
    with store.reader() as connection:
        return tuple(connection.scalars(query))


def _checked(connection: Connection, restoration_id: str, replaces: str) -> Row[Any]:
    one, earlier = _restoration(connection, restoration_id), _restoration(connection, replaces)
    names = {"number": one.restoration_id, "other": earlier.restoration_id}
    if one.restoration_id == earlier.restoration_id:
        raise EntryError(t("{number} cannot replace itself. Give the number of the earlier restoration.", **names))
    if one.remake_of not in (None, earlier.restoration_id):
        raise EntryError(
            t(
                "{number} is linked to {linked} already. Take that link back first, on the page of {number}.",
                linked=one.remake_of,
                **names,
            )
        )
    if one.delivered_on < earlier.delivered_on:
        raise EntryError(
            t("{number} was delivered before {other}, so it cannot replace it. Check the two numbers.", **names)
        )
    if one.restoration_id in _chain(connection, earlier):
        raise EntryError(
            t("{other} itself goes back to {number}: the two cannot replace each other. Check the numbers.", **names)
        )
    return one


def _chain(connection: Connection, start: Row[Any]) -> set[str]:
    """Everything that a restoration goes back to, step by step."""
    table = schema.restorations.c
    seen: set[str] = set()
    number = start.remake_of
    while number is not None and number not in seen:
        seen.add(number)
        number = connection.scalar(select(table.remake_of).where(table.restoration_id == number))
    return seen


def _restoration(connection: Connection, restoration_id: str) -> Row[Any]:
    table = schema.restorations
    row = connection.execute(select(table).where(table.c.restoration_id == restoration_id.strip())).one_or_none()
    if row is None:
        raise unknown_restoration(connection, restoration_id.strip())
    return row


def _note(
    store: Store, connection: Connection, one: Row[Any], *, who: str, after: str | None, why: str | None = None
) -> None:
    detail = {"remake_of": after, "before": one.remake_of} | ({"why": why} if why else {})
    what = "link remake" if after else "take back link"
    store.note(connection, who=who, what=what, table="restorations", key=one.restoration_id, detail=detail)

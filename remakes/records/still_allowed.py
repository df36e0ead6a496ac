"""May whoever began a write still end it: is the session still going on, and does the person still hold the role?

A page stays open while its session ends, or a role is taken away; a press on it then must change nothing.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import Connection, Row, select

from remakes.errors import NotAllowedError
from remakes.records import schema
from remakes.records.permissions import Actor, Permission
from remakes.texts import t

__all__ = [
    "IDLE_KEY",
    "IDLE_MINUTES",
    "WHOLE_LIFE",
    "SessionEndedError",
    "goes_on",
    "idle_limit_of",
    "refuse_unless_still_allowed",
]

#: A session ends so long after it began, whatever is done in it.
WHOLE_LIFE: Final = timedelta(hours=12)
#: A session ends after so many minutes without a visit, unless the lab has set another number under this key.
IDLE_MINUTES: Final = 30
IDLE_KEY: Final = "idle_minutes"


class SessionEndedError(NotAllowedError):
    """The session ended before the write; nothing was saved."""

    def __init__(self) -> None:
        super().__init__(
            t("You were signed out before this could be saved: nothing was saved. Sign in, then do it once more.")
        )


def refuse_unless_still_allowed(connection: Connection, actor: Actor, may: Permission, *, at: datetime) -> None:
    """Stop a write, under its lock, of somebody who was allowed it when the page was opened and is not any more.

    Parameters
    ----------
    at : datetime
        The present moment in UTC.

    Raises
    ------
    NotAllowedError
        The session has ended, the person has left, or holds no role any more that allows it.
    """
    if actor.session:
        sessions = schema.sessions
        found = connection.execute(select(sessions).where(sessions.c.token_hash == actor.session)).one_or_none()
        if found is None or not goes_on(connection, found, at):
            raise SessionEndedError
    people = schema.people.c
    row = connection.execute(select(people.roles, people.left_at).where(people.code == actor.code)).one_or_none()
    if row is None:  # the records know nobody of this code, as where the app was opened without accounts
        actor.refuse_unless(may)
        return
    held = frozenset() if row.left_at is not None else actor.roles.intersection(row.roles)
    Actor(code=actor.code, roles=held).refuse_unless(may)


def goes_on(connection: Connection, session: Row[Any], at: datetime) -> bool:
    """Is this session, a row of the records, going on at a moment (UTC)?

    One that began, or was last seen, far in the future has ended as well: the clock was set back, and nobody knows
    how long it has been idle.
    """
    if session.ended_at is not None or abs(at - session.started_at) >= WHOLE_LIFE:
        return False
    idle: timedelta = abs(at - session.last_seen)
    return idle < idle_limit_of(connection)


def idle_limit_of(connection: Connection) -> timedelta:
    """After how long without a visit a session ends."""
    value = connection.scalar(select(schema.settings.c.value).where(schema.settings.c.key == IDLE_KEY))
    return timedelta(minutes=value if isinstance(value, int) and value > 0 else IDLE_MINUTES)

"""Who is signed in: from code and password to a token, from the token back to the person, and when that ends.

The token is random and goes to the browser; the store keeps its hash only. `sign_in_attempts` is the log of
signing in, so the audit of changes holds no line of it.
"""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, cast

from argon2 import PasswordHasher
from sqlalchemy import Connection, select
from sqlalchemy.exc import SQLAlchemyError

from remakes.errors import EntryError, StoreError
from remakes.records import schema
from remakes.records.attempts import SignInError, begin_attempt, note_success
from remakes.records.passwords import HASHER, is_password
from remakes.records.permissions import Actor, Role
from remakes.records.person_rows import Person, person_of
from remakes.records.still_allowed import IDLE_KEY, IDLE_MINUTES, WHOLE_LIFE, goes_on, idle_limit_of
from remakes.records.store import Store, now
from remakes.texts import t

__all__ = [
    "IDLE_MINUTES",
    "LONGEST_IDLE",
    "WHOLE_LIFE",
    "Session",
    "choose_role",
    "idle_limit",
    "open_session",
    "session_of",
    "set_idle_limit",
    "sign_in",
    "sign_out",
    "token_hash",
]

#: The longest time without a visit that a lab can set, in minutes.
LONGEST_IDLE: Final = 12 * 60
#: The latest visit is written down no more often, and waits for no longer: the page that is visited waits as well.
_WRITE_EVERY: Final = timedelta(minutes=1)
_VISIT_PATIENCE_MS: Final = 100

_SESSIONS: Final = schema.sessions
_PEOPLE: Final = schema.people


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """One browser in which somebody is signed in; times in UTC."""

    token_hash: str
    person: Person
    role: Role
    started_at: datetime
    last_seen: datetime

    @property
    def actor(self) -> Actor:
        """On whose behalf the store writes."""
        return Actor(code=self.person.code, roles=frozenset(self.person.roles), session=self.token_hash)


def token_hash(token: str) -> str:
    """What the store keeps of a token."""
    return hashlib.sha256(token.encode()).hexdigest()


def sign_in(
    store: Store,
    code: str,
    password: str,
    *,
    address: str = "",
    at: datetime | None = None,
    hasher: PasswordHasher = HASHER,
) -> str:
    """Sign a person in, and give the token for their browser.

    Parameters
    ----------
    address : str
        Of the machine that asks; blank where it is this one.
    at : datetime, optional
        The present moment in UTC; default: the clock.

    Raises
    ------
    TooManyAttemptsError
        Too many wrong passwords lately, by the rule of `attempts`.
    SignInError
        The code or the password is wrong, or the person has left.
    """
    at, code = at or now(), code.strip()
    with store.writer(may="sign in") as connection:
        kept = connection.scalar(select(_PEOPLE.c.password_hash).where(_PEOPLE.c.code == code))
        attempt = begin_attempt(connection, code, address, at)
    # Outside the write: a check takes a third of a second, in which others wait for the lock.
    right = is_password(kept, password, hasher=hasher)
    fresh = hasher.hash(password) if right and kept and hasher.check_needs_rehash(kept) else None
    with store.writer(may="sign in") as connection:
        person = person_of(connection, code)
        unchanged = connection.scalar(select(_PEOPLE.c.password_hash).where(_PEOPLE.c.code == code)) == kept
        if not right or person is None or person.left_at is not None or not unchanged:
            raise SignInError(t("The code or the password is wrong. Capital and small letters differ."))
        note_success(connection, attempt)
        if fresh is not None:
            connection.execute(_PEOPLE.update().where(_PEOPLE.c.code == code).values(password_hash=fresh))
        token = secrets.token_urlsafe(32)
        _begin_session(connection, token, person, at)
    return token


def open_session(store: Store, person: Person, token: str, *, at: datetime | None = None) -> None:
    """Begin a session for somebody whom single sign-on has vouched for; one that was begun or has ended stays as it is.

    Parameters
    ----------
    token : str
        Names that one sign-in and no other.
    """
    with store.writer(may="sign in") as connection:
        known = select(_SESSIONS.c.code).where(_SESSIONS.c.token_hash == token_hash(token))
        if connection.scalar(known) is None:
            _begin_session(connection, token, person, at or now())


def session_of(store: Store, token: str, *, at: datetime | None = None) -> Session | None:
    """Who is signed in with this token; None where nobody is any more.

    The visit is written down, at most once a minute.

    Parameters
    ----------
    at : datetime, optional
        The present moment in UTC; default: the clock.
    """
    at = at or now()
    with store.reader() as connection:
        found = connection.execute(_SESSIONS.select().where(_SESSIONS.c.token_hash == token_hash(token))).one_or_none()
        if found is None or not goes_on(connection, found, at):
            return None
        person = person_of(connection, found.code)
    if person is None or person.left_at is not None or not person.roles:
        return None
    if at - found.last_seen >= _WRITE_EVERY:
        _write_visit(store, found.token_hash, at)
    role = found.role if found.role in person.roles else person.roles[0]
    return Session(
        token_hash=found.token_hash,
        person=person,
        role=cast("Role", role),
        started_at=found.started_at,
        last_seen=max(at, found.last_seen),
    )


def sign_out(store: Store, token: str, *, at: datetime | None = None) -> None:
    """End what this token stands for; one that has ended or never was is no fault."""
    its = (_SESSIONS.c.token_hash == token_hash(token)) & _SESSIONS.c.ended_at.is_(None)
    with store.writer(may="sign in") as connection:
        connection.execute(_SESSIONS.update().where(its).values(ended_at=at or now()))


def choose_role(store: Store, session: Session, role: Role) -> None:
    """Go on in another of the roles that the person holds.

    Raises
    ------
    EntryError
        The person does not hold it.
    """
    with store.writer(may="sign in") as connection:
        person = person_of(connection, session.person.code)
        if person is None or role not in person.roles:
            raise EntryError(t("You do not hold the role {role}. A manager can give it to you.", role=role))
        its = _SESSIONS.c.token_hash == session.token_hash
        connection.execute(_SESSIONS.update().where(its).values(role=role))


def idle_limit(store: Store) -> timedelta:
    """After how long without a visit a session ends."""
    with store.reader() as connection:
        return idle_limit_of(connection)


def set_idle_limit(store: Store, minutes: float, *, who: str) -> None:
    """Set after how many minutes without a visit a session ends.

    Raises
    ------
    EntryError
        No whole number from 1 to 720.
    """
    if not 1 <= minutes <= LONGEST_IDLE or minutes != int(minutes):
        raise EntryError(t("Give whole minutes, from 1 to {most}.", most=LONGEST_IDLE))
    with store.writer(may="keep people") as connection:
        settings = schema.settings
        connection.execute(settings.delete().where(settings.c.key == IDLE_KEY))
        connection.execute(settings.insert(), {"key": IDLE_KEY, "value": int(minutes)})
        # Under the people's name, on which no figure rests: a line of the settings would make all figures anew.
        store.note(connection, who=who, what="set", table=_PEOPLE.name, key=IDLE_KEY, detail={"minutes": int(minutes)})


def _write_visit(store: Store, hashed: str, at: datetime) -> None:
    its = (_SESSIONS.c.token_hash == hashed) & (_SESSIONS.c.last_seen < at)
    try:
        with store.writer(may="sign in", patience_ms=_VISIT_PATIENCE_MS) as connection:
            connection.execute(_SESSIONS.update().where(its).values(last_seen=at))
    except (StoreError, SQLAlchemyError):
        # Somebody writes, the records are read-only, or the disk is full: the visit goes on, and the next is noted.
        return


def _begin_session(connection: Connection, token: str, person: Person, at: datetime) -> None:
    before = (
        select(_SESSIONS.c.role)
        .where(_SESSIONS.c.code == person.code)
        .order_by(_SESSIONS.c.started_at.desc(), _SESSIONS.c.last_seen.desc())
        .limit(1)
    )
    used = connection.scalar(before)
    values = {
        "token_hash": token_hash(token),
        "code": person.code,
        "role": used if used in person.roles else person.roles[0],
        "started_at": at,
        "last_seen": at,
    }
    connection.execute(_SESSIONS.insert().values(values))

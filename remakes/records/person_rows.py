"""People as the store holds them: read, and changed inside a running write with one line of the audit each."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy import Connection, Row, func, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.permissions import ROLES, Role
from remakes.records.store import Store, now
from remakes.texts import LANGUAGES, t

__all__ = [
    "Person",
    "PersonChangedError",
    "change_person",
    "count_people",
    "end_sessions",
    "find_person",
    "list_people",
    "nobody_yet",
    "person_before",
    "person_of",
    "person_with_external_id",
    "write_person",
]

_PEOPLE: Final = schema.people


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """One person of the lab, without the password.

    Attributes
    ----------
    external_id : str
        What single sign-on calls this person; blank where that is not used.
    must_change : bool
        Somebody else chose the password: the person chooses a new one at the next sign-in.
    since, left_at : datetime
        UTC; `left_at` is None while the person is here.
    last_seen : datetime or None
        The latest visit, in UTC; None before the first.
    """

    code: str
    roles: tuple[Role, ...]
    language: str
    external_id: str
    must_change: bool
    since: datetime
    left_at: datetime | None
    last_seen: datetime | None
    version: int


class PersonChangedError(EntryError):
    """Somebody else changed the person since the form was opened; nothing was saved.

    Parameters
    ----------
    person : Person
        As it is now.
    by : str
        Who changed it last.
    """

    def __init__(self, person: Person, by: str) -> None:
        super().__init__(
            t(
                "{code} was changed meanwhile by {by}: now {roles} and has left. Nothing was saved. "
                "Look at what was changed, and save again if yours is still right."
                if person.left_at
                else "{code} was changed meanwhile by {by}: now {roles}. Nothing was saved. "
                "Look at what was changed, and save again if yours is still right.",
                code=person.code,
                by=by or "?",
                roles=", ".join(t(one) for one in person.roles),
            )
        )
        self.person = person
        self.by = by


def list_people(store: Store) -> tuple[Person, ...]:
    """Everybody, by code; those who have left at the end."""
    with store.reader() as connection:
        people = [_person(row) for row in connection.execute(_select())]
    return tuple(sorted(people, key=lambda one: (one.left_at is not None, one.code)))


def find_person(store: Store, code: str) -> Person | None:
    """The person with this code, also one who has left; None where there is none."""
    with store.reader() as connection:
        return person_of(connection, code)


def person_of(connection: Connection, code: str) -> Person | None:
    """The same, inside a running read or write."""
    row = connection.execute(_select().where(_PEOPLE.c.code == code)).one_or_none()
    return _person(row) if row is not None else None


def person_with_external_id(store: Store, external_id: str) -> Person | None:
    """The person whom single sign-on calls so; None where there is none."""
    with store.reader() as connection:
        row = connection.execute(_select().where(_PEOPLE.c.external_id == external_id)).one_or_none()
    return _person(row) if row is not None else None


def nobody_yet(store: Store) -> bool:
    """Has nobody been added yet, so that the first manager is still to come?"""
    with store.reader() as connection:
        return not count_people(connection)


def end_sessions(connection: Connection, code: str, *, but: str = "") -> None:
    """End what a person is signed in with, in the transaction of the change that asks for it."""
    sessions = schema.sessions
    theirs = (sessions.c.code == code) & sessions.c.ended_at.is_(None) & (sessions.c.token_hash != but)
    connection.execute(sessions.update().where(theirs).values(ended_at=now()))


def _select() -> Any:
    people, sessions = _PEOPLE.c, schema.sessions.c
    last_seen = select(func.max(sessions.last_seen)).where(sessions.code == people.code).scalar_subquery()
    columns = (people.code, people.roles, people.language, people.external_id, people.must_change)
    return select(*columns, people.since, people.left_at, people.version, last_seen.label("last_seen"))


def _person(row: Row[Any]) -> Person:
    held = set(row.roles)
    return Person(
        code=row.code,
        roles=tuple(role for role in ROLES if role in held),
        language=row.language,
        external_id=row.external_id or "",
        must_change=row.must_change,
        since=row.since,
        left_at=row.left_at,
        last_seen=row.last_seen,
        version=row.version,
    )


def count_people(connection: Connection) -> int:
    """How many have ever been added."""
    return int(connection.scalar(select(func.count()).select_from(_PEOPLE)) or 0)


def person_before(connection: Connection, code: str, version: int | None = None, *, left: bool = False) -> Person:
    """The person, if still what the caller looked at, and here; with `left`, gone.

    Raises
    ------
    EntryError
        No such person, or one who has left (`left`: who has not).
    PersonChangedError
        The version is another.
    """
    person = person_of(connection, code)
    if person is None:
        raise EntryError(t("There is no person {code}. Load the page again.", code=code))
    if version is not None and person.version != version:
        raise PersonChangedError(person, _changed_by(connection, code))
    if left and person.left_at is None:
        raise EntryError(t("{code} has not left.", code=code))
    if not left and person.left_at is not None:
        raise EntryError(t("{code} has left. Take them back first.", code=code))
    return person


def _changed_by(connection: Connection, code: str) -> str:
    audit = schema.audit.c
    theirs = (audit.table_name == _PEOPLE.name) & (audit.row_key == code) & (audit.what != "choose language")
    return str(connection.scalar(select(audit.who).where(theirs).order_by(audit.id.desc()).limit(1)) or "")


def write_person(store: Store, connection: Connection, values: dict[str, Any], *, who: str) -> Person:
    """Add a person; `values` are columns."""
    code, roles = values["code"], values["roles"]
    language = values["language"] if values["language"] in LANGUAGES else "en"
    fresh = {"version": 1, "must_change": False, "since": now()}
    connection.execute(_PEOPLE.insert().values({**fresh, **values, "language": language}))
    store.note(connection, who=who, what="add person", table=_PEOPLE.name, key=code, detail={"roles": roles})
    return _person(connection.execute(_select().where(_PEOPLE.c.code == code)).one())


def change_person(
    store: Store,
    connection: Connection,
    before: Person,
    values: dict[str, Any],
    *,
    what: str,
    detail: dict[str, Any],
    who: str,
) -> Person:
    """Change columns of a person; `detail` goes into the history and never holds a password or its hash."""
    row = {**values, "version": before.version + 1}
    connection.execute(_PEOPLE.update().where(_PEOPLE.c.code == before.code).values(row))
    store.note(connection, who=who, what=what, table=_PEOPLE.name, key=before.code, detail=detail)
    return _person(connection.execute(_select().where(_PEOPLE.c.code == before.code)).one())

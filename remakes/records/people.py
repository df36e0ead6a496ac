"""The people of the lab: a pseudonymous code, roles and a password each. Nobody is deleted; who goes has left."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any, Final

from argon2 import PasswordHasher
from sqlalchemy import Connection, select

from remakes.errors import EntryError, NotAllowedError
from remakes.records import schema
from remakes.records.attempts import begin_attempt, note_success
from remakes.records.passwords import HASHER, hash_password, is_password
from remakes.records.permissions import ROLES, Role
from remakes.records.person_rows import (
    Person,
    PersonChangedError,
    change_person,
    count_people,
    end_sessions,
    find_person,
    list_people,
    nobody_yet,
    person_before,
    person_of,
    write_person,
)
from remakes.records.store import Store, now
from remakes.records.typed_text import pseudonym
from remakes.texts import LANGUAGES, t

__all__ = [
    "Person",
    "PersonChangedError",
    "add_first_manager",
    "add_person",
    "change_own_password",
    "change_roles",
    "choose_language",
    "find_person",
    "let_go",
    "list_people",
    "nobody_yet",
    "set_external_id",
    "set_password",
    "take_back",
]

_PEOPLE: Final = schema.people
_LONGEST_EXTERNAL_ID: Final = 254


def add_first_manager(
    store: Store, code: str, password: str, *, language: str = "en", hasher: PasswordHasher = HASHER
) -> Person:
    """Add the first person, a manager, while there is nobody.

    Raises
    ------
    EntryError
        Somebody was quicker, or the code or the password is refused.
    """
    code = pseudonym(code, t("code"))
    kept = hash_password(code, password, hasher=hasher)
    with store.writer(may="keep people") as connection:
        # Asked under the write lock: of two browsers that try at once, one comes second.
        if count_people(connection):
            raise EntryError(
                t("The first manager has been added meanwhile, by somebody else. Ask them to add you as well.")
            )
        values = {"code": code, "roles": ["manager"], "password_hash": kept, "language": language}
        return write_person(store, connection, values, who=code)


def add_person(
    store: Store,
    code: str,
    roles: Iterable[Role],
    password: str,
    *,
    who: str,
    language: str = "en",
    external_id: str = "",
    hasher: PasswordHasher = HASHER,
) -> Person:
    """Add a person with a first password, which they change when they sign in.

    Parameters
    ----------
    password : str
        Blank where the person signs in by single sign-on only; then `external_id` is needed.

    Raises
    ------
    EntryError
        The code is taken or no pseudonym, there is no role, or the password is refused.
    """
    code, external_id = pseudonym(code, t("code")), _external_id(external_id)
    values: dict[str, Any] = {"code": code, "roles": _roles(roles), "language": language}
    if password or not external_id:
        values |= {"password_hash": hash_password(code, password, hasher=hasher), "must_change": True}
    if external_id:
        values["external_id"] = external_id
    with store.writer(may="keep people") as connection:
        before = person_of(connection, code)
        if before is not None:
            raise EntryError(
                t("{code} has left and can be taken back below.", code=code)
                if before.left_at
                else t("{code} is there already. Choose another code, or change the roles of this one.", code=code)
            )
        _refuse_taken(connection, external_id, code)
        return write_person(store, connection, values, who=who)


def change_roles(store: Store, code: str, roles: Iterable[Role], *, version: int, who: str) -> Person:
    """Give a person other roles.

    Raises
    ------
    EntryError
        No such person, no role, or the last manager would lose that role.
    PersonChangedError
        Somebody else changed the person since this version.
    """
    wanted = _roles(roles)
    with store.writer(may="keep people") as connection:
        before = person_before(connection, code, version)
        if "manager" not in wanted:
            _refuse_last_manager(connection, before)
        detail = {"roles": wanted, "before": list(before.roles)}
        return change_person(store, connection, before, {"roles": wanted}, what="change roles", detail=detail, who=who)


def set_password(
    store: Store, code: str, password: str, *, version: int, who: str, hasher: PasswordHasher = HASHER
) -> Person:
    """Give a person a new password, which they change when they sign in; who is signed in with it, no longer is.

    Raises
    ------
    EntryError
        No such person, or the password is refused.
    PersonChangedError
        Somebody else changed the person since this version.
    """
    kept = hash_password(code, password, hasher=hasher)
    with store.writer(may="keep people") as connection:
        before = person_before(connection, code, version)
        end_sessions(connection, code)
        values = {"password_hash": kept, "must_change": True}
        return change_person(store, connection, before, values, what="set password", detail={}, who=who)


def change_own_password(
    store: Store,
    code: str,
    old: str,
    new: str,
    *,
    keep_session: str = "",
    address: str = "",
    at: datetime | None = None,
    hasher: PasswordHasher = HASHER,
) -> Person:
    """Change the password that one signs in with oneself; every other browser is signed out.

    Parameters
    ----------
    keep_session : str
        Hash of the token of the session that goes on.
    address : str
        Of the machine that asks; blank where it is this one.
    at : datetime, optional
        The present moment in UTC; default: the clock.

    Raises
    ------
    TooManyAttemptsError
        Too many wrong passwords lately, by the rule of `attempts`.
    EntryError
        The present password is wrong, or the new one is refused or the same.
    """
    _refuse_other(store, code)
    if old == new:
        raise EntryError(t("The new password is the present one. Choose another."))
    kept = _present_password(store, code, old, address=address, at=at or now(), hasher=hasher)
    fresh = hash_password(code, new, hasher=hasher)
    with store.writer(may="sign in") as connection:
        if connection.scalar(select(_PEOPLE.c.password_hash).where(_PEOPLE.c.code == code)) != kept:
            raise EntryError(t("The password has been changed meanwhile. Sign in with the new one."))
        before = person_before(connection, code)
        end_sessions(connection, code, but=keep_session)
        values = {"password_hash": fresh, "must_change": False}
        return change_person(store, connection, before, values, what="change own password", detail={}, who=code)


def let_go(store: Store, code: str, *, version: int, who: str) -> Person:
    """Note that a person has left: signed out at once and for good; what they wrote stays.

    Raises
    ------
    EntryError
        No such person, or the last manager.
    PersonChangedError
        Somebody else changed the person since this version.
    """
    with store.writer(may="keep people") as connection:
        before = person_before(connection, code, version)
        _refuse_last_manager(connection, before)
        end_sessions(connection, code)
        return change_person(store, connection, before, {"left_at": now()}, what="let go", detail={}, who=who)


def take_back(
    store: Store, code: str, password: str, *, version: int, who: str, hasher: PasswordHasher = HASHER
) -> Person:
    """Let a person who had left sign in again, with a new password and the former roles.

    Raises
    ------
    EntryError
        No such person, one who is here, or the password is refused.
    PersonChangedError
        Somebody else changed the person since this version.
    """
    kept = hash_password(code, password, hasher=hasher)
    with store.writer(may="keep people") as connection:
        before = person_before(connection, code, version, left=True)
        values = {"left_at": None, "password_hash": kept, "must_change": True}
        return change_person(store, connection, before, values, what="take back", detail={}, who=who)


def set_external_id(store: Store, code: str, external_id: str, *, version: int, who: str) -> Person:
    """Say what single sign-on calls this person, or with a blank that it does not know them.

    Raises
    ------
    EntryError
        No such person, or somebody else has this one.
    PersonChangedError
        Somebody else changed the person since this version.
    """
    wanted = _external_id(external_id)
    with store.writer(may="keep people") as connection:
        before = person_before(connection, code, version)
        _refuse_taken(connection, wanted, code)
        if wanted != before.external_id:
            end_sessions(connection, code)
        # An e-mail address names a person: the history keeps only that it was set.
        detail = {"set": bool(wanted)}
        values = {"external_id": wanted or None}
        return change_person(store, connection, before, values, what="set single sign-on", detail=detail, who=who)


def choose_language(store: Store, code: str, language: str) -> None:
    """Keep the language a person reads; an unknown one is refused.

    Raises
    ------
    EntryError
        No such person or language.
    """
    if language not in LANGUAGES:
        raise EntryError(t("There is no language {code} here.", code=language))
    _refuse_other(store, code)
    with store.writer(may="sign in") as connection:
        before = person_before(connection, code)
        if before.language == language:
            return
        # Not a change of what a manager edits: the version stays.
        connection.execute(_PEOPLE.update().where(_PEOPLE.c.code == code).values(language=language))
        detail = {"language": language}
        store.note(connection, who=code, what="choose language", table=_PEOPLE.name, key=code, detail=detail)


def _present_password(
    store: Store, code: str, typed: str, *, address: str, at: datetime, hasher: PasswordHasher
) -> str | None:
    """The hash that is kept, if the password typed is the one behind it."""
    with store.writer(may="sign in") as connection:
        kept = connection.scalar(select(_PEOPLE.c.password_hash).where(_PEOPLE.c.code == code))
        attempt = begin_attempt(connection, code, address, at)
    # Outside the write: a check takes a third of a second, in which others wait for the lock.
    if not is_password(kept, typed, hasher=hasher):
        raise EntryError(t("The present password is wrong. Nothing was changed."))
    with store.writer(may="sign in") as connection:
        note_success(connection, attempt)
    return kept


def _refuse_other(store: Store, code: str) -> None:
    if store.actor is not None and store.actor.code != code:
        raise NotAllowedError(t("Everybody changes this for themselves only."))


def _roles(roles: Iterable[Role]) -> list[Role]:
    seen = set(roles)
    if unknown := seen - set(ROLES):
        raise EntryError(t("There is no role {role}.", role=", ".join(sorted(map(str, unknown)))))
    if not seen:
        raise EntryError(t("No role is chosen. Choose at least one; who has left the lab is let go instead."))
    return [role for role in ROLES if role in seen]


def _external_id(seen: str) -> str:
    text = seen.strip().casefold()
    if len(text) > _LONGEST_EXTERNAL_ID or any(sign.isspace() or not sign.isprintable() for sign in text):
        raise EntryError(t("The address for single sign-on is too long or holds a blank. Type it again."))
    return text


def _refuse_last_manager(connection: Connection, person: Person) -> None:
    if "manager" not in person.roles:
        return
    here = connection.execute(select(_PEOPLE.c.code, _PEOPLE.c.roles).where(_PEOPLE.c.left_at.is_(None)))
    if not any("manager" in roles for code, roles in here if code != person.code):
        raise EntryError(
            t(
                "{code} is the last manager: nobody could add people or change limits any more. "
                "Make somebody else a manager first.",
                code=person.code,
            )
        )


def _refuse_taken(connection: Connection, external_id: str, code: str) -> None:
    if not external_id:
        return
    taken = connection.scalar(select(_PEOPLE.c.code).where(_PEOPLE.c.external_id == external_id))
    if taken is not None and taken != code:
        raise EntryError(
            t("{code} has this address for single sign-on already. Each address is one person's.", code=taken)
        )

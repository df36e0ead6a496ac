"""Who is looking: signed in on a session, or at this machine in a role that was picked."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Final, Protocol, cast

import streamlit as st

from remakes.errors import EntryError, NotAllowedError
from remakes.records.house_settings import own_work_seen_by
from remakes.records.permissions import ROLES, Permission, Role
from remakes.records.sessions import Session, session_of
from remakes.records.store import DEFAULT_URL, Store, open_store
from remakes.records.typed_text import pseudonym
from remakes.texts import LANGUAGES, either, t
from remakes.views import single_sign_on
from remakes.views.server import (
    DATABASE_VARIABLE,
    SINGLE_SIGN_ON_VARIABLE,
    asked_here,
    open_here_asked,
)

__all__ = [
    "LANGUAGE_KEY",
    "NOT_SAVED_KEY",
    "Visitor",
    "at_this_machine",
    "by_single_sign_on",
    "cookie_name",
    "language",
    "language_asked_for",
    "may_see",
    "may_see_work_of",
    "open_here",
    "opened",
    "records",
    "records_url",
    "refusal_of",
    "require",
    "session",
    "store",
    "store_later",
    "token",
    "visitor",
]

#: Where the side bar keeps the language of somebody who has not signed in.
LANGUAGE_KEY: Final = "language"
#: What was pressed or typed after the session had ended, in words, until the page of whoever is not signed in tells it.
NOT_SAVED_KEY: Final = "not_saved"


class _HasTechnician(Protocol):
    @property
    def technician(self) -> str | None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Visitor:
    """Who is looking: a role, a pseudonym or nothing, and every role that could be chosen."""

    role: Role
    code: str
    roles: tuple[Role, ...] = ROLES

    @property
    def who(self) -> str:
        """For the record of changes."""
        return f"{self.role} {self.code}".strip()


def open_here() -> bool:
    """Are there no accounts, since only this machine reaches the app?"""
    return open_here_asked() and at_this_machine()


def at_this_machine() -> bool:
    """Does this visit come from here? A proxy would let others in."""
    return asked_here(st.context.headers, st.context.ip_address)


def by_single_sign_on() -> bool:
    """Do people sign in where the lab signs in anyway?"""
    return bool(os.environ.get(SINGLE_SIGN_ON_VARIABLE))


def cookie_name() -> str:
    """The cookie with the token. Browsers tell no ports apart, and several servers may run on one machine."""
    return f"remakes_{st.get_option('server.port')}"


def token() -> str:
    """What this browser is signed in with; blank where it is not."""
    return st.context.cookies.get(cookie_name(), "")


def session() -> Session | None:
    """The session of this visit; None where nobody has signed in, or no longer."""
    if by_single_sign_on():
        return single_sign_on.session(records(), single_sign_on.claims())
    shown = token()
    return session_of(records(), shown) if shown else None


def visitor() -> Visitor:
    """Who has signed in, or the role and the code picked in the side bar.

    Raises
    ------
    NotAllowedError
        Nobody has signed in, or no longer.
    """
    if open_here():
        role = st.session_state.get("role")
        role = role if role in ROLES else "quality"
        code = st.session_state.get("technician" if role == "technician" else "code") or ""
        return Visitor(role=cast("Role", role), code=str(code) if refusal_of(str(code)) is None else "")
    now = _session_or_refusal()
    return Visitor(role=now.role, code=now.person.code, roles=now.person.roles)


def refusal_of(code: str) -> EntryError | None:
    """Why what was typed as one's own code goes into no record; None for a pseudonym, or nothing."""
    try:
        if code.strip():
            pseudonym(code, t("code"))
    except EntryError as error:
        return error
    return None


def _session_or_refusal() -> Session:
    now = session()
    if now is None:
        raise NotAllowedError(_no_longer())
    return now


def _no_longer() -> str:
    return t("You are not signed in any more. Load the page again to sign in.")


def require(*roles: Role) -> Visitor:
    """The visitor, if in one of these roles.

    Raises
    ------
    EntryError
        Another role: an address can be opened without the menu.
    """
    one = visitor()
    if one.role not in roles:
        raise EntryError(
            t(
                "This page is for the role {roles}; {role} is chosen. Choose another role at the left, or another page."
                if len(one.roles) > 1
                else "This page is for the role {roles}; yours is {role}. "
                "Choose another page, or ask a manager for that role.",
                roles=either(t(role) for role in roles),
                role=t(one.role),
            )
        )
    return one


def may_see(record: _HasTechnician) -> bool:
    """May this visitor see a restoration? A technician sees own ones only, and none without a technician."""
    one = visitor()
    return one.role != "technician" or (bool(one.code) and record.technician == one.code)


def may_see_work_of(technician: str) -> bool:
    """May this visitor see a technician's own page? The technician, and whom the lab has let in."""
    one = visitor()
    if one.role == "technician":
        return bool(one.code) and one.code == technician
    return one.role in own_work_seen_by(records())


def language() -> str:
    """The language this visitor reads."""
    if not open_here() and (now := session()) is not None:
        return now.person.language
    picked = st.session_state.get(LANGUAGE_KEY)
    if picked in LANGUAGES:
        return str(picked)
    # Whoever is to sign in reads what the browser asks for.
    return "en" if open_here() else language_asked_for(st.context.headers.get("Accept-Language") or "")


def language_asked_for(header: str) -> str:
    """The first language of a browser's list that there is: `de-AT,de;q=0.9,en;q=0.5` gives `de`; else English."""
    codes = (one.split(";")[0].strip().partition("-")[0].lower() for one in header.split(","))
    return next((code for code in codes if code in LANGUAGES), "en")


def records_url() -> str:
    """The address of the records."""
    return os.environ.get(DATABASE_VARIABLE) or DEFAULT_URL


def records() -> Store:
    """The lab's records, opened once for all visits and not on anybody's behalf: to read, and to sign in."""
    return opened(records_url())


def store() -> Store:
    """The lab's records, written to on behalf of who has signed in, as far as their roles allow."""
    if open_here():
        return records()
    return records().acting_as(_session_or_refusal().actor)


def store_later(may: Permission) -> Callable[[], Store]:
    """The lab's records for work that begins after this run, such as a file that is made when it is asked for.

    Whoever asks then may have signed out, or hold other roles: both are looked up anew.

    Parameters
    ----------
    may : Permission
        What the person must be allowed to do, also where the work only reads.
    """
    kept = records()
    if open_here():
        return lambda: kept
    # What names the visit is taken now: outside a run of the page it cannot be had.
    asked = partial(single_sign_on.session, kept, single_sign_on.claims()) if by_single_sign_on() else None
    ask = asked or partial(session_of, kept, token())

    def later() -> Store:
        now = ask()
        if now is None:
            raise NotAllowedError(_no_longer())
        now.actor.refuse_unless(may)
        return kept.acting_as(now.actor)

    return later


@st.cache_resource(show_spinner=False, max_entries=4)
def opened(url: str) -> Store:
    """The records at an address."""
    return open_store(url)

"""Signing in where the lab signs in anyway: from what that service says of a person to a person of these records."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from importlib.util import find_spec
from typing import Any, Final

import streamlit as st

from remakes import words
from remakes.errors import EntryError
from remakes.records.person_rows import Person, person_with_external_id
from remakes.records.sessions import WHOLE_LIFE, Session, open_session, session_of
from remakes.records.store import Store, now
from remakes.texts import t

__all__ = ["address_of", "ask", "claims", "person_for", "refuse_unless_installed", "session", "token_of"]

#: What together names one sign-in and no other.
_NAMES_A_SIGN_IN: Final = ("iss", "sub", "iat", "auth_time", "sid", "nonce")


def refuse_unless_installed() -> None:
    """Stop where the library for single sign-on is missing.

    Raises
    ------
    EntryError
        It is.
    """
    if find_spec("authlib") is None:
        raise EntryError(
            t(
                "Single sign-on needs one more library, which is not installed. Install the program with it "
                "(remakes[sso]), or leave out --single-sign-on: people then sign in with a password kept here."
            )
        )


def address_of(claims: Mapping[str, Any]) -> str:
    """The e-mail address the service vouches for; blank where it does not, or does not say so."""
    # Else whoever may choose an address there could come in as somebody else. Some services say so in a word.
    if str(claims.get("email_verified", "")).strip().casefold() != "true":
        return ""
    return str(claims.get("email") or "").strip().casefold()


def person_for(records: Store, claims: Mapping[str, Any]) -> Person | None:
    """The person whom a manager gave this address to; None where there is none, or who has left."""
    address = address_of(claims)
    person = person_with_external_id(records, address) if address else None
    return person if person is not None and person.left_at is None else None


def token_of(claims: Mapping[str, Any], *, at: datetime | None = None) -> str:
    """What names this one sign-in; blank where it is too old, or says not when it was.

    The service's cookie lives for weeks. A session of ours that has ended must not begin again with it.
    """
    issued = claims.get("iat")
    if not isinstance(issued, int | float) or not claims.get("sub"):
        return ""
    age = (at or now()) - datetime.fromtimestamp(issued, UTC).replace(tzinfo=None)
    if age >= WHOLE_LIFE:
        return ""
    return json.dumps([claims.get(name) for name in _NAMES_A_SIGN_IN], default=str)


def session(records: Store, said: Mapping[str, Any]) -> Session | None:
    """The session of who has signed in at the service; None where nobody has, or it has ended.

    Parameters
    ----------
    said : mapping
        What the service says; see `claims`.
    """
    person, token = person_for(records, said), token_of(said)
    if person is None or not token:
        return None
    found = session_of(records, token)
    if found is not None:
        return found if found.person.code == person.code else None
    open_session(records, person, token)
    return session_of(records, token)


def ask(records: Store) -> None:
    """The page of somebody who has not signed in."""
    said = claims()
    if not said:
        st.info(t("Sign in with the account that the lab gave you."))
    elif not address_of(said):
        st.error(
            t(
                "The sign-in service does not say that the e-mail address of this account was checked "
                "(email_verified), so nobody is let in by it. Use another account, or ask whoever keeps that service "
                "to hand on a checked address."
            )
        )
    elif person_for(records, said) is None:
        st.error(
            t(
                "{address} is not known in these records. Ask a manager to enter it under People and set-up.",
                address=words.plain(address_of(said)),
            )
        )
    else:
        st.info(t("Your visit has ended, since nothing was done for a while. Sign in again."))
    if st.button(t("Sign in"), type="primary"):
        st.login()
    if said and st.button(t("Use another account")):
        st.logout()


def claims() -> dict[str, Any]:
    """What the service says of this visit; empty where nobody has signed in there."""
    return dict(st.user.to_dict()) if getattr(st.user, "is_logged_in", False) else {}

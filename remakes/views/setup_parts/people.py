"""Who may do what: people, their roles, new passwords, and who has left."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime

import streamlit as st

from remakes import words
from remakes.records import people
from remakes.records.people import Person
from remakes.records.permissions import ROLES
from remakes.records.store import now
from remakes.texts import t, tn
from remakes.views import frame, state, visitors
from remakes.views.account import role_name
from remakes.views.setup_parts.forms import Opened, clash, open_form, save, tell_saved

__all__ = ["show"]

_MINUTE = 60


def show() -> None:
    """Everybody, then one person at a time."""
    state.require("manager")
    everybody = people.list_people(state.store())
    here = [one for one in everybody if one.left_at is None]
    frame.answer(tn(len(here), "1 person can sign in.", "{n} people can sign in."))
    if everybody and state.open_here():
        st.info(t("The app was opened without accounts: nobody signs in until it is started without --open-here."))
    tell_saved()
    if everybody:
        frame.table([_row(one) for one in everybody], whole=True)
        _one(everybody)
    else:
        st.info(t("Nobody has been added yet. Start the app without --open-here: it asks for the first manager."))
    if everybody:
        _add()


def _row(one: Person) -> dict[str, object]:
    return {
        t("code"): one.code,
        t("roles"): ", ".join(role_name(role) for role in one.roles),
        t("here since"): _here(one.since),
        t("last seen"): _ago(one.last_seen),
        t("password"): t("to be changed") if one.must_change else t("own"),
        t("left"): _here(one.left_at).isoformat() if one.left_at else "",
    }


def _one(everybody: tuple[Person, ...]) -> None:
    st.subheader(t("Change a person"))
    by_code = {one.code: one for one in everybody}
    picked = st.selectbox(t("Person"), tuple(by_code), key="person")
    if picked is None:
        return
    present = _without_visits(by_code[picked])
    opened = open_form(f"person_{picked}", present, probe="password")
    one = opened.content
    # The fields stay: what is not shown is forgotten, and with it what was typed.
    clash(opened, present, _described, tables=("people",), key=picked)
    if one.left_at is not None:
        st.markdown(t("{code} has left on {day}.", code=words.plain(one.code), day=_day(one.left_at)))
        _password(opened, t("Take {code} back", code=words.plain(one.code)), _take_back)
        return
    _roles(opened)
    _password(opened, t("Set this password"), _set_password)
    if visitors.by_single_sign_on():
        _address(opened)
    _let_go(opened)


def _without_visits(one: Person) -> Person:
    """What only managers change: a visit, or a language chosen, is no clash."""
    return replace(one, last_seen=None, language="")


def _described(one: Person) -> dict[str, object]:
    return {
        t("roles"): ", ".join(role_name(role) for role in one.roles),
        t("password"): t("to be changed") if one.must_change else t("own"),
        t("left"): _here(one.left_at).isoformat() if one.left_at else "",
        t("version"): str(one.version),
    }


def _roles(opened: Opened[Person]) -> None:
    one = opened.content
    wanted = st.multiselect(
        t("Roles of {code}", code=words.plain(one.code)),
        ROLES,
        default=one.roles,
        format_func=role_name,
        key=f"roles_{opened.suffix}",
    )
    if st.button(t("Save the roles"), key=f"save_roles_{opened.suffix}"):

        def work(who: str) -> str:
            people.change_roles(state.store(), one.code, wanted, version=one.version, who=who)
            return t("The roles of {code} are saved.", code=words.plain(one.code))

        save(opened, work)


def _password(opened: Opened[Person], label: str, work: Callable[[Person, str, str], str]) -> None:
    typed = st.text_input(
        t("New password for {code}, at least 10 signs", code=words.plain(opened.content.code)),
        type="password",
        autocomplete="new-password",
        key=f"password_{opened.suffix}",
    )
    st.caption(t("Tell it to the person yourself: it is shown nowhere afterwards, and changed at the next sign-in."))
    if st.button(label, key=f"set_password_{opened.suffix}"):
        save(opened, lambda who: work(opened.content, typed, who))


def _set_password(one: Person, typed: str, who: str) -> str:
    people.set_password(state.store(), one.code, typed, version=one.version, who=who)
    return t("{code} has a new password and is signed out everywhere.", code=words.plain(one.code))


def _take_back(one: Person, typed: str, who: str) -> str:
    people.take_back(state.store(), one.code, typed, version=one.version, who=who)
    return t("{code} can sign in again.", code=words.plain(one.code))


def _address(opened: Opened[Person]) -> None:
    one = opened.content
    typed = st.text_input(
        t("E-mail address at the single sign-on"), value=one.external_id, key=f"address_{opened.suffix}"
    )
    if st.button(t("Save the address"), key=f"save_address_{opened.suffix}"):

        def work(who: str) -> str:
            people.set_external_id(state.store(), one.code, typed, version=one.version, who=who)
            return t("The address of {code} is saved.", code=words.plain(one.code))

        save(opened, work)


def _let_go(opened: Opened[Person]) -> None:
    one = opened.content
    sure = st.checkbox(
        t(
            "{code} has left the lab: sign out at once and for good. What {code} wrote stays.",
            code=words.plain(one.code),
        ),
        key=f"sure_{opened.suffix}",
    )
    if st.button(t("Let {code} go", code=words.plain(one.code)), key=f"let_go_{opened.suffix}", disabled=not sure):

        def work(who: str) -> str:
            people.let_go(state.store(), one.code, version=one.version, who=who)
            return t("{code} has left and is signed out.", code=words.plain(one.code))

        save(opened, work)


def _add() -> None:
    st.subheader(t("Add a person"))
    opened = open_form("new_person", None, probe="new_code")
    st.caption(
        t(
            "The code is a pseudonym, never a name. A technician's code is the one in the lists of restorations, "
            "so that My work finds the own work."
        )
    )
    code = st.text_input(t("Code, such as T1"), max_chars=20, key=f"new_code_{opened.suffix}")
    roles = st.multiselect(t("Roles"), ROLES, format_func=role_name, key=f"new_roles_{opened.suffix}")
    password = st.text_input(
        t("First password, at least 10 signs"),
        type="password",
        autocomplete="new-password",
        key=f"new_password_{opened.suffix}",
    )
    address = ""
    if visitors.by_single_sign_on():
        address = st.text_input(
            t("E-mail address at the single sign-on of the new person"), key=f"new_address_{opened.suffix}"
        )
    if st.button(t("Add this person"), type="primary", key=f"add_{opened.suffix}"):

        def work(who: str) -> str:
            added = people.add_person(
                state.store(), code, roles, password, who=who, language=state.language(), external_id=address
            )
            return t("{code} is added, and chooses an own password at the first sign-in.", code=words.plain(added.code))

        save(opened, work)


def _here(moment: datetime) -> date:
    """The day of a moment, by the clock of this machine; in a table it stands so, and sorts."""
    return moment.replace(tzinfo=UTC).astimezone().date()


def _day(moment: datetime) -> str:
    return words.day(_here(moment))


def _ago(moment: datetime | None) -> str:
    if moment is None:
        return t("never")
    minutes = int((now() - moment).total_seconds() // _MINUTE)
    if minutes < _MINUTE:
        return tn(max(minutes, 1), "a minute ago", "{n} minutes ago")
    return _day(moment)

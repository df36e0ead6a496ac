"""The side bar's corner about oneself: language, role, sign out; and one's own password."""

from __future__ import annotations

from typing import Any, Final, Literal

import streamlit as st

from remakes import flow, words
from remakes.errors import EntryError, RemakesError
from remakes.records import sessions
from remakes.records.people import change_own_password, choose_language
from remakes.records.sessions import Session
from remakes.texts import LANGUAGES, t
from remakes.views import frame, single_sign_on, state, visitors
from remakes.views.addressed import from_address, into_address

__all__ = ["OWN_PAGE", "away", "own_password", "role_name", "seen", "side_bar"]

#: Address of the page for one's own password.
OWN_PAGE: Final = "own-password"
#: In every language: whoever cannot read the page must find it.
_LANGUAGE: Final = "Language / Sprache"
_TOLD: Final = "own_password_told"
#: How often it was changed in this visit: the fields start anew each time.
_TURN: Final = "own_password_turn"
#: The page that somebody who was signed in saw last, and did not sign out from.
_SEEN: Final = "seen_signed_in"
#: By address, not by link: whoever is not signed in must leave the app's own pages.
_LINK: Final = """<p><a href="/signin" target="_self">{label}</a></p>
<script>{{
  const to = "/signin?next=" + encodeURIComponent(location.pathname + location.search);
  document.querySelectorAll('a[href="/signin"]').forEach((link) => {{ link.href = to; }});
  {then}
}}</script>"""
_FORWARD: Final = "window.location.replace(to);"


def seen(address: str) -> None:
    """Somebody who is signed in is shown this page."""
    st.session_state[_SEEN] = address


def away(address: str) -> None:
    """The page of somebody who has not signed in, or no longer; `address` is the one that was asked for."""
    st.title(t("Sign in"), anchor=False)
    if visitors.by_single_sign_on():
        _tell_not_saved(address)
        single_sign_on.ask(visitors.records())
        return
    st.info(t("You are not signed in, or no longer: a visit ends when nothing is done for a while."))
    # Who was pressed away in the midst of something reads first what became of it.
    stay = _tell_not_saved(address)
    st.html(_LINK.format(label=t("Sign in"), then="" if stay else _FORWARD), unsafe_allow_javascript=True)


def _tell_not_saved(address: str) -> bool:
    """What was pressed or typed last, where somebody was signed in on this very page; is there anything to tell?

    Whoever only wanted to go to another page has nothing to do once more.
    """
    # Not popped: the page may be run again before it is read.
    told = st.session_state.get(visitors.NOT_SAVED_KEY, "")
    if not told and st.session_state.get(_SEEN) != address:
        return False
    st.warning(
        told
        or t(
            "What you pressed or typed last on this page came after your visit had ended, so it is not saved. Note "
            "it, sign in, and do it once more."
        )
    )
    return True


def side_bar(password_page: Any) -> None:
    """Who one is, in which role and language."""
    session = None if state.open_here() else state.session()
    if session is None:
        _pick_role()
        _pick_language()
    else:
        _signed_in(session, password_page)
    if name := _title():
        st.caption(words.plain(name))
    if session is None:
        st.caption(
            t(
                "Opened without accounts: everybody at this machine can choose every role. "
                "The app runs on this machine only; nothing leaves it."
            )
        )


def _pick_role() -> None:
    from_address("role", state.ROLES)
    st.radio(t("I look at this as"), state.ROLES, key="role", format_func=role_name)
    into_address("role", state.ROLES[0])
    if state.visitor().role == "technician":
        codes = _technicians()
        # Not bound by the toolkit: what a page writes into the address beside it in the same run would undo that.
        from_address("technician", codes)
        st.selectbox(t("My code"), codes, index=None, placeholder=t("choose"), key="technician")
        into_address("technician")
    else:
        code = st.text_input(
            t("My code, kept with what I change"), key="code", max_chars=20, placeholder=t("a pseudonym")
        )
        if refused := visitors.refusal_of(code or ""):
            st.error(words.refusal(refused))


def _pick_language() -> None:
    codes = tuple(LANGUAGES)
    from_address(visitors.LANGUAGE_KEY, codes)
    st.selectbox(_LANGUAGE, codes, key=visitors.LANGUAGE_KEY, format_func=LANGUAGES.__getitem__)
    into_address(visitors.LANGUAGE_KEY, codes[0])


def _signed_in(session: Session, password_page: Any) -> None:
    person = session.person
    st.session_state.pop(visitors.NOT_SAVED_KEY, None)
    st.markdown(t("Signed in as **{code}**", code=words.plain(person.code)))
    if len(person.roles) > 1:
        picked = st.radio(
            t("I look at this as"), person.roles, index=person.roles.index(session.role), format_func=role_name
        )
        if picked != session.role:
            sessions.choose_role(state.store(), session, picked)
            st.rerun()
    codes = tuple(LANGUAGES)
    spoken = st.selectbox(
        _LANGUAGE,
        codes,
        index=codes.index(person.language) if person.language in codes else 0,
        format_func=LANGUAGES.__getitem__,
    )
    if spoken and spoken != person.language:
        choose_language(state.store(), person.code, spoken)
        st.rerun()
    if visitors.by_single_sign_on():
        if st.button(t("Sign out"), width="stretch"):
            st.session_state.pop(_SEEN, None)
            sessions.sign_out(visitors.records(), single_sign_on.token_of(single_sign_on.claims()))
            st.logout()
            # The browser is led away, but this run would go on with nobody signed in.
            st.stop()
        return
    st.page_link(password_page, label=t("My password"))
    if st.button(t("Sign out"), width="stretch"):
        st.session_state.pop(_SEEN, None)
        sessions.sign_out(visitors.records(), visitors.token())
        st.rerun()


def role_name(role: state.Role) -> str:
    """A role as it is shown."""
    return {"quality": t("quality"), "manager": t("manager"), "technician": t("technician")}[role]


def own_password() -> None:
    """Change one's own password."""
    if state.open_here():
        st.info(t("Nobody signs in here, so there is no password."))
        return
    session = state.session()
    if session is None:
        return
    if visitors.by_single_sign_on():
        st.info(t("People sign in by single sign-on here."))
        return
    if told := st.session_state.pop(_TOLD, ""):
        st.success(told)
    if session.person.must_change:
        frame.answer(t("Somebody else chose your password. Choose one of your own before you go on."))
    else:
        frame.answer(t("Choose a new password. Every other browser in which you are signed in is signed out."))
    turn = st.session_state.setdefault(_TURN, 0)
    with st.form(f"own_password_{turn}"):
        old = _secret(t("Present password"), "current", key=f"old_password_{turn}")
        new = _secret(t("New password, at least 10 signs"), "new", key=f"own_new_password_{turn}")
        again = _secret(t("New password once more"), "new", key=f"own_new_again_{turn}")
        sent = st.form_submit_button(t("Change my password"), type="primary")
    if sent:
        _change(session, old, new, again)


def _secret(label: str, which: Literal["current", "new"], *, key: str) -> str:
    return st.text_input(label, type="password", autocomplete=f"{which}-password", key=key)


def _change(session: Session, old: str, new: str, again: str) -> None:
    try:
        if new != again:
            raise EntryError(t("The two new passwords differ. Type them again."))
        change_own_password(
            state.store(),
            session.person.code,
            old,
            new,
            keep_session=session.token_hash,
            address=st.context.ip_address or "",
        )
    except RemakesError as error:
        st.error(words.refusal(error))
        return
    st.session_state[_TOLD] = t("Your password is changed.")
    st.session_state[_TURN] += 1
    st.rerun()


def _title() -> str:
    try:
        return flow.title(visitors.records())
    except RemakesError:
        return ""


def _technicians() -> tuple[str, ...]:
    try:
        return flow.technicians(visitors.records())
    except RemakesError:
        # The page itself says what is wrong with the records.
        return ()

"""The menu: which pages a role has, and the page that was asked for."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import streamlit as st

from remakes.errors import RemakesError
from remakes.records.house_settings import own_work_seen_by
from remakes.texts import LANGUAGES, later, speak, t
from remakes.views import (
    account,
    bench,
    enter,
    frame,
    lists,
    months,
    my_work,
    restoration,
    set_up,
    state,
    steps,
    today,
    try_next,
    visitors,
)
from remakes.views.addressed import from_address
from remakes.views.page_icon import ICON
from remakes.views.server import tell_plainly

__all__ = ["MENUS", "show"]

_NAME: Final = "remakes"
#: name, title, address, what is shown.
_PAGES: Final[dict[str, tuple[str, str, Callable[[], None]]]] = {
    "today": (later("Today"), "", today.body),
    "enter": (later("Enter a return"), "enter-return", enter.body),
    "months": (later("Month in review"), "months", months.body),
    "steps": (later("Which steps matter"), "steps", steps.body),
    "next": (later("What to try next"), "try-next", try_next.body),
    "bench": (later("Bench log"), "bench-log", bench.body),
    "mine": (later("My work"), "my-work", my_work.body),
    "lists": (later("Lists and import"), "lists", lists.body),
    "people": (later("People and set-up"), "set-up", set_up.body),
}
#: Opened by links only.
_HIDDEN: Final[dict[str, tuple[str, str, Callable[[], None]]]] = {
    "restoration": (later("Restoration"), "restoration", restoration.body),
    "own_password": (later("My password"), account.OWN_PAGE, account.own_password),
}
MENUS: Final[dict[state.Role, tuple[str, ...]]] = {
    "quality": ("today", "enter", "months", "steps", "lists"),
    "manager": ("today", "enter", "months", "steps", "next", "lists", "people"),
    "technician": ("today", "bench", "mine"),
}


def show() -> None:
    """Run one visit."""
    st.set_page_config(page_title=_NAME, page_icon=str(ICON), layout="wide")
    try:
        session = None if state.open_here() else state.session()
        if state.open_here():
            # Before anything is said: the side bar, too, speaks the language of the address.
            from_address(visitors.LANGUAGE_KEY, LANGUAGES)
        speak(state.language())
    except RemakesError as error:
        # The records cannot be opened, so nobody can sign in.
        tell_plainly(error)
        return
    if session is None and not state.open_here():
        # Every address stays what it is, so that signing in leads back to it.
        addresses = [*_PAGES.values(), *_HIDDEN.values()]
        away = [_away(title, address) for title, address, _ in addresses]
        st.navigation(away, position="hidden").run()
        return
    if session is not None and session.person.must_change and not visitors.by_single_sign_on():
        _only_password()
        return
    _pages()


def _pages() -> None:
    hidden = {name: _page(*one, visibility="hidden") for name, one in _HIDDEN.items()}
    with st.sidebar:
        account.side_bar(hidden["own_password"])
    # The role and the language may have been picked a moment ago.
    speak(state.language())
    role = state.visitor().role
    own_work = ("mine",) if role in own_work_seen_by(state.store()) else ()
    pages = {name: _page(*_PAGES[name]) for name in (*MENUS[role], *own_work)} | hidden
    frame.remember_pages(pages)
    _run(st.navigation(list(pages.values())))


def _run(chosen: Any) -> None:
    """The page, and its name in the window's title: several may stand open side by side."""
    st.set_page_config(page_title=f"{chosen.title} · {_NAME}")
    if not state.open_here():
        account.seen(chosen.url_path)
    chosen.run()


def _only_password() -> None:
    """Until the password is one's own, that page and no other."""
    title = t("My password")
    page = st.Page(frame.page(title, account.own_password), title=title, default=True)
    with st.sidebar:
        account.side_bar(page)
    _run(st.navigation([page], position="hidden"))


def _page(title: str, address: str, body: Callable[[], None], *, visibility: Any = "visible") -> Any:
    said = t(title)
    return st.Page(
        frame.page(said, body), title=said, url_path=address or None, default=not address, visibility=visibility
    )


def _away(title: str, address: str) -> Any:
    def body() -> None:
        account.away(address)

    return st.Page(body, title=t(title), url_path=address or None, default=not address)

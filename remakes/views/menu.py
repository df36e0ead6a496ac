"""The menu: which pages a role has, the role picker, and the page that was asked for."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import streamlit as st

from remakes import flow, words
from remakes.errors import RemakesError
from remakes.views import (
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
)
from remakes.views.page_icon import ICON

__all__ = ["MENUS", "show"]

#: name, title, address, what is shown.
_PAGES: Final[dict[str, tuple[str, str, Callable[[], None]]]] = {
    "today": ("Today", "", today.body),
    "enter": ("Enter a return", "enter-return", enter.body),
    "months": ("Month in review", "months", months.body),
    "steps": ("Which steps matter", "steps", steps.body),
    "next": ("What to try next", "try-next", try_next.body),
    "bench": ("Bench log", "bench-log", bench.body),
    "mine": ("My work", "my-work", my_work.body),
    "lists": ("Lists and import", "lists", lists.body),
    "people": ("People and set-up", "set-up", set_up.body),
}
MENUS: Final[dict[state.Role, tuple[str, ...]]] = {
    "quality": ("today", "enter", "months", "steps", "lists"),
    "manager": ("today", "enter", "months", "steps", "next", "lists", "people"),
    "technician": ("today", "bench", "mine"),
}


def show() -> None:
    """Run one visit."""
    st.set_page_config(page_title="remakes", page_icon=str(ICON), layout="wide")
    with st.sidebar:
        _pick_role()
    role = state.visitor().role
    pages = {name: _page(name, first=name == "today") for name in MENUS[role]}
    pages["restoration"] = st.Page(
        frame.page("Restoration", restoration.body),
        title="Restoration",
        url_path="restoration",
        visibility="hidden",
    )
    frame.remember_pages(pages)
    st.navigation(list(pages.values())).run()


def _page(name: str, *, first: bool) -> Any:
    title, address, body = _PAGES[name]
    return st.Page(frame.page(title, body), title=title, url_path=address or None, default=first)


def _pick_role() -> None:
    st.radio(
        "I look at this as",
        state.ROLES,
        key="role",
        bind="query-params",
    )
    if state.visitor().role == "technician":
        st.selectbox("My code", _technicians(), index=None, placeholder="choose", key="technician", bind="query-params")
    else:
        st.text_input("My code, kept with what I change", key="code", max_chars=20, placeholder="a pseudonym")
    if name := _title():
        st.caption(words.plain(name))
    st.caption(
        "Signing in comes later: for now everybody at this machine can choose every role. "
        "The app runs on this machine only; nothing leaves it."
    )


def _title() -> str:
    try:
        return flow.title(state.store())
    except RemakesError:
        return ""


def _technicians() -> tuple[str, ...]:
    try:
        return flow.technicians(state.store())
    except RemakesError:
        # The page itself says what is wrong with the records.
        return ()

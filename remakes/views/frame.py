"""What stands around every page: title, plain errors, the empty state, links, the safety line."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final
from urllib.parse import quote

import pandas as pd
import streamlit as st

from remakes import flow
from remakes.records.demo_lab import demo_files
from remakes.records.importers import ImportReport, import_paths
from remakes.views import cautions, state
from remakes.views.jobs import follow, shelf
from remakes.views.server import tell_plainly

__all__ = [
    "answer",
    "as_frame",
    "go",
    "how_sure",
    "page",
    "put_cursor_into",
    "ready",
    "remember_pages",
    "restoration_links",
    "table",
]

_PAGES_KEY: Final = "pages"


def page(title: str, body: Callable[[], None]) -> Callable[[], None]:
    """A page with its title, its errors in words and the safety line under it."""

    def show() -> None:
        st.title(title, anchor=False)
        try:
            body()
        except Exception as error:
            tell_plainly(error)
        st.divider()
        st.caption(cautions.SAFETY_LINE)

    return show


def remember_pages(pages: Mapping[str, Any]) -> None:
    """Keep the pages of this visit, for links between them."""
    st.session_state[_PAGES_KEY] = dict(pages)


def go(name: str, label: str, *, primary: bool = False) -> None:
    """A wide button that opens another page, where this role has it."""
    target = st.session_state.get(_PAGES_KEY, {}).get(name)
    if target is None:
        return
    if st.button(label, type="primary" if primary else "secondary", width="stretch", key=f"go_{name}"):
        st.switch_page(target)


def _address() -> dict[str, str]:
    visitor = state.visitor()
    codes = {"technician": visitor.code} if visitor.role == "technician" and visitor.code else {}
    return {"role": visitor.role, **codes}


def restoration_links(rows: Sequence[Mapping[str, object]], *, column: str = "restoration") -> None:
    """A table whose column of restoration numbers opens their time lines."""
    address = "&".join(f"{name}={quote(value)}" for name, value in _address().items())
    linked = [{**row, column: f"restoration?{address}&no={quote(str(row[column]))}"} for row in rows]
    config = st.column_config.LinkColumn(column, display_text=r"no=(.+)$")
    st.dataframe(as_frame(linked), hide_index=True, column_config={column: config})


def put_cursor_into(label: str) -> None:
    """Place the cursor in the text field of this label: a constant, never text of the records."""
    # Nothing in the toolkit places the cursor; the changing comment makes the browser run the script again.
    st.html(
        f"""<script>setTimeout(() => document.querySelector('input[aria-label="{label}"]')?.focus(), 80)
        /* {time.time()} */</script>""",
        unsafe_allow_javascript=True,
    )


def answer(text: str) -> None:
    """The one sentence that answers the page's question."""
    st.header(text, anchor=False)


def as_frame(rows: Sequence[Mapping[str, object]]) -> pd.DataFrame:
    """Rows as the toolkit's tables take them."""
    return pd.DataFrame([dict(row) for row in rows])


def table(rows: Sequence[Mapping[str, object]], *, whole: bool = False) -> None:
    """Rows as a table; ten or so at a time unless `whole`."""
    st.dataframe(as_frame(rows), hide_index=True, height="content" if whole else "auto")


def how_sure(sentences: Iterable[str]) -> None:
    """The cautions of a page, in words."""
    st.subheader("How sure is this?")
    st.markdown("\n".join(f"- {one}" for one in dict.fromkeys(sentences)))


def ready(*, standard: bool = False) -> bool:
    """Are there records to look at? If not, say what to do next.

    Parameters
    ----------
    standard : bool
        The page needs returns and a process standard as well.
    """
    brief = flow.brief(state.store())
    if brief.empty:
        _empty()
        return False
    if standard and not brief.requirements:
        st.info(
            "The records hold no process standard, so no step can be met or missed. Write your requirements in a "
            "standard.toml and bring it in under Lists and import; a sample to start from can be downloaded there."
        )
        go("lists", "Lists and import", primary=True)
        return False
    if standard and not brief.returns:
        st.info("No return has been recorded yet. Enter the first one, or import the list of returns.")
        go("enter", "Enter a return", primary=True)
        go("lists", "Lists and import")
        return False
    return True


def _empty() -> None:
    st.info(
        "There are no records yet. Look around in the invented demo lab first, or bring in your own lists: "
        "restorations, process log, returns and process standard."
    )
    left, right = st.columns(2)
    with left:
        if st.button("Load the demo lab", type="primary", width="stretch", key="load_demo"):
            _load_demo()
        st.caption(
            "It is invented, and it fills this empty store: take its imports back under Lists and import, or "
            "start with another file, before your own lists come in."
        )
    with right:
        go("lists", "Import your lists")


def _load_demo() -> None:
    records, who = state.store(), state.visitor().who
    job = shelf().once(lambda tell: import_paths(records, [demo_files()], who=who, progress=tell))
    follow(job, "Loading the demo lab", ImportReport)
    st.rerun()

"""What the browser does for whoever types fast or holds a scanner: no key is lost, and scans find their way home."""

from __future__ import annotations

import json
import time
from html import escape
from typing import Any, Final

import streamlit as st

from remakes.records.codes import DEFECTS
from remakes.texts import tn
from remakes.views.enter_parts import answers
from remakes.views.enter_parts.keys_script import SCRIPT

__all__ = ["listen", "note_save", "save_key"]

_CURSOR: Final = "enter_cursor"
_TRIES: Final = "enter_tries"


def save_key() -> str:
    """The key of the button that saves, which the save key presses."""
    return f"save_{answers.round_number()}"


def note_save() -> None:
    """A save was asked for and is being answered, well or not: what was typed since can go on."""
    st.session_state[_TRIES] = st.session_state.get(_TRIES, 0) + 1


def listen(label: str, *, prose: tuple[str, ...], form: bool, cursor: bool) -> None:
    """At the end of the page: keep what is typed until the form stands that it was typed for, and listen for scans.

    Scans go to the field for the number from wherever letters mean nothing, and from the fields of prose: there,
    what comes faster than a hand types, holds a digit and no blank, and ends with Enter is a scan. In every other
    field a number may be wanted, so it stays there.

    Parameters
    ----------
    label : str
        Of the text field that scans go to: a constant, never text of the records.
    prose : tuple of str
        Labels of the text fields in which no scan belongs.
    form : bool
        The questions are on the page.
    cursor : bool
        Place the cursor in the field for the number now, as soon as it is drawn.
    """
    if cursor:
        # Another word than before: the browser places the cursor once for each.
        st.session_state[_CURSOR] = time.time()
    given = answers.content()
    data = {
        "label": label,
        "prose": list(prose),
        "cursor": st.session_state.get(_CURSOR),
        # What this page was drawn for: the browser holds keys while it knows of newer answers.
        "form": form,
        "number": str(given.get("number", "")).strip(),
        "defect": _place(given.get("defect")) if form else "",
        "tries": st.session_state.get(_TRIES, 0),
        "start": answers.key(""),
        "save": save_key(),
    }
    st.html(f'<span class="enter-told" data-told="{escape(json.dumps(data))}" hidden></span>')
    told = _component()(data=data, key="enter_keys", height=0, on_dropped_change=_nothing)
    if lost := getattr(told, "dropped", None):
        st.toast(
            tn(
                int(lost),
                "{n} key that was typed while the page was being drawn did not fit what it shows now, and was left "
                "out. Look at the form, then go on.",
                "{n} keys that were typed while the page was being drawn did not fit what it shows now, and were left "
                "out. Look at the form, then go on.",
            ),
            icon=":material/keyboard:",
        )


def _place(defect: object) -> str:
    """The place of a defect among the choices, as the browser names it; blank: none."""
    codes: list[object] = list(DEFECTS)
    return str(codes.index(defect)) if defect in codes else ""


def _nothing() -> None:
    """What the browser tells is read where it arrives."""


def _component() -> Any:
    return st.components.v2.component("enter_keys", html="<span></span>", js=SCRIPT)

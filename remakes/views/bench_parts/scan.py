"""One field for every scan: a restoration's number opens it, a machine's or lot's code is set for the step now open."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import streamlit as st

from remakes import words
from remakes.records.bench.codes import Meaning, meanings, use_at_step
from remakes.records.bench.overview import bench_piece
from remakes.records.bench.pieces import find_piece
from remakes.records.look_up import match_number
from remakes.texts import later, t
from remakes.views import frame
from remakes.views.bench_parts.hand import PART, Hand, open_piece, opened, said, tap, tell

__all__ = ["NEW_NUMBER", "ask", "field"]

_LABEL: Final = later("Scan")
_KEY: Final = "bench_scan"
_ASKED: Final = "bench_asked"
_CURSOR: Final = "bench_cursor"
_SEEN: Final = "bench_seen"
#: The number with which the form for new work begins.
NEW_NUMBER: Final = "bench_new_number"


def field(hand: Hand) -> None:
    """The field; what is scanned is carried out with its Enter."""
    label = str(t(_LABEL))
    st.text_input(
        label,
        key=_KEY,
        placeholder=t("number of a restoration, machine or lot, then Enter"),
        on_change=_scanned,
        args=(hand,),
    )
    # At the first sight and after a scan, for the next scan; elsewhere it would be taken out of another field.
    if st.session_state.pop(_CURSOR, _SEEN not in st.session_state):
        st.session_state[_SEEN] = True
        frame.put_cursor_into(label)


def _scanned(hand: Hand) -> None:
    code = said(_KEY)
    st.session_state[_KEY] = ""
    st.session_state[_CURSOR] = True
    st.session_state.pop(_ASKED, None)
    if not code:
        return

    def work() -> str | None:
        seen, known = code, meanings(hand.store, code)
        if not known and (alike := match_number(hand.store, code, in_work=True).found):
            # Typed in small letters or with a blank: the same number, and no second piece of it.
            seen, known = alike, meanings(hand.store, alike)
        if len(known) == 1:
            return _take(hand, seen, known[0])
        st.session_state[_ASKED] = (code, known)
        return None

    tap(work)


def _take(hand: Hand, code: str, meaning: Meaning) -> str | None:
    if meaning == "restoration":
        piece = find_piece(hand.store, code)
        if piece is not None:
            st.session_state[PART] = "bench"
            open_piece(code, bench_piece(hand.store, piece, hand.standard, today=hand.today).next_step)
        return None
    step = opened()[1]
    if not step:
        known = t("{code} is known, but no step is open. Open the step, then scan it again.", code=words.plain(code))
        tell("warning", known)
        return None
    codes = replace(hand.codes(step), **{meaning: code})
    use_at_step(hand.store, step, codes, owner=hand.code, today=hand.today)
    if meaning == "equipment":
        return t("Machine {code} is used for {step} today.", code=words.plain(code), step=words.plain(step))
    return t("Lot {code} is used for {step} today.", code=words.plain(code), step=words.plain(step))


def ask(hand: Hand) -> None:
    """What is a code that is not known, or known as two things?"""
    code, known = st.session_state.get(_ASKED, ("", ()))
    if not code:
        return
    with st.container(border=True):
        shown = words.plain(code)
        if known:
            st.warning(t("{code} is known as a machine and as a lot. Which is it here?", code=shown))
        else:
            st.warning(t("{code} is not known here. What is it?", code=shown))

        def as_code(meaning: Meaning) -> None:
            st.session_state.pop(_ASKED, None)
            tap(lambda: _take(hand, code, meaning))

        def as_work() -> None:
            st.session_state.pop(_ASKED, None)
            st.session_state[NEW_NUMBER] = code
            st.session_state[PART] = "begin"

        if opened()[1]:
            st.button(t("A machine"), key="asked_machine", on_click=as_code, args=("equipment",), width="stretch")
            st.button(t("A lot"), key="asked_lot", on_click=as_code, args=("lot",), width="stretch")
        if not known:
            st.button(t("A new restoration"), key="asked_new", on_click=as_work, width="stretch")
        st.button(t("Nothing, scanned by mistake"), key="asked_none", on_click=_forget, width="stretch")


def _forget() -> None:
    st.session_state.pop(_ASKED, None)

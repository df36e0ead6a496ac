"""The returns last written down, each with Undo: taken back with a reason, never deleted."""

from __future__ import annotations

from typing import Final

import streamlit as st

from remakes import words
from remakes.errors import RemakesError
from remakes.records.entries import void_return
from remakes.records.look_up import RecordedReturn, latest_returns
from remakes.views import frame, state

__all__ = ["WHY", "show"]

WHY: Final = "Why is it taken back?"


def show() -> None:
    """The last ten, newest first."""
    st.subheader("Last ten entered")
    found = latest_returns(state.store(), limit=10)
    if not found:
        st.markdown("None yet.")
    for one in found:
        text, button = st.columns([6, 1], vertical_alignment="center")
        text.markdown(_line(one))
        if not one.voided and button.button("Undo", key=f"undo_{one.row_id}"):
            _ask_why(one)


def _line(one: RecordedReturn) -> str:
    harm = " · **possible harm**" if one.harm else ""
    back = f" · taken back: {words.plain(one.voided_why or '')}" if one.voided else ""
    number, restoration = words.plain(one.return_id), words.plain(one.restoration_id)
    return f"{number} · **{restoration}** · {words.defect(one.defect)} · {one.reported_on}{harm}{back}"


@st.dialog("Take a return back")
def _ask_why(one: RecordedReturn) -> None:
    st.markdown(f"{_line(one)}\n\nIt stays in the record, marked, and is left out of every figure.")
    with st.form("take_back", border=False):
        why = st.text_input(WHY)
        if st.form_submit_button("Take back", type="primary"):
            visitor = state.require("quality", "manager")
            try:
                void_return(state.store(), one.row_id, who=visitor.who, why=why)
            except RemakesError as error:
                st.error(words.refusal(error))
            else:
                st.rerun()
            return
    frame.put_cursor_into(WHY)

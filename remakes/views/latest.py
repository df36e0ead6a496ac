"""The returns last written down: corrected, photographed, or taken back with a reason; never deleted."""

from __future__ import annotations

from collections import Counter
from typing import Final

import streamlit as st

from remakes import words
from remakes.errors import RemakesError
from remakes.records.entries import void_return
from remakes.records.look_up import RecordedReturn, latest_returns
from remakes.records.photos import list_photos
from remakes.texts import later, t, tn
from remakes.views import frame, state
from remakes.views.enter_parts import correct, photo_parts

__all__ = ["WHY", "line", "show", "tools"]

WHY: Final = later("Why is it taken back?")


def show() -> None:
    """The last ten, newest first."""
    st.subheader(t("Last ten entered"))
    found = latest_returns(state.store(), limit=10)
    if not found:
        st.markdown(t("None yet."))
        return
    photos = Counter(
        one.return_id
        for one in list_photos(state.store(), return_ids={one.return_id for one in found})
        if not one.voided
    )
    for one in found:
        text, buttons = st.columns([3, 2], vertical_alignment="center")
        text.markdown(line(one))
        with buttons:
            tools(one, photos=photos[one.return_id])


def line(one: RecordedReturn) -> str:
    """A return on one line, safe for Markdown."""
    parts = [
        words.plain(one.return_id),
        f"**{words.plain(one.restoration_id)}**",
        words.defect(one.defect),
        one.reported_on.isoformat(),
    ]
    if one.harm:
        parts.append(f"**{t('possible harm')}**")
    if one.voided:
        parts.append(t("taken back: {why}", why=words.plain(one.voided_why or "")))
    return " · ".join(parts)


def tools(one: RecordedReturn, *, photos: int) -> None:
    """What can be done with a return: its photos, a correction, Undo."""
    with st.container(horizontal=True, horizontal_alignment="right"):
        label = tn(photos, "{n} photo", "{n} photos") if photos else t("Add photo")
        if st.button(label, key=f"photos_{one.row_id}", type="tertiary"):
            photo_parts.open_for(one.return_id, one.restoration_id)
        if one.voided:
            return
        if st.button(t("Correct"), key=f"correct_{one.row_id}", type="tertiary"):
            correct.open_for(one)
        if st.button(t("Undo"), key=f"undo_{one.row_id}", type="tertiary"):
            st.dialog(t("Take a return back"))(_ask_why)(one)


def _ask_why(one: RecordedReturn) -> None:
    st.markdown(f"{line(one)}\n\n{t('It stays in the record, marked, and is left out of every figure.')}")
    with st.form("take_back", border=False):
        why = st.text_input(t(WHY))
        if st.form_submit_button(t("Take back"), type="primary"):
            visitor = state.require("quality", "manager")
            try:
                void_return(state.store(), one.row_id, who=visitor.who, why=why)
            except RemakesError as error:
                st.error(words.refusal(error))
            else:
                st.rerun()
            return
    frame.put_cursor_into(t(WHY))

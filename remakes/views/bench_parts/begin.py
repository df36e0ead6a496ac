"""Begin a restoration by its number, with what was typed last time already filled in."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import streamlit as st

from remakes import words
from remakes.records.bench.work import add_work, usual_work
from remakes.records.codes import KINDS
from remakes.texts import t
from remakes.views import cautions
from remakes.views.bench_parts.hand import PART, Hand, due_day, open_piece, said, tap
from remakes.views.bench_parts.scan import NEW_NUMBER

__all__ = ["form"]

_ROUND: Final = "bench_begin_round"  # counts saved forms: new keys give empty fields


def form(hand: Hand) -> None:
    """The form for new work."""
    usual = usual_work(hand.store, who=hand.who)
    turn = st.session_state.setdefault(_ROUND, 0)
    names = ("restoration_id", "kind", "veneer", "framework", "teeth", "units", "technician", "due_on")
    keys = {name: f"new_{name}_{turn}" for name in names}
    if number := st.session_state.pop(NEW_NUMBER, ""):
        st.session_state[keys["restoration_id"]] = number
    st.caption(t(cautions.NO_PATIENTS))
    with st.form("begin_work", border=False):
        st.text_input(t("Restoration number"), key=keys["restoration_id"], placeholder=t("scan or type"))
        st.selectbox(t("Kind"), KINDS, index=KINDS.index(usual.kind), format_func=words.code, key=keys["kind"])
        _material(t("Veneer"), usual.veneers, usual.veneer, key=keys["veneer"])
        _material(t("Framework"), usual.frameworks, usual.framework, key=keys["framework"])
        st.text_input(t("Teeth (two digits each, blanks between)"), key=keys["teeth"])
        st.text_input(t("Units (blank: as many as teeth)"), key=keys["units"])
        st.text_input(t("Who works on it (code; blank: nobody yet)"), value=hand.code, key=keys["technician"])
        st.text_input(t("Due on"), key=keys["due_on"], placeholder=t("2026-03-02 or 2.3.2026"))

        def work() -> str:
            raw: dict[str, object] = {name: said(key) for name, key in keys.items()}
            raw["due_on"] = due_day(said(keys["due_on"]), hand.today)
            piece = add_work(hand.store, raw, who=hand.who)
            st.session_state[_ROUND] = turn + 1
            st.session_state[PART] = "bench"
            open_piece(piece.restoration_id)
            return t("{number} is in work.", number=words.plain(piece.restoration_id))

        st.form_submit_button(t("Begin"), type="primary", key="begin", on_click=tap, args=(work,), width="stretch")


def _material(label: str, known: Sequence[str], usual: str | None, *, key: str) -> None:
    options = list(dict.fromkeys([*known, *([usual] if usual else [])]))
    st.selectbox(
        label,
        options,
        index=options.index(usual) if usual else None,
        format_func=lambda word: str(words.code(word)),
        accept_new_options=True,
        placeholder=t("choose or type"),
        key=key,
    )

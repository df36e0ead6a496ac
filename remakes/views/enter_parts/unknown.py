"""A number that no list brought: near ones to choose, or the restoration entered by hand right here."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any, Final

import streamlit as st

from remakes import words
from remakes.errors import RemakesError
from remakes.records.codes import KINDS
from remakes.records.entries import RefusedEntryError, enter_restoration
from remakes.texts import t
from remakes.views import cautions, frame, state
from remakes.views.enter_parts import answers
from remakes.views.fields import day_field, number_field

__all__ = ["offer"]

#: Columns of the restorations that are plain text, each with its question.
_TEXTS: Final = ("technician", "clinic", "case_id", "framework", "veneer")


def offer(number: str, near: Sequence[str]) -> None:
    """What can be done about a number that is not in the records; it stays in the form meanwhile."""
    st.warning(
        t(
            "There is no restoration {number} in the records, so its return cannot be saved yet. The number is kept: "
            "you can leave this page and come back.",
            number=words.plain(number),
        )
    )
    if near:
        st.markdown(t("Did you mean one of these?"))
        with st.container(horizontal=True):
            for one in near:
                st.button(words.plain(one), key=f"near_{one}", on_click=_take, args=(one,))
    frame.go("lists", t("Bring in the list of restorations"))
    with st.expander(t("Enter this restoration by hand"), expanded=not near):
        _by_hand(number)


def _take(number: str) -> None:
    st.session_state[answers.number_key()] = number


def _by_hand(number: str) -> None:
    st.caption(t(cautions.NO_PATIENTS))
    with st.form("by_hand", border=False, enter_to_submit=False):
        raw: dict[str, Any] = {"restoration_id": number}
        raw["kind"] = st.radio(
            t("Kind"), KINDS, index=None, format_func=lambda kind: t(kind), key="hand_kind", horizontal=True
        )
        left, right = st.columns(2)
        raw["delivered_on"] = _or_typed(
            day_field(t("Delivered on"), key="hand_delivered", place=left), "hand_delivered"
        )
        raw["teeth"] = right.text_input(t("Teeth, in two-digit codes"), key="hand_teeth", placeholder=t("34 35 36"))
        raw["units"] = _or_typed(
            number_field(t("Units"), key="hand_units", low=1, unit=t("blank: as many as teeth"), place=left),
            "hand_units",
        )
        questions = (t("Technician"), t("Clinic"), t("Case"), t("Framework"), t("Veneer"))
        for place, (column, question) in enumerate(zip(_TEXTS, questions, strict=True)):
            here = right if place % 2 == 0 else left
            raw[column] = here.text_input(question, key=f"hand_{column}", placeholder=t("blank: not recorded"))
        saved = st.form_submit_button(t("Save this restoration"), key="hand_save")
    if saved:
        _save(raw)


def _or_typed(read: object, name: str) -> object:
    return st.session_state.get(name) if read is None else read


def _save(raw: dict[str, Any]) -> None:
    visitor = state.require("quality", "manager")
    try:
        number = enter_restoration(state.store(), raw, who=visitor.who, today=date.today())
    except RefusedEntryError as error:
        for problem in error.problems:
            st.error(words.refusal(problem))
        return
    except RemakesError as error:
        st.error(words.refusal(error))
        return
    st.toast(t("Saved: restoration {number}. Now its return.", number=words.plain(number)))
    st.rerun()

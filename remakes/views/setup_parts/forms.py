"""What the forms of the set-up share: what they were opened with, what became of a save, and a clash of two people."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, Generic, TypeVar

import streamlit as st

from remakes import words
from remakes.errors import RemakesError
from remakes.records.change_log import in_words, who_changed
from remakes.texts import t
from remakes.views import frame, state

__all__ = ["Opened", "clash", "open_form", "save", "tell_saved"]

_TOLD: Final = "setup_told"
Content = TypeVar("Content")


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened(Generic[Content]):
    """A form in use.

    Attributes
    ----------
    content
        What it was opened with.
    suffix : str
        For the keys of its fields: another one once it is saved, so that they start anew.
    """

    form: str
    content: Content
    suffix: str


def open_form(form: str, now: Content, *, probe: str) -> Opened[Content]:
    """The form as this visit opened it; opened now, where it is not on the page already.

    Parameters
    ----------
    form : str
        Its name; of every thing that can be changed, another one.
    now
        What stands in the records at the moment.
    probe : str
        Key of one of its fields, without the suffix: while the field is there, the form is open.
    """
    turn, held = st.session_state.get(_key(form), (0, now))
    suffix = f"{form}_{turn}"
    if f"{probe}_{suffix}" not in st.session_state:
        held = now
    st.session_state[_key(form)] = (turn, held)
    return Opened(form=form, content=held, suffix=suffix)


def save(opened: Opened[Any], work: Callable[[str], str]) -> None:
    """Write something as the visitor, tell what came of it, and open the form anew.

    Parameters
    ----------
    work : callable
        Told who writes; gives the sentence to be told. What it refuses is told, and the form stays as it is.
    """
    try:
        told = work(state.require("manager").who)
    except RemakesError as error:
        st.error(words.refusal(error))
        return
    st.session_state[_TOLD] = told
    _anew(opened)
    st.rerun()


def tell_saved() -> None:
    """What came of the last save, once."""
    # Always there, so that what follows keeps its place.
    place = st.container()
    if told := st.session_state.pop(_TOLD, ""):
        place.success(told)


def clash(
    opened: Opened[Content],
    now: Content,
    described: Callable[[Content], Mapping[str, object]],
    *,
    tables: tuple[str, ...],
    key: str,
) -> bool:
    """Did somebody else change it since the form was opened? Then both are shown, with a choice.

    Parameters
    ----------
    described : callable
        Gives the content by field.
    tables, key
        Where the change log has it.
    """
    if opened.content == now:
        return False
    last = who_changed(state.store(), tables=tables, key=key)
    st.warning(
        t(
            "{who} changed this at {at}, while you had it open. What you typed is still here and is not saved.",
            who=words.plain(words.who(last.who)) if last else "?",
            at=words.clock(last.at) if last else "?",
        )
    )
    before, after = described(opened.content), described(now)
    frame.table(
        [
            {
                t("field"): name,
                t("as you opened it"): in_words(before.get(name)),
                t("as it stands now"): in_words(after.get(name)),
            }
            for name in dict.fromkeys([*before, *after])
            if before.get(name) != after.get(name)
        ],
        whole=True,
    )
    left, right = st.columns(2)
    if left.button(t("Start anew from theirs"), width="stretch", key=f"theirs_{opened.suffix}"):
        _anew(opened)
        st.rerun()
    if right.button(t("Go on with mine"), width="stretch", key=f"mine_{opened.suffix}"):
        turn, _ = st.session_state[_key(opened.form)]
        st.session_state[_key(opened.form)] = (turn, now)
        st.rerun()
    return True


def _anew(opened: Opened[Any]) -> None:
    turn, held = st.session_state[_key(opened.form)]
    st.session_state[_key(opened.form)] = (turn + 1, held)


def _key(form: str) -> str:
    return f"opened_{form}"

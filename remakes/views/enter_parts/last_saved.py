"""The return saved last, with Undo by one key; and the calls to the dentist that those of the last hour need."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from typing import Any, Final

import streamlit as st

from remakes import words
from remakes.errors import RemakesError, StoreError
from remakes.records.drafts import drop_draft, keep_draft, load_draft
from remakes.records.entries import void_returns
from remakes.records.harm import harm_reports
from remakes.records.look_up import recorded_returns
from remakes.records.store import now
from remakes.texts import t
from remakes.views import cautions, state
from remakes.views.enter_parts import answers

__all__ = ["UNDO_KEY", "remember", "show"]

UNDO_KEY: Final = "Alt+U"
_WHAT: Final = "return last saved"
_HARM: Final = "possible harm saved"
_SHOWN_FOR: Final = timedelta(hours=1)
#: What was saved, where the records could not be written a second time: told once, without Undo.
_ONLY_TOLD: Final = "enter_only_told"


def remember(row_ids: Sequence[int], said: str, *, harm: bool, refused: Sequence[str] = ()) -> None:
    """Keep what was just saved, with the answers, so that Undo can put them back into the form.

    Parameters
    ----------
    said : str
        What was saved, in a sentence.
    harm : bool
        Somebody may have been hurt: that stays in sight for an hour, whatever is saved after it.
    refused : sequence of str
        What belonged to the return and could not be kept, as words for Markdown.
    """
    owner, content = state.visitor().code, {"row_ids": list(row_ids), "said": said, "refused": list(refused)}
    try:
        # Harm first: it matters more than Undo.
        if harm:
            told = [*_harm(), {"row_ids": list(row_ids), "said": said, "at": now().isoformat()}]
            keep_draft(state.store(), _HARM, {"told": told}, owner=owner)
        keep_draft(state.store(), _WHAT, {**content, "harm": harm, "answers": answers.content()}, owner=owner)
    except StoreError:
        # The return itself is saved, so nobody must be told that nothing was.
        st.session_state[_ONLY_TOLD] = {**content, "harm": harm}


def show() -> None:
    """Possible harm of the last hour, then the return saved last."""
    told = st.session_state.pop(_ONLY_TOLD, None)
    for one in _harm():
        _call_the_dentist(one["said"])
    if told is not None:
        if told["harm"]:
            _call_the_dentist(told["said"])
        _what_came_of_it(told)
        return
    draft = load_draft(state.store(), _WHAT, owner=state.visitor().code)
    if draft is None or now() - draft.saved_at > _SHOWN_FOR:
        return
    last = draft.content
    _what_came_of_it(last)
    if st.button(t("Take it back and put it into the form again"), key="enter_undo", shortcut=UNDO_KEY):
        _undo(last)


def _call_the_dentist(said: str) -> None:
    st.error(
        t("{said} **Not done yet: call the dentist today, and keep the piece.**", said=words.plain(said))
        + f"\n\n{t(cautions.HARM)}",
        icon=":material/warning:",
    )


def _what_came_of_it(last: Mapping[str, Any]) -> None:
    if not last["harm"]:
        st.success(words.plain(last["said"]))
    for one in last.get("refused", ()):
        st.error(one)


def _harm() -> list[dict[str, Any]]:
    """The returns of the last hour in which somebody may have been hurt: not taken back, set right, or dealt with."""
    draft = load_draft(state.store(), _HARM, owner=state.visitor().code)
    if draft is None or now() - draft.saved_at > _SHOWN_FOR:
        return []
    recent = [one for one in draft.content["told"] if now() - datetime.fromisoformat(one["at"]) <= _SHOWN_FOR]
    rows = recorded_returns(state.store(), [row for one in recent for row in one["row_ids"]])
    still_open = {one.return_id for one in harm_reports(state.store()) if one.is_open} if rows else set()
    standing = {row.row_id for row in rows if row.harm and not row.voided and row.return_id in still_open}
    return [one for one in recent if standing & set(one["row_ids"])]


def _undo(last: dict[str, Any]) -> None:
    visitor = state.require("quality", "manager")
    why = t("taken back right after it was saved")
    try:
        void_returns(state.store(), last["row_ids"], who=visitor.who, why=why)
    except RemakesError as error:
        # Taken back or changed elsewhere: nothing to undo here any more.
        st.error(words.refusal(error))
        if not isinstance(error, StoreError):
            drop_draft(state.store(), _WHAT, owner=visitor.code)
        return
    with suppress(StoreError):
        drop_draft(state.store(), _WHAT, owner=visitor.code)
    answers.refill(last["answers"])
    st.rerun()

"""The return saved last: what it was, the call to the dentist that it may need, and Undo by one key."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Any, Final

import streamlit as st

from remakes import words
from remakes.errors import RemakesError
from remakes.records.drafts import drop_draft, keep_draft, load_draft
from remakes.records.entries import void_returns
from remakes.records.store import now
from remakes.texts import t
from remakes.views import cautions, state
from remakes.views.enter_parts import answers

__all__ = ["UNDO_KEY", "remember", "show"]

UNDO_KEY: Final = "Alt+U"
_WHAT: Final = "return last saved"
_SHOWN_FOR: Final = timedelta(hours=1)


def remember(row_ids: Sequence[int], said: str, *, harm: bool) -> None:
    """Keep what was just saved, with the answers, so that Undo can put them back into the form."""
    content = {"row_ids": list(row_ids), "said": said, "harm": harm, "answers": answers.content()}
    keep_draft(state.store(), _WHAT, content, owner=state.visitor().code)


def show() -> None:
    """The last one saved, for an hour; harm stays in sight as long."""
    draft = load_draft(state.store(), _WHAT, owner=state.visitor().code)
    if draft is None or now() - draft.saved_at > _SHOWN_FOR:
        return
    last = draft.content
    if last["harm"]:
        st.error(
            t("{said} **Not done yet: call the dentist today, and keep the piece.**", said=words.plain(last["said"]))
            + f"\n\n{t(cautions.HARM)}",
            icon=":material/warning:",
        )
    else:
        st.success(words.plain(last["said"]))
    if st.button(t("Take it back and put it into the form again"), key="enter_undo", shortcut=UNDO_KEY):
        _undo(last)


def _undo(last: dict[str, Any]) -> None:
    visitor = state.require("quality", "manager")
    why = t("taken back right after it was saved")
    try:
        void_returns(state.store(), last["row_ids"], who=visitor.who, why=why)
    except RemakesError as error:
        # Taken back or changed elsewhere: nothing to undo here any more.
        st.error(words.refusal(error))
        drop_draft(state.store(), _WHAT, owner=visitor.code)
        return
    drop_draft(state.store(), _WHAT, owner=visitor.code)
    answers.next_round()
    answers.put_back(last["answers"])
    st.rerun()

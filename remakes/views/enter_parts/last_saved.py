"""The return saved last, with Undo by one key; and the calls to the dentist that those of the last hour need."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, Final

import streamlit as st

from remakes import words
from remakes.errors import RemakesError
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
    keep_draft(state.store(), _WHAT, {**content, "harm": harm, "answers": answers.content()}, owner=owner)
    if harm:
        told = [*_harm(), {"row_ids": list(row_ids), "said": said, "at": now().isoformat()}]
        keep_draft(state.store(), _HARM, {"told": told}, owner=owner)


def show() -> None:
    """Possible harm of the last hour, then the return saved last."""
    for one in _harm():
        st.error(
            t("{said} **Not done yet: call the dentist today, and keep the piece.**", said=words.plain(one["said"]))
            + f"\n\n{t(cautions.HARM)}",
            icon=":material/warning:",
        )
    draft = load_draft(state.store(), _WHAT, owner=state.visitor().code)
    if draft is None or now() - draft.saved_at > _SHOWN_FOR:
        return
    last = draft.content
    if not last["harm"]:
        st.success(words.plain(last["said"]))
    for one in last.get("refused", ()):
        st.error(one)
    if st.button(t("Take it back and put it into the form again"), key="enter_undo", shortcut=UNDO_KEY):
        _undo(last)


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
        drop_draft(state.store(), _WHAT, owner=visitor.code)
        return
    drop_draft(state.store(), _WHAT, owner=visitor.code)
    answers.refill(last["answers"])
    st.rerun()

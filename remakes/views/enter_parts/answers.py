"""What is being typed: the keys of the form's fields, and the draft that a refresh or a restart does not lose.

In the browser a text field hands its text over when it is left, or after a short pause where it is `live`. What
was typed into another one and not left yet is not known here, and so not in the draft.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, Final

import streamlit as st

from remakes.errors import StoreError
from remakes.records.drafts import SHORT_PATIENCE_MS, drop_draft, keep_draft, load_draft
from remakes.texts import Said, later, t
from remakes.views import state

__all__ = [
    "NOT_KEPT",
    "begin",
    "content",
    "forget",
    "give_up",
    "keep",
    "key",
    "known",
    "next_round",
    "number_key",
    "put_back",
    "refill",
    "restored",
    "round_number",
    "set_aside",
    "start_with",
    "take_up",
    "waiting",
]

_WHAT: Final = "return"
_ASIDE: Final = "return set aside"
#: Drafts of another form than this one are left alone.
_FORMAT: Final = 1
_ROUND: Final = "enter_round"  # counts entries: new keys give empty fields
_KEPT: Final = "enter_kept"
_RESTORED: Final = "enter_restored"
_NUMBER: Final = "number"
#: The records could not be written when the draft of a saved return was to go: it is no draft any more.
_STALE: Final = "enter_stale"
#: The draft could not be written.
NOT_KEPT: Final = later(
    "The records cannot be written just now, so what you type is kept in this window only: do not reload it, and do "
    "not leave this page before it is saved."
)


def begin() -> None:
    """At the top of the page: bring back what was typed before a refresh, a restart or another page."""
    st.session_state.setdefault(_ROUND, 0)
    if number_key() in st.session_state:
        return
    st.session_state.pop(_RESTORED, None)
    if st.session_state.pop(_STALE, False):
        # What is not blank is dropped at the end of the page.
        st.session_state[_KEPT] = {_NUMBER: _STALE}
        return
    draft = load_draft(state.store(), _WHAT, owner=_owner())
    if draft is None or draft.content.get("format") != _FORMAT:
        return
    put_back(draft.content.get("answers", {}))
    st.session_state[_KEPT] = content()
    st.session_state[_RESTORED] = draft.saved_at


def round_number() -> int:
    """How many entries this visit has seen."""
    return int(st.session_state.get(_ROUND, 0))


def key(name: str) -> str:
    """The key of a field whose answer belongs to the draft."""
    return f"enter_{round_number()}_{name}"


def number_key() -> str:
    """The key of the field for the number."""
    return key(_NUMBER)


def known(name: str, options: Sequence[Any]) -> str:
    """The key of a field to choose in; an answer that is no longer among the options is forgotten first."""
    found = key(name)
    value = st.session_state.get(found)
    if isinstance(value, list):
        st.session_state[found] = [one for one in value if one in options]
    elif value is not None and value not in options:
        del st.session_state[found]
    return found


def content() -> dict[str, Any]:
    """All answers so far, by the names of their fields."""
    start = key("")
    return {
        name.removeprefix(start): value
        for name, value in st.session_state.items()
        if isinstance(name, str) and name.startswith(start) and value not in (None, "", [])
    }


def keep() -> None:
    """At the end of the page: keep what is typed, where it has changed; a form without a number holds nothing."""
    answers = content()
    if answers == st.session_state.get(_KEPT, {}):
        return
    try:
        if answers.get(_NUMBER):
            draft = {"format": _FORMAT, "answers": answers}
            keep_draft(state.store(), _WHAT, draft, owner=_owner(), patience_ms=SHORT_PATIENCE_MS)
        else:
            drop_draft(state.store(), _WHAT, owner=_owner(), patience_ms=SHORT_PATIENCE_MS)
    except StoreError:
        if answers:
            st.warning(t(NOT_KEPT))
        return
    st.session_state[_KEPT] = answers


def forget() -> None:
    """The answers are saved, or given up: empty fields and no draft; one that cannot go now goes a little later."""
    try:
        drop_draft(state.store(), _WHAT, owner=_owner(), patience_ms=SHORT_PATIENCE_MS)
    except StoreError:
        st.session_state[_STALE] = True
    st.session_state.pop(_KEPT, None)
    next_round()


def next_round() -> None:
    """Empty fields."""
    st.session_state[_ROUND] = round_number() + 1
    st.session_state.pop(_RESTORED, None)


def put_back(answers: dict[str, Any]) -> None:
    """Fill the fields with answers kept before; to be called before the fields are made."""
    for name, value in answers.items():
        st.session_state[key(name)] = value


def restored() -> Said | None:
    """A sentence on what was brought back; None where the fields began empty."""
    at = st.session_state.get(_RESTORED)
    if not isinstance(at, datetime):
        return None
    local = at.replace(tzinfo=UTC).astimezone()
    return t(
        "Not saved yet: what you typed on {day} at {time} is back in the form.",
        day=local.date().isoformat(),
        time=f"{local:%H:%M}",
    )


def set_aside(answers: dict[str, Any]) -> None:
    """Keep an entry that another one interrupts, before those set aside earlier; one without a defect holds nothing."""
    if answers.get(_NUMBER) and answers.get("defect"):
        _keep_aside([answers, *_aside()])


def start_with(number: str) -> None:
    """Begin with a number chosen on another page; what was being typed about another piece is set aside."""
    draft = load_draft(state.store(), _WHAT, owner=_owner())
    typed = draft.content.get("answers", {}) if draft and draft.content.get("format") == _FORMAT else {}
    if typed.get(_NUMBER) == number:
        return
    set_aside(typed)
    next_round()
    put_back({_NUMBER: number})


def waiting() -> dict[str, Any] | None:
    """The entry that was set aside last."""
    return next(iter(_aside()), None)


def take_up() -> None:
    """Go on with the entry that was set aside last; what the form holds takes its place."""
    found, *others = _aside() or [{}]
    _keep_aside(others)
    refill(found)


def give_up() -> None:
    """The entry that was set aside last is not wanted any more."""
    _keep_aside(_aside()[1:])


def refill(answers: dict[str, Any]) -> None:
    """Other answers into the form; an entry that stands there is set aside."""
    set_aside(content())
    next_round()
    put_back(answers)


def _aside() -> list[dict[str, Any]]:
    """The entries set aside, the latest first."""
    draft = load_draft(state.store(), _ASIDE, owner=_owner())
    if draft is None or draft.content.get("format") != _FORMAT:
        return []
    return [one for one in (draft.content.get("answers", {}), *draft.content.get("earlier", ())) if one]


def _keep_aside(entries: Sequence[dict[str, Any]]) -> None:
    if not entries:
        drop_draft(state.store(), _ASIDE, owner=_owner())
        return
    latest, *earlier = entries
    keep_draft(state.store(), _ASIDE, {"format": _FORMAT, "answers": latest, "earlier": earlier}, owner=_owner())


def _owner() -> str:
    return state.visitor().code

"""What to try next: what is an action worth, what was decided, did it work, and how would we find out?"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import streamlit as st

from remakes.texts import t
from remakes.views import frame, state
from remakes.views.addressed import from_address, into_address
from remakes.views.try_parts import decisions, followed, limits, trial, worth
from remakes.views.try_parts.wording import DECIDED, FOLLOWED, LIMITS, PART, TRIAL, WORTH, tell_saved

__all__ = ["body"]

_PARTS: Final[dict[str, Callable[[], None]]] = {
    WORTH: worth.show,
    DECIDED: decisions.show,
    FOLLOWED: followed.show,
    TRIAL: trial.show,
    LIMITS: limits.show,
}


def body() -> None:
    """The part to look at, and only that."""
    state.require("manager")
    if not frame.ready(standard=True):
        return
    names = [str(one) for one in _PARTS]
    from_address(PART, names)
    st.session_state.setdefault(PART, names[0])
    chosen = st.segmented_control(
        t("Part"), names, required=True, format_func=t, key=PART, label_visibility="collapsed"
    )
    into_address(PART, names[0])
    tell_saved()
    _PARTS.get(chosen or WORTH, worth.show)()

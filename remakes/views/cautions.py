"""The safety reminders as a page shows them."""

from __future__ import annotations

from collections.abc import Iterable

import streamlit as st

from remakes.cautions import HARM, NO_PATIENTS, SAFETY_LINE, usual_cautions
from remakes.texts import t

__all__ = ["HARM", "NO_PATIENTS", "SAFETY_LINE", "show_for_steps", "usual_cautions"]


def show_for_steps(steps: Iterable[str]) -> None:
    """The usual cautions beside the steps a page speaks of; nothing where none is known."""
    said = usual_cautions(steps)
    if said:
        lines = "\n".join(f"- {one}" for one in said)
        st.markdown(f"**{t('When you work on these steps')}**\n\n{lines}")

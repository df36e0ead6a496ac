"""What the standard is called, and the working steps in their order."""

from __future__ import annotations

import streamlit as st

from remakes.records.requirements import ProcessStandard
from remakes.records.standard_edits import AUDITED_AS, change_outline
from remakes.texts import t
from remakes.views import state
from remakes.views.setup_parts.forms import Opened, clash, open_form, save

__all__ = ["show"]

Outline = tuple[str, tuple[str, ...]]


def show(standard: ProcessStandard) -> None:
    """Title, and one step a line."""
    now: Outline = (standard.title, standard.steps)
    opened: Opened[Outline] = open_form("outline", now, probe="title")
    clash(opened, now, _described, tables=AUDITED_AS, key="")
    title, steps = opened.content
    typed_title = st.text_input(t("Title of the standard"), value=title, key=f"title_{opened.suffix}")
    typed = st.text_area(
        t("Working steps, one a line, in the order of the work"),
        value="\n".join(steps),
        height=30 * max(4, len(steps) + 2),
        key=f"steps_{opened.suffix}",
    )
    st.caption(
        t(
            "The order decides what counts as earlier work when like cases are compared. A step that requirements "
            "belong to stays in the list, under the same name."
        )
    )
    if st.button(t("Save steps and title"), key=f"save_{opened.suffix}"):
        named = tuple(line.strip() for line in typed.splitlines() if line.strip())

        def work(who: str) -> str:
            change_outline(state.store(), opened.content, title=typed_title, steps=named, who=who)
            return t("Steps and title are saved.")

        save(opened, work)


def _described(outline: Outline) -> dict[str, object]:
    return {t("title"): outline[0], t("steps"): list(outline[1])}

"""What the lab has settled: how long a visit may rest, and who sees a technician's own page."""

from __future__ import annotations

import streamlit as st

from remakes.records.house_settings import MAY_SEE, own_work_seen_by, set_own_work_seen_by
from remakes.records.sessions import idle_limit, set_idle_limit
from remakes.texts import t
from remakes.views import fields, state
from remakes.views.setup_parts.forms import open_form, save

__all__ = ["show"]


def show() -> None:
    """Two settings, each with its button."""
    _idle()
    _own_work()


def _idle() -> None:
    now = idle_limit(state.store()).total_seconds() / 60
    opened = open_form("idle", now, probe="idle")
    left, right = st.columns([3, 1], vertical_alignment="bottom")
    minutes = fields.number_field(
        t("Minutes without a visit after which a person is signed out"),
        key=f"idle_{opened.suffix}",
        value=now,
        low=1,
        place=left,
    )
    pressed = right.button(t("Set the minutes"), width="stretch", key=f"save_{opened.suffix}", disabled=minutes is None)
    if pressed and minutes is not None:

        def work(who: str) -> str:
            set_idle_limit(state.store(), minutes, who=who)
            return t("Set: signed out after {minutes} minutes without a visit.", minutes=f"{minutes:g}")

        save(opened, work)


def _own_work() -> None:
    now = own_work_seen_by(state.store())
    opened = open_form("own_work", now, probe="seen")
    left, right = st.columns([3, 1], vertical_alignment="bottom")
    roles = left.multiselect(
        t("Who may see a technician's own page, besides the technician"),
        list(MAY_SEE),
        default=list(now),
        placeholder=t("nobody"),
        key=f"seen_{opened.suffix}",
    )
    st.caption(
        t(
            "Figures by person can judge people for what the work brought with it. Ask the technicians, and whoever "
            "speaks for them in your house, before you let somebody in."
        )
    )
    if right.button(t("Set who may see"), width="stretch", key=f"save_{opened.suffix}"):

        def work(who: str) -> str:
            set_own_work_seen_by(state.store(), tuple(roles), who=who)
            return t("Set: who may see a technician's own page.")

        save(opened, work)

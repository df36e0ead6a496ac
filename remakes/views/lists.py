"""Lists and import: is everything in? The history with undo, gaps, the end of observation, samples."""

from __future__ import annotations

import streamlit as st

from remakes import flow, words
from remakes.errors import RemakesError
from remakes.records.store import Store
from remakes.texts import t
from remakes.views import cautions, frame, intake, state
from remakes.views.fields import day_field
from remakes.views.lists_parts import gaps, history, remembered, samples

__all__ = ["body"]


def body() -> None:
    """Import with a look before it, history, gaps, observed until, remembered maps, sample files."""
    state.require("quality", "manager")
    records = state.store()
    brief = flow.brief(records)
    if brief.observed_until:
        figures = {
            "restorations": brief.restorations,
            "readings": brief.readings,
            "returns": brief.returns,
            "day": words.day(brief.observed_until),
        }
        frame.answer(
            t(
                "{restorations:,} restorations, {readings:,} readings and {returns:,} returns are in, complete up to "
                "{day}.",
                **figures,
            )
            if brief.until_stated
            else t(
                "{restorations:,} restorations, {readings:,} readings and {returns:,} returns are in, taken as "
                "complete up to {day}, which nobody has confirmed.",
                **figures,
            )
        )
        st.caption(t(words.A_RETURN))
    else:
        frame.answer(t("Nothing is in yet: choose your lists below, look at what they would give, then save."))
    st.warning(t(cautions.NO_PATIENTS))
    try:
        intake.show()
    except RemakesError as error:  # what was brought in before stays in sight
        st.error(words.refusal(error))
    history.show(records)
    gaps.show(records)
    _observed_until(records, brief)
    remembered.show(records)
    samples.show(records)


def _observed_until(records: Store, brief: flow.Brief) -> None:
    st.subheader(t("Up to which day are the returns complete?"))
    st.markdown(
        t(
            "Every rate needs it: a restoration that nobody has asked about since counts as kept only up to this day. "
            "Without a date of your own, the latest day in the records counts."
        )
    )
    left, right = st.columns([3, 1])
    # The day is part of the key: once it is set, the field shows what stands in the records.
    key = f"observed_until_{brief.observed_until}"
    day = day_field(t("Complete up to"), value=brief.observed_until, key=key, place=left)
    right.space("small")
    if right.button(t("Set"), key="set_observed_until", width="stretch") and day is not None:
        try:
            flow.set_observed_until(records, day, who=state.require("quality", "manager").who)
        except RemakesError as error:
            st.error(words.refusal(error))
        else:
            st.rerun()

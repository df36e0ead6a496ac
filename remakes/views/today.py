"""Today: what needs somebody now?"""

from __future__ import annotations

from datetime import date
from typing import Final

import streamlit as st

from remakes import flow, words
from remakes.views import cautions, frame, state

__all__ = ["body"]

_OLD_AFTER_DAYS: Final = 14


def body() -> None:
    """Harm first, then what is open, then how the records stand."""
    if not frame.ready():
        return
    today = date.today()
    brief = flow.brief(state.store(), today=today)
    _answer(brief, today)
    if brief.harm:
        _harm(brief)
    _buttons()
    _stand(brief)
    if brief.unclear and state.visitor().role != "technician":
        _unclear(brief)


def _answer(brief: flow.Brief, today: date) -> None:
    harm = ""
    if brief.harm:
        one = len(brief.harm) == 1
        harm = (
            f"{len(brief.harm)} {'return is' if one else 'returns are'} marked as possible harm: is each dealt with? "
        )
    until = brief.observed_until
    seen = f"Returns are complete up to {words.day(until)} ({words.age(until, today)})." if until else ""
    frame.answer(f"{harm}{seen}")
    if until and (today - until).days > _OLD_AFTER_DAYS:
        st.warning(
            "The records are old: what came back since then is missing from every figure. "
            "Enter the returns or import a newer list, then set the date under Lists and import."
        )
    _until_by_itself()


def _until_by_itself() -> None:
    if state.store().setting("observed_until") is None:
        st.caption(
            "That day is the latest one in the records, since nobody has said up to which day all returns are in. "
            "State it under Lists and import: every rate needs it."
        )


def _harm(brief: flow.Brief) -> None:
    st.error(cautions.HARM)
    frame.restoration_links(
        [
            {"restoration": restoration, "return": number, "defect": words.defect(defect), "reported": reported}
            for number, restoration, reported, defect in brief.harm
        ]
    )
    st.caption(f"Returns marked as possible harm, of the last 90 days of records (n = {len(brief.harm)}).")


def _buttons() -> None:
    role = state.visitor().role
    names = {
        "quality": (("enter", "Enter a return"), ("months", "Month in review"), ("lists", "Lists and import")),
        "manager": (("next", "What to try next"), ("steps", "Which steps matter"), ("months", "Month in review")),
        "technician": (("mine", "My work"),),
    }[role]
    for column, (name, label) in zip(st.columns(len(names)), names, strict=True):
        with column:
            frame.go(name, label, primary=name == names[0][0])


def _stand(brief: flow.Brief) -> None:
    st.subheader("What the records hold")
    counts = {
        "restorations": brief.restorations,
        "return rows": brief.returns,
        "readings at the bench": brief.readings,
        "requirements": brief.requirements,
        "corrective actions": brief.actions,
    }
    for column, (name, count) in zip(st.columns(len(counts)), counts.items(), strict=True):
        column.metric(name, f"{count:,}")
    if brief.last_reported:
        st.caption(f"Latest return reported on {words.day(brief.last_reported)}.")


def _unclear(brief: flow.Brief) -> None:
    st.subheader("Returns without a clear reason")
    st.markdown("Coded “other”, or without a place where they were found: look at the piece or ask the clinic.")
    frame.restoration_links(
        [
            {"restoration": restoration, "return": number, "reported": reported}
            for number, restoration, reported in brief.unclear
        ]
    )

"""Today: what needs somebody now?"""

from __future__ import annotations

from datetime import date
from typing import Final

import streamlit as st

from remakes import flow, words
from remakes.records.backups import backup_remark
from remakes.texts import t
from remakes.texts.joining import run_on
from remakes.views import frame, harm, state
from remakes.views.bench_parts import on_today

__all__ = ["body"]

_OLD_AFTER_DAYS: Final = 14


def body() -> None:
    """Harm first, then what is open, then how the records stand."""
    if not frame.ready():
        return
    today = date.today()
    visitor = state.visitor()
    # Who made a piece is between the technician, the quality person and the manager: nobody is led to another's.
    reports = harm.of_visitor()
    if visitor.role == "technician":
        on_today.show(harm.sentence(reports))
        harm.show_open(reports)
        _buttons()
        return
    brief = flow.brief(state.store())
    _answer(brief, harm.sentence(reports), today)
    if visitor.role == "manager" and (remark := backup_remark(state.store())):
        st.warning(remark)
    harm.show_open(reports)
    _buttons()
    _stand(brief)
    if brief.unclear:
        _unclear(brief)
    harm.show_dealt_with(reports)


def _answer(brief: flow.Brief, hurt: str, today: date) -> None:
    until = brief.observed_until
    frame.answer(run_on(hurt, _complete(brief, today)))
    if until and (today - until).days > _OLD_AFTER_DAYS:
        st.warning(
            t(
                "The records are old: what came back since then is missing from every figure. Enter the "
                "returns or import a newer list, then set the date under Lists and import."
            )
        )
    if not brief.until_stated:
        st.caption(
            t(
                "That day is the latest one in the lists that were brought in, or without lists in what was typed, "
                "since nobody has said up to which day all returns are in. State it under Lists and import: every rate "
                "needs it."
            )
        )


def _complete(brief: flow.Brief, today: date) -> str:
    until = brief.observed_until
    if until is None:
        return ""
    day, age = words.day(until), words.age(until, today)
    if brief.until_stated:
        return t("Returns are complete up to {day} ({age}).", day=day, age=age)
    return t("Returns are taken as complete up to {day} ({age}), which nobody has confirmed.", day=day, age=age)


def _buttons() -> None:
    role = state.visitor().role
    names = {
        "quality": (("enter", t("Enter a return")), ("months", t("Month in review")), ("lists", t("Lists and import"))),
        "manager": (
            ("next", t("What to try next")),
            ("steps", t("Which steps matter")),
            ("months", t("Month in review")),
        ),
        "technician": (("bench", t("Bench log")), ("mine", t("My work"))),
    }[role]
    for column, (name, label) in zip(st.columns(len(names)), names, strict=True):
        with column:
            frame.go(name, label, primary=name == names[0][0])


def _stand(brief: flow.Brief) -> None:
    st.subheader(t("What the records hold"))
    counts = {
        t("restorations"): brief.restorations,
        t("returns"): brief.returns,
        t("readings at the bench"): brief.readings,
        t("requirements"): brief.requirements,
        t("corrective actions"): brief.actions,
    }
    for column, (name, count) in zip(st.columns(len(counts)), counts.items(), strict=True):
        column.metric(name, words.figure(count, digits=0))
    st.caption(t(words.A_RETURN))
    if brief.last_reported:
        st.caption(t("Latest return reported on {last_reported}.", last_reported=words.day(brief.last_reported)))


def _unclear(brief: flow.Brief) -> None:
    st.subheader(t("Returns without a clear reason"))
    st.markdown(t("Coded “other”, or without a place where they were found: look at the piece or ask the clinic."))
    frame.few_restoration_links(
        [
            {t("restoration"): restoration, t("return"): number, t("reported"): reported}
            for number, restoration, reported in brief.unclear
        ]
    )

"""The questions of the form: one Tab stop each, none compulsory but the defect. `given` reads what was answered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Final

import streamlit as st

from remakes import words
from remakes.records.codes import ATTRIBUTED_TO, DEFECTS, DISPOSITIONS, FOUND_AT, PLANES, SEVERITIES
from remakes.records.defect_questions import BROKEN, DEFECT_QUESTIONS, may_be_metal
from remakes.records.look_up import RestorationRecord
from remakes.texts import later, t
from remakes.views import cautions
from remakes.views.enter_parts import answers
from remakes.views.fields import day_field, number_field

__all__ = ["JUDGED_BY", "NOTE", "about", "circumstances", "defects", "further", "harm", "judgement"]

#: The fields that take prose.
NOTE: Final = later("Note, in the reporter's words")
JUDGED_BY: Final = later("Judged by")

_YES_NO: Final = ("no", "yes")


def defects() -> list[str]:
    """The main defect, if one is chosen."""
    codes = list(DEFECTS)
    chosen = st.radio(
        t("Defect"), codes, index=None, format_func=lambda code: t(DEFECTS[code]), key=answers.known("defect", codes)
    )
    return [chosen] if chosen else []


def further(main: str) -> list[str]:
    """Further defects of the same return."""
    others = [code for code in DEFECTS if code != main]
    return st.multiselect(
        t("Further defects of the same return"),
        others,
        format_func=words.defect,
        key=answers.known("others", others),
        placeholder=t("none"),
    )


def harm() -> None:
    """May somebody have been hurt? The answer to yes cannot be overlooked."""
    chosen = st.radio(
        t("May somebody have been hurt?"),
        _YES_NO,
        index=None,
        format_func=_yes_no,
        key=answers.known("harm", _YES_NO),
        horizontal=True,
    )
    if chosen == "yes":
        st.error(t(cautions.HARM), icon=":material/warning:")


def about(defect: str, *, several: bool, framework: str | None) -> None:
    """What is worth knowing about this defect; its name stands above where there are several.

    Parameters
    ----------
    framework : str, optional
        Of the piece: bare metal is not asked for where there can be none.
    """
    if several and (defect in BROKEN or defect in DEFECT_QUESTIONS):
        st.markdown(f"**{words.defect(defect)}**")
    if defect in BROKEN:
        _choice(f"plane_{defect}", _named(t("Where did the break run?"), defect, several), PLANES)
        if may_be_metal(framework):
            number_field(
                _named(t("Bare metal, per cent of the break"), defect, several),
                key=answers.key(f"bare_{defect}"),
                low=0,
                high=100,
                unit=t("blank: not recorded"),
            )
    for one in DEFECT_QUESTIONS.get(defect, ()):
        _choice(one.name, t(one.asks), one.answers)


def _named(question: str, defect: str, several: bool) -> str:
    # Two questions of one name could not be told apart by ear.
    return t("{question} ({defect})", question=question, defect=words.defect(defect)) if several else question


def judgement() -> None:
    """Where it was found, and how bad it is."""
    levels = list(SEVERITIES)
    st.radio(
        t("Severity"),
        levels,
        index=None,
        format_func=lambda level: t("{level} {word}", level=level, word=t(SEVERITIES[level])),
        key=answers.known("severity", levels),
        horizontal=True,
    )
    _choice("found", t("Found"), FOUND_AT)


def circumstances(record: RestorationRecord, *, today: date) -> None:
    """Which teeth, what was done, whose doing, when, in whose words."""
    teeth = record.teeth.split()
    if len(teeth) > 1:
        st.multiselect(
            t("Teeth concerned"),
            teeth,
            key=answers.known("teeth", teeth),
            placeholder=t("blank: all ({teeth})", teeth=record.teeth),
        )
    _choice("disposition", t("What was done"), {one: one for one in DISPOSITIONS})
    _choice("attributed", t("Put down to"), {one: one for one in ATTRIBUTED_TO})
    st.text_input(t(NOTE), key=answers.key("note"), placeholder=t("no names"), live="500ms")
    left, middle, right = st.columns(3)
    day_field(t("Reported on"), key=_today_at_first(today), place=left)
    middle.text_input(t(JUDGED_BY), key=answers.key("judged"), placeholder=t("pseudonym or role"))
    right.text_input(t("Return number"), key=answers.key("return_id"), placeholder=t("next of the day"))


def _today_at_first(today: date) -> str:
    found = answers.key("reported")
    st.session_state.setdefault(found, today.isoformat())
    return found


def _choice(name: str, label: str, options: Mapping[str, str]) -> None:
    codes: Sequence[str] = list(options)
    st.radio(
        label,
        codes,
        index=None,
        format_func=lambda code: t(options[code]),
        key=answers.known(name, codes),
        horizontal=True,
    )


def _yes_no(code: str) -> str:
    return t("yes") if code == "yes" else t("no")

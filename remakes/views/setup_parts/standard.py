"""The process standard: what holds, and since when; changed from a day to come on, never for the past."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Final

import streamlit as st

from remakes import words
from remakes.records.requirements import ProcessStandard, Requirement
from remakes.records.standard import load_standard
from remakes.records.standard_days import Standing, standing_of
from remakes.records.standard_text import standard_as_toml
from remakes.texts import later, run_on, t, tn
from remakes.views import cautions, frame, state
from remakes.views.setup_parts import outline_form, requirement_forms
from remakes.views.setup_parts.forms import tell_saved
from remakes.views.setup_parts.requirement_fields import cases_said, rule_said

__all__ = ["show"]

#: Also said where a limit is loosened.
INSTRUCTIONS_FIRST: Final = later(
    "The material's instructions and safety data sheets come first: never set a limit below them. The limits that come "
    "with this program are common practice, without a source: put your own source beside each."
)
_STANDINGS: Final[dict[Standing, str]] = {
    "in force": later("in force"),
    "planned": later("planned"),
    "replaced": later("replaced"),
    "ended": later("ended"),
}
_LIMIT, _WORDS, _END, _CORRECT = "limit", "words", "end", "correct"
_CHANGES: Final[dict[str, tuple[str, Callable[[ProcessStandard, Requirement], None]]]] = {
    _LIMIT: (later("New limit"), requirement_forms.change),
    _WORDS: (later("Words, source, defects"), requirement_forms.reword),
    _END: (later("End it"), requirement_forms.end),
    _CORRECT: (later("Correct a typing error"), requirement_forms.correct),
}


def show() -> None:
    """What holds, as a table; one requirement to change; a new one; steps and title; the file."""
    state.require("manager")
    standard, today = load_standard(state.store()), date.today()
    frame.answer(_answer(standard, today))
    tell_saved()
    st.warning(t(INSTRUCTIONS_FIRST))
    if standard.requirements:
        _table(standard, today)
        _download(standard)
        _change(standard, today)
    st.subheader(t("Add a requirement"))
    if standard.steps:
        requirement_forms.add(standard)
    else:
        st.info(
            t(
                "Name the working steps first, below. Or bring a standard in as a file under Lists and import; a "
                "sample to start from can be downloaded there."
            )
        )
    st.subheader(t("Steps and title"))
    outline_form.show(standard)
    frame.how_sure(
        (
            t(
                "A new limit begins tomorrow at the earliest. What was delivered before keeps the limit it was made "
                "under."
            ),
            t("A limit is what you ask of the work. Whether keeping it helps is seen under Which steps matter."),
            t("Every change is kept in the change log with what stood there before."),
        )
    )


def _answer(standard: ProcessStandard, today: date) -> str:
    standings = [standing_of(standard, one, today) for one in standard.requirements]
    if not standings:
        return t("There is no process standard yet, so no step can be kept or missed.")
    told = [
        tn(standings.count("in force"), "One requirement is in force today.", "{n} requirements are in force today.")
    ]
    if planned := standings.count("planned"):
        told.append(tn(planned, "One begins later.", "{n} begin later."))
    return run_on(*told)


def _table(standard: ProcessStandard, today: date) -> None:
    every = st.toggle(t("Show what was replaced or has ended"), key="standard_past")
    standings = [(one, standing_of(standard, one, today)) for one in standard.requirements]
    rows = [
        _row(one, standing)
        for one, standing in sorted(standings, key=lambda pair: standard.steps.index(pair[0].step))
        if every or standing in ("in force", "planned")
    ]
    # A column that says the same of all, or nothing, takes the room of the others.
    told = {t("stands"): t(_STANDINGS["in force"]), t("until"): ""}
    idle = {name for name, usual in told.items() if all(row[name] == usual for row in rows)}
    frame.table([{name: value for name, value in row.items() if name not in idle} for row in rows])


def _row(one: Requirement, standing: Standing) -> dict[str, object]:
    return {
        t("step"): one.step,
        t("says"): one.says or "",
        t("limit"): rule_said(one),
        t("requirement"): one.factor,
        t("reading"): one.reading,
        t("stands"): t(_STANDINGS[standing]),
        t("from"): one.valid_from.isoformat(),
        t("until"): one.valid_until.isoformat() if one.valid_until else "",
        t("for which cases"): cases_said(one),
        t("may lead to"): words.listed(words.defect_within(each) for each in one.may_cause),
        t("source"): t(one.source) if one.source else t("none named"),
    }


def _download(standard: ProcessStandard) -> None:
    st.download_button(
        t("Download as standard.toml"),
        data=lambda: standard_as_toml(standard).encode(),
        file_name="standard.toml",
        mime="application/toml",
        key="standard_toml",
        on_click="ignore",
    )


def _change(standard: ProcessStandard, today: date) -> None:
    st.subheader(t("Change a requirement"))
    open_ones = [one for one in standard.requirements if standing_of(standard, one, today) in ("in force", "planned")]
    if not open_ones:
        st.markdown(t("None is in force or planned. Add one below."))
        return
    # By code, so that a choice outlives a change of the words or of the language.
    kept = {_key(place, one, open_ones): one for place, one in enumerate(open_ones)}
    # Nothing is chosen beforehand, so that no form is filled in for the wrong one.
    picked = st.selectbox(
        t("Requirement"),
        list(kept),
        index=None,
        format_func=lambda code: _name(kept[code], open_ones, standard) if code in kept else str(code),
        placeholder=t("choose one"),
        key="standard_requirement",
    )
    if picked not in kept:
        return
    one = kept[picked]
    st.markdown(
        t(
            "{step}, {reading}: **{rule}**, for {cases}. {says}",
            step=words.plain(one.step),
            reading=words.plain(one.reading),
            rule=words.plain(rule_said(one)),
            cases=words.plain(cases_said(one)),
            says=words.plain(one.says or ""),
        )
    )
    what = st.segmented_control(
        t("What to do with it"),
        list(_CHANGES),
        default=_LIMIT,
        required=True,
        format_func=lambda name: str(t(_CHANGES[name][0])),
        key="standard_change",
    )
    _CHANGES[what or _LIMIT][1](standard, one)
    cautions.show_for_steps([one.step])


def _key(place: int, one: Requirement, among: list[Requirement]) -> str:
    return one.factor if sum(other.factor == one.factor for other in among) == 1 else f"{one.factor} {place}"


def _name(one: Requirement, among: list[Requirement], standard: ProcessStandard) -> str:
    """In its own words before the lab's code for it; the cases as well where a factor has several requirements."""
    named = words.named(standard, one.factor)
    if sum(other.factor == one.factor for other in among) == 1:
        return named
    return t("{factor} from {day}, for {cases}", factor=named, day=words.day(one.valid_from), cases=cases_said(one))

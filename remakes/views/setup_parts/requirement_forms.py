"""Forms that change one requirement, or add one; each saves by the rules of the records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta

import streamlit as st

from remakes import words
from remakes.records.requirements import ProcessStandard, Requirement
from remakes.records.standard import requirement_as_json
from remakes.records.standard_days import columns_known
from remakes.records.standard_edits import (
    AUDITED_AS,
    add_requirement,
    change_requirement,
    correct_requirement,
    end_requirement,
    reword_requirement,
)
from remakes.records.standard_text import same_or_tighter
from remakes.texts import t
from remakes.views import fields, state, visitors
from remakes.views.setup_parts import limit_preview
from remakes.views.setup_parts.forms import Opened, clash, open_form, save
from remakes.views.setup_parts.requirement_fields import (
    cases_fields,
    defects_field,
    rule_fields,
    rule_said,
    words_fields,
)

__all__ = ["add", "change", "correct", "end", "reword"]


def change(_standard: ProcessStandard, one: Requirement) -> None:
    """Another limit from a day to come on, with what it would have flagged."""
    opened = _opened("limit", one, probe="kind")
    held, suffix = opened.content, opened.suffix
    rule = rule_fields(suffix, held.rule)
    with st.expander(t("For which cases, and the unit")):
        cases = cases_fields(suffix, held.applies_when, _known())
        unit = st.text_input(t("Unit"), value=held.unit or "", key=f"unit_{suffix}").strip()
    says, source = words_fields(suffix, held)
    first = fields.day_field(t("Holds from"), key=f"from_{suffix}", value=_tomorrow())
    if rule is None or first is None:
        st.info(t("Fill in the limit and the day: then you see what it would have flagged."))
        return
    new = replace(held, rule=rule, applies_when=cases, unit=unit or None, says=says, source=source, valid_from=first)
    if (new.rule, dict(new.applies_when), new.unit) == (held.rule, dict(held.applies_when), held.unit):
        st.info(t("This is the present limit. Type another one: then you see what it would have flagged."))
        return
    _warn_laxer(held, new)
    if says == (held.says or "") and says:
        st.caption(t("Does “{says}” still say the right thing? It may name the old limit.", says=words.plain(says)))
    st.markdown(t("**Before you save: what it would have flagged**"))
    limit_preview.show(held, new)
    if st.button(t("Save the new limit"), type="primary", key=f"save_{suffix}"):

        def work(who: str) -> str:
            saved = change_requirement(state.store(), held, new, who=who)
            return t(
                "Saved: {factor} is {rule} from {day} on. Until the day before, the former limit counts.",
                factor=words.plain(saved.factor),
                rule=words.plain(rule_said(saved)),
                day=words.day(saved.valid_from),
            )

        save(opened, work)


def reword(_standard: ProcessStandard, one: Requirement) -> None:
    """Other words, a source, other defects; the limit stays."""
    opened = _opened("words", one, probe="says")
    held = opened.content
    says, source = words_fields(opened.suffix, held)
    likely = defects_field(opened.suffix, held.may_cause)
    st.caption(
        t(
            "Which defects a miss may lead to is asked of the step, not of a time: it counts for the past as well, and "
            "the evidence is graded anew. Change it for a reason of the trade, never because of what the figures show."
        )
    )
    if st.button(t("Save words and source"), type="primary", key=f"save_{opened.suffix}"):

        def work(who: str) -> str:
            reword_requirement(state.store(), held, says=says, source=source, may_cause=likely, who=who)
            return t("Saved: the words of {factor}. The limit is the same.", factor=words.plain(held.factor))

        save(opened, work)


def end(_standard: ProcessStandard, one: Requirement) -> None:
    """It holds for the last time on a day."""
    opened = _opened("end", one, probe="last")
    held = opened.content
    last = fields.day_field(
        t("Holds for the last time on"), key=f"last_{opened.suffix}", value=max(date.today(), held.valid_from)
    )
    why = st.text_input(t("Why it ends"), key=f"why_{opened.suffix}")
    st.caption(t("Nothing is deleted: what was delivered until then is judged by it, now and later."))
    if st.button(t("End the requirement"), type="primary", key=f"save_{opened.suffix}", disabled=last is None) and last:

        def work(who: str) -> str:
            end_requirement(state.store(), held, last_day=last, who=who, why=why)
            return t("{factor} holds for the last time on {day}.", factor=words.plain(held.factor), day=words.day(last))

        save(opened, work)


def correct(_standard: ProcessStandard, one: Requirement) -> None:
    """Put the row right as it stands, while nothing was delivered under it."""
    opened = _opened("correct", one, probe="kind")
    held, suffix = opened.content, opened.suffix
    st.markdown(
        t(
            "A row can be put right only while no restoration was delivered under it, such as a limit that begins "
            "later. Otherwise give a new limit: the past keeps what it was made under."
        )
    )
    rule = rule_fields(suffix, held.rule)
    cases = cases_fields(suffix, held.applies_when, _known())
    left, middle, right = st.columns(3)
    reading = left.text_input(t("Reading in the process log"), value=held.reading, key=f"reading_{suffix}")
    unit = middle.text_input(t("Unit"), value=held.unit or "", key=f"unit_{suffix}").strip()
    first = fields.day_field(t("Holds from"), key=f"from_{suffix}", value=held.valid_from, place=right)
    _, source = words_fields(suffix, held)
    why = st.text_input(t("What was wrong"), key=f"why_{suffix}")
    if st.button(t("Correct it"), type="primary", key=f"save_{suffix}", disabled=rule is None or first is None):
        new = replace(
            held,
            rule=rule or held.rule,
            applies_when=cases,
            reading=reading,
            unit=unit or None,
            valid_from=first or held.valid_from,
            says=st.session_state[f"says_{suffix}"],
            source=source,
        )

        def work(who: str) -> str:
            correct_requirement(state.store(), held, new, who=who, why=why)
            return t("Corrected: {factor}.", factor=words.plain(held.factor))

        save(opened, work)


def add(standard: ProcessStandard) -> None:
    """A requirement that the standard does not have yet."""
    opened = open_form("add", "", probe="factor")
    suffix = opened.suffix
    left, right = st.columns(2)
    factor = left.text_input(
        t("Short name of the requirement"),
        placeholder=t("letters and figures, such as bond_wait"),
        key=f"factor_{suffix}",
    ).strip()
    step = right.selectbox(t("Working step"), standard.steps, index=None, placeholder=t("choose"), key=f"step_{suffix}")
    reading = left.text_input(t("Reading in the process log"), key=f"reading_{suffix}").strip()
    unit = right.text_input(t("Unit"), key=f"unit_{suffix}").strip()
    if not (factor and step and reading):
        st.caption(t("Name, step and reading come first; then the limit."))
        return
    rule = rule_fields(suffix, None)
    cases = cases_fields(suffix, {}, _known())
    likely = defects_field(suffix, ())
    says, source = words_fields(suffix, None)
    first = fields.day_field(t("Holds from"), key=f"from_{suffix}", value=_tomorrow())
    if rule is None or first is None:
        st.info(t("Fill in the limit and the day: then you see what it would have flagged."))
        return
    new = Requirement(
        factor=factor,
        step=step,
        reading=reading,
        unit=unit or None,
        rule=rule,
        applies_when=cases,
        may_cause=likely,
        valid_from=first,
        says=says,
        source=source,
    )
    st.markdown(t("**Before you save: what it would have flagged**"))
    limit_preview.show(None, new)
    if st.button(t("Add the requirement"), type="primary", key=f"save_{suffix}"):

        def work(who: str) -> str:
            saved = add_requirement(state.store(), new, who=who)
            return t(
                "Added: {factor} is {rule} from {day} on.",
                factor=words.plain(saved.factor),
                rule=words.plain(rule_said(saved)),
                day=words.day(saved.valid_from),
            )

        save(opened, work)


def _opened(what: str, one: Requirement, *, probe: str) -> Opened[Requirement]:
    form = f"{what}_{one.factor}_{one.valid_from}_{sorted(one.applies_when.items())}"
    opened = open_form(form, one, probe=probe)
    clash(opened, one, _described, tables=AUDITED_AS, key=one.factor)
    return opened


def _described(one: Requirement) -> Mapping[str, object]:
    return requirement_as_json(one)


def _warn_laxer(held: Requirement, new: Requirement) -> None:
    if same_or_tighter(held, new):
        return
    st.warning(
        t(
            "This is laxer than the present limit, or cannot be compared with it. The material's instructions and "
            "safety data sheets decide whether it may be: name the one that allows it as the source, with its date. "
            "Without a new source it is not saved."
        )
    )


def _tomorrow() -> date:
    return date.today() + timedelta(days=1)


def _known() -> Mapping[str, tuple[str, ...]]:
    return _columns(visitors.records_url(), state.store().figures_version())


@st.cache_data(show_spinner=False, max_entries=4)
def _columns(url: str, version: int) -> Mapping[str, tuple[str, ...]]:
    # `version` is part of the key: a new state of the records asks anew.
    return columns_known(visitors.opened(url))

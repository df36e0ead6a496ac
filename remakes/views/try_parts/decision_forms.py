"""What can be done about a decision next, as forms; every press is written by the rules of the records."""

from __future__ import annotations

from collections.abc import Callable, Collection
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any, Final

import streamlit as st

from remakes import words
from remakes.errors import EntryError, RemakesError
from remakes.records.codes import DEFECTS
from remakes.records.decision_days import agreed_days
from remakes.records.decisions import (
    VERDICTS,
    Decision,
    DecisionChangedError,
    JudgingRule,
    decide,
    judge,
    postpone,
    start,
    withdraw,
)
from remakes.records.standard import load_standard
from remakes.records.typed_values import read_day
from remakes.texts import later, t
from remakes.views import state
from remakes.views.account import role_name
from remakes.views.fields import day_field, number_field, number_within
from remakes.views.try_parts.wording import in_place, said, saved

if TYPE_CHECKING:
    from remakes.actions.follow_up.verdicts import FollowUp

__all__ = ["PICKED", "show", "show_next"]

#: The decision that is looked at.
PICKED: Final = "decision"
_BACKED: Final = "backed_defects"

#: Usual days from the start to the verdict: a year of deliveries, and a month for returns that are entered late.
_USUAL_DAYS: Final = 396
#: Days by which a start is usually put off.
_USUAL_DELAY: Final = 14
#: Numbers of the rule for judging: what is asked, what is usual, and the ends of what is taken.
_RULE: Final = {
    "misses": (later("The share of misses has to fall by so much to count as kept up, in %"), 50, 1, 100),
    "returns": (later("A fall of returns by so much is worth having, in %"), 30, 1, 99),
    "months": (later("Longest time to look, months"), 12, 1, 36),
    "error": (later("How often may we call it a success when nothing has changed, at most, in %?"), 5, 1, 20),
}


def show(one: Decision) -> None:
    """The next step of this decision, and giving it up."""
    if one.status == "proposed":
        _decide(one)
    elif one.status == "decided":
        _start(one)
        _postpone(one)
    elif one.status == "running":
        _judge(one)
    if one.is_open:
        _withdraw(one)


def show_next(one: Decision, *, backed: Collection[str]) -> None:
    """Look at this decision next; `backed`: the defects that a finding connects with what it corrects."""
    st.session_state[PICKED] = one.decision_id
    st.session_state[_BACKED] = {**st.session_state.get(_BACKED, {}), one.decision_id: tuple(backed)}


def _key(one: Decision, name: str) -> str:
    return f"{name}_{one.decision_id}"


def _typed(one: Decision, name: str) -> Any:
    return st.session_state[_key(one, name)]


def _saved(one: Decision, write: Callable[[str], str], **labels: str) -> None:
    """Write it; where somebody else was quicker the form is gone, so what was typed is told with the refusal.

    Parameters
    ----------
    labels : str
        By the name of the field, what stands over it.
    """

    def work(who: str) -> str:
        try:
            return write(who)
        except DecisionChangedError as error:
            typed = [
                t("{field}: {value}", field=label, value=text)
                for name, label in labels.items()
                if (text := str(_typed(one, name)).strip())
            ]
            if not typed:
                raise
            told = t("{refusal} You had typed: {typed}.", refusal=error.args[0], typed=words.listed(typed))
            raise EntryError(told) from error

    saved(work)


def _typed_day(one: Decision, name: str) -> date:
    found = read_day(_typed(one, name))
    if found is None:
        raise EntryError(t("A day is blank. Type it as 2026-03-02 or 2.3.2026."))
    return found


def _typed_number(one: Decision, name: str) -> float:
    label, _, low, high = _RULE[name]
    found = number_within(_typed(one, name), low=low, high=high)
    if found is None:
        raise EntryError(t("“{field}” is blank. Type a number.", field=t(label)))
    return found


def _typed_months(one: Decision) -> int:
    found = _typed_number(one, "months")
    if found != int(found):
        raise EntryError(t("Months are counted whole: type 12, not 12.5."))
    return int(found)


def _decide(one: Decision) -> None:
    st.markdown(
        t("**Decide**: who sees to it, when, and by which rule it will be judged. From then on the rule stands.")
    )
    with st.form(_key(one, "decide"), enter_to_submit=False):
        left, right = st.columns(2)
        left.selectbox(t("Role of the owner"), state.ROLES, format_func=role_name, key=_key(one, "owner_role"))
        right.text_input(
            t("Pseudonym of the owner"), max_chars=20, key=_key(one, "owner_code"), placeholder=t("no name")
        )
        today = date.today()
        day_field(t("Starts on"), key=_key(one, "starts_on"), value=today, place=left)
        due = today + timedelta(days=_USUAL_DAYS)
        day_field(t("To be judged by"), key=_key(one, "due_on"), value=due, place=right)
        _rule_fields(one)
        st.text_area(
            t("Correction: what was done about the restorations at hand"),
            value=one.correction,
            key=_key(one, "correction"),
            help=t("Repaired, remade, looked at again: kept apart from what is changed at the bench."),
        )
        st.text_input(t("Note"), key=_key(one, "note"))
        st.form_submit_button(t("Decide"), type="primary", key=_key(one, "save_decide"), on_click=_decided, args=(one,))


def _rule_fields(one: Decision) -> None:
    factors = list(one.corrects)
    st.multiselect(t("Requirements whose misses are to fall"), factors, default=factors, key=_key(one, "factors"))
    st.multiselect(
        t("Defects whose returns are to fall"),
        list(DEFECTS),
        default=_likely_defects(one),
        format_func=words.defect,
        key=_key(one, "defects"),
        help=t(
            "At first those that a finding connects with these misses or, where none is known on this page, those "
            "that the process standard says they may lead to. Take out what no finding backs: returns that the action "
            "cannot touch hide its effect."
        ),
    )
    left, right = st.columns(2)
    for place, (name, (label, usual, low, high)) in zip((left, right, left, right), _RULE.items(), strict=True):
        number_field(t(label), key=_key(one, name), value=usual, low=low, high=high, place=place)


def _likely_defects(one: Decision) -> list[str]:
    standard = load_standard(state.store())
    backed = st.session_state.get(_BACKED, {}).get(one.decision_id, ())
    known = [factor for factor in one.corrects if factor in standard.factors]
    may = backed or {defect for factor in known for defect in standard.may_cause(factor)}
    return [defect for defect in DEFECTS if defect in may]


def _decided(one: Decision) -> None:
    """As the form was when it was looked at: `one` is what stood on the page, not what the records hold by now."""

    def write(who: str) -> str:
        decide(
            state.store(),
            one.decision_id,
            owner_role=_typed(one, "owner_role"),
            owner_code=_typed(one, "owner_code"),
            starts_on=_typed_day(one, "starts_on"),
            due_on=_typed_day(one, "due_on"),
            rule=JudgingRule(
                factors=tuple(_typed(one, "factors")),
                defects=tuple(_typed(one, "defects")),
                miss_share_down_by=_typed_number(one, "misses") / 100,
                returns_down_by=_typed_number(one, "returns") / 100,
                months=_typed_months(one),
                error=_typed_number(one, "error") / 100,
            ),
            who=who,
            role=state.visitor().role,
            version=one.version,
            correction=_typed(one, "correction"),
            note=_typed(one, "note"),
        )
        return t("Decided: {title}. The rule stands from now on.", title=words.plain(one.title))

    _saved(
        one,
        write,
        owner_code=t("Pseudonym of the owner"),
        correction=t("Correction: what was done about the restorations at hand"),
        note=t("Note"),
    )


def _start(one: Decision) -> None:
    st.markdown(t("**Start**: say when it is being done at the bench."))
    with st.form(_key(one, "start"), enter_to_submit=False):
        left, right = st.columns(2)
        today = date.today()
        planned = min(one.starts_on or today, today)
        day_field(t("First day at the bench"), key=_key(one, "began"), value=planned, place=left)
        right.text_input(t("Note"), key=_key(one, "start_note"))
        st.form_submit_button(t("Start"), type="primary", key=_key(one, "save_start"), on_click=_started, args=(one,))


def _started(one: Decision) -> None:
    def write(who: str) -> str:
        began, note = _typed_day(one, "began"), _typed(one, "start_note")
        start(state.store(), one.decision_id, who=who, version=one.version, on=began, note=note)
        return t("Running: {title}. What it does is shown under “Did it work?”.", title=words.plain(one.title))

    _saved(one, write, start_note=t("Note"))


def _postpone(one: Decision) -> None:
    agreed = agreed_days(one)
    with (
        st.expander(t("Postpone the start"), key=_key(one, "postpone_box")),
        st.form(_key(one, "postpone"), border=False, enter_to_submit=False),
    ):
        st.markdown(
            t(
                "The rule stands. Agreed on: begins on {start}, judged by {due}. The day of the verdict moves with the "
                "start, by as many days or more.",
                start=words.day(agreed.starts_on),
                due=words.day(agreed.due_on),
            )
        )
        later = max(agreed.starts_on, date.today()) + timedelta(days=_USUAL_DELAY)
        due = agreed.due_on + (later - agreed.starts_on)
        left, right = st.columns(2)
        day_field(t("Begins on, instead"), key=_key(one, "later_start"), value=later, place=left)
        day_field(t("To be judged by, instead"), key=_key(one, "later_due"), value=due, place=right)
        st.text_input(t("Why it begins later"), key=_key(one, "later_why"))
        st.form_submit_button(t("Postpone"), key=_key(one, "save_postpone"), on_click=_postponed, args=(one,))


def _postponed(one: Decision) -> None:
    def write(who: str) -> str:
        first, due = _typed_day(one, "later_start"), _typed_day(one, "later_due")
        role, why = state.visitor().role, _typed(one, "later_why")
        postpone(
            state.store(),
            one.decision_id,
            starts_on=first,
            due_on=due,
            who=who,
            role=role,
            why=why,
            version=one.version,
        )
        return t(
            "Postponed: {title} begins on {day}. The rule stands.", title=words.plain(one.title), day=words.day(first)
        )

    _saved(one, write, later_why=t("Why it begins later"))


def _judge(one: Decision) -> None:
    st.markdown(t("**Judge**: close it with a verdict. The manager may differ from the rule, and says why."))
    found, why_not = _follow_up(one)
    if found is not None:
        verdict = words.code(found.verdict)
        st.markdown(t("By the rule, today: **{verdict}**. {sentence}", verdict=verdict, sentence=said(found.sentence)))
    else:
        st.markdown(t("By the rule, today: nothing can be said. {why}", why=why_not))
    with st.form(_key(one, "judge"), enter_to_submit=False):
        by_rule = found.verdict if found is not None else None
        at = VERDICTS.index(by_rule) if by_rule else None
        st.radio(t("Verdict"), VERDICTS, index=at, format_func=words.code, key=_key(one, "verdict"), horizontal=True)
        st.caption(t("“On the way” and “too early” can close it only once it is due: then the records could not tell."))
        st.text_area(
            t("What it rests on: the figures, and what else was looked at"),
            value=str(t(found.sentence)) if found is not None else "",
            key=_key(one, "judge_note"),
        )
        st.form_submit_button(
            t("Judge"), type="primary", key=_key(one, "save_judge"), on_click=_judged, args=(one, by_rule)
        )


def _follow_up(one: Decision) -> tuple[FollowUp | None, str]:
    try:
        return in_place(lambda: state.follow_up(one)), ""
    except RemakesError as error:
        return None, words.refusal(error)


def _judged(one: Decision, by_rule: Any) -> None:
    def write(who: str) -> str:
        verdict: Any = _typed(one, "verdict") or ""
        judge(
            state.store(),
            one.decision_id,
            verdict=verdict,
            note=_typed(one, "judge_note"),
            who=who,
            role=state.visitor().role,
            version=one.version,
            by_rule=by_rule,
        )
        return t("Judged: {title}, {verdict}.", title=words.plain(one.title), verdict=words.code(verdict))

    _saved(one, write, judge_note=t("What it rests on: the figures, and what else was looked at"))


def _withdraw(one: Decision) -> None:
    with (
        st.expander(t("Withdraw it"), key=_key(one, "withdraw_box")),
        st.form(_key(one, "withdraw"), border=False, enter_to_submit=False),
    ):
        st.text_input(t("Why it is given up"), key=_key(one, "why"))
        st.form_submit_button(t("Withdraw"), key=_key(one, "save_withdraw"), on_click=_withdrawn, args=(one,))


def _withdrawn(one: Decision) -> None:
    def write(who: str) -> str:
        why, role = _typed(one, "why"), state.visitor().role
        withdraw(state.store(), one.decision_id, why=why, who=who, role=role, version=one.version)
        return t("Withdrawn: {title}.", title=words.plain(one.title))

    _saved(one, write, why=t("Why it is given up"))

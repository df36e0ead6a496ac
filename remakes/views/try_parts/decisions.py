"""Decided: what was proposed and decided, by which rule it will be judged, and what comes next."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Final

import streamlit as st

from remakes import words
from remakes.records.decisions import OPEN, STATUSES, Decision, DecisionEvent, Status
from remakes.records.requirements import ProcessStandard
from remakes.records.standard import load_standard
from remakes.texts import later, t, tn
from remakes.texts.joining import run_on
from remakes.views import downloads, frame, state
from remakes.views.try_parts import decision_forms
from remakes.views.try_parts.wording import heading, instruction_first, rule_said, said, show_for_factors

__all__ = ["show"]

#: What a status tells a reader.
_MEANINGS: Final[dict[Status, str]] = {
    "proposed": later("**Proposed**: put up for decision; nothing is agreed yet."),
    "decided": later("**Decided**: agreed, with an owner, days and a rule; not yet done at the bench."),
    "running": later("**Running**: being done at the bench; the rule stands."),
    "judged": later("**Judged**: closed with a verdict."),
    "withdrawn": later("**Withdrawn**: given up, with the reason."),
}

_BEGAN: Final = later("Decided on {decided}, began on {start}, to be judged by {due}; {owner} sees to it.")
_AGREED: Final[dict[Status, str]] = {
    "decided": later("Decided on {decided}, begins on {start}, to be judged by {due}; {owner} sees to it."),
    "withdrawn": later("Decided on {decided}, was to begin on {start}, to be judged by {due}; {owner} sees to it."),
}


def show() -> None:
    """How many there are of each, the list, one of them with what can be done about it."""
    decisions = state.decisions()
    frame.answer(_answer(decisions, date.today()))
    instruction_first()
    st.caption(
        t(
            "Deciding, judging and giving up what was decided are the manager's. People stand here by role and "
            "pseudonym, never by name: give your code at the left, it is kept with every step in the history."
        )
    )
    if not decisions:
        st.info(t("Propose an action under “What is it worth”: the button stands beside each."))
        return
    standard = load_standard(state.store())
    rows = [_row(one, standard, date.today()) for one in decisions]
    frame.table(rows)
    downloads.offer_csv(rows, name="decisions")
    one = _picked(decisions)
    if one is not None:
        _closely(one, standard)
    _how_sure()


def _answer(decisions: Sequence[Decision], today: date) -> str:
    if not decisions:
        return t("No action has been proposed yet, so nothing is decided.")
    late = sum(one.overdue(today) for one in decisions)
    overdue = t("Past the day agreed on: {late}.", late=late) if late else ""
    if len(decisions) == 1:
        return run_on(t("The one action put up so far is {status}.", status=words.code(decisions[0].status)), overdue)
    counts = [(status, sum(one.status == status for one in decisions)) for status in STATUSES]
    listed = words.listed(
        tn(count, "{n} is {status}", "{n} are {status}", status=words.code(status)) for status, count in counts if count
    )
    return run_on(t("Of {actions} actions {listed}.", actions=len(decisions), listed=listed), overdue)


def _row(one: Decision, standard: ProcessStandard, today: date) -> dict[str, object]:
    return {
        t("number"): one.decision_id,
        t("stands"): t("{status}, overdue", status=words.code(one.status))
        if one.overdue(today)
        else words.code(one.status),
        t("action"): one.title,
        t("owner"): _owner(one),
        t("decided on"): one.decided_on,
        t("starts"): one.starts_on,
        t("to be judged by"): one.due_on,
        t("verdict"): words.code(one.verdict) if one.verdict else "",
        t("judged on"): one.judged_on,
        t("rule"): rule_said(one.rule, standard) if one.rule else t("not fixed yet"),
    }


def _owner(one: Decision) -> str:
    """Role and pseudonym; nothing where nobody has been named yet."""
    return f"{words.code(one.owner_role)} {one.owner_code}".strip() if one.owner_role else one.owner_code


def _picked(decisions: Sequence[Decision]) -> Decision | None:
    names = {one.decision_id: heading(one) for one in decisions}
    first = next((one.decision_id for one in decisions if one.status in OPEN), decisions[0].decision_id)
    picked = st.selectbox(
        t("One of them"),
        list(names),
        index=list(names).index(first),
        format_func=names.__getitem__,
        key=decision_forms.PICKED,
    )
    return next((one for one in decisions if one.decision_id == picked), None)


def _closely(one: Decision, standard: ProcessStandard) -> None:
    st.subheader(words.plain(one.title))
    st.markdown(run_on(t(_MEANINGS[one.status]), _days(one)))
    st.markdown("\n".join(f"- {item}" for item in _kept_apart(one, standard)))
    if one.note and one.status in ("judged", "withdrawn"):
        note = words.plain(one.note)
        st.markdown(
            t("Verdict rests on: {note}", note=note)
            if one.status == "judged"
            else t("Given up because: {why}", why=note)
        )
    decision_forms.show(one)
    st.markdown(t("**History**"))
    frame.table(
        [
            {
                t("when"): words.clock(event.at),
                t("by"): words.who(event.who),
                t("what was done"): _step(event),
                t("note"): event.note,
            }
            for event in one.history
        ],
        whole=True,
    )
    show_for_factors(standard, one.corrects)


def _step(event: DecisionEvent) -> str:
    if event.from_status == event.to_status:
        return t("postponed")
    if not event.from_status:
        return words.code(event.to_status)
    return t("{before} to {after}", before=words.code(event.from_status), after=words.code(event.to_status))


def _days(one: Decision) -> str:
    if one.decided_on is None or one.starts_on is None or one.due_on is None:
        return ""
    return t(
        _AGREED.get(one.status, _BEGAN),
        decided=words.day(one.decided_on),
        start=words.day(one.starts_on),
        due=words.day(one.due_on),
        owner=words.plain(_owner(one)),
    )


def _kept_apart(one: Decision, standard: ProcessStandard) -> list[str]:
    """Correction, corrective action and check of effectiveness, each explained."""
    removes = words.listed(
        t(
            "{share} of the misses of {factor}",
            share=words.per_cent(share, digits=0),
            factor=words.named(standard, factor),
        )
        for factor, share in one.corrects.items()
    )
    rule = said(rule_said(one.rule, standard)) if one.rule else t("to be fixed with the decision, before the start.")
    verdict = t("Verdict: **{verdict}**.", verdict=words.code(one.verdict)) if one.verdict else ""
    return [
        t(
            "**Correction** (what was done about the restorations at hand): {text}",
            text=words.plain(one.correction) or t("none entered."),
        ),
        t(
            "**Corrective action** (what is changed at the bench so that they do not come back): {title}; meant to "
            "remove {removes}.",
            title=words.plain(one.title),
            removes=words.plain(removes),
        ),
        t(
            "**Check of effectiveness** (the rule fixed before the start, and the verdict by it): {rule}",
            rule=run_on(rule, verdict),
        ),
    ]


def _how_sure() -> None:
    frame.how_sure(
        (
            t(
                "A rule chosen after a look at the outcome verifies whatever it is meant to: that is why it is fixed "
                "with the decision, and cannot be changed afterwards."
            ),
            t("A correction puts the restorations at hand right. It says nothing about the next ones."),
            t("What was withdrawn is kept, with the reason: a list of successes only would tell nothing."),
        )
    )

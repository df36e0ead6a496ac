"""Decided: what was proposed and decided, by which rule it will be judged, and what comes next."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Final

import streamlit as st

from remakes import words
from remakes.records.decisions import OPEN, STATUSES, Decision, Status
from remakes.records.standard import load_standard
from remakes.views import downloads, frame, state
from remakes.views.try_parts import decision_forms
from remakes.views.try_parts.wording import heading, instruction_first, rule_said, said, show_for_factors

__all__ = ["show"]

#: What a status tells a reader.
_MEANINGS: Final[dict[Status, str]] = {
    "proposed": "put up for decision; nothing is agreed yet",
    "decided": "agreed, with an owner, days and a rule; not yet done at the bench",
    "running": "being done at the bench; the rule stands",
    "judged": "closed with a verdict",
    "withdrawn": "given up, with the reason",
}


def show() -> None:
    """How many there are of each, the list, one of them with what can be done about it."""
    decisions = state.decisions()
    frame.answer(_answer(decisions, date.today()))
    instruction_first()
    st.caption(
        "Deciding, judging and giving up what was decided are the manager's. People stand here by role and pseudonym, "
        "never by name: give your code at the left, it is kept with every step in the history."
    )
    if not decisions:
        st.info("Propose an action under “What is it worth”: the button stands beside each.")
        return
    rows = [_row(one, date.today()) for one in decisions]
    frame.table(rows)
    downloads.offer_csv(rows, name="decisions")
    one = _picked(decisions)
    if one is not None:
        _closely(one)
    _how_sure()


def _answer(decisions: Sequence[Decision], today: date) -> str:
    if not decisions:
        return "No action has been proposed yet, so nothing is decided."
    counts = [(status, sum(one.status == status for one in decisions)) for status in STATUSES]
    listed = words.listed(f"{count} {'is' if count == 1 else 'are'} {status}" for status, count in counts if count)
    late = sum(one.overdue(today) for one in decisions)
    overdue = f" Past the day agreed on: {late}." if late else ""
    if len(decisions) == 1:
        return f"The one action put up so far is {decisions[0].status}.{overdue}"
    return f"Of {len(decisions)} actions {listed}.{overdue}"


def _row(one: Decision, today: date) -> dict[str, object]:
    return {
        "number": one.decision_id,
        "stands": f"{one.status}, overdue" if one.overdue(today) else one.status,
        "action": one.title,
        "owner": f"{one.owner_role} {one.owner_code}".strip(),
        "decided on": one.decided_on,
        "starts": one.starts_on,
        "to be judged by": one.due_on,
        "verdict": one.verdict,
        "judged on": one.judged_on,
        "rule": rule_said(one.rule) if one.rule else "not fixed yet",
    }


def _picked(decisions: Sequence[Decision]) -> Decision | None:
    names = {one.decision_id: heading(one) for one in decisions}
    first = next((one.decision_id for one in decisions if one.status in OPEN), decisions[0].decision_id)
    picked = st.selectbox(
        "One of them",
        list(names),
        index=list(names).index(first),
        format_func=names.__getitem__,
        key=decision_forms.PICKED,
    )
    return next((one for one in decisions if one.decision_id == picked), None)


def _closely(one: Decision) -> None:
    st.subheader(words.plain(one.title))
    st.markdown(f"**{one.status.capitalize()}**: {_MEANINGS[one.status]}. {_days(one)}")
    st.markdown("\n".join(f"- **{name}** ({what}): {text}" for name, what, text in _kept_apart(one)))
    if one.note and one.status in ("judged", "withdrawn"):
        st.markdown(f"{'Verdict rests on' if one.status == 'judged' else 'Given up because'}: {words.plain(one.note)}")
    decision_forms.show(one)
    st.markdown("**History**")
    frame.table(
        [
            {
                "when (UTC)": event.at.strftime("%Y-%m-%d %H:%M"),
                "by": event.who,
                "step": f"{event.from_status} to {event.to_status}" if event.from_status else event.to_status,
                "note": event.note,
            }
            for event in one.history
        ],
        whole=True,
    )
    show_for_factors(load_standard(state.store()), one.corrects)


def _days(one: Decision) -> str:
    if one.decided_on is None or one.starts_on is None or one.due_on is None:
        return ""
    began = "begins" if one.status == "decided" else "began"
    if one.status == "withdrawn":
        began = "was to begin"
    owner = words.plain(f"{one.owner_role} {one.owner_code}")
    return (
        f"Decided on {words.day(one.decided_on)}, {began} on {words.day(one.starts_on)}, to be judged by "
        f"{words.day(one.due_on)}; {owner} sees to it."
    )


def _kept_apart(one: Decision) -> list[tuple[str, str, str]]:
    """Correction, corrective action and check of effectiveness, each explained."""
    removes = words.listed(
        f"{words.per_cent(share, digits=0)} of the misses of {factor}" for factor, share in one.corrects.items()
    )
    rule = said(rule_said(one.rule)) if one.rule else "to be fixed with the decision, before the start."
    verdict = f" Verdict: **{one.verdict}**." if one.verdict else ""
    return [
        ("Correction", "what was done about the restorations at hand", words.plain(one.correction) or "none entered."),
        (
            "Corrective action",
            "what is changed at the bench so that they do not come back",
            f"{words.plain(one.title)}; meant to remove {words.plain(removes)}.",
        ),
        ("Check of effectiveness", "the rule fixed before the start, and the verdict by it", rule + verdict),
    ]


def _how_sure() -> None:
    frame.how_sure(
        (
            "A rule chosen after a look at the outcome verifies whatever it is meant to: that is why it is fixed with "
            "the decision, and cannot be changed afterwards.",
            "A correction puts the restorations at hand right. It says nothing about the next ones.",
            "What was withdrawn is kept, with the reason: a list of successes only would tell nothing.",
        )
    )

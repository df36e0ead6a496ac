"""What to try next: what do we change first?"""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from remakes import charts, flow, words
from remakes.actions.ranking import RankedAction
from remakes.views import cautions, downloads, frame, sentences, state

__all__ = ["body"]


def body() -> None:
    """The ranked actions, what they would spare together, and why to doubt it."""
    state.require("manager")
    if not frame.ready(standard=True):
        return
    result = state.analysis()
    if not result.actions:
        st.info(
            "The records hold no corrective actions yet. Write what the lab could change in an actions.toml, with what "
            "it costs and which misses it removes, and bring it in under Lists and import."
        )
        frame.go("lists", "Lists and import", primary=True)
        return
    backed = [action for action in result.actions if action.because]
    _answer(result, backed)
    st.altair_chart(charts.joint_avoided(result.actions))
    st.caption(
        "Each line: that action and all above it. The range says how far the records leave it open. "
        "In the table: what each adds to those above it; “pays in” is the share of simulated runs where it is worth "
        "more than it costs."
    )
    rows = [sentences.action_row(action, result.currency) for action in result.actions]
    frame.table(rows)
    _each(result, backed)
    _how_sure(result)
    downloads.offer_csv(rows, name="actions")
    downloads.offer_json(lambda: result.as_json()["actions"], name="actions")


def _answer(result: flow.Analysis, backed: Sequence[RankedAction]) -> None:
    if not backed:
        frame.answer("No step is clear enough to start with: measure first, and look again in some months.")
        return
    first = backed[0]
    frame.answer(
        f"Start with: {words.plain(first.title)}. It would spare about "
        f"{words.interval(first.avoided_per_month)} returns a month."
    )
    open_end = first.net_per_month.low <= 0
    doubt = " The range includes none: it may not pay." if open_end else ""
    st.markdown(
        f"Net value {words.interval(first.net_per_month, digits=0)} {words.plain(result.currency)} a month; it pays in "
        f"{words.chance(first.probability_worthwhile)} of simulated runs.{doubt} "
        "One change at a time: then its effect can be seen."
    )
    st.warning(
        "An estimate from records, on the assumption that the link is real. The material's instructions and licensed "
        "practice come first: no action may go against them."
    )


def _each(result: flow.Analysis, backed: Sequence[RankedAction]) -> None:
    st.subheader("Why, and what speaks against it")
    for action in result.actions:
        because = words.listed(
            f"{factor} goes with {words.defect(defect).lower()}" for factor, defect in action.because
        )
        said = [words.plain(one) for one in action.cautions]
        lines = [f"Because {words.plain(because)}." if because else "", *said]
        st.markdown(f"**{action.rank}. {words.plain(action.title)}**: " + " ".join(line for line in lines if line))
    known = result.standard.factors
    cautions.show_for_steps(
        result.standard.step_of(factor) for action in backed for factor, _ in action.because if factor in known
    )


def _how_sure(result: flow.Analysis) -> None:
    frame.how_sure(
        (
            "What an action adds is reckoned on top of those above it: two actions against the same miss do not "
            "spare it twice.",
            f"One-off costs are spread over {result.horizon} months; what a return costs is the lab's own entry.",
            "The ranges hold chance and the uncertainty of the links, not whether the action is kept up at the bench.",
            "A bad month is followed by a better one by itself: judge an action by months before and after, "
            "by a rule set beforehand.",
            "A step that goes with returns need not cause them. Then the action spares nothing.",
        )
    )

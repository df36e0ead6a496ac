"""My work: which of my steps go with my returns? For the technician, about the technician's own work only."""

from __future__ import annotations

import streamlit as st

from remakes import charts, flow, words
from remakes.views import cautions, downloads, frame, sentences, state

__all__ = ["body"]


def body() -> None:
    """Own figures beside the lab's; no ranking, nobody else's figures."""
    me = state.require("technician")
    if not frame.ready(standard=True):
        return
    if not me.code:
        st.info("Choose your own code at the left. Your figures are shown to you; no page compares people.")
        return
    result = state.analysis()
    own = flow.own_work(result, me.code)
    _answer(own)
    _misses(result, own)
    _findings(result, own)
    frame.how_sure(
        (
            "Expected: the lab's returns in like cases (kind, veneer, span, difficulty) and the same time in service. "
            "What is not written down about a case is not taken into account.",
            "The ratio is drawn towards 1, as strongly as so few returns ask: chance alone makes it differ.",
            f"Below {flow.LEAST_DELIVERED} delivered restorations nothing is compared.",
            "Whoever writes misses down honestly shows more of them. A gap in the log is neither missed nor kept.",
            "These figures are no judgement of a person, and no page ranks people.",
        )
    )


def _answer(own: flow.OwnWork) -> None:
    if not own.enough:
        frame.answer(
            f"Too early to compare: {own.delivered} restorations delivered, {flow.LEAST_DELIVERED} are needed."
        )
        return
    frame.answer(
        f"{own.returned} first returns on your {own.delivered:,} restorations, each defect once; "
        "like cases in the whole lab "
        f"would give {words.figure(own.expected)}."
    )
    ratio = own.ratio
    apart = "The range includes 1: no difference from the lab can be told."
    if ratio.low > 1:
        apart = "The range lies above 1: more than in like cases. Look at the steps below first."
    elif ratio.high < 1:
        apart = "The range lies below 1: fewer than in like cases."
    st.markdown(f"Returned to expected (ratio): {words.interval(ratio, digits=2)}. {apart}")


def _misses(result: flow.Analysis, own: flow.OwnWork) -> None:
    st.subheader("My misses beside the lab's")
    if not any(one.recorded for one in own.factors):
        st.markdown("No step of yours has been recorded yet.")
        return
    pairs = [
        charts.SharePair(
            name=one.factor, own=one.share, own_of=one.recorded, lab=one.lab_share, lab_of=one.lab_recorded
        )
        for one in own.factors
        if one.recorded
    ]
    if own.enough:
        st.altair_chart(charts.share_pairs(pairs))
    rows = [
        {
            "requirement": one.factor,
            "my misses (n)": f"{one.missed} of {one.recorded}",
            "my share (95 % interval)": words.share(one.share) if own.enough else "too early",
            "lab's misses (n)": f"{one.lab_missed} of {one.lab_recorded}",
            "lab's share": words.per_cent(one.lab_share.estimate),
            "what it says": words.requirement(result.standard, one.factor),
        }
        for one in own.factors
    ]
    frame.table(rows)
    downloads.offer_csv(rows, name="my_misses")


def _findings(result: flow.Analysis, own: flow.OwnWork) -> None:
    st.subheader("Which of my steps go with returns")
    if not own.findings:
        st.markdown("None of the steps you missed goes with returns in the lab's records, as far as they can tell.")
        return
    st.markdown("In the whole lab's records, among the steps that you missed at least once:")
    for one in own.findings:
        st.markdown(
            f"**{words.plain(sentences.label(one))}** ({one.grade}). "
            + sentences.goes_with(one, result.standard, horizon=result.horizon)
        )
    cautions.show_for_steps(result.standard.step_of(one.factor) for one in own.findings)

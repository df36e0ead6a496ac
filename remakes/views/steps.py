"""Which steps matter: which missed requirement goes with which defect?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import streamlit as st

from remakes import charts, flow
from remakes.evidence.findings import Finding
from remakes.views import cautions, downloads, frame, sentences, state, words

__all__ = ["body"]

_SHOWN: Final = ("strong", "moderate", "weak")
_PICKED: Final = "finding"
_TABLE: Final = "findings_table"


def body() -> None:
    """Answer, forest of odds ratios, table, the cases behind, what cannot be told yet."""
    state.require("quality", "manager")
    if not frame.ready(standard=True):
        return
    result = state.analysis()
    defect = st.selectbox(
        "Defect", ["all", *result.table.defects], format_func=words.defect, key="defect", bind="query-params"
    )
    chosen = [one for one in result.findings if defect in ("all", one.defect)]
    plausible = [one for one in chosen if one.plausible]
    seen = [one for one in plausible if one.grade in _SHOWN]
    told = [one for one in plausible if one.grade != "cannot tell"]
    _answer(result, seen, told, defect)
    if told:
        _chart_and_table(result, told)
    _in_sentences(result, seen)
    _behind(result, told)
    _cannot_tell([one for one in plausible if one.grade == "cannot tell"])
    _controls([one for one in chosen if not one.plausible and one.grade in _SHOWN])
    _how_sure(result, told)
    downloads.offer_csv([sentences.finding_row(one, result.standard) for one in chosen], name="findings")
    downloads.offer_json(result.as_json, name="findings")


def _answer(result: flow.Analysis, seen: Sequence[Finding], told: Sequence[Finding], defect: str) -> None:
    about = "returns" if defect == "all" else words.defect(defect).lower()
    if seen:
        names = words.listed(words.plain(sentences.label(one)) for one in seen[:3])
        missed = "missed step goes" if len({one.factor for one in seen}) == 1 else "missed steps go"
        frame.answer(f"{len({one.factor for one in seen})} {missed} with {about}; most clearly {names}.")
    elif told:
        frame.answer(f"No missed step goes with {about} in these records; large differences would have shown.")
    else:
        frame.answer(f"These records cannot tell yet which step goes with {about}.")
    st.markdown(
        f"From {result.restorations:,} restorations and {result.returns:,} first returns, observed until "
        f"{words.day(result.observed_until)}. Each line compares restorations where the step was missed with like "
        "ones where it was kept."
    )


def _chart_and_table(result: flow.Analysis, told: Sequence[Finding]) -> None:
    st.altair_chart(charts.forest(told, names=[sentences.label(one) for one in told]))
    st.caption(
        "Symbol: estimate among like cases, with its 95 % range. Small upright tick: without adjustment. "
        "Dashed line at 1: no difference. Right of it: more returns where the step was missed. "
        "In the table, odds ratio: how many times the odds of a return where the step was missed; q: share of such "
        "findings expected to be false alarms."
    )
    rows = [sentences.finding_row(one, result.standard) for one in told]
    st.dataframe(
        frame.as_frame(rows),
        hide_index=True,
        key=_TABLE,
        on_select=lambda: _pick(told),
        selection_mode="single-row",
    )


def _pick(told: Sequence[Finding]) -> None:
    """A row that was clicked becomes the finding that is looked at."""
    selected = st.session_state[_TABLE]["selection"]["rows"]
    if selected and selected[0] < len(told):
        st.session_state[_PICKED] = sentences.label(told[selected[0]])


def _in_sentences(result: flow.Analysis, seen: Sequence[Finding]) -> None:
    if not seen:
        return
    st.subheader("In words")
    for one in seen:
        st.markdown(
            f"**{words.plain(sentences.label(one))}** ({one.grade}). "
            + sentences.goes_with(one, result.standard, horizon=result.horizon)
        )
    st.markdown("A miss goes with returns; whether it makes them, only a change that is followed up can show.")
    cautions.show_for_steps(result.standard.step_of(one.factor) for one in seen)


def _behind(result: flow.Analysis, told: Sequence[Finding]) -> None:
    if not told:
        return
    st.subheader("The restorations behind a finding")
    names = {sentences.label(one): one for one in told}
    if st.session_state.get(_PICKED) not in names:
        st.session_state.pop(_PICKED, None)
    picked = st.selectbox("Finding", list(names), key=_PICKED)
    if picked is None:
        return
    finding = names[picked]
    found = state.behind(finding.factor, finding.defect)
    missed = [one for one in found if one.status == "missed"]
    st.markdown(
        f"{len(found)} restorations came back with {words.defect(finding.defect).lower()}; for {len(missed)} of them "
        f"the step is recorded as missed. The requirement: "
        f"{words.plain(words.requirement(result.standard, finding.factor))}."
    )
    rows = [
        {
            "restoration": one.restoration_id,
            "step was": one.status,
            "reading": one.value or "none",
            "returned": one.returned_on,
            "delivered": one.delivered_on,
            "technician": one.technician,
            "kind": one.kind,
            "teeth": one.teeth,
        }
        for one in found
    ]
    frame.restoration_links(rows)
    downloads.offer_csv(rows, name=f"behind_{finding.factor}_{finding.defect}", label="Download these restorations")
    st.markdown("Compared within: " + words.plain(", ".join(finding.compared_within)) + ".")
    if finding.cautions:
        st.markdown("About this finding:\n" + "\n".join(f"- {words.plain(one)}" for one in finding.cautions))


def _cannot_tell(unknown: Sequence[Finding]) -> None:
    st.subheader("Cannot tell yet")
    if not unknown:
        st.markdown("Nothing: for every step that could plausibly be behind it, a large difference would have shown.")
        return
    st.markdown(
        f"{len(unknown)} pairs of step and defect. This is not “no effect”: the records hold too little to say. "
        "More months, or fewer gaps in the log, will tell."
    )
    frame.table(
        [
            {
                "requirement": one.factor,
                "defect": words.defect(one.defect),
                "missed: returned": f"{one.counts.returns_missed} of {one.counts.missed}",
                "kept: returned": f"{one.counts.returns_met} of {one.counts.met}",
                "not recorded (n)": one.counts.not_recorded,
                "what it would take": sentences.what_it_would_take(one),
                "because": one.because,
            }
            for one in unknown
        ]
    )


def _controls(alarms: Sequence[Finding]) -> None:
    if not alarms:
        return
    st.subheader("Checks that raise a question")
    st.markdown(
        "These pairs go together although the step is not thought to be able to bring the defect about. "
        "Something else (who works when, how the log is kept) may be behind them, and behind other findings too."
    )
    frame.table(
        [
            {
                "requirement": one.factor,
                "defect": words.defect(one.defect),
                "odds ratio (95 %)": words.interval(one.adjusted.odds_ratio),
                "missed: returned": f"{one.counts.returns_missed} of {one.counts.missed}",
                "q": words.figure(one.q, digits=3),
            }
            for one in alarms
        ]
    )


def _how_sure(result: flow.Analysis, told: Sequence[Finding]) -> None:
    tested = len(result.findings)
    frame.how_sure(
        (
            "“Goes with” is all that records can say. A step that goes with returns need not cause them.",
            f"{tested} pairs of step and defect were looked at; by chance alone some would look clear. The false-alarm "
            "share (q) takes that into account: of findings with q up to 0.05, about one in twenty is expected to be "
            "chance.",
            "A step that was not recorded counts as neither missed nor kept. If gaps gather where things go wrong, "
            "the figures are off; a line beside the finding says so.",
            "Avoidable returns: among the restorations in these records, within "
            f"{result.horizon} months of delivery, had every miss been kept.",
            *(f"“{grade}”: {said}." for grade, said in words.GRADES.items() if any(t.grade == grade for t in told)),
        )
    )

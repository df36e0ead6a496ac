"""Which steps matter: which missed requirement goes with which defect?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import streamlit as st

from remakes import charts, flow, words
from remakes.evidence.findings import Finding
from remakes.evidence.grades import LARGE, REPORTED
from remakes.views import believed, cautions, closer, downloads, frame, sentences, state

if TYPE_CHECKING:
    from remakes.evidence.checks.cross_check import CrossCheck
    from remakes.evidence.checks.interactions import Interactions, Together

__all__ = ["body"]

_TABLE: Final = "findings_table"


def body() -> None:
    """Answer, forest of odds ratios, table, words, one finding closely, what cannot be told yet, other checks."""
    state.require("quality", "manager")
    if not frame.ready(standard=True):
        return
    result = state.analysis()
    defect = st.selectbox(
        "Defect", ["all", *result.table.defects], format_func=words.defect, key="defect", bind="query-params"
    )
    chosen = [one for one in result.findings if defect in ("all", one.defect)]
    plausible = [one for one in chosen if one.plausible]
    seen = [one for one in plausible if one.grade in REPORTED]
    told = [one for one in plausible if one.grade != "cannot tell"]
    _answer(result, seen, told, defect)
    if told:
        _chart_and_table(result, told)
    _in_sentences(result, seen)
    unknown = [one for one in plausible if one.grade == "cannot tell"]
    closer.show(result, (*told, *unknown))
    st.header("What else was looked at", anchor=False)
    _cannot_tell(unknown)
    _together(result)
    _controls([one for one in chosen if not one.plausible and one.grade in REPORTED])
    _another_model(result)
    _how_sure(result, told)
    downloads.offer_csv(_rows(result, chosen), name="findings")
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
    st.altair_chart(
        charts.forest(told, names=[sentences.label(one) for one in told]),
        alt="Odds ratios with their ranges, one line a missed step and defect; the table below has the figures.",
    )
    st.caption(
        "Symbol: estimate among like cases, with its 95 % range. Small upright tick: without adjustment. "
        "Upright dashed line at 1: no difference. Right of it: more returns where the step was missed. "
        "Where restorations of one clinic or technician may be alike, the wider interval is shown: thin dashes. "
        "In the table, odds ratio: how many times the odds of a return where the step was missed; doubts: checks that "
        "the finding did not stand; q: share of such findings expected to be false alarms."
    )
    st.dataframe(
        frame.as_frame(_rows(result, told)),
        hide_index=True,
        key=_TABLE,
        on_select=lambda: _pick(told),
        selection_mode="single-row",
    )


def _rows(result: flow.Analysis, findings: Sequence[Finding]) -> list[dict[str, object]]:
    return [sentences.finding_row(one, result.standard, doubts=len(believed.doubts_of(one))) for one in findings]


def _pick(told: Sequence[Finding]) -> None:
    """A row that was clicked becomes the finding that is looked at."""
    selected = st.session_state[_TABLE]["selection"]["rows"]
    if selected and selected[0] < len(told):
        st.session_state[closer.PICKED] = sentences.label(told[selected[0]])


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


def _cannot_tell(unknown: Sequence[Finding]) -> None:
    st.subheader("Cannot tell yet")
    if not unknown:
        st.markdown("Nothing: for every step that could plausibly be behind it, a large difference would have shown.")
        return
    st.markdown(
        f"{len(unknown)} pairs of step and defect. This is not “no effect”: the records hold too little to say. "
        "More months, or fewer gaps in the log, will tell. What it would take: until a pair, looked at by itself, "
        f"would show {LARGE:g} times the odds four times in five."
    )
    frame.table([sentences.unknown_row(one) for one in sorted(unknown, key=sentences.soonest_first)])


def _together(result: flow.Analysis) -> None:
    st.subheader("Together")
    closer.on_request(
        lambda asked: state.interactions(result, asked=asked),
        _pairs_together,
        button="Compare misses two by two",
        key="compare_two",
        brings="Which two misses do more harm on one restoration than each for itself? Some ten seconds.",
    )


def _pairs_together(found: Interactions | None) -> None:
    if found is None:
        return
    told = [one for one in found.tested if one.found]
    if not found.tested:
        st.markdown("**No two requirements that may bring about the same defect have enough returns to be compared.**")
    elif told:
        st.markdown(f"**{words.counted(len(told), 'pair')} of {len(found.tested)} act together.**")
        frame.table([_together_row(one) for one in told], whole=True)
        st.markdown("\n".join(f"- {words.plain(one.sentence)}" for one in told))
    else:
        st.markdown(f"**None of {words.counted(len(found.tested), 'pair')} acts together clearly.**")
    st.markdown(words.plain(found.sentence))


def _together_row(one: Together) -> dict[str, object]:
    return {
        "both missed": f"{one.first} and {one.second}",
        "defect": words.defect(one.defect),
        "odds ratio, both (95 %)": words.interval(one.odds_both),
        "first alone": words.interval(one.odds_first),
        "second alone": words.interval(one.odds_second),
        "both missed: returned": f"{one.both.returns} of {one.both.restorations}",
        "q": words.figure(one.q, digits=3),
    }


def _another_model(result: flow.Analysis) -> None:
    st.subheader("Would another kind of model see more?")
    closer.on_request(
        lambda asked: state.cross_checks(result, asked=asked),
        _model_by_model,
        button="Compare with boosted trees",
        key="compare_trees",
        brings="Boosted trees find what a step does only together with others. Some ten seconds.",
    )


def _model_by_model(found: Sequence[CrossCheck] | None) -> None:
    if found is None:
        return
    if not found:
        st.markdown("No defect has 15 returns among the older and among the younger deliveries: too few to judge by.")
        return
    better = [words.defect(one.defect).lower() for one in found if one.trees_win]
    st.markdown(
        f"**For {words.listed(better)} the trees see something that the model here misses: read with care.**"
        if better
        else "**No: for no defect do boosted trees tell returns apart clearly better.**"
    )
    frame.table(
        [
            {
                "defect": words.defect(one.defect),
                "right by the model here": words.chance(one.logistic),
                "right by boosted trees": words.chance(one.trees),
                "trees clearly better": "yes" if one.trees_win else "no",
                "returns, older deliveries (n)": one.returns_fitted,
                "returns, younger deliveries (n)": one.returns_judged,
            }
            for one in found
        ],
        whole=True,
    )
    st.caption(
        "Both learn from the older deliveries and are tried on the younger ones. Right: how often, of two restorations "
        "in the same month of service, the one that came back was given the greater risk; 50 % is chance."
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

"""Which steps matter: which missed requirement goes with which defect?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import streamlit as st

from remakes import charts, flow, words
from remakes.evidence.findings import Finding
from remakes.evidence.grades import REPORTED
from remakes.texts import t, tn
from remakes.texts.joining import run_on
from remakes.views import also, believed, cautions, closer, downloads, frame, sentences, state

__all__ = ["body"]

_TABLE: Final = "findings_table"
#: So many findings are read one after the other; of more, the first few.
_ALL, _FIRST = 8, 6
#: Requirements that the answer names.
_NAMED: Final = 2


def body() -> None:
    """Answer, findings in words, forest of odds ratios, table, one finding closely; the rest folded away."""
    state.require("quality", "manager")
    if not frame.ready(standard=True):
        return
    result = state.analysis()
    defect = frame.defect_field(["all", *result.table.defects])
    chosen = [one for one in result.findings if defect in ("all", one.defect)]
    plausible = [one for one in chosen if one.plausible]
    seen = [one for one in plausible if one.grade in REPORTED]
    told = [one for one in plausible if one.grade != "cannot tell"]
    _answer(result, seen, told, defect)
    if seen:
        _in_sentences(result, seen)
        _chart_and_table(result, seen)
        cautions.show_for_steps(result.standard.step_of(one.factor) for one in seen)
    unknown = [one for one in plausible if one.grade == "cannot tell"]
    closer.show(result, (*told, *unknown))
    st.header(t("What else was looked at"), anchor=False)
    also.controls([one for one in chosen if not one.plausible and one.grade in REPORTED], result.standard)
    _no_difference(result, [one for one in told if one not in seen])
    also.cannot_tell(unknown, result.standard)
    also.together(result)
    also.another_model(result)
    _how_sure(result, told, seen)
    left, right = st.columns(2)
    with left:
        downloads.offer_csv(_rows(result, chosen), name="findings")
    with right:
        downloads.offer_json(result.as_json, name="findings")


def _answer(result: flow.Analysis, seen: Sequence[Finding], told: Sequence[Finding], defect: str) -> None:
    frame.answer(_which(result, seen, told, defect))
    st.markdown(
        t(
            "From {restorations:,} restorations and {returns:,} first returns, observed until "
            "{observed_until}. Restorations where the step was missed are compared with like ones where it was "
            "kept.",
            restorations=result.restorations,
            returns=result.returns,
            observed_until=words.day(result.observed_until),
        )
    )
    st.caption(t(words.FIRST_RETURNS))


def _which(result: flow.Analysis, seen: Sequence[Finding], told: Sequence[Finding], defect: str) -> str:
    every, about = defect == "all", words.defect_within(defect)
    if not seen and told:
        return (
            t("No missed step goes with returns in these records; large differences would have shown.")
            if every
            else t(
                "No missed step goes with {about} in these records; large differences would have shown.", about=about
            )
        )
    if not seen:
        return (
            t("These records cannot tell yet which step goes with returns.")
            if every
            else t("These records cannot tell yet which step goes with {about}.", about=about)
        )
    steps = len({one.factor for one in seen})
    names = words.plain(_clearest(result, seen))
    return (
        tn(
            steps,
            "{n} missed step goes with returns; most clearly {names}.",
            "{n} missed steps go with returns; most clearly {names}.",
            names=names,
        )
        if every
        else tn(
            steps,
            "{n} missed step goes with {about}; most clearly {names}.",
            "{n} missed steps go with {about}; most clearly {names}.",
            about=about,
            names=names,
        )
    )


def _clearest(result: flow.Analysis, seen: Sequence[Finding]) -> str:
    """The first requirements, each with all that it goes with."""
    first = list(dict.fromkeys(one.factor for one in seen))[:_NAMED]
    return words.listed(
        t(
            "{factor} with {defect}",
            factor=words.named(result.standard, factor),
            defect=words.listed(words.defect_within(one.defect) for one in seen if one.factor == factor),
        )
        for factor in first
    )


def _in_sentences(result: flow.Analysis, seen: Sequence[Finding]) -> None:
    first = seen if len(seen) <= _ALL else seen[:_FIRST]
    _sentences(result, first)
    if more := seen[len(first) :]:
        with st.expander(tn(len(more), "{n} further finding", "{n} further findings")):
            _sentences(result, more)
    st.markdown(t("A miss goes with returns; whether it makes them, only a change that is followed up can show."))


def _sentences(result: flow.Analysis, findings: Sequence[Finding]) -> None:
    lines = []
    for one in findings:
        label = words.plain(sentences.label(one, result.standard))
        said = run_on(sentences.goes_with(one, horizon=result.horizon), _how_firm(one))
        lines.append(f"- **{label}**. {said}")
    st.markdown("\n".join(lines))


def _how_firm(one: Finding) -> str:
    """The grade of a finding, and how many checks speak against it."""
    grade, doubts = t(one.grade), len(believed.doubts_of(one))
    if not doubts:
        return t("Evidence: {grade}; no check speaks against it.", grade=grade)
    return tn(
        doubts,
        "Evidence: {grade}; {n} check speaks against it.",
        "Evidence: {grade}; {n} checks speak against it.",
        grade=grade,
    )


def _chart_and_table(result: flow.Analysis, seen: Sequence[Finding]) -> None:
    st.caption(
        t(
            "Odds ratio: how many times the odds of a return where the step was missed, against where it was kept; "
            "1 is no difference, and while returns are rare 3 means about three times as often. "
            "q: of findings with a q up to this one, the share that is expected to be false alarms."
        )
    )
    _forest(result, seen)
    st.dataframe(
        frame.as_frame([sentences.brief_row(one, result.standard) for one in seen]),
        hide_index=True,
        key=_TABLE,
        on_select=lambda: _pick(seen),
        selection_mode="single-row",
    )
    st.caption(t("A row that is ticked is looked at closely below. The CSV file at the end has every column."))


def _forest(result: flow.Analysis, findings: Sequence[Finding]) -> None:
    frame.draw(
        charts.forest(
            findings,
            names=sentences.short_labels(findings, result.standard),
            in_full=[sentences.label(one, result.standard) for one in findings],
        ),
        alt=t("Odds ratios with their ranges, one line a missed step and defect; the table below has the figures."),
    )
    st.caption(
        t(
            "Symbol: estimate among like cases, with its 95 % range. Small upright tick: without adjustment. Thin "
            "dashes: the wider range, where restorations of one clinic or technician may be alike; the table has that "
            "one. Upright dashed line: no difference; right of it, more returns where the step was missed."
        )
    )


def _rows(result: flow.Analysis, findings: Sequence[Finding]) -> list[dict[str, object]]:
    return [sentences.finding_row(one, result.standard, doubts=len(believed.doubts_of(one))) for one in findings]


def _pick(seen: Sequence[Finding]) -> None:
    """A row that was clicked becomes the finding that is looked at."""
    selected = st.session_state[_TABLE]["selection"]["rows"]
    if selected and selected[0] < len(seen):
        st.session_state[closer.PICKED] = sentences.key(seen[selected[0]])


def _no_difference(result: flow.Analysis, none: Sequence[Finding]) -> None:
    """Where a large difference would have shown, and did not."""
    if not none:
        return
    line = tn(
        len(none),
        "No large difference: {n} pair of step and defect where one would have shown",
        "No large difference: {n} pairs of step and defect where one would have shown",
    )
    with st.expander(line, key="no_difference", on_change="rerun") as opened:
        # The picture is large, and few ask for it.
        if opened.open:
            _forest(result, none)
            frame.table([sentences.brief_row(one, result.standard) for one in none], whole=True)


def _stands(seen: Sequence[Finding]) -> str:
    """The line over the cautions: how many findings stood every check, and which did not."""
    if not seen:
        return t("How sure is this?")
    doubted = [one for one in seen if believed.doubts_of(one)]
    if not doubted:
        return tn(
            len(seen),
            "How sure is this? The one finding stands every check",
            "How sure is this? All {n} findings stand every check",
        )
    return t(
        "How sure is this? {stand} of {n} findings stand every check; not so: {names}",
        stand=len(seen) - len(doubted),
        n=len(seen),
        names=words.plain(words.listed(sentences.coded(one) for one in doubted)),
    )


def _how_sure(result: flow.Analysis, told: Sequence[Finding], seen: Sequence[Finding]) -> None:
    tested = len(result.findings)
    frame.how_sure(
        (
            t("“Goes with” is all that records can say. A step that goes with returns need not cause them."),
            t(
                "{tested} pairs of step and defect were looked at; by chance alone some would look "
                "clear. The false-alarm share (q) takes that into account: of findings with q up to "
                "0.05, about one in twenty is expected to be chance.",
                tested=tested,
            ),
            t(
                "A step that was not recorded counts as neither missed nor kept. If gaps gather where "
                "things go wrong, the figures are off; a line beside the finding says so."
            ),
            t(
                "Avoidable returns: among the restorations in these records, within {horizon} months of "
                "delivery, had every step been kept.",
                horizon=result.horizon,
            ),
            *(
                t("“{grade}”: {said}.", grade=grade, said=said)
                for grade, said in words.GRADES.items()
                if any(one.grade == grade for one in told)
            ),
        ),
        folded=_stands(seen),
    )

"""Which steps matter: which missed requirement goes with which defect?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import streamlit as st

from remakes import charts, flow, words
from remakes.evidence.findings import Finding
from remakes.evidence.grades import LARGE, REPORTED
from remakes.texts import t, tn
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
    defect = frame.defect_field(["all", *result.table.defects])
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
    st.header(t("What else was looked at"), anchor=False)
    _cannot_tell(unknown)
    _together(result)
    _controls([one for one in chosen if not one.plausible and one.grade in REPORTED])
    _another_model(result)
    _how_sure(result, told)
    downloads.offer_csv(_rows(result, chosen), name="findings")
    downloads.offer_json(result.as_json, name="findings")


def _answer(result: flow.Analysis, seen: Sequence[Finding], told: Sequence[Finding], defect: str) -> None:
    frame.answer(_which(seen, told, defect))
    st.markdown(
        t(
            "From {restorations:,} restorations and {returns:,} first returns, observed until "
            "{observed_until}. Each line compares restorations where the step was missed with like "
            "ones where it was kept.",
            restorations=result.restorations,
            returns=result.returns,
            observed_until=words.day(result.observed_until),
        )
    )


def _which(seen: Sequence[Finding], told: Sequence[Finding], defect: str) -> str:
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
    names = words.listed(words.plain(sentences.label(one)) for one in seen[:3])
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


def _chart_and_table(result: flow.Analysis, told: Sequence[Finding]) -> None:
    frame.draw(
        charts.forest(told, names=[sentences.label(one) for one in told]),
        alt=t("Odds ratios with their ranges, one line a missed step and defect; the table below has the figures."),
    )
    st.caption(
        t(
            "Symbol: estimate among like cases, with its 95 % range. Small upright tick: without "
            "adjustment. Upright dashed line at 1: no difference. Right of it: more returns where "
            "the step was missed. Where restorations of one clinic or technician may be alike, the "
            "wider interval is shown: thin dashes. In the table, odds ratio: how many times the odds "
            "of a return where the step was missed; doubts: checks that the finding did not stand; "
            "q: share of such findings expected to be false alarms."
        )
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
        st.session_state[closer.PICKED] = sentences.key(told[selected[0]])


def _in_sentences(result: flow.Analysis, seen: Sequence[Finding]) -> None:
    if not seen:
        return
    st.subheader(t("In words"))
    for one in seen:
        st.markdown(
            f"**{words.plain(sentences.label(one))}** ({t(one.grade)}). "
            + sentences.goes_with(one, result.standard, horizon=result.horizon)
        )
    st.markdown(t("A miss goes with returns; whether it makes them, only a change that is followed up can show."))
    cautions.show_for_steps(result.standard.step_of(one.factor) for one in seen)


def _cannot_tell(unknown: Sequence[Finding]) -> None:
    st.subheader(t("Cannot tell yet"))
    if not unknown:
        st.markdown(
            t("Nothing: for every step that could plausibly be behind it, a large difference would have shown.")
        )
        return
    st.markdown(
        t(
            "{n} pairs of step and defect. This is not “no effect”: the records cannot settle it either "
            "way. More months, or fewer gaps in the log, will tell. What it would take: until a pair, looked "
            "at by itself, would show {odds:g} times the odds four times in five. Where the records are long "
            "enough for that and still do not settle it, a smaller difference stays possible.",
            n=len(unknown),
            odds=LARGE,
        )
    )
    frame.table([sentences.unknown_row(one) for one in sorted(unknown, key=sentences.soonest_first)])


def _together(result: flow.Analysis) -> None:
    st.subheader(t("Together"))
    closer.on_request(
        lambda asked: state.interactions(result, asked=asked),
        _pairs_together,
        button=t("Compare misses two by two"),
        key="compare_two",
        brings=t(
            "Which two misses on one restoration go with more returns together than each by itself? Some ten seconds."
        ),
    )


def _pairs_together(found: Interactions | None) -> None:
    if found is None:
        return
    told = [one for one in found.tested if one.found]
    if not found.tested:
        none = t("No two requirements that may bring about the same defect have enough returns to be compared.")
        st.markdown(f"**{none}**")
    elif told:
        act = tn(
            len(told), "{n:,} pair of {of} act together.", "{n:,} pairs of {of} act together.", of=len(found.tested)
        )
        st.markdown(f"**{act}**")
        frame.table([_together_row(one) for one in told], whole=True)
        st.markdown("\n".join(f"- {words.plain(one.sentence)}" for one in told))
    else:
        none = tn(
            len(found.tested), "None of {n:,} pair acts together clearly.", "None of {n:,} pairs acts together clearly."
        )
        st.markdown(f"**{none}**")
    st.markdown(words.plain(found.sentence))


def _together_row(one: Together) -> dict[str, object]:
    return {
        t("both missed"): t("{first} and {second}", first=one.first, second=one.second),
        t("defect"): words.defect(one.defect),
        t("odds ratio, both (95 %)"): words.interval(one.odds_both),
        t("first alone"): words.interval(one.odds_first),
        t("second alone"): words.interval(one.odds_second),
        t("both missed: returned"): words.part_of(one.both.returns, one.both.restorations),
        "q": words.figure(one.q, digits=3),
    }


def _another_model(result: flow.Analysis) -> None:
    st.subheader(t("Would another kind of model see more?"))
    closer.on_request(
        lambda asked: state.cross_checks(result, asked=asked),
        _model_by_model,
        button=t("Compare with boosted trees"),
        key="compare_trees",
        brings=t("Boosted trees find what a step does only together with others. Some ten seconds."),
    )


def _model_by_model(found: Sequence[CrossCheck] | None) -> None:
    if found is None:
        return
    if not found:
        st.markdown(
            t("No defect has 15 returns among the older and among the younger deliveries: too few to judge by.")
        )
        return
    better = [words.defect_within(one.defect) for one in found if one.trees_win]
    said = (
        t(
            "For {better} the trees see something that the model here misses: read with care.",
            better=words.listed(better),
        )
        if better
        else t("No: for no defect do boosted trees tell returns apart clearly better.")
    )
    st.markdown(f"**{said}**")
    frame.table(
        [
            {
                t("defect"): words.defect(one.defect),
                t("right by the model here"): words.chance(one.logistic),
                t("right by boosted trees"): words.chance(one.trees),
                t("trees clearly better"): t("yes") if one.trees_win else t("no"),
                t("returns, older deliveries (n)"): one.returns_fitted,
                t("returns, younger deliveries (n)"): one.returns_judged,
            }
            for one in found
        ],
        whole=True,
    )
    st.caption(
        t(
            "Both learn from the older deliveries and are tried on the younger ones. Right: how "
            "often, of two restorations in the same month of service, the one that came back was "
            "given the greater risk; 50 % is chance."
        )
    )


def _controls(alarms: Sequence[Finding]) -> None:
    if not alarms:
        return
    st.subheader(t("Checks that raise a question"))
    st.markdown(
        t(
            "These pairs go together although the step is not thought to be able to bring the defect "
            "about. Something else (who works when, how the log is kept) may be behind them, and "
            "behind other findings too."
        )
    )
    frame.table(
        [
            {
                t("requirement"): one.factor,
                t("defect"): words.defect(one.defect),
                t("odds ratio (95 %)"): words.interval(one.adjusted.odds_ratio),
                t("missed: returned"): words.part_of(one.counts.returns_missed, one.counts.missed),
                "q": words.figure(one.q, digits=3),
            }
            for one in alarms
        ]
    )


def _how_sure(result: flow.Analysis, told: Sequence[Finding]) -> None:
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
        )
    )

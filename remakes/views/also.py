"""What else was looked at beside the findings: each folded away under a line that says what came of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

import streamlit as st

from remakes import flow, words
from remakes.evidence.findings import Finding
from remakes.evidence.grades import LARGE
from remakes.records.requirements import ProcessStandard
from remakes.texts import t, tn
from remakes.views import closer, frame, sentences, state

if TYPE_CHECKING:
    from remakes.evidence.checks.cross_check import CrossCheck
    from remakes.evidence.checks.interactions import Interactions, Together

__all__ = ["another_model", "cannot_tell", "controls", "together"]


def cannot_tell(unknown: Sequence[Finding], standard: ProcessStandard) -> None:
    """The pairs that cannot be judged yet, and what it would take."""
    if not unknown:
        st.markdown(
            t("Nothing is left open: for every step that could plausibly be behind it, a large difference would show.")
        )
        return
    line = tn(
        len(unknown),
        "Cannot tell yet: {n} pair of step and defect",
        "Cannot tell yet: {n} pairs of step and defect",
    )
    with st.expander(line):
        st.markdown(
            t(
                "This is not “no effect”: the records cannot settle it either "
                "way. More months, or fewer gaps in the log, will tell. What it would take: until a pair, looked "
                "at by itself, would show {odds:g} times the odds four times in five. Where the records are long "
                "enough for that and still do not settle it, a smaller difference stays possible.",
                odds=LARGE,
            )
        )
        reasons = Counter(str(t(one.because)) for one in unknown)
        st.markdown("\n".join(_reason(why, count, len(unknown)) for why, count in reasons.most_common()))
        rows = [sentences.unknown_row(one, standard) for one in sorted(unknown, key=sentences.soonest_first)]
        frame.table(rows, whole=True)


def _reason(why: str, count: int, of: int) -> str:
    """Why so many of the pairs cannot be judged: said once, since most have the same reason."""
    return "- " + t("{part}: {why}.", part=words.part_of(count, of), why=words.plain(why))


def together(result: flow.Analysis) -> None:
    """Which two misses act together, once somebody has asked."""
    found = closer.known(lambda: state.interactions(result, asked=False))
    with st.expander(_how_together(found)):
        closer.on_request(
            lambda asked: state.interactions(result, asked=asked),
            _pairs_together,
            button=t("Compare misses two by two"),
            key="compare_two",
            brings=t(
                "Which two misses on one restoration go with more returns together than each by itself? "
                "Some ten seconds."
            ),
        )


def _how_together(found: Interactions | None) -> str:
    if found is None:
        return t("Do two misses together do more than each by itself? Not compared yet")
    told = sum(one.found for one in found.tested)
    return t(
        "Do two misses together do more than each by itself? {told} of {n} pairs clearly",
        told=told,
        n=len(found.tested),
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
        "q": words.false_alarms(one.q),
    }


def another_model(result: flow.Analysis) -> None:
    """Whether boosted trees see more, once somebody has asked."""
    found = closer.known(lambda: state.cross_checks(result, asked=False))
    with st.expander(_how_another_model(found)):
        closer.on_request(
            lambda asked: state.cross_checks(result, asked=asked),
            _model_by_model,
            button=t("Compare with boosted trees"),
            key="compare_trees",
            brings=t("Boosted trees find what a step does only together with others. Some ten seconds."),
        )


def _how_another_model(found: Sequence[CrossCheck] | None) -> str:
    if found is None:
        return t("Would another kind of model see more? Not compared yet")
    if not found:
        return t("Would another kind of model see more? Too few returns to judge by")
    more = sum(one.trees_win for one in found)
    return t("Would another kind of model see more? For {more} of {n} defects", more=more, n=len(found))


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


def controls(alarms: Sequence[Finding], standard: ProcessStandard) -> None:
    """Pairs that go together although the step cannot bring the defect about: they speak against the records."""
    if not alarms:
        return
    line = tn(
        len(alarms),
        "▲ {n} check raises a question: a pair goes together that should not",
        "▲ {n} checks raise a question: pairs go together that should not",
    )
    with st.expander(line):
        st.markdown(
            t(
                "These pairs go together although the step is not thought to be able to bring the defect "
                "about. Something else (who works when, how the log is kept) may be behind them, and "
                "behind other findings too."
            )
        )
        rows: list[dict[str, object]] = [
            {
                t("what it says"): words.requirement(standard, one.factor),
                t("requirement"): one.factor,
                t("defect"): words.defect(one.defect),
                t("odds ratio (95 %)"): words.interval(one.adjusted.odds_ratio),
                t("missed: returned"): words.part_of(one.counts.returns_missed, one.counts.missed),
                "q": words.false_alarms(one.q),
            }
            for one in alarms
        ]
        frame.table(rows, whole=True)

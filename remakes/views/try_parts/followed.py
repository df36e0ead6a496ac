"""Did it work? Misses and returns since the start, by the rule that was fixed before it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import TYPE_CHECKING, Final

import streamlit as st

from remakes import charts, words
from remakes.records.decisions import Decision
from remakes.records.requirements import ProcessStandard
from remakes.records.standard import load_standard
from remakes.texts import later, t, tn
from remakes.texts.joining import run_on
from remakes.views import downloads, frame, state
from remakes.views.try_parts.wording import (
    defects_named,
    heading,
    in_place,
    instruction_first,
    rule_said,
    said,
    show_for_factors,
)

if TYPE_CHECKING:
    from remakes.actions.follow_up.looks import Look
    from remakes.actions.follow_up.misses import MissChange
    from remakes.actions.follow_up.verdicts import FollowUp

__all__ = ["show"]

#: What a verdict tells a reader who knows no statistics.
_MEANINGS: Final = {
    "verified": later("returns fell by more than chance gives, and nothing speaks against their going with the action"),
    "on the way": later("at the bench it is kept up; the returns come later and cannot tell yet"),
    "no effect": later(
        "a fall worth having is excluded, was not shown in the time agreed on, or the action was not kept up at the "
        "bench"
    ),
    "too early": later("neither the bench nor the returns can tell yet"),
}
#: The verdicts at the head of a sentence.
_VERDICTS: Final = {
    "verified": later("Verified"),
    "on the way": later("On the way"),
    "no effect": later("No effect"),
    "too early": later("Too early"),
}

#: From here on the records are enough for the question.
_LOW_POWER: Final = 0.5


def show() -> None:
    """One action that has begun: verdict, chart of returns, misses, how sure."""
    begun = [one for one in state.decisions() if one.status in ("running", "judged") and one.starts_on]
    if not begun:
        frame.answer(t("Nothing is running yet, so there is nothing to follow."))
        instruction_first()
        st.info(
            t("Propose an action, decide on it and start it under “Decided”; it is followed here from its first day.")
        )
        return
    one = _picked(begun)
    found, standard = in_place(lambda: state.follow_up(one)), load_standard(state.store())
    _answer(one, found, standard)
    instruction_first()
    _returns(one, found)
    _misses(one, found, standard)
    show_for_factors(standard, one.rule.factors if one.rule else ())
    _how_sure(found, standard)
    downloads.offer_json(found.as_json, name=f"follow_up_{one.decision_id}")


def _picked(begun: Sequence[Decision]) -> Decision:
    names = {one.decision_id: f"{heading(one)} ({t(one.status)})" for one in begun}
    first = next((one.decision_id for one in begun if one.status == "running"), begun[0].decision_id)
    if len(begun) == 1:
        return begun[0]
    picked = st.selectbox(
        t("Action"), list(names), index=list(names).index(first), format_func=names.__getitem__, key="followed"
    )
    return next((one for one in begun if one.decision_id == picked), begun[0])


def _answer(one: Decision, found: FollowUp, standard: ProcessStandard) -> None:
    frame.answer(t("{title}: {verdict}.", title=words.plain(one.title), verdict=t(found.verdict)))
    st.markdown(f"**{said(found.sentence, standard)}**")
    means = t("“{name}” means: {said}.", name=_VERDICTS[found.verdict], said=_MEANINGS[found.verdict])
    st.markdown(run_on(means, _how_long(found)))
    if one.verdict and one.judged_on:
        st.markdown(
            t(
                "Judged on {day}: **{verdict}**. {note} Above is what the records say by now.",
                day=words.day(one.judged_on),
                verdict=t(one.verdict),
                note=words.plain(one.note),
            )
        )
    if one.rule:
        rule = said(rule_said(one.rule, standard))
        st.markdown(t("The rule, fixed before the start: {rule_said}", rule_said=rule))


def _how_long(found: FollowUp) -> str:
    seen = t("Seen so far: {months} months.", months=words.figure(found.months_seen))
    if found.verdict not in ("too early", "on the way"):
        return seen
    if found.months_more is None:
        return run_on(seen, t("How much longer it takes cannot be said."))
    more = t(
        "About {months} more to a verdict, at this pace.",
        months=words.figure(found.months_more, digits=0),
    )
    return run_on(seen, more)


def _returns(one: Decision, found: FollowUp) -> None:
    st.subheader(t("Returns since the start"))
    if not found.looks:
        st.markdown(
            tn(
                found.observed,
                "{n:,} return so far; nothing to set them against yet.",
                "{n:,} returns so far; nothing to set them against yet.",
            )
        )
        return
    frame.draw(
        charts.returns_since_start(found),
        alt=t("Returns since the start against those expected without the action; the table below has the figures."),
    )
    defects = defects_named(one.rule.defects) if one.rule else t("these defects")
    st.caption(
        t(
            "First returns with {defects} of restorations delivered since the start, added up. "
            "Expected: from the months before the decision. At or under the lower dotted line a fall "
            "is shown, at or above the upper one a fall worth having is excluded; the lines allow "
            "for every look. The first look that crosses one decides.",
            defects=defects,
        )
    )
    rows = [_look_row(look) for look in reversed(found.looks)]
    frame.table(rows)
    downloads.offer_csv(rows, name=f"returns_since_start_{one.decision_id}")


def _look_row(look: Look) -> dict[str, object]:
    return {
        t("up to"): look.until - timedelta(days=1),
        t("came back (n)"): look.observed,
        t("expected without the action"): words.figure(look.expected),
        t("a fall is shown at or under"): _count(look.verified_at_most),
        t("a fall worth having is excluded from"): _count(look.no_effect_at_least),
    }


def _count(number: int | None) -> str:
    return t("no count yet") if number is None else words.figure(number, digits=0)


def _misses(one: Decision, found: FollowUp, standard: ProcessStandard) -> None:
    st.subheader(t("Misses at the bench"))
    for change in found.misses:
        st.markdown(said(change.sentence, standard))
        if one.starts_on and any(week.met + week.missed for week in change.weeks):
            frame.draw(
                charts.miss_weeks(change, starts_on=one.starts_on),
                alt=t(
                    "Share of misses of {factor} by week, before and since the start.",
                    factor=words.named(standard, change.factor),
                ),
            )
    st.caption(
        t("Each point: one week of deliveries. Level lines: the share of all weeks of that side, with its range.")
    )
    rows = [_miss_row(change, standard) for change in found.misses]
    frame.table(rows, whole=True)
    downloads.offer_csv(rows, name=f"misses_since_start_{one.decision_id}")


def _miss_row(one: MissChange, standard: ProcessStandard) -> dict[str, object]:
    known = one.factor in standard.factors
    return {
        t("what it says"): words.requirement(standard, one.factor) if known else "",
        t("requirement"): one.factor,
        t("as the rule asks"): t(one.kept),
        t("before (n)"): words.part_of(one.missed_before, one.recorded_before),
        t("before (95 %)"): words.share(one.share_before),
        t("since (n)"): words.part_of(one.missed_after, one.recorded_after),
        t("since (95 %)"): words.share(one.share_after),
        t("ratio (95 %)"): words.interval(one.ratio, digits=2),
        t("same hands"): words.figure(one.ratio_same_hands, digits=2),
        t("p, one look"): words.figure(one.p, digits=3),
    }


def _how_sure(found: FollowUp, standard: ProcessStandard) -> None:
    # A lower one is among the cautions; nan, where it cannot be had, is not above.
    power = (
        [
            t(
                "If returns fell by as much as is worth having, the rule would show it in time in {chance} of labs "
                "like this one.",
                chance=words.chance(found.power),
            )
        ]
        if found.power >= _LOW_POWER
        else []
    )
    frame.how_sure(
        (
            *(said(one, standard) for one in found.cautions),
            *power,
            t(
                "Back to the average: an action is chosen after bad months, and bad months are followed "
                "by better ones even if nothing is done. That is why the comparison is with all months "
                "before the decision, and the rule was fixed before the start."
            ),
            t(
                "“Verified” says that returns fell by the rule. That the fall goes with the action is "
                "likelier if the misses fell first; no records prove it."
            ),
        )
    )

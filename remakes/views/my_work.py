"""My work: which of my steps go with my returns? For the technician, and whom the lab lets look at one's work."""

from __future__ import annotations

import streamlit as st

from remakes import charts, flow, words
from remakes.errors import InputError
from remakes.records.house_settings import own_work_seen_by
from remakes.records.requirements import ProcessStandard
from remakes.texts import run_on, t
from remakes.views import cautions, downloads, frame, sentences, state

__all__ = ["body"]


def body() -> None:
    """Own figures beside the lab's; no ranking, nobody else's figures."""
    state.require("technician", *own_work_seen_by(state.store()))
    if not frame.ready(standard=True):
        return
    mine = state.visitor().role == "technician"
    code = _whose(mine=mine)
    if not code:
        st.info(
            t("Choose your own code at the left. Your figures are shown to you; no page compares people.")
            if mine
            else t("Choose a technician. Figures are shown of one person at a time; no page compares people.")
        )
        return
    if not state.may_see_work_of(code):
        return
    result = state.analysis()
    try:
        own = flow.own_work(result, code)
    except InputError:
        # The error names the codes of others, which are none of a technician's business.
        st.info(t("No restoration of {code} has been delivered yet, so nothing is compared.", code=words.plain(code)))
        return
    _answer(own, mine=mine)
    _misses(result, own, mine=mine)
    _findings(result, own, mine=mine)
    frame.how_sure(
        (
            t(
                "Expected: the lab's returns in like cases (kind, veneer, span, difficulty) and the same "
                "time in service. What is not written down about a case is not taken into account."
            ),
            t("The ratio is drawn towards 1, as strongly as so few returns ask: chance alone makes it differ."),
            t("Below {n} delivered restorations nothing is compared.", n=flow.LEAST_DELIVERED),
            t("Whoever writes misses down honestly shows more of them. A gap in the log is neither missed nor kept."),
            t("These figures are no judgement of a person, and no page ranks people."),
        )
    )


def _whose(*, mine: bool) -> str:
    """The technician, or one at a time for those whom the lab has let in."""
    if mine:
        return state.visitor().code
    picked = st.selectbox(
        t("Technician"), flow.technicians(state.store()), index=None, placeholder=t("choose"), key="of"
    )
    return picked or ""


def _answer(own: flow.OwnWork, *, mine: bool) -> None:
    if not own.enough:
        frame.answer(
            t(
                "Too early to compare: {delivered} restorations delivered, {needed} are needed.",
                delivered=own.delivered,
                needed=flow.LEAST_DELIVERED,
            )
        )
        return
    figures = {"n": own.returned, "delivered": own.delivered, "expected": words.figure(own.expected)}
    frame.answer(
        t(
            "{n} first returns on your {delivered:,} restorations; like cases in the whole lab would give {expected}.",
            **figures,
        )
        if mine
        else t(
            "{n} first returns on the {delivered:,} restorations of {code}; like cases in the whole lab would give "
            "{expected}.",
            code=words.plain(own.technician),
            **figures,
        )
    )
    ratio = own.ratio
    apart = t("The range includes 1: no difference from the lab can be told.")
    if ratio.low > 1:
        apart = t("The range lies above 1: more than in like cases. Look at the steps below first.")
    elif ratio.high < 1:
        apart = t("The range lies below 1: fewer than in like cases.")
    told = t("Returned to expected (ratio): {ratio}.", ratio=words.interval(ratio, digits=2))
    st.markdown(f"{told} {apart}")
    st.caption(t(words.FIRST_RETURNS))


def _misses(result: flow.Analysis, own: flow.OwnWork, *, mine: bool) -> None:
    code = words.plain(own.technician)
    st.subheader(t("My misses beside the lab's") if mine else t("Misses of {code} beside the lab's", code=code))
    if not any(one.recorded for one in own.factors):
        st.markdown(
            t("No step of yours has been recorded yet.")
            if mine
            else t("No step of {code} has been recorded yet.", code=code)
        )
        return
    names = sentences.short_names([one.factor for one in own.factors], result.standard)
    pairs = [
        charts.SharePair(
            name=names[one.factor], own=one.share, own_of=one.recorded, lab=one.lab_share, lab_of=one.lab_recorded
        )
        for one in own.factors
        if one.recorded
    ]
    if own.enough:
        frame.draw(charts.share_pairs(pairs))
        _missed_more(own, result.standard, mine=mine)
    missed = t("my misses (n)") if mine else t("misses of {code} (n)", code=own.technician)
    share = t("my share (95 % interval)") if mine else t("share of {code} (95 % interval)", code=own.technician)
    rows: list[dict[str, object]] = [
        {
            t("what it says"): words.requirement(result.standard, one.factor),
            t("requirement"): one.factor,
            missed: words.part_of(one.missed, one.recorded),
            share: words.share(one.share) if own.enough else t("too early"),
            t("lab's misses (n)"): words.part_of(one.lab_missed, one.lab_recorded),
            t("lab's share"): words.per_cent(one.lab_share.estimate),
        }
        for one in own.factors
    ]
    frame.table(rows)
    downloads.offer_csv(rows, name="my_misses" if mine else f"misses_{own.technician}")


def _missed_more(own: flow.OwnWork, standard: ProcessStandard, *, mine: bool) -> None:
    """The steps at which more was missed than in the lab, named without a judgement."""
    more = [one for one in own.factors if one.above_lab]
    if not more:
        return
    steps = words.listed(
        t(
            "{step} ({own} against {lab})",
            step=words.plain(words.named(standard, one.factor)),
            own=words.per_cent(one.share.estimate, digits=0),
            lab=words.per_cent(one.lab_share.estimate, digits=0),
        )
        for one in more
    )
    named = (
        t("Your 95 % range lies wholly above the lab's share of misses here: {steps}.", steps=steps)
        if mine
        else t(
            "The 95 % range of {code} lies wholly above the lab's share of misses here: {steps}.",
            code=words.plain(own.technician),
            steps=steps,
        )
    )
    doubt = t(
        "Of the {n} requirements compared, chance alone would put about {chance} there, and these shares are not "
        "adjusted for the cases.",
        n=own.compared,
        chance=words.figure(own.above_by_chance),
    )
    st.markdown(run_on(named, doubt))


def _findings(result: flow.Analysis, own: flow.OwnWork, *, mine: bool) -> None:
    code = words.plain(own.technician)
    st.subheader(
        t("Which of my steps go with returns") if mine else t("Which steps of {code} go with returns", code=code)
    )
    if not own.findings:
        st.markdown(
            t("None of the steps you missed goes with returns in the lab's records, as far as they can tell.")
            if mine
            else t(
                "None of the steps that {code} missed goes with returns in the lab's records, as far as they can tell.",
                code=code,
            )
        )
        return
    st.markdown(
        t("In the whole lab's records, among the steps that you missed at least once:")
        if mine
        else t("In the whole lab's records, among the steps that {code} missed at least once:", code=code)
    )
    for one in own.findings:
        st.markdown(
            f"**{words.plain(sentences.label(one, result.standard))}** ({t(one.grade)}). "
            + run_on(sentences.goes_with(one, horizon=result.horizon), sentences.on_how_many(one))
        )
    cautions.show_for_steps(result.standard.step_of(one.factor) for one in own.findings)

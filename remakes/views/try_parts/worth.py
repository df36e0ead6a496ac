"""What is it worth? The actions in their order, what if things were otherwise, and what is worth measuring first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

import streamlit as st

from remakes import charts, flow, words
from remakes.actions.information import WorthKnowing, worth_knowing
from remakes.actions.ranking import RankedAction, next_measurement
from remakes.records.decisions import OPEN, propose
from remakes.records.requirements import ProcessStandard
from remakes.texts import t, tn
from remakes.texts.joining import run_on
from remakes.views import downloads, frame, sentences, state
from remakes.views.try_parts import what_if
from remakes.views.try_parts.decision_forms import show_next
from remakes.views.try_parts.wording import DECIDED, in_place, instruction_first, saved, show_for_factors

if TYPE_CHECKING:
    from remakes.records.decisions import Decision

_MEASURES: Final = "worth_knowing"
#: One change at a time: so many reasons are read at once.
_FIRST: Final = 3


def show() -> None:
    """Answer, what if, pictures, table, why, what to measure, how sure."""
    result = in_place(state.analysis)
    if not result.actions:
        st.info(
            t(
                "The records hold no corrective actions yet. Write what the lab could change in an "
                "actions.toml, with what it costs and which misses it removes, and bring it in under "
                "Lists and import."
            )
        )
        frame.go("lists", t("Lists and import"), primary=True)
        return
    choices = in_place(lambda: state.choices(result))
    measures = _measures(choices)
    # What is asked stands below its answer: the answer's place is kept free until it is known.
    head = st.container()
    asked = what_if.ask(choices)
    ranked = choices.ranked(**asked.as_arguments()) if asked.differs else result.actions
    with head:
        _answer(ranked, measures, result, what_if=asked.differs)
    what_if.tell(asked, result.currency)
    _pictures(ranked, result.currency)
    rows = [_row(action, result.currency) for action in ranked]
    with st.expander(t("All figures, action by action")):
        frame.table([_shown(row) for row in rows], whole=True)
    _each(ranked, state.decisions(), result.standard)
    _worth_measuring(measures, result)
    show_for_factors(result.standard, (factor for action in ranked for factor, _ in action.because))
    _how_sure(asked.horizon)
    downloads.offer_csv(rows, name="actions")
    downloads.offer_json(lambda: [action.as_json() for action in ranked], name="actions")


def _measures(choices: flow.Choices) -> tuple[WorthKnowing, ...]:
    """By the lab's own figures: worked out once, however often a slider moves."""
    kept, found = st.session_state.get(_MEASURES, (None, ()))
    if kept is not choices:
        found = worth_knowing(choices.prepared, choices.actions, choices.costs)
        st.session_state[_MEASURES] = (choices, found)
    return tuple(found)


def _answer(
    ranked: Sequence[RankedAction], measures: Sequence[WorthKnowing], result: flow.Analysis, *, what_if: bool
) -> None:
    backed = [action for action in ranked if action.because]
    paying = [action for action in backed if action.net_per_month.estimate > 0]
    if not backed:
        frame.answer(t("No step is clear enough to start with: measure first, and look again in some months."))
        if measure := next_measurement(ranked, measures):
            st.markdown(words.said(words.with_words(measure.sentence, result.standard)))
    elif not paying:
        frame.answer(
            t("No step with a finding behind it pays if things were so.")
            if what_if
            else t("No step with a finding behind it pays at the lab's own costs.")
        )
    else:
        _start_with(paying[0], result.currency, what_if=what_if)
    instruction_first()


def _start_with(first: RankedAction, currency: str, *, what_if: bool) -> None:
    title, spared = words.plain(first.title), words.interval(first.avoided_per_month)
    frame.answer(
        t(
            "If things were so, start with: “{title}”. It would spare about {spared} returns a month.",
            title=title,
            spared=spared,
        )
        if what_if
        else t("Start with: “{title}”. It would spare about {spared} returns a month.", title=title, spared=spared)
    )
    worth = t(
        "Net value {net} {currency} a month; if the link is real, it pays in {chance} of simulated runs.",
        net=words.interval(first.net_per_month, digits=0),
        currency=words.plain(currency),
        chance=words.chance(first.probability_worthwhile),
    )
    doubt = t("The range includes none: it may not pay.") if first.net_per_month.low <= 0 else ""
    st.markdown(run_on(worth, doubt, t("One change at a time: then its effect can be seen.")))


def _pictures(ranked: Sequence[RankedAction], currency: str) -> None:
    frame.draw(
        charts.joint_avoided(ranked),
        alt=t(
            "Returns avoided a month by the first one, two, three actions together; the table below has the figures."
        ),
    )
    frame.draw(
        charts.joint_net(ranked, currency=currency),
        alt=t("Net value a month of the first one, two, three actions together; the table below has the figures."),
    )
    st.caption(
        t(
            "Each line: that action and all above it, with the 95 % range. Filled circle: by itself "
            "it adds more than it costs; open square: it may, or may not (its range includes 0); open "
            "diamond: it does not. In the table: what each adds to those above it; “pays in” is the share "
            "of simulated runs where it is worth more than it "
            "costs; “may cost” is what it adds in money: dearer than that it does not pay."
        )
    )


def _row(action: RankedAction, currency: str) -> dict[str, object]:
    row = sentences.action_row(action, currency)
    first: dict[str, object] = {name: row.pop(name) for name in (t("rank"), t("what"))}
    last: dict[str, object] = {name: row.pop(name) for name in (t("restorations a month"), t("because of"))}
    return {
        **first,
        **row,
        t("may cost a month, {currency} (95 %)", currency=currency): words.interval(
            action.break_even_cost_per_month, digits=0
        ),
        t("net with those above, {currency} (95 %)", currency=currency): words.interval(
            action.joint_net_per_month, digits=0
        ),
        **last,
    }


def _shown(row: Mapping[str, object]) -> dict[str, object]:
    """A row without what the file has beside it, and the reasons below say in words; the action by its title only."""
    beside = (t("action"), t("restorations a month"), t("because of"))
    return {name: value for name, value in row.items() if name not in beside}


def _each(ranked: Sequence[RankedAction], decisions: Sequence[Decision], standard: ProcessStandard) -> None:
    """The first that a finding stands behind; the others, not needed for one decision, folded under their lines."""
    st.subheader(t("Why, and what speaks against it"))
    under_way = {one.action: one.status for one in decisions if one.status in OPEN}
    backed = [action for action in ranked if action.because]
    _reasons(backed[:_FIRST], under_way, standard)
    if further := backed[_FIRST:]:
        line = tn(
            len(further),
            "{n} more action with a finding behind it, further down the list",
            "{n} more actions with a finding behind them, further down the list",
        )
        with st.expander(line):
            _reasons(further, under_way, standard)
    others = [action for action in ranked if not action.because]
    if not others:
        return
    line = tn(
        len(others),
        "{n} more action: no finding stands behind it yet",
        "{n} more actions: no finding stands behind them yet",
    )
    with st.expander(line, expanded=not backed):
        _reasons(others, under_way, standard)


def _reasons(actions: Sequence[RankedAction], under_way: Mapping[str, str], standard: ProcessStandard) -> None:
    for action in actions:
        left, right = st.columns([3, 1], vertical_alignment="center")
        said = [_because(action, standard), *action.cautions]
        if action.next_measurement:
            said.append(action.next_measurement.sentence)
        text = " ".join(words.said(words.with_words(one, standard)) for one in said if one)
        left.markdown(f"**{action.rank}. {words.plain(action.title)}**: {text}")
        if action.action in under_way:
            right.markdown(t("{status} already", status=t(under_way[action.action])))
        else:
            right.button(
                t("Propose it"),
                key=f"propose_{action.action}",
                width="stretch",
                on_click=_propose,
                args=(action, standard),
            )


def _because(action: RankedAction, standard: ProcessStandard) -> str:
    links = words.listed(
        t(
            "{factor} goes with {defect}",
            factor=words.named(standard, factor),
            defect=words.listed(words.defect_within(defect) for one, defect in action.because if one == factor),
        )
        for factor in dict.fromkeys(factor for factor, _ in action.because)
    )
    return t("Because {links}.", links=links) if links else ""


def _propose(action: RankedAction, standard: ProcessStandard) -> None:
    def write(who: str) -> str:
        made = propose(state.store(), action=action.action, who=who, note=_because(action, standard))
        show_next(made, backed={defect for _, defect in action.because})
        return t(
            "Proposed: {title}, number {decision_id}. It is to be decided next.",
            title=words.plain(made.title),
            decision_id=made.decision_id,
        )

    saved(write, part=DECIDED)


def _worth_measuring(measures: Sequence[WorthKnowing], result: flow.Analysis) -> None:
    st.subheader(t("What is worth measuring"))
    if not measures:
        st.markdown(
            t(
                "Nothing: whatever more was known of these steps, the same action would come first at "
                "the lab's own costs."
            )
        )
        return
    st.markdown(words.said(words.with_words(measures[0].sentence, result.standard)))
    line = tn(
        len(measures),
        "What is worth measuring: {n} requirement, with its figures",
        "What is worth measuring: {n} requirements, with their figures",
    )
    with st.expander(line):
        frame.table([_measure_row(one, result) for one in measures], whole=True)
        st.caption(
            t(
                "At the lab's own figures, not “what if”. Worth: how much better the first step would be "
                "chosen if the link were known exactly; no months of records tell it exactly, so it is a "
                "ceiling."
            )
        )


def _measure_row(one: WorthKnowing, result: flow.Analysis) -> dict[str, object]:
    months, currency = one.months_needed, result.currency
    return {
        t("what it says"): words.requirement(result.standard, one.factor),
        t("requirement"): one.factor,
        t("worth up to, {currency} a month", currency=currency): words.figure(one.value_per_month, digits=1),
        t("what to do"): t("record the reading every time") if one.log_it else t("go on recording as now"),
        t("not recorded"): words.per_cent(one.not_recorded),
        t("a large effect shows"): t("not soon: a trial") if months is None else _in_months(months),
        t("with"): "; ".join(words.defect_within(defect) for defect in one.defects),
    }


def _in_months(months: int) -> str:
    return t("by now") if months == 0 else tn(months, "in about {n:,} month", "in about {n:,} months")


def _how_sure(horizon: int) -> None:
    frame.how_sure(
        (
            t(
                "What an action adds is reckoned on top of those above it: two actions against the same "
                "miss do not spare it twice."
            ),
            t(
                "One-off costs are spread over {horizon} months; what a return costs is the lab's own entry.",
                horizon=horizon,
            ),
            t(
                "The ranges hold chance and the uncertainty of the links, not whether the action is kept "
                "up at the bench: ask “what if” for that."
            ),
            t(
                "Effects are drawn back towards none as strongly as all links together say, since the "
                "one that looks best was also the luckiest."
            ),
            t(
                "A bad month is followed by a better one by itself: judge an action by months before and "
                "after, by a rule set beforehand."
            ),
            t("A step that goes with returns need not cause them. Then the action spares nothing."),
            t(words.COUNTED_AS_FIRST),
        )
    )

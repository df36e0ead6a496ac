"""Plan a trial: how long must it run to show something, who works how in which week, and how is it read?"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta
from math import isfinite
from typing import TYPE_CHECKING, Any, Final

import streamlit as st

from remakes import flow, words
from remakes.records.codes import DEFECTS
from remakes.texts import Said, later, t, tn
from remakes.views import downloads, fields, frame, state
from remakes.views.closer import on_request
from remakes.views.month_parts.wording import number
from remakes.views.try_parts import kept_trials
from remakes.views.try_parts.wording import in_place, instruction_first, said, show_for_factors

if TYPE_CHECKING:
    from remakes.actions.trial.figures import TrialPlan

__all__ = ["believed_defects", "show"]

_DESIGNS: Final = {
    "alternate weeks": later("Alternate weeks: each group works with the action every other week."),
    "staggered": later("Staggered: the groups start with the action one after the other."),
    "before and after": later(
        "Before and after: all start on the same day; what else changed on that day cannot be told from the action."
    ),
}
_NAMES: Final = {
    "alternate weeks": later("Alternate weeks"),
    "staggered": later("Staggered"),
    "before and after": later("Before and after"),
}
_BELIEVED: Final = ("strong", "moderate", "weak")


def show() -> None:
    """What is wished for, then the plan once it is asked for, and the trials that are kept to."""
    result = in_place(state.analysis)
    _ask(result)
    st.divider()
    kept_trials.show()


def _ask(result: flow.Analysis) -> None:
    head = st.container()
    wishes = _wishes(result)
    if not wishes["defects"]:
        with head:
            frame.answer(t("Name at least one defect whose returns the action is to spare."))
            instruction_first()
        return

    def tell(plan: TrialPlan | None) -> None:
        with head:
            _answer(plan)
        if plan is not None:
            _plan(plan)
            if plan.calendar:
                kept_trials.offer_to_keep(plan)

    on_request(
        lambda asked: state.trial_plan(result, wishes, asked=asked),
        tell,
        button=t("Plan it"),
        key="plan_trial",
        brings=t(
            "Some seconds: takes from the records how often and how late returns come and how much technicians "
            "differ, and tries the calendar out in simulated trials."
        ),
        primary=True,
    )
    show_for_factors(result.standard, [str(wishes["factor"])])


def believed_defects(result: flow.Analysis, factor: str) -> list[str]:
    """Defects that a finding connects with a requirement's misses; else those the standard says it may cause."""
    found = {one.defect for one in result.findings if one.factor == factor and one.plausible and one.grade in _BELIEVED}
    may = found or result.standard.may_cause(factor)
    return [defect for defect in DEFECTS if defect in may]


def _wishes(result: flow.Analysis) -> dict[str, Any]:
    left, right = st.columns(2)
    factors = _likeliest_first(result)
    factor = left.selectbox(
        t("Requirement whose misses the action removes"),
        factors,
        format_func=lambda one: words.named(result.standard, one),
        key="trial_factor",
    )
    defects = right.multiselect(
        t("Defects whose returns are to fall"),
        list(DEFECTS),
        default=believed_defects(result, factor),
        format_func=words.defect,
        key=f"trial_defects_{factor}",
    )
    design = left.selectbox(t("How"), list(_DESIGNS), format_func=lambda name: t(_NAMES[name]), key="trial_design")
    effect = right.slider(t("Fall of returns worth having"), 10, 90, 30, step=5, format="%d %%", key="trial_effect")
    removes = left.slider(
        t("Share of the misses that the action removes"), 10, 100, 90, step=5, format="%d %%", key="trial_removes"
    )
    longest = right.slider(t("Longest trial considered, months"), 3, 36, 24, key="trial_months")
    st.caption(t(_DESIGNS[design]))
    return {
        "factor": factor,
        "defects": tuple(defects),
        "design": design,
        "effect": effect / 100,
        "removes": removes / 100,
        "months_max": longest,
        "starts_on": _first_day(result),
    }


def _first_day(result: flow.Analysis) -> date:
    usual = flow.trial_start(result)
    typed = fields.day_field(t("First day of the trial, today or later"), key="trial_starts", value=usual)
    return typed or usual


def _likeliest_first(result: flow.Analysis) -> list[str]:
    """Requirements behind the ranked actions first, then the others of the standard."""
    backed = [factor for action in result.actions for factor, _ in action.because]
    known = result.table.factors
    return [one for one in dict.fromkeys([*backed, *known]) if one in known]


def _answer(plan: TrialPlan | None) -> None:
    if plan is None:
        frame.answer(t("Before a change for good: would a trial show anything, and after how long?"))
    elif plan.missing:
        frame.answer(t("No trial can be planned: {missing}.", missing=words.plain(plan.missing)))
    elif plan.months is None:
        frame.answer(
            tn(
                plan.months_max,
                "Even after {n} month, a fall by {fall} could not be told from chance in this lab.",
                "Even after {n} months, a fall by {fall} could not be told from chance in this lab.",
                fall=words.per_cent(plan.effect, digits=0),
            )
        )
    else:
        frame.answer(
            tn(
                plan.months,
                "A trial of about {n} month would show a fall by {fall} in {chance} of cases.",
                "A trial of about {n} months would show a fall by {fall} in {chance} of cases.",
                fall=words.per_cent(plan.effect, digits=0),
                chance=words.chance(plan.power),
            )
        )
    instruction_first()
    if plan is not None and not plan.missing:
        st.markdown(said(plan.sentence))


def _plan(plan: TrialPlan) -> None:
    if plan.missing:
        return
    from remakes.charts.trial import trial_power

    if plan.table:
        frame.draw(
            trial_power(plan),
            alt=t(
                "How often trials of each length would show falls of several sizes; the table below has the figures."
            ),
        )
        st.caption(
            t(
                "Dashed line: how often it is to show. Each line: one true fall of the returns. All are worked out "
                "from this lab's own returns, technicians and quarters."
            )
        )
    rows: list[dict[str, object]] = [
        {
            t("if returns fell by"): words.per_cent(one.effect, digits=0),
            t("the trial takes"): words.counted(one.months, "month")
            if one.months is not None
            else tn(plan.months_max, "more than {n} month", "more than {n} months"),
            t("restorations (n)"): words.figure(one.restorations, digits=0) if isfinite(one.restorations) else "",
        }
        for one in plan.needed
    ]
    frame.table(rows, whole=True)
    if plan.calendar:
        _calendar(plan)
    st.subheader(t("What must be written down"))
    st.markdown(_bullets(plan.log))
    if plan.how_read:
        st.subheader(t("How it will be read"))
        st.markdown(said(plan.how_read))
    frame.how_sure(said(one) for one in (*plan.cautions, *_grounds(plan)))
    downloads.offer_csv([_plain_power_row(plan, at) for at in range(len(plan.table))], name=f"trial_{plan.factor}")
    downloads.offer_json(plan.as_json, name=f"trial_{plan.factor}")


def _calendar(plan: TrialPlan) -> None:
    from remakes.charts.trial import trial_calendar

    st.subheader(t("Who works how in which week"))
    frame.draw(
        # Room for the name of every group beside the legend and the axis.
        trial_calendar(plan).properties(height=190 + 30 * len(plan.groups)),
        alt=t("Weeks in which each group works with the action and without; the table below has the weeks."),
    )
    rows = _weeks(plan)
    frame.table(rows)
    st.caption(
        t("Technicians stand here by their codes, since the calendar has to say who works how; nothing is ranked.")
    )
    downloads.offer_csv(rows, name=f"calendar_{plan.factor}", label=t("Download the calendar as CSV"))


def _weeks(plan: TrialPlan) -> list[dict[str, object]]:
    """A line for each week, a column for each group."""
    who = {group.name: f"{group.name}: {', '.join(group.technicians)}" for group in plan.groups}
    week, last = min(span.begins for span in plan.calendar), max(span.ends for span in plan.calendar)
    rows: list[dict[str, object]] = []
    while week <= last:
        row: dict[str, object] = {t("week"): len(rows) + 1, t("from"): week}
        for span in plan.calendar:
            if span.begins <= week <= span.ends:
                row[who.get(span.group, span.group)] = t("with the action") if span.with_action else t("without")
        rows.append(row)
        week += timedelta(weeks=1)
    names = [t("week"), t("from"), *who.values()]
    return [{name: row.get(name, "") for name in names} for row in rows]


def _grounds(plan: TrialPlan) -> list[Said]:
    """On what the plan stands, in figures."""
    found = []
    if isfinite(plan.power_simulated.estimate):
        found.append(
            t(
                "Of simulated trials with this very calendar and this true fall, {share} showed it.",
                share=words.share(plan.power_simulated),
            )
        )
    if isfinite(plan.restorations_per_month):
        found.append(
            t(
                "Taken from the records: {restorations} restorations a month that the requirement applies to, "
                "{returns} returns with these defects of a month's deliveries, and {misses} misses now.",
                restorations=words.figure(plan.restorations_per_month, digits=0),
                returns=words.figure(plan.returns_per_month),
                misses=words.per_cent(plan.miss_share_now),
            )
        )
    return found


def _plain_power_row(plan: TrialPlan, at: int) -> dict[str, object]:
    one = plan.table[at]
    return {
        "fall": one.effect,
        "months": one.months,
        "restorations": number(one.restorations, digits=0),
        "returns_without_action": number(one.returns, digits=1),
        "power": number(one.power, digits=3),
    }


def _bullets(lines: Iterable[str]) -> str:
    return "\n".join(f"- {said(one)}" for one in lines)

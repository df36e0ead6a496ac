"""Trials the lab keeps to: keep a plan, see who changes when and whether the log is kept, read it once at its end."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from math import isfinite
from typing import TYPE_CHECKING, Any, Final

import streamlit as st

from remakes import flow, words
from remakes.errors import EntryError, RemakesError
from remakes.evidence.estimate import Estimate
from remakes.records.corrective_actions import load_actions
from remakes.records.decisions import OPEN, propose
from remakes.records.trial_plans import KeptPlan, PlanState, TrialPlanChangedError, give_up, keep_plan, list_plans
from remakes.texts import later, t, tn
from remakes.views import downloads, frame, state
from remakes.views.server import tell_plainly
from remakes.views.try_parts.decision_forms import show_next
from remakes.views.try_parts.wording import DECIDED, said, saved

if TYPE_CHECKING:
    from remakes.actions.trial.figures import TrialPlan
    from remakes.actions.trial.standing import LogMonth

__all__ = ["calendar_changes", "offer_to_keep", "show"]

#: The trial that is looked at.
_PICKED: Final = "kept_trial"

_STATES: Final[dict[PlanState, str]] = {
    "not begun": later("not begun"),
    "running": later("running"),
    "to be read": later("to be read"),
    "read": later("read"),
    "given up": later("given up"),
}


def offer_to_keep(plan: TrialPlan) -> None:
    """A title and a button: from then on the plan stands."""
    st.subheader(t("Keep to this plan"))
    st.markdown(
        t(
            "Kept, the plan stands word for word: who changes when, what is written down and how it is read at the "
            "end. That is what makes its answer worth something."
        )
    )
    key = f"trial_title_{plan.factor}_{plan.starts_on.isoformat()}"
    with st.form(f"keep_{key}", enter_to_submit=False):
        usual = t("{factor} from {day}", factor=plan.factor, day=plan.starts_on.isoformat())
        st.text_input(t("Title of the trial"), value=usual, max_chars=120, key=key)
        st.form_submit_button(t("Keep this plan"), type="primary", key="keep_trial", on_click=_keep, args=(plan, key))


def _keep(plan: TrialPlan, key: str) -> None:
    def write(who: str) -> str:
        kept = keep_plan(state.store(), plan, st.session_state[key], who)
        st.session_state[_PICKED] = kept.plan_id
        return t(
            "Kept: {title}. It begins on {day} and is read after {last}, its last day.",
            title=words.plain(kept.title),
            day=words.day(kept.starts_on),
            last=words.day(kept.ends_on),
        )

    saved(write)


def show() -> None:
    """The list of kept trials, and one of them closely."""
    plans = list_plans(state.store())
    st.header(t("Planned trials"), anchor=False)
    if not plans:
        st.info(t("No trial has been saved yet. Plan one above; the button to keep it stands under its calendar."))
        return
    today = date.today()
    rows = [_row(one, today) for one in plans]
    frame.table(rows)
    downloads.offer_csv(rows, name="trials")
    one = _picked(plans, today)
    try:
        _closely(one, today)
    except RemakesError as error:
        tell_plainly(error)
    if one.is_open:
        _give_up(one)


def _row(one: KeptPlan, today: date) -> dict[str, object]:
    return {
        t("number"): one.plan_id,
        t("trial"): one.title,
        t("stands"): t(_STATES[one.state(today)]),
        t("begins"): one.starts_on,
        t("ends"): one.ends_on,
        t("kept by"): one.kept_by,
        t("read on"): one.read_on or "",
        t("what was read"): (one.reading or {}).get("sentence", ""),
        t("given up because"): one.given_up_why,
    }


def _picked(plans: Sequence[KeptPlan], today: date) -> KeptPlan:
    if len(plans) == 1:
        return plans[0]
    names = {one.plan_id: f"{one.plan_id}: {one.title} ({t(_STATES[one.state(today)])})" for one in plans}
    if st.session_state.get(_PICKED) not in names:
        st.session_state[_PICKED] = _first(plans, today).plan_id
    picked = st.selectbox(t("One of the trials"), list(names), format_func=names.__getitem__, key=_PICKED)
    return next((one for one in plans if one.plan_id == picked), plans[0])


def _first(plans: Sequence[KeptPlan], today: date) -> KeptPlan:
    """Where something is to be done: to be read, then what goes on, then the newest."""
    waiting = [one for one in plans if one.state(today) == "to be read"]
    going_on = [one for one in plans if one.is_open]
    return [*waiting, *going_on, *plans][0]


def _closely(one: KeptPlan, today: date) -> None:
    plan = flow.kept_trial(one)
    st.subheader(words.plain(one.title))
    st.markdown(said(plan.sentence))
    _who_changes_when(plan, one)
    if one.reading is not None:
        _reading(one.reading, one)
    elif one.given_up_at is None and one.state(today) != "not begun":
        _so_far(one, today)
    elif one.given_up_at is not None:
        st.markdown(t("Given up because: {why}", why=words.plain(one.given_up_why)))
    else:
        st.info(t("It begins on {day}. Print the table of who changes when before that.", day=words.day(one.starts_on)))
    _propose(plan, one)


def _who_changes_when(plan: TrialPlan, one: KeptPlan) -> None:
    from remakes.charts.trial import trial_calendar

    st.markdown(t("**Who changes when**"))
    frame.draw(
        # Room for the name of every group beside the legend and the axis.
        trial_calendar(plan).properties(height=190 + 30 * len(plan.groups)),
        alt=t("Weeks in which each group works with the action and without; the table below has the days."),
        key=f"kept_calendar_{one.plan_id}",
    )
    rows = calendar_changes(plan)
    frame.table(rows)
    downloads.offer_csv(
        rows,
        name=f"bench_calendar_{one.plan_id}",
        label=t("Download the bench calendar as CSV"),
    )
    with st.expander(t("What must be written down, and how it will be read"), key=f"kept_rules_{one.plan_id}"):
        st.markdown("\n".join(f"- {said(line)}" for line in plan.log))
        st.markdown(said(plan.how_read))


def calendar_changes(plan: TrialPlan) -> list[dict[str, object]]:
    """A line for each day on which somebody begins, stops or takes up the action, oldest first."""
    who = {group.name: ", ".join(group.technicians) for group in plan.groups}
    spans = sorted(plan.calendar, key=lambda span: (span.begins, span.group))
    return [
        {
            t("day"): span.begins,
            t("group"): span.group,
            t("technicians"): who.get(span.group, ""),
            t("works from then on"): t("with the action") if span.with_action else t("without"),
            t("until"): span.ends,
        }
        for span in spans
    ]


@st.cache_data(show_spinner=False, max_entries=16)
def _standing(_url: str, figures: int, plan_id: int, version: int, today: date) -> flow.TrialStanding:
    # The versions and the day are part of the key: another state of the records, or another day, asks anew.
    return flow.read_trial_plan(state.store(), plan_id, today=today)


def _so_far(one: KeptPlan, today: date) -> None:
    records = state.store()
    found = _standing(records.url, records.figures_version(), one.plan_id, one.version, today)
    made = sum(found.so_far.restorations)
    st.markdown(
        t(
            "Up to {day}: {made} restorations of the trial, {action} in weeks with the action; returns so far, both "
            "sides together: {returns}.",
            day=words.day(found.so_far.counted_until),
            made=made,
            action=found.so_far.restorations[0],
            returns=found.so_far.returns,
        )
    )
    if found.so_far.left_out:
        st.warning(
            tn(
                found.so_far.left_out,
                "One restoration was made by somebody whom the calendar does not name; it counts on neither side.",
                "{n} restorations were made by somebody whom the calendar does not name; they count on neither side.",
            )
        )
    _log(found.so_far.months, one)
    if found.reading is None:
        st.info(said(found.sentence))
    else:
        _offer_reading(one)


def _log(months: Sequence[LogMonth], one: KeptPlan) -> None:
    st.markdown(t("**Is the log it needs being kept?**"))
    if not months:
        st.markdown(t("Nothing has been delivered in the weeks of the trial yet."))
        return
    latest = months[-1]
    st.markdown(
        t(
            "In {month} the reading was not recorded for {share} of the restorations. A gap on one side only makes the "
            "two sides unlike.",
            month=words.month(latest.month),
            share=words.per_cent(latest.share_not_recorded),
        )
    )
    rows: list[dict[str, object]] = [
        {
            t("month"): month.month,
            t("with the action (n)"): month.restorations[0],
            t("not recorded, with"): month.not_recorded[0],
            t("without (n)"): month.restorations[1],
            t("not recorded, without"): month.not_recorded[1],
            t("share not recorded"): words.per_cent(month.share_not_recorded),
        }
        for month in months
    ]
    frame.table(rows, whole=len(rows) <= 12)
    downloads.offer_csv(rows, name=f"trial_log_{one.plan_id}", label=t("Download the log's months as CSV"))


def _offer_reading(one: KeptPlan) -> None:
    st.markdown(
        t(
            "The trial has reached its end on {day}. It is read once: what is read now stands, and returns of its days "
            "that are entered later are in no reading. Wait some weeks if returns are still being entered.",
            day=words.day(one.ends_on),
        )
    )
    st.button(t("Read it and keep the reading"), type="primary", key=f"read_{one.plan_id}", on_click=_read, args=(one,))


def _read(one: KeptPlan) -> None:
    def write(who: str) -> str:
        flow.keep_trial_reading(state.store(), one.plan_id, who=who, version=one.version)
        return t("Read: {title}. The reading stands.", title=words.plain(one.title))

    saved(write)


def _reading(reading: Any, one: KeptPlan) -> None:
    ratio = _estimate(reading["ratio"])
    st.markdown(t("**Read on {day}**", day=words.day(one.read_on or one.ends_on)))
    st.markdown(f"**{said(reading['sentence'])}**")
    if isfinite(ratio.estimate):
        st.markdown(
            t(
                "Returns with the action to returns without: {ratio}; one-sided p {p}.",
                ratio=words.interval(ratio, digits=2),
                p=words.figure(reading["p_fewer"], digits=3),
            )
        )
    sides = (t("with the action"), t("without"))
    rows: list[dict[str, object]] = [
        {
            t("side"): side,
            t("restorations"): reading["restorations"][at],
            t("returns"): reading["returns"][at],
            t("expected if it does nothing"): words.figure(reading["expected"][at]),
        }
        for at, side in enumerate(sides)
    ]
    frame.table(rows, whole=True)
    cautions = flow.kept_trial(one).cautions
    frame.how_sure(
        [
            t(
                "Restorations count where the calendar has them, not where the action was used: forgotten weeks make "
                "the difference smaller, never larger."
            ),
            *(said(line) for line in cautions),
        ]
    )
    downloads.offer_csv(rows, name=f"trial_reading_{one.plan_id}")
    downloads.offer_json(lambda: dict(reading), name=f"trial_reading_{one.plan_id}")


def _estimate(stored: dict[str, float | None]) -> Estimate:
    """As it was kept; an open end is null there."""
    ends = {"estimate": float("nan"), "low": 0.0, "high": float("inf")}
    return Estimate(**{name: ends[name] if value is None else value for name, value in stored.items()})


def _propose(plan: TrialPlan, one: KeptPlan) -> None:
    """From the trial to a decision: an action of the lab's list that corrects its requirement."""
    under_way = {decision.action for decision in state.decisions() if decision.status in OPEN}
    fitting = [action for action in load_actions(state.store()) if plan.factor in action.corrects]
    open_to = [action for action in fitting if action.action not in under_way]
    for action in open_to:
        st.button(
            t("Propose “{title}” for decision", title=words.plain(action.title)),
            key=f"propose_{one.plan_id}_{action.action}",
            on_click=_proposed,
            args=(action.action, plan, one),
        )
    if fitting and not open_to:
        st.caption(t("An action against misses of {factor} is under way: see “Decided”.", factor=plan.factor))


def _proposed(action: str, plan: TrialPlan, one: KeptPlan) -> None:
    def write(who: str) -> str:
        read = (one.reading or {}).get("sentence", "")
        note = t("Trial {number}, “{title}”. {read}", number=one.plan_id, title=one.title, read=read)
        made = propose(state.store(), action=action, who=who, note=note.strip())
        show_next(made, backed=plan.defects)
        return t(
            "Proposed: {title}, number {number}. It is to be decided next.",
            title=words.plain(made.title),
            number=made.decision_id,
        )

    saved(write, part=DECIDED)


def _give_up(one: KeptPlan) -> None:
    with (
        st.expander(t("Give the trial up"), key=f"give_up_box_{one.plan_id}"),
        st.form(f"give_up_{one.plan_id}", border=False, enter_to_submit=False),
    ):
        st.text_input(t("Why the trial is given up"), key=f"give_up_why_{one.plan_id}")
        st.form_submit_button(t("Give it up"), key=f"save_give_up_{one.plan_id}", on_click=_given_up, args=(one,))


def _given_up(one: KeptPlan) -> None:
    def write(who: str) -> str:
        why = st.session_state[f"give_up_why_{one.plan_id}"]
        try:
            give_up(state.store(), one.plan_id, why=why, who=who, version=one.version)
        except TrialPlanChangedError as error:
            if not why.strip():
                raise
            # The form is not shown any more, and with it the reason would be gone.
            typed = t("{field}: {value}", field=t("Why the trial is given up"), value=why)
            told = t("{refusal} You had typed: {typed}.", refusal=error.args[0], typed=typed)
            raise EntryError(told) from error
        return t("Given up: {title}. It is kept, with the reason.", title=words.plain(one.title))

    saved(write)

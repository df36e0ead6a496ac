"""The list of corrective actions: what each corrects and costs; added, changed, ended."""

from __future__ import annotations

from dataclasses import asdict
from typing import Final

import streamlit as st

from remakes import words
from remakes.records.corrective_actions import CorrectiveAction, Costs
from remakes.records.cost_edits import add_action, change_action, end_action, ended_actions, take_up_again
from remakes.records.standard import load_standard
from remakes.texts import t
from remakes.views import fields, frame, state
from remakes.views.setup_parts.forms import Opened, clash, open_form, save

__all__ = ["show"]

#: What most actions remove of the misses they are made for, in per cent, where nobody has said otherwise.
_USUAL_SHARE: Final = 80.0


def show(actions: tuple[CorrectiveAction, ...], costs: Costs) -> None:
    """The list, one to change, a new one, those that were ended."""
    if actions:
        frame.table([_row(one, costs) for one in actions], whole=True)
        _change(actions)
    else:
        st.info(t("The list is empty. Add what you could change at the bench: a timer, a gauge, a checklist."))
    with st.expander(t("Add a corrective action"), expanded=not actions):
        _add()
    _ended()


def _row(one: CorrectiveAction, costs: Costs) -> dict[str, object]:
    return {
        t("action"): one.action,
        t("what"): one.title,
        t("corrects"): ", ".join(
            f"{factor} {words.per_cent(share, digits=0)}" for factor, share in one.corrects.items()
        ),
        t("once, {currency}", currency=costs.currency): one.cost_once,
        t("a restoration, {currency}", currency=costs.currency): one.cost_per_restoration,
        t("minutes a restoration"): one.minutes_per_restoration,
    }


def _change(actions: tuple[CorrectiveAction, ...]) -> None:
    by_name = {one.action: one for one in actions}
    picked = st.selectbox(
        t("Action to change"),
        list(by_name),
        index=None,
        placeholder=t("choose one"),
        format_func=lambda name: f"{name}: {by_name[name].title}" if name in by_name else str(name),
        key="action_picked",
    )
    if picked not in by_name:
        return
    now = by_name[picked]
    opened: Opened[CorrectiveAction] = open_form(f"action_{picked}", now, probe="title")
    clash(opened, now, asdict, tables=("actions",), key=picked)
    new = _fields(opened.suffix, opened.content, name=picked)
    st.caption(
        t(
            "Another share moves the returns it avoids, net and rank; an amount or minutes move cost, net, pays in and "
            "rank; the words move nothing."
        )
    )
    if st.button(t("Save the action"), type="primary", key=f"save_{opened.suffix}", disabled=new is None) and new:

        def work(who: str) -> str:
            change_action(state.store(), opened.content, new, who=who)
            return t("Saved: {name}.", name=words.plain(picked))

        save(opened, work)
    left, right = st.columns([3, 1], vertical_alignment="bottom")
    why = left.text_input(t("Why it leaves the list"), key=f"why_{opened.suffix}")
    if right.button(t("End the action"), key=f"end_{opened.suffix}", width="stretch"):

        def leave(who: str) -> str:
            end_action(state.store(), opened.content, who=who, why=why)
            return t("{name} has left the list. It is kept below, with the reason.", name=words.plain(picked))

        save(opened, leave)


def _add() -> None:
    opened = open_form("action_new", "", probe="name")
    suffix = opened.suffix
    name = st.text_input(
        t("Short name of the action"), placeholder=t("letters and figures, such as bond_timer"), key=f"name_{suffix}"
    ).strip()
    new = _fields(suffix, None, name=name)
    if st.button(t("Add the action"), key=f"save_{suffix}", disabled=new is None) and new:

        def work(who: str) -> str:
            add_action(state.store(), new, who=who)
            return t("Added: {name}. It is ranked from now on.", name=words.plain(name))

        save(opened, work)


def _fields(suffix: str, start: CorrectiveAction | None, *, name: str) -> CorrectiveAction | None:
    """None while something is missing."""
    title = st.text_input(t("What is done"), value=start.title if start else "", key=f"title_{suffix}").strip()
    corrects = _corrects(suffix, start)
    left, middle, right = st.columns(3)
    amounts = [
        fields.number_field(label, key=f"{key}_{suffix}", value=value, low=0, place=place)
        for label, key, value, place in (
            (t("Cost once"), "once", start.cost_once if start else 0.0, left),
            (t("Cost a restoration"), "each", start.cost_per_restoration if start else 0.0, middle),
            (t("Minutes a restoration"), "minutes", start.minutes_per_restoration if start else 0.0, right),
        )
    ]
    once, each, minutes = amounts
    if not (name and corrects) or once is None or each is None or minutes is None:
        return None
    return CorrectiveAction(
        action=name,
        title=title or name,
        corrects=corrects,
        cost_once=once,
        cost_per_restoration=each,
        minutes_per_restoration=minutes,
    )


def _corrects(suffix: str, start: CorrectiveAction | None) -> dict[str, float]:
    """Requirements, each with the share of its misses that the action removes; empty while one is missing."""
    held = dict(start.corrects) if start else {}
    known = load_standard(state.store()).factors
    chosen = st.multiselect(
        t("Requirements whose misses it removes"),
        list(dict.fromkeys([*known, *held])),
        default=list(held),
        placeholder=t("choose"),
        key=f"factors_{suffix}",
    )
    places = st.columns(3)
    found: dict[str, float] = {}
    for n, factor in enumerate(chosen):
        share = fields.number_field(
            t("Misses of {factor} removed, %", factor=factor),
            key=f"share_{factor}_{suffix}",
            value=_in_per_cent(held.get(factor)),
            low=0.1,
            high=100,
            place=places[n % len(places)],
        )
        if share is None:
            return {}
        found[factor] = round(share / 100, 6)
    return found


def _in_per_cent(share: float | None) -> float:
    return _USUAL_SHARE if share is None else round(share * 100, 4)


def _ended() -> None:
    ended = ended_actions(state.store())
    if not ended:
        return
    with st.expander(t("Actions that have left the list")):
        frame.table(
            [
                {
                    t("action"): one.action.action,
                    t("what"): one.action.title,
                    t("ended"): words.clock(one.at),
                    t("by"): words.who(one.who),
                    t("because"): one.why,
                }
                for one in ended
            ],
            whole=True,
        )
        opened = open_form("action_again", "", probe="again")
        left, right = st.columns([3, 1], vertical_alignment="bottom")
        name = left.selectbox(
            t("Action to take up again"),
            [one.action.action for one in ended],
            index=None,
            placeholder=t("choose one"),
            key=f"again_{opened.suffix}",
        )
        if right.button(t("Take it up again"), key=f"save_{opened.suffix}", width="stretch") and name:

            def work(who: str) -> str:
                take_up_again(state.store(), name, who=who)
                return t("{name} is in the list again.", name=words.plain(name))

            save(opened, work)

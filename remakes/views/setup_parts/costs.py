"""What a minute and a return cost, and the list of corrective actions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Final

import streamlit as st

from remakes import words
from remakes.records.codes import DEFECTS
from remakes.records.corrective_actions import CorrectiveAction, Costs, load_actions, load_costs
from remakes.records.cost_edits import actions_as_toml, change_costs, changed_amounts
from remakes.texts import later, run_on, t, tn
from remakes.views import fields, frame, state
from remakes.views.setup_parts import action_forms
from remakes.views.setup_parts.forms import Opened, clash, open_form, save, tell_saved

__all__ = ["show"]

#: What a change of each rate moves on the page of actions.
_MOVES: Final[Mapping[str, str]] = {
    "per_minute": later(
        "The cost a month of every action that takes minutes moves, and with it net, pays in and rank."
    ),
    "per_return": later("What an avoided return is worth moves, and with it net a month, pays in and rank."),
    "default_per_return": later(
        "What an avoided return is worth moves for the defects without an amount of their own, and with it net a "
        "month, pays in and rank."
    ),
    "currency": later("Only the name of the currency moves; amounts are not converted."),
}


def show() -> None:
    """Rates, actions, the file."""
    state.require("manager")
    costs, actions = load_costs(state.store()), load_actions(state.store())
    frame.answer(_answer(costs, actions))
    tell_saved()
    st.markdown(
        t(
            "Costs rank what to change first; they never change how clearly a step goes with a defect. Your own "
            "figures, without tax and without names of customers."
        )
    )
    _rates(costs)
    st.subheader(t("Corrective actions"))
    action_forms.show(actions, costs)
    st.download_button(
        t("Download as actions.toml"),
        data=lambda: actions_as_toml(actions, costs).encode(),
        file_name="actions.toml",
        mime="application/toml",
        key="actions_toml",
        on_click="ignore",
    )
    frame.how_sure(
        (
            t(
                "What an action corrects is your estimate. Try another one under What is it worth before you "
                "save it here."
            ),
            t("The number of returns that an action avoids rests on the records, never on the costs."),
            t("Decisions keep what was decided: a change here does not touch them."),
        )
    )


def _answer(costs: Costs, actions: tuple[CorrectiveAction, ...]) -> str:
    listed = tn(len(actions), "One corrective action is in the list.", "{n} corrective actions are in the list.")
    if costs == Costs():
        return run_on(listed, t("No costs are stated yet, so actions cannot be ranked by what they save."))
    rates = t(
        "A minute costs {minute:.2f} {currency}, a return {default:,.0f} {currency} unless stated by defect.",
        minute=costs.per_minute,
        default=costs.default_per_return,
        currency=costs.currency,
    )
    return run_on(listed, rates)


def _rates(now: Costs) -> None:
    st.subheader(t("Costs"))
    opened: Opened[Costs] = open_form("costs", now, probe="currency")
    clash(opened, now, asdict, tables=("settings", "actions"), key="costs")
    held, suffix = opened.content, opened.suffix
    left, middle, right = st.columns(3)
    currency = left.text_input(t("Currency"), value=held.currency, max_chars=8, key=f"currency_{suffix}").strip()
    minute = fields.number_field(
        t("One minute of work"), key=f"minute_{suffix}", value=held.per_minute, low=0, place=middle
    )
    default = fields.number_field(
        t("One return, where not stated by defect"),
        key=f"default_{suffix}",
        value=held.default_per_return,
        low=0,
        place=right,
    )
    with st.expander(t("One return, by defect"), expanded=bool(held.per_return)):
        st.caption(t("All in: work, material, courier both ways, what is let off the bill. Blank: the amount above."))
        by_defect = _by_defect(held, suffix)
    new = Costs(per_minute=minute or 0.0, per_return=by_defect, default_per_return=default or 0.0, currency=currency)
    moved = changed_amounts(held, new)
    if moved:
        st.info("  \n".join(t(_MOVES[name]) for name in moved))
    if st.button(t("Save costs"), type="primary", key=f"save_{suffix}", disabled=minute is None or default is None):

        def work(who: str) -> str:
            change_costs(state.store(), held, new, who=who)
            return t("The costs are saved. The ranking on What to try next is being worked out anew.")

        save(opened, work)


def _by_defect(held: Costs, suffix: str) -> dict[str, float]:
    found = {}
    places = st.columns(3)
    for n, defect in enumerate(DEFECTS):
        amount = fields.number_field(
            words.defect(defect),
            key=f"return_{defect}_{suffix}",
            value=held.per_return.get(defect),
            low=0,
            place=places[n % len(places)],
        )
        if amount is not None:
            found[defect] = amount
    return found

"""What if it were kept up less well, cost more, or counted over longer? The questions, not their answers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import streamlit as st

from remakes import flow, words
from remakes.texts import Said, t, tn

__all__ = ["WhatIf", "ask", "tell"]

_KEPT_UP, _RETURN, _COSTS, _HORIZON, _EACH = (
    "what_if_kept_up",
    "what_if_return",
    "what_if_costs",
    "what_if_horizon",
    "what_if_each_",
)
_RESET: Final = "what_if_reset"
#: What was asked last; it stays asked while other pages are looked at.
_ASKED: Final = "asked_of_what_if"
_USUAL_OF: Final = "usual_of_what_if"
#: Steps of the slider of money.
_STEP: Final = 5
_LONGEST: Final = 36


@dataclass(frozen=True, slots=True, kw_only=True)
class WhatIf:
    """What is asked; None or 1 where it is as the lab has it.

    Attributes
    ----------
    kept_up : mapping of action to share
    cost_of_return : float or None
    cost_of_action : float
    horizon : int
    usual_horizon : int
    """

    kept_up: Mapping[str, float]
    cost_of_return: float | None
    cost_of_action: float
    horizon: int
    usual_horizon: int

    @property
    def differs(self) -> bool:
        """Is anything asked that is not as the lab has it?"""
        return (
            any(share < 1.0 for share in self.kept_up.values())
            or self.cost_of_return is not None
            or self.cost_of_action != 1.0
            or self.horizon != self.usual_horizon
        )

    def as_arguments(self) -> dict[str, Any]:
        """For `flow.Choices.ranked`."""
        return {
            "kept_up": self.kept_up,
            "cost_of_return": self.cost_of_return,
            "cost_of_action": self.cost_of_action,
            "horizon": self.horizon,
        }


def ask(choices: flow.Choices) -> WhatIf:
    """The sliders; nothing is worked out here.

    Parameters
    ----------
    choices : flow.Choices
    """
    usual = _usual(choices)
    if st.session_state.get(_USUAL_OF) != usual:
        # First looked at, or the lab's own figures have changed: what was asked against the former ones is void.
        _set({**usual, _USUAL_OF: usual})
    elif not usual.keys() <= st.session_state.keys():
        # A slider that another page or part did not show is forgotten by the toolkit.
        _set({**usual, **st.session_state[_ASKED]})
    names = {one.action: one.title for one in choices.actions}
    with st.expander(t("What if?"), expanded=any(st.session_state[key] != value for key, value in usual.items())):
        _sliders(choices, list(names))
        with st.expander(t("Kept up, action by action")):
            for action, title in names.items():
                st.slider(words.plain(title), 0, 100, step=5, format="%d %%", key=_EACH + action)
        st.button(t("Back to the lab's own figures"), key=_RESET, on_click=_set, args=(usual,))
    st.session_state[_ASKED] = {key: st.session_state[key] for key in usual}
    money = st.session_state[_RETURN]
    return WhatIf(
        kept_up={action: st.session_state[_EACH + action] / 100 for action in names},
        cost_of_return=None if money == usual[_RETURN] else float(money),
        cost_of_action=float(st.session_state[_COSTS]),
        horizon=int(st.session_state[_HORIZON]),
        usual_horizon=choices.prepared.horizon,
    )


def _usual(choices: flow.Choices) -> dict[str, Any]:
    return {
        _KEPT_UP: 100,
        _RETURN: round(choices.cost_of_return / _STEP) * _STEP,
        _COSTS: 1.0,
        _HORIZON: choices.prepared.horizon,
        **{_EACH + one.action: 100 for one in choices.actions},
    }


def _sliders(choices: flow.Choices, actions: list[str]) -> None:
    currency = words.plain(choices.costs.currency)
    most = max(500, 4 * round(choices.cost_of_return / _STEP) * _STEP)
    left, right = st.columns(2)
    left.slider(
        t("Kept up at the bench, all actions"),
        *(0, 100),
        step=5,
        format="%d %%",
        key=_KEPT_UP,
        on_change=_set_each,
        args=(actions,),
        help=t("Share of what each action corrects that is really done. It moves the actions' own sliders, too."),
    )
    right.slider(
        t("Average cost of a return, {currency}", currency=currency) if currency else t("Average cost of a return"),
        *(0, most),
        step=_STEP,
        key=_RETURN,
        help=t("The lab's own costs by defect are scaled to this average."),
    )
    left.slider(t("Cost of the actions, times"), 0.0, 3.0, step=0.1, format="%.1f", key=_COSTS)
    right.slider(
        t("Months of service that count"),
        *(3, max(_LONGEST, choices.prepared.horizon)),
        key=_HORIZON,
        help=t("Returns within so many months after delivery; one-off costs are spread over them."),
    )


def _set(values: Mapping[str, Any]) -> None:
    for key, value in values.items():
        st.session_state[key] = value


def _set_each(actions: list[str]) -> None:
    _set({_EACH + action: st.session_state[_KEPT_UP] for action in actions})


def tell(asked: WhatIf, currency: str) -> None:
    """Whether the figures are the lab's own, or what differs."""
    if not asked.differs:
        st.caption(t("The lab's own figures: every action kept up as its entry says, at the lab's own costs."))
        return
    differences = words.listed(_differences(asked, currency))
    st.info(t("What if, not the lab's own figures: {differences}.", differences=words.plain(differences)))


def _differences(asked: WhatIf, currency: str) -> list[Said]:
    """What is asked otherwise than the lab has it, each as a part of a sentence."""
    differences = []
    shares = sorted(set(asked.kept_up.values()))
    if shares and shares[0] < 1.0:
        differences.append(_kept_up_at(shares[0], shares[-1]))
    if asked.cost_of_return is not None:
        money = asked.cost_of_return
        differences.append(
            t("a return costs {money:,.0f} {currency} on average", money=money, currency=currency)
            if currency
            else t("a return costs {money:,.0f} on average", money=money)
        )
    if asked.cost_of_action != 1.0:
        differences.append(t("the actions cost {times:g} times their entries", times=asked.cost_of_action))
    if asked.horizon != asked.usual_horizon:
        differences.append(tn(asked.horizon, "{n} month of service counts", "{n} months of service count"))
    return differences


def _kept_up_at(least: float, most: float) -> Said:
    least_said, most_said = words.per_cent(least, digits=0), words.per_cent(most, digits=0)
    if least == most:
        return t("actions kept up at {share} of what their entries say", share=least_said)
    return t("actions kept up at {least} to {most} of what their entries say", least=least_said, most=most_said)

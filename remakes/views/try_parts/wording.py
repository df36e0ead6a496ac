"""Words, buttons and reminders that several parts of What to try next share."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from datetime import date
from typing import TYPE_CHECKING, Final, Literal, TypeVar

import streamlit as st

from remakes import words
from remakes.errors import RemakesError
from remakes.records.requirements import ProcessStandard
from remakes.texts import later, t, tn
from remakes.views import cautions, state

if TYPE_CHECKING:
    from remakes.records.decisions import Decision, JudgingRule

__all__ = [
    "DECIDED",
    "FOLLOWED",
    "LIMITS",
    "PART",
    "TRIAL",
    "WORTH",
    "defects_named",
    "heading",
    "in_place",
    "instruction_first",
    "rule_said",
    "said",
    "saved",
    "show_for_factors",
    "tell_saved",
]

#: The part that is looked at; stands in the address.
PART: Final = "part"
WORTH, DECIDED, FOLLOWED, TRIAL, LIMITS = (
    later("What is it worth"),
    later("Decided"),
    later("Did it work?"),
    later("Plan a trial"),
    later("Where should the limit be?"),
)

#: Codes that are shown as words: states of a decision, verdicts, how the bench keeps to it, where a limit stands.
_CODES: Final = (
    later("proposed"),
    later("decided"),
    later("running"),
    later("judged"),
    later("withdrawn"),
    later("verified"),
    later("on the way"),
    later("no effect"),
    later("too early"),
    later("fell"),
    later("did not fall"),
    later("cannot tell"),
    later("present"),
    later("tighter"),
    later("laxer"),
)

Result = TypeVar("Result")

_TOLD: Final = "try_next_told"
_DAY: Final = re.compile(r"(?<![\w-])(\d{4}-\d{2}-\d{2})(?![\w-])", re.ASCII)


def instruction_first() -> None:
    """The safety reminder of this page, under every answer."""
    st.warning(
        t(
            "An estimate from records, on the assumption that the link is real. The material's "
            "instructions and licensed practice come first: no action may go against them."
        )
    )


def show_for_factors(standard: ProcessStandard, factors: Iterable[str]) -> None:
    """The usual cautions beside the steps that these requirements belong to."""
    known = standard.factors
    cautions.show_for_steps(standard.step_of(factor) for factor in dict.fromkeys(factors) if factor in known)


def said(sentence: str, standard: ProcessStandard | None = None) -> str:
    """A sentence of an analysis for a place that reads Markdown, days and months spelled out.

    With a standard, requirements that it names by their codes get their own words before these.
    """
    told = sentence if standard is None else words.with_words(sentence, standard)
    return words.plain(_DAY.sub(lambda found: _spelled_day(found[0]), words.spelled(t(told))))


def _spelled_day(iso: str) -> str:
    try:
        return words.day(date.fromisoformat(iso))
    except ValueError:
        return iso


def heading(decision: Decision) -> str:
    """A decision in a list to choose from: `3: Timer at the bonding bench`."""
    return f"{decision.decision_id}: {decision.title}"


def defects_named(defects: Iterable[str], *, joint: Literal["and", "or"] = "or") -> str:
    """Defects within a sentence: `chipping or debonding`."""
    return words.listed((words.defect_within(one) for one in defects), joint=joint)


def rule_said(rule: JudgingRule, standard: ProcessStandard) -> str:
    """By what an action is judged, in a sentence."""
    return tn(
        rule.months,
        "Misses of {factors} are to fall by {misses_by} or more, returns with {defects} by {returns_by} to be worth "
        "having; looked at for {n:,} month at most. Of actions that do nothing, at most {error} would be called "
        "verified.",
        "Misses of {factors} are to fall by {misses_by} or more, returns with {defects} by {returns_by} to be worth "
        "having; looked at for {n:,} months at most. Of actions that do nothing, at most {error} would be called "
        "verified.",
        factors=words.listed(words.named(standard, factor) for factor in rule.factors),
        misses_by=_whole(rule.miss_share_down_by),
        defects=defects_named(rule.defects),
        returns_by=_whole(rule.returns_down_by),
        error=_whole(rule.error),
    )


def _whole(share: float) -> str:
    return words.per_cent(share, digits=0)


def saved(work: Callable[[str], str], *, part: str = "") -> None:
    """Write something as the visitor, once the button is pressed, and keep what came of it to be told.

    Parameters
    ----------
    work : callable
        Told who writes; gives the sentence to be told.
    part : str
        The part to show afterwards; blank: the same.
    """
    try:
        visitor = state.require("manager")
        st.session_state[_TOLD] = (True, work(visitor.who))
    except RemakesError as error:
        # Said when it is shown: a press is carried out before the page knows which language its reader reads.
        st.session_state[_TOLD] = (False, error)
        return
    if part:
        st.session_state[PART] = part


def tell_saved() -> None:
    """What became of the last press of a button, once."""
    # Always there, as in `in_place`.
    place = st.container()
    told = st.session_state.pop(_TOLD, None)
    if told is not None:
        good, sentence = told
        if good:
            place.success(t(sentence))
        else:
            place.error(words.refusal(sentence))


def in_place(work: Callable[[], Result]) -> Result:
    """What takes long, in a place of its own, so that its progress moves nothing when it is gone.

    What follows would be drawn anew at the first touch, and a slider lose the focus of whoever moves it by keys.
    """
    with st.container():
        return work()

"""Words and rows that several parts of Month in review share."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from math import isfinite
from typing import Final

import streamlit as st

from remakes import words
from remakes.views import frame

__all__ = ["about", "answer", "from_to", "meanings", "months_named", "number", "signal_words"]

#: Where one sentence ends and the next begins.
_NEXT: Final = re.compile(r"(?<=[.!?])\s+(?=[A-Z0-9“])")
#: What a signal tells a reader who knows no control charts.
_MEANINGS: Final = {
    "above the limit": "more in one month than common variation lets expect",
    "below the limit": "fewer in one month than common variation lets expect",
    "twice near the upper limit": "twice within a few months close to the upper limit, which chance seldom makes",
    "twice near the lower limit": "twice within a few months close to the lower limit, which chance seldom makes",
    "slow rise": "month by month a little more than expected, which adds up to more than chance gives",
    "slow fall": "month by month a little less than expected, which adds up to more than chance gives",
}


def answer(sentence: str, missing: str = "") -> None:
    """A result's own words: the first sentence answers, the others stand below; then what is missing, if not told."""
    first, *others = _NEXT.split((sentence or missing).strip(), maxsplit=1)
    frame.answer(words.said(first))
    if others:
        st.markdown(words.said(others[0]))
    if missing and missing.strip() not in (sentence or missing):
        st.info(words.said(missing))


def about(defect: str) -> str:
    """A defect within a sentence: `returns with chipping`; all defects: `returns`."""
    return "returns" if defect == "all" else f"returns with {words.defect(defect).lower()}"


def from_to(low: float, high: float, *, digits: int = 0) -> str:
    """Limits as `7 to 22`; blank where there are none."""
    if not (isfinite(low) and isfinite(high)):
        return ""
    return f"{words.figure(low, digits=digits)} to {words.figure(high, digits=digits)}"


def number(value: float, *, digits: int) -> float | None:
    """A figure for a table or a file; empty where there is none."""
    return round(float(value), digits) if isfinite(value) else None


def signal_words(signals: Sequence[str], *, complete: bool, judged: bool) -> str:
    """How a month stands: its signals, or why it has none."""
    if not complete:
        return "still coming in"
    if not judged:
        return "not judged"
    return ", ".join(signals) or "within the limits"


def meanings(signals: Iterable[str]) -> list[str]:
    """A line for each signal that is shown and has a meaning to tell."""
    return [f"“{one}”: {_MEANINGS[one]}." for one in dict.fromkeys(signals) if one in _MEANINGS]


def months_named(months: Sequence[str]) -> str:
    """Months that follow each other: `July 2026 to September 2026`."""
    if not months:
        return "no month"
    first, last = words.month(months[0]), words.month(months[-1])
    return first if first == last else f"{first} to {last}"

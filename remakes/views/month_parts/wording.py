"""Words and rows that several parts of Month in review share."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from math import isfinite
from typing import Final

import streamlit as st

from remakes import words
from remakes.texts import Said, in_english, later, t
from remakes.views import frame

__all__ = ["about", "answer", "from_to", "meanings", "months_named", "number", "signal_words", "signals_named"]

#: Where one sentence ends and the next begins.
_NEXT: Final = re.compile(r"(?<=[.!?])\s+(?=[A-ZÄÖÜ0-9“„])")
#: What a signal tells a reader who knows no control charts.
_MEANINGS: Final[dict[str, str]] = {
    later("above the limit"): later("more in one month than common variation lets expect"),
    later("below the limit"): later("fewer in one month than common variation lets expect"),
    later("twice near the upper limit"): later(
        "twice within a few months close to the upper limit, which chance seldom makes"
    ),
    later("twice near the lower limit"): later(
        "twice within a few months close to the lower limit, which chance seldom makes"
    ),
    later("slow rise"): later("month by month a little more than expected, which adds up to more than chance gives"),
    later("slow fall"): later("month by month a little less than expected, which adds up to more than chance gives"),
}


def answer(sentence: str, missing: str = "") -> None:
    """A result's own words: the first sentence answers, the others stand below; then what is missing, if not told."""
    sentence, missing = t(sentence), t(missing)
    first, *others = _NEXT.split((sentence or missing).strip(), maxsplit=1)
    frame.answer(words.said(first))
    if others:
        st.markdown(words.said(others[0]))
    if missing and missing.strip() not in (sentence or missing):
        st.info(words.said(missing))


def about(defect: str) -> Said:
    """A defect within a sentence: `returns with chipping`; all defects: `returns`."""
    return t("returns") if defect == "all" else t("returns with {defect}", defect=words.defect_within(defect))


def from_to(low: float, high: float, *, digits: int = 0) -> str:
    """Limits as `7 to 22`; blank where there are none."""
    if not (isfinite(low) and isfinite(high)):
        return ""
    return t("{low} to {high}", low=words.figure(low, digits=digits), high=words.figure(high, digits=digits))


def number(value: float, *, digits: int) -> float | None:
    """A figure for a table or a file; empty where there is none."""
    return round(float(value), digits) if isfinite(value) else None


def signal_words(signals: Sequence[str], *, complete: bool, judged: bool) -> str:
    """How a month stands: its signals, or why it has none."""
    if not complete:
        return t("still coming in")
    if not judged:
        return t("not judged")
    return signals_named(signals) or t("within the limits")


def signals_named(signals: Iterable[str]) -> str:
    """Signals one after the other."""
    return ", ".join(t(one) for one in signals)


def meanings(signals: Iterable[str]) -> list[str]:
    """A line for each signal that is shown and has a meaning to tell."""
    return [
        t("“{name}”: {said}.", name=t(one), said=_MEANINGS[key])
        for one in dict.fromkeys(signals)
        if (key := in_english(one)) in _MEANINGS
    ]


def months_named(months: Sequence[str]) -> str:
    """Months that follow each other: `July 2026 to September 2026`."""
    if not months:
        return t("no month")
    first, last = words.month(months[0]), words.month(months[-1])
    return first if first == last else t("{first} to {last}", first=first, last=last)

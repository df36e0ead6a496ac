"""Figures and codes in plain words, the same on every page."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date, timedelta
from math import isfinite

from remakes.evidence.estimate import Estimate
from remakes.records.codes import DEFECTS
from remakes.records.requirements import ProcessStandard

__all__ = [
    "GRADES",
    "NOT_ESTIMABLE",
    "STATUS",
    "age",
    "chance",
    "counted",
    "day",
    "defect",
    "figure",
    "interval",
    "listed",
    "month",
    "per_cent",
    "plain",
    "refusal",
    "requirement",
    "said",
    "share",
    "spelled",
    "times",
    "unfinished",
]

NOT_ESTIMABLE = "cannot be estimated"

#: A grade and what it tells a reader who knows no statistics.
GRADES = {
    "strong": "seen clearly, and the step can plausibly do it",
    "moderate": "seen, with less certainty",
    "weak": "a hint, to be watched",
    "none": "a large difference would have shown, and did not",
    "cannot tell": "too few returns to say yes or no",
}

#: How a restoration stood to a requirement, as the pages say it.
STATUS = {"missed": "missed", "met": "kept", "not recorded": "not recorded", "does not apply": "does not apply"}

_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
_MONTH_CODE = re.compile(r"(?<![\w-])\d{4}-(0[1-9]|1[0-2])(?![\w-])", re.ASCII)
_MARKS = re.compile(r"([\\`*_{}\[\]<>()#+\-!|~$:])")


def plain(text: str) -> str:
    """Text of the records made safe for a place that reads Markdown: it comes out as it was written."""
    return _MARKS.sub(r"\\\1", text.replace("\n", " "))


def refusal(error: object) -> str:
    """An error's own words, line by line, made safe for a place that reads Markdown.

    They may quote what a visitor typed or a file held: an image's address in there must not be fetched.
    """
    return "  \n".join(plain(line) for line in str(error).splitlines())


def figure(value: float, *, digits: int = 1) -> str:
    """One number, or words where there is none."""
    return f"{value:,.{digits}f}" if isfinite(value) else NOT_ESTIMABLE


def interval(value: Estimate, *, digits: int = 1) -> str:
    """An estimate with its range, `6.1 (4.0 to 9.3)`; an open end in words."""
    if not isfinite(value.estimate):
        return NOT_ESTIMABLE
    low = figure(value.low, digits=digits) if isfinite(value.low) else "no lower limit"
    high = figure(value.high, digits=digits) if isfinite(value.high) else "no upper limit"
    return f"{figure(value.estimate, digits=digits)} ({low} to {high})"


def per_cent(value: float, *, digits: int = 1) -> str:
    """A fraction as a percentage."""
    return f"{value:.{digits}%}".replace("%", " %") if isfinite(value) else NOT_ESTIMABLE


def share(value: Estimate) -> str:
    """A share with its range, in per cent."""
    if not isfinite(value.estimate):
        return NOT_ESTIMABLE
    if not (isfinite(value.low) and isfinite(value.high)):
        return per_cent(value.estimate)
    return f"{per_cent(value.estimate)} ({per_cent(value.low)} to {per_cent(value.high)})"


def chance(probability: float) -> str:
    """A probability, never written as certainty."""
    if not isfinite(probability):
        return NOT_ESTIMABLE
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else f"{probability:.0%}".replace("%", " %")


def defect(code: str) -> str:
    """A defect's short name: `Show-through`; `all` becomes `All defects`."""
    return "All defects" if code == "all" else DEFECTS.get(code, code).split(":")[0]


def requirement(standard: ProcessStandard, factor: str) -> str:
    """What the newest requirement of a factor says, in the standard's own words where it has any."""
    newest = max(standard.requirements_of(factor), key=lambda one: one.valid_from)
    unit = f" {newest.unit}" if newest.unit and newest.rule.numeric else ""
    return newest.says or f"{newest.reading}: {newest.rule}{unit}"


def day(when: date) -> str:
    """A day: `31 October 2026`."""
    return f"{when.day} {_MONTHS[when.month - 1]} {when.year}"


def month(code: str) -> str:
    """A month: `2026-10` becomes `October 2026`."""
    year, number = code.split("-")
    return f"{_MONTHS[int(number) - 1]} {year}"


def spelled(sentence: str) -> str:
    """A sentence of an analysis with its months as a reader says them: `2026-10` becomes `October 2026`."""
    return _MONTH_CODE.sub(lambda found: month(found[0]), sentence)


def said(sentence: str) -> str:
    """A sentence of an analysis for a place that reads Markdown, months spelled out."""
    return plain(spelled(sentence))


def unfinished(code: str, until: date) -> bool:
    """Is a month still running on a day?"""
    return until.strftime("%Y-%m") == code and (until + timedelta(days=1)).month == until.month


def age(when: date, today: date) -> str:
    """How long ago a day is: `25 days ago`."""
    days = (today - when).days
    if days < 0:
        return "ahead of today"
    return {0: "today", 1: "yesterday"}.get(days, f"{days} days ago")


def counted(number: int, one: str, many: str = "") -> str:
    """A number with its noun: `1 return`, `2 returns`."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def times(ratio: float) -> str:
    """A ratio as it is said: `about 4 times as often`; halves below 3, whole numbers above."""
    if not (isfinite(ratio) and ratio > 0):
        return ""
    if ratio < 1:
        return "less often"
    rounded = round(ratio, 1) if ratio < 3 else round(ratio)
    return f"about {rounded:g} times as often" if rounded > 1 else "about as often"


def listed(items: Iterable[str], *, joint: str = "and") -> str:
    """Items in a sentence: `a, b and c`."""
    *most, last = [*items] or [""]
    return f"{', '.join(most)} {joint} {last}" if most else last

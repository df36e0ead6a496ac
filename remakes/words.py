"""Figures and codes in plain words, the same on every page."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from datetime import date, datetime, timedelta
from math import isfinite
from typing import Final, Literal

from remakes.errors import ProcessStandardError
from remakes.evidence.estimate import Estimate
from remakes.records.bench.moments import on_the_clock
from remakes.records.codes import DEFECTS
from remakes.records.requirements import ProcessStandard
from remakes.texts import Said, anew, language, later, t, tn
from remakes.texts.joining import either, in_a_row

__all__ = [
    "A_RETURN",
    "COUNTED_AS_FIRST",
    "FIRST_RETURNS",
    "GRADES",
    "NOT_ESTIMABLE",
    "STATUS",
    "age",
    "chance",
    "clock",
    "code",
    "counted",
    "day",
    "defect",
    "defect_within",
    "false_alarms",
    "figure",
    "interval",
    "listed",
    "month",
    "named",
    "part_of",
    "per_cent",
    "per_cent_closely",
    "plain",
    "refusal",
    "requirement",
    "said",
    "share",
    "short",
    "spelled",
    "times",
    "unfinished",
    "who",
    "with_words",
]

NOT_ESTIMABLE: Final = later("cannot be estimated")

#: What statistics count, said once where it is first met on a page.
FIRST_RETURNS: Final = later(
    "First return: the first time a restoration came back with a defect. If it comes back again with the same defect, "
    "that is one more return, but no further first return."
)
#: What the lists hold, said once where they are counted.
A_RETURN: Final = later(
    "A return: one restoration that came back on one occasion; one with two defects counts for each. The figures rest "
    "on first returns: the first time a restoration came back with a defect."
)
#: First returns, for a page that says “returns” for short.
COUNTED_AS_FIRST: Final = later(
    "Returns counted here are first returns: the first time a restoration came back with a defect. A later return of "
    "it with the same defect is not counted again."
)

#: A grade and what it tells a reader who knows no statistics.
GRADES: Final = {
    later("strong"): later("seen clearly, and the step can plausibly do it"),
    later("moderate"): later("seen, with less certainty"),
    later("weak"): later("a hint, to be watched"),
    later("none"): later("a large difference would have shown, and did not"),
    later("cannot tell"): later("too few returns to say yes or no"),
}

#: How a restoration stood to a requirement, as the pages say it.
STATUS: Final = {
    "missed": later("missed"),
    "met": later("kept"),
    "not recorded": later("not recorded"),
    "does not apply": later("does not apply"),
}

#: Codes that are words already: kinds of restoration, what became of a return, whose it was.
_CODES: Final = (
    later("crown"),
    later("bridge"),
    later("onlay"),
    later("inlay"),
    later("veneer"),
    later("implant crown"),
    later("implant bridge"),
    later("other"),
    later("adjusted"),
    later("repaired"),
    later("remade"),
    later("credited"),
    later("lab"),
    later("clinic"),
    later("patient"),
    later("transport"),
    later("material"),
    later("undecided"),
)

#: What sentences of an analysis call the code of a requirement that they are filled in with.
_NAMES_A_REQUIREMENT: Final = ("factor", "name", "named", "names")

#: Roles, which the log writes before the pseudonym of who did it.
_ROLES: Final = (later("quality"), later("manager"), later("technician"))

_MONTHS: Final = (
    later("January"),
    later("February"),
    later("March"),
    later("April"),
    later("May"),
    later("June"),
    later("July"),
    later("August"),
    later("September"),
    later("October"),
    later("November"),
    later("December"),
)
_MONTH_CODE = re.compile(r"(?<![\w-])\d{4}-(0[1-9]|1[0-2])(?![\w-])", re.ASCII)
_CLOSE_PER_CENT = re.compile(r"(?<=[0-9])%")
_MARKS = re.compile(r"([\\`*_{}\[\]<>()#+\-!|~$:])")


def plain(text: str) -> str:
    """Text of the records made safe for a place that reads Markdown: it comes out as it was written."""
    return _MARKS.sub(r"\\\1", _now(text).replace("\n", " "))


def refusal(error: object) -> str:
    """An error's own words, line by line, made safe for a place that reads Markdown.

    They may quote what a visitor typed or a file held: an image's address in there must not be fetched.
    """
    told = error.args[0] if isinstance(error, Exception) and len(error.args) == 1 else error
    # What a lower layer said in English becomes the reader's language here.
    text = t(told) if isinstance(told, Said) else str(error)
    return "  \n".join(plain(line) for line in text.splitlines())


def figure(value: float, *, digits: int = 1) -> Said:
    """One number, or words where there is none."""
    return t(f"{{value:,.{digits}f}}", value=value) if isfinite(value) else t(NOT_ESTIMABLE)


def interval(value: Estimate, *, digits: int = 1) -> Said:
    """An estimate with its range, `6.1 (4.0 to 9.3)`; an open end in words."""
    if not isfinite(value.estimate):
        return t(NOT_ESTIMABLE)
    return t(
        "{estimate} ({low} to {high})",
        estimate=figure(value.estimate, digits=digits),
        low=figure(value.low, digits=digits) if isfinite(value.low) else t("no lower limit"),
        high=figure(value.high, digits=digits) if isfinite(value.high) else t("no upper limit"),
    )


def false_alarms(q: float) -> Said:
    """A share of false alarms, never written as none."""
    return t("under 0.001") if q < 0.0005 else figure(q, digits=3)


def per_cent(value: float, *, digits: int = 1) -> Said:
    """A fraction as a percentage."""
    return t(f"{{value:.{digits}f}} %", value=100 * value) if isfinite(value) else t(NOT_ESTIMABLE)


def per_cent_closely(value: float) -> Said:
    """A fraction as a percentage that can be divided by another one: two digits below 1 %."""
    return per_cent(value, digits=2 if 0 < value < 0.01 else 1)


def share(value: Estimate) -> Said:
    """A share with its range, in per cent."""
    if not isfinite(value.estimate):
        return t(NOT_ESTIMABLE)
    if not (isfinite(value.low) and isfinite(value.high)):
        return per_cent(value.estimate)
    return t(
        "{estimate} ({low} to {high})",
        estimate=per_cent(value.estimate),
        low=per_cent(value.low),
        high=per_cent(value.high),
    )


def chance(probability: float) -> Said:
    """A probability, never written as certainty."""
    if not isfinite(probability):
        return t(NOT_ESTIMABLE)
    if probability > 0.99:
        return t("over 99 %")
    return t("under 1 %") if probability < 0.01 else per_cent(probability, digits=0)


def code(word: str) -> Said:
    """A code that is a word of its own, such as a kind of restoration: `implant crown`."""
    return t(word)


@anew
def defect(code: str) -> str:
    """A defect's short name: `Show-through`; `all` becomes `All defects`."""
    return t("All defects") if code == "all" else t(DEFECTS.get(code, code)).split(":")[0]


@anew
def defect_within(code: str) -> str:
    """A defect's short name inside a sentence: `show-through`; a noun of German keeps its capital."""
    name = defect(code)
    return name.lower() if language() == "en" else name if code != "all" else t("all defects")


def requirement(standard: ProcessStandard, factor: str) -> str:
    """What the newest requirement of a factor says, in the standard's own words where it has any."""
    newest = max(standard.requirements_of(factor), key=lambda one: one.valid_from)
    unit = f" {newest.unit}" if newest.unit and newest.rule.numeric else ""
    return newest.says or f"{newest.reading}: {newest.rule}{unit}"


def named(standard: ProcessStandard, factor: str) -> Said:
    """A requirement inside a sentence, in its own words before the lab's code for it: `“Grit changed” (grit_uses)`.

    One that has left the standard since is named by its code.
    """
    try:
        says = requirement(standard, factor)
    except ProcessStandardError:
        return later(factor)
    return t("“{says}” ({factor})", says=says, factor=factor)


def with_words(sentence: str, standard: ProcessStandard) -> str:
    """A sentence of an analysis that names requirements by their codes, with their own words before these.

    A sentence that no longer knows how it was made stays as it is.
    """
    # What `named` said has the words already.
    if not isinstance(sentence, Said) or not sentence.values or "says" in sentence.values:
        return sentence
    codes = {form: factor for factor in standard.factors for form in (factor, factor.replace("_", " "))}
    values = {name: _worded(name, value, standard, codes) for name, value in sentence.values.items()}
    # What a function says is made by the function: its values are not of a template.
    return sentence if "function" in values else t(Said(sentence, sentence.template, values))


def _worded(name: str, value: object, standard: ProcessStandard, codes: Mapping[str, str]) -> object:
    if isinstance(value, Said):
        return with_words(value, standard)
    known = name in _NAMES_A_REQUIREMENT and isinstance(value, str) and value in codes
    return named(standard, codes[str(value)]) if known else value


def who(told: str) -> str:
    """Who did it, as the log has it: the role in the reader's language, then the pseudonym: `quality Q02`."""
    role, blank, pseudonym = told.partition(" ")
    return f"{t(role)}{blank}{pseudonym}" if role in _ROLES else told


def short(text: str, *, most: int = 32) -> str:
    """Text for a place of so many signs at most, cut between words where it is longer: `Grit for bonding…`."""
    if len(text) <= most:
        return text
    cut = text[: most - 1]
    # A single long word is cut within.
    return f"{cut.rsplit(None, 1)[0].rstrip(' ,;:.') if ' ' in cut else cut}…"


def clock(at: datetime) -> str:
    """A moment of the store as the lab's clock showed it: `2026-10-31 14:05`."""
    return f"{on_the_clock(at):%Y-%m-%d %H:%M}"


def day(when: date) -> Said:
    """A day: `31 October 2026`."""
    return t("{day} {month} {year}", day=when.day, month=_MONTHS[when.month - 1], year=str(when.year))


def month(code: str) -> Said:
    """A month: `2026-10` becomes `October 2026`."""
    year, number = code.split("-")
    return t("{month} {year}", month=_MONTHS[int(number) - 1], year=year)


def spelled(sentence: str) -> str:
    """A sentence of an analysis with its months as a reader says them: `2026-10` becomes `October 2026`."""
    return _MONTH_CODE.sub(lambda found: month(found[0]), _now(sentence))


def said(sentence: str) -> str:
    """A sentence of an analysis for a place that reads Markdown, in the reader's language, months spelled out."""
    return plain(spelled(sentence))


def _now(sentence: str) -> str:
    """Said in the reader's language where it can be, per cent as everywhere on a page: `75 %`."""
    return _CLOSE_PER_CENT.sub(" %", t(sentence)) if isinstance(sentence, Said) else sentence


def unfinished(code: str, until: date) -> bool:
    """Is a month still running on a day?"""
    return until.strftime("%Y-%m") == code and (until + timedelta(days=1)).month == until.month


def age(when: date, today: date) -> Said:
    """How long ago a day is: `25 days ago`."""
    days = (today - when).days
    if days < 0:
        return t("ahead of today")
    if days == 0:
        return t("today")
    return t("yesterday") if days == 1 else t("{days} days ago", days=days)


#: What is counted on pages and in reports, for one and for any other number. A sentence of its own is better where
#: a language bends the noun.
_COUNTED: Final[dict[str, Callable[[int], Said]]] = {
    "return": lambda number: tn(number, "{n:,} return", "{n:,} returns"),
    "restoration": lambda number: tn(number, "{n:,} restoration", "{n:,} restorations"),
    "month": lambda number: tn(number, "{n:,} month", "{n:,} months"),
    "requirement": lambda number: tn(number, "{n:,} requirement", "{n:,} requirements"),
    "pair": lambda number: tn(number, "{n:,} pair", "{n:,} pairs"),
    "row": lambda number: tn(number, "{n:,} row", "{n:,} rows"),
    "further row": lambda number: tn(number, "{n:,} further row", "{n:,} further rows"),
}


def counted(number: int, one: str, many: str = "") -> Said:
    """A number with its noun: `1 return`, `2 returns`; one of the nouns known here, or English words."""
    known = None if many else _COUNTED.get(one)
    return known(number) if known else t(f"{{n:,}} {one if number == 1 else many or one + 's'}", n=number)


def part_of(part: int, whole: int) -> Said:
    """A part of a number: `3 of 1,064`."""
    return t("{part:,} of {whole:,}", part=part, whole=whole)


def times(ratio: float) -> Said:
    """A ratio as it is said: `about 4 times as often`; halves below 3, whole numbers above."""
    if not (isfinite(ratio) and ratio > 0):
        return later("")
    if ratio < 1:
        return t("less often")
    rounded = round(ratio, 1) if ratio < 3 else round(ratio)
    return t("about {ratio:g} times as often", ratio=rounded) if rounded > 1 else t("about as often")


def listed(items: Iterable[str], *, joint: Literal["and", "or"] = "and") -> Said:
    """Items in a sentence: `a, b and c`."""
    return in_a_row(items) if joint == "and" else either(items)

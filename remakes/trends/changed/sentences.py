"""What a split difference says, in one or two sentences."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Literal

from remakes.evidence.estimate import Estimate
from remakes.records.standard import ProcessStandard
from remakes.texts import in_a_row, later, run_on, t, tn

__all__ = ["Clearness", "clearness", "label_of", "sentence_of", "stands_out"]

#: How clearly a range leaves 0 out: not at all; only where tenths of a return are looked at; in whole returns.
Clearness = Literal["may be none", "only just", "clear"]

#: Parts smaller than this many returns are not told in a sentence.
_SMALL: Final = 0.5
#: So many parts are told one by one.
_MOST: Final = 3

_LABELS: Final = {
    "in_service": later("restorations in service"),
    "age": later("age of the restorations in service"),
    "case_mix": later("case mix: kind of work, clinic, technician"),
    "not_recorded": later("steps not recorded"),
    "rest": later("rest: chance, and what is not in the records"),
}
_FACTOR: Final = "factor:"
_BEFORE: Final = (
    "",
    later("the month before"),
    later("the two months before"),
    later("the three months before"),
    later("the four months before"),
    later("the five months before"),
    later("the six months before"),
)

NamedParts = Sequence[tuple[str, Estimate]]
Periods = tuple[Sequence[str], Sequence[str]]


def label_of(part: str, standard: ProcessStandard | None) -> str:
    """A part in words: `misses: Opaque until no metal shows`."""
    if part.startswith(_FACTOR) and standard is not None:
        return t("misses: {requirement}", requirement=_requirement(standard, part))
    return t(_LABELS[part]) if part in _LABELS else part


def sentence_of(
    difference: Estimate, parts: NamedParts, standard: ProcessStandard, *, periods: Periods, scale: float
) -> str:
    """How large is the difference, what does it go with, and how much is left over?

    Parts are told one by one where their interval leaves out 0, the others together as what may be chance. How
    clearly the interval of the difference leaves out 0 is said first, where it does so hardly or not at all.
    """
    told = _told(difference, periods=periods, scale=scale)
    first = {
        "may be none": t("The difference may be chance: {told}.", told=told),
        "only just": t("The difference is only just more than chance gives: {told}.", told=told),
        "clear": t("{told}.", told=told),
    }[clearness(difference)]
    return run_on(first, _accounted(parts, standard))


def clearness(value: Estimate) -> Clearness:
    """How clearly does a range leave out 0, as it is shown: to a tenth of a return, and in whole returns?

    It judges one range by itself: nothing is corrected for how many are looked at. An unknown range may hold 0.
    """
    if not (round(value.low, 1) > 0 or round(value.high, 1) < 0):
        return "may be none"
    return "clear" if round(value.low) > 0 or round(value.high) < 0 else "only just"


def stands_out(value: Estimate) -> bool:
    """Is a part worth a word of its own: more than half a return, by a range that leaves out 0?"""
    return abs(value.estimate) > _SMALL and not value.low <= 0.0 <= value.high


def _told(difference: Estimate, *, periods: Periods, scale: float) -> str:
    size = round(difference.estimate)
    earlier, span = _earlier(*periods), _range(difference)
    if scale != 1.0:
        earlier = t("{earlier}, scaled to the same length", earlier=earlier)
    if size > 0:
        return tn(
            size,
            "{n:,} more return than in {earlier} ({span})",
            "{n:,} more returns than in {earlier} ({span})",
            earlier=earlier,
            span=span,
        )
    if size < 0:
        return tn(
            -size,
            "{n:,} fewer return than in {earlier} ({span})",
            "{n:,} fewer returns than in {earlier} ({span})",
            earlier=earlier,
            span=span,
        )
    return t("about as many returns as in {earlier} ({span})", earlier=earlier, span=span)


def _earlier(before: Sequence[str], after: Sequence[str]) -> str:
    """The earlier period in words: `the three months before` where nothing lies between the two."""
    year, number = (int(text) for text in before[-1].split("-"))
    if after[0] == f"{year + number // 12:04d}-{number % 12 + 1:02d}":
        size = len(before)
        return t(_BEFORE[size]) if size < len(_BEFORE) else t("the {size} months before", size=size)
    return before[0] if len(before) == 1 else t("{first} to {last}", first=before[0], last=before[-1])


def _accounted(parts: NamedParts, standard: ProcessStandard) -> str:
    *of_mix, (_name, rest) = parts
    certain = [one for one in of_mix if stands_out(one[1])]
    named = sorted(certain, key=lambda one: -abs(one[1].estimate))[:_MOST]
    others = sum(value.estimate for part, value in of_mix if part not in {name for name, _value in named})
    clauses = [(round(value.estimate), _cause(part, value, standard)) for part, value in named]
    if abs(others) > _SMALL:
        small = (
            t("other parts that may be chance or are small") if named else t("parts that may be chance or are small")
        )
        clauses.append((round(others), small))
    left = t("about nothing") if abs(rest.estimate) <= _SMALL else _many(round(rest.estimate))
    left = t("{left} ({span})", left=left, span=_range(rest))
    if not rest.low <= 0.0 <= rest.high:
        left = t("{left}, which is more than chance explains", left=left)
    if not clauses:
        return t("None of it goes with what was in service; left over: {left}.", left=left)
    # The verb stands once, in the first clause.
    (size, cause), *more = clauses
    first = tn(abs(size), "{many} goes with {cause}", "{many} go with {cause}", many=_many(size), cause=cause)
    told = in_a_row([first, *(t("{many} with {cause}", many=_many(one), cause=other) for one, other in more)])
    return t("Of that, about {told}; left over: {left}.", told=told, left=left)


def _cause(part: str, value: Estimate, standard: ProcessStandard) -> str:
    more = value.estimate > 0
    if part.startswith(_FACTOR):
        requirement = _requirement(standard, part)
        if more:
            return t("more misses of “{requirement}”", requirement=requirement)
        return t("fewer misses of “{requirement}”", requirement=requirement)
    words = {
        "in_service": t("more restorations in service") if more else t("fewer restorations in service"),
        "age": t("the age of the restorations in service"),
        "case_mix": t("the case mix"),
        "not_recorded": t("more steps not recorded") if more else t("fewer steps not recorded"),
    }
    return words[part]


def _requirement(standard: ProcessStandard, part: str) -> str:
    """What the newest requirement says, in its own words where it has any."""
    newest = max(standard.requirements_of(part.removeprefix(_FACTOR)), key=lambda one: one.valid_from)
    return (newest.says or "").rstrip(".") or t("{reading}: {rule}", reading=newest.reading, rule=str(newest.rule))


def _many(size: int) -> str:
    return t("{size:,} more", size=size) if size > 0 else t("{size:,} fewer", size=-size)


def _range(value: Estimate) -> str:
    # In whole returns one that only just leaves out 0 would begin at 0, and the words beside it would be wrong.
    digits = 1 if clearness(value) == "only just" else None
    low, high = round(value.low, digits), round(value.high, digits)
    if low > 0:
        return t("{low:,} to {high:,} more", low=low, high=high)
    if high < 0:
        return t("{value:,} to {value_2:,} fewer", value=-high, value_2=-low)
    if low == 0:
        return t("0 to {high:,} more", high=high)
    return (
        t("from {value:,} fewer to {high:,} more", value=-low, high=high)
        if high > 0
        else t("0 to {value:,} fewer", value=-low)
    )

"""What a split difference says, in one or two sentences."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from remakes.evidence.estimate import Estimate
from remakes.records.standard import ProcessStandard

__all__ = ["label_of", "sentence_of"]

#: Parts smaller than this many returns are not told in a sentence.
_SMALL: Final = 0.5
#: So many parts are told one by one.
_MOST: Final = 3

_LABELS: Final = {
    "in_service": "restorations in service",
    "age": "age of the restorations in service",
    "case_mix": "case mix: kind of work, clinic, technician",
    "not_recorded": "steps not recorded",
    "rest": "rest: chance, and what is not in the records",
}
_FACTOR: Final = "factor:"
_NUMBERS: Final = ("", "month", "two months", "three months", "four months", "five months", "six months")

NamedParts = Sequence[tuple[str, Estimate]]
Periods = tuple[Sequence[str], Sequence[str]]


def label_of(part: str, standard: ProcessStandard | None) -> str:
    """A part in words: `misses: Opaque until no metal shows`."""
    if part.startswith(_FACTOR) and standard is not None:
        return f"misses: {_requirement(standard, part)}"
    return _LABELS.get(part, part)


def sentence_of(
    difference: Estimate, parts: NamedParts, standard: ProcessStandard, *, periods: Periods, scale: float
) -> str:
    """How large is the difference, what does it go with, and how much is left over?

    Parts are told one by one where their interval leaves out 0, the others together as what may be chance. Where
    the interval of the difference holds 0 this is said first.
    """
    told = _told(difference, periods=periods, scale=scale)
    if difference.low <= 0.0 <= difference.high:
        told = f"The difference may be chance: {told}"
    return " ".join(filter(None, [f"{told}.", _accounted(parts, standard)]))


def _told(difference: Estimate, *, periods: Periods, scale: float) -> str:
    size = round(difference.estimate)
    amount = f"{_many(size)} {'return' if abs(size) == 1 else 'returns'} than" if size else "about as many returns as"
    same_length = "" if scale == 1.0 else ", scaled to the same length"
    return f"{amount} in {_earlier(*periods)}{same_length} ({_range(difference)})"


def _earlier(before: Sequence[str], after: Sequence[str]) -> str:
    """The earlier period in words: `the three months before` where nothing lies between the two."""
    year, number = (int(text) for text in before[-1].split("-"))
    if after[0] == f"{year + number // 12:04d}-{number % 12 + 1:02d}":
        size = len(before)
        return f"the {_NUMBERS[size] if size < len(_NUMBERS) else f'{size} months'} before"
    return before[0] if len(before) == 1 else f"{before[0]} to {before[-1]}"


def _accounted(parts: NamedParts, standard: ProcessStandard) -> str:
    *of_mix, (_name, rest) = parts
    certain = [one for one in of_mix if abs(one[1].estimate) > _SMALL and not one[1].low <= 0.0 <= one[1].high]
    named = sorted(certain, key=lambda one: -abs(one[1].estimate))[:_MOST]
    others = sum(value.estimate for part, value in of_mix if part not in {name for name, _value in named})
    clauses = [f"{_many(round(value.estimate))} with {_cause(part, value, standard)}" for part, value in named]
    if abs(others) > _SMALL:
        clauses.append(f"{_many(round(others))} with {'other ' if named else ''}parts that may be chance or are small")
    left = "about nothing" if abs(rest.estimate) <= _SMALL else _many(round(rest.estimate))
    left = f"{left} ({_range(rest)})"
    beyond = ", which is more than chance explains" if not rest.low <= 0.0 <= rest.high else ""
    if not clauses:
        return f"None of it goes with what was in service; left over: {left}{beyond}."
    # The verb stands once, in the first clause.
    amount, cause = clauses[0].split(" with ", 1)
    goes = "goes" if amount.startswith("1 ") else "go"
    told = _joined([f"{amount} {goes} with {cause}", *clauses[1:]])
    return f"Of that, about {told}; left over: {left}{beyond}."


def _cause(part: str, value: Estimate, standard: ProcessStandard) -> str:
    more = "more" if value.estimate > 0 else "fewer"
    if part.startswith(_FACTOR):
        return f"{more} misses of “{_requirement(standard, part)}”"
    words = {
        "in_service": f"{more} restorations in service",
        "age": "the age of the restorations in service",
        "case_mix": "the case mix",
        "not_recorded": f"{more} steps not recorded",
    }
    return words[part]


def _requirement(standard: ProcessStandard, part: str) -> str:
    """What the newest requirement says, in its own words where it has any."""
    newest = max(standard.requirements_of(part.removeprefix(_FACTOR)), key=lambda one: one.valid_from)
    return (newest.says or "").rstrip(".") or f"{newest.reading}: {newest.rule}"


def _many(size: int) -> str:
    return f"{abs(size):,} {'more' if size > 0 else 'fewer'}"


def _range(value: Estimate) -> str:
    low, high = round(value.low), round(value.high)
    if low > 0:
        return f"{low:,} to {high:,} more"
    if high < 0:
        return f"{-high:,} to {-low:,} fewer"
    if low == 0:
        return f"0 to {high:,} more"
    return f"from {-low:,} fewer to {high:,} more" if high > 0 else f"0 to {-low:,} fewer"


def _joined(clauses: Sequence[str]) -> str:
    *first, last = clauses
    return f"{', '.join(first)} and {last}" if first else last

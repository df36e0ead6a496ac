"""One cell of a list or one field of a form: from what was read to a clean value, or a refusal in words.

Every reader takes text, a number, a date, a datetime, a bool or None, gives None for a blank, and
raises `RefusedCell` with what was wrong and what to write instead.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, datetime, time
from difflib import get_close_matches
from typing import Any

from remakes.records.teeth import ToothError, parse_teeth
from remakes.texts import either, t

__all__ = [
    "Problem",
    "Reader",
    "RefusedCell",
    "code",
    "day",
    "did_you_mean",
    "moment",
    "number",
    "number_from_text",
    "plain_text",
    "shown",
    "storable",
    "tags",
    "teeth_codes",
    "whole_number",
    "yes_no",
]

Reader = Callable[[object], Any]

#: A year outside is a slip of the keyboard, and later steps could not count with it.
_YEARS = (1950, 2100)
_LONGEST_SHOWN = 60

_MOMENT = re.compile(
    r"([0-9]{4}-[0-9]{2}-[0-9]{2}(?:[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]{1,6})?)?)?)"
    r"(?:Z|[+-][0-9]{2}:?[0-9]{2})?"
)
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_HALF_OF_A_SIGN = re.compile("[\ud800-\udfff]")
_DECIMAL_COMMA = re.compile(r"[+-]?[0-9.]*,[0-9]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing that is wrong with a row: what was seen, why it is refused, what to write instead."""

    column: str
    value: str
    reason: str
    mend: str

    def __str__(self) -> str:
        return f"{self.column}: {self.reason} {self.mend}"


class RefusedCell(Exception):  # noqa: N818 - never leaves this package; reads as the outcome it is
    """A cell that cannot be taken; becomes a `Problem` of its row."""

    def __init__(self, reason: str, mend: str) -> None:
        super().__init__(f"{reason} {mend}")
        self.reason = reason
        self.mend = mend


def shown(seen: object) -> str:
    """A cell as a message shows it: as text, shortened."""
    if seen is None:
        return ""
    text = _HALF_OF_A_SIGN.sub("\N{REPLACEMENT CHARACTER}", str(seen).strip())
    return text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 1] + "…"


def did_you_mean(text: str, known: Iterable[str]) -> str:
    """A question naming the nearest known words, with a blank before it; empty where none is near."""
    near = get_close_matches(text.casefold(), list(known), n=2, cutoff=0.6)
    return t(" {question}", question=t("Did you mean {items}?", items=either(near))) if near else ""


def number_from_text(text: str) -> float | None:
    """The number this text is, with a decimal point, or None; `nan`, `inf` and `1_000` are no numbers here."""
    text = text.strip()
    if not _NUMBER.fullmatch(text):
        return None
    value = float(text)
    return value if math.isfinite(value) else None


def plain_text(seen: object) -> str | None:
    """Text without blanks around it; a whole number from a spreadsheet loses its `.0`, a tick is yes or no."""
    if seen is None:
        return None
    if isinstance(seen, str):
        text = seen.strip()
    elif isinstance(seen, bool):
        text = "yes" if seen else "no"
    elif isinstance(seen, float):
        text = _text_of_float(seen)
    elif isinstance(seen, datetime) and seen.time() == time.min:
        text = seen.date().isoformat()
    else:
        text = str(seen).strip()
    if "\x00" in text:
        raise RefusedCell(t("The text holds a NUL character, which no list should."), t("Type the text again."))
    if not storable(text):
        raise RefusedCell(t("The text holds half of a sign, which no file can hold."), t("Type the text again."))
    return text or None


def storable(text: str) -> bool:
    """Can the records hold this text? Not where it has a NUL, or half of a sign."""
    return "\x00" not in text and (text.isascii() or not _HALF_OF_A_SIGN.search(text))


def tags(seen: object) -> str:
    """Tags in small letters, each once, separated by `;`; a blank for none."""
    parts = (part.strip().lower() for part in (plain_text(seen) or "").split(";"))
    return ";".join(dict.fromkeys(part for part in parts if part))


def teeth_codes(seen: object) -> str:
    """ISO 3950 codes separated by blanks; a blank for none recorded."""
    try:
        return parse_teeth(plain_text(seen) or "")
    except ToothError as error:
        raise RefusedCell(error.reason, error.mend) from error


def day(seen: object) -> date | None:
    """A calendar day. Of a point in time the day counts."""
    when = _when(seen, t("a day such as 2026-03-02 (year-month-day)"))
    return None if when is None else when.date()


def moment(seen: object) -> datetime | None:
    """A point in time on the lab's clock; a day alone is its midnight.

    Where a zone is written, the clock time as written counts: times of one lab are only compared with
    each other.
    """
    return _when(seen, t("a date and time such as 2026-03-02 14:30, or a date alone"))


def yes_no(seen: object) -> bool | None:
    """A tick: yes or no, capitals do not matter."""
    text = plain_text(seen)
    if text is None:
        return None
    answer = {"yes": True, "no": False}.get(text.casefold())
    if answer is None:
        raise RefusedCell(
            t("{shown!r} is neither yes nor no.", shown=shown(text)),
            t("Write yes or no, or leave it blank if it is not known."),
        )
    return answer


def code(known: Iterable[str]) -> Reader:
    """A reader for one of these codes, given in small letters; capitals and doubled blanks do not matter."""
    codes = tuple(known)
    allowed = frozenset(codes)

    def read(seen: object) -> str | None:
        text = plain_text(seen)
        if text is None:
            return None
        plain = " ".join(text.casefold().split())
        if plain in allowed:
            return plain
        raise RefusedCell(
            t("{shown!r} is not known here.", shown=shown(text)),
            t("Write one of: {items}.{did_you_mean}", items=", ".join(codes), did_you_mean=did_you_mean(plain, codes)),
        )

    return read


def number(low: float, high: float | None) -> Reader:
    """A reader for a number from `low` to `high` (None: no upper end), both included."""
    needed = (
        t("a number of {low:g} or more", low=low)
        if high is None
        else t("a number from {low:g} to {high:g}", low=low, high=high)
    )

    def read(seen: object) -> float | None:
        value = _number(seen, needed)
        if value is not None and (value < low or (high is not None and value > high)):
            raise RefusedCell(t("{shown!r} is out of range.", shown=shown(seen)), t("Write {needed}.", needed=needed))
        return value

    return read


def whole_number(low: int, high: int) -> Reader:
    """A reader for a whole number from `low` to `high`, both included; `3.0` is 3."""
    needed = t("a whole number from {low} to {high}", low=low, high=high)

    def read(seen: object) -> int | None:
        value = _number(seen, needed)
        if value is None:
            return None
        if value != int(value):
            raise RefusedCell(
                t("{shown!r} is no whole number.", shown=shown(seen)), t("Write {needed}.", needed=needed)
            )
        if not low <= value <= high:
            raise RefusedCell(t("{shown!r} is out of range.", shown=shown(seen)), t("Write {needed}.", needed=needed))
        return int(value)

    return read


def _text_of_float(seen: float) -> str:
    if math.isnan(seen):  # how a table library hands over an empty cell
        return ""
    return str(int(seen)) if seen.is_integer() and abs(seen) < 1e15 else repr(seen)


def _number(seen: object, needed: str) -> float | None:
    if isinstance(seen, bool):
        raise RefusedCell(t("A tick stands where a number is needed."), t("Write {needed}.", needed=needed))
    text = plain_text(seen)
    if text is None:
        return None
    value = number_from_text(text)
    if value is not None:
        return value
    if _DECIMAL_COMMA.fullmatch(text):
        raise RefusedCell(
            t("{shown!r} has a decimal comma.", shown=shown(text)),
            t(
                "Write {needed}, with a decimal point; or import the list through a column map that says "
                'decimal = ",".',
                needed=needed,
            ),
        )
    raise RefusedCell(t("{shown!r} is no number.", shown=shown(text)), t("Write {needed}.", needed=needed))


def _when(seen: object, needed: str) -> datetime | None:
    if isinstance(seen, datetime):
        return _plausible(seen.replace(tzinfo=None))
    if isinstance(seen, date):
        return _plausible(datetime.combine(seen, time.min))
    text = plain_text(seen)
    if text is None:
        return None
    if isinstance(seen, int | float):
        raise RefusedCell(
            t("{shown!r} is a bare number, not a date.", shown=shown(seen)),
            t("Format the cell as a date in the spreadsheet, or write it as 2026-03-02."),
        )
    match = _MOMENT.fullmatch(text)
    if match is None:
        raise RefusedCell(
            t("{shown!r} is not a date written year-month-day.", shown=shown(text)),
            t(
                "Write {needed}; or import the list through a column map that says how its dates are "
                'written, such as dates = "%d.%m.%Y".',
                needed=needed,
            ),
        )
    try:
        return _plausible(datetime.fromisoformat(match[1]))
    except ValueError:
        raise RefusedCell(
            t("{shown!r} is not in the calendar.", shown=shown(text)), t("Correct the day, the month or the time.")
        ) from None


def _plausible(when: datetime) -> datetime:
    if not _YEARS[0] <= when.year <= _YEARS[1]:
        raise RefusedCell(t("The year {year} cannot be right.", year=when.year), t("Correct the year."))
    return when

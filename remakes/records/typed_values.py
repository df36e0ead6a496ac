"""A number or a day as people type it, in the ways of English, German and French keyboards."""

from __future__ import annotations

import re
from datetime import date
from typing import Final

from remakes.errors import EntryError
from remakes.records.cells import shown
from remakes.texts import t

__all__ = ["read_day", "read_number"]

#: Blanks between thousands: the ordinary one, the unbreakable one, the narrow one; and the Swiss apostrophe.
_GROUPING: Final = re.compile("(?<=[0-9])[ \u00a0\u202f'’](?=[0-9]{3}(?![0-9]))")
_PLAIN: Final = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)")
_GROUPED_DOT: Final = re.compile(r"[+-]?[0-9]{1,3}(?:\.[0-9]{3})+,[0-9]+")
_GROUPED_COMMA: Final = re.compile(r"[+-]?[0-9]{1,3}(?:,[0-9]{3})+\.[0-9]+")
_ISO: Final = re.compile(r"([0-9]{4})-([0-9]{1,2})-([0-9]{1,2})")
_DAY_FIRST: Final = re.compile(r"([0-9]{1,2})[./ ]\s*([0-9]{1,2})(?:[./ ]\s*([0-9]{4}|[0-9]{2}))?\.?")
#: A year outside is a slip of the keyboard.
_YEARS: Final = (1950, 2100)


def read_number(text: str) -> float | None:
    """The number somebody typed; None for a blank.

    ``1.5``, ``1,5``, ``1 234,5``, ``1.234,5`` and ``1,234.5`` are read. A single separator is the decimal one;
    so ``1,234`` and ``1.234``, which a reader could take for a thousand, are asked about.

    Raises
    ------
    EntryError
        No number, or one that can be read in two ways.
    """
    # A figure copied from a page has the minus sign of print.
    seen = _GROUPING.sub("", text.strip()).replace("\N{MINUS SIGN}", "-")
    if not seen:
        return None
    if _GROUPED_DOT.fullmatch(seen):
        return float(seen.replace(".", "").replace(",", "."))
    if _GROUPED_COMMA.fullmatch(seen):
        return float(seen.replace(",", ""))
    if not _PLAIN.fullmatch(seen):
        raise EntryError(
            t("{seen} is no number. Type digits, with a comma or a point before decimals.", seen=_shown(text))
        )
    whole, separator, decimals = _split(seen)
    if separator and len(decimals) == 3 and whole.lstrip("+-") not in ("", "0") and len(whole.lstrip("+-")) <= 3:
        raise EntryError(
            t(
                "{seen} can be read in two ways: type {thousands} or {decimal}.",
                seen=_shown(text),
                thousands=whole + decimals,
                decimal=f"{whole}{separator}{decimals}0",
            )
        )
    return float(seen.replace(",", "."))


def read_day(text: str, *, today: date | None = None) -> date | None:
    """The day somebody typed; None for a blank.

    Year-month-day with hyphens, or day first with points, strokes or blanks, as in German and French; a day
    without a year is the latest such day that is not after today.

    Parameters
    ----------
    today : date, optional
        Default: the calendar day of this machine.

    Raises
    ------
    EntryError
        No day, or none of the calendar.
    """
    seen = text.strip()
    if not seen:
        return None
    today = today or date.today()
    if found := _ISO.fullmatch(seen):
        return _day(text, int(found[1]), int(found[2]), int(found[3]))
    if found := _DAY_FIRST.fullmatch(seen):
        day, month = int(found[1]), int(found[2])
        if found[3]:
            return _day(text, int(found[3]) + (2000 if len(found[3]) == 2 else 0), month, day)
        return _latest(text, month, day, today)
    raise EntryError(
        t("{seen} is no day. Type it as 2026-03-02 or, day first, as 2.3.2026 or 2/3/2026.", seen=_shown(text))
    )


def _latest(text: str, month: int, day: int, today: date) -> date:
    # Back to the last leap year but one: 29 February is a day of few years.
    for year in range(today.year, today.year - 9, -1):
        try:
            found = date(year, month, day)
        except ValueError:
            continue
        if found <= today:
            return found
    return _day(text, today.year, month, day)


def _day(text: str, year: int, month: int, day: int) -> date:
    try:
        found = date(year, month, day)
    except ValueError:
        raise EntryError(
            t(
                "{seen} is not in the calendar. The day comes before the month unless the year is first.",
                seen=_shown(text),
            )
        ) from None
    if not _YEARS[0] <= found.year <= _YEARS[1]:
        raise EntryError(t("The year of {seen} is out of range. Type the day again.", seen=_shown(text)))
    return found


def _split(seen: str) -> tuple[str, str, str]:
    for separator in (",", "."):
        if separator in seen:
            whole, _, decimals = seen.partition(separator)
            return whole, separator, decimals
    return seen, "", ""


def _shown(text: str) -> str:
    return f"“{shown(text)}”"

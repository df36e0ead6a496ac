"""How a foreign column writes days, numbers, codes and ticks: what fits all its rows, and what must be asked.

Nothing is chosen here. Where more than one way fits every row, all are given, and a person says which one it is.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from remakes.records.cells import number_from_text
from remakes.records.importers.conversions import DATE_FORMATS, is_written_with, parsed_moment
from remakes.records.importers.grids import Cell, column_key, is_blank
from remakes.records.teeth import NOTATIONS, Notation, ToothError, parse_teeth

__all__ = [
    "DATETIME_FORMATS",
    "DecimalWay",
    "MomentWay",
    "counted_texts",
    "date_ways",
    "datetime_ways",
    "decimal_ways",
    "teeth_ways",
    "unknown_words",
]

#: Formats worth offering for a column of days with a time; common practice, no source.
DATETIME_FORMATS = tuple(
    f"{day}{time}"
    for day in DATE_FORMATS
    for time in (
        *(" %H:%M", " %H:%M:%S", "T%H:%M", "T%H:%M:%S", ", %H:%M"),
        *(" %I:%M %p", " %I:%M:%S %p", ", %I:%M %p"),
    )
)


@dataclass(frozen=True, slots=True, kw_only=True)
class MomentWay:
    """One way to read all days (or days with a time) of a list.

    Attributes
    ----------
    form : str
        As `strptime` takes it.
    example, read_as
        A text of the list, and what it would be: one where the ways differ, if there is any.
    misfits : int
        Different texts that it cannot read.
    misfit : str
        The first of them; empty where there is none.
    """

    form: str
    example: str
    read_as: datetime
    misfits: int
    misfit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecimalWay:
    """A decimal sign, how many different texts are no number with it, and the first of these."""

    sign: str
    misfits: int
    misfit: str = ""


def counted_texts(cells: Iterable[Cell]) -> dict[str, int]:
    """The different texts of a column with their rows, the most frequent first.

    Cells typed as days, numbers or ticks need no asking and are left out.
    """
    return dict(Counter(cell.strip() for cell in cells if isinstance(cell, str) and not is_blank(cell)).most_common())


def date_ways(texts: Sequence[str]) -> tuple[MomentWay, ...]:
    """The formats that fit all these texts; if none does, those that fit most of them, best first."""
    return _ways(texts, DATE_FORMATS)


def datetime_ways(texts: Sequence[str]) -> tuple[MomentWay, ...]:
    """As `date_ways`, for days with a time."""
    return _ways(texts, DATETIME_FORMATS)


def _ways(texts: Sequence[str], forms: Sequence[str]) -> tuple[MomentWay, ...]:
    if not texts:
        return ()
    # A form that fits none of the first texts is not tried on all of them.
    likely = [form for form in forms if any(parsed_moment(text, form) is not None for text in texts[:50])]
    read = {form: [parsed_moment(text, form) for text in texts] for form in likely}
    misfits = {form: moments.count(None) for form, moments in read.items()}
    least = min(misfits.values(), default=0)
    best = {form: read[form] for form in likely if misfits[form] == least}
    telling = _telling_place(list(best.values()))
    found = []
    for form, moments in best.items():
        place = telling if moments[telling] is not None else next(n for n, one in enumerate(moments) if one is not None)
        moment = moments[place]
        if moment is not None:
            misfit = next((text for text, one in zip(texts, moments, strict=True) if one is None), "")
            found.append(MomentWay(form=form, example=texts[place], read_as=moment, misfits=least, misfit=misfit))
    return tuple(found)


def _telling_place(readings: Sequence[Sequence[datetime | None]]) -> int:
    """Where the ways give different days."""
    for place, moments in enumerate(zip(*readings, strict=True)):
        if len({moment for moment in moments if moment is not None}) > 1:
            return place
    return 0


def decimal_ways(texts: Sequence[str]) -> tuple[DecimalWay, ...]:
    """The decimal signs that fit these texts; none where no text has a comma or needs one."""
    if all(number_from_text(text) is not None and not _could_be_thousands(text) for text in texts):
        return ()
    ways = []
    for sign in (",", "."):
        misfits = [text for text in texts if not is_written_with(text, sign)]
        ways.append(DecimalWay(sign=sign, misfits=len(misfits), misfit=next(iter(misfits), "")))
    least = min(way.misfits for way in ways)
    return tuple(way for way in ways if way.misfits == least and least < len(texts))


def _could_be_thousands(text: str) -> bool:
    """1.234 is one and a bit with a point, and a thousand with a comma."""
    return is_written_with(text, ",") and "." in text


def teeth_ways(texts: Sequence[str]) -> dict[Notation, int]:
    """How many of the texts name no tooth in each notation; most often several fit, so this decides nothing."""
    return {notation: sum(not _names_teeth(text, notation) for text in texts) for notation in NOTATIONS}


def _names_teeth(text: str, notation: Notation) -> bool:
    try:
        parse_teeth(text, notation=notation)
    except ToothError:
        return False
    return True


def unknown_words(counted: Mapping[str, int], known: Collection[str]) -> dict[str, int]:
    """Of counted texts, those that are none of the known words; capitals do not matter."""
    keys = {column_key(word) for word in known}
    unknown: dict[str, int] = {}
    spelled: dict[str, str] = {}
    for text, rows in counted.items():
        key = column_key(text)
        if key not in keys:
            first = spelled.setdefault(key, text)
            unknown[first] = unknown.get(first, 0) + rows
    return unknown

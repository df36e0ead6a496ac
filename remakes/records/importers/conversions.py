"""One cell of a foreign list, turned into what the row checks read: ISO dates, point decimals, our codes.

Nothing is guessed. Typed cells of a workbook are taken as typed; text is turned only as the column map
declares. What cannot be turned raises `RefusedCell` with what to write instead.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, time, timedelta
from decimal import Decimal
from types import MappingProxyType
from typing import NoReturn

from remakes.records.cells import RefusedCell, number_from_text, shown
from remakes.records.importers.column_map import TableMap
from remakes.records.importers.grids import Cell, column_key, is_blank
from remakes.records.teeth import Notation, ToothError, parse_teeth
from remakes.texts import either, t

__all__ = [
    "DATE_COLUMNS",
    "DATE_FORMATS",
    "NUMBER_COLUMNS",
    "TICK_COLUMNS",
    "Converter",
    "converter_for",
    "fitting_date_formats",
    "header_names",
    "is_written_with",
    "parsed_moment",
    "reading_converter",
    "typed",
]

Converter = Callable[[Cell], Cell]

DATE_COLUMNS = frozenset({"received_on", "due_on", "delivered_on", "reported_on", "entered_on"})
NUMBER_COLUMNS = frozenset({"units", "severity", "bare_metal_pct", "cost"})
TICK_COLUMNS = frozenset({"primary", "harm"})

#: Formats worth offering for a column of dates; common practice, no source.
DATE_FORMATS = (
    "%Y-%m-%d",
    "%d.%m.%Y",
    "%d.%m.%y",
    "%d/%m/%Y",
    "%m/%d/%Y",
    "%d/%m/%y",
    "%m/%d/%y",
    "%d-%m-%Y",
    "%Y/%m/%d",
    "%Y%m%d",
)

# Day 1 of a spreadsheet is 1900-01-01, and it counts a 29 February 1900 that never was; so for every day
# since March 1900 the count starts at 1899-12-30 (ECMA-376, 1900 date system; from memory).
_DAY_ZERO = datetime(1899, 12, 30)  # noqa: DTZ001 - a calendar day
#: 1950-01-01 to 2100-12-31; a number outside is no day.
_DAY_NUMBERS = (18264.0, 73415.0)

# Thousands in threes with one separator throughout, then the decimals.
_NUMBERS: Mapping[str, re.Pattern[str]] = MappingProxyType(
    {
        ",": re.compile(
            r"[+-]?(?:\d{1,3}(?:(?P<group>[.'’ \u00a0\u202f])\d{3}(?:(?P=group)\d{3})*)|\d+)?(?:,\d+)?", re.ASCII
        ),
        ".": re.compile(
            r"[+-]?(?:\d{1,3}(?:(?P<group>[,'’ \u00a0\u202f])\d{3}(?:(?P=group)\d{3})*)|\d+)?(?:\.\d+)?", re.ASCII
        ),
    }
)
#: Shows a way of writing: day, month and hour cannot be taken for one another.
_EXAMPLE = datetime(2026, 11, 25, 14, 35)  # noqa: DTZ001 - the lab's own clock, no zone
_GROUPING = re.compile(r"['’ \u00a0\u202f]")


def typed(cell: Cell, *, is_date: bool = False) -> Cell:
    """A cell of a workbook as text, or as the date it is.

    Numbers become text as a spreadsheet shows them, to 15 digits: 13.0 is `13`. A tick becomes yes or
    no. In a column of dates (`is_date`) a bare number is a day number of the spreadsheet.
    """
    if isinstance(cell, str):
        return cell
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, int | float):
        if is_date and _DAY_NUMBERS[0] <= cell <= _DAY_NUMBERS[1]:
            return _DAY_ZERO + timedelta(seconds=round(cell * 86_400))
        return format(Decimal(format(cell, ".15g")).normalize(), "f")
    if isinstance(cell, time):
        return cell.isoformat()
    if isinstance(cell, timedelta):
        return str(cell)
    return cell


def header_names(row: Sequence[Cell]) -> tuple[str, ...]:
    """The names in a header row, as the spreadsheet shows them and with tidy blanks; empty where there is none."""
    return tuple("" if is_blank(cell) else " ".join(str(typed(cell)).split()) for cell in row)


def converter_for(column: str, table_map: TableMap | None) -> Converter:
    """What turns the cells of one of our columns; without a map only typed cells of a workbook change."""
    is_date = column in DATE_COLUMNS or column == "recorded_at"
    if table_map is None:
        return lambda cell: typed(cell, is_date=is_date)
    turn = _text_converter(column, table_map)
    words = table_map.values.get(column, {})
    translate = _translate_tags if column == "difficulty" else _translate

    def convert(cell: Cell) -> Cell:
        plain = typed(cell, is_date=is_date)
        if is_blank(plain):
            return None
        if not isinstance(plain, str):
            return plain
        translated = translate(plain, words)
        if translated is not None:
            return translated or None
        return plain if column in NUMBER_COLUMNS and _is_number(cell) else turn(plain.strip())

    return convert


def reading_converter(
    key: str, table_map: TableMap, *, numeric: bool, tick: bool, times: Decimal | None = None
) -> Converter:
    """What turns the value of a reading.

    Parameters
    ----------
    key : str
        `value`, or the reading's name on a bench sheet: where its translation stands in the map.
    numeric : bool
        The standard needs a number there. Otherwise ticks are turned as `yes` and `no` say, and other
        text stays as it is.
    tick : bool
        The standard knows only yes and no there. Where the map says how ticks are written, anything
        else is then refused: an unknown sign must not count as a missed requirement.
    times : Decimal, optional
        The number is multiplied by it, exactly: 2.1 times 60 is `126`. Makes the reading numeric.
    """
    words = table_map.values.get(key, {})

    def convert(cell: Cell) -> Cell:
        plain = typed(cell)
        if is_blank(plain):
            return None
        if not isinstance(plain, str):
            return plain
        translated = _translate(plain, words)
        if translated is not None:
            return translated or None
        text = plain.strip()
        if numeric or times is not None:
            text = text if _is_number(cell) else _number(text, table_map.decimal)
            return text if times is None else _multiplied(text, times)
        text = _tick(text, table_map)
        if tick and (table_map.yes or table_map.no) and text.casefold() not in ("yes", "no"):
            _refuse_sign(text, table_map)
        return text

    return convert


def _is_number(cell: Cell) -> bool:
    """Is it typed as a number? Then it is one, whatever decimal sign the screen shows."""
    return isinstance(cell, int | float) and not isinstance(cell, bool)


def _refuse_sign(text: str, table_map: TableMap) -> NoReturn:
    raise RefusedCell(
        t(
            "{shown!r} is no tick: the column map reads {yes} as yes and {no} as no.",
            shown=shown(text),
            yes=", ".join(table_map.yes) or t("nothing"),
            no=", ".join(table_map.no) or t("nothing"),
        ),
        t("Correct the cell, leave it blank if nothing was recorded, or add the sign to yes or no in the map."),
    )


def _multiplied(text: str, times: Decimal) -> str:
    if number_from_text(text) is None:
        raise RefusedCell(
            t("{shown!r} is no number, but the column map multiplies it by {times}.", shown=shown(text), times=times),
            t("Write a number, or leave the cell blank if nothing was recorded."),
        )
    return format((Decimal(text) * times).normalize(), "f")


def fitting_date_formats(texts: list[str]) -> tuple[str, ...]:
    """Which usual formats of a day fit all of these texts? Blanks are passed over.

    More than one can fit: then a person must choose, since 03.02. is in February or in March.
    """
    filled = [text.strip() for text in texts if text.strip()]
    return tuple(one for one in DATE_FORMATS if filled and all(parsed_moment(text, one) is not None for text in filled))


def parsed_moment(text: str, form: str) -> datetime | None:
    """The day (and time) a text is in a format of `strptime`; None where it does not fit."""
    try:
        return datetime.strptime(text, form)  # noqa: DTZ007 - the lab's own clock, no zone
    except ValueError:
        return None


def _translate(text: str, words: Mapping[str, str]) -> str | None:
    return words.get(column_key(text))


def _translate_tags(text: str, words: Mapping[str, str]) -> str | None:
    if not words:
        return None
    tags = (words.get(column_key(tag), tag.strip()) for tag in text.split(";"))
    return words.get(column_key(text)) or ";".join(tag for tag in tags if tag)


def _text_converter(column: str, table_map: TableMap) -> Callable[[str], Cell]:
    if column in DATE_COLUMNS:
        return lambda text: _day(text, table_map.dates)
    if column == "recorded_at":
        return lambda text: _moment(text, table_map)
    if column in NUMBER_COLUMNS:
        return lambda text: _number(text, table_map.decimal)
    if column == "teeth":
        return lambda text: _teeth(text, table_map.teeth)
    if column in TICK_COLUMNS:
        return lambda text: _tick(text, table_map)
    return lambda text: text


def _day(text: str, form: str | None) -> Cell:
    if form is None:
        return text
    parsed = parsed_moment(text, form)
    if parsed is None:
        raise RefusedCell(
            t("{shown!r} is no date written like {example}.", shown=shown(text), example=_EXAMPLE.strftime(form)),
            t("Write it like that, or correct dates = {form!r} in the column map: it must fit every row.", form=form),
        )
    return parsed.date()


def _moment(text: str, table_map: TableMap) -> Cell:
    forms = [form for form in (table_map.datetimes, table_map.dates) if form]
    if not forms:
        return text
    parsed = next((found for form in forms if (found := parsed_moment(text, form)) is not None), None)
    if parsed is None:
        raise RefusedCell(
            t(
                "{shown!r} is no time written like {items}.",
                shown=shown(text),
                items=either(_EXAMPLE.strftime(form) for form in forms),
            ),
            t('Correct it, or declare how times are written, such as datetimes = "%d.%m.%Y %H:%M".'),
        )
    return parsed


def _number(text: str, decimal: str | None) -> str:
    if decimal is None:
        if "," in text and number_from_text(text.replace(",", ".")) is not None:
            raise RefusedCell(
                t("{shown!r} can be read with a decimal comma or with a comma between thousands.", shown=shown(text)),
                t('Declare which in the column map: decimal = "," or decimal = ".".'),
            )
        return text
    if not is_written_with(text, decimal):
        raise RefusedCell(
            t(
                "{shown!r} is no number written with decimal = {decimal!r} as the column map says.",
                shown=shown(text),
                decimal=decimal,
            ),
            t("Correct the number, or the column map."),
        )
    grouping = "." if decimal == "," else ","
    return _GROUPING.sub("", text).replace(grouping, "").replace(decimal, ".")


def is_written_with(text: str, decimal: str) -> bool:
    """Is this a number with this decimal sign, thousands grouped or not?"""
    return _NUMBERS[decimal].fullmatch(text) is not None and any(letter.isdigit() for letter in text)


def _teeth(text: str, notation: Notation) -> str:
    try:
        return parse_teeth(text, notation=notation)
    except ToothError as error:
        raise RefusedCell(error.reason, error.mend) from error


def _tick(text: str, table_map: TableMap) -> str:
    key = column_key(text)
    if key in table_map.yes:
        return "yes"
    return "no" if key in table_map.no else text

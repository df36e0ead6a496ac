"""Fields for numbers and days as people type them, with comma or point, day or year first; and for files."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from typing import Any, Final

import streamlit as st

from remakes import words
from remakes.errors import EntryError
from remakes.records.typed_values import read_day, read_number
from remakes.texts import t

__all__ = ["day_field", "file_field", "number_field", "number_within"]

#: What the toolkit leaves out of a key where it names a part of the page by it.
_NO_NAME: Final = re.compile("[^a-zA-Z0-9_-]")
#: The toolkit's own words in a field for files are English, and state its limit and not ours. Where a later one names
#: its parts in another way, its words are seen again. The word on the button only shrinks to nothing: a check for
#: screen readers wants text of the page itself there.
_FILE_STYLE: Final = """<style>
.st-key-{key} section button [data-testid="stMarkdownContainer"] > p {{font-size: 0}}
.st-key-{key} [data-testid="stFileUploaderDropzoneInstructions"] span {{display: none}}
.st-key-{key} section button [data-testid="stMarkdownContainer"]::after {{content: {press}; font-size: .875rem}}
.st-key-{key} [data-testid="stFileUploaderDropzoneInstructions"]::after {{content: {drop}; font-size: .875rem}}
</style>"""


def number_field(
    label: str,
    *,
    key: str,
    value: float | None = None,
    low: float | None = None,
    high: float | None = None,
    unit: str = "",
    place: Any = None,
) -> float | None:
    """A field for a number; None where it is blank, and where what stands in it is refused beside it.

    Parameters
    ----------
    value : float, optional
        What stands in the field at first.
    low, high : float, optional
        The ends of what is taken, both included.
    place : container, optional
        Where the field stands; default: here.
    """
    here = place or st
    shown = "" if value is None else _as_typed(value)
    text = here.text_input(label, value=shown, key=key, placeholder=unit or None)
    try:
        return number_within(text or "", low=low, high=high)
    except EntryError as error:
        here.error(words.refusal(error))
        return None


def number_within(text: str, *, low: float | None = None, high: float | None = None) -> float | None:
    """The number typed into a field, for a press that reads it once more; None for a blank.

    Parameters
    ----------
    low, high : float, optional
        The ends of what is taken, both included.

    Raises
    ------
    EntryError
        No number, one that can be read in two ways, or one outside.
    """
    found = read_number(text)
    if found is not None:
        _refuse_outside(found, low, high)
    return found


def day_field(
    label: str, *, key: str, value: date | None = None, today: date | None = None, place: Any = None
) -> date | None:
    """A field for a day; None where it is blank, and where what stands in it is refused beside it.

    A day typed day first is told back in words, so that a mistaken order is seen.
    """
    here = place or st
    text = here.text_input(
        label, value="" if value is None else value.isoformat(), key=key, placeholder=t("2026-03-02 or 2.3.2026")
    )
    try:
        found = read_day(text or "", today=today)
    except EntryError as error:
        here.error(words.refusal(error))
        return None
    if found is not None and text.strip() != found.isoformat():
        here.caption(t("Read as {day}.", day=words.day(found)))
    return found


def file_field(
    label: str,
    *,
    key: str,
    types: Sequence[str],
    several: bool = False,
    most: int | None = None,
    taken: int | None = None,
    place: Any = None,
) -> Any:
    """A field for files, in the reader's language; what the toolkit gives: one file or None, or a list of `several`.

    Parameters
    ----------
    types : sequence of str
        Endings of the files that can be chosen.
    most : int, optional
        Megabytes of a file that is taken, as told beside the field; default: what the server takes.
    taken : int, optional
        Megabytes that the toolkit lets through; default: `most`. More than `most` where a larger file is to be refused
        in the lab's language.
    """
    told = most or int(st.get_option("server.maxUploadSize"))
    press = t("Choose files") if several else t("Choose a file")
    drop = (
        t("or drop them here; up to {most} megabytes each", most=told)
        if several
        else t("or drop it here; up to {most} megabytes", most=told)
    )
    here = place or st
    here.html(_FILE_STYLE.format(key=_NO_NAME.sub("-", key), press=_quoted(press), drop=_quoted(drop)))
    return here.file_uploader(
        label, type=list(types), accept_multiple_files=several, max_upload_size=taken or told, key=key
    )


def _quoted(text: str) -> str:
    # A style sheet does not know the escapes of JSON.
    return json.dumps(text, ensure_ascii=False)


def _as_typed(value: float) -> str:
    """A number as somebody would type it: every digit of it, in a way that reads back as the same number."""
    digits = format(Decimal(repr(value)), "f").removesuffix(".0")
    text = digits.replace(".", str(t("{value:.1f}", value=0.5))[1])
    try:
        read_number(text)
    except EntryError:
        # Three decimals could be thousands; a fourth makes them decimals.
        return f"{text}0"
    return text


def _refuse_outside(found: float, low: float | None, high: float | None) -> None:
    if low is not None and found < low:
        raise EntryError(t("{seen} is below {low}. Check the number.", seen=_as_typed(found), low=_as_typed(low)))
    if high is not None and found > high:
        raise EntryError(t("{seen} is above {high}. Check the number.", seen=_as_typed(found), high=_as_typed(high)))

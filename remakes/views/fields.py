"""Fields for numbers and days as people type them: with comma or point, day first or year first."""

from __future__ import annotations

from datetime import date
from typing import Any

import streamlit as st

from remakes import words
from remakes.errors import EntryError
from remakes.records.typed_values import read_day, read_number
from remakes.texts import t

__all__ = ["day_field", "number_field"]


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
    shown = "" if value is None else f"{value:g}"
    text = here.text_input(label, value=shown, key=key, placeholder=unit or None)
    try:
        found = read_number(text or "")
        if found is not None:
            _refuse_outside(found, low, high)
    except EntryError as error:
        here.error(words.refusal(error))
        return None
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


def _refuse_outside(found: float, low: float | None, high: float | None) -> None:
    if low is not None and found < low:
        raise EntryError(t("{seen} is below {low}. Check the number.", seen=f"{found:g}", low=f"{low:g}"))
    if high is not None and found > high:
        raise EntryError(t("{seen} is above {high}. Check the number.", seen=f"{found:g}", high=f"{high:g}"))

"""Numbers and days as people type them: read as they were meant, or asked about."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from remakes.errors import EntryError
from remakes.records.typed_values import read_day, read_number

TODAY = date(2026, 3, 15)


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("1.5", 1.5),
        ("1,5", 1.5),
        (" 12 ", 12),
        (",5", 0.5),
        ("3,", 3),
        ("0,125", 0.125),
        ("1.234,5", 1234.5),
        ("1,234.5", 1234.5),
        ("1 234,5", 1234.5),
        ("1\u202f234\u00a0567", 1234567),
        ("1’234.50", 1234.5),
        ("1234,567", 1234.567),
        ("-3,5", -3.5),
        ("\N{MINUS SIGN}3,5", -3.5),
    ],
)
def test_a_number_is_read_whatever_keyboard_it_came_from(typed: str, meant: float) -> None:
    assert read_number(typed) == meant


@pytest.mark.parametrize("typed", ["1,234", "12.345", "-1,234", "\N{MINUS SIGN}1,234"])
def test_what_may_be_a_thousand_or_a_decimal_is_asked_about(typed: str) -> None:
    with pytest.raises(EntryError, match="two ways"):
        read_number(typed)


@pytest.mark.parametrize("typed", ["twelve", "1,2,3", "1 2345", "1e3", "nan", "inf", "--1", "1_000", "٣", "5 mm"])
def test_what_is_no_number_is_refused_with_what_was_seen(typed: str) -> None:
    with pytest.raises(EntryError, match="no number") as refused:
        read_number(typed)
    assert typed in str(refused.value)


@given(st.decimals(-99_999, 99_999, places=2), st.sampled_from([".", ","]))
def test_two_decimals_come_back_in_either_writing(number: object, separator: str) -> None:
    assert read_number(f"{number:.2f}".replace(".", separator)) == float(f"{number:.2f}")


@given(st.text(max_size=20))
def test_any_text_is_a_number_or_a_blank_or_refused_in_words(typed: str) -> None:
    try:
        found = read_number(typed)
    except EntryError:
        return
    assert isinstance(found, float) if typed.strip() else found is None


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("2026-03-02", date(2026, 3, 2)),
        ("2026-3-2", date(2026, 3, 2)),
        ("2.3.2026", date(2026, 3, 2)),
        ("02/03/2026", date(2026, 3, 2)),
        ("2 3 26", date(2026, 3, 2)),
        ("2.3.", date(2026, 3, 2)),
        ("2/3", date(2026, 3, 2)),
        ("15.3.", TODAY),
        # Not after today: the latest such day is last year's.
        ("16.3.", date(2025, 3, 16)),
        ("29.2.", date(2024, 2, 29)),
    ],
)
def test_a_day_is_read_year_first_or_day_first(typed: str, meant: date) -> None:
    assert read_day(typed, today=TODAY) == meant


@pytest.mark.parametrize(
    ("typed", "reason"),
    [
        ("31.02.2026", "not in the calendar"),
        ("2026-13-01", "not in the calendar"),
        ("3/15/2026", "not in the calendar"),
        ("31.2.", "not in the calendar"),
        ("1.1.1899", "out of range"),
        ("yesterday", "no day"),
        ("20260302", "no day"),
    ],
)
def test_a_day_that_is_none_is_refused_and_the_reason_named(typed: str, reason: str) -> None:
    with pytest.raises(EntryError, match=reason):
        read_day(typed, today=TODAY)


@given(st.dates(date(1950, 1, 1), date(2100, 12, 31)), st.sampled_from(["%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y"]))
def test_every_day_comes_back_in_each_writing(day: date, writing: str) -> None:
    # A year of four digits before 1000 is written differently from system to system, and none is in range.
    assert read_day(day.strftime(writing)) == day


@given(st.dates(date(2025, 3, 16), TODAY))
def test_a_day_without_a_year_is_the_latest_one_that_is_not_to_come(day: date) -> None:
    assert read_day(f"{day.day}.{day.month}.", today=TODAY) == day
    assert TODAY - day < timedelta(days=365)


@pytest.mark.parametrize("read", [read_number, read_day])
def test_a_blank_is_not_a_value(read: Callable[[str], object]) -> None:
    assert read("  ") is None

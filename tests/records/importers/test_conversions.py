"""Foreign cells in our words: exactly as the map declares, and refused where it does not fit."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from decimal import Decimal
from types import MappingProxyType
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from remakes.records.cells import RefusedCell
from remakes.records.importers.column_map import TableMap
from remakes.records.importers.conversions import (
    DATE_FORMATS,
    converter_for,
    fitting_date_formats,
    reading_converter,
    typed,
)

steady = settings(derandomize=True, deadline=None)


def declared(**options: Any) -> TableMap:
    return TableMap(table="returns", file="r.csv", columns=MappingProxyType({}), **options)


@pytest.mark.parametrize(
    ("cell", "text"),
    [
        (13.0, "13"),
        (0.1 + 0.2, "0.3"),  # 15 digits, as a spreadsheet shows it
        (1e21, "1000000000000000000000"),
        (-0.05, "-0.05"),
        (True, "yes"),
        (False, "no"),
        (time(3, 5), "03:05:00"),
        (timedelta(minutes=3), "0:03:00"),
        (" as it is ", " as it is "),
        (date(2026, 3, 2), date(2026, 3, 2)),
        (None, None),
    ],
)
def test_typed_cells_of_a_workbook(cell: Any, text: object) -> None:
    assert typed(cell) == text


@pytest.mark.parametrize(
    ("number", "day"),
    [
        # The spreadsheet's own count: 2026-02-03 is day 46056 (as a workbook without date format gave it).
        (46056.0, datetime.fromisoformat("2026-02-03")),
        (46056.75, datetime.fromisoformat("2026-02-03 18:00")),
        (18264.0, datetime.fromisoformat("1950-01-01")),
        (73415.0, datetime.fromisoformat("2100-12-31")),
    ],
)
def test_a_bare_number_in_a_column_of_dates_is_a_day_number(number: float, day: datetime) -> None:
    assert converter_for("delivered_on", None)(number) == day
    assert converter_for("delivered_on", declared(dates="%d.%m.%Y"))(number) == day
    assert converter_for("case_id", None)(number) == format(Decimal(number).normalize(), "f")


def test_a_number_far_from_any_day_is_no_day() -> None:
    assert converter_for("delivered_on", None)(20260302.0) == "20260302"
    assert converter_for("delivered_on", declared(dates="%Y%m%d"))(20260302.0) == date(2026, 3, 2)


@pytest.mark.parametrize(
    ("decimal", "text", "number"),
    [
        (",", "1.234,5", "1234.5"),
        (",", "0,85", "0.85"),
        (",", "1.234", "1234"),
        (",", "12", "12"),
        (",", "-3,0", "-3.0"),
        (",", "1 234 567,25", "1234567.25"),
        (",", "1'234,5", "1234.5"),
        (".", "1,234.5", "1234.5"),
        (".", "0.85", "0.85"),
        (".", "1,234", "1234"),
        (None, "0.85", "0.85"),
    ],
)
def test_numbers_as_the_map_declares(decimal: str | None, text: str, number: str) -> None:
    assert converter_for("cost", declared(decimal=decimal))(text) == number
    value = reading_converter("value", declared(decimal=decimal), numeric=True, tick=False)
    assert value(text) == number


@pytest.mark.parametrize(
    ("decimal", "text"),
    [
        (None, "1,234"),  # a thousand, or one and a bit: not decided here
        (None, "0,85"),
        (",", "1.5"),
        (",", "1.23,4"),
        (",", "1,2,3"),
        (".", "1.234,5"),
        (".", "1,23"),
        (".", ","),
        (",", "12 mm"),
        (",", "1.234'567,0"),
    ],
)
def test_numbers_that_do_not_fit_are_refused(decimal: str | None, text: str) -> None:
    for convert in (
        converter_for("cost", declared(decimal=decimal)),
        reading_converter("value", declared(decimal=decimal), numeric=True, tick=False),
    ):
        with pytest.raises(RefusedCell, match="decimal"):
            convert(text)


def test_a_typed_number_needs_no_decimal_sign() -> None:
    assert converter_for("cost", declared(decimal=","))(1234.5) == "1234.5"
    assert reading_converter("value", declared(decimal=","), numeric=True, tick=False)(1.5) == "1.5"


@steady
@given(amount=st.decimals(-(10**9), 10**9, places=2))
def test_any_amount_comes_back_from_both_ways_of_writing(amount: Decimal) -> None:
    english = f"{amount:,}"
    german = english.translate(str.maketrans(",.", ".,"))
    assert Decimal(str(converter_for("cost", declared(decimal="."))(english))) == amount
    assert Decimal(str(converter_for("cost", declared(decimal=","))(german))) == amount


@pytest.mark.parametrize(
    ("text", "factor", "value"), [("3", "60", "180"), ("2,1", "60", "126"), ("0,07", "100", "7"), ("0", "60", "0")]
)
def test_another_unit_is_turned_exactly(text: str, factor: str, value: str) -> None:
    # In floats, 2.1 * 60 is 126.00000000000001 and 0.07 * 100 is 7.000000000000001.
    convert = reading_converter("x", declared(decimal=","), numeric=True, tick=False, times=Decimal(factor))
    assert convert(text) == value


def test_what_is_no_number_cannot_be_multiplied() -> None:
    convert = reading_converter("x", declared(), numeric=True, tick=False, times=Decimal(60))
    with pytest.raises(RefusedCell, match="multiplies it by 60"):
        convert("long")
    assert convert(" ") is None


def test_dates_must_fit_the_declared_format() -> None:
    convert = converter_for("reported_on", declared(dates="%d.%m.%Y"))
    assert convert(" 3.2.2026 ") == date(2026, 2, 3)
    assert convert(date(2026, 2, 3)) == date(2026, 2, 3)
    assert convert("") is None
    for text in ("2026-02-03", "31.02.2026", "03.02.26", "03.02.2026 x"):
        with pytest.raises(RefusedCell, match=r"no date written like 25\.11\.2026"):
            convert(text)
    # Without a declaration nothing is turned; the row checks take ISO dates alone.
    assert converter_for("reported_on", declared())("03.02.2026") == "03.02.2026"


def test_times_may_be_written_as_days() -> None:
    convert = converter_for("recorded_at", declared(dates="%d.%m.%y", datetimes="%d.%m.%y %H:%M"))
    assert convert("03.02.26 14:05") == datetime.fromisoformat("2026-02-03 14:05")
    assert convert("03.02.26") == datetime.fromisoformat("2026-02-03")
    with pytest.raises(RefusedCell, match="datetimes"):
        convert("14:05")
    assert converter_for("recorded_at", declared())("2026-02-03 14:05") == "2026-02-03 14:05"


def test_teeth_are_turned_from_the_declared_notation_alone() -> None:
    # 11 is an upper right central incisor in ISO 3950, and an upper left canine in 1-32.
    assert converter_for("teeth", declared())("11") == "11"
    assert converter_for("teeth", declared(teeth="universal"))("11") == "23"
    assert converter_for("teeth", declared(teeth="universal"))(11.0) == "23"
    with pytest.raises(RefusedCell, match="33"):
        converter_for("teeth", declared(teeth="universal"))("33")


def test_translations_come_first_and_are_final() -> None:
    words = {"kind": {"br": "bridge"}, "difficulty": {"brux": "bruxism", "eng": "limited space", "-": ""}}
    found = declared(values=words | {"severity": {"1": "2"}, "cost": {"frei": "0.5"}}, decimal=",")
    assert converter_for("kind", found)(" BR ") == "bridge"
    assert converter_for("kind", found)("crown") == "crown"
    assert converter_for("difficulty", found)("Brux;long span; eng") == "bruxism;long span;limited space"
    assert converter_for("difficulty", found)("-") is None or converter_for("difficulty", found)("-") == ""
    assert converter_for("severity", found)(1.0) == "2"
    assert converter_for("cost", found)("frei") == "0.5"  # in our words already, not in theirs


def test_ticks() -> None:
    found = declared(yes=("x", "1"), no=("-",))
    free = reading_converter("value", found, numeric=False, tick=False)
    strict = reading_converter("value", found, numeric=False, tick=True)
    for convert in (free, strict):
        assert [convert(cell) for cell in ("X", "-", " ", None, 1.0, True)] == ["yes", "no", None, None, "yes", "yes"]
    assert free("110 um") == "110 um"
    with pytest.raises(RefusedCell, match=r"'\?' is no tick.*x, 1 as yes"):
        strict("?")
    assert converter_for("harm", found)("x") == "yes"
    # Without any sign declared there is nothing to hold a cell against.
    assert reading_converter("value", declared(), numeric=False, tick=True)("?") == "?"


def test_only_formats_that_fit_all_dates_are_offered() -> None:
    assert fitting_date_formats(["03.02.2026", "", "13.02.2026"]) == ("%d.%m.%Y",)
    assert set(fitting_date_formats(["03/02/2026"])) == {"%d/%m/%Y", "%m/%d/%Y"}  # a person must choose
    assert fitting_date_formats(["2026-02-03"]) == ("%Y-%m-%d",)
    assert fitting_date_formats(["03.02.2026", "2026-02-03"]) == ()
    assert fitting_date_formats([" "]) == ()


@steady
@given(
    days=st.lists(st.dates(date(1970, 1, 1), date(2060, 1, 1)), min_size=1, max_size=5),
    form=st.sampled_from(DATE_FORMATS),
)
def test_the_format_that_wrote_the_dates_is_always_offered(days: list[date], form: str) -> None:
    assert form in fitting_date_formats([day.strftime(form) for day in days])

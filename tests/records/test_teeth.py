"""Teeth: every valid code and no other, and the way between notations and back."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from remakes.errors import EntryError
from remakes.records.teeth import NOTATIONS, ToothError, parse_teeth, region

steady = settings(derandomize=True, deadline=None)

PERMANENT = [f"{quadrant}{tooth}" for quadrant in range(1, 5) for tooth in range(1, 9)]
DECIDUOUS = [f"{quadrant}{tooth}" for quadrant in range(5, 9) for tooth in range(1, 6)]
VALID = PERMANENT + DECIDUOUS


def universal(code: str) -> str:
    """ISO 3950 to 1-32 and A-T by arithmetic: a second witness beside the tables of the module."""
    quadrant, tooth = int(code[0]), int(code[1])
    if quadrant <= 4:
        return str({1: 9 - tooth, 2: 8 + tooth, 3: 25 - tooth, 4: 24 + tooth}[quadrant])
    return chr(ord("A") - 1 + {5: 6 - tooth, 6: 5 + tooth, 7: 16 - tooth, 8: 15 + tooth}[quadrant])


def palmer(code: str, *, signs: bool) -> str:
    quadrant, tooth = int(code[0]), int(code[1])
    name = str(tooth) if quadrant <= 4 else "ABCDE"[tooth - 1]
    if not signs:
        return ["UR", "UL", "LL", "LR"][(quadrant - 1) % 4] + name
    return ["{}┘", "└{}", "┌{}", "{}┐"][(quadrant - 1) % 4].format(name)


def test_every_two_digit_number_is_taken_or_refused_as_iso_3950_has_it() -> None:
    for number in range(100):
        text = f"{number:02d}"
        if text in VALID:
            assert parse_teeth(text) == text
        else:
            with pytest.raises(ToothError, match=f"'{text}' is no tooth"):
                parse_teeth(text)


@pytest.mark.parametrize("text", ["19", "49", "00", "90", "56", "3.6", "#36", "1111", "x", "-", "34-", "٣٤"])
def test_what_is_no_tooth_is_refused_with_what_to_write(text: str) -> None:
    with pytest.raises(ToothError, match="34 35 36") as refused:
        parse_teeth(text)
    assert 'teeth = "universal"' in refused.value.mend


@pytest.mark.parametrize(
    ("code", "number", "letters", "sign"),
    # Common knowledge of the trade, no source: the corners of both arches, permanent and deciduous.
    [
        ("18", "1", "UR8", "8┘"),
        ("11", "8", "UR1", "1┘"),
        ("21", "9", "UL1", "└1"),
        ("28", "16", "UL8", "└8"),
        ("38", "17", "LL8", "┌8"),
        ("36", "19", "LL6", "┌6"),
        ("31", "24", "LL1", "┌1"),
        ("41", "25", "LR1", "1┐"),
        ("48", "32", "LR8", "8┐"),
        ("55", "A", "URE", "E┘"),
        ("51", "E", "URA", "A┘"),
        ("65", "J", "ULE", "└E"),
        ("75", "K", "LLE", "┌E"),
        ("85", "T", "LRE", "E┐"),
    ],
)
def test_the_same_tooth_in_all_notations(code: str, number: str, letters: str, sign: str) -> None:
    assert parse_teeth(number, notation="universal") == code
    assert parse_teeth(letters, notation="palmer") == code
    assert parse_teeth(sign, notation="palmer") == code


@steady
@given(st.lists(st.sampled_from(VALID), unique=True))
def test_there_and_back_in_any_notation(codes: list[str]) -> None:
    plain = " ".join(codes)
    assert parse_teeth(plain) == plain
    assert parse_teeth(",".join(map(universal, codes)), notation="universal") == plain
    assert parse_teeth("; ".join(palmer(code, signs=False).lower() for code in codes), notation="palmer") == plain
    assert parse_teeth(" + ".join(palmer(code, signs=True) for code in codes), notation="palmer") == plain


@steady
@given(st.text(alphabet="0123456789ABTULR┘└ ,;+-–x", max_size=12), st.sampled_from(NOTATIONS))
def test_any_text_gives_canonical_codes_or_a_tooth_error(text: str, notation: str) -> None:
    try:
        found = parse_teeth(text, notation=notation).split()
    except ToothError:
        return
    assert len(set(found)) == len(found)
    assert set(found) <= set(VALID)
    assert parse_teeth(" ".join(found)).split() == found


@pytest.mark.parametrize(
    ("text", "codes"),
    [
        ("34-36", "34 35 36"),
        ("36 – 34", "36 35 34"),
        ("12-21", "12 11 21"),
        ("43-33", "43 42 41 31 32 33"),
        ("52-61", "52 51 61"),
        ("14", "14"),
        ("14-14", "14"),
        ("36,34; 36+35", "36 34 35"),
        ("34-36 35 37", "34 35 36 37"),
        ("  ", ""),
    ],
)
def test_ranges_separators_and_doubles(text: str, codes: str) -> None:
    assert parse_teeth(text) == codes


def test_ranges_run_along_the_arch_in_every_notation() -> None:
    assert parse_teeth("7-9", notation="universal") == "12 11 21"
    assert parse_teeth("UR2-UL1", notation="palmer") == "12 11 21"


@pytest.mark.parametrize("text", ["14-34", "11-51", "38-48-28"])
def test_a_range_stays_in_its_arch(text: str) -> None:
    with pytest.raises(ToothError):
        parse_teeth(text)


def test_the_end_of_one_arch_is_not_next_to_the_other() -> None:
    # 16 and 17 are neighbours in the count, not in the mouth.
    with pytest.raises(ToothError, match="different arches"):
        parse_teeth("16-17", notation="universal")


def test_an_unknown_notation_is_refused() -> None:
    with pytest.raises(EntryError, match="iso3950, universal, palmer"):
        parse_teeth("11", notation="fdi")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("teeth", "where"),
    [
        ("11 12 13", "anterior"),
        ("34 35 36", "posterior"),
        ("13 14", "both"),
        ("", "not recorded"),
        ("53", "anterior"),
        ("74 75", "posterior"),
    ],
)
def test_front_or_back(teeth: str, where: str) -> None:
    assert region(teeth) == where

"""Which teeth: two-digit codes as the records keep them, and the two other notations labs meet.

Codes: ISO 3950:2016 (first digit the quadrant, 1-4 permanent and 5-8 deciduous; second digit the
tooth, counted from the midline). The conversions from 1-32 and from quadrant signs are common
knowledge of the trade, no source. `11` or `32` are valid both in ISO 3950 and in 1-32, so the
notation is always said by the caller and never guessed.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from types import MappingProxyType
from typing import Literal, get_args

from remakes.errors import EntryError
from remakes.texts import later, run_on, t

__all__ = ["NOTATIONS", "Notation", "Region", "ToothError", "parse_teeth", "region"]

Notation = Literal["iso3950", "universal", "palmer"]
Region = Literal["anterior", "posterior", "both", "not recorded"]

NOTATIONS: tuple[Notation, ...] = get_args(Notation)

# Each arch from the patient's right to the patient's left, the order in which ranges run.
_UPPER = tuple(f"1{n}" for n in range(8, 0, -1)) + tuple(f"2{n}" for n in range(1, 9))
_LOWER = tuple(f"4{n}" for n in range(8, 0, -1)) + tuple(f"3{n}" for n in range(1, 9))
_UPPER_DECIDUOUS = tuple(f"5{n}" for n in range(5, 0, -1)) + tuple(f"6{n}" for n in range(1, 6))
_LOWER_DECIDUOUS = tuple(f"8{n}" for n in range(5, 0, -1)) + tuple(f"7{n}" for n in range(1, 6))
_ARCHES = (_UPPER, _LOWER, _UPPER_DECIDUOUS, _LOWER_DECIDUOUS)


def _universal_codes() -> dict[str, str]:
    # 1 is the upper right wisdom tooth; the count runs round the upper arch and back along the lower one.
    permanent = {str(n): code for n, code in enumerate(_UPPER + _LOWER[::-1], start=1)}
    return permanent | dict(zip("ABCDEFGHIJKLMNOPQRST", _UPPER_DECIDUOUS + _LOWER_DECIDUOUS[::-1], strict=True))


def _palmer_codes() -> dict[str, str]:
    codes = {}
    # The sign stands where the corner of the cross would: right quadrants have the number before it.
    for quadrant, (letters, before, after) in enumerate(
        (("UR", "", "┘"), ("UL", "└", ""), ("LL", "┌", ""), ("LR", "", "┐")), start=1
    ):
        teeth = {str(n): f"{quadrant}{n}" for n in range(1, 9)}
        teeth |= {letter: f"{quadrant + 4}{n}" for n, letter in enumerate("ABCDE", start=1)}
        for tooth, code in teeth.items():
            codes[letters + tooth] = codes[before + tooth + after] = code
    return codes


_CODES: MappingProxyType[Notation, MappingProxyType[str, str]] = MappingProxyType(
    {
        "iso3950": MappingProxyType({code: code for arch in _ARCHES for code in arch}),
        "universal": MappingProxyType(_universal_codes()),
        "palmer": MappingProxyType(_palmer_codes()),
    }
)
_EXAMPLES = MappingProxyType(
    {
        "iso3950": later("two-digit codes such as `34 35 36` (quadrants 1-4 with teeth 1-8, deciduous 5-8 with 1-5)"),
        "universal": later("numbers 1-32 such as `19 20 21`, or A-T for deciduous teeth"),
        "palmer": later(
            "quadrant and tooth such as `UR6 LL4`, or with the sign `6┘ └6 ┌6 6┐` (A-E for deciduous teeth)"
        ),
    }
)
_OTHER_NOTATION = later('If the list counts teeth another way, declare it: teeth = "universal" or "palmer".')

_DASH = re.compile(r"\s*[-–]\s*")
_SEPARATORS = re.compile(r"[\s,;+]+")


class ToothError(EntryError):
    """A text that names no tooth in the notation that was declared.

    Parameters
    ----------
    reason : str
        What was seen and what was needed.
    mend : str
        What to write instead.
    """

    def __init__(self, reason: str, mend: str) -> None:
        super().__init__(f"{reason} {mend}")
        self.reason = reason
        self.mend = mend


def parse_teeth(text: str, *, notation: Notation = "iso3950") -> str:
    """Which teeth does this text name, as ISO 3950 codes?

    Parameters
    ----------
    text : str
        Teeth separated by blanks, commas, semicolons or plus signs. A range `34-36` runs along its
        arch, over the midline where its ends lie on both sides: `12-21` is `12 11 21`.
        Letters may be small or capital.
    notation : {"iso3950", "universal", "palmer"}
        How the text counts teeth. `universal`: 1-32 from the upper right round to the lower right,
        A-T deciduous. `palmer`: `UR6`, `UL6`, `LL6`, `LR6` or the quadrant signs `6┘`, `└6`, `┌6`,
        `6┐`, with A-E for deciduous teeth.

    Returns
    -------
    str
        Codes separated by one blank, in the order given, each once: `34 35 36`.
        A blank text gives a blank: no tooth recorded.

    Raises
    ------
    ToothError
        A part of the text is no tooth, or a range does not stay within one arch.
    EntryError
        No such notation.

    References
    ----------
    ISO 3950:2016, Dentistry, Designation system for teeth and areas of the oral cavity.
    """
    if notation not in _CODES:
        raise EntryError(
            t(
                "{notation!r} is no way to number teeth. Use one of: {items}.",
                notation=notation,
                items=", ".join(NOTATIONS),
            )
        )
    found: dict[str, None] = {}
    for part in _SEPARATORS.split(_DASH.sub("-", text.strip())):
        if part:
            found |= dict.fromkeys(_codes_of(part, notation))
    return " ".join(found)


def region(teeth: str) -> Region:
    """Are these front or back teeth?

    Parameters
    ----------
    teeth : str
        ISO 3950 codes as `parse_teeth` gives them.

    Returns
    -------
    {"anterior", "posterior", "both", "not recorded"}
        Teeth 1-3 of a quadrant are anterior, 4-8 posterior; a blank text is not recorded.
    """
    anterior = {code[-1] <= "3" for code in teeth.split()}
    if not anterior:
        return "not recorded"
    if len(anterior) == 2:
        return "both"
    return "anterior" if True in anterior else "posterior"


def _codes_of(part: str, notation: Notation) -> Iterator[str]:
    first, dash, last = part.partition("-")
    start = _code_of(first, part, notation)
    if not dash:
        yield start
        return
    end = _code_of(last, part, notation)
    arch = next(arch for arch in _ARCHES if start in arch)
    if end not in arch:
        raise ToothError(
            t("The range {part!r} starts and ends in different arches.", part=part),
            t("Write a range within one arch, such as 34-36 or 12-21, or name the teeth one by one."),
        )
    i, j = arch.index(start), arch.index(end)
    yield from arch[i : j + 1] if i <= j else reversed(arch[j : i + 1])


def _code_of(tooth: str, part: str, notation: Notation) -> str:
    code = _CODES[notation].get(tooth.upper())
    if code is None:
        shown = f"{tooth!r}" if tooth == part else t("{tooth!r} in {part!r}", tooth=tooth, part=part)
        raise ToothError(
            t("{shown} is no tooth in the notation {notation}.", shown=shown, notation=notation),
            run_on(
                t("Write {needed}.", needed=_EXAMPLES[notation]), t(_OTHER_NOTATION) if notation == "iso3950" else ""
            ),
        )
    return code

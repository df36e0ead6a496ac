"""What a sheet of a workbook does not show at first sight: errors, formulas never worked out, hidden and merged cells.

The reader hands over values only: an error or a formula that no program has worked out comes as a blank, a merged cell
as one value and blanks, and what is hidden like everything else. All of that must be told.
"""

from __future__ import annotations

import io
import re
import zipfile
from dataclasses import dataclass
from html import unescape
from typing import IO, Final

__all__ = ["SheetMarks", "sheet_marks"]

_SHEET: Final = re.compile(r"<(?:\w+:)?sheet\b[^>]*>")
_RELATION: Final = re.compile(r"<(?:\w+:)?Relationship\b[^>]*>")
_ATTRIBUTE: Final = re.compile(r'([\w:]+)="([^"]*)"')
_ERROR: Final = re.compile(rb'<(?:\w+:)?c\b(?=[^>]*\bt="e")[^>]*\br="([A-Z]+[0-9]+)"')
#: A formula without a value behind it. One that was worked out to an empty text (t="str") has said so.
_UNCALCULATED: Final = re.compile(
    rb'<(?:\w+:)?c\b(?![^>]*\bt="str")[^>]*\br="([A-Z]+[0-9]+)"[^>/]*>\s*'
    rb"<(?:\w+:)?f\b(?:[^>]*/>|[^>]*>[^<]*</(?:\w+:)?f>)\s*(?:<(?:\w+:)?v\s*/>|<(?:\w+:)?v></(?:\w+:)?v>)?\s*</(?:\w+:)?c>"
)
_HIDDEN_ROW: Final = re.compile(rb'<(?:\w+:)?row\b(?=[^>]*\bhidden="(?:1|true)")[^>]*\br="([0-9]+)"')
_HIDDEN_COLUMNS: Final = re.compile(rb'<(?:\w+:)?col\b(?=[^>]*\bhidden="(?:1|true)")[^>]*>')
_MERGED: Final = re.compile(rb'<(?:\w+:)?mergeCell\b[^>]*\bref="([A-Z]+[0-9]+:[A-Z]+[0-9]+)"')
_AT_ONCE: Final = 4_000_000
#: A cell with its formula is no longer.
_OVERLAP: Final = 10_000
#: No list of a lab is longer; whatever unfolds to more is not looked at any further.
_MOST_BYTES: Final = 1_500_000_000
_MOST_BYTES_OF_A_LIST: Final = 10_000_000
#: Sheets have no more columns.
_MOST_COLUMNS: Final = 16_384


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetMarks:
    """Where they stand, each in the order of the sheet.

    Attributes
    ----------
    errors, uncalculated : tuple of str
        Cells, such as `E2`.
    hidden_rows : tuple of int
        Lines.
    hidden_columns : tuple of int
        Places, from 0.
    merged : tuple of str
        Ranges, such as `A2:A5`.
    """

    errors: tuple[str, ...] = ()
    uncalculated: tuple[str, ...] = ()
    hidden_rows: tuple[int, ...] = ()
    hidden_columns: tuple[int, ...] = ()
    merged: tuple[str, ...] = ()


def sheet_marks(data: bytes, sheet: str) -> SheetMarks:
    """What of this a sheet has; nothing for formats other than .xlsx, and where nothing tells."""
    if not data.startswith(b"PK\x03\x04"):
        return SheetMarks()
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            part = _part_of(archive, sheet)
            if part is None:
                return SheetMarks()
            with archive.open(part) as opened:
                return _found_in(opened)
    except Exception:  # damaged in any way: the reader itself says so
        return SheetMarks()


def _part_of(archive: zipfile.ZipFile, sheet: str) -> str | None:
    sheets = [dict(_ATTRIBUTE.findall(tag)) for tag in _SHEET.findall(_text(archive, "xl/workbook.xml"))]
    wanted = next((one.get("r:id") for one in sheets if unescape(one.get("name", "")) == sheet), None)
    for tag in _RELATION.findall(_text(archive, "xl/_rels/workbook.xml.rels")):
        one = dict(_ATTRIBUTE.findall(tag))
        if wanted is not None and one.get("Id") == wanted:
            target = one["Target"]
            return target.lstrip("/") if target.startswith("/") else f"xl/{target}"
    return None


def _text(archive: zipfile.ZipFile, name: str) -> str:
    with archive.open(name) as part:
        return part.read(_MOST_BYTES_OF_A_LIST).decode("utf-8")


def _found_in(part: IO[bytes]) -> SheetMarks:
    # A mark may stand in two pieces, since they overlap: each counts once.
    found: dict[re.Pattern[bytes], dict[str, None]] = {
        one: {} for one in (_ERROR, _UNCALCULATED, _HIDDEN_ROW, _HIDDEN_COLUMNS, _MERGED)
    }
    left, done = b"", 0
    while done < _MOST_BYTES and (more := part.read(_AT_ONCE)):
        text = left + more
        for pattern, marks in found.items():
            marks.update((mark.decode("utf-8"), None) for mark in pattern.findall(text))
        left, done = text[-_OVERLAP:], done + len(more)
    return SheetMarks(
        errors=tuple(found[_ERROR]),
        uncalculated=tuple(found[_UNCALCULATED]),
        hidden_rows=tuple(map(int, found[_HIDDEN_ROW])),
        hidden_columns=tuple(place for tag in found[_HIDDEN_COLUMNS] for place in _places(tag)),
        merged=tuple(found[_MERGED]),
    )


def _places(tag: str) -> range:
    one = dict(_ATTRIBUTE.findall(tag))
    return range(int(one["min"]) - 1, min(int(one["max"]), _MOST_COLUMNS))

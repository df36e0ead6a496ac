"""Cells of a workbook that hold an error such as #N/A: the reader hands them over as blanks, which must be told."""

from __future__ import annotations

import io
import re
import zipfile
from html import unescape
from typing import IO, Final

__all__ = ["error_cells"]

_SHEET: Final = re.compile(r"<(?:\w+:)?sheet\b[^>]*>")
_RELATION: Final = re.compile(r"<(?:\w+:)?Relationship\b[^>]*>")
_ATTRIBUTE: Final = re.compile(r'([\w:]+)="([^"]*)"')
_CELL: Final = re.compile(rb'<(?:\w+:)?c\b(?=[^>]*\bt="e")[^>]*\br="([A-Z]+[0-9]+)"')
_AT_ONCE: Final = 4_000_000
#: The start tag of a cell is far shorter.
_OVERLAP: Final = 400


def error_cells(data: bytes, sheet: str) -> tuple[str, ...]:
    """Where the errors of a sheet stand, such as `E2`; empty for formats other than .xlsx, and where nothing tells."""
    if not data.startswith(b"PK\x03\x04"):
        return ()
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            part = _part_of(archive, sheet)
            if part is None:
                return ()
            with archive.open(part) as opened:
                return _found_in(opened)
    except Exception:  # damaged in any way: the reader itself says so
        return ()


def _part_of(archive: zipfile.ZipFile, sheet: str) -> str | None:
    book = archive.read("xl/workbook.xml").decode("utf-8")
    sheets = [dict(_ATTRIBUTE.findall(tag)) for tag in _SHEET.findall(book)]
    wanted = next((one.get("r:id") for one in sheets if unescape(one.get("name", "")) == sheet), None)
    relations = archive.read("xl/_rels/workbook.xml.rels").decode("utf-8")
    for tag in _RELATION.findall(relations):
        one = dict(_ATTRIBUTE.findall(tag))
        if wanted is not None and one.get("Id") == wanted:
            target = one["Target"]
            return target.lstrip("/") if target.startswith("/") else f"xl/{target}"
    return None


def _found_in(part: IO[bytes]) -> tuple[str, ...]:
    found: dict[str, None] = {}
    left = b""
    while more := part.read(_AT_ONCE):
        text = left + more
        found.update((cell.decode("ascii"), None) for cell in _CELL.findall(text))
        left = text[-_OVERLAP:]
    return tuple(found)

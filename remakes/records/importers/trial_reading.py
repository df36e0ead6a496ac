"""Refuse a workbook that would take all memory, before it is read.

The reader lays out every cell up to the last one. Most workbooks tell how far each sheet reaches; any other is read
in a process of its own first. A damaged file can name a last cell that no memory holds, and
the reader then ends the whole program, with everybody's work in it: better a child than the program.
"""

from __future__ import annotations

import io
import re
import subprocess
import sys
import zipfile
from typing import Final

from remakes.errors import FileError
from remakes.texts import t

__all__ = ["WORKBOOK_SIGNATURES", "refuse_unreadable"]

#: How a workbook begins: as an archive, or as an older file.
WORKBOOK_SIGNATURES: Final = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")
#: A sheet that claims more cells than this holds a stray cell far from its table.
_MOST_CELLS: Final = 30_000_000
_DIMENSION: Final = re.compile(rb'<dimension ref="[A-Z]+[0-9]+:([A-Z]+)([0-9]+)"')
#: The memory of the child, in bytes: many times what a list of a lab takes.
_MOST_MEMORY: Final = 4_000_000_000
_MOST_SECONDS: Final = 180
# A workbook that the reader refuses in words ends well: the words are the caller's.
_CHILD: Final = """
import io, sys
from python_calamine import CalamineError, CalamineWorkbook
try:
    import resource
    resource.setrlimit(resource.RLIMIT_AS, (int(sys.argv[1]), int(sys.argv[1])))
except (ImportError, ValueError, OSError):
    pass  # a system that knows no such limit: the child alone ends there, later
try:
    workbook = CalamineWorkbook.from_filelike(io.BytesIO(sys.stdin.buffer.read()))
    for name in workbook.sheet_names:
        workbook.get_sheet_by_name(name)
except CalamineError:
    pass  # refused in words: the caller meets the same error and tells it
"""


def refuse_unreadable(file: str, data: bytes) -> None:
    """Refuse a workbook that no memory holds, or whose damage would end the program.

    Raises
    ------
    FileError
        A sheet reaches too far, or reading it alone did not end well.
    """
    if not data.startswith(WORKBOOK_SIGNATURES):  # refused in words at its first bytes
        return
    if not _tells_its_size(file, data) and not _can_be_read(data):
        raise FileError(
            t(
                "{file} cannot be read: it is damaged, or some cell far from the table is filled. Open it in a "
                "spreadsheet program, delete the empty rows and columns around the table, and save it again "
                "as .xlsx; or save the sheet as CSV.",
                file=file,
            )
        )


def _tells_its_size(file: str, data: bytes) -> bool:
    """Does every sheet say how far it reaches? One that reaches too far is refused.

    The reader lays out every cell up to the last one: one stray cell in the far corner would take all memory.
    """
    if not data.startswith(b"PK\x03\x04"):
        return False
    told: list[bool] = []
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        for name in archive.namelist():
            if not name.startswith("xl/worksheets/sheet"):
                continue
            try:
                with archive.open(name) as part:
                    match = _DIMENSION.search(part.read(4096))
            except Exception:  # noqa: S112 - damaged in any way: the reader itself says so
                continue
            # A sheet of one cell is what some programs say of every sheet.
            told.append(match is not None)
            if match and _column_number(match[1]) * int(match[2]) > _MOST_CELLS:
                raise FileError(
                    t(
                        "{file}: a sheet reaches to {cell}. Some cell far from the table is filled: "
                        "delete the empty rows and columns around the table and save it again.",
                        file=file,
                        cell=f"{match[1].decode()}{match[2].decode()}",
                    )
                )
    return bool(told) and all(told)


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number


def _can_be_read(data: bytes) -> bool:
    """Does reading every sheet of this workbook end, well or with an error in words?"""
    command = [sys.executable, "-c", _CHILD, str(_MOST_MEMORY)]
    try:
        done = subprocess.run(  # noqa: S603 - our own script, by this interpreter; nothing of the file is in the command
            command, input=data, capture_output=True, timeout=_MOST_SECONDS, check=False
        )
    except subprocess.TimeoutExpired:
        return False
    return done.returncode == 0

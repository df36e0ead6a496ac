"""What was uploaded: which files are known by their names or their shape, and which need questions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any, Final

import streamlit as st

from remakes.errors import RemakesError
from remakes.records.importers.column_map import ColumnMap, TableMap
from remakes.records.importers.grids import column_key
from remakes.records.importers.own_writing import written_as_ours
from remakes.records.importers.shapes import RememberedMap, standing_for
from remakes.records.importers.sheets import Sheet, SheetFile, open_sheets
from remakes.records.importers.ways_of_writing import counted_texts
from remakes.records.rows import COLUMNS

__all__ = ["Upload", "counted", "look", "opened"]

_OPENED: Final = "intake_opened"
_COUNTED: Final = "intake_counted"
#: Lists of one visit that are kept open.
_MOST_OPENED: Final = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Upload:
    """One uploaded file.

    Attributes
    ----------
    name, mark : str
        `mark` tells it from another file of the same name.
    data : bytes
    standing : tuple of TableMap
        Blocks for its sheets that are named as in the records, where others of it need a block.
    sheets : tuple of (sheet, remembered map or None)
        What must be read through a map. Empty where the file is known by its name.
    fault : str
        Why it cannot be read.
    """

    name: str
    mark: str
    data: bytes
    standing: tuple[TableMap, ...] = ()
    sheets: tuple[tuple[str, RememberedMap | None], ...] = ()
    fault: str = ""


def opened(upload: Upload, encoding: str | None = None) -> SheetFile:
    """The file, opened once for a visit."""
    kept: dict[Any, SheetFile] = st.session_state.setdefault(_OPENED, {})
    key = (upload.mark, encoding)
    if key not in kept:
        while len(kept) >= _MOST_OPENED:
            del kept[next(iter(kept))]
        kept[key] = open_sheets(upload.name, upload.data, encoding=encoding)
    return kept[key]


def counted(upload: Upload, sheet: Sheet, encoding: str | None, column: str) -> Mapping[str, int]:
    """The texts of one column with their rows, counted once for a visit."""
    kept: dict[Any, Mapping[str, int]] = st.session_state.setdefault(_COUNTED, {})
    key = (upload.mark, encoding, sheet.grid.sheet, sheet.header, column)
    if key not in kept:
        kept[key] = counted_texts(sheet.cells(column))
    return kept[key]


def look(upload: Upload, column_map: ColumnMap | None, remembered: Mapping[str, RememberedMap]) -> Upload:
    """The same upload with what must be asked about it, or why it cannot be read."""
    ending = PurePath(upload.name).suffix.casefold()
    if ending == ".toml" or (column_map is not None and column_map.blocks_for(upload.name)):
        return upload
    try:
        return _looked_at(upload, opened(upload), remembered)
    except RemakesError as error:
        return Upload(name=upload.name, mark=upload.mark, data=upload.data, fault=str(error))


def _looked_at(upload: Upload, file: SheetFile, remembered: Mapping[str, RememberedMap]) -> Upload:
    own: dict[str, str] = {}
    mapped: dict[str, RememberedMap | None] = {}
    for name in file.sheets:
        table = _table_by_name(upload.name, name, file)
        try:
            sheet = file.sheet(name, shapes=remembered)
        except RemakesError:  # an empty sheet beside others is passed over
            if len(file.sheets) == 1:
                raise
            continue
        ours = bool(table) and sheet.holds(table)
        if ours and written_as_ours(sheet, table):
            own[name] = table
        elif ours or sheet.shape in remembered:
            mapped[name] = remembered.get(sheet.shape)
    if not mapped:
        asked = () if own else ((file.sheets[0], None),)
        return Upload(name=upload.name, mark=upload.mark, data=upload.data, sheets=asked)
    standing = tuple(standing_for(file.sheet(name), table, upload.name) for name, table in own.items())
    return Upload(name=upload.name, mark=upload.mark, data=upload.data, standing=standing, sheets=tuple(mapped.items()))


def _table_by_name(file: str, sheet: str, opened_file: SheetFile) -> str:
    for name in (column_key(sheet), PurePath(file).stem.casefold() if sheet == opened_file.sheets[0] else ""):
        if name in COLUMNS:
            return name
    return ""

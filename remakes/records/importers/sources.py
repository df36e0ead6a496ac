"""Which files and sheets hold which table, in the order in which they must be saved.

A file is known by its name, by the names of its sheets, or by the block of a column map that fits it.
Everything is read here, before anything is saved, so that one unreadable file stops the import whole.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from remakes.errors import FileError, MapError
from remakes.records.importers.column_map import ColumnMap, TableMap
from remakes.records.importers.column_map_reading import holds_nul
from remakes.records.importers.grids import (
    WORKBOOK_ENDINGS,
    Grid,
    Workbook,
    column_key,
    open_workbook,
    read_bytes,
)
from remakes.records.importers.text_lists import read_text_list
from remakes.records.rows import COLUMNS
from remakes.texts import later, t

__all__ = ["SAVING_ORDER", "Source", "Sources", "find_sources"]

#: Restorations need no other table; readings need the standard's steps; returns need the restorations.
SAVING_ORDER = ("standard", "actions", "restorations", "process_log", "bench_sheet", "returns", "")
_TOML_TABLES = ("standard", "actions")
_TEXT_ENDINGS = frozenset({".csv", ".tsv", ".txt"})
_KNOWN_NAMES = later(
    "restorations.csv, process_log.csv, returns.csv, standard.toml, actions.toml, or a workbook "
    "with sheets of these names"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One file or sheet, read, and the table it holds.

    Attributes
    ----------
    table : str
        One of `SAVING_ORDER`; empty where nothing tells (only in a preview).
    text : str
        The content of a TOML file.
    grid : Grid, optional
        The rows of anything else.
    table_map : TableMap, optional
        The block of the column map that it is read through.
    """

    file: str
    table: str
    sha256: str
    text: str = ""
    grid: Grid | None = None
    table_map: TableMap | None = None

    @property
    def sheet(self) -> str:
        """The sheet's name; empty for a file without sheets."""
        return self.grid.sheet if self.grid is not None else ""

    @property
    def rows_grid(self) -> Grid:
        """The rows of a list; a TOML file has none."""
        if self.grid is None:
            raise TypeError(f"{self.file} is no list of rows")
        return self.grid


@dataclass(slots=True, kw_only=True)
class Sources:
    """All that was found; `notes` tell what was passed over."""

    found: list[Source] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def in_order(self) -> list[Source]:
        """In the order of saving; files of one table stay in the order given."""
        return sorted(self.found, key=lambda source: SAVING_ORDER.index(source.table))


def find_sources(paths: Sequence[Path], column_map: ColumnMap | None, *, keep_unknown: bool = False) -> Sources:
    """Read the files named, and those of the folders named.

    Parameters
    ----------
    paths : sequence of Path
        Folders or files, in any order. In a folder, files of unknown name are passed over with a note;
        a workbook there is only read if the folder holds no file of a known name.
    column_map : ColumnMap, optional
        Its blocks come before the known names.
    keep_unknown : bool
        Keep a file named outright whose table nothing tells, with an empty `table` (for a preview).

    Raises
    ------
    FileError
        A missing or unreadable file, a folder without a known file, a file of unknown name.
    MapError
        A block of the map names a sheet that its file has not.
    """
    sources = Sources()
    used: set[TableMap] = set()
    for path in dict.fromkeys(paths):
        if path.is_dir():
            _read_folder(path, column_map, sources, used)
            continue
        before = len(sources.found)
        sources.found.extend(_read_file(path, column_map, sources.notes, used))
        if len(sources.found) == before:
            if not keep_unknown:
                raise _unknown(path, column_map)
            sources.found.extend(_read_unknown(path))
    if column_map is not None:
        _note_unused(column_map, used, sources.notes)
    if not sources.found:
        raise FileError(t("No file was named. Give a folder or files: {known_names}.", known_names=_KNOWN_NAMES))
    return sources


def _read_folder(folder: Path, column_map: ColumnMap | None, sources: Sources, used: set[TableMap]) -> None:
    files = _files_of(folder, column_map)
    workbooks = [path for path in files if _is_workbook(path) and not _is_mapped(path, column_map)]
    found = {path: list(_read_file(path, column_map, sources.notes, used)) for path in files if path not in workbooks}
    alone = not any(found.values())
    for path in workbooks:
        if alone or path.stem.casefold() in COLUMNS:
            found[path] = list(_read_file(path, column_map, sources.notes, used))
    if not any(found.values()):
        there = ", ".join(path.name for path in files[:8]) or t("nothing")
        raise FileError(
            t(
                "The folder {folder} holds no file that is known by its name; there is: {there}. Needed is "
                "at least one of {known_names}; or name the files in a column map (--map).",
                folder=folder,
                there=there,
                known_names=_KNOWN_NAMES,
            )
        )
    passed_over = [path.name for path in files if not found.get(path)]
    if passed_over:
        sources.notes.append(t("Not read, since their names tell nothing: {items}.", items=", ".join(passed_over)))
    for read in found.values():
        sources.found.extend(read)


def _files_of(folder: Path, column_map: ColumnMap | None) -> list[Path]:
    try:
        files = sorted(path for path in folder.iterdir() if path.is_file())
    except OSError as error:
        raise FileError(
            t(
                "The folder {folder} cannot be read ({strerror}). Check its rights.",
                folder=folder,
                strerror=error.strerror,
            )
        ) from error
    # Hidden files, lock files of an open spreadsheet, and the map itself are no lists.
    passed = (".", "~$")
    return [
        path for path in files if not path.name.startswith(passed) and path.name != (column_map and column_map.file)
    ]


def _is_workbook(path: Path) -> bool:
    return path.suffix.casefold() in WORKBOOK_ENDINGS


def _is_mapped(path: Path, column_map: ColumnMap | None) -> bool:
    return column_map is not None and bool(column_map.blocks_for(path.name))


def _read_file(path: Path, column_map: ColumnMap | None, notes: list[str], used: set[TableMap]) -> Iterator[Source]:
    """The tables of one file: by the map, else by its name, else by its sheets' names."""
    blocks = column_map.blocks_for(path.name) if column_map is not None else ()
    if blocks:
        used.update(blocks)
        yield from _read_mapped(path, blocks)
        return
    stem, ending = path.stem.casefold(), path.suffix.casefold()
    if ending == ".toml" and stem in _TOML_TABLES:
        yield _read_toml(path, stem)
    elif ending in _TEXT_ENDINGS and stem in COLUMNS:
        data = read_bytes(path)
        yield _source(path, stem, data, grid=read_text_list(path.name, data, known=COLUMNS[stem]))
    elif ending in WORKBOOK_ENDINGS:
        yield from _read_workbook(path, notes)
    elif not path.is_file():
        raise FileError(t("{path} does not exist. Check the name and the folder.", path=path))


def _source(path: Path, table: str, data: bytes, *, grid: Grid, table_map: TableMap | None = None) -> Source:
    return Source(file=path.name, table=table, sha256=hashlib.sha256(data).hexdigest(), grid=grid, table_map=table_map)


def _read_toml(path: Path, table: str) -> Source:
    data = read_bytes(path)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileError(t("{name} is not UTF-8 text. Save it again in UTF-8.", name=path.name)) from error
    if holds_nul(text):
        raise FileError(t("{name} holds a NUL character (\\u0000), which no text needs. Take it out.", name=path.name))
    return Source(file=path.name, table=table, sha256=hashlib.sha256(data).hexdigest(), text=text)


def _read_mapped(path: Path, blocks: Sequence[TableMap]) -> Iterator[Source]:
    data = read_bytes(path)
    workbook = open_workbook(path.name, data) if _is_workbook(path) else None
    for block in blocks:
        if workbook is not None:
            grid = workbook.grid(_sheet_of(block, workbook))
        elif block.sheet:
            raise MapError(
                t(
                    "The column map names sheet {sheet!r} of {name}, which is no workbook. Leave sheet out, or "
                    "correct the file's name in the map.",
                    sheet=block.sheet,
                    name=path.name,
                )
            )
        else:
            grid = read_text_list(path.name, data, known=block.known_names, encoding=block.encoding)
        yield _source(path, block.table, data, grid=grid, table_map=block)


def _sheet_of(block: TableMap, workbook: Workbook) -> str:
    if not block.sheet:
        return _first_visible(workbook)
    sheets = {column_key(sheet): sheet for sheet in (*workbook.hidden, *workbook.visible)}
    found = sheets.get(column_key(block.sheet))
    if found is None:
        raise MapError(
            t(
                "{file} has no sheet {sheet!r}, which the column map names. Its sheets are: {items}. Correct "
                "the sheet's name in the map.",
                file=workbook.file,
                sheet=block.sheet,
                items=", ".join(workbook.visible),
            )
        )
    return found


def _first_visible(workbook: Workbook) -> str:
    if not workbook.visible:
        raise FileError(
            t("{file} has no visible sheet. Show the sheet with the list and save it again.", file=workbook.file)
        )
    return workbook.visible[0]


def _read_workbook(path: Path, notes: list[str]) -> Iterator[Source]:
    data = read_bytes(path)
    workbook = open_workbook(path.name, data)
    passed_over = []
    found = 0
    for sheet in workbook.visible:
        key = column_key(sheet)
        if key in COLUMNS:
            found += 1
            yield _source(path, key, data, grid=workbook.grid(sheet))
        elif key in _TOML_TABLES:
            notes.append(
                t(
                    "{name}: the sheet {sheet} was not read. The {key} is kept in a file of its own, {key}.toml.",
                    name=path.name,
                    sheet=sheet,
                    key=key,
                )
            )
        else:
            passed_over.append(sheet)
    if not found and path.stem.casefold() in COLUMNS:
        sheet = _first_visible(workbook)
        passed_over = [other for other in passed_over if other != sheet]
        yield _source(path, path.stem.casefold(), data, grid=workbook.grid(sheet))
        found = 1
    passed_over += [t("{sheet} (hidden)", sheet=sheet) for sheet in workbook.hidden]
    if found and passed_over:
        notes.append(t("{name}: sheets not read: {items}.", name=path.name, items=", ".join(passed_over)))


def _read_unknown(path: Path) -> Iterator[Source]:
    data = read_bytes(path)
    if _is_workbook(path):
        workbook = open_workbook(path.name, data)
        grids = [workbook.grid(sheet) for sheet in workbook.visible]
    else:
        known = {column for columns in COLUMNS.values() for column in columns}
        grids = [read_text_list(path.name, data, known=known)]
    for grid in grids:
        yield _source(path, "", data, grid=grid)


def _unknown(path: Path, column_map: ColumnMap | None) -> FileError:
    if _is_workbook(path):
        sheets = ", ".join(open_workbook(path.name, read_bytes(path)).visible)
        return FileError(
            t(
                "{name} has no visible sheet named {items}; its visible sheets are: {sheets}. Rename the "
                "sheets, or say in a column map (--map) what they hold.",
                name=path.name,
                items=", ".join(COLUMNS),
                sheets=sheets or t("no sheet"),
            )
        )
    fits = (
        t("no block of {file} fits it", file=column_map.file)
        if column_map is not None
        else t("no column map was given")
    )
    return FileError(
        t(
            "{name}: this name tells nothing about what the file holds, and {fits}. Known are "
            "{known_names}. Rename it, or say in a column map (--map) what it holds.",
            name=path.name,
            fits=fits,
            known_names=_KNOWN_NAMES,
        )
    )


def _note_unused(column_map: ColumnMap, used: set[TableMap], notes: list[str]) -> None:
    notes.extend(
        t(
            "{file}: no file fits the block for {table}, file = {pattern!r}.",
            file=column_map.file,
            table=block.table,
            pattern=block.file,
        )
        for block in column_map.tables
        if block not in used
    )

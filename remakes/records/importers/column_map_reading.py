"""Read a column map from its TOML file: checked as a whole before any list is read, every mistake told."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterable, Mapping
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from types import MappingProxyType
from typing import Any, cast, get_args

from remakes.errors import MapError
from remakes.records.cells import did_you_mean
from remakes.records.importers.column_map import (
    BENCH_COLUMNS,
    MAP_CODES,
    NEEDED,
    ColumnMap,
    ColumnMapError,
    MappedTable,
    ReadingColumn,
    TableMap,
)
from remakes.records.importers.grids import column_key
from remakes.records.rows import COLUMNS
from remakes.records.teeth import NOTATIONS, Notation
from remakes.records.toml_blocks import Block, Blocks, Mistake, is_number
from remakes.texts import t

__all__ = ["column_map_of_bytes", "holds_nul", "load_column_map", "parse_column_map"]

_TABLES: tuple[MappedTable, ...] = get_args(MappedTable)
_KEYS = (
    *("is", "file", "sheet", "columns", "readings", "dates", "datetimes", "decimal"),
    *("teeth", "values", "yes", "no", "encoding"),
)
_NUL = re.compile(r"\x00|\\u0000|\\U00000000")


def holds_nul(text: str) -> bool:
    """Would a TOML file with this text give a NUL character? No database takes one."""
    return _NUL.search(text) is not None


def load_column_map(path: Path) -> ColumnMap:
    """Read a column map from its file.

    Raises
    ------
    MapError
        The file cannot be read, or has mistakes (`ColumnMapError`, which lists them all).
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise MapError(
            t(
                "The column map {path} cannot be read ({reason}). Check the name given to --map.",
                path=path,
                reason=reason,
            )
        ) from error
    return column_map_of_bytes(data, file=path.name)


def column_map_of_bytes(data: bytes, *, file: str) -> ColumnMap:
    """Read a column map from the content of its file.

    Raises
    ------
    MapError
        No UTF-8 text, or mistakes (`ColumnMapError`, which lists them all).
    """
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise MapError(t("The column map {name} is not UTF-8 text. Save it again in UTF-8.", name=file)) from error
    return parse_column_map(text, file=file)


def parse_column_map(text: str, *, file: str) -> ColumnMap:
    """Read a column map, or say everything that is wrong with it.

    Parameters
    ----------
    text : str
        The content of the TOML file.
    file : str
        Its name, for the messages.

    Raises
    ------
    ColumnMapError
        Any mistake: no TOML, an unknown key, table or column, a date format that loses the day, the
        month or the year, a translation to no known code. The error lists them all.
    """
    if holds_nul(text):
        nul = Mistake(block=t("file"), key="\\u0000", seen="", needed=t("a file without NUL characters"))
        raise ColumnMapError(file, (nul,))
    blocks = Blocks(text)
    top = blocks.top()
    if blocks.readable:
        top.only(("table",))
        if "table" not in top:
            top.mistake("table", t("needed is at least one block [[table]]"))
    found = blocks.tables("table")
    tables = tuple(_table_map(block) for block in found)
    _refuse_doubled(found, tables)
    if blocks.mistakes:
        raise ColumnMapError(file, tuple(sorted(blocks.mistakes, key=lambda mistake: mistake.line or 0)))
    return ColumnMap(file=file, tables=tables)


def _table_map(block: Block) -> TableMap:
    block.only(_KEYS)
    table = _one_of(block, "is", _TABLES, needed=True) or "restorations"
    columns = _columns(block, cast(MappedTable, table))
    readings = _readings(block, table)
    named = (*columns, *(one.reading for one in readings))
    return TableMap(
        table=cast(MappedTable, table),
        file=_file_pattern(block),
        sheet=block.text("sheet") or "",
        columns=MappingProxyType(columns),
        readings=readings,
        dates=_format(block, "dates", datetime(2026, 11, 25)),  # noqa: DTZ001 - a calendar day
        datetimes=_format(block, "datetimes", datetime(2026, 11, 25, 14, 35)),  # noqa: DTZ001 - the lab's clock
        decimal=_one_of(block, "decimal", (",", ".")),
        teeth=cast(Notation, _one_of(block, "teeth", NOTATIONS) or "iso3950"),
        values=MappingProxyType(_values(block, named)),
        **_ticks(block, table),
        encoding=_encoding(block),
    )


def _one_of(block: Block, key: str, known: Iterable[str], *, needed: bool = False) -> str | None:
    known = tuple(known)
    seen = block.text(key, needed=t("one of {items}", items=", ".join(known)) if needed else None)
    if seen is not None and seen not in known:
        block.mistake(
            key,
            t("needed is one of {items}.{did_you_mean}", items=" ".join(known), did_you_mean=did_you_mean(seen, known)),
            seen=seen,
        )
        return None
    return seen


def _file_pattern(block: Block) -> str:
    pattern = block.text("file", needed=t('the name of the file, or a pattern such as "orders*.xlsx"')) or ""
    if "/" in pattern or "\\" in pattern:
        block.mistake("file", t("needed is the name alone, without folders"), seen=pattern)
    return pattern


def _columns(block: Block, table: MappedTable) -> dict[str, str]:
    known = BENCH_COLUMNS if table == "bench_sheet" else COLUMNS[table]
    found = _texts_by_name(block, "columns", block.values.get("columns"), of=t("columns of the file"))
    for column in found:
        if column not in known:
            hint = did_you_mean(column, known)
            block.mistake(
                "columns",
                t(
                    "{table} has no column {column}; it has {items}.{hint}",
                    table=table,
                    column=column,
                    items=", ".join(known),
                    hint=hint,
                ),
            )
    missing = [column for column in NEEDED[table] if column not in found]
    if missing:
        block.mistake("columns", t("{table} also needs: {items}", table=table, items=", ".join(missing)))
    if table == "restorations" and not {"units", "teeth"} & set(found):
        block.mistake("columns", t("restorations also needs the column of units or of teeth"))
    if {"technician", "operator"} <= set(found) and table == "bench_sheet":
        block.mistake("columns", t("technician and operator are the same on a bench sheet; name one of them"))
    return found


def _texts_by_name(block: Block, key: str, value: object, *, of: str) -> dict[str, str]:
    if not isinstance(value, dict):
        block.mistake(key, t('needed are {of}, such as {{ restoration_id = "Job" }}', of=of), seen=value)
        return {}
    found = {}
    for name, text in value.items():
        if isinstance(text, str) and text.strip():
            found[name] = text
        else:
            block.mistake(key, t("{name} needs a text in quotes", name=name), seen=text)
    return found


def _readings(block: Block, table: str) -> tuple[ReadingColumn, ...]:
    if table != "bench_sheet":
        if "readings" in block:
            block.mistake(
                "readings", t("only a bench_sheet has readings in columns; this block is {table}", table=table)
            )
        return ()
    value = block.values.get("readings")
    if not isinstance(value, dict) or not value:
        block.mistake("readings", t('needed is at least one reading, such as { bond_wait_s = "Bond s" }'), seen=value)
        return ()
    return tuple(_reading(block, reading, stated) for reading, stated in value.items())


def _reading(block: Block, reading: str, stated: object) -> ReadingColumn:
    if isinstance(stated, str):
        stated = {"column": stated}
    if not isinstance(stated, dict):
        block.mistake(
            "readings",
            t("{reading} needs a column name or {{ column = .., times = .. }}", reading=reading),
            seen=stated,
        )
        return ReadingColumn(reading=reading, column=reading)
    unknown = [key for key in stated if key not in ("column", "times", "step")]
    if unknown:
        block.mistake(
            "readings",
            t("{reading} has {items}; known are column, times, step", reading=reading, items=", ".join(unknown)),
        )
    for key in ("column", "step"):
        text = stated.get(key, None if key == "column" else "-")
        if not isinstance(text, str) or not text.strip():
            block.mistake(
                "readings", t("{reading} needs a {key}, a text in quotes", reading=reading, key=key), seen=text
            )
    times = stated.get("times")
    if times is not None and not (is_number(times) and times > 0):
        block.mistake("readings", t("{reading}: times must be a number above 0", reading=reading), seen=times)
        times = None
    return ReadingColumn(
        reading=reading,
        column=str(stated.get("column", "")),
        times=None if times is None else Decimal(str(times)),
        step=str(stated["step"]).strip() if "step" in stated else None,
    )


def _format(block: Block, key: str, example: datetime) -> str | None:
    """A format of strptime that gives back the whole day (and time): a map must not lose any of it."""
    stated = block.text(key)
    if stated is None:
        return None
    needed = t("day, month and year") if key == "dates" else t("day, month, year, hour and minute")
    instance = '"%d.%m.%Y"' if key == "dates" else '"%d.%m.%Y %H:%M"'
    try:
        # Without a year the parser would take 1900, or warn, by its version.
        whole = any(sign in stated for sign in ("%Y", "%y")) and (
            datetime.strptime(example.strftime(stated), stated) == example  # noqa: DTZ007 - the lab's own clock
        )
    except (ValueError, re.error):  # re.error: the same sign twice
        whole = False
    if not whole:
        block.mistake(
            key, t("needed is a format of {needed} such as {instance}", needed=needed, instance=instance), seen=stated
        )
    return stated


def _values(block: Block, named: tuple[str, ...]) -> dict[str, Mapping[str, str]]:
    stated = block.values.get("values", {})
    if not isinstance(stated, dict):
        block.mistake("values", t('needed is { column = { "theirs" = "ours" } }'), seen=stated)
        return {}
    found: dict[str, Mapping[str, str]] = {}
    for column, pairs in stated.items():
        if column not in named:
            block.mistake(
                "values", t("{column} is none of the mapped columns: {items}", column=column, items=", ".join(named))
            )
        elif not isinstance(pairs, dict):
            block.mistake("values", t('{column} needs {{ "theirs" = "ours" }}', column=column), seen=pairs)
        else:
            found[column] = MappingProxyType(_translation(block, column, pairs))
    return found


def _translation(block: Block, column: str, pairs: Mapping[str, Any]) -> dict[str, str]:
    found: dict[str, str] = {}
    codes = MAP_CODES.get(column)
    for theirs, ours in pairs.items():
        text = str(ours).strip() if isinstance(ours, str) or is_number(ours) else None
        if text is None:
            block.mistake(
                "values", t("{column}: {theirs!r} needs a text in quotes", column=column, theirs=theirs), seen=ours
            )
        elif text and codes and text.casefold() not in codes:
            hint = did_you_mean(text, codes)
            block.mistake(
                "values",
                t("{column} takes one of: {items}.{hint}", column=column, items=", ".join(codes), hint=hint),
                seen=text,
            )
        elif column_key(theirs) in found:
            block.mistake(
                "values",
                t("{column}: {theirs!r} stands there twice (capitals do not matter)", column=column, theirs=theirs),
            )
        else:
            found[column_key(theirs)] = text
    return found


def _ticks(block: Block, table: str) -> dict[str, Any]:
    ticks: dict[str, Any] = {}
    for key in ("yes", "no"):
        ticks[key] = ()
        if key in block:
            if table == "restorations":
                block.mistake(key, t("no column of restorations holds yes or no"))
            ticks[key] = tuple(map(column_key, block.texts(key, of=t("texts that count as {key}", key=key))))
    both = set(ticks["yes"]) & set(ticks["no"])
    if both:
        block.mistake("no", t("{items} cannot count as yes and as no", items=", ".join(sorted(both))))
    return ticks


def _encoding(block: Block) -> str | None:
    stated = block.text("encoding")
    if stated is not None:
        try:
            codecs.lookup(stated)
            "".encode(stated)
        except (LookupError, ValueError):
            block.mistake(
                "encoding", t('no such encoding; known are "utf-8", "cp1250", "cp1252", "utf-16" ...'), seen=stated
            )
    return stated


def _refuse_doubled(found: tuple[Block, ...], tables: tuple[TableMap, ...]) -> None:
    seen: dict[tuple[str, str, str], int] = {}
    for n, (block, one) in enumerate(zip(found, tables, strict=True), start=1):
        key = (one.table, one.file.casefold(), column_key(one.sheet))
        if key in seen and one.file:
            block.mistake(
                "file",
                t("block {seen} reads the same rows as {table} already", seen=seen[key], table=one.table),
                seen=one.file,
            )
        seen.setdefault(key, n)

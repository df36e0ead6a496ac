"""A proposal of what a foreign sheet holds, by the names of its columns and by what stands in them.

It is shown to a person, who changes it or takes it. Two columns never get one of theirs.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from difflib import SequenceMatcher

from sqlalchemy import select

from remakes.records import schema
from remakes.records.importers.column_map import BENCH_COLUMNS, MAP_CODES, MappedTable
from remakes.records.importers.conversions import DATE_COLUMNS, typed
from remakes.records.importers.headings import CODE_WORDS, HEADINGS, heading_key
from remakes.records.importers.sheets import Sheet, SheetColumn
from remakes.records.requirements import ProcessStandard, Requirement
from remakes.records.rows import COLUMNS
from remakes.records.store import Store

__all__ = ["KnownCodes", "ReadingProposal", "known_codes", "propose_columns", "propose_readings", "propose_table"]

_LIKE_ENOUGH = 0.5
#: A heading as near as this to a reading's name or words.
_NEAR = 0.72
#: So many cells tell what a column holds.
_SAMPLE = 200
_WORDS = re.compile(r"[^\W\d_]+")
_MINUTES = frozenset({"min", "mins", "minutes", "minuten"})
_SECONDS = frozenset({"s", "sec", "seconds"})
#: Words that stand in the name of many readings.
_UNTELLING = frozenset({"mm", "s", "min", "um", "bar", "no", "the", "in", "of", "and", "at", "to", "uses", "c"})


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownCodes:
    """What stands in the records already, to know a column again by its content."""

    restoration_id: frozenset[str] = frozenset()
    technician: frozenset[str] = frozenset()
    clinic: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingProposal:
    """A column for a reading; `times` turns its unit into the standard's, where the heading tells it."""

    column: str
    times: Decimal | None = field(default=None)


def known_codes(store: Store) -> KnownCodes:
    """The numbers of all restorations, and the codes of technicians and clinics."""
    table = schema.restorations.c
    with store.reader() as connection:
        rows = connection.execute(select(table.restoration_id, table.technician, table.clinic)).all()
    return KnownCodes(
        restoration_id=frozenset(row[0] for row in rows),
        technician=frozenset(row[1] for row in rows if row[1]),
        clinic=frozenset(row[2] for row in rows if row[2]),
    )


def propose_table(sheet: Sheet, standard: ProcessStandard, known: KnownCodes) -> MappedTable:
    """Which of the four kinds of list looks most like this sheet?"""
    process_log = propose_columns(sheet, "process_log", known)
    if {"step", "reading", "value"} <= process_log.keys():
        return "process_log"
    returns = propose_columns(sheet, "returns", known)
    if {"reported_on", "defect"} & returns.keys() and "defect" in returns:
        return "returns"
    restorations = propose_columns(sheet, "restorations", known)
    readings = propose_readings(sheet, standard, taken=(restorations.get("restoration_id", ""),))
    is_list = {"kind", "delivered_on", "units"} & restorations.keys()
    return "restorations" if is_list and not len(readings) > len(is_list) else "bench_sheet"


def propose_columns(sheet: Sheet, table: MappedTable, known: KnownCodes) -> dict[str, str]:
    """Our column to theirs, as far as a name or the content tells."""
    ours = BENCH_COLUMNS if table == "bench_sheet" else COLUMNS[table]
    found: dict[str, str] = {}
    for rate in (_by_name, _by_content):
        pairs = [
            (score, -ours.index(column), column, theirs.name)
            for column in ours
            if column not in found and not (column == "operator" and table == "bench_sheet")
            for theirs in sheet.columns
            if theirs.name not in found.values() and (score := rate(column, theirs, sheet, known))
        ]
        for _, _, column, name in sorted(pairs, reverse=True):
            if column not in found and name not in found.values():
                found[column] = name
    return {column: found[column] for column in ours if column in found}


def _by_name(column: str, theirs: SheetColumn, _sheet: Sheet, _known: KnownCodes) -> float:
    key = heading_key(theirs.name)
    if key == heading_key(column):
        return 2.0
    headings = HEADINGS.get(column, ())
    return 1.0 - headings.index(key) / 100 if key in headings else 0.0


def _by_content(column: str, theirs: SheetColumn, sheet: Sheet, known: KnownCodes) -> float:
    cells = sheet.cells(theirs.name, most=_SAMPLE)
    texts = [str(typed(cell)).strip() for cell in cells]
    if not texts:
        return 0.0
    words = _words_of(column, known)
    # Digits alone are a code in too many ways.
    if not words or (column == "severity" and not any(map(str.isalpha, "".join(texts)))):
        return 0.0
    fold = column not in ("restoration_id", "technician", "clinic")
    share = sum((text.casefold() if fold else text) in words for text in texts) / len(texts)
    return share if share >= _LIKE_ENOUGH else 0.0


def _words_of(column: str, known: KnownCodes) -> Collection[str]:
    if column in ("restoration_id", "technician", "clinic"):
        found: Collection[str] = getattr(known, column)
        return found
    if column in DATE_COLUMNS or column in ("primary", "harm"):
        return ()
    return {*MAP_CODES.get(column, ()), *CODE_WORDS.get(column, {})}


def propose_readings(sheet: Sheet, standard: ProcessStandard, *, taken: Iterable[str]) -> dict[str, ReadingProposal]:
    """Readings of the standard to columns whose heading is like their name or their words."""
    left = [one for one in sheet.columns if one.name not in set(taken)]
    pairs = sorted(
        (
            (likeness, one.reading, theirs)
            for one in _newest(standard).values()
            for theirs in left
            if (likeness := _likeness(one, theirs.name)) >= _NEAR
        ),
        key=lambda pair: -pair[0],
    )
    found: dict[str, ReadingProposal] = {}
    used: set[str] = set()
    for _, reading, theirs in pairs:
        if reading not in found and theirs.name not in used:
            used.add(theirs.name)
            found[reading] = ReadingProposal(column=theirs.name, times=_times(_newest(standard)[reading], theirs.name))
    return found


def _newest(standard: ProcessStandard) -> Mapping[str, Requirement]:
    return {one.reading: one for one in sorted(standard.requirements, key=lambda one: one.valid_from)}


def _likeness(one: Requirement, heading: str) -> float:
    key = heading_key(heading)
    names = [heading_key(one.reading), heading_key(one.factor)]
    best = max(SequenceMatcher(None, name, key).ratio() for name in names)
    words = [*_telling(heading)]
    own = {*_telling(one.reading), *_telling(one.factor)}
    return max(best, 0.75 + 0.2 * len(own & set(words)) / max(len(own), 1) if words and set(words) <= own else 0.0)


def _telling(name: str) -> Iterator[str]:
    return (word for word in _WORDS.findall(name.casefold().replace("_", " ")) if word not in _UNTELLING)


def _times(one: Requirement, heading: str) -> Decimal | None:
    words = set(_WORDS.findall(heading.casefold()))
    seconds = (one.unit or "").casefold() in _SECONDS
    return Decimal(60) if seconds and words & _MINUTES and one.rule.numeric else None

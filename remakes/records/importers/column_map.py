"""The column map: how a lab's own spreadsheets name and write what the records hold.

One block per file shape; `column_map_reading` reads it from a TOML file, `column_map_file` writes it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from fnmatch import fnmatchcase
from types import MappingProxyType
from typing import Literal

from remakes.errors import MapError
from remakes.records.codes import ATTRIBUTED_TO, DEFECTS, DISPOSITIONS, FOUND_AT, KINDS, PLANES, SEVERITIES
from remakes.records.importers.grids import column_key
from remakes.records.teeth import Notation
from remakes.records.toml_blocks import Mistake, MistakesError
from remakes.texts import tn

__all__ = [
    "BENCH_COLUMNS",
    "MAP_CODES",
    "NEEDED",
    "ColumnMap",
    "ColumnMapError",
    "MappedTable",
    "ReadingColumn",
    "TableMap",
]

MappedTable = Literal["restorations", "process_log", "bench_sheet", "returns"]

#: What a bench sheet can hold beside its readings; the technician is the operator of each reading.
BENCH_COLUMNS = ("restoration_id", "technician", "operator", "recorded_at", "equipment", "lot")

#: A map without these could not give a single row. `return_id` may be missing: it is then built.
NEEDED: Mapping[MappedTable, tuple[str, ...]] = MappingProxyType(
    {
        "restorations": ("restoration_id", "kind", "delivered_on"),
        "process_log": ("restoration_id", "step", "reading", "value"),
        "bench_sheet": ("restoration_id",),
        "returns": ("restoration_id", "reported_on", "defect"),
    }
)
#: Columns whose translated values can be checked with the map already.
MAP_CODES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "kind": KINDS,
        "defect": tuple(DEFECTS),
        "plane": tuple(PLANES),
        "found_at": tuple(FOUND_AT),
        "severity": tuple(str(level) for level in SEVERITIES),
        "disposition": DISPOSITIONS,
        "attributed_to": ATTRIBUTED_TO,
        "primary": ("yes", "no"),
        "harm": ("yes", "no"),
    }
)


class ColumnMapError(MistakesError, MapError):
    """A column map with mistakes; no file was read."""

    @staticmethod
    def in_words(file: str, mistakes: Sequence[Mistake]) -> str:
        """What is said of them all: other files wait for the map."""
        return tn(
            len(mistakes),
            "{file}: 1 mistake; no file was read. Correct the column map and import again.\n{lines}",
            "{file}: {n} mistakes; no file was read. Correct the column map and import again.\n{lines}",
            file=file,
            lines="\n".join(f"  {mistake}" for mistake in mistakes),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingColumn:
    """One reading of a bench sheet: the column it stands in, and how its unit becomes the standard's."""

    reading: str
    column: str
    times: Decimal | None = None
    #: Only needed where the standard names the reading in two steps.
    step: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TableMap:
    """One block of the map: which file or sheet it is for, and what its columns hold.

    `columns` leads from our column to theirs; `values` from our column (or reading) to a translation
    of cells, whose left sides are written as `column_key` does; `yes` and `no` likewise.
    """

    table: MappedTable
    file: str
    sheet: str = ""
    columns: Mapping[str, str] = field(hash=False)
    readings: tuple[ReadingColumn, ...] = ()
    dates: str | None = None
    datetimes: str | None = None
    decimal: str | None = None
    teeth: Notation = "iso3950"
    values: Mapping[str, Mapping[str, str]] = field(default_factory=dict, hash=False)
    yes: tuple[str, ...] = ()
    no: tuple[str, ...] = ()
    encoding: str | None = None

    def fits(self, file: str) -> bool:
        """Is this block for a file of this name? Capitals do not matter; `*` and `?` stand for any letters."""
        return fnmatchcase(file.casefold(), self.file.casefold())

    @property
    def known_names(self) -> frozenset[str]:
        """The foreign column names it looks for, as `column_key` writes them."""
        return frozenset(map(column_key, (*self.columns.values(), *(one.column for one in self.readings))))


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnMap:
    """A whole column map; `file` is its name, for messages."""

    file: str
    tables: tuple[TableMap, ...]

    def blocks_for(self, file: str) -> tuple[TableMap, ...]:
        """The blocks meant for a file of this name."""
        return tuple(block for block in self.tables if block.fits(file))

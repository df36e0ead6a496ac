"""Where the header of a list is, and which column holds what.

The header is found, not assumed: titles above it are skipped and told. A file whose header is doubled
or lacks a column is refused as a whole, naming the columns that are there.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from remakes.records.cells import did_you_mean
from remakes.records.importers.column_map import TableMap
from remakes.records.importers.conversions import header_names
from remakes.records.importers.grids import HEADER_SEARCH, Grid, column_key, is_blank, known_names_in
from remakes.records.importers.mending_columns import is_mending
from remakes.records.importers.reports import RefusalList, numbered
from remakes.records.importers.sources import Source
from remakes.records.rows import COLUMNS, REQUIRED_COLUMNS, is_patient_column
from remakes.texts import t

__all__ = ["Layout", "lay_out"]

#: Columns that the table cannot do without, beyond those that no row may leave blank.
_ALSO_NEEDED: Mapping[str, tuple[str, ...]] = MappingProxyType({"process_log": ("value",)})


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Where the header of a grid is, and what its columns hold.

    Attributes
    ----------
    header_line : int
        The header's line in the file.
    body : int
        Position in `Grid.rows` of the first row below the header.
    names : tuple of str
        Column names as the file has them, blanks tidied; empty where a column has none.
    places : mapping
        Our column, or the reading of a bench sheet, to its position in a row.
    extras : tuple of (name, position)
        Columns that are kept as they are.
    notes : tuple of str
        What was passed over.
    """

    header_line: int
    body: int
    names: tuple[str, ...]
    places: Mapping[str, int]
    extras: tuple[tuple[str, int], ...]
    notes: tuple[str, ...]

    @property
    def mended(self) -> bool:
        """Is this a list of refused rows that comes back?"""
        return any(map(is_mending, self.names))

    @property
    def width(self) -> int:
        """So many cells a row may have; of a list of refused rows, surplus cells stand beyond the last name."""
        if not self.mended:
            return len(self.names)
        return max(place for place, name in enumerate(self.names) if name) + 1

    def name_of(self, column: str) -> str:
        """What the file calls one of our columns."""
        return self.names[self.places[column]] if column in self.places else column


def lay_out(source: Source, refusals: RefusalList) -> Layout | None:
    """Find the header and the columns of a file; None, and a refusal of the whole file, where that fails.

    The header is the row with most known names among the first twenty filled ones.
    """
    grid, table_map = source.rows_grid, source.table_map
    wanted = _wanted(source.table, table_map)
    known = frozenset(map(column_key, wanted.values()))
    top = grid.rows[:HEADER_SEARCH]
    hits = [known_names_in(cells, known) for _, cells in top]
    if not any(hits):
        refusals.whole_file(
            t(
                "No header row was found: none of the first {top} rows names a column of {table}.",
                top=len(top),
                table=source.table,
            ),
            t(
                "Needed are columns such as {items}; or name yours in a column map.",
                items=", ".join(list(wanted.values())[:6]),
            ),
            rows=len(grid.rows),
        )
        return None
    position = hits.index(max(hits))
    line, cells = top[position]
    names = header_names(cells)
    if not _header_is_sound(source, names, line, wanted, refusals):
        return None
    at = {column_key(name): place for place, name in enumerate(names) if name}
    places = {column: at[column_key(name)] for column, name in wanted.items() if column_key(name) in at}
    others = [(name, place) for place, name in enumerate(names) if name and place not in places.values()]
    extras = tuple((name, place) for name, place in others if not is_patient_column(name) and not is_mending(name))
    return Layout(
        header_line=line,
        body=position + 1,
        names=names,
        places=MappingProxyType(places),
        extras=extras,
        notes=tuple(_layout_notes(grid, line, position, names, others, table_map)),
    )


def _wanted(table: str, table_map: TableMap | None) -> dict[str, str]:
    """Our columns (and readings), each with the name that the file should have for it."""
    if table_map is None:
        return {column: column for column in COLUMNS[table]}
    return dict(table_map.columns) | {one.reading: one.column for one in table_map.readings}


def _header_is_sound(
    source: Source, names: Sequence[str], line: int, wanted: Mapping[str, str], refusals: RefusalList
) -> bool:
    keys = [column_key(name) for name in names if name]
    rows = sum(1 for at, _ in source.rows_grid.rows if at > line)
    # Columns that are not kept may stand there as often as they like.
    doubled = sorted(
        {name for name in names if keys.count(column_key(name)) > 1 and not is_patient_column(name)},
        key=lambda name: (column_key(name), name),
    )
    if doubled:
        refusals.whole_file(
            t(
                "The header names {items} more than once, so it is not clear which column counts.",
                items=", ".join(map(repr, doubled)),
            ),
            t("Rename or delete the doubled columns."),
            rows=rows,
            line=line,
        )
    needed = (
        set(wanted)
        if source.table_map is not None
        else {*REQUIRED_COLUMNS[source.table], *_ALSO_NEEDED.get(source.table, ())}
    )
    missing = [column for column in wanted if column in needed and column_key(wanted[column]) not in keys]
    if source.table == "restorations" and source.table_map is None and not {"units", "teeth"} & set(keys):
        missing.append("units")
    for column in missing:
        name = wanted[column]
        refusals.whole_file(
            t(
                "The column {name} is missing. The header has: {items}."
                if name == column
                else "The column {name} (for {column}) is missing. The header has: {items}.",
                name=name,
                column=column,
                items=", ".join(name for name in names if name),
            ),
            t(
                "Add the column, rename the one that holds it, or say in a column map which one it is.{did_you_mean}",
                did_you_mean=did_you_mean(name, [name for name in names if name]),
            ),
            rows=rows,
            line=line,
            column=name,
        )
    return not (doubled or missing)


def _layout_notes(
    grid: Grid,
    line: int,
    position: int,
    names: Sequence[str],
    others: Sequence[tuple[str, int]],
    table_map: TableMap | None,
) -> Iterator[str]:
    above = [at for at, _ in grid.rows[:position]]
    if above:
        yield t("Header in line {line}; {numbered} above it not read.", line=line, numbered=numbered(above))
    else:
        yield t("Header in line {line}.", line=line)
    dropped = [name for name, _ in others if is_patient_column(name)]
    if dropped:
        yield t("Columns not kept, since they look like patient data: {items}.", items=", ".join(dropped))
    mending = [name for name, _ in others if is_mending(name)]
    if mending:
        yield t("A list of refused rows: its columns about what was wrong were not read.")
    kept = [name for name, _ in others if name not in dropped and name not in mending]
    if kept:
        yield t("Columns kept as they are, not used in any figure: {items}.", items=", ".join(kept))
    if table_map is not None and table_map.table != "bench_sheet":
        alike = [name for name in kept if column_key(name) in COLUMNS[table_map.table]]
        if alike:
            yield t("Not mapped, although named as in the records: {items}.", items=", ".join(alike))
    nameless = [place for place, name in enumerate(names) if not name]
    filled = [
        place + 1
        for place in nameless
        if any(len(row) > place and not is_blank(row[place]) for _, row in grid.rows[position + 1 :])
    ]
    if filled:
        yield t("Columns without a name were not read: column {items}.", items=", ".join(map(str, filled)))

"""The rows below the header, each as the raw row that the row checks read.

Nothing here knows what a valid date or defect is; a row of totals is no row.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import NamedTuple, TypedDict

from remakes.errors import MapError
from remakes.records.cells import Problem, RefusedCell, did_you_mean, shown
from remakes.records.importers.column_map import ReadingColumn, TableMap
from remakes.records.importers.conversions import Converter, converter_for, reading_converter, typed
from remakes.records.importers.grids import Cell, column_key, is_blank
from remakes.records.importers.layout import Layout
from remakes.records.importers.reports import numbered
from remakes.records.importers.sources import Source
from remakes.records.rows import COLUMNS
from remakes.records.standard import ProcessStandard
from remakes.texts import in_a_row, t

__all__ = ["RawRow", "RowReader", "resolve_readings", "tick_readings"]

# Words that begin a row of sums; English, German, French, Spanish, Italian. From memory, no source.
_TOTALS = frozenset(
    {"total", "totals", "sum", "subtotal", "sub total", "grand total"}
    | {"summe", "gesamt", "gesamtsumme", "zwischensumme", "σ", "∑"}
    | {"total général", "sous-total", "somme", "suma", "total general", "totale", "somma"}
)

# The row is refused for the blank it would be built from; that it has no return_id is not its fault.
_NOT_BUILT = "(not built)"


class RawRow(NamedTuple):
    """What one row of a file gives: raw rows for the checks, and what could not be turned into our words."""

    line: int
    raws: list[dict[str, Cell]]
    problems: list[Problem]


def resolve_readings(table_map: TableMap, standard: ProcessStandard) -> dict[str, str]:
    """The working step of each reading of a bench sheet, by the standard or as the map says.

    Raises
    ------
    MapError
        The standard does not name a reading, or names it in two steps, and the map does not say which.
        All such readings are listed.
    """
    steps: dict[str, str] = {}
    wrong = []
    for one in table_map.readings:
        named = standard.steps_of_reading(one.reading)
        if one.step is not None:
            steps[one.reading] = one.step
        elif len(named) == 1:
            steps[one.reading] = named[0]
        else:
            wrong.append(_unresolved(one, named, standard))
    if wrong:
        raise MapError(
            "\n".join([t("The column map cannot be used; nothing was saved."), *(f"  {line}" for line in wrong)])
        )
    return steps


def _unresolved(one: ReadingColumn, named: Sequence[str], standard: ProcessStandard) -> str:
    how = f'{one.reading} = {{ column = "{one.column}", step = ".." }}'
    if named:
        return t(
            "{reading}: the process standard names it in the steps {items}. Say which one: {how}.",
            reading=one.reading,
            items=in_a_row(named),
            how=how,
        )
    if not standard.requirements:
        return t(
            "{reading}: there is no process standard yet that tells its step. Import standard.toml first "
            "or together with the sheet, or say the step: {how}.",
            reading=one.reading,
            how=how,
        )
    readings = sorted({requirement.reading for requirement in standard.requirements})
    return t(
        "{reading}: the process standard names no such reading.{did_you_mean} Correct the map, add a "
        "requirement with it to the standard, or say the step: {how}.",
        reading=one.reading,
        did_you_mean=did_you_mean(one.reading, readings),
        how=how,
    )


def tick_readings(standard: ProcessStandard) -> frozenset[tuple[str, str]]:
    """Pairs of step and reading of which the standard knows nothing but yes and no."""
    words: dict[tuple[str, str], set[str]] = {}
    for one in standard.requirements:
        found = {"(a number)"} if one.rule.numeric else {value.strip().casefold() for value in one.rule.values}
        words.setdefault((one.step, one.reading), set()).update(found)
    return frozenset(reading for reading, found in words.items() if found <= {"yes", "no"})


class _Kind(TypedDict):
    numeric: bool
    tick: bool


class RowReader:
    """Reads the rows below the header, one after the other.

    Parameters
    ----------
    source : Source
    layout : Layout
    standard : ProcessStandard
        Tells which readings are numbers.
    steps : mapping
        Of a bench sheet: the step of each reading, from `resolve_readings`.
    """

    def __init__(
        self, source: Source, layout: Layout, *, standard: ProcessStandard, steps: Mapping[str, str] | None = None
    ) -> None:
        self._grid, self._map, self._layout = source.rows_grid, source.table_map, layout
        self._numeric, self._ticks = standard.numeric_readings, tick_readings(standard)
        self._steps = steps or {}
        self._plan = self._columns("process_log" if source.table == "bench_sheet" else source.table)
        self._readings = self._reading_columns()
        self._value_converters: dict[tuple[str, str], Converter] = {}
        self._total_lines: list[int] = []
        self._lines_without_reading: list[int] = []

    def __len__(self) -> int:
        return len(self._grid.rows) - self._layout.body

    def __iter__(self) -> Iterator[RawRow]:
        read = self._bench_row if self._steps else self._row
        width = self._layout.width
        for line, cells in self._grid.rows[self._layout.body :]:
            if _is_total(cells, key=self._layout.places["restoration_id"]):
                self._total_lines.append(line)
            elif len(cells) > width and not all(map(is_blank, cells[width:])):
                yield RawRow(line, [], [_too_long(cells, width)])
            else:
                yield read(line, cells)

    def notes(self) -> Iterator[str]:
        """The rows that were passed over; complete after the last row was read."""
        blank = [line for line in self._grid.blank_lines if line > self._layout.header_line]
        if blank:
            yield t("Empty rows dropped: {numbered}.", numbered=numbered(blank))
        if self._total_lines:
            yield t("Rows of totals dropped: {numbered}.", numbered=numbered(self._total_lines))
        if self._lines_without_reading:
            yield t("Rows without any reading: {numbered}.", numbered=numbered(self._lines_without_reading))

    def _columns(self, table: str) -> list[tuple[str, int, Converter | None]]:
        """Per column: its name in the raw row, its position, what turns its cells (None: taken as they are)."""
        readings = {one.reading for one in self._map.readings} if self._map is not None else set()
        # A text file without a map needs no turning, and it is the long one.
        plain = self._map is None and not self._grid.sheet
        plan: list[tuple[str, int, Converter | None]] = [
            (column, place, None if plain else converter_for(column, self._map))
            for column, place in self._layout.places.items()
            if column not in readings and (self._map is None or (table, column) != ("process_log", "value"))
        ]
        taken = {column for column, _, _ in plan} | set(COLUMNS[table])
        for name, place in self._layout.extras:
            kept = f"{name} (in the file)" if name in taken else name
            plan.append((kept, place, None if plain else typed))
        return plan

    def _reading_columns(self) -> list[tuple[ReadingColumn, int, Converter]]:
        if self._map is None:
            return []
        columns = []
        for one in self._map.readings:
            kind = self._kind((self._steps[one.reading], one.reading))
            convert = reading_converter(one.reading, self._map, times=one.times, **kind)
            columns.append((one, self._layout.places[one.reading], convert))
        return columns

    def _row(self, line: int, cells: Sequence[Cell]) -> RawRow:
        raw: dict[str, Cell] = {}
        problems: list[Problem] = []
        width = len(cells)
        for column, place, convert in self._plan:
            cell = cells[place] if place < width else None
            raw[column] = cell if convert is None else _converted(column, cell, convert, problems)
        if self._map is not None and self._map.table == "process_log":
            self._add_value(raw, cells, problems)
        if self._map is not None and self._map.table == "returns" and is_blank(raw.get("return_id")):
            raw["return_id"] = _built_return_id(raw)
        return RawRow(line, [raw], problems)

    def _add_value(self, raw: dict[str, Cell], cells: Sequence[Cell], problems: list[Problem]) -> None:
        # Whether a number is needed is only known once the row's step and reading are.
        place = self._layout.places["value"]
        convert = self._value_converter((str(raw["step"]).strip(), str(raw["reading"]).strip()))
        raw["value"] = _converted("value", cells[place] if place < len(cells) else None, convert, problems)

    def _value_converter(self, reading: tuple[str, str]) -> Converter:
        if reading not in self._value_converters and self._map is not None:
            self._value_converters[reading] = reading_converter("value", self._map, **self._kind(reading))
        return self._value_converters[reading]

    def _kind(self, reading: tuple[str, str]) -> _Kind:
        return {"numeric": reading in self._numeric, "tick": reading in self._ticks}

    def _bench_row(self, line: int, cells: Sequence[Cell]) -> RawRow:
        common = self._row(line, cells)
        shared = common.raws[0]
        if "technician" in shared:
            shared["operator"] = shared.pop("technician")
        extras = {name: shared.pop(name) for name in list(shared) if name not in COLUMNS["process_log"]}
        raws: list[dict[str, Cell]] = []
        for one, place, convert in self._readings:
            value = _converted(one.reading, cells[place] if place < len(cells) else None, convert, common.problems)
            if not is_blank(value):
                raws.append(shared | {"step": self._steps[one.reading], "reading": one.reading, "value": value})
        if raws:  # what the sheet says beside its readings is kept once, with the first of them
            raws[0] |= extras
        elif not common.problems:
            self._lines_without_reading.append(line)
        return RawRow(line, raws, common.problems)


def _converted(column: str, cell: Cell, convert: Callable[[Cell], Cell], problems: list[Problem]) -> Cell:
    try:
        return convert(cell)
    except RefusedCell as refused:
        problems.append(Problem(column=column, value=shown(cell), reason=refused.reason, mend=refused.mend))
        return None


def _built_return_id(raw: Mapping[str, Cell]) -> str:
    restoration, day = raw.get("restoration_id"), raw.get("reported_on")
    if is_blank(restoration) or is_blank(day):
        return _NOT_BUILT
    return f"{str(restoration).strip()}/{str(day)[:10]}"


def _is_total(cells: Sequence[Cell], *, key: int) -> bool:
    """Is this a row of sums? Its first filled cell says so, and no other cell names a restoration.

    "Totale" in a column of kinds is a full denture, not a sum.
    """
    first = next((place for place, cell in enumerate(cells) if not is_blank(cell)), None)
    if first is None or not (first == key or key >= len(cells) or is_blank(cells[key])):
        return False
    return isinstance(cells[first], str) and column_key(cells[first]).rstrip(":= 0123456789.,") in _TOTALS


def _too_long(cells: Sequence[Cell], width: int) -> Problem:
    return Problem(
        column="",
        value=shown("; ".join(str(cell) for cell in cells[width:])),
        reason=t("The row has {cells} cells, the header {width}.", cells=len(cells), width=width),
        mend=t("Probably a separator inside a text that is not in quotation marks: put it in quotation marks."),
    )

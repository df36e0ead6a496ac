"""What files would give, before anything is saved: for a page that shows it and asks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

from remakes.records.cells import shown
from remakes.records.corrective_actions import ActionsFileError, parse_actions
from remakes.records.importers.batches import count_rows
from remakes.records.importers.checking import CheckedTable, Progress, check_table, withhold
from remakes.records.importers.column_map import ColumnMap
from remakes.records.importers.column_map_reading import load_column_map
from remakes.records.importers.conversions import typed
from remakes.records.importers.grids import HEADER_SEARCH, Cell, Grid, is_blank
from remakes.records.importers.intake import bench_steps, refuse_mistakes
from remakes.records.importers.layout import Layout
from remakes.records.importers.ledger import Ledger, Row, read_ledger
from remakes.records.importers.reports import ColumnPreview, RefusalList, TablePreview
from remakes.records.importers.sources import Source, find_sources
from remakes.records.rows import is_patient_column
from remakes.records.standard import StandardFileError, parse_standard
from remakes.records.store import Store

__all__ = ["preview"]

_FIRST_CELLS = 3


def preview(
    paths: Sequence[Path],
    column_map: Path | ColumnMap | None = None,
    *,
    store: Store | None = None,
    first: int = 10,
    today: date | None = None,
    progress: Progress | None = None,
) -> tuple[TablePreview, ...]:
    """What would an import of these files read, and what would it refuse?

    Parameters
    ----------
    paths, column_map, today, progress
        As for `import_paths`. A file named outright whose table nothing tells is shown with its columns
        and an empty `table`, so that a person can say what it holds.
    store : Store, optional
        Rows are checked against its records; without it, only against the other files named.
    first : int
        Good rows to show of each table.

    Returns
    -------
    tuple of TablePreview
        In the order of saving.

    Raises
    ------
    FileError, MapError
        As `import_paths`, except that a reading the standard does not name refuses only its sheet.
    """
    if isinstance(column_map, Path):
        column_map = load_column_map(column_map)
    found = find_sources([Path(path) for path in paths], column_map, keep_unknown=True)
    ledger = Ledger(complete=False) if store is None else read_ledger(store)
    day = today or date.today()
    return tuple(
        _preview(source, ledger, store, first=first, today=day, progress=progress) for source in found.in_order()
    )


def _preview(
    source: Source, ledger: Ledger, store: Store | None, *, first: int, today: date, progress: Progress | None
) -> TablePreview:
    if source.grid is None:
        return _preview_toml(source, ledger, first=first)
    if not source.table:
        return _preview_unknown(source)
    refusals = RefusalList(file=source.file, sheet=source.sheet)
    steps = bench_steps(source, ledger, refusals)
    if steps is None:
        return _preview_unknown(source, table="process_log", refusals=refusals)
    checked = check_table(source, ledger, steps=steps, today=today, progress=progress)
    if not checked.refusals:
        ledger.admit(checked.rows)
    withhold(checked, ledger, saved=not checked.refusals)
    counts = _counts(checked, store)
    return TablePreview(
        file=source.file,
        sheet=source.sheet,
        table=checked.table,
        header_line=checked.layout.header_line if checked.layout is not None else None,
        columns=_columns(source, checked),
        rows=tuple(_as_mapping(row) for row in checked.rows[:first]),
        good_rows=len(checked.rows),
        refused_rows=checked.refusals.rows,
        refused=checked.refusals.refusals(),
        notes=checked.notes,
        taken=counts[0],
        changed=counts[1],
        unchanged=counts[2],
        refused_lines=tuple(sorted(checked.refusals.lines)),
    )


def _counts(checked: CheckedTable, store: Store | None) -> tuple[int, int, int] | tuple[None, None, None]:
    if store is None:
        return (None, None, None)
    with store.reader() as connection:
        return count_rows(connection, checked.table, checked.rows, repeated=checked.repeated)


def _preview_toml(source: Source, ledger: Ledger, *, first: int) -> TablePreview:
    refusals = RefusalList(file=source.file, sheet="")
    rows: list[Mapping[str, object]] = []
    try:
        if source.table == "standard":
            standard = parse_standard(source.text, file=source.file)
            ledger.take_standard(standard)
            rows = [
                {"factor": one.factor, "step": one.step, "reading": one.reading, "rule": str(one.rule)}
                for one in standard.requirements
            ]
        else:
            actions, _ = parse_actions(source.text, file=source.file)
            rows = [{"action": one.action, "title": one.title} for one in actions]
    except (StandardFileError, ActionsFileError) as error:
        refuse_mistakes(refusals, error.mistakes)
    return TablePreview(
        file=source.file,
        sheet="",
        table=source.table,
        rows=tuple(rows[:first]),
        good_rows=len(rows),
        refused_rows=refusals.rows,
        refused=refusals.refusals(),
    )


def _preview_unknown(source: Source, *, table: str = "", refusals: RefusalList | None = None) -> TablePreview:
    """The columns below the row that looks most like a header: the one with most different texts."""
    grid = source.rows_grid
    top = grid.rows[:HEADER_SEARCH]
    widths = [len({cell for cell in cells if isinstance(cell, str) and cell.strip()}) for _, cells in top]
    position = widths.index(max(widths)) if widths else 0
    columns: tuple[ColumnPreview, ...] = ()
    if top:
        names = [str(cell).strip() if isinstance(cell, str) else "" for cell in top[position][1]]
        columns = tuple(
            ColumnPreview(name=name, read_as="", first_cells=_first_cells(grid, position + 1, place, name))
            for place, name in enumerate(names)
            if name
        )
    return TablePreview(
        file=source.file,
        sheet=source.sheet,
        table=table,
        header_line=top[position][0] if top else None,
        columns=columns,
        refused_rows=refusals.rows if refusals is not None else 0,
        refused=refusals.refusals() if refusals is not None else (),
        notes=grid.notes,
    )


def _columns(source: Source, checked: CheckedTable) -> tuple[ColumnPreview, ...]:
    layout = checked.layout
    if layout is None:
        return ()
    return tuple(
        ColumnPreview(
            name=name,
            read_as=_read_as(place, layout),
            first_cells=_first_cells(source.rows_grid, layout.body, place, name),
        )
        for place, name in enumerate(layout.names)
        if name
    )


def _read_as(place: int, layout: Layout) -> str:
    return ", ".join(column for column, at in layout.places.items() if at == place)


def _first_cells(grid: Grid, body: int, place: int, name: str) -> tuple[str, ...]:
    if is_patient_column(name):  # never kept, so never shown either
        return ()
    cells: list[Cell] = [row[place] for _, row in grid.rows[body : body + _FIRST_CELLS] if place < len(row)]
    return tuple("" if is_blank(cell) else shown(typed(cell)) for cell in cells)


def _as_mapping(row: Row) -> Mapping[str, object]:
    return row.model_dump()

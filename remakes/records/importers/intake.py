"""The whole way of an import: find the files, check them in order, save each as a batch, tell what became of it."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path

from remakes.errors import EntryError, MapError, NotAllowedError, ProcessStandardError
from remakes.records.corrective_actions import ActionsFileError, parse_actions, unknown_factors, write_actions
from remakes.records.importers.batches import Batch, Saved, batch, save_rows
from remakes.records.importers.checking import CheckedTable, Progress, check_table, withhold
from remakes.records.importers.column_map import ColumnMap
from remakes.records.importers.column_map_reading import load_column_map
from remakes.records.importers.kept_corrections import read_kept_corrections
from remakes.records.importers.ledger import Ledger, read_ledger
from remakes.records.importers.reports import ImportReport, RefusalList, TableReport
from remakes.records.importers.row_notes import with_corrections
from remakes.records.importers.sources import Source, find_sources
from remakes.records.importers.tables import resolve_readings
from remakes.records.observation import set_observed_until
from remakes.records.permissions import Permission
from remakes.records.standard import ProcessStandard, StandardFileError, load_standard, parse_standard, write_standard
from remakes.records.store import Store
from remakes.records.toml_blocks import Mistake
from remakes.texts import run_on, t

__all__ = ["bench_steps", "import_paths", "refuse_mistakes"]

#: Rows taken, changed and unchanged.
_Counts = tuple[int, int, int]


def import_paths(
    store: Store,
    paths: Sequence[Path],
    *,
    column_map: Path | ColumnMap | None = None,
    observed_until: date | None = None,
    accept_good_rows: bool = False,
    who: str = "import",
    progress: Progress | None = None,
    today: date | None = None,
) -> ImportReport:
    """Bring a lab's files into its records.

    Parameters
    ----------
    store : Store
    paths : sequence of Path
        Folders or files in any order. They are saved in the order standard, actions, restorations,
        process log and bench sheets, returns.
    column_map : Path or ColumnMap, optional
        Says what foreign files, sheets and columns hold.
    observed_until : date, optional
        Returns are complete up to here. Kept if every file was saved and the day is not still to come.
    accept_good_rows : bool
        Save the good rows of a file although others are refused. Otherwise one refused row keeps its
        whole file out; each sheet of a workbook counts as a file of its own.
    who : str
        For the history and the audit.
    progress : callable, optional
        Called with (file, rows done, rows in all) while rows are checked.
    today : date, optional
        Dates after it are taken with a note. Default: the calendar day of this machine.

    Returns
    -------
    ImportReport
        One part for each file or sheet, with every refused row. The same file again changes nothing
        and leaves no trace in the history.

    Raises
    ------
    FileError
        A file is missing, unreadable or of unknown name. Nothing was saved.
    MapError
        The column map has mistakes, or names readings the process standard does not. Nothing was saved.
    StoreError
        The records cannot be written to. Files reported as saved until then are.
    """
    if isinstance(column_map, Path):
        column_map = load_column_map(column_map)
    if isinstance(observed_until, datetime):
        observed_until = observed_until.date()
    found = find_sources([Path(path) for path in paths], column_map)
    sources = found.in_order()
    found.found.clear()
    ledger = read_ledger(store)
    _refuse_unknown_readings(sources, ledger.standard)
    today = today or date.today()
    intake = _Intake(store, ledger, accept=accept_good_rows, who=who, progress=progress, today=today)
    tables = []
    with _no_search_for_cycles():
        while sources:  # each file's rows are let go of once they are saved
            tables.append(intake.take(sources.pop(0)))
    notes = [*found.notes, *_state_observed_until(store, observed_until, tables, who, today)]
    return ImportReport(tables=tuple(tables), notes=tuple(notes))


@contextmanager
def _no_search_for_cycles() -> Iterator[None]:
    """Rows hold no cycles, and searching some 100,000 of them again and again took a third of the time."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def bench_steps(source: Source, ledger: Ledger, refusals: RefusalList) -> Mapping[str, str] | None:
    """The step of each reading of a bench sheet; None, and a refusal of the sheet, where one is not known.

    Other files have no such readings and give an empty mapping.
    """
    if source.table != "bench_sheet" or source.table_map is None:
        return {}
    try:
        return resolve_readings(source.table_map, ledger.standard)
    except MapError as error:
        refusals.whole_file(
            t(
                "The steps of its readings are not known, since the process standard was not taken. {error}",
                error=error,
            ),
            t("Correct the standard and import both again."),
            rows=len(source.rows_grid.rows),
        )
        return None


def refuse_mistakes(refusals: RefusalList, mistakes: Sequence[Mistake]) -> None:
    """Refuse a TOML file for each of its mistakes."""
    for mistake in mistakes:
        seen = t("It has {seen}.", seen=mistake.seen) if mistake.seen else ""
        refusals.whole_file(
            run_on(t("{block}: {needed}.", block=mistake.block, needed=mistake.needed), seen),
            t("Correct it and import the file again."),
            rows=len({mistake.block for mistake in mistakes}),
            line=mistake.line,
            column=mistake.key,
        )


def _refuse_unknown_readings(sources: Sequence[Source], stored: ProcessStandard) -> None:
    """Stop before anything is saved if the column map names readings that no standard will know."""
    known = stored
    for source in sources:
        if source.table == "standard":
            try:
                added = parse_standard(source.text, file=source.file)
            except StandardFileError:
                return  # the file's mistakes are told first
            known = ProcessStandard(
                steps=(*added.steps, *(step for step in known.steps if step not in added.steps)),
                requirements=(*known.requirements, *added.requirements),
            )
    for source in sources:
        if source.table == "bench_sheet" and source.table_map is not None:
            resolve_readings(source.table_map, known)


class _Intake:
    """Takes one file after the other, each checked against what is recorded by then."""

    def __init__(
        self, store: Store, ledger: Ledger, *, accept: bool, who: str, progress: Progress | None, today: date
    ) -> None:
        self._store, self._ledger = store, ledger
        self._accept, self._who, self._progress, self._today = accept, who, progress, today

    def take(self, source: Source) -> TableReport:
        """Check and save one file or sheet."""
        if source.table == "standard":
            return self._take_standard(source)
        if source.table == "actions":
            return self._take_actions(source)
        refusals = RefusalList(file=source.file, sheet=source.sheet)
        steps = bench_steps(source, self._ledger, refusals)
        if steps is None:
            return _report(source, refusals, Saved(), notes=source.rows_grid.notes)
        checked = check_table(source, self._ledger, steps=steps, today=self._today, progress=self._progress)
        # Nobody looks at the cells again; those of a long list take as much room as its rows.
        source.rows_grid.rows.clear()
        return self._save(checked)

    def _save(self, checked: CheckedTable) -> TableReport:
        source, refusals = checked.source, checked.refusals
        if refusals and not (self._accept and checked.rows):
            withhold(checked, self._ledger, saved=False)
            return _report(source, refusals, Saved(), notes=checked.notes, held_back=len(checked.rows))
        rows, notes = checked.rows, list(checked.notes)

        def write(opened: Batch) -> _Counts:
            nonlocal rows
            # Read again under the write lock: somebody may have corrected a row while the file was being checked.
            rows, kept = with_corrections(rows, read_kept_corrections(opened.connection))
            notes.extend(kept)
            return save_rows(opened, checked.table, rows, repeated=checked.repeated)

        saved = self._batch(source, checked.table, write, refused=refusals.rows)
        self._ledger.admit(rows)
        withhold(checked, self._ledger, saved=True)
        return _report(source, refusals, saved, notes=notes, is_saved=True)

    def _take_standard(self, source: Source) -> TableReport:
        refusals = RefusalList(file=source.file, sheet="")
        try:
            standard = parse_standard(source.text, file=source.file)
            saved = self._batch(
                source,
                "standard",
                self._allowed(
                    "change the standard",
                    lambda opened: write_standard(opened.connection, standard, import_id=opened.import_id),
                ),
            )
        except NotAllowedError as error:
            return self._not_allowed(source, refusals, error)
        except StandardFileError as error:
            refuse_mistakes(refusals, error.mistakes)
            return _report(source, refusals, Saved())
        except ProcessStandardError as error:  # contradicts what is stored
            refusals.whole_file(str(error), "", rows=1)
            return _report(source, refusals, Saved())
        self._ledger.take_standard(load_standard(self._store))
        return _report(source, refusals, saved, is_saved=True)

    def _take_actions(self, source: Source) -> TableReport:
        refusals = RefusalList(file=source.file, sheet="")
        try:
            actions, costs = parse_actions(source.text, file=source.file)
        except ActionsFileError as error:
            refuse_mistakes(refusals, error.mistakes)
            return _report(source, refusals, Saved())
        try:
            saved = self._batch(
                source,
                "actions",
                self._allowed(
                    "change costs",
                    lambda opened: write_actions(opened.connection, actions, costs, import_id=opened.import_id),
                ),
            )
        except NotAllowedError as error:
            return self._not_allowed(source, refusals, error)
        unknown = unknown_factors(actions, self._ledger.standard)
        note = t(
            "Factors that the process standard does not name, so they change nothing yet: {items}.",
            items=", ".join(unknown),
        )
        return _report(source, refusals, saved, notes=(note,) if unknown else (), is_saved=True)

    def _allowed(self, may: Permission, write: Callable[[Batch], _Counts]) -> Callable[[Batch], _Counts]:
        """The same write, given up where it changes something that this person may not change."""

        def write_if_allowed(opened: Batch) -> _Counts:
            counts = write(opened)
            if (counts[0] or counts[1]) and self._store.actor is not None:
                self._store.actor.refuse_unless(may)
            return counts

        return write_if_allowed

    @staticmethod
    def _not_allowed(source: Source, refusals: RefusalList, error: NotAllowedError) -> TableReport:
        refusals.whole_file(
            str(error), t("The lists of this import are taken all the same; only this file waits."), rows=1
        )
        return _report(source, refusals, Saved())

    def _batch(self, source: Source, table: str, write: Callable[[Batch], _Counts], *, refused: int = 0) -> Saved:
        return batch(
            self._store,
            file=source.file,
            table=table,
            sha256=source.sha256,
            who=self._who,
            refused=refused,
            write=write,
        )


def _report(
    source: Source,
    refusals: RefusalList,
    saved: Saved,
    *,
    notes: Sequence[str] = (),
    held_back: int = 0,
    is_saved: bool = False,
) -> TableReport:
    return TableReport(
        file=source.file,
        sheet=source.sheet,
        table="process_log" if source.table == "bench_sheet" else source.table,
        taken=saved.taken,
        changed=saved.changed,
        unchanged=saved.unchanged,
        refused_rows=refusals.rows,
        held_back=held_back,
        refused=refusals.refusals(),
        notes=tuple(notes),
        import_id=saved.import_id,
        saved=is_saved,
        refused_lines=tuple(sorted(refusals.lines)),
    )


def _state_observed_until(
    store: Store, observed_until: date | None, tables: Sequence[TableReport], who: str, today: date
) -> Sequence[str]:
    if observed_until is None:
        return ()
    missing = [table.file for table in tables if not table.saved]
    if missing:
        return (
            t(
                "That returns are complete up to {observed_until} was not noted, since not every file was "
                "saved: {items}.",
                observed_until=observed_until.isoformat(),
                items=", ".join(missing),
            ),
        )
    if store.setting("observed_until") != observed_until.isoformat():
        try:
            set_observed_until(store, observed_until, who=who, today=today)
        except EntryError as error:
            # The files are saved; the day alone is not.
            return (str(error),)
    return ()

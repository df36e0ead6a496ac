"""One file, checked row by row: the good rows, the refusals, and what is odd. Nothing is saved here."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from types import MappingProxyType
from typing import cast

from remakes.records.cells import Problem
from remakes.records.importers.layout import Layout, lay_out
from remakes.records.importers.ledger import Ledger, Row, Withheld
from remakes.records.importers.reports import RefusalList, numbered
from remakes.records.importers.row_notes import key_of, row_notes, with_corrections
from remakes.records.importers.sources import Source
from remakes.records.importers.tables import RawRow, RowReader
from remakes.records.rows import ReturnRow, check_reading, check_restoration, check_return
from remakes.texts import t

__all__ = ["CheckedTable", "Progress", "check_table", "records_table", "withhold"]

#: Called with the file's name, the rows done and all its rows.
Progress = Callable[[str, int, int], None]
_RowCheck = Callable[[Mapping[str, object]], tuple[Row | None, list[Problem]]]

_CHECKS: Mapping[str, _RowCheck] = MappingProxyType(
    {
        "restorations": cast(_RowCheck, check_restoration),
        "process_log": cast(_RowCheck, check_reading),
        "returns": cast(_RowCheck, check_return),
    }
)
_ROWS_PER_PROGRESS = 5_000


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedTable:
    """What checking one file gave.

    Attributes
    ----------
    table : str
        The table of the records it goes to; a bench sheet goes to `process_log`.
    rows : list of Row
        Good rows, in the order of the file, each content once.
    repeated : int
        Further rows that say the same as one of them.
    refusals : RefusalList
    refused_ids : dict
        Restorations that a refused row names, with its line.
    notes : tuple of str
    """

    source: Source
    table: str
    layout: Layout | None
    rows: list[Row]
    repeated: int
    refusals: RefusalList
    refused_ids: Mapping[str, int]
    notes: tuple[str, ...]


def records_table(source: Source) -> str:
    """The table of the records that a file's rows go to."""
    return "process_log" if source.table == "bench_sheet" else source.table


def check_table(
    source: Source,
    ledger: Ledger,
    *,
    steps: Mapping[str, str] | None = None,
    today: date,
    progress: Progress | None = None,
) -> CheckedTable:
    """Which rows of this file can be taken, and what is wrong with the others?

    Parameters
    ----------
    source : Source
        A list of rows, not a TOML file.
    ledger : Ledger
        What is recorded already; not changed, but for its counter of odd things.
    steps : mapping
        Of a bench sheet: the step of each reading.
    today : date
        Dates after it are odd.
    progress : callable, optional
        Called every few thousand rows, and at the end.
    """
    check = _Check(source, ledger, today=today)
    layout = lay_out(source, check.refusals)
    notes = list(source.rows_grid.notes)
    if layout is not None:
        reader = RowReader(source, layout, standard=ledger.standard, steps=steps)
        for done, raw_row in enumerate(reader, start=1):
            check.row(raw_row, layout)
            if progress is not None and done % _ROWS_PER_PROGRESS == 0:
                progress(source.file, done, len(reader))
        if progress is not None:
            progress(source.file, len(reader), len(reader))
        notes += [*layout.notes, *reader.notes()]
    return check.result(layout, notes)


def withhold(checked: CheckedTable, ledger: Ledger, *, saved: bool) -> None:
    """Note in the ledger the restorations that this file names and that were not saved."""
    if checked.table != "restorations":
        return
    file = checked.source.file
    refused = Withheld(
        cause=t("its row in {file} was refused.", file=file),
        mend=t("Mend the refused rows of {file}, then import both files again.", file=file),
    )
    waiting = Withheld(
        cause=t("nothing of {file} was saved, because other rows of it were refused.", file=file),
        mend=t("Mend the refused rows of {file} or accept its good rows, then import both files again.", file=file),
    )
    if not saved:
        ids = (row.restoration_id for row in checked.rows)
        ledger.withheld.update((one, waiting) for one in ids if one not in ledger.restorations)
    ledger.withheld.update((one, refused) for one in checked.refused_ids if one not in ledger.restorations)


class _Check:
    """The rows of one file as they pass the checks."""

    def __init__(self, source: Source, ledger: Ledger, *, today: date) -> None:
        self.refusals = RefusalList(file=source.file, sheet=source.sheet)
        self._source, self._ledger, self._today = source, ledger, today
        self._table = records_table(source)
        self._good: list[tuple[int, Row]] = []
        self._refused_ids: dict[str, int] = {}
        ledger.odd.clear()

    def row(self, raw_row: RawRow, layout: Layout) -> None:
        """Check what one row of the file gave: one raw row, or of a bench sheet one for each reading."""
        rows, problems = self._each_by_itself(raw_row, layout)
        cause = ""
        if not problems:
            for row, raw in zip(rows, raw_row.raws, strict=True):
                verdict = self._ledger.verdict(row, today=self._today)
                problems += [_with_their_names(problem, layout, raw) for problem in verdict.problems]
                if verdict.cause:  # the same for all readings of a row
                    cause = verdict.cause
                    break
        if not problems:
            self._good.extend((raw_row.line, row) for row in rows)
            return
        self.refusals.row(raw_row.line, problems, cause=cause)
        for raw in raw_row.raws[:1]:
            self._refused_ids.setdefault(str(raw.get("restoration_id") or "").strip(), raw_row.line)

    def _each_by_itself(self, raw_row: RawRow, layout: Layout) -> tuple[list[Row], list[Problem]]:
        rows: list[Row] = []
        problems = [_with_their_names(problem, layout) for problem in raw_row.problems]
        faulty = _with_consequences({problem.column for problem in raw_row.problems})
        for raw in raw_row.raws:
            row, found = _CHECKS[self._table](raw)
            if row is not None:
                rows.append(row)
            problems += [_with_their_names(one, layout, raw) for one in found if one.column not in faulty]
        # What the readings of a bench sheet's row share is wrong only once.
        return rows, list(dict.fromkeys(problems)) if len(problems) > 1 else problems

    def result(self, layout: Layout | None, notes: list[str]) -> CheckedTable:
        """What the whole file gave."""
        rows, repeats = _without_doubles(self._table, self._good, self.refusals, self._refused_ids)
        rows, kept = with_corrections(rows, self._ledger.kept)
        return CheckedTable(
            source=self._source,
            table=self._table,
            layout=layout,
            rows=rows,
            repeated=len(repeats),
            refusals=self.refusals,
            refused_ids=MappingProxyType(self._refused_ids),
            notes=(*notes, *kept, *row_notes(self._source, self._table, rows, repeats, self._ledger)),
        )


def _with_consequences(faulty: set[str]) -> set[str]:
    # A cell that could not be turned was handed on as a blank, which is not a second fault.
    return faulty | {"units"} if "teeth" in faulty else faulty


def _with_their_names(problem: Problem, layout: Layout, raw: Mapping[str, object] | None = None) -> Problem:
    """The problem with the column as the file names it; on a bench sheet, `value` is the reading's column."""
    column = problem.column
    if column == "value" and raw is not None and column not in layout.places:
        column = str(raw.get("reading"))
    elif column == "operator" and column not in layout.places:
        column = "technician"
    return replace(problem, column=layout.name_of(column))


def _without_doubles(
    table: str, good: list[tuple[int, Row]], refusals: RefusalList, refused_ids: dict[str, int]
) -> tuple[list[Row], list[int]]:
    """Each content once. Rows of one key that contradict each other are all refused: none is known to be right."""
    if table == "process_log":  # has no key: two different readings are two readings
        return [row for _, row in good], []
    groups: dict[object, list[tuple[int, Row]]] = {}
    for line, row in good:
        groups.setdefault(key_of(row), []).append((line, row))
    rows: list[Row] = []
    repeats: list[int] = []
    for group in groups.values():
        first = group[0][1]
        if all(row == first for _, row in group):
            rows.append(first)
            repeats += [line for line, _ in group[1:]]
            continue
        for line, row in group:
            refusals.row(line, [_doubled(row, [other for other, _ in group if other != line])])
            refused_ids.setdefault(row.restoration_id, line)
    return rows, sorted(repeats)


def _doubled(row: Row, others: list[int]) -> Problem:
    if isinstance(row, ReturnRow):
        return Problem(
            column="return_id",
            value=row.return_id,
            reason=t(
                "Return {return_id} with {defect} stands in {numbered} too, with other content.",
                return_id=row.return_id,
                defect=row.defect,
                numbered=numbered(others),
            ),
            mend=t("Keep the right row, or give the other return or restoration a return_id of its own."),
        )
    return Problem(
        column="restoration_id",
        value=row.restoration_id,
        reason=t(
            "Restoration {restoration_id} stands in {numbered} too, with other content.",
            restoration_id=row.restoration_id,
            numbered=numbered(others),
        ),
        mend=t("Keep the right row, or correct the number of the other."),
    )

"""What an import tells: rows taken, changed, unchanged and refused, and why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from remakes.records.cells import Problem
from remakes.texts import t, tn

__all__ = [
    "MOST_REFUSALS",
    "ColumnPreview",
    "ImportBatch",
    "ImportReport",
    "Refusal",
    "RefusalList",
    "TablePreview",
    "TableReport",
    "numbered",
]

#: More refusals than this are counted and summed up, not listed one by one.
MOST_REFUSALS = 1_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """One reason why one row, or a whole file, was not taken.

    Attributes
    ----------
    file, sheet : str
        `sheet` is empty for a file without sheets.
    line : int, optional
        The row's line in the file or sheet, from 1; None where the whole file or many rows are meant.
    column : str
        The column as the file names it; empty where no single one is to blame.
    value : str
        What stands there, shortened.
    reason, mend : str
        Why it was refused; what to do.
    """

    file: str
    sheet: str
    line: int | None
    column: str
    value: str
    reason: str
    mend: str

    def __str__(self) -> str:
        where = [self.file]
        if self.sheet:
            where.append(t("sheet {sheet}", sheet=self.sheet))
        if self.line is not None:
            where.append(t("line {line}", line=self.line))
        if self.column:
            where.append(t("column {column}", column=self.column))
        return f"{', '.join(where)}: {self.reason} {self.mend}".rstrip()


@dataclass(frozen=True, slots=True, kw_only=True)
class TableReport:
    """What became of one file or one sheet.

    Attributes
    ----------
    file, sheet : str
        Where the rows came from.
    table : str
        `standard`, `actions`, `restorations`, `process_log` or `returns`; a bench sheet fills `process_log`.
    taken, changed, unchanged : int
        Rows added; rows whose key was known and whose content differs; rows that were there already.
    refused_rows : int
        Rows not taken because something is wrong with them. Of a bench sheet these are rows of the sheet,
        while the other counts are readings.
    held_back : int
        Good rows not taken because others of the file were refused.
    refused : tuple of Refusal
        The reasons, at most `MOST_REFUSALS` one by one, then one for each further cause.
    notes : tuple of str
        How the file was read, and what is odd but was taken.
    import_id : int, optional
        The batch, for `undo_import`; None where nothing was new.
    saved : bool
        Is everything that this table could give in the records now?
    refused_lines : tuple of int
        The line of every refused row, those of the sums too.
    """

    file: str
    sheet: str
    table: str
    taken: int = 0
    changed: int = 0
    unchanged: int = 0
    refused_rows: int = 0
    held_back: int = 0
    refused: tuple[Refusal, ...] = ()
    notes: tuple[str, ...] = ()
    import_id: int | None = None
    saved: bool = False
    refused_lines: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportReport:
    """What became of all files of one import, in the order in which they were saved."""

    tables: tuple[TableReport, ...]
    notes: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        """Was nothing refused?"""
        return not any(table.refused for table in self.tables)

    @property
    def refused_rows(self) -> int:
        """Rows refused, over all files."""
        return sum(table.refused_rows for table in self.tables)


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportBatch:
    """One line of the history of imports: rows that came together and can be taken back together."""

    import_id: int
    at: datetime
    who: str
    file: str
    table: str
    taken: int
    changed: int
    unchanged: int
    refused: int
    undone_at: datetime | None
    undone_by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnPreview:
    """One column of a file: its name there, what it is read as (empty: kept as extra), its first cells.

    A column that looks like patient data shows no cells: it will not be kept.
    """

    name: str
    read_as: str
    first_cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TablePreview:
    """What a file or sheet would give; nothing of it is saved.

    Attributes
    ----------
    file, sheet : str
        Where the rows stand.
    table : str
        What it would be read as; empty where neither its name nor the column map tells.
    header_line : int, optional
        None where no header row was found.
    columns : tuple of ColumnPreview
        In the order of the file.
    rows : tuple of mapping
        The first good rows as they would be saved, by column of the records.
    good_rows, refused_rows : int
        Of a bench sheet, good rows are readings.
    taken, changed, unchanged : int, optional
        What saving the good rows would come to; None without a store.
    refused : tuple of Refusal
        As in `TableReport`. Without a store, rows are not checked against what is already recorded.
    notes : tuple of str
        How the file was read.
    """

    file: str
    sheet: str
    table: str
    header_line: int | None = None
    columns: tuple[ColumnPreview, ...] = ()
    rows: tuple[Mapping[str, object], ...] = ()
    good_rows: int = 0
    refused_rows: int = 0
    refused: tuple[Refusal, ...] = ()
    notes: tuple[str, ...] = ()
    taken: int | None = None
    changed: int | None = None
    unchanged: int | None = None
    refused_lines: tuple[int, ...] = ()


@dataclass(slots=True, kw_only=True)
class RefusalList:
    """Collects the refusals of one table while it is checked; lists the first ones and counts the rest."""

    file: str
    sheet: str
    rows: int = 0
    lines: list[int] = field(default_factory=list, init=False)
    _listed: list[Refusal] = field(default_factory=list, init=False)
    _further: Counter[tuple[str, str, str]] = field(default_factory=Counter, init=False)
    _last_line: int = field(default=0, init=False)

    def __bool__(self) -> bool:
        return bool(self._listed)

    def whole_file(self, reason: str, mend: str, *, rows: int, column: str = "", line: int | None = None) -> None:
        """Refuse the file as a whole, with all its `rows`."""
        self.rows = max(self.rows, rows)
        self._list(line, Problem(column=column, value="", reason=reason, mend=mend))

    def row(self, line: int, problems: Iterable[Problem], *, cause: str = "") -> None:
        """Refuse one row. `cause` words what it shares with others, for the sum of those not listed."""
        self.rows += 1
        self.lines.append(line)
        self._last_line = max(self._last_line, line)
        for problem in problems:
            if len(self._listed) < MOST_REFUSALS:
                self._list(line, problem)
            else:
                self._further[problem.column, cause, problem.mend if cause else ""] += 1

    def _list(self, line: int | None, problem: Problem) -> None:
        self._listed.append(
            Refusal(
                file=self.file,
                sheet=self.sheet,
                line=line,
                column=problem.column,
                value=problem.value,
                reason=problem.reason,
                mend=problem.mend,
            )
        )

    def refusals(self) -> tuple[Refusal, ...]:
        """All that was collected, in the order of the lines; the sums of further ones at the end."""
        listed = sorted(self._listed, key=lambda one: one.line or 0)
        for (column, cause, mend), count in self._further.items():
            listed.append(
                Refusal(
                    file=self.file,
                    sheet=self.sheet,
                    line=None,
                    column=column,
                    value="",
                    reason=t(
                        "{count:,} more rows up to line {last_line} were refused: {cause}"
                        if cause
                        else "{count:,} more rows up to line {last_line} were refused for what stands in this column.",
                        count=count,
                        last_line=self._last_line,
                        cause=cause,
                    ),
                    mend=mend or t("Mend the rows listed first; the others are probably alike."),
                )
            )
        return tuple(listed)


def numbered(lines: Iterable[int], *, most: int = 12) -> str:
    """Line numbers in words, runs joined: `line 3`, `lines 3, 7-12 and 5 more`."""
    runs: list[list[int]] = []
    total = 0
    for line in lines:
        total += 1
        if runs and line == runs[-1][1] + 1:
            runs[-1][1] = line
        else:
            runs.append([line, line])
    shown = [str(first) if first == last else f"{first}-{last}" for first, last in runs[:most]]
    left = total - sum(last - first + 1 for first, last in runs[:most])
    if left:
        return t("lines {shown} and {left} more", shown=", ".join(shown), left=left)
    return tn(total, "line {shown}", "lines {shown}", shown=", ".join(shown))

"""A report's content, apart from paper, screen and spreadsheet: words, pictures, tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import isfinite
from typing import TYPE_CHECKING, Final, Literal

from remakes import words
from remakes.evidence.estimate import Estimate
from remakes.texts import t, tn

if TYPE_CHECKING:
    import altair as alt

__all__ = ["NOTHING", "Cell", "Column", "Figure", "Kind", "Report", "Section", "Table", "printed", "shown", "signed"]

#: What stands in a printed cell that holds no figure.
NOTHING: Final = "–"

#: `number` and `share` are single figures; the others are estimates with their range, `change` with its sign.
Kind = Literal["text", "month", "number", "share", "interval", "share interval", "change"]
Cell = str | int | float | Estimate | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a table: its head, what its cells are, and how many decimals they are printed with."""

    name: str
    kind: Kind = "text"
    digits: int = 0

    @property
    def is_figure(self) -> bool:
        """Do its cells hold figures, which stand at the right?"""
        return self.kind not in ("text", "month")

    @property
    def has_range(self) -> bool:
        """Are its cells estimates, which a workbook gives three columns?"""
        return self.kind in ("interval", "share interval", "change")


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows under their columns.

    Attributes
    ----------
    sheet : str
        Name of its sheet in a workbook. Tables of one sheet have the same columns and stand below each other,
        each row led by `group`.
    group : tuple of str
        Head and content of the column that leads the rows there, such as ("defect", "Chipping"); empty where the
        table is alone on its sheet.
    on_paper : sequence of int, optional
        Numbers of the rows that are printed, from 0; the workbook has them all. All where not given.
    """

    sheet: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""
    group: tuple[str, str] | tuple[()] = ()
    on_paper: Sequence[int] | None = None

    def __post_init__(self) -> None:
        for row in self.rows:
            if len(row) != len(self.columns):
                raise ValueError(
                    f"Table {self.caption!r}: a row of {len(row)} cells under {len(self.columns)} columns."
                )

    @property
    def printed_rows(self) -> tuple[tuple[Cell, ...], ...]:
        """The rows that go on paper."""
        if self.on_paper is None:
            return self.rows
        return tuple(self.rows[at] for at in self.on_paper if at < len(self.rows))

    @property
    def left_out(self) -> str:
        """What paper leaves out, in words; empty where it leaves out nothing."""
        printed_ones, every = len(self.printed_rows), len(self.rows)
        if printed_ones == every:
            return ""
        if not printed_ones:
            return tn(every, "Its row is in the workbook.", "All {n:,} rows are in the workbook.")
        return t("{printed:,} of {every:,} rows; all of them are in the workbook.", printed=printed_ones, every=every)


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A chart, and what a reader who cannot see it has to know.

    Attributes
    ----------
    own_height : bool
        A line for each row: the chart knows its height best. Otherwise the page gives it one.
    """

    chart: alt.LayerChart
    alternative: str
    own_height: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A heading with what belongs under it, in this order: sentences, list items, picture, table, notes.

    Attributes
    ----------
    workbook_only : bool
        Not printed; its table is in the workbook.
    """

    heading: str
    sentences: tuple[str, ...] = ()
    items: tuple[str, ...] = ()
    figure: Figure | None = None
    table: Table | None = None
    notes: tuple[str, ...] = ()
    urgent: bool = False
    workbook_only: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """A whole report: one page for the meeting in front, the charts, then the details.

    Attributes
    ----------
    month : str
        `2026-10`.
    caution : str
        What the reader has to be reminded of; at the foot of the front.
    language : str
        Code of the language it is written in.
    marks : tuple of str
        What else belongs beside the lab's name, such as that the records are invented.
    """

    title: str
    lab: str
    month: str
    made_on: date
    observed_until: date
    front: tuple[Section, ...]
    charts: tuple[Section, ...] = ()
    details: tuple[Section, ...] = ()
    caution: str = ""
    language: str = "en"
    marks: tuple[str, ...] = ()

    @property
    def about(self) -> str:
        """Whose records, up to when, made when: one line."""
        parts = (
            self.lab,
            t("records until {day}", day=words.day(self.observed_until)),
            t("made on {day}", day=words.day(self.made_on)),
            *self.marks,
        )
        return " · ".join(part for part in parts if part)

    @property
    def printed_details(self) -> tuple[Section, ...]:
        """The details without what only the workbook has."""
        return tuple(one for one in self.details if not one.workbook_only)

    @property
    def tables(self) -> tuple[Table, ...]:
        """Every table, in the order of the pages."""
        return tuple(one.table for one in (*self.front, *self.charts, *self.details) if one.table is not None)


def printed(cell: Cell, column: Column) -> str:
    """A cell as print shows it; `NOTHING` where there is no figure."""
    if cell is None:
        return NOTHING
    if isinstance(cell, str):
        return (words.month(cell) if column.kind == "month" and cell else cell) or NOTHING
    if isinstance(cell, Estimate):
        return _with_range(cell, column) if isfinite(cell.estimate) else NOTHING
    if not isfinite(cell):
        return NOTHING
    if column.kind == "share":
        return words.per_cent(cell, digits=column.digits)
    return words.figure(cell, digits=column.digits)


def _with_range(cell: Estimate, column: Column) -> str:
    if column.kind == "share interval":
        return words.share(cell)
    return signed(cell, digits=column.digits) if column.kind == "change" else words.interval(cell, digits=column.digits)


def signed(change: Estimate, *, digits: int = 1) -> str:
    """A difference with its range, `+3.1 (−0.2 to +6.4)`."""
    if not isfinite(change.estimate):
        return t(words.NOT_ESTIMABLE)
    middle, *ends = (_with_sign(value, digits) for value in (change.estimate, change.low, change.high))
    if not (isfinite(change.low) and isfinite(change.high)):
        return t("{change} (range {words})", change=middle, words=t(words.NOT_ESTIMABLE))
    low, high = ends
    return t("{estimate} ({low} to {high})", estimate=middle, low=low, high=high)


def _with_sign(value: float, digits: int) -> str:
    # What rounds to nothing has no sign.
    form = f"{{value:+.{digits}f}}" if round(value, digits) else f"{{value:.{digits}f}}"
    return t(form, value=value if round(value, digits) else 0.0)


def shown(rows: Sequence[Sequence[Cell]], columns: Sequence[Column]) -> list[list[str]]:
    """Rows as print shows them."""
    return [[printed(cell, column) for cell, column in zip(row, columns, strict=True)] for row in rows]

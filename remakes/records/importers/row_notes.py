"""What is odd about the good rows of a file, in words; and what a person corrected since, which stays."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import cast

from remakes.records.importers.kept_corrections import KeptCorrections
from remakes.records.importers.ledger import Ledger, Row
from remakes.records.importers.reports import numbered
from remakes.records.importers.sources import Source
from remakes.records.importers.spellings import alike
from remakes.records.rows import ReadingRow, RestorationRow, ReturnRow
from remakes.texts import t, tn

__all__ = ["key_of", "row_notes", "with_corrections"]

#: More kinds of odd things than this are counted, not named.
_MOST_ODD = 8
_MOST_NAMED = 5
#: Columns of codes, where another way of writing makes another person, clinic, machine or lot.
_CODE_COLUMNS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "restorations": ("technician", "clinic"),
        "process_log": ("operator", "equipment", "lot"),
        "returns": (),
    }
)


def key_of(row: Row) -> object:
    """What a row is known by within a file."""
    return (row.return_id, row.defect) if isinstance(row, ReturnRow) else row.restoration_id


def with_corrections(rows: list[Row], corrections: KeptCorrections) -> tuple[list[Row], list[str]]:
    """The rows with what persons corrected since, where the file has what stood there before; and a note of it."""
    if not corrections.by_key:
        return rows, []
    taken = {key_of(row) for row in rows if not isinstance(row, ReadingRow)}
    found: list[Row] = []
    kept: list[str] = []
    for row in rows:
        corrected = corrections.keep(row)
        # Two defects of one return in the file are two, even if a person made one of them out of the other.
        if corrected is row or (key_of(corrected) != key_of(row) and key_of(corrected) in taken):
            found.append(row)
            continue
        found.append(corrected)
        kept.append(corrected.return_id if isinstance(corrected, ReturnRow) else corrected.restoration_id)
    if not kept:
        return rows, []
    note = tn(
        len(kept),
        "1 row has what a person corrected since; the correction stays ({named}).",
        "{n:,} rows have what a person corrected since; the corrections stay ({named}).",
        named=_some(kept),
    )
    return found, [note]


def row_notes(source: Source, table: str, rows: list[Row], repeats: list[int], ledger: Ledger) -> Iterator[str]:
    """Repeated, odd and built rows; empties the ledger's counter of odd things."""
    if repeats:
        yield t("Rows that repeat an earlier one, counted as unchanged: {numbered}.", numbered=numbered(repeats))
    for words, count in list(ledger.odd.items())[:_MOST_ODD]:
        yield tn(count, "Taken, but odd: 1 row {words}.", "Taken, but odd: {n:,} rows {words}.", words=words)
    left = list(ledger.odd.values())[_MOST_ODD:]
    if left:
        yield t(
            "Taken, but odd: {left:,} more rows in {left_2:,} more ways like these.", left=sum(left), left_2=len(left)
        )
    ledger.odd.clear()
    yield from _codes_alike(table, rows, ledger)
    if source.table == "bench_sheet":
        yield t("The rows of the bench sheet hold {rows:,} readings; a blank cell is not recorded.", rows=len(rows))
    if table == "restorations":
        yield from _remake_notes(cast("list[RestorationRow]", rows), ledger)
    if table == "returns":
        yield from _return_notes(source, cast("list[ReturnRow]", rows))


def _codes_alike(table: str, rows: Iterable[Row], ledger: Ledger) -> Iterator[str]:
    """Codes of this file that are written nearly like others: T01 and t1 would count as two people."""
    for column in _CODE_COLUMNS[table]:
        new = {code for row in rows if (code := getattr(row, column)) is not None}
        known = ledger.codes.get("technician" if column == "operator" else column, set())
        groups = [group for group in alike(new | known) if new.intersection(group)]
        if groups:
            named = [" / ".join(group) for group in groups]
            yield t(
                "Taken, but odd: codes in the column {column} that differ only in capitals, blanks, signs or leading "
                "zeros, each counted as one of its own: {items}.",
                column=column,
                items=_some(named),
            )


def _some(names: Sequence[str]) -> str:
    named, left = ", ".join(names[:_MOST_NAMED]), len(names) - _MOST_NAMED
    return t("{named} and {left} more", named=named, left=left) if left > 0 else named


def _remake_notes(rows: Iterable[RestorationRow], ledger: Ledger) -> Iterator[str]:
    rows = list(rows)
    known = ledger.restorations.keys() | {row.restoration_id for row in rows}
    unknown = [row.remake_of for row in rows if row.remake_of is not None and row.remake_of not in known]
    if unknown:
        named = ", ".join(unknown[:5]) + (" ..." if len(unknown) > 5 else "")
        yield t(
            "Taken, but odd: {unknown:,} remakes of restorations that are not in the records ({named}).",
            unknown=len(unknown),
            named=named,
        )


def _return_notes(source: Source, rows: list[ReturnRow]) -> Iterator[str]:
    shares = [row.bare_metal_pct for row in rows if row.bare_metal_pct]
    if shares and max(shares) <= 1:
        yield t(
            "All shares of bare metal are 1 % or less: were the cells formatted as percentages? Then multiply by 100."
        )
    if source.table_map is not None and any(_is_built(row) for row in rows):
        built = sum(_is_built(row) for row in rows)
        yield t(
            "{built:,} rows without a return_id: it was built from the restoration and the date of the report.",
            built=built,
        )


def _is_built(row: ReturnRow) -> bool:
    return row.return_id == f"{row.restoration_id}/{row.reported_on.isoformat()}"

"""Our columns to theirs: what a foreign sheet holds, proposed and open to change."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

import streamlit as st

from remakes import words
from remakes.records.importers.column_map import BENCH_COLUMNS, NEEDED, MappedTable, ReadingColumn, TableMap
from remakes.records.importers.proposals import KnownCodes, ReadingProposal, propose_columns, propose_readings
from remakes.records.importers.sheets import Sheet
from remakes.records.requirements import ProcessStandard, Requirement
from remakes.records.rows import COLUMNS
from remakes.texts import t
from remakes.views.fields import number_field
from remakes.views.lists_parts import wording

__all__ = ["Matched", "match_columns"]

_NOWHERE: Final = ""
_LONGEST_LABEL: Final = 70
#: So many fields stand side by side.
_SIDE_BY_SIDE: Final = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Matched:
    """Which of their columns stand for which of ours.

    `missing` names, in words, what a sheet of this kind cannot do without.
    """

    columns: Mapping[str, str]
    readings: tuple[ReadingColumn, ...]
    missing: tuple[str, ...]


def match_columns(
    sheet: Sheet,
    table: MappedTable,
    *,
    initial: TableMap | None,
    standard: ProcessStandard,
    known: KnownCodes,
    key: str,
) -> Matched:
    """Fields for all our columns; the proposal stands in them, or what was said for such a file before."""
    proposed: Mapping[str, str]
    if initial is not None and initial.table == table:
        proposed = initial.columns
        reading_proposals = {
            one.reading: ReadingProposal(column=one.column, times=one.times) for one in initial.readings
        }
    else:
        proposed = propose_columns(sheet, table, known)
        taken = tuple(proposed.values())
        reading_proposals = propose_readings(sheet, standard, taken=taken) if table == "bench_sheet" else {}
    ours = [one for one in BENCH_COLUMNS if one != "operator"] if table == "bench_sheet" else [*COLUMNS[table]]
    st.markdown(t("**Which of the file's columns is which?** The first cells of each column stand beside its name."))
    columns = _column_fields(sheet, ours, needed=NEEDED[table], proposed=proposed, key=key)
    readings: tuple[ReadingColumn, ...] = ()
    if table == "bench_sheet":
        readings = _reading_fields(sheet, standard, reading_proposals, key=key)
    _tell_left_over(sheet, [*columns.values(), *(one.column for one in readings)])
    return Matched(columns=columns, readings=readings, missing=tuple(_missing(table, columns, readings)))


def _missing(table: MappedTable, columns: Mapping[str, str], readings: Sequence[ReadingColumn]) -> list[str]:
    missing: list[str] = [
        t("Choose the column for: {column}.", column=wording.column(column))
        for column in NEEDED[table]
        if column not in columns
    ]
    if table == "restorations" and not {"units", "teeth"} & columns.keys():
        missing.append(t("Choose the column of units, or the one of teeth."))
    if table == "bench_sheet" and not readings:
        missing.append(t("Choose the column of at least one reading."))
    chosen = [*columns.values(), *(one.column for one in readings)]
    missing += [
        t("{column} is chosen for two things. Choose another column for one of them.", column=words.plain(one))
        for one in dict.fromkeys(chosen)
        if chosen.count(one) > 1
    ]
    return missing


def _column_fields(
    sheet: Sheet, ours: Sequence[str], *, needed: Sequence[str], proposed: Mapping[str, str], key: str
) -> dict[str, str]:
    names = {one.name for one in sheet.columns}
    first = [one for one in ours if one in needed or proposed.get(one) in names]
    further = [one for one in ours if one not in first]
    found: dict[str, str] = {}
    _side_by_side(sheet, first, needed, proposed, found, key)
    if further:
        with st.expander(t("Columns that this file seems not to have ({n})", n=len(further))):
            _side_by_side(sheet, further, needed, proposed, found, key)
    return {column: found[column] for column in ours if column in found}


def _side_by_side(
    sheet: Sheet,
    ours: Sequence[str],
    needed: Sequence[str],
    proposed: Mapping[str, str],
    found: dict[str, str],
    key: str,
) -> None:
    for start in range(0, len(ours), _SIDE_BY_SIDE):
        places = st.columns(_SIDE_BY_SIDE)
        for place, column in zip(places, ours[start : start + _SIDE_BY_SIDE], strict=False):
            label = wording.column(column)
            with place:
                chosen = _theirs(
                    sheet,
                    t("{column} (needed)", column=label) if column in needed else label,
                    proposed.get(column, _NOWHERE),
                    key=f"{key}_column_{column}",
                )
            if chosen:
                found[column] = chosen


def _theirs(sheet: Sheet, label: str, proposed: str, *, key: str) -> str:
    options = [_NOWHERE, *(one.name for one in sheet.columns)]
    shown = {one.name: _shown(one.name, one.first_cells) for one in sheet.columns}
    index = options.index(proposed) if proposed in options else 0
    return st.selectbox(
        label, options, index=index, key=key, format_func=lambda one: shown.get(one) or t("not in this file")
    )


def _shown(name: str, first_cells: Sequence[str]) -> str:
    text = f"{name}: {' | '.join(first_cells)}" if first_cells else t("{name} (empty)", name=name)
    return text if len(text) <= _LONGEST_LABEL else text[: _LONGEST_LABEL - 1] + "…"


def _reading_fields(
    sheet: Sheet, standard: ProcessStandard, proposed: Mapping[str, ReadingProposal], *, key: str
) -> tuple[ReadingColumn, ...]:
    newest = {one.reading: one for one in sorted(standard.requirements, key=lambda one: one.valid_from)}
    order = {step: place for place, step in enumerate(standard.steps)}
    asked = sorted(newest.values(), key=lambda one: order.get(one.step, len(order)))
    st.markdown(t("**Which columns hold readings?** They are those of the process standard."))
    if not asked:
        st.info(t("The records hold no process standard yet. Bring in a standard.toml first: it names the readings."))
        return ()
    names = {one.name for one in sheet.columns}
    first = [one for one in asked if one.reading in proposed and proposed[one.reading].column in names]
    found = [_reading(sheet, one, standard, proposed.get(one.reading), key=key) for one in first]
    further = [one for one in asked if one not in first]
    if further:
        with st.expander(t("Readings that this file seems not to have ({n})", n=len(further)), expanded=not first):
            found += [_reading(sheet, one, standard, None, key=key) for one in further]
    return tuple(one for one in found if one is not None)


def _reading(
    sheet: Sheet, one: Requirement, standard: ProcessStandard, proposed: ReadingProposal | None, *, key: str
) -> ReadingColumn | None:
    left, right = st.columns([2, 1])
    own = f"{key}_reading_{one.reading}"
    unit = one.unit or ""
    label = t("{reading} in {unit} ({step})", reading=one.reading, unit=unit, step=one.step)
    with left:
        column = _theirs(
            sheet,
            label if unit and one.rule.numeric else t("{reading} ({step})", reading=one.reading, step=one.step),
            proposed.column if proposed else _NOWHERE,
            key=own,
        )
    if not column:
        return None
    times = None
    if one.rule.numeric:
        stated = number_field(
            t("Times (60 turns minutes into seconds)"),
            key=f"{own}_times_{column}",
            value=float(proposed.times) if proposed and proposed.times and proposed.column == column else 1.0,
            low=1e-9,
            place=right,
        )
        times = Decimal(f"{stated:g}") if stated not in (None, 1.0) else None
    steps = standard.steps_of_reading(one.reading)
    step = right.selectbox(t("Working step"), steps, key=f"{own}_step") if len(steps) > 1 else None
    return ReadingColumn(reading=one.reading, column=column, times=times, step=step)


def _tell_left_over(sheet: Sheet, used: Sequence[str]) -> None:
    left = [one.name for one in sheet.columns if one.name not in used]
    if left:
        st.caption(t("Kept as they are, used in no figure: {columns}.", columns=words.plain(", ".join(left))))

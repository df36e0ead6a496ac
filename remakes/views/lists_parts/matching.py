"""Say what a foreign list holds: sheet, header row, kind of list, columns, ways of writing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, get_args

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from remakes import words
from remakes.errors import RemakesError
from remakes.records.importers.column_map import MappedTable, TableMap
from remakes.records.importers.column_map_reading import parse_column_map
from remakes.records.importers.conversions import header_names
from remakes.records.importers.grids import HEADER_SEARCH, Cell
from remakes.records.importers.proposals import known_codes, propose_table
from remakes.records.importers.shapes import RememberedMap, as_toml, block_for
from remakes.records.importers.sheets import Sheet, SheetFile
from remakes.records.standard import load_standard
from remakes.texts import t
from remakes.views import state
from remakes.views.lists_parts import wording
from remakes.views.lists_parts.columns_form import Matched, match_columns
from remakes.views.lists_parts.uploads import Upload, counted, opened
from remakes.views.lists_parts.writing_form import Writing, ask_writing

__all__ = ["Answer", "ask"]

_TABLES: Final[tuple[MappedTable, ...]] = get_args(MappedTable)
_FOUND: Final = ""
_ENCODINGS: Final = {"utf-8": "UTF-8", "cp1252": "Windows-1252", "cp1250": "Windows-1250", "utf-16": "UTF-16"}
_LONGEST_ROW: Final = 90


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What one sheet is to be read as.

    Attributes
    ----------
    block : TableMap or None
        None as long as something is open.
    shape : str
    remember : bool
        Should the next file of the shape be read without questions?
    before : RememberedMap, optional
        The map that was remembered until now.
    """

    block: TableMap | None
    shape: str = ""
    remember: bool = True
    before: RememberedMap | None = None


def ask(upload: Upload, sheet: str, before: RememberedMap | None, *, key: str) -> Answer:
    """The questions about one sheet of an uploaded file; where its shape is remembered, they are answered already."""
    stored = st.session_state.get(f"{key}_block")
    used = stored is not None or before is not None
    name = words.plain(upload.name)
    if before is not None:
        label = t("{file}: read with the answers given before. Look at them, or change them", file=name)
    else:
        label = t("{file}: what does it hold?", file=name)
    with st.expander(label, expanded=not used):
        if before is not None:
            st.caption(
                t(
                    "These columns were matched on {day} by {who}, for {file}.",
                    day=words.day(before.at.date()),
                    who=words.plain(words.who(before.who)),
                    file=words.plain(before.file),
                )
            )
        try:
            return _questions(upload, sheet, before, key=key)
        except RemakesError as error:
            st.error(words.refusal(error))
            return Answer(block=None)


def _questions(upload: Upload, sheet_name: str, before: RememberedMap | None, *, key: str) -> Answer:
    initial = before.block if before is not None else None
    encoding, sheet = _sheet(upload, sheet_name, before, key=key)
    for fault in sheet.faults:
        st.error(words.plain(fault))
    if sheet.faults:
        return Answer(block=None)
    records = state.store()
    standard, known = load_standard(records), known_codes(records)
    proposed = initial.table if initial is not None else propose_table(sheet, standard, known)
    own = f"{key}_{sheet.grid.sheet}_{sheet.header}_{encoding}"
    table = st.radio(
        t("This is a list of"),
        _TABLES,
        index=_TABLES.index(proposed),
        format_func=wording.kind_of_list,
        key=f"{own}_table",
    )
    own = f"{own}_{table}"
    matched = match_columns(sheet, table, initial=initial, standard=standard, known=known, key=own)
    writing = ask_writing(
        table,
        matched,
        lambda column: counted(upload, sheet, encoding, column),
        initial=initial if initial is not None and initial.table == table else None,
        standard=standard,
        key=own,
    )
    block = None
    if not (matched.missing or writing.missing):
        block = _block(upload, sheet, table, matched, writing, encoding)
    return _used(block, [*matched.missing, *writing.missing], sheet.shape, before, key=key)


def _sheet(upload: Upload, wished: str, before: RememberedMap | None, *, key: str) -> tuple[str | None, Sheet]:
    left, right = st.columns(2)
    initial = before.block if before is not None else None
    encoding: str | None = None
    file = opened(upload)
    if file.sheets == ("",):
        options = [_FOUND, *_ENCODINGS]
        declared = initial.encoding if initial is not None else None
        chosen = left.selectbox(
            t("Letters are written in"),
            options,
            index=options.index(declared) if declared in options else 0,
            format_func=lambda one: _ENCODINGS.get(one) or t("as found (change it where letters look wrong)"),
            key=f"{key}_encoding",
        )
        encoding = chosen or None
        file = opened(upload, encoding)
    elif len(file.sheets) > 1 and initial is None:
        wished = left.selectbox(
            t("Sheet"), file.sheets, index=file.sheets.index(wished), key=f"{key}_sheet", format_func=str
        )
        if file.hidden:
            left.caption(t("Hidden sheets are not read: {names}.", names=words.plain(", ".join(file.hidden))))
    return encoding, _with_header(
        file, wished, [before.shape] if before else (), right, key=f"{key}_{wished}_{encoding}"
    )


def _with_header(file: SheetFile, name: str, shapes: Sequence[str], place: DeltaGenerator, *, key: str) -> Sheet:
    found = file.sheet(name, shapes=shapes)
    top = dict(found.grid.rows[:HEADER_SEARCH])
    lines = list(top)
    line = place.selectbox(
        t("Row that names the columns"),
        lines,
        index=found.header,
        format_func=lambda one: _row_label(one, top[one]),
        key=f"{key}_header",
    )
    sheet = file.sheet(name, header_line=line)
    for oddity in sheet.oddities:
        st.caption(words.plain(oddity))
    return sheet


def _row_label(line: int, cells: Sequence[Cell]) -> str:
    text = " | ".join(filter(None, header_names(cells)))
    return t(
        "line {line}: {cells}",
        line=line,
        cells=text if len(text) <= _LONGEST_ROW else text[: _LONGEST_ROW - 1] + "…",
    )


def _block(
    upload: Upload, sheet: Sheet, table: MappedTable, matched: Matched, writing: Writing, encoding: str | None
) -> TableMap:
    block = TableMap(
        table=table,
        file=upload.name,
        columns=matched.columns,
        readings=matched.readings,
        dates=writing.dates,
        datetimes=writing.datetimes,
        decimal=writing.decimal,
        teeth=writing.teeth,
        values=writing.values,
        yes=writing.yes,
        no=writing.no,
        encoding=encoding,
    )
    block = block_for(block, upload.name, sheet.grid.sheet)
    # Written and read again: a page's answers pass the same checks as a file, and say the same.
    return parse_column_map(as_toml([block]), file=upload.name).tables[0]


def _used(block: TableMap | None, missing: list[str], shape: str, before: RememberedMap | None, *, key: str) -> Answer:
    kept = f"{key}_block"
    toml = as_toml([block]) if block is not None else ""
    if before is not None and block is not None and kept not in st.session_state:
        st.session_state[kept] = toml
    stored = st.session_state.get(kept)
    remember = st.checkbox(
        t("Remember these answers: the next file with these columns is read without questions"),
        value=True,
        key=f"{key}_remember",
    )
    if missing:
        st.info(t("Still to say:") + "\n" + "\n".join(f"- {one}" for one in missing))
    if toml and stored == toml:
        st.caption(t("Read with these answers: what it gives stands below."))
        return Answer(block=block, shape=shape, remember=remember, before=before)
    if stored and toml:
        st.warning(t("The answers have changed since. Look at what they give now."))
    if st.button(
        t("Look at what this gives"), type="primary", key=f"{key}_use", disabled=block is None, width="stretch"
    ):
        st.session_state[kept] = toml
        st.rerun()
    return Answer(block=None)

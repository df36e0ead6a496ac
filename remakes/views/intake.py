"""Files in: look first, then save. Nothing is saved until it is confirmed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from pathlib import Path, PurePath
from tempfile import TemporaryDirectory
from typing import Any, Final

import streamlit as st

from remakes import words
from remakes.records.importers import (
    ColumnMap,
    ImportReport,
    Refusal,
    TablePreview,
    import_paths,
    parse_column_map,
    preview,
)
from remakes.views import downloads, frame, state
from remakes.views.jobs import Tell, follow, shelf

__all__ = ["show", "written"]

_ROUND: Final = "intake_round"
_REPORT: Final = "intake_report"
_PREVIEW: Final = "intake_preview"
_MOST_SHOWN: Final = 20
_TYPES: Final = ["csv", "tsv", "txt", "xlsx", "xls", "ods", "toml"]

Files = dict[str, bytes]


def show() -> None:
    """Upload, preview, confirm, report."""
    st.subheader("Bring lists in")
    if report := st.session_state.get(_REPORT):
        _show_report(report)
    turn = st.session_state.setdefault(_ROUND, 0)
    left, right = st.columns([2, 1])
    uploads = left.file_uploader(
        "Files: restorations, process_log, returns, standard, actions; CSV, TOML or a workbook",
        type=_TYPES,
        accept_multiple_files=True,
        key=f"files_{turn}",
    )
    map_upload = right.file_uploader("Column map, for foreign column names (TOML)", type=["toml"], key=f"map_{turn}")
    if not uploads:
        return
    names = [PurePath(one.name).name for one in uploads]
    if twice := sorted({name for name in names if names.count(name) > 1}):
        st.error(
            f"Two files are called {words.plain(words.listed(twice))}. Bring them in one after the other, "
            "or give one another name and a column map: neither has been read."
        )
        return
    files = {one.name: one.getvalue() for one in uploads}
    column_map = _column_map(map_upload)
    key = (tuple(one.file_id for one in uploads), map_upload and map_upload.file_id, state.store().data_version())
    found = _preview(key, files, column_map)
    for one in found:
        _show_preview(one)
    _offer_refused([refusal for one in found for refusal in one.refused], name="refused_rows")
    _confirm(files, column_map, found)


def _column_map(upload: Any) -> ColumnMap | None:
    if upload is None:
        return None
    return parse_column_map(upload.getvalue().decode("utf-8", errors="replace"), file=upload.name)


def _preview(key: object, files: Files, column_map: ColumnMap | None) -> tuple[TablePreview, ...]:
    """Checked once for each choice of files and state of the records; large lists take seconds."""
    kept = st.session_state.get(_PREVIEW)
    if kept and kept[0] == key:
        return tuple(kept[1])
    records = state.store()

    def work(_tell: Tell) -> tuple[TablePreview, ...]:
        with TemporaryDirectory() as folder:
            return preview(written(files, folder), column_map, store=records)

    found = follow(shelf().once(work), "Reading", tuple)
    st.session_state[_PREVIEW] = (key, found)
    return found


def written(files: Files, folder: str) -> list[Path]:
    """Uploads as files in a folder, under their names without any folders."""
    paths = []
    for name, content in files.items():
        path = Path(folder) / PurePath(name).name
        path.write_bytes(content)
        paths.append(path)
    return paths


def _show_preview(one: TablePreview) -> None:
    name = f"{words.plain(one.file)}{f' [{words.plain(one.sheet)}]' if one.sheet else ''}"
    held = words.plain(one.table) if one.table else "**not known what this holds: name the file, or give a column map**"
    refused = f", **{one.refused_rows:,} refused**" if one.refused_rows else ""
    st.markdown(f"**{name}**: {held}; {one.good_rows:,} good rows{refused}. Nothing is saved yet.")
    for note in one.notes:
        st.caption(words.plain(note))
    if one.refused:
        _show_refused(one.refused)
    with st.expander(f"First rows and columns of {words.plain(one.file)}"):
        if one.rows:
            frame.table([{column: _cell(value) for column, value in row.items()} for row in one.rows])
        if one.columns:
            frame.table(
                [
                    {
                        "column": column.name,
                        "read as": column.read_as or "kept as it is",
                        "first cells": " | ".join(column.first_cells),
                    }
                    for column in one.columns
                ]
            )


def _cell(value: object) -> str:
    return "" if value is None or value == {} else str(value)


def _show_refused(refused: Sequence[Refusal]) -> None:
    frame.table([_refused_row(one) for one in refused[:_MOST_SHOWN]])
    if len(refused) > _MOST_SHOWN:
        st.caption(f"The first {_MOST_SHOWN} of {len(refused):,} reasons; the download has all.")


def _refused_row(one: Refusal) -> dict[str, object]:
    return {
        "file": one.file,
        "sheet": one.sheet,
        "line": one.line,
        "column": one.column,
        "value": one.value,
        "reason": one.reason,
        "what to do": one.mend,
    }


def _offer_refused(refused: Iterable[Refusal], *, name: str) -> None:
    rows = [_refused_row(one) for one in refused]
    if rows:
        downloads.offer_csv(rows, name=name, label="Download the refused rows as CSV")


def _confirm(files: Files, column_map: ColumnMap | None, found: Sequence[TablePreview]) -> None:
    refused = any(one.refused for one in found)
    accept = refused and st.checkbox("Save the good rows of a file even if others are refused", key="accept_good")
    until = st.date_input(
        "Returns are complete up to (blank: leave as it is)", value=None, format="YYYY-MM-DD", key="import_until"
    )
    if not st.button("Save these rows", type="primary", key="confirm_import"):
        return
    records, who = state.store(), state.require("quality", "manager").who

    def work(tell: Tell) -> ImportReport:
        with TemporaryDirectory() as folder:
            return import_paths(
                records,
                written(files, folder),
                column_map=column_map,
                observed_until=until if isinstance(until, date) else None,
                accept_good_rows=bool(accept),
                who=who,
                progress=tell,
            )

    st.session_state[_REPORT] = follow(shelf().once(work), "Saving", ImportReport)
    st.session_state[_ROUND] += 1
    st.session_state.pop(_PREVIEW, None)
    st.rerun()


def _show_report(report: ImportReport) -> None:
    for one in report.tables:
        changed = f", {one.changed:,} changed" if one.changed else ""
        said = (
            f"{words.plain(one.file)}: {one.taken:,} taken{changed}, {one.unchanged:,} unchanged, "
            f"{one.refused_rows:,} refused"
        )
        if one.saved and not one.refused:
            st.success(f"{said}: saved.")
        elif one.saved:
            st.warning(f"{said}: the good rows are saved.")
        else:
            st.error(f"{said}: nothing of it is saved. {one.held_back:,} good rows wait for the refused ones.")
    for note in report.notes:
        st.caption(words.plain(note))
    _offer_refused([refusal for one in report.tables for refusal in one.refused], name="refused_in_last_import")

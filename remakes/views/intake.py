"""Files in: say what a foreign list holds, look first, then save. Nothing is saved until it is confirmed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path, PurePath
from tempfile import TemporaryDirectory
from typing import Any, Final

import streamlit as st

from remakes import words
from remakes.errors import RemakesError
from remakes.records.importers import ColumnMap, ImportReport, TablePreview, column_map_of_bytes, import_paths, preview
from remakes.records.importers.column_map import TableMap
from remakes.records.importers.mending import RowsToMend, rows_to_mend
from remakes.records.importers.shapes import as_toml, remember_map, remembered_maps
from remakes.texts import t
from remakes.views import state
from remakes.views.fields import day_field, file_field
from remakes.views.jobs import Tell, follow, shelf
from remakes.views.lists_parts import matching, results
from remakes.views.lists_parts.uploads import Upload, look

__all__ = ["show", "written"]

_ROUND: Final = "intake_round"
_REPORT: Final = "intake_report"
_PREVIEW: Final = "intake_preview"
_TYPES: Final = ["csv", "tsv", "txt", "xlsx", "xls", "ods", "toml"]

Files = dict[str, bytes]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Done:
    """What became of the last import; the rows to mend are kept, since the files are gone from the page."""

    report: ImportReport
    to_mend: tuple[RowsToMend, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Answered:
    """The questions about all uploaded files; `open_files` names those that still wait for an answer."""

    column_map: ColumnMap | None
    answers: tuple[tuple[str, matching.Answer], ...]
    open_files: tuple[str, ...]


def show() -> None:
    """Upload, questions, preview, confirm, report."""
    st.subheader(t("Bring lists in"))
    if done := st.session_state.get(_REPORT):
        results.show_report(done.report, done.to_mend)
    turn = st.session_state.setdefault(_ROUND, 0)
    left, right = st.columns([2, 1])
    uploads = file_field(
        t("Files: any list as CSV or workbook, or standard.toml and actions.toml"),
        types=_TYPES,
        several=True,
        key=f"files_{turn}",
        place=left,
    )
    map_upload = file_field(t("Column map, if you have one (TOML)"), types=["toml"], key=f"map_{turn}", place=right)
    if not uploads:
        return
    names = [PurePath(one.name).name for one in uploads]
    if twice := sorted({name for name in names if names.count(name) > 1}):
        st.error(
            t(
                "Two files are called {names}. Bring them in one after the other, or give one another name: "
                "neither has been read.",
                names=words.plain(words.listed(twice)),
            )
        )
        return
    files = {PurePath(one.name).name: one.getvalue() for one in uploads}
    marks = {PurePath(one.name).name: str(one.file_id) for one in uploads}
    answered = _ask(files, marks, _column_map(map_upload), turn)
    if answered is None:
        return
    ready = {name: data for name, data in files.items() if name not in answered.open_files}
    if ready:
        _look_and_save(ready, answered, tuple(marks[name] for name in ready))
    elif answered.open_files:
        st.info(t("Answer the questions above; nothing is saved before you have seen what comes of it."))


def _column_map(upload: Any) -> ColumnMap | None:
    if upload is None:
        return None
    return column_map_of_bytes(upload.getvalue(), file=upload.name)


def _ask(files: Files, marks: dict[str, str], given: ColumnMap | None, turn: int) -> _Answered | None:
    """The questions of all files; None where one cannot be read at all."""
    remembered = remembered_maps(state.store())
    looked = [look(Upload(name=name, mark=marks[name], data=data), given, remembered) for name, data in files.items()]
    for one in looked:
        if one.fault:
            st.error(words.plain(one.fault))
    if any(one.fault for one in looked):
        st.info(t("Take that file out of the list above, or mend it and choose it again: nothing was read yet."))
        return None
    blocks: list[TableMap] = list(given.tables) if given is not None else []
    answers: list[tuple[str, matching.Answer]] = []
    waiting: list[str] = []
    for place, one in enumerate(looked):
        for number, (sheet, before) in enumerate(one.sheets):
            answer = matching.ask(one, sheet, before, key=f"match_{turn}_{place}_{number}_{one.mark}")
            answers.append((one.name, answer))
            if answer.block is None:
                waiting.append(one.name)
            else:
                blocks.append(answer.block)
        blocks += one.standing
    column_map = ColumnMap(file=given.file if given else "map.toml", tables=tuple(blocks)) if blocks else None
    return _Answered(column_map=column_map, answers=tuple(answers), open_files=tuple(dict.fromkeys(waiting)))


def _look_and_save(files: Files, answered: _Answered, marks: Sequence[str]) -> None:
    column_map = _without(answered.column_map, answered.open_files)
    key = (marks, as_toml(column_map.tables) if column_map else "", state.store().data_version())
    found = _preview(key, files, column_map)
    for one in found:
        results.show_preview(one)
    results.offer_to_mend(lambda: _to_mend(files, column_map, found), found, name="preview")
    if column_map is not None:
        st.download_button(
            t("Download these answers as a column map (map.toml)"),
            data=lambda: as_toml(column_map.tables).encode(),
            file_name="map.toml",
            mime="application/toml",
            key="download_map",
            on_click="ignore",
        )
    if answered.open_files:
        names = words.plain(words.listed(answered.open_files))
        st.info(t("Still waiting for your answers: {files}. Give them, or take the file out of the list.", files=names))
        return
    _confirm(files, column_map, found, answered)


def _without(column_map: ColumnMap | None, files: Sequence[str]) -> ColumnMap | None:
    if column_map is None:
        return None
    kept = tuple(one for one in column_map.tables if not any(one.fits(file) for file in files))
    return ColumnMap(file=column_map.file, tables=kept) if kept else None


def _preview(key: object, files: Files, column_map: ColumnMap | None) -> tuple[TablePreview, ...]:
    """Checked once for each choice of files and state of the records; large lists take seconds."""
    kept = st.session_state.get(_PREVIEW)
    if kept and kept[0] == key:
        return tuple(kept[1])
    records = state.store()

    def work(tell: Tell) -> tuple[TablePreview, ...]:
        with TemporaryDirectory() as folder:
            return preview(written(files, folder), column_map, store=records, progress=tell)

    found = follow(shelf().once(work), t("Reading"), tuple)
    st.session_state[_PREVIEW] = (key, found)
    return found


def _to_mend(files: Files, column_map: ColumnMap | None, told: Iterable[Any]) -> tuple[RowsToMend, ...]:
    with TemporaryDirectory() as folder:
        return rows_to_mend(written(files, folder), column_map, told)


def written(files: Files, folder: str) -> list[Path]:
    """Uploads as files in a folder, under their names without any folders."""
    paths = []
    for name, content in files.items():
        path = Path(folder) / PurePath(name).name
        path.write_bytes(content)
        paths.append(path)
    return paths


def _confirm(files: Files, column_map: ColumnMap | None, found: Sequence[TablePreview], answered: _Answered) -> None:
    refused = any(one.refused for one in found)
    accept = refused and st.checkbox(t("Save the good rows of a file even if others are refused"), key="accept_good")
    until = day_field(t("Returns are complete up to (blank: leave as it is)"), key="import_until")
    if not st.button(t("Save these rows"), type="primary", key="confirm_import"):
        return
    who = state.require("quality", "manager").who
    done = _save(files, column_map, until, accept=bool(accept), who=who)
    if any(one.saved for one in done.report.tables):
        _remember(answered, who)
    st.session_state[_REPORT] = done
    st.session_state[_ROUND] += 1
    st.session_state.pop(_PREVIEW, None)
    st.rerun()


def _save(files: Files, column_map: ColumnMap | None, until: date | None, *, accept: bool, who: str) -> _Done:
    records = state.store()

    def work(tell: Tell) -> _Done:
        with TemporaryDirectory() as folder:
            paths = written(files, folder)
            report = import_paths(
                records,
                paths,
                column_map=column_map,
                observed_until=until,
                accept_good_rows=accept,
                who=who,
                progress=tell,
            )
            return _Done(report=report, to_mend=rows_to_mend(paths, column_map, report.tables))

    return follow(shelf().once(work), t("Saving"), _Done)


def _remember(answered: _Answered, who: str) -> None:
    """A map that somebody changed meanwhile stays as that person left it, and that is told."""
    for file, answer in answered.answers:
        if answer.block is None or not answer.remember:
            continue
        version = answer.before.at.isoformat() if answer.before else None
        toml = as_toml([answer.block])
        try:
            remember_map(state.store(), answer.shape, toml, file=file, who=who, version=version)
        except RemakesError as error:
            st.toast(words.refusal(error))

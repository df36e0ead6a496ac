"""What an import would give, and what it gave: counts, first rows, refused rows and the file to mend them in."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import streamlit as st

from remakes import words
from remakes.records.importers import ImportReport, Refusal, TablePreview, TableReport
from remakes.records.importers.mending import RowsToMend, mending_csv, mending_workbook
from remakes.texts import t, tn
from remakes.views import downloads, frame
from remakes.views.lists_parts import wording

__all__ = ["offer_to_mend", "show_preview", "show_report"]

_MOST_SHOWN: Final = 20
_XLSX: Final = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def show_preview(one: TablePreview) -> None:
    """What one file or sheet would give; nothing of it is saved."""
    name = words.plain(t("{file} [{sheet}]", file=one.file, sheet=one.sheet) if one.sheet else one.file)
    if not one.table:
        st.warning(t("{file}: not known what this holds.", file=name))
    else:
        st.markdown(t("**{file}** ({table}): nothing is saved yet.", file=name, table=wording.table(one.table)))
        st.markdown(_counts(one))
    for note in one.notes:
        st.caption(words.plain(note))
    if one.refused:
        _show_refused(one.refused)
    with st.expander(t("First rows and columns of {file}", file=words.plain(one.file))):
        if one.rows:
            st.markdown(t("The first rows as they would be read:"))
            frame.table([{column: _cell(value) for column, value in row.items()} for row in one.rows])
        if one.columns:
            st.markdown(t("The columns of the file:"))
            frame.table(
                [
                    {
                        t("column"): column.name,
                        t("read as"): column.read_as or t("kept as it is"),
                        t("first cells"): " | ".join(column.first_cells),
                    }
                    for column in one.columns
                ]
            )


def _counts(one: TablePreview) -> str:
    if one.taken is None or one.changed is None or one.unchanged is None:
        parts = [tn(one.good_rows, "1 good row", "{n:,} good rows")]
    else:
        parts = [
            t("{n:,} would be taken", n=one.taken),
            t("{n:,} change what is in the records", n=one.changed),
            t("{n:,} are there already", n=one.unchanged),
        ]
    refused = t("{n:,} refused", n=one.refused_rows)
    return " · ".join([*parts, f"**{refused}**" if one.refused_rows else refused])


def _cell(value: object) -> str:
    return "" if value is None or value == {} else str(value)


def _show_refused(refused: Sequence[Refusal]) -> None:
    frame.table([_reason(one) for one in refused[:_MOST_SHOWN]])
    if len(refused) > _MOST_SHOWN:
        st.caption(t("The first {most} of {n:,} reasons; the file to mend has all.", most=_MOST_SHOWN, n=len(refused)))


def _refused_row(one: Refusal) -> dict[str, object]:
    return {t("file"): one.file, t("sheet"): one.sheet} | _reason(one)


def _reason(one: Refusal) -> dict[str, object]:
    """Under the name of its file, which the page says once."""
    return {
        t("line of the file"): one.line,
        t("column"): one.column,
        t("value"): one.value,
        t("reason"): one.reason,
        t("what to do"): one.mend,
    }


def offer_to_mend(
    build: Callable[[], Sequence[RowsToMend]], told: Sequence[TablePreview | TableReport], *, name: str
) -> None:
    """The refused rows as a workbook, and for each text file as CSV too; built when clicked."""
    reasons = [_refused_row(refusal) for one in told for refusal in one.refused]
    if not reasons:
        return
    with_rows = [one for one in told if one.refused_lines]
    if with_rows:
        st.markdown(
            t(
                "Mend the refused rows in a file of their own: it holds them as they were, with line, column, value, "
                "reason and what to do. Save it and choose it above as it is; the extra columns may stay."
            )
        )
        st.download_button(
            t("Download the refused rows to mend (XLSX)"),
            data=lambda: mending_workbook(build()),
            file_name="rows to mend.xlsx",
            mime=_XLSX,
            key=f"mend_xlsx_{name}",
            on_click="ignore",
            type="primary" if name != "preview" else "secondary",
        )
        for place, one in enumerate(with_rows):
            # Days and numbers of a workbook are typed; as text they would need another way of writing.
            if not one.sheet:
                _offer_csv(build, one, place, name)
    downloads.offer_csv(reasons, name=f"reasons_{name}", label=t("Download the list of reasons as CSV"))


def _offer_csv(
    build: Callable[[], Sequence[RowsToMend]], one: TablePreview | TableReport, place: int, name: str
) -> None:
    stem = one.file.rpartition(".")[0]
    st.download_button(
        t("Download the refused rows of {file} as CSV", file=one.file),
        data=lambda: mending_csv(build()[place]),
        file_name=f"{stem}.csv",
        mime="text/csv",
        key=f"mend_csv_{name}_{place}",
        on_click="ignore",
    )


def show_report(report: ImportReport, to_mend: Sequence[RowsToMend]) -> None:
    """What became of each file of the last import."""
    for one in report.tables:
        said = t(
            "{file}: {taken:,} taken, {changed:,} changed, {unchanged:,} unchanged, {refused:,} refused",
            file=words.plain(one.file),
            taken=one.taken,
            changed=one.changed,
            unchanged=one.unchanged,
            refused=one.refused_rows,
        )
        if one.saved and not one.refused:
            st.success(t("{counts}: saved.", counts=said))
        elif one.saved:
            st.warning(t("{counts}: the good rows are saved.", counts=said))
        else:
            st.error(
                t("{counts}: nothing of it is saved.", counts=said)
                if not one.held_back
                else t(
                    "{counts}: nothing of it is saved. Good rows that wait for the refused ones: {held:,}.",
                    counts=said,
                    held=one.held_back,
                )
            )
            for refusal in one.refused:
                if refusal.line is None:
                    st.markdown(f"- {words.plain(refusal.reason)} {words.plain(refusal.mend)}")
    for note in report.notes:
        st.caption(words.plain(note))
    offer_to_mend(lambda: to_mend, report.tables, name="last_import")

"""Lists and import: is everything in? The history with undo, the end of observation, samples."""

from __future__ import annotations

from datetime import date
from functools import partial

import streamlit as st

from remakes import flow, words
from remakes.errors import RemakesError
from remakes.records.demo_lab import demo_files
from remakes.records.importers import ImportBatch, list_imports, undo_import
from remakes.records.rows import COLUMNS
from remakes.records.store import Store
from remakes.views import cautions, downloads, frame, intake, state

__all__ = ["body"]


def body() -> None:
    """Import with a look before it, history, observed until, sample files."""
    state.require("quality", "manager")
    records = state.store()
    brief = flow.brief(records)
    if brief.observed_until:
        frame.answer(
            f"{brief.restorations:,} restorations, {brief.readings:,} readings and {brief.returns:,} returns are in, "
            f"complete up to {words.day(brief.observed_until)}."
        )
    else:
        frame.answer("Nothing is in yet: choose your lists below, look at what they would give, then save.")
    st.warning(cautions.NO_PATIENTS)
    try:
        intake.show()
    except RemakesError as error:  # what was brought in before stays in sight
        st.error(str(error))
    _history(records)
    _observed_until(records, brief)
    _samples()


def _history(records: Store) -> None:
    st.subheader("What was brought in")
    batches = list_imports(records)
    if not batches:
        st.markdown("Nothing has been imported yet.")
        return
    rows = [
        {
            "number": one.import_id,
            "when (UTC)": one.at.strftime("%Y-%m-%d %H:%M"),
            "file": one.file,
            "holds": one.table,
            "taken": one.taken,
            "changed": one.changed,
            "unchanged": one.unchanged,
            "refused": one.refused,
            "by": one.who,
            "state": "taken back" if one.undone_at else "in force",
        }
        for one in batches
    ]
    frame.table(rows)
    standing = {one.import_id: one for one in batches if not one.undone_at}
    if not standing:
        return
    left, right = st.columns([3, 1], vertical_alignment="bottom")
    # Nothing is chosen beforehand: a choice that outlives a change of the list would take back the wrong one.
    number = left.selectbox(
        "Import to take back",
        list(standing),
        index=None,
        format_func=lambda one: f"{one}: {standing[one].file}",
        placeholder="choose",
        key=f"undo_number_{len(batches)}_{len(standing)}",
    )
    if right.button("Take back", key="undo_import", width="stretch", disabled=number is None) and number is not None:
        _confirm_undo(standing[number])


@st.dialog("Take an import back")
def _confirm_undo(one: ImportBatch) -> None:
    st.markdown(
        f"Import {one.import_id}, {words.plain(one.file)}: what it added goes ({one.taken:,} rows), what it changed "
        "gets its former content. The same file can be imported again."
    )
    if st.button("Take it back", type="primary", key="confirm_undo"):
        visitor = state.require("quality", "manager")
        try:
            undo_import(state.store(), one.import_id, who=visitor.who)
        except RemakesError as error:
            st.error(words.refusal(error))
        else:
            st.rerun()


def _observed_until(records: Store, brief: flow.Brief) -> None:
    st.subheader("Up to which day are the returns complete?")
    st.markdown(
        "Every rate needs it: a restoration that nobody has asked about since counts as kept only up to this day. "
        "Without a date of your own, the latest day in the records counts."
    )
    with st.form("observed_until", border=False):
        left, right = st.columns([3, 1], vertical_alignment="bottom")
        day = left.date_input("Complete up to", value=brief.observed_until or date.today(), format="YYYY-MM-DD")
        if right.form_submit_button("Set", width="stretch"):
            flow.set_observed_until(records, day, who=state.require("quality", "manager").who)
            st.rerun()


def _samples() -> None:
    st.subheader("Sample files")
    st.markdown(
        "Header rows of the three lists, and the invented demo lab's process standard and corrective actions to "
        "rewrite. Dates as 2026-10-31, decimal points, teeth in two-digit codes (ISO 3950). Other column names, "
        "separators or workbooks: describe them in a column map."
    )
    columns = st.columns(len(COLUMNS) + 2)
    for column, (name, names) in zip(columns, COLUMNS.items(), strict=False):
        with column:
            downloads.offer_csv([], columns=names, name=name, label=f"{name}.csv", key=f"sample_{name}")
    for column, name in zip(columns[len(COLUMNS) :], ("standard.toml", "actions.toml"), strict=True):
        with column:
            st.download_button(
                name,
                data=partial(_sample_file, name),
                file_name=name,
                mime="application/toml",
                key=f"sample_{name}",
                on_click="ignore",
            )


def _sample_file(name: str) -> bytes:
    return (demo_files() / name).read_bytes()

"""What was brought in, by whom and when, and taking one import back."""

from __future__ import annotations

import streamlit as st

from remakes import words
from remakes.errors import RemakesError
from remakes.records.importers import ImportBatch, list_imports, undo_effect, undo_import
from remakes.records.store import Store
from remakes.texts import t, tn
from remakes.views import downloads, frame, state
from remakes.views.lists_parts import wording

__all__ = ["show"]


def show(records: Store) -> None:
    """The history of imports, and undo."""
    st.subheader(t("What was brought in"))
    batches = list_imports(records)
    if not batches:
        st.markdown(t("Nothing has been imported yet."))
        return
    rows = [_row(one) for one in batches]
    frame.table(rows)
    downloads.offer_csv(rows, name="imports", label=t("Download the history as CSV"))
    standing = {one.import_id: one for one in batches if not one.undone_at}
    if not standing:
        return
    left, right = st.columns([3, 1], vertical_alignment="bottom")
    # Nothing is chosen beforehand: a choice that outlives a change of the list would take back the wrong one.
    number = left.selectbox(
        t("Import to take back"),
        list(standing),
        index=None,
        format_func=lambda one: t("{number}: {file}", number=one, file=standing[one].file),
        placeholder=t("choose"),
        key=f"undo_number_{len(batches)}_{len(standing)}",
    )
    if right.button(t("Take back"), key="undo_import", width="stretch", disabled=number is None) and number is not None:
        st.dialog(t("Take an import back"))(_confirm_undo)(standing[number])


def _row(one: ImportBatch) -> dict[str, object]:
    if one.undone_at is None:
        stands = t("in force")
    else:
        stands = t("taken back {when} by {who}", when=words.clock(one.undone_at), who=words.who(one.undone_by or ""))
    return {
        t("number"): one.import_id,
        t("when"): words.clock(one.at),
        t("file"): one.file,
        t("holds"): wording.table(one.table),
        t("taken"): one.taken,
        t("changed"): one.changed,
        t("unchanged"): one.unchanged,
        t("refused"): one.refused,
        t("by"): words.who(one.who),
        t("state"): stands,
    }


def _confirm_undo(one: ImportBatch) -> None:
    try:
        effect = undo_effect(state.store(), one.import_id)
    except RemakesError as error:
        st.error(words.refusal(error))
        return
    name = t("Import {number}, {file}", number=one.import_id, file=words.plain(one.file))
    if effect.obstacles:
        st.error(t("{name}, cannot be taken back now, since later records rest on it:", name=name))
        st.markdown("\n".join(f"- {words.plain(obstacle)}" for obstacle in effect.obstacles))
        st.markdown(t("Take those back first, the latest first. Nothing was changed."))
        return
    if one.table in ("standard", "actions"):
        st.markdown(t("{name}: the {table} gets its former content.", name=name, table=wording.table(one.table)))
    else:
        removed = tn(effect.removed, "The row that it added goes.", "The {n:,} rows that it added go.")
        restored = tn(
            effect.restored,
            "The row that it changed gets its former content.",
            "The {n:,} rows that it changed get their former content.",
        )
        st.markdown(name)
        st.markdown(f"- {removed}\n- {restored}" if effect.restored else f"- {removed}")
    st.markdown(t("It stays in this history, marked as taken back. The same file can be imported again."))
    if st.button(t("Take it back"), type="primary", key="confirm_undo"):
        _undo(one)


def _undo(one: ImportBatch) -> None:
    visitor = state.require("quality", "manager")
    try:
        undo_import(state.store(), one.import_id, who=visitor.who)
    except RemakesError as error:
        st.error(words.refusal(error))
    else:
        st.rerun()

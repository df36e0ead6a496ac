"""Late entries: a day's restorations against the readings of one step, typed afterwards."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import pandas as pd
import streamlit as st

from remakes import words
from remakes.errors import RemakesError
from remakes.records.bench.asked import Asked, asked_of
from remakes.records.bench.late import NOT_DONE, LateCell, pieces_of_day, save_late
from remakes.records.bench.pieces import Piece
from remakes.records.bench.readings import Standing, standing_readings
from remakes.records.cells import plain_text
from remakes.texts import later, t, tn
from remakes.views import fields
from remakes.views.bench_parts.hand import Hand, said, tell
from remakes.views.bench_parts.wording import limit

__all__ = ["changed_cells", "sheet"]

_NUMBER: Final = "number"
_ROUND: Final = "late_round"  # counts saved sheets: a new key shows what is recorded now
_NOT_DONE: Final = later(NOT_DONE)


def sheet(hand: Hand) -> None:
    """Day, step, grid, one button."""
    st.markdown(
        t(
            "For what was not written down at the step. The day of the work counts; the entry is marked as late. "
            "A blank cell is not recorded. Type “{not_done}” where the step was left out.",
            not_done=t(_NOT_DONE),
        )
    )
    day = fields.day_field(t("Day of the work"), key="late_day", value=hand.today, today=hand.today)
    if day is None:
        st.info(t("Type the day of the work."))
        return
    pieces = pieces_of_day(hand.store, day, technician=hand.code)
    asked = {one.restoration_id: asked_of(hand.standard, one, today=hand.today) for one in pieces}
    steps = [step for step in hand.standard.steps if any(step in found for found in asked.values())]
    if not steps:
        st.info(
            t(
                "None of your restorations is in work, or left the lab within two weeks of that day. Choose another "
                "day, or begin the restoration first."
            )
        )
        return
    step = st.selectbox(t("Step"), steps, key="late_step", format_func=words.code)
    _codes(hand)
    columns = _columns([found[step] for found in asked.values() if step in found])
    standing = standing_readings(hand.store, asked)
    rows = [piece for piece in pieces if step in asked[piece.restoration_id]]
    before = _grid(rows, columns, standing)
    turn = st.session_state.setdefault(_ROUND, 0)
    after = st.data_editor(
        before,
        column_config=_config(columns),
        disabled=[_NUMBER],
        hide_index=True,
        num_rows="fixed",
        on_change="ignore",
        key=f"late_{day}_{step}_{turn}",
    )
    if st.button(t("Save as late entries"), type="primary", key="late_save", width="stretch"):
        cells = changed_cells(before, after, step=step, not_done=str(t(_NOT_DONE)))
        _save(hand, cells, day=day)


def changed_cells(before: pd.DataFrame, after: pd.DataFrame, *, step: str, not_done: str = NOT_DONE) -> list[LateCell]:
    """The cells that somebody filled in or changed; blanked ones are left as they are recorded.

    Parameters
    ----------
    not_done : str
        How the reader's language says it.
    """
    cells = []
    for was, now in zip(before.to_dict("records"), after.to_dict("records"), strict=True):
        for reading, seen in now.items():
            text = plain_text(None if pd.isna(seen) else seen)
            if reading == _NUMBER or text is None or text == was[reading]:
                continue
            said_so = text.casefold() in (not_done.casefold(), NOT_DONE)
            number = str(now[_NUMBER])
            value = NOT_DONE if said_so else text
            cells.append(LateCell(restoration_id=number, step=step, reading=str(reading), text=value))
    return cells


def _save(hand: Hand, cells: Sequence[LateCell], *, day: Any) -> None:
    try:
        saved = save_late(
            hand.store,
            cells,
            day=day,
            who=hand.who,
            operator=said("late_operator"),
            equipment=said("late_equipment"),
            lot=said("late_lot"),
        )
    except RemakesError as error:
        st.error(words.refusal(error))
        return
    st.session_state[_ROUND] += 1
    message = tn(saved.readings, "One late entry is saved.", "{n} late entries are saved.")
    if saved.after_return:
        marked = t(
            "Came back before this entry, so it is marked as written after the return: {numbers}.",
            numbers=words.plain(", ".join(saved.after_return)),
        )
        tell("warning", f"{message} {marked}")
    else:
        tell("success", message)
    st.rerun()


def _codes(hand: Hand) -> None:
    with st.expander(t("Who, machine and lot of these entries")):
        st.text_input(t("Who did it (code)"), value=hand.code, key="late_operator")
        st.text_input(t("Machine (blank: not recorded)"), key="late_equipment")
        st.text_input(t("Lot (blank: not recorded)"), key="late_lot")


def _columns(asked: Sequence[Sequence[Asked]]) -> Mapping[str, Asked]:
    found: dict[str, Asked] = {}
    for readings in asked:
        for one in readings:
            found.setdefault(one.reading, one)
    return found


def _grid(
    pieces: Sequence[Piece],
    columns: Mapping[str, Asked],
    standing: Mapping[str, Mapping[tuple[str, str], Standing]],
) -> pd.DataFrame:
    rows = []
    for piece in pieces:
        row: dict[str, str] = {_NUMBER: piece.restoration_id}
        for reading, asked in columns.items():
            one = standing[piece.restoration_id].get((asked.step, reading))
            row[reading] = "" if one is None else one.value
        rows.append(row)
    return pd.DataFrame(rows, columns=[_NUMBER, *columns], dtype=object)


def _config(columns: Mapping[str, Asked]) -> dict[str, Any]:
    config: dict[str, Any] = {_NUMBER: st.column_config.TextColumn(t("restoration"), pinned=True)}
    for reading, asked in columns.items():
        label = t("{reading}: {limit}", reading=reading, limit=limit(asked.requirements[0]))
        if asked.control == "tick":
            config[reading] = st.column_config.SelectboxColumn(label, options=["yes", "no"])
        else:
            config[reading] = st.column_config.TextColumn(label, max_chars=60)
    return config

"""Late entries: a day's restorations against the readings of one step, typed afterwards."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from datetime import date
from typing import Any, Final

import pandas as pd
import streamlit as st

from remakes import words
from remakes.errors import NotAllowedError, RemakesError, StoreError
from remakes.records.bench.asked import Asked, asked_of
from remakes.records.bench.late import NOT_DONE, LateCell, pieces_of_day, save_late
from remakes.records.bench.moments import on_the_clock
from remakes.records.bench.pieces import Piece
from remakes.records.bench.readings import Standing, standing_readings
from remakes.records.cells import plain_text
from remakes.texts import later, t, tn
from remakes.views import fields
from remakes.views.bench_parts.hand import Hand, said, tap, tell
from remakes.views.bench_parts.late_drafts import Opened, edited, forget, keep, opened_sheet
from remakes.views.bench_parts.wording import limit
from remakes.views.enter_parts.answers import NOT_KEPT

__all__ = ["changed_cells", "sheet"]

_NUMBER: Final = "number"
_NOT_DONE: Final = later(NOT_DONE)
_YES_NO: Final = (later("yes"), later("no"))


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
    opened = opened_sheet(hand, _grid(rows, step, columns, standing), day=day, step=step)
    _typed_before(hand, opened)
    after = st.data_editor(
        opened.shown,
        column_config=_config(columns),
        disabled=[_NUMBER],
        hide_index=True,
        num_rows="fixed",
        placeholder="",
        key=opened.key,
        on_change=_keep,
        args=(hand, opened, step),
    )
    if st.button(t("Save as late entries"), type="primary", key="late_save", width="stretch"):
        _save(hand, opened, _cells(opened, after, step), day=day)


def _keep(hand: Hand, opened: Opened, step: str) -> None:
    """Every cell that is left goes into the draft, so that a refresh loses none."""
    try:
        keep(hand, opened, _cells(opened, edited(opened.shown, st.session_state[opened.key]), step))
    except (StoreError, NotAllowedError):
        # Not allowed any more: the visit has ended, or the role is gone. What was typed stays in the sheet.
        tell("warning", t(NOT_KEPT))


def _cells(opened: Opened, after: pd.DataFrame, step: str) -> list[LateCell]:
    return changed_cells(opened.recorded, after, step=step, not_done=str(t(_NOT_DONE)))


def _typed_before(hand: Hand, opened: Opened) -> None:
    if opened.typed_at is None:
        return
    at = on_the_clock(opened.typed_at)
    st.info(
        t(
            "Not saved yet: what you typed on {day} at {time} is back in the sheet.",
            day=at.date().isoformat(),
            time=f"{at:%H:%M}",
        )
    )
    st.button(t("Start afresh"), key="late_afresh", on_click=tap, args=(lambda: forget(hand, opened),))


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


def _save(hand: Hand, opened: Opened, cells: Sequence[LateCell], *, day: date) -> None:
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
    # Where the records cannot be written again now, the draft stays: it holds what is recorded, so nothing is lost.
    with suppress(StoreError):
        forget(hand, opened)
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


def _columns(asked: Sequence[Sequence[Asked]]) -> Mapping[str, Sequence[Asked]]:
    """By reading, in working order, what the pieces need of it."""
    found: dict[str, list[Asked]] = {}
    for readings in asked:
        for one in readings:
            found.setdefault(one.reading, []).append(one)
    return found


def _grid(
    pieces: Sequence[Piece],
    step: str,
    readings: Collection[str],
    standing: Mapping[str, Mapping[tuple[str, str], Standing]],
) -> pd.DataFrame:
    rows = []
    for piece in pieces:
        row: dict[str, str] = {_NUMBER: piece.restoration_id}
        for reading in readings:
            one = standing[piece.restoration_id].get((step, reading))
            row[reading] = "" if one is None else one.value
        rows.append(row)
    return pd.DataFrame(rows, columns=[_NUMBER, *readings], dtype=object)


def _config(columns: Mapping[str, Sequence[Asked]]) -> dict[str, Any]:
    config: dict[str, Any] = {_NUMBER: st.column_config.TextColumn(t("restoration"), pinned=True)}
    for reading, asked in columns.items():
        # Materials may differ in their limits: the head of the column names each of them.
        limits = dict.fromkeys(str(limit(one)) for each in asked for one in each.requirements)
        label = t("{reading}: {limit}", reading=asked[0].name, limit=" / ".join(limits))
        if asked[0].control == "tick":
            config[reading] = st.column_config.SelectboxColumn(label, options=_YES_NO, format_func=_said)
        else:
            config[reading] = st.column_config.TextColumn(label, max_chars=60)
    return config


def _said(answer: str | int | float | bool) -> str:
    return str(t(str(answer)))

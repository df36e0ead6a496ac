"""What was typed into the late sheet and not saved yet: kept by person, day and step, cell by cell.

The browser hands a cell over when it is left; what stands in a cell that is still being typed is not known here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

import pandas as pd
import streamlit as st

from remakes.records.bench.late import LateCell
from remakes.records.drafts import SHORT_PATIENCE_MS, drop_draft, keep_draft, load_draft
from remakes.views.bench_parts.hand import Hand

__all__ = ["Opened", "edited", "forget", "keep", "opened_sheet", "with_typed"]

_OPENED: Final = "late_opened"
_TURN: Final = "late_turn"  # counts grids: a new key shows what is recorded now
#: Drafts of another form than this one are left alone.
_FORMAT: Final = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """The grid now on the page.

    Attributes
    ----------
    owner, what : str
        Whose draft it has, and the draft's name.
    key : str
        Of the grid.
    recorded, shown : DataFrame
        What the records hold, and the same with what was typed before: what the grid begins with.
    typed_at : datetime or None
        In UTC: when that was typed; None where nothing was.
    """

    owner: str
    what: str
    key: str
    recorded: pd.DataFrame
    shown: pd.DataFrame
    typed_at: datetime | None


def opened_sheet(hand: Hand, recorded: pd.DataFrame, *, day: date, step: str) -> Opened:
    """The grid for a day and step; the same as before, unless the records or the day or the step have changed."""
    what = f"bench sheet {day.isoformat()} {step}"
    before: Opened | None = st.session_state.get(_OPENED)
    # Where the grid was away for a while, such as on another part of the page, its own state is gone.
    if (
        before is not None
        and (before.owner, before.what) == (hand.code, what)
        and before.key in st.session_state
        and before.recorded.equals(recorded)
    ):
        return before
    draft = load_draft(hand.store, what, owner=hand.code)
    typed: Mapping[str, Mapping[str, str]] = {}
    if draft is not None and draft.content.get("format") == _FORMAT:
        typed = draft.content["cells"]
    turn = st.session_state[_TURN] = st.session_state.get(_TURN, 0) + 1
    opened = Opened(
        owner=hand.code,
        what=what,
        key=f"late_grid_{turn}",
        recorded=recorded,
        shown=with_typed(recorded, typed),
        typed_at=draft.saved_at if draft is not None and typed else None,
    )
    st.session_state[_OPENED] = opened
    return opened


def with_typed(recorded: pd.DataFrame, typed: Mapping[str, Mapping[str, str]]) -> pd.DataFrame:
    """The grid with cells that were typed before; those of rows and columns it no longer has are left out.

    Parameters
    ----------
    recorded : DataFrame
        Its first column is the number of the restoration.
    typed : mapping
        Number to reading to text.
    """
    shown = recorded.copy()
    number, *readings = shown.columns
    for place, row in enumerate(shown[number]):
        for reading, text in typed.get(row, {}).items():
            if reading in readings:
                shown.loc[place, reading] = text
    return shown


def edited(shown: pd.DataFrame, edits: Mapping[str, Any]) -> pd.DataFrame:
    """The grid with the edits that the toolkit hands over, by row and column."""
    after = shown.copy()
    for place, cells in edits.get("edited_rows", {}).items():
        for column, value in cells.items():
            after.loc[int(place), column] = value
    return after


def keep(hand: Hand, opened: Opened, cells: Sequence[LateCell]) -> None:
    """Keep these cells in place of what was kept before; none at all: no draft."""
    if not cells:
        drop_draft(hand.store, opened.what, owner=opened.owner, patience_ms=SHORT_PATIENCE_MS)
        return
    typed: dict[str, dict[str, str]] = {}
    for one in cells:
        typed.setdefault(one.restoration_id, {})[one.reading] = one.text
    draft = {"format": _FORMAT, "cells": typed}
    keep_draft(hand.store, opened.what, draft, owner=opened.owner, patience_ms=SHORT_PATIENCE_MS)


def forget(hand: Hand, opened: Opened) -> None:
    """The sheet is saved, or given up: it begins anew with what is recorded."""
    st.session_state.pop(_OPENED, None)
    drop_draft(hand.store, opened.what, owner=opened.owner, patience_ms=SHORT_PATIENCE_MS)

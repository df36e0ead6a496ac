"""Bench log: did each step get its time?"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Final

import streamlit as st

from remakes.records.bench.overview import bench_stand
from remakes.records.bench.pieces import find_piece, may_write
from remakes.texts import later, t
from remakes.views import frame, state
from remakes.views.addressed import from_address, into_address
from remakes.views.bench_parts import begin, clocks, late, pieces, scan
from remakes.views.bench_parts.hand import LARGE, PART, Hand, hand, opened, show_told

__all__ = ["body"]

_PARTS: Final[Mapping[str, str]] = MappingProxyType(
    {"bench": later("At the bench"), "begin": later("Begin a restoration"), "late": later("Late entries")}
)


def body() -> None:
    """Scan, running timers, and the pieces in work with their steps; new work and late entries beside."""
    me = state.require("technician")
    if not me.code:
        st.info(t("Choose your own code at the left. You write on your own work only."))
        return
    here = hand()
    if not here.standard.requirements:
        # The next step is said by the empty state, where there is nothing at all.
        if frame.ready(standard=True):
            st.info(t("There is no process standard yet, so nothing is asked at the bench."))
        return
    st.html(LARGE)
    told = st.container()
    with told:
        show_told()
    scan.field(here)
    scan.ask(here)
    parts: Mapping[str, Callable[[Hand], None]] = {"bench": _bench, "begin": begin.form, "late": late.sheet}
    from_address(PART, _PARTS)
    st.segmented_control(
        t("Part of the page"),
        list(_PARTS),
        key=PART,
        default="bench" if PART not in st.session_state else None,
        required=True,
        format_func=lambda part: str(t(_PARTS[part])),
        width="stretch",
    )
    into_address(PART, "bench")
    parts[st.session_state.get(PART) or "bench"](here)


def _bench(here: Hand) -> None:
    stand = bench_stand(here.store, technician=here.code, who=here.who, today=here.today)
    number, step = opened()
    piece = find_piece(here.store, number) if number else None
    shown = piece is not None and may_write(here.store, piece)
    clocks.elsewhere(here, stand.timers, number=number if shown else "", step=step)
    if number:
        pieces.show_piece(here, stand, number, step)
    else:
        pieces.show_list(here, stand)

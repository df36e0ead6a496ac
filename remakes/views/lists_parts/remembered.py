"""The column maps that are remembered: shown, changed, handed out, forgotten."""

from __future__ import annotations

import streamlit as st

from remakes import words
from remakes.errors import RemakesError
from remakes.records.importers.shapes import RememberedMap, forget_map, remember_map, remembered_maps
from remakes.records.store import Store
from remakes.texts import t, tn
from remakes.views import state
from remakes.views.lists_parts import wording

__all__ = ["show"]


def show(records: Store) -> None:
    """One expander for each remembered map; nothing where there is none."""
    maps = remembered_maps(records)
    if not maps:
        return
    st.subheader(t("Remembered column maps"))
    st.markdown(
        tn(
            len(maps),
            "Files with these columns are read without questions.",
            "Files with the columns of one of these {n} maps are read without questions.",
        )
    )
    for one in maps.values():
        label = t(
            "{file}: {table}, {day}, by {who}",
            file=words.plain(one.file),
            table=wording.table(one.block.table),
            day=words.day(one.at.date()),
            who=words.plain(words.who(one.who)),
        )
        with st.expander(label):
            _show_one(one)


def _show_one(one: RememberedMap) -> None:
    # The version is part of the key: after somebody else's change the field shows what stands there now.
    key = f"map_text_{one.shape}_{one.at.isoformat()}"
    rows = len(one.toml.splitlines()) + 1
    text = st.text_area(t("How these files are read (TOML)"), value=one.toml, key=key, height=max(30 * rows, 140))
    save, hand_out, forget = st.columns(3)
    if save.button(t("Save this map"), key=f"save_{one.shape}", width="stretch", disabled=text == one.toml):
        _save(one, text)
    hand_out.download_button(
        t("Download map.toml"),
        data=one.toml.encode(),
        file_name="map.toml",
        mime="application/toml",
        key=f"hand_out_{one.shape}",
        on_click="ignore",
        width="stretch",
    )
    if forget.button(t("Forget: ask again next time"), key=f"forget_{one.shape}", width="stretch"):
        _forget(one)


def _save(one: RememberedMap, text: str) -> None:
    who = state.require("quality", "manager").who
    try:
        remember_map(state.store(), one.shape, text, file=one.file, who=who, version=one.at.isoformat())
    except RemakesError as error:
        st.error(words.refusal(error))
    else:
        st.rerun()


def _forget(one: RememberedMap) -> None:
    who = state.require("quality", "manager").who
    try:
        forget_map(state.store(), one.shape, who=who)
    except RemakesError as error:
        st.error(words.refusal(error))
    else:
        st.rerun()

"""A choice that stands in the address by its code, whatever language its name is shown in."""

from __future__ import annotations

from collections.abc import Collection

import streamlit as st

__all__ = ["from_address", "into_address"]


def from_address(key: str, options: Collection[str]) -> None:
    """Before the widget of this key is made: a new visit takes its choice from the address, if it is one.

    Where the toolkit has dropped the widget's state, as it may when a page is left in mid-run, the last choice of the
    visit comes back.
    """
    if key in st.session_state:
        return
    for asked in (st.query_params.get(key, ""), st.session_state.get(_kept(key), "")):
        if asked in options:
            st.session_state[key] = asked
            return


def into_address(key: str, default: str = "") -> None:
    """After the widget: its choice is put into the address; the default needs no word there."""
    chosen = str(st.session_state.get(key) or "")
    st.session_state[_kept(key)] = chosen
    if chosen and chosen != default:
        if st.query_params.get(key) != chosen:
            st.query_params[key] = chosen
    elif key in st.query_params:
        del st.query_params[key]


def _kept(key: str) -> str:
    """Where the last choice stands that no widget owns."""
    return f"kept_{key}"

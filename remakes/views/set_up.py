"""People and set-up: who may do what, and what are our limits and costs?"""

from __future__ import annotations

from importlib import import_module
from types import MappingProxyType
from typing import Final

import streamlit as st

from remakes.texts import later, t
from remakes.views import state
from remakes.views.addressed import from_address, into_address

__all__ = ["PARTS", "body"]

#: Part in the address, and its name; each stands in a module of that name.
PARTS: Final = MappingProxyType(
    {
        "people": later("People"),
        "standard": later("Process standard"),
        "costs": later("Costs and actions"),
        "backup": later("Backup and check"),
        "changes": later("Change log"),
    }
)


def body() -> None:
    """One part at a time: the address says which."""
    state.require("manager")
    from_address("part", PARTS)
    part = st.radio(t("Part"), tuple(PARTS), format_func=lambda name: t(PARTS[name]), horizontal=True, key="part")
    into_address("part")
    # Only the part that is looked at is loaded.
    import_module(f"remakes.views.setup_parts.{part or 'people'}").show()

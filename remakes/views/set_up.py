"""People and set-up: who may do what, and what are our limits and costs?"""

from __future__ import annotations

from remakes.views import frame, state

__all__ = ["body"]


def body() -> None:
    """The page."""
    state.require("manager")
    frame.ready()

"""Bench log: did each step get its time?"""

from __future__ import annotations

from remakes.views import frame, state

__all__ = ["body"]


def body() -> None:
    """The page."""
    state.require("technician")
    frame.ready()

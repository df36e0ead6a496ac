"""Letters that every form can hold: records may have been pasted from anywhere."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any, Final

__all__ = ["printable", "replaced", "writable"]

#: Control signs and halves of broken pairs: no XML can hold them, and a chart with one ends the whole program.
_UNWRITABLE: Final = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]")
#: Letters that the fonts on board of the PDF certainly have.
_UNPRINTABLE: Final = re.compile(
    r"[^\n\x20-\x7e\xa0-\u017f\u0391-\u03a1\u03a3-\u03c9\u0410-\u044f–—‘’“”„•…€−≈≤≥\u202f]"
)


def writable(text: str) -> str:
    """Text without what no file can hold; each such sign becomes a question mark."""
    return _UNWRITABLE.sub("?", text)


def printable(text: str) -> str:
    """Text of letters that the fonts on board certainly have; each other becomes a question mark."""
    return _UNPRINTABLE.sub("?", text)


def replaced(content: Any, by: Callable[[str], str]) -> Any:
    """Content as JSON has it, with all its text, names included, passed through a function of one text."""
    if isinstance(content, str):
        return by(content)
    if isinstance(content, dict):
        return {by(key): replaced(value, by) for key, value in content.items()}
    if isinstance(content, list | tuple):
        return [replaced(value, by) for value in content]
    return content

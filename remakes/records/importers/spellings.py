"""Codes that differ only in how they are written: probably one thing, counted as two."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

__all__ = ["alike", "spelling"]

#: The words and numbers of a code, leading zeros left out.
_PARTS = re.compile(r"[^\W\d_]+|[1-9][0-9]*|0(?![0-9])")


def spelling(code: str) -> str:
    """A code without capitals, signs, leading zeros and letters nobody sees: R-0017 and r17 are spelled alike."""
    plain = unicodedata.normalize("NFKC", code).casefold()
    seen = "".join(letter for letter in plain if unicodedata.category(letter) != "Cf")
    return " ".join(_PARTS.findall(seen))


def alike(codes: Iterable[str]) -> tuple[tuple[str, ...], ...]:
    """Groups of different codes that are spelled alike, each in order; codes of signs alone are left out."""
    groups: dict[str, set[str]] = {}
    for code in codes:
        groups.setdefault(spelling(code), set()).add(code)
    return tuple(sorted(tuple(sorted(group)) for key, group in groups.items() if key and len(group) > 1))

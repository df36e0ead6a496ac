"""Sentences one after the other, and items within a sentence, that can still be said in another language."""

from __future__ import annotations

from collections.abc import Iterable

from remakes.texts.said import Said, anew, language, t

__all__ = ["either", "in_a_row", "lowered", "raised", "run_on"]


def run_on(*sentences: str) -> Said:
    """Whole sentences one after the other, blanks between; empty ones are left out."""
    return _glued([one for one in sentences if one], " ")


def in_a_row(items: Iterable[str]) -> Said:
    """Items in a sentence: `a, b and c`."""
    *most, last = [*items] or [""]
    return t("{items} and {last}", items=_glued(most, ", "), last=last) if most else _glued([last], "")


def either(items: Iterable[str]) -> Said:
    """Items to choose from: `a, b or c`."""
    *most, last = [*items] or [""]
    return t("{items} or {last}", items=_glued(most, ", "), last=last) if most else _glued([last], "")


def _glued(parts: list[str], between: str) -> Said:
    values = {f"part{place}": part for place, part in enumerate(parts)}
    return t(between.join("{" + name + "}" for name in values), **values)


@anew
def lowered(sentence: str) -> str:
    """A sentence that goes on after a colon: with a small first letter in English; German nouns keep theirs."""
    told = t(sentence)
    return told if language() == "de" else told[:1].lower() + told[1:]


@anew
def raised(words: str) -> str:
    """Words that begin a sentence, with a capital letter."""
    told = t(words) if isinstance(words, Said) else words
    return told[:1].upper() + told[1:]

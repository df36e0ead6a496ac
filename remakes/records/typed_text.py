"""Free text that a person types beside a decision: trimmed, limited in length, without control signs."""

from __future__ import annotations

import unicodedata
from typing import Final

from remakes.errors import EntryError
from remakes.records.cells import shown
from remakes.texts import t

__all__ = ["LONGEST_CODE", "LONGEST_LINE", "LONGEST_NOTE", "note_text", "one_line", "pseudonym"]

#: Signs of a pseudonym; of a role, or of who made a change; of a text.
LONGEST_CODE: Final = 20
LONGEST_LINE: Final = 60
LONGEST_NOTE: Final = 2_000


def pseudonym(seen: str, what: str) -> str:
    """The code that stands for a person.

    Raises
    ------
    EntryError
        Blank, too long, or with a blank inside, as names have.
    """
    code = one_line(seen, what, most=LONGEST_CODE)
    if any(sign.isspace() for sign in code):
        raise EntryError(
            t(
                "The {what} {shown!r} holds a blank, as names do. Give a code such as T1; names are not kept.",
                what=what,
                shown=shown(code),
            )
        )
    return code


def one_line(seen: str, what: str, *, most: int = LONGEST_LINE) -> str:
    """A role, a pseudonym, or both, on one line.

    Raises
    ------
    EntryError
        Blank, too long, or with a line break or another control sign.
    """
    text = seen.strip()
    if not text:
        raise EntryError(
            t("The {what} is blank. Give a role or pseudonym, never a name; it is kept in the history.", what=what)
        )
    return _clean(text, what, most, allowed="")


def note_text(seen: str, what: str, *, needed: str = "", most: int = LONGEST_NOTE) -> str:
    """A text of several lines.

    Parameters
    ----------
    needed : str
        What to do about a blank one; a blank is refused only where this is given.
    most : int
        Signs that are kept.

    Raises
    ------
    EntryError
        Too long, with a control sign other than a line break, or blank.
    """
    text = seen.replace("\r\n", "\n").strip()
    if needed and not text:
        raise EntryError(t("The {what} is blank. {needed}", what=what, needed=needed))
    return _clean(text, what, most, allowed="\n")


def _clean(text: str, what: str, most: int, *, allowed: str) -> str:
    if len(text) > most:
        raise EntryError(
            t(
                "The {what} has {value:,} signs; at most {most:,} are kept. Shorten it.",
                what=what,
                value=len(text),
                most=most,
            )
        )
    for sign in text:
        # Control signs; halves of signs that no file can hold; breaks of line and paragraph.
        if sign not in allowed and unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp"):
            raise EntryError(
                t(
                    "The {what} holds the control sign U+{ord:04X}, such as a line break or a tab. Type it again "
                    "without.",
                    what=what,
                    ord=ord(sign),
                )
            )
    return text

"""Say a sentence in the language of who reads it."""

from __future__ import annotations

from contextvars import ContextVar
from functools import cache
from pathlib import Path
from string import Formatter
from types import MappingProxyType
from typing import Any, Final

__all__ = ["LANGUAGES", "Said", "catalogue", "language", "speak", "t", "tn"]

#: Code and own name of every complete language.
LANGUAGES: Final = MappingProxyType({"en": "English", "de": "Deutsch"})

_FOLDER: Final = Path(__file__).parent
_spoken: ContextVar[str] = ContextVar("language", default="en")


class Said(str):
    """A sentence as it reads in one language, which still knows how it was made: it can be said in another.

    Sentences that a worker or a lower layer wrote in English become the reader's language on the page:
    ``t(sentence)``.
    """

    __slots__ = ("template", "values")
    template: str
    values: dict[str, Any]

    def __new__(cls, text: str, template: str, values: dict[str, Any]) -> Said:
        """Keep the sentence with its template and its values."""
        made = super().__new__(cls, text)
        made.template = template
        made.values = values
        return made

    def __getnewargs__(self) -> tuple[str, str, dict[str, Any]]:  # type: ignore[override]
        """Copying and pickling keep the making."""
        return str(self), self.template, self.values


def language() -> str:
    """The language spoken to the present reader."""
    return _spoken.get()


def speak(code: str) -> None:
    """Speak this language from now on, in this visit or thread; an unknown one means English."""
    _spoken.set(code if code in LANGUAGES else "en")


def t(text: str, /, **values: Any) -> Said:
    """Say a sentence in the reader's language.

    Parameters
    ----------
    text : str
        An English sentence with names in braces, or a sentence said before (`Said`), whose own values count.
    values : Any
        By name, as `str.format` takes them. Values that are sentences themselves are said too.

    Returns
    -------
    Said
        In English where the language has no such sentence.
    """
    made = text
    if isinstance(made, Said):
        text, values = made.template, made.values
    spoken = _spoken.get()
    template = text if spoken == "en" else catalogue(spoken).get(text) or text
    said = {name: t(value) if isinstance(value, Said) else value for name, value in values.items()}
    return Said(_filled(template, said), text, values)


def tn(n: int, one: str, many: str, /, **values: Any) -> Said:
    """Say the sentence for one, or the one for any other number; the number itself is `{n}`."""
    return t(one if n == 1 else many, n=n, **values)


def _filled(template: str, values: dict[str, Any]) -> str:
    # Without values braces are ordinary signs.
    return Formatter().vformat(template, (), values) if values else template


@cache
def catalogue(code: str) -> dict[str, str]:
    """The sentences of a language by their English; empty where it has no file."""
    file = _FOLDER / f"{code}.po"
    if not file.is_file():
        return {}
    # Only a reader of another language than English needs the library.
    from babel.messages.pofile import read_po

    with file.open("rb") as opened:
        found = read_po(opened, locale=code, charset="utf-8")
    return {str(one.id): str(one.string) for one in found if one.id and one.string and not one.fuzzy}

"""Say a sentence in the language of who reads it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache, lru_cache, wraps
from numbers import Number
from pathlib import Path
from string import Formatter
from types import MappingProxyType
from typing import Any, Final, ParamSpec

__all__ = ["LANGUAGES", "Said", "anew", "catalogue", "in_english", "language", "later", "speak", "speaking", "t", "tn"]

Asked = ParamSpec("Asked")

#: Code and own name of every complete language.
LANGUAGES: Final = MappingProxyType({"en": "English", "de": "Deutsch"})

_FOLDER: Final = Path(__file__).parent
#: Decimal sign and sign between thousands, where they are not those of English. U+202F is the narrow blank.
_SIGNS: Final = MappingProxyType({"de": str.maketrans({",": "\u202f", ".": ","})})
_spoken: ContextVar[str] = ContextVar("language", default="en")
_FORMATTER: Final = Formatter()
#: What a sentence that a function made has for a template: no sentence of a person reads so.
_ANEW: Final = "\x00anew"
#: What a template that does not fit its values raises.
_MISFIT: Final = (LookupError, ValueError, TypeError, AttributeError)


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

    # The type of str's own method promises one argument; this class is made of three.
    def __getnewargs__(self) -> tuple[str, str, dict[str, Any]]:  # type: ignore[override]  # see above
        """Copying and pickling keep the making."""
        return str(self), self.template, self.values


def language() -> str:
    """The language spoken to the present reader."""
    return _spoken.get()


def speak(code: str) -> None:
    """Speak this language from now on, in this visit or thread; an unknown one means English."""
    _spoken.set(code if code in LANGUAGES else "en")


@contextmanager
def speaking(code: str) -> Iterator[None]:
    """Speak this language for a while, then the one spoken before."""
    before = _spoken.get()
    speak(code)
    try:
        yield
    finally:
        _spoken.set(before)


def t(text: str, /, **values: Any) -> Said:
    """Say a sentence in the reader's language.

    Parameters
    ----------
    text : str
        An English sentence with names in braces, or a sentence said before (`Said`), whose own values count if it has
        any.
    values : Any
        By name, as `str.format` takes them. Values that are sentences themselves are said too.

    Returns
    -------
    Said
        In English where the language has no such sentence, or one that does not fit the values; as it stands in the
        code where that does not fit either. A page never breaks over a sentence.
    """
    made: str = text
    if isinstance(made, Said):
        if made.template == _ANEW:
            return _by_function(made)
        # A text that was kept without values (`later`) may get them now.
        text, values = made.template, made.values or values
    spoken = _spoken.get()
    found = None if spoken == "en" else catalogue(spoken).get(text)
    if not values:
        # Without values braces are ordinary signs.
        return Said(found or text, text, values)
    said = {name: t(value) if isinstance(value, Said) else value for name, value in values.items()}
    for template in (found, text):
        if template:
            try:
                return Said(_filled(template, said), text, values)
            except _MISFIT:
                continue
    return Said(text, text, values)


def in_english(text: str) -> str:
    """A sentence in English whoever reads, to compare with or to keep: never to be shown."""
    asked = _spoken.set("en")
    try:
        return str(t(text))
    finally:
        _spoken.reset(asked)


def tn(n: int, one: str, many: str, /, **values: Any) -> Said:
    """Say the sentence for one, or the one for any other number; the number itself is `{n}`."""
    return t(one if n == 1 else many, n=n, **values)


def later(text: str) -> Said:
    """A text kept in English for now, such as a constant: `t(text)` says it where it is shown."""
    return Said(text, text, {})


def anew(function: Callable[Asked, str]) -> Callable[Asked, Said]:
    """Let what a function says be said again by the function itself, with what it was asked.

    For texts that are no single template, such as a list of items; the function has to stand in a module.
    """

    @wraps(function)
    def told(*asked: Asked.args, **named: Asked.kwargs) -> Said:
        return Said(function(*asked, **named), _ANEW, {"function": told, "asked": asked, "named": named})

    return told


def _by_function(said: Said) -> Said:
    how = said.values
    made: Said = how["function"](*how["asked"], **how["named"])
    return made


def _filled(template: str, values: dict[str, Any]) -> str:
    signs = _SIGNS.get(_spoken.get())
    return "".join(
        before if name is None else before + _written(_FORMATTER.get_field(name, (), values)[0], how, spec, signs)
        for before, name, spec, how in _parsed(template)
    )


@lru_cache(maxsize=4096)
def _parsed(template: str) -> tuple[tuple[str, str | None, str, str | None], ...]:
    """Text before, name, format and conversion, one after the other."""
    return tuple((before, name, spec or "", how) for before, name, spec, how in _FORMATTER.parse(template))


def _written(value: Any, how: str | None, spec: str, signs: dict[int, str] | None) -> str:
    """One value as its format asks, numbers with the signs of the language."""
    if how is None and isinstance(value, str) and not spec:
        return str(value)
    written = format(_FORMATTER.convert_field(value, how), spec)
    if not isinstance(value, Number) or isinstance(value, bool):
        return written
    if written.startswith("-"):
        written = _with_minus(written)
    if signs is None:
        return written
    # German sets a narrow blank before the sign for per cent.
    return written.translate(signs).replace("%", "\u202f%")


def _with_minus(written: str) -> str:
    """A negative number with the minus sign that axes have as well; what rounds to nothing has no sign."""
    nothing = not any(sign in "123456789i" for sign in written)  # the i of infinity
    return written[1:] if nothing else f"\N{MINUS SIGN}{written[1:]}"


@cache
def catalogue(code: str) -> dict[str, str]:
    """The sentences of a language by their English; empty where it has no files."""
    files = sorted((_FOLDER / code).glob("*.po"))
    if not files:
        return {}
    # Only a reader of another language than English needs the library.
    from babel.messages.pofile import read_po

    sentences: dict[str, str] = {}
    for file in files:
        with file.open("rb") as opened:
            found = read_po(opened, locale=code, charset="utf-8")
        sentences |= {str(one.id): str(one.string) for one in found if one.id and one.string and not one.fuzzy}
    return sentences

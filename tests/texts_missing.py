"""Print the sentences that a language has not got yet, as the skeleton of a file of sentences.

    python -m tests.texts_missing remakes/records > records.po
    python -m tests.texts_missing --language de remakes/views/enter.py remakes/views/enter_parts

Reads the Python files named (folders with all that is in them), finds every literal inside ``t("...")``,
``later("...")`` and ``tn(n, "one", "many")`` from `remakes.texts`, and leaves out what the files of the language hold
already.
Nothing is imported or run. Fill in each ``msgstr`` with the same names and format fields in braces, and put the
file beside the others: ``remakes/texts/de/<area>.po``. A sentence stands in one file only.
A literal is what stands in the call itself: a text kept for later is written ``NAME = later("...")`` and said with
``t(NAME)`` where it is shown.
"""

from __future__ import annotations

import argparse
import ast
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from string import Formatter

__all__ = ["Sentence", "fields_of", "has_words", "literals", "missing", "python_files", "sentences", "skeleton"]

ROOT = Path(__file__).parent.parent
#: Function, and at which places of the call its sentences stand.
_PLACES = {"t": slice(0, 1), "later": slice(0, 1), "tn": slice(1, 3)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Sentence:
    """An English sentence in the code, and the names that its call hands to it.

    Attributes
    ----------
    names : frozenset of str, optional
        None where the call spreads a mapping, so that they cannot be told.
    """

    text: str
    names: frozenset[str] | None
    file: Path
    line: int


def python_files(places: Iterable[Path]) -> list[Path]:
    """The files named, and all inside the folders named."""
    return sorted({file for place in places for file in ([place] if place.is_file() else place.rglob("*.py"))})


def sentences(places: Iterable[Path]) -> list[Sentence]:
    """Every sentence said in these files, as often as it is said."""
    return [one for file in python_files(places) for one in _in_file(file)]


def literals(node: ast.expr) -> Iterator[str]:
    """The texts an argument may be: itself, or either side of a choice."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.IfExp):
        yield from literals(node.body)
        yield from literals(node.orelse)


def fields_of(text: str) -> frozenset[tuple[str, str, str]]:
    """Name, format and conversion of everything in braces; ValueError where the braces do not match."""
    return frozenset(
        (name, spec or "", how or "") for _, name, spec, how in Formatter().parse(text) if name is not None
    )


def has_words(text: str) -> bool:
    """Is there anything to translate beside the values? A bare number is written rightly by itself."""
    try:
        return any(letter.isalpha() for before, *_ in Formatter().parse(text) for letter in before)
    except ValueError:
        return True


@cache
def _in_file(file: Path) -> tuple[Sentence, ...]:
    return tuple(_read(file))


def _read(file: Path) -> Iterator[Sentence]:
    for node in ast.walk(ast.parse(file.read_text("utf-8"))):
        if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in _PLACES):
            continue
        spread = any(word.arg is None for word in node.keywords)
        given = {word.arg for word in node.keywords if word.arg} | ({"n"} if node.func.id == "tn" else set())
        for argument in node.args[_PLACES[node.func.id]]:
            for text in literals(argument):
                yield Sentence(text=text, names=None if spread else frozenset(given), file=file, line=node.lineno)


def known(language: str, folder: Path = ROOT / "remakes" / "texts") -> dict[str, str]:
    """The sentences a language has, by their English."""
    from babel.messages.pofile import read_po

    found: dict[str, str] = {}
    for file in sorted((folder / language).glob("*.po")):
        with file.open("rb") as opened:
            catalogue = read_po(opened, locale=language, charset="utf-8")
        found |= {str(one.id): str(one.string) for one in catalogue if one.id and one.string and not one.fuzzy}
    return found


def missing(places: Iterable[Path], language: str) -> list[Sentence]:
    """Sentences without one in this language, each once, in the order of the code."""
    have = known(language)
    found: dict[str, Sentence] = {}
    for one in sentences(places):
        if has_words(one.text) and one.text not in have:
            found.setdefault(one.text, one)
    return sorted(found.values(), key=lambda one: (str(one.file), one.line))


def skeleton(found: Iterable[Sentence], language: str) -> str:
    """A file of sentences with the English in it and room for the other language."""
    head = (
        'msgid ""\nmsgstr ""\n"MIME-Version: 1.0\\n"\n"Content-Type: text/plain; charset=UTF-8\\n"\n'
        f'"Content-Transfer-Encoding: 8bit\\n"\n"Language: {language}\\n"\n'
    )
    return "\n".join([head, *(f'#: {_where(one)}\nmsgid "{_escaped(one.text)}"\nmsgstr ""\n' for one in found)])


def _where(one: Sentence) -> str:
    # Without the line: it would change with every edit.
    file = one.file.resolve()
    return file.relative_to(ROOT).as_posix() if file.is_relative_to(ROOT) else file.name


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


def main(arguments: list[str] | None = None) -> int:
    """Run from the command line; ends with 0, whether or not something is missing."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    asked.add_argument("places", nargs="*", type=Path, default=[ROOT / "remakes"])
    asked.add_argument("--language", default="de")
    given = asked.parse_args(arguments)
    found = missing(given.places, given.language)
    print(skeleton(found, given.language))
    print(f"{len(found)} missing", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())

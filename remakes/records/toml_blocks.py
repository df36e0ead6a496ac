"""Read a TOML file that a person edits, and find every mistake in it at once.

A `Blocks` holds the parsed file and collects `Mistake`s while it is read; what cannot be read gives a
harmless stand-in, so that reading goes on to the next mistake.
"""

from __future__ import annotations

import contextlib
import math
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from remakes.errors import RemakesError
from remakes.records.cells import RefusedCell, did_you_mean, plain_text, shown
from remakes.texts import t, tn

__all__ = ["Block", "Blocks", "Mistake", "MistakesError", "in_words", "is_number"]

_HEADING = re.compile(r"\s*\[\[?[^\]=]*\]\]?\s*(#|$)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistake:
    """One mistake in a TOML file: where, what was seen, what is needed.

    `line` counts from 1 and is the line of the key or of its block's heading; None where it is unknown.
    """

    block: str
    key: str
    seen: str
    needed: str
    line: int | None = None

    def __str__(self) -> str:
        what = f"{self.key} = {self.seen}" if self.seen else self.key
        told = t("{block}: {what}: {needed}", block=self.block, what=what, needed=self.needed)
        return t("line {line}, {told}", line=self.line, told=told) if self.line else told


def in_words(file: str, mistakes: Sequence[Mistake]) -> str:
    """The message that refuses a file for these mistakes."""
    lines = "\n".join(f"  {mistake}" for mistake in mistakes)
    return tn(
        len(mistakes),
        "{file}: 1 mistake; nothing of it was taken. Correct and read it again.\n{lines}",
        "{file}: {n} mistakes; nothing of it was taken. Correct and read it again.\n{lines}",
        file=file,
        lines=lines,
    )


class MistakesError(RemakesError):
    """A file that a person edits has mistakes; nothing of it was taken. The error of each kind of file is one of these.

    Parameters
    ----------
    file : str
        The file's name, for the message.
    mistakes : tuple of Mistake
        Every mistake found, in the order of the file.
    """

    def __init__(self, file: str, mistakes: tuple[Mistake, ...]) -> None:
        super().__init__(self.in_words(file, mistakes))
        self.file = file
        self.mistakes = mistakes

    @staticmethod
    def in_words(file: str, mistakes: Sequence[Mistake]) -> str:
        """What is said of them all."""
        return in_words(file, mistakes)


class Blocks:
    """One parsed TOML file, and the mistakes found in it so far.

    Parameters
    ----------
    text : str
        The whole file.

    Notes
    -----
    A file that is no TOML at all has no keys and one mistake, with the parser's own words and place.
    """

    def __init__(self, text: str) -> None:
        self.mistakes: list[Mistake] = []
        text = text.removeprefix("\ufeff")
        self._lines = text.splitlines()
        self.readable = True
        try:
            self.content: dict[str, Any] = tomllib.loads(text)
        except (tomllib.TOMLDecodeError, RecursionError) as error:
            self.content = {}
            self.readable = False
            at = re.search(r"at line (\d+)", str(error))
            self.mistakes.append(
                Mistake(
                    block=t("file"),
                    key="TOML",
                    seen="",
                    needed=t("this is no readable TOML ({error}); correct the place named", error=error),
                    line=int(at[1]) if at else None,
                )
            )

    def top(self) -> Block:
        """The keys above the first block."""
        return Block(self, name=t("top of the file"), values=self.content, lines=range(1, len(self._lines) + 1))

    def tables(self, name: str) -> tuple[Block, ...]:
        """The `[[name]]` blocks, in the order of the file."""
        found = self.content.get(name, [])
        if not isinstance(found, list) or not all(isinstance(one, dict) for one in found):
            self.top().mistake(name, t("needed are blocks that begin with [[{name}]]", name=name), seen=found)
            return ()
        spans = self._spans(rf"\s*\[\[\s*{name}\s*\]\]")
        if len(spans) != len(
            found
        ):  # headings inside long strings, or inline tables: no line is better than a wrong one
            spans = [range(0)] * len(found)
        return tuple(
            Block(self, name=f"[[{name}]] {n}", values=values, lines=span)
            for n, (values, span) in enumerate(zip(found, spans, strict=True), start=1)
        )

    def table(self, name: str) -> Block | None:
        """The `[name]` block, or None where there is none."""
        found = self.content.get(name)
        if found is None:
            return None
        spans = self._spans(rf"\s*\[\s*{name}\s*\]") or [range(0)]
        if not isinstance(found, dict):
            self.top().mistake(name, t("needed is a block that begins with [{name}]", name=name), seen=found)
            return None
        return Block(self, name=f"[{name}]", values=found, lines=spans[0])

    def in_order(self) -> tuple[Mistake, ...]:
        """The mistakes so far, by line; those without a line first."""
        return tuple(sorted(self.mistakes, key=lambda mistake: mistake.line or 0))

    def line_of(self, key: str, lines: range) -> int | None:
        """The line among these that sets this key, or the first of them."""
        pattern = re.compile(rf"""\s*["']?{re.escape(key)}["']?\s*=""")
        for line in lines:
            if pattern.match(self._lines[line - 1]):
                return line
        return lines[0] if lines else None

    def _spans(self, heading: str) -> list[range]:
        numbered = list(enumerate(self._lines, start=1))
        starts = [n for n, line in numbered if re.match(heading, line)]
        headings = [n for n, line in numbered if _HEADING.match(line)]
        end = len(self._lines) + 1
        return [range(start, min((n for n in headings if n > start), default=end)) for start in starts]


class Block:
    """One block of the file, whose keys are read by the kind of value they need."""

    def __init__(self, blocks: Blocks, *, name: str, values: Mapping[str, Any], lines: range) -> None:
        self._blocks = blocks
        self._lines = lines
        self.name = name
        self.values = values

    def __contains__(self, key: str) -> bool:
        return key in self.values

    def mistake(self, key: str, needed: str, *, seen: object = None) -> None:
        """Note one mistake at this key; `seen` as the file holds it."""
        self._blocks.mistakes.append(
            Mistake(
                block=self.name,
                key=key,
                seen="" if seen is None else shown(seen if not isinstance(seen, str) else repr(seen)),
                needed=needed,
                line=self._blocks.line_of(key, self._lines),
            )
        )

    def only(self, known: Iterable[str]) -> None:
        """Note every key that is not one of these: a misspelt key must not be passed over."""
        known = tuple(known)
        for key in self.values:
            if key not in known:
                self.mistake(
                    key,
                    t(
                        "no such key here; known are {items}.{did_you_mean}",
                        items=", ".join(known),
                        did_you_mean=did_you_mean(key, known),
                    ),
                )

    def text(self, key: str, *, needed: str | None = None) -> str | None:
        """A text without blanks around it; None for a blank or a missing one, a mistake if it is `needed` (as what)."""
        value = self.values.get(key)
        if value is not None and not isinstance(value, str):
            self.mistake(key, t("needed is a text in quotes"), seen=value)
            return None
        value = (value or "").strip()
        if not value and needed:
            self.mistake(key, t("needed is {needed}; it is missing or blank", needed=needed))
        return value or None

    def number(self, key: str, *, low: float = -math.inf, default: float = 0.0) -> float:
        """A number of `low` or more; `default` where the key is missing."""
        if key not in self.values:
            return default
        value = self.values[key]
        if not is_number(value):
            self.mistake(key, t("needed is a number, without quotes"), seen=value)
            return default
        if value < low:
            self.mistake(key, t("needed is {low:g} or more", low=low), seen=value)
            return default
        return float(value)

    def texts(self, key: str, *, of: str) -> tuple[str, ...]:
        """A list of texts, each once, in order; `of` says what they name."""
        return self.texts_in(key, self.values.get(key), of=of)

    def texts_in(self, key: str, value: object, *, of: str) -> tuple[str, ...]:
        """The same for a value that stands inside the key, such as one entry of an inline table."""
        if not isinstance(value, list):
            self.mistake(key, t("needed is a list of {of} in square brackets", of=of), seen=value)
            return ()
        found: list[str] = []
        for one in value:
            text = _as_text(one)
            if not text:
                self.mistake(key, t("needed are {of}, each a text in quotes", of=of), seen=one)
            elif text in found:
                self.mistake(key, t("{value} stands there twice; once is needed", value=text), seen=one)
            else:
                found.append(text)
        return tuple(found)

    def day(self, key: str, *, needed: str | None = None) -> date | None:
        """A date; None where it is missing, a mistake if it is `needed` (as what)."""
        value = self.values.get(key)
        if isinstance(value, str):
            with contextlib.suppress(ValueError):
                value = date.fromisoformat(value.strip())
        if isinstance(value, date) and not isinstance(value, datetime):
            return value
        if value is not None:
            self.mistake(key, t("needed is a date such as 2026-03-02, without quotes"), seen=value)
        elif needed:
            self.mistake(key, t("needed is {needed}, such as 2026-03-02; it is missing", needed=needed))
        return None

    def numbers(self, key: str, *, of: str) -> dict[str, float]:
        """An inline table of numbers, `{ name = 0.9 }`; `of` says what the names are."""
        value = self.values.get(key)
        if not isinstance(value, dict):
            self.mistake(key, t("needed are {of}, each with a number, such as {{ name = 0.9 }}", of=of), seen=value)
            return {}
        for name, one in value.items():
            if not is_number(one):
                self.mistake(key, t("{name} needs a number, without quotes", name=name), seen=one)
        return {name: float(one) for name, one in value.items() if is_number(one)}


def is_number(value: object) -> bool:
    """Is this a finite number of TOML? A bool is none, nor are nan and inf."""
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def _as_text(value: object) -> str:
    if not (isinstance(value, str | bool) or is_number(value)):
        return ""
    try:
        return plain_text(value) or ""
    except RefusedCell:
        # A character no text may hold; the caller says that a text is needed.
        return ""

"""Which words of a foreign sheet mean yes and which mean no; and what all answers about its writing are kept in."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import streamlit as st

from remakes import words
from remakes.records.importers.column_map import MappedTable, TableMap
from remakes.records.importers.conversions import TICK_COLUMNS
from remakes.records.importers.grids import column_key
from remakes.records.importers.headings import NO_WORDS, YES_WORDS
from remakes.records.importers.ways_of_writing import unknown_words
from remakes.records.requirements import ProcessStandard
from remakes.records.teeth import Notation
from remakes.texts import t, tn
from remakes.views.lists_parts.columns_form import Matched

__all__ = ["MOST_WORDS", "REFUSE", "Counted", "Writing", "ask_ticks"]

#: Gives the texts of one of their columns, with their rows.
Counted = Callable[[str], Mapping[str, int]]

REFUSE: Final = "\x00refuse"
_BLANK: Final = ""
#: More unknown words than this are no codes: the column is probably another one.
MOST_WORDS: Final = 30


@dataclass(slots=True, kw_only=True)
class Writing:
    """The answers; `missing` says, in words, what a person has not answered yet."""

    dates: str | None = None
    datetimes: str | None = None
    decimal: str | None = None
    teeth: Notation = "iso3950"
    values: dict[str, dict[str, str]] = field(default_factory=dict)
    yes: tuple[str, ...] = ()
    no: tuple[str, ...] = ()
    missing: list[str] = field(default_factory=list)


def ask_ticks(
    table: MappedTable,
    matched: Matched,
    counted: Counted,
    found: Writing,
    initial: TableMap | None,
    standard: ProcessStandard,
    key: str,
) -> None:
    """Ask about every word in columns of ticks that is neither yes nor no."""
    ticked = _tick_columns(table, matched, standard)
    rows: dict[str, int] = {}
    for theirs in ticked.values():
        for word, number in unknown_words(counted(theirs), ("yes", "no")).items():
            rows[column_key(word)] = rows.get(column_key(word), 0) + number
    yes, no = (list(initial.yes), list(initial.no)) if initial else ([], [])
    if rows and len(rows) <= MOST_WORDS:
        st.markdown(t("Which words mean yes, and which mean no? A blank cell is not recorded and needs no word."))
        places = st.columns(3)
        for n, (word, number) in enumerate(rows.items()):
            with places[n % 3]:
                _ask_tick(word, number, list(ticked), yes, no, found, key)
    found.yes, found.no = tuple(yes), tuple(no)


def _tick_columns(table: MappedTable, matched: Matched, standard: ProcessStandard) -> dict[str, str]:
    """Our column or reading to theirs, where only yes and no are known."""
    if table != "bench_sheet":
        return {ours: theirs for ours, theirs in matched.columns.items() if ours in TICK_COLUMNS}
    newest = {one.reading: one.rule for one in standard.requirements}
    return {
        one.reading: one.column
        for one in matched.readings
        if one.reading in newest
        and not newest[one.reading].numeric
        and {value.casefold() for value in newest[one.reading].values} <= {"yes", "no"}
    }


def _ask_tick(
    word: str, rows: int, columns: Sequence[str], yes: list[str], no: list[str], found: Writing, key: str
) -> None:
    options = [REFUSE, "yes", "no", _BLANK]
    blank = all(found.values.get(column, {}).get(word) == _BLANK for column in columns)
    known_yes, known_no = word in yes or word in YES_WORDS, word in no or word in NO_WORDS
    proposed = 1 if known_yes and word not in no else 2 if known_no and word not in yes else 3 if blank else 0
    chosen = st.selectbox(
        tn(rows, "{word} (1 row)", "{word} ({n} rows)", word=words.plain(word)),
        options,
        index=proposed,
        format_func=lambda one: {
            REFUSE: t("not known: refuse the rows"),
            "yes": t("yes"),
            "no": t("no"),
            _BLANK: t("not recorded"),
        }[one],
        key=f"{key}_tick_{word}",
    )
    for answer, list_of_words in (("yes", yes), ("no", no)):
        if word in list_of_words:
            list_of_words.remove(word)
        if chosen == answer:
            list_of_words.append(word)
    for column in columns:
        pairs = found.values.setdefault(column, {})
        pairs.pop(word, None)
        if chosen == _BLANK:
            pairs[word] = _BLANK
        if not pairs:
            del found.values[column]

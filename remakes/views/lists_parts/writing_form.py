"""How a foreign sheet writes days, numbers, teeth, codes and ticks: told where one way fits, asked where several do."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

import streamlit as st

from remakes import words
from remakes.records.importers.column_map import MAP_CODES, MappedTable, TableMap
from remakes.records.importers.conversions import DATE_COLUMNS, NUMBER_COLUMNS, TICK_COLUMNS
from remakes.records.importers.grids import column_key
from remakes.records.importers.headings import CODE_WORDS
from remakes.records.importers.ways_of_writing import (
    DecimalWay,
    MomentWay,
    date_ways,
    datetime_ways,
    decimal_ways,
    teeth_ways,
    unknown_words,
)
from remakes.records.requirements import ProcessStandard
from remakes.records.teeth import NOTATIONS
from remakes.texts import t, tn
from remakes.views.lists_parts import wording
from remakes.views.lists_parts.columns_form import Matched
from remakes.views.lists_parts.tick_form import MOST_WORDS, REFUSE, Counted, Writing, ask_ticks

__all__ = ["Writing", "ask_writing"]

_KEEP: Final = "\x00keep"
_BLANK: Final = ""
#: Columns of free text of which the process standard names words; other words are kept.
_KEPT_COLUMNS: Final = ("framework", "veneer", "step", "reading")


def ask_writing(
    table: MappedTable,
    matched: Matched,
    counted: Counted,
    *,
    initial: TableMap | None,
    standard: ProcessStandard,
    key: str,
) -> Writing:
    """Ask what the cells leave open; `counted` gives the texts of one of their columns with their rows."""
    found = Writing()
    if initial is not None:
        named = {*matched.columns, *(one.reading for one in matched.readings)}
        found.values = {column: dict(pairs) for column, pairs in initial.values.items() if column in named}
    st.markdown(t("**How is it written?**"))
    _ask_days(matched, counted, found, initial, key)
    _ask_decimal(table, matched, counted, found, initial, standard, key)
    _ask_teeth(matched, counted, found, initial, key)
    _ask_codes(matched, counted, found, standard, key)
    if table != "restorations":
        ask_ticks(table, matched, counted, found, initial, standard, key)
    return found


def _texts(columns: Iterable[str], counted: Counted) -> list[str]:
    return list(dict.fromkeys(text for column in columns for text in counted(column)))


def _ask_days(matched: Matched, counted: Counted, found: Writing, initial: TableMap | None, key: str) -> None:
    days = _texts((theirs for ours, theirs in matched.columns.items() if ours in DATE_COLUMNS), counted)
    moments = _texts([matched.columns["recorded_at"]] if "recorded_at" in matched.columns else [], counted)
    days += [text for text in moments if ":" not in text]
    timed = [text for text in moments if ":" in text]
    found.dates = _one_way(
        t("How are days written?"), _date_ways(tuple(days)), days, found, initial.dates if initial else None, f"{key}_d"
    )
    found.datetimes = _one_way(
        t("How are days with a time written?"),
        _datetime_ways(tuple(timed)),
        timed,
        found,
        initial.datetimes if initial else None,
        f"{key}_dt",
    )


@st.cache_data(show_spinner=False, max_entries=32)
def _date_ways(texts: tuple[str, ...]) -> tuple[MomentWay, ...]:
    return date_ways(texts)


@st.cache_data(show_spinner=False, max_entries=32)
def _datetime_ways(texts: tuple[str, ...]) -> tuple[MomentWay, ...]:
    return datetime_ways(texts)


def _one_way(
    label: str, ways: Sequence[MomentWay], texts: Sequence[str], found: Writing, before: str | None, key: str
) -> str | None:
    if not texts:
        return before
    if not ways:
        st.warning(
            t(
                "“{text}” is a day in no usual way of writing. Its rows would be refused: check that the right column "
                "is chosen, or correct the file.",
                text=words.plain(texts[0]),
            )
        )
        return before
    forms = {way.form: way for way in ways}
    if len(ways) == 1:
        way = ways[0]
        st.caption(t("Days: {example} is read as {day}.", example=words.plain(way.example), day=_told(way)))
        _tell_misfits(way)
        return way.form
    index = list(forms).index(before) if before in forms else None
    chosen = st.radio(
        t("{question} Several ways fit every row, so please say which one it is.", question=label),
        list(forms),
        index=index,
        format_func=lambda form: t(
            "{example} is {day} ({order})",
            example=words.plain(forms[form].example),
            day=_told(forms[form]),
            order=_order(form),
        ),
        key=f"{key}_{'_'.join(forms)}",
    )
    _tell_misfits(ways[0])
    if chosen is None:
        found.missing.append(t("Say how days are written."))
    return chosen


def _told(way: MomentWay) -> str:
    return wording.moment(way.read_as)


def _order(form: str) -> str:
    places = sorted(("dmy".index(sign), form.lower().index(f"%{sign}")) for sign in "dmy")
    order = "".join("dmy"[place] for place, _ in sorted(places, key=lambda pair: pair[1]))
    return {
        "dmy": t("day, month, year"),
        "mdy": t("month, day, year"),
        "ymd": t("year, month, day"),
    }.get(order, form)


def _tell_misfits(way: MomentWay) -> None:
    if way.misfits:
        st.warning(
            tn(
                way.misfits,
                "“{text}” is no such day; its rows would be refused.",
                "{n} different texts, such as “{text}”, are no such days; their rows would be refused.",
                text=words.plain(way.misfit),
            )
        )


def _ask_decimal(
    table: MappedTable,
    matched: Matched,
    counted: Counted,
    found: Writing,
    initial: TableMap | None,
    standard: ProcessStandard,
    key: str,
) -> None:
    texts = _texts((theirs for ours, theirs in matched.columns.items() if ours in NUMBER_COLUMNS), counted)
    numeric = {reading for _, reading in standard.numeric_readings}
    texts += _texts((one.column for one in matched.readings if one.reading in numeric or one.times), counted)
    if table == "process_log" and "value" in matched.columns:
        texts += [text for text in counted(matched.columns["value"]) if not any(map(str.isalpha, text))]
    ways = decimal_ways(texts)
    before = initial.decimal if initial else None
    found.decimal = _decimal(ways, before, found, key) if ways else before


def _decimal(ways: Sequence[DecimalWay], before: str | None, found: Writing, key: str) -> str | None:
    names = {",": t("comma, as in 1,5"), ".": t("point, as in 1.5")}
    if len(ways) == 1:
        st.caption(t("Numbers: the decimal sign is the {sign}.", sign=names[ways[0].sign]))
    signs = [way.sign for way in ways]
    chosen: str | None = ways[0].sign
    if len(ways) > 1:
        chosen = st.radio(
            t("Which is the decimal sign? The numbers can be read both ways."),
            signs,
            index=signs.index(before) if before in signs else None,
            format_func=lambda sign: names[sign],
            key=f"{key}_decimal",
            horizontal=True,
        )
        if chosen is None:
            found.missing.append(t("Say which the decimal sign is."))
    if ways[0].misfits:
        st.warning(
            tn(
                ways[0].misfits,
                "“{text}” is no number with it; its rows would be refused.",
                "{n} different texts, such as “{text}”, are no numbers with it; their rows would be refused.",
                text=words.plain(ways[0].misfit),
            )
        )
    return chosen


def _ask_teeth(matched: Matched, counted: Counted, found: Writing, initial: TableMap | None, key: str) -> None:
    if "teeth" not in matched.columns:
        return
    misfits = teeth_ways(_texts([matched.columns["teeth"]], counted))
    before = NOTATIONS.index(initial.teeth) if initial and "teeth" in initial.columns else None
    chosen = st.radio(
        t("How are teeth counted? 11 or 32 mean other teeth in another way of counting, so nothing is guessed."),
        NOTATIONS,
        index=before,
        format_func=lambda one: (
            tn(
                misfits[one],
                "{notation}: one text does not fit",
                "{notation}: {n} texts do not fit",
                notation=wording.notation(one),
            )
            if misfits[one]
            else t("{notation}: fits every row", notation=wording.notation(one))
        ),
        key=f"{key}_teeth",
    )
    if chosen is None:
        found.missing.append(t("Say how teeth are counted."))
    else:
        found.teeth = chosen


def _ask_codes(matched: Matched, counted: Counted, found: Writing, standard: ProcessStandard, key: str) -> None:
    for ours, theirs in matched.columns.items():
        if ours in MAP_CODES and ours not in TICK_COLUMNS:
            known: Sequence[str] = MAP_CODES[ours]
            others = (REFUSE,) if ours in ("kind", "defect") else (REFUSE, _BLANK)
        elif ours in _KEPT_COLUMNS:
            known, others = _words_of_standard(standard, ours), (_KEEP,)
        else:
            continue
        unknown = unknown_words(counted(theirs), known) if known else {}
        if len(unknown) > MOST_WORDS:
            st.warning(
                t(
                    "{column} has {n} different words that are no codes. Is it the right column?",
                    column=words.plain(theirs),
                    n=len(unknown),
                )
            )
        elif unknown:
            _translate(ours, theirs, unknown, known, others, found, key)


def _words_of_standard(standard: ProcessStandard, column: str) -> tuple[str, ...]:
    if column == "step":
        return standard.steps
    if column == "reading":
        return tuple(dict.fromkeys(one.reading for one in standard.requirements))
    named = (word for one in standard.requirements for word in one.applies_when.get(column, ()))
    return tuple(dict.fromkeys(named))


def _translate(
    ours: str,
    theirs: str,
    unknown: Mapping[str, int],
    known: Sequence[str],
    others: Sequence[str],
    found: Writing,
    key: str,
) -> None:
    st.markdown(
        t("{column}: what do these words of “{theirs}” mean?", column=wording.column(ours), theirs=words.plain(theirs))
    )
    options = [*others, *known]
    pairs = found.values.setdefault(ours, {})
    labels = {REFUSE: t("not known: refuse the rows"), _BLANK: t("not recorded"), _KEEP: t("keep the word as it is")}
    places = st.columns(3)
    for n, (word, rows) in enumerate(unknown.items()):
        folded = column_key(word)
        proposed = pairs.get(folded, CODE_WORDS.get(ours, {}).get(folded, others[0]))
        chosen = places[n % 3].selectbox(
            tn(rows, "{word} (1 row)", "{word} ({n} rows)", word=words.plain(word)),
            options,
            index=options.index(proposed) if proposed in options else 0,
            format_func=lambda one: labels.get(one) or (wording.code(ours, one) if ours in MAP_CODES else one),
            key=f"{key}_word_{ours}_{folded}",
        )
        pairs.pop(folded, None)
        if chosen not in (REFUSE, _KEEP):
            pairs[folded] = chosen
    if not pairs:
        del found.values[ours]

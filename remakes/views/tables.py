"""Rows as a table that is read whole: wrapped text where a grid would hide columns, and a sign where that is no cure.

A grid can be sorted and searched, but its headings and cells stay on one line: what is wider than its place is cut off.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from math import isnan
from numbers import Integral, Real
from typing import TYPE_CHECKING, Any, Final

import pandas as pd
import streamlit as st
from pandas.api.types import is_bool_dtype, is_numeric_dtype

from remakes import words
from remakes.texts import Said, t

if TYPE_CHECKING:
    from pandas.io.formats.style import Styler

__all__ = ["as_frame", "as_said", "grid", "is_too_wide", "linked", "sign", "table"]

Rows = Sequence[Mapping[str, object]]

#: Pixels that a table has on a screen of 1,280 with the menu open.
_PLACE: Final = 900
#: Pixels of a letter, and around the text of a cell; measured on the toolkit's grid.
_LETTER, _AROUND = 6.2, 18
#: So many rows the grid looks at to find how wide a column is.
_MEASURED: Final = 10
#: More columns than this do not fit as wrapped text either; of more rows than this one wants to sort and to search.
_MOST_COLUMNS, _MOST_ROWS = 14, 60
#: Pixels of a table of text that is not shown whole, and how many rows are.
_TALL, _FEW = 480, 8
#: The toolkit shows a bar only while the pointer is over the table; the words are for screens that hide bars.
_STYLE: Final = """<style>
[data-testid="stDataFrame"] .dvn-scroller, [data-testid="stTable"], [data-testid="stTable"] *
  {scrollbar-color: rgba(128, 128, 128, .8) transparent}
[data-testid="stTable"] th, [data-testid="stTable"] td {min-width: 4rem; vertical-align: top}
[data-testid="stTable"] td[data-short] * {white-space: nowrap}
[data-testid="stTable"] td[data-long] {min-width: 9rem}
@media (min-width: 769px) {.stMainBlockContainer {padding: 3rem 2rem 4rem}}
.stElementContainer:has(> [data-testid="stTable"][data-more]) {overflow: visible; margin-bottom: 1.25rem}
.stElementContainer:has(> [data-more])::after, .stElementContainer:has(> div > [data-more])::after
  {content: %s; display: block; text-align: right; font-size: .875rem}
</style>"""
_SCRIPT: Final = """<script>(() => {
  if (window.remakesTables) return;
  window.remakesTables = true;
  // A day or a figure with its unit is not broken in two; a sentence is no pile of single words.
  const room = () => document.querySelectorAll('[data-testid="stTable"] td').forEach(one => {
    const letters = one.textContent.length;
    one.toggleAttribute('data-short', letters < 15);
    one.toggleAttribute('data-long', letters > 40);
  });
  const look = () => document.querySelectorAll('[data-testid="stDataFrame"], [data-testid="stTable"]').forEach(one => {
    const inner = [one, ...one.querySelectorAll('.dvn-scroller, div')].find(
      part => part.scrollWidth > part.clientWidth + 2 && getComputedStyle(part).overflowX !== 'visible');
    one.toggleAttribute('data-more', !!inner && inner.scrollWidth - inner.clientWidth - inner.scrollLeft > 8);
  });
  let waiting;
  const soon = () => { clearTimeout(waiting); waiting = setTimeout(() => { room(); look(); }, 200); };
  new MutationObserver(soon).observe(document.body, {childList: true, subtree: true});
  for (const what of ['resize', 'click', 'transitionend']) addEventListener(what, soon);
  document.addEventListener('scroll', soon, {capture: true, passive: true});
  soon();
})()</script>"""


def sign() -> None:
    """Once a page: whichever table has more columns than are seen says so under it, for as long as it has."""
    # A style sheet does not know the escapes of JSON.
    said = json.dumps(t("More columns at the right: move the table sideways."), ensure_ascii=False)
    st.html((_STYLE % said) + _SCRIPT, unsafe_allow_javascript=True)


def as_frame(rows: Rows) -> pd.DataFrame:
    """Rows as the toolkit's tables take them."""
    return pd.DataFrame([{as_said(name): as_said(value) for name, value in row.items()} for row in rows])


def grid(frame: pd.DataFrame) -> pd.DataFrame | Styler:
    """The frame for a grid, its numbers written as everywhere on a page; it is still sorted by the numbers."""
    numbers = [name for name, kind in frame.dtypes.items() if is_numeric_dtype(kind) and not is_bool_dtype(kind)]
    # Only then does the library that writes cells have to be loaded; it knows no two columns of one name.
    return (
        frame.style.format(dict.fromkeys(numbers, _number), na_rep="") if numbers and frame.columns.is_unique else frame
    )


def table(rows: Rows, *, whole: bool = False) -> None:
    """Rows as a table; ten or so at a time unless `whole`."""
    frame = as_frame(rows)
    if len(frame) <= _MOST_ROWS and len(frame.columns) <= _MOST_COLUMNS and is_too_wide(frame):
        whole = whole or len(frame) <= _FEW
        st.table(_as_text(frame), hide_index=True, height="content" if whole else _TALL)
    else:
        st.dataframe(
            grid(frame),
            hide_index=True,
            height="content" if whole else "auto",
            placeholder="",
            column_config={name: st.column_config.Column(width=wide) for name, wide in _wide_below(frame).items()},
        )


def linked(rows: Rows, *, column: str, address: Callable[[str], str]) -> None:
    """Rows as a table of wrapped text that cuts nothing off, the cells of one column as links.

    Parameters
    ----------
    address : callable
        Gives the address for what stands in a cell; a blank cell is no link.
    """
    frame = as_frame(rows)
    text = _as_text(frame)
    if column in frame:
        # The headings of the text are made safe, too.
        text[words.plain(column)] = [f"[{words.plain(one)}]({address(one)})" if one else "" for one in frame[column]]
    st.table(text, hide_index=True, height="content" if len(frame) <= _FEW else _TALL)


def _wide_below(frame: pd.DataFrame) -> dict[str, int]:
    """Columns of text whose longest cell stands below the rows that the grid measures, and the pixels they need."""
    letters = {name: [len(str(one)) for one in frame[name]] for name in frame.columns if _is_text(frame[name])}
    return {
        name: round(_LETTER * max(found) + _AROUND)
        for name, found in letters.items()
        if len(found) > _MEASURED and max(found) > max(len(name), *found[:_MEASURED])
    }


def _is_text(column: pd.Series[Any]) -> bool:
    return all(isinstance(one, str) for one in column)


def is_too_wide(frame: pd.DataFrame) -> bool:
    """Would a grid of these columns hide some of them on a screen of 1,280 pixels?"""
    wanted = (max(len(str(one)) for one in (name, *frame[name])) for name in frame.columns)
    return sum(_LETTER * letters + _AROUND for letters in wanted) > _PLACE


def _as_text(frame: pd.DataFrame) -> pd.DataFrame:
    """Cells and headings as they read, safe for a table whose cells are Markdown."""
    return frame.map(_cell).rename(columns=words.plain)


def _cell(value: Any) -> str:
    if value is None or value is pd.NaT or (isinstance(value, float) and isnan(value)):
        return ""
    if isinstance(value, Real) and not isinstance(value, bool):
        return _number(value)
    text = value.isoformat() if isinstance(value, date) else str(value)
    # A line never begins with the sign for per cent.
    return words.plain(text).replace(" %", "\N{NO-BREAK SPACE}%")


def _number(value: Any) -> str:
    """A number with the signs of the reader's language: `1,234`, `0.25`."""
    if isinstance(value, Integral) or float(value).is_integer():
        return t("{value:,}", value=int(value))
    return t("{value:,g}", value=float(value))


def as_said(value: Any) -> Any:
    """A sentence in the reader's language, as plain text; anything else as it is."""
    return str(t(value)) if isinstance(value, Said) else value

"""Tables that are read whole: wrapped text where a grid would hide columns, a grid otherwise."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import date

import pandas as pd
import pytest
from streamlit.testing.v1 import AppTest

from remakes.texts import speaking
from remakes.views import tables
from tests.views.lab import table_with

WIDE = {f"a heading of some length {n}": "a cell that is longer than its heading" for n in range(6)}


def shown(rows: Sequence[Mapping[str, object]], *, whole: bool = False) -> AppTest:
    def page(rows: list[dict[str, object]], whole: bool) -> None:
        from remakes.views import tables

        tables.table(rows, whole=whole)

    app = AppTest.from_function(page, kwargs={"rows": rows, "whole": whole}).run()
    assert not app.exception
    return app


def test_narrow_rows_are_a_grid_and_wide_ones_text_that_wraps() -> None:
    narrow = shown([{"month": "2026-03", "returns (n)": 4}])
    assert (len(narrow.dataframe), len(narrow.table)) == (1, 0)
    wide = shown([WIDE])
    assert (len(wide.dataframe), len(wide.table)) == (0, 1)
    assert list(table_with(wide, "a heading of some length 3").iloc[0]) == list(WIDE.values())


@pytest.mark.parametrize(
    "rows",
    [[{f"column {n}": "so many columns" for n in range(15)}], [WIDE] * 61],
    ids=["too many columns to wrap", "so many rows that one wants to sort"],
)
def test_what_wrapping_does_not_help_stays_a_grid(rows: list[dict[str, object]]) -> None:
    page = shown(rows)
    assert (len(page.dataframe), len(page.table)) == (1, 0)


def test_a_wrapped_cell_reads_as_it_was_written() -> None:
    row = {**WIDE, "code_a": "bond_wait *x* 3 %", "n": 1234, "share": 0.25, "day": date(2026, 3, 2), "none": None}
    (table,) = shown([row]).table
    read = dict(zip(table.value.columns, table.value.iloc[0], strict=True))
    assert read[r"code\_a"] == "bond\\_wait \\*x\\* 3\N{NO-BREAK SPACE}%"
    assert (read["n"], read["share"], read["none"]) == ("1,234", "0.25", "")
    assert read["day"] == r"2026\-03\-02"


def test_how_wide_a_grid_would_be_goes_by_the_longest_of_heading_and_cells() -> None:
    frame = pd.DataFrame({"a": ["x" * 60, ""], "b": ["", "y" * 60]})
    assert not tables.is_too_wide(frame)
    assert tables.is_too_wide(frame.assign(**{"c" * 30: ["", ""]}))


def test_a_long_cell_below_those_that_the_grid_measures_has_its_room() -> None:
    rows = [{"goes with": "Chipping", "n": one} for one in range(12)]
    assert '"width"' not in shown(rows).dataframe[0].proto.columns
    rows.append({"goes with": "Show-through and more", "n": 12})
    columns = json.loads(shown(rows).dataframe[0].proto.columns)
    assert "n" not in columns
    assert columns["goes with"]["width"] > 6 * len("Show-through and more")


def test_the_sign_is_said_in_the_style_of_the_page() -> None:
    def page() -> None:
        from remakes.views import tables

        tables.sign()

    app = AppTest.from_function(page).run()
    (html,) = app.get("html")
    assert 'content: "More columns at the right: move the table sideways."' in html.proto.body


def test_a_grid_writes_its_numbers_as_sentences_do_and_sorts_by_the_numbers() -> None:
    rows: list[dict[str, object]] = [
        {"n": 6088, "share": 1234.5, "kind": "crown", "open": True},
        {"n": 12, "share": None},
    ]
    frame = tables.as_frame(rows)
    styled = tables.grid(frame)
    assert "6,088" in str(styled.to_html())
    assert "1,234.5" in str(styled.to_html())
    with speaking("de"):
        assert "6\u202f088" in str(tables.grid(frame).to_html())
        assert "1\u202f234,5" in str(tables.grid(frame).to_html())
    page = shown(rows)
    assert list(page.dataframe[0].value["n"]) == [6088, 12]
    words_only = tables.as_frame([{"kind": "crown"}])
    assert tables.grid(words_only) is words_only

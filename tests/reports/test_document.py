"""Cells as print shows them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.reports.document import NOTHING, Cell, Column, Kind, Table, printed

NAN = float("nan")


@pytest.mark.parametrize(
    ("cell", "kind", "digits", "said"),
    [
        ("2026-10", "month", 0, "October 2026"),
        ("", "text", 0, NOTHING),
        ("L07", "text", 0, "L07"),
        (1234, "number", 0, "1,234"),
        (0.125, "share", 1, "12.5 %"),
        (NAN, "number", 1, NOTHING),
        (None, "number", 1, NOTHING),
        (UNKNOWN, "interval", 1, NOTHING),
        (Estimate(2.0, 1.0, float("inf")), "interval", 1, "2.0 (1.0 to no upper limit)"),
        (Estimate(0.1, 0.05, 0.2), "share interval", 1, "10.0 % (5.0 % to 20.0 %)"),
        (Estimate(-0.01, -0.2, 0.31), "change", 1, "0.0 (−0.2 to +0.3)"),
        (Estimate(3.0, NAN, NAN), "change", 1, "+3.0 (range cannot be estimated)"),
    ],
)
def test_cells(cell: Cell, kind: Kind, digits: int, said: str) -> None:
    assert printed(cell, Column(name="x", kind=kind, digits=digits)) == said


@given(
    st.floats(-1e12, 1e12) | st.sampled_from([NAN, float("inf"), -float("inf")]),
    st.sampled_from(["number", "share", "interval", "share interval", "change"]),
)
def test_no_figure_is_ever_printed_as_nan_or_without_value(value: float, kind: Kind) -> None:
    cell: Cell = value if kind in ("number", "share") else Estimate(value, value, value)
    said = printed(cell, Column(name="x", kind=kind, digits=1))
    assert said
    assert "nan" not in said
    assert "inf" not in said


def test_a_row_that_does_not_fit_its_columns_is_refused() -> None:
    with pytest.raises(ValueError, match="a row of 1 cells under 2 columns"):
        Table(sheet="x", caption="x", columns=(Column(name="a"), Column(name="b")), rows=(("1",),))

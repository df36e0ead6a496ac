"""A small report made by hand, with what a spreadsheet or a browser might take for something to run."""

from __future__ import annotations

from datetime import date
from functools import cache
from typing import Final

from remakes.charts.base import Chart, data, layered
from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.reports.document import Cell, Column, Figure, Report, Section, Table

NAN: Final = float("nan")
#: Text that stays text, wherever it comes out.
HOSTILE: Final = (
    "=1+1",
    "+cmd|' /C calc'!A0",
    "@x",
    "-2",
    "http://example.org/",
    "mailto:a@example.org",
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    '#read("/etc/passwd")',
    "*bold* _it_ $x$ @label <l> // no comment",
    '"><svg onload=alert(1)>',
)
COLUMNS: Final = (
    Column(name="month", kind="month"),
    Column(name="code"),
    Column(name="returns", kind="number"),
    Column(name="share", kind="share", digits=1),
    Column(name="ratio", kind="interval", digits=1),
    Column(name="share returned", kind="share interval", digits=1),
)


@cache
def chart(says: str = "says") -> Chart:
    base = data([{"month": f"2026-{at:02d}", "returns": at % 5, "says": says} for at in range(1, 11)])
    line = base.mark_line(clip=True).encode(x="month:O", y="returns:Q")
    return layered(line, base.mark_text().encode(x="month:O", y="returns:Q", text="says:N"), height=340)


def row(at: int, code: str = "L07") -> tuple[Cell, ...]:
    return (f"2026-{at % 12 + 1:02d}", code, at, 0.125, Estimate(1.5, 0.5, 3.25), Estimate(0.1, 0.05, 0.2))


def table(rows: tuple[tuple[Cell, ...], ...], *, sheet: str = "Lots", **other: object) -> Table:
    return Table(sheet=sheet, caption=f"Returns of {sheet}", columns=COLUMNS, rows=rows, **other)  # type: ignore[arg-type]


def report(
    *,
    words: str = "Plain words.",
    codes: tuple[str, ...] = ("L07",),
    front_rows: int = 3,
    rows: int = 3,
    picture: str = "says",
    made_on: date = date(2026, 11, 2),
) -> Report:
    """A front with a flag, a picture and a table, and details with two tables."""
    blank: tuple[Cell, ...] = ("2026-01", "none", NAN, NAN, UNKNOWN, UNKNOWN)
    return Report(
        title=f"Month in review {words}",
        lab=f"A lab {words}",
        month="2026-10",
        made_on=made_on,
        observed_until=date(2026, 10, 31),
        front=(
            Section(heading=f"Harm {words}", sentences=(words,), items=(words, "two"), urgent=True),
            Section(
                heading="Is this month different?",
                sentences=(words,),
                figure=Figure(chart=chart(picture), alternative=f"Returns by month, {words}"),
                table=table(tuple(row(at, codes[at % len(codes)]) for at in range(front_rows)), sheet="This month"),
                notes=(words,),
            ),
        ),
        details=(
            Section(
                heading=f"Lots {words}",
                figure=Figure(chart=chart(picture), alternative="A second picture"),
                table=table((*(row(at, codes[at % len(codes)]) for at in range(max(rows, len(codes)))), blank)),
            ),
            Section(heading="Nothing to show", table=table((), sheet="Empty")),
        ),
        caution=f"Not clinical advice. {words}",
    )

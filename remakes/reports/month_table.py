"""The chosen month defect by defect, as the front of the report shows it."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import TYPE_CHECKING, Final

from remakes import words
from remakes.reports.document import Cell, Column, Table
from remakes.reports.review import Review, month_of
from remakes.texts import t

if TYPE_CHECKING:
    from remakes.trends.months.report_months import JudgedDefect, JudgedMonth

__all__ = ["month_signals", "month_table"]

#: Rows on paper, unless more have a signal.
_ROWS: Final = 10


def month_signals(one: JudgedMonth) -> str:
    """What a table says about a month: its signals, or why there are none."""
    if not one.complete:
        return t("still coming in")
    if not isfinite(one.expected):
        return t("counted, not judged")
    return ", ".join(map(t, one.signals)) or t("no signal")


def month_table(review: Review) -> Table:
    """Each defect in the chosen month: what came back, what was expected, whether it is a signal."""
    found = [(one, month) for one in review.report_months.defects if (month := month_of(one, review.month)) is not None]
    # All together, then defects with a signal, then by frequency, which is the order they come in.
    found.sort(key=lambda pair: (pair[0].defect != "all", not pair[1].signals))
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (
            words.defect(one.defect),
            month.returns,
            month.expected_late,
            month.expected,
            month.low,
            month.high,
            month_signals(month),
        )
        for one, month in found
    )
    return Table(
        sheet=t("This month"),
        caption=t("Returns reported in {month}", month=words.month(review.month)),
        columns=(
            Column(name=t("defect")),
            Column(name=t("returns"), kind="number"),
            Column(name=t("still to come"), kind="number", digits=1),
            Column(name=t("expected"), kind="number", digits=1),
            Column(name=t("limits from"), kind="number"),
            Column(name=t("to"), kind="number"),
            Column(name=t("signal")),
        ),
        rows=rows,
        on_paper=_told(found),
    )


def _told(found: Sequence[tuple[JudgedDefect, JudgedMonth]]) -> tuple[int, ...]:
    """Rows worth paper: all together, every signal, then what came back at all, the most frequent first."""
    sure = [at for at, (one, month) in enumerate(found) if one.defect == "all" or month.signals]
    others = [at for at, (_, month) in enumerate(found) if month.returns and at not in sure]
    return (*sure, *others[: max(_ROWS - len(sure), 0)])

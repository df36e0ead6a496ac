"""The requirements of the bench behind the front page: the chosen month, and month by month where it has a signal."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from math import isfinite
from typing import TYPE_CHECKING, Final

from remakes import words
from remakes.reports.document import Cell, Column, Section, Table
from remakes.reports.review import LATEST, Review, last_rows, process_month, requirement, said
from remakes.texts import later, t

if TYPE_CHECKING:
    from remakes.trends.months.process_months import ProcessFactor, ProcessMonth

__all__ = ["WITHOUT", "bench"]

WITHOUT: Final = later("– : not judged, or cannot be estimated.")
_PRINTED: Final = later("Printed: each with a signal, then those most often missed.")
#: Requirements without a signal that go on paper.
_MOST_MISSED: Final = 5


def bench(review: Review) -> Iterable[Section]:
    """All requirements in the chosen month; those with a signal month by month."""
    found = [(factor, month) for factor in review.process if (month := process_month(factor, review.month)) is not None]
    young = [one for one in review.process if not one.enough]
    missing = (
        t(
            "{counted} with too few records to be judged: {missing}",
            counted=words.counted(len(young), "requirement"),
            missing=t(young[0].missing),
        )
        if young
        else ""
    )
    yield Section(
        heading=t("At the bench in {month}", month=words.month(review.month)),
        sentences=(
            t("Deliveries of the month, by requirement: missed of those recorded, not recorded of all it applies to."),
        ),
        table=_bench_table(
            t("Bench"),
            t("Requirements among the deliveries of {month}", month=words.month(review.month)),
            Column(name=t("requirement")),
            [(requirement(review.standard, factor.factor), month) for factor, month in found],
            on_paper=_worth_paper([month for _, month in found]),
        ),
        notes=tuple(one for one in (t(_PRINTED) if found else "", t(WITHOUT) if found else "", missing) if one),
    )
    for factor, month in found:
        if month.miss_signals or month.gap_signals:
            yield _factor_months(factor, review)


def _factor_months(factor: ProcessFactor, review: Review) -> Section:
    name = requirement(review.standard, factor.factor)
    latest = [one for one in factor.months if one.month <= review.month][-LATEST:]
    return Section(
        heading=t("At the bench: {name}", name=name),
        sentences=said(factor.sentence, factor.missing),
        table=_bench_table(
            t("Bench, month by month"),
            t("{name}: by month of delivery", name=name),
            Column(name=t("delivered in"), kind="month"),
            [(one.month, one) for one in latest],
            group=(t("requirement"), name),
            on_paper=last_rows(len(latest)),
        ),
    )


def _bench_table(
    sheet: str,
    caption: str,
    first: Column,
    rows: Sequence[tuple[str, ProcessMonth]],
    *,
    on_paper: Sequence[int],
    group: tuple[str, str] | tuple[()] = (),
) -> Table:
    columns: tuple[tuple[Column, Callable[[ProcessMonth], Cell]], ...] = (
        (Column(name=t("applies to"), kind="number"), lambda one: one.restorations),
        (Column(name=t("missed (95 % range)"), kind="share interval", digits=1), lambda one: one.miss_share),
        (Column(name=t("missed: upper limit"), kind="share", digits=1), lambda one: one.miss_high),
        (Column(name=t("not recorded (95 % range)"), kind="share interval", digits=1), lambda one: one.gap_share),
        (Column(name=t("not recorded: upper limit"), kind="share", digits=1), lambda one: one.gap_high),
        (Column(name=t("signal")), _bench_signals),
    )
    return Table(
        sheet=sheet,
        caption=caption,
        columns=(first, *(column for column, _ in columns)),
        rows=tuple((name, *(value(one) for _, value in columns)) for name, one in rows),
        group=group,
        on_paper=on_paper,
    )


def _worth_paper(months: Sequence[ProcessMonth]) -> tuple[int, ...]:
    """Each requirement with a signal, then those most often missed; in the order of the standard."""
    marked = [at for at, one in enumerate(months) if one.miss_signals or one.gap_signals]
    others = [at for at, one in enumerate(months) if at not in marked and isfinite(one.miss_share.estimate)]
    others.sort(key=lambda at: -months[at].miss_share.estimate)
    return tuple(sorted((*marked, *others[:_MOST_MISSED])))


def _bench_signals(one: ProcessMonth) -> str:
    found = [
        *(t("missed: {what}", what=t(what)) for what in one.miss_signals),
        *(t("not recorded: {what}", what=t(what)) for what in one.gap_signals),
    ]
    if found:
        return "; ".join(found)
    return t("no signal") if isfinite(one.miss_high) or isfinite(one.gap_high) else t("not judged")

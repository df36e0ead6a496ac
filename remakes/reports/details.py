"""Behind the front page: every table, and what the words mean."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from itertools import groupby
from math import isfinite
from typing import TYPE_CHECKING, Final

from remakes import words
from remakes.reports.bench_details import WITHOUT, bench
from remakes.reports.document import Cell, Column, Section, Table
from remakes.reports.front import CHANGED, SOURCES, harm_item, is_recent
from remakes.reports.glossary import CAUTIONS, GLOSSARY
from remakes.reports.month_table import month_signals
from remakes.reports.review import LATEST, LISTED, Review, last_rows, period, said, up_to
from remakes.reports.unmarked import has_signal, is_told, unmarked
from remakes.texts import t, tn

if TYPE_CHECKING:
    from remakes.trends.changed.changed import WhatChanged
    from remakes.trends.months.delivery_months import DeliveryShare
    from remakes.trends.months.report_months import JudgedDefect
    from remakes.trends.sources.figures import SourceFigure, Sources

__all__ = ["details"]

#: Months whose entries may still be coming in.
_ENTERED: Final = 6
#: Lots and machines that go on paper, besides those that stand out.
_SOURCES: Final = 8
#: Requirements in the table of a change that go on paper.
_FACTORS: Final = 5
#: Months in service within which returns are counted on paper.
_SPAN: Final = 3


def details(review: Review) -> tuple[Section, ...]:
    """The tables behind the front page, then methods and cautions in plain words.

    Printed is what somebody would act on; every row is in the workbook, and the report says so.
    """
    tables = (
        *_harm(review),
        *(_months(one, review) for one in review.report_months.defects),
        *unmarked(review),
        *_deliveries(review.delivery_shares, review.month),
        *_entered(review),
        *(_changed(defect, one) for defect, one in review.changed.items() if _told(defect, review)),
        _lots_and_machines(review.sources),
        _clinics(review.clinics),
        *bench(review),
    )
    return (
        *tables,
        *_not_printed(tables),
        Section(heading=t("What the words mean"), items=tuple(map(t, GLOSSARY))),
        Section(heading=t("Cautions"), items=tuple(map(t, CAUTIONS))),
    )


def _harm(review: Review) -> Iterable[Section]:
    """The whole list, where the front had no room for it: an open report is never left out."""
    if len(review.harm) > LISTED:
        reports = sorted(review.harm, key=lambda one: not one.is_open)
        yield Section(heading=t("All reports of suspected harm of the month"), items=tuple(map(harm_item, reports)))


def _months(defect: JudgedDefect, review: Review) -> Section:
    latest = up_to(defect, review.month).months[-LATEST:]
    name = words.defect(defect.defect)
    false = defect.false_alarm_months
    told = is_told(defect, review)
    return Section(
        heading=t("{name}, month by month", name=name),
        sentences=said(defect.sentence, defect.missing),
        table=Table(
            sheet=t("Months"),
            caption=t("{name}: returns by month of report", name=name),
            columns=(
                Column(name=t("month"), kind="month"),
                Column(name=t("returns"), kind="number"),
                Column(name=t("still to come"), kind="number", digits=1),
                Column(name=t("restoration-months in service"), kind="number"),
                Column(name=t("expected"), kind="number", digits=1),
                Column(name=t("limits from"), kind="number"),
                Column(name=t("to"), kind="number"),
                Column(name=t("signal")),
            ),
            rows=tuple(
                (
                    one.month,
                    one.returns,
                    one.expected_late,
                    one.at_risk_months,
                    one.expected,
                    one.low,
                    one.high,
                    month_signals(one),
                )
                for one in latest
            ),
            group=(t("defect"), name),
            on_paper=last_rows(len(latest)) if told else (),
        ),
        notes=(t("The rules of this table give one false signal in about {false:.0f} months on average.", false=false),)
        if isfinite(false)
        else (),
        workbook_only=not told,
    )


def _deliveries(shares: Sequence[DeliveryShare], month: str) -> Iterable[Section]:
    """One table for each time in service, all defects together; one of them on paper."""
    wanted = (one for one in shares if one.defect == "all" and one.month <= month)
    every = sorted(wanted, key=lambda one: (one.within_months, one.month))
    printed_one = _printed_span({one.within_months for one in every})
    for within, found in groupby(every, key=lambda one: one.within_months):
        latest = [*found][-LATEST:]
        yield Section(
            heading=tn(
                within, "Deliveries that came back within {n:,} month", "Deliveries that came back within {n:,} months"
            ),
            table=Table(
                sheet=t("Deliveries"),
                caption=tn(
                    within,
                    "Returned within {n:,} month of delivery, any defect, by month of delivery",
                    "Returned within {n:,} months of delivery, any defect, by month of delivery",
                ),
                columns=(
                    Column(name=t("delivered in"), kind="month"),
                    Column(name=t("restorations"), kind="number"),
                    Column(name=t("returned so far"), kind="number"),
                    Column(name=t("share returned (95 % range)"), kind="share interval", digits=1),
                    Column(name=t("still watched at the end"), kind="number"),
                    Column(name=t("time in service")),
                ),
                rows=tuple(
                    (one.month, one.delivered, one.returned, one.share, one.followed, _age(one)) for one in latest
                ),
                group=(t("returned within"), words.counted(within, "month")),
                on_paper=last_rows(len(latest)) if within == printed_one else (),
            ),
            workbook_only=within != printed_one,
        )


def _printed_span(spans: Collection[int]) -> int:
    """The time in service whose table is printed: three months, long enough to see much and short enough to be told."""
    return min(spans, key=lambda one: (abs(one - _SPAN), one), default=_SPAN)


def _age(one: DeliveryShare) -> str:
    if one.mature:
        return t("observed long enough")
    return t("still too young: more may come") if isfinite(one.share.estimate) else t("nobody observed that long yet")


def _entered(review: Review) -> Iterable[Section]:
    nowcast = review.nowcast
    latest = nowcast.of("all")[-_ENTERED:]
    # A recent month has these words on the front.
    told = is_recent(review)
    sentences = () if told else said(nowcast.sentence, nowcast.missing)
    checked = (t(review.back_test.sentence),) if review.back_test is not None and not told else ()
    yield Section(
        heading=t("What is still to be entered"),
        sentences=(*sentences, *checked),
        table=Table(
            sheet=t("Still to be entered"),
            caption=t("Returns of the latest months, all defects"),
            columns=(
                Column(name=t("month"), kind="month"),
                Column(name=t("entered so far"), kind="number"),
                Column(
                    name=t("still to come ({level} range)", level=words.per_cent(nowcast.level, digits=0)),
                    kind="interval",
                    digits=1,
                ),
                Column(name=t("share entered"), kind="share"),
            ),
            rows=tuple((one.month, one.reported, one.late, one.completeness) for one in latest),
        ),
    )


def _told(defect: str, review: Review) -> bool:
    """All defects together always, a single one where the month gives it a signal."""
    return defect == "all" or any(
        one.defect == defect and has_signal(one, review) for one in review.report_months.defects
    )


def _changed(defect: str, changed: WhatChanged) -> Section:
    name = words.defect(defect)
    rows: tuple[tuple[Cell, ...], ...] = (
        (t("all together"), changed.difference),
        *((t(one.label), one.returns) for one in changed.parts),
    )
    return Section(
        heading=t("What changed: {name}", name=words.defect_within(defect)),
        sentences=said(changed.sentence, changed.missing),
        table=Table(
            sheet=t(CHANGED),
            caption=t(
                "{name}: {after}, against {before}",
                name=name,
                after=period(changed.after),
                before=period(changed.before),
            ),
            columns=(
                Column(name=t("goes with")),
                Column(name=t("change in returns (95 % range)"), kind="change", digits=1),
            ),
            rows=rows if changed.enough else (),
            group=(t("defect"), name),
            on_paper=_worth_paper(changed),
        ),
    )


def _worth_paper(changed: WhatChanged) -> tuple[int, ...]:
    """Everything but the many requirements that go with next to nothing: of these the largest few."""
    factors = [
        at
        for at, one in enumerate(changed.parts, start=1)
        if one.part.startswith("factor:") and isfinite(one.returns.estimate)
    ]
    largest = sorted(factors, key=lambda at: -abs(changed.parts[at - 1].returns.estimate))[:_FACTORS]
    others = [at for at, one in enumerate(changed.parts, start=1) if not one.part.startswith("factor:")]
    return (0, *sorted((*largest, *others)))


def _lots_and_machines(found: Sources) -> Section:
    return Section(
        heading=t(SOURCES),
        sentences=said(found.sentence, found.missing),
        table=_source_table(
            found, sheet=t("Lots and machines"), caption=t("Returns of lots and machines against expected")
        ),
        notes=(t("A restoration made with two lots at one step counts with both."),) if found.figures else (),
    )


def _clinics(found: Sources) -> Section:
    return Section(
        heading=t("Clinics, by code"),
        sentences=(
            t(
                "To start a conversation, not to rank anybody: clinics differ in cases, in what they see and "
                "in what they send back."
            ),
            *said(found.sentence, found.missing),
        ),
        table=_source_table(found, sheet=t("Clinics"), caption=t("Returns of clinics against expected"), by_code=True),
    )


def _source_table(found: Sources, *, sheet: str, caption: str, by_code: bool = False) -> Table:
    figures = found.figures
    if by_code:
        # Only who stands out is printed, all by their codes: a list of the worst would be a ranking.
        figures = tuple(sorted(figures, key=lambda one: (one.defect != "all", one.code, one.defect)))
    return Table(
        sheet=sheet,
        caption=caption,
        columns=(
            *((Column(name=t("clinic")),) if by_code else (Column(name=t("step, kind and code")),)),
            Column(name=t("defect")),
            Column(name=t("restorations") if by_code else t("made with it"), kind="number"),
            Column(name=t("in service"), kind="number"),
            Column(name=t("returns"), kind="number"),
            Column(name=t("expected"), kind="number", digits=1),
            Column(name=t("ratio (95 % range)"), kind="interval", digits=1),
            Column(name=t("q"), kind="number", digits=3),
            Column(name=t("stands out")),
        ),
        rows=tuple(_source_row(one) for one in figures),
        note=t(WITHOUT) if found.figures else "",
        on_paper=tuple(at for at, one in enumerate(figures) if one.stands_out or (at < _SOURCES and not by_code)),
    )


def _source_row(one: SourceFigure) -> tuple[Cell, ...]:
    return (
        t(one.name) if one.what != "clinic" else one.code,
        words.defect(one.defect),
        one.restorations,
        one.still_in_service,
        one.observed,
        one.expected,
        one.ratio,
        one.q,
        _stands_out(one),
    )


def _stands_out(one: SourceFigure) -> str:
    if one.stands_out:
        return (
            t("yes, or {listed}", listed=words.listed(map(t, one.hard_to_tell_from), joint="or"))
            if one.hard_to_tell_from
            else t("yes")
        )
    return t("no") if isfinite(one.q) else t("not tested")


def _not_printed(sections: Iterable[Section]) -> Iterable[Section]:
    """Which tables the workbook has whole, by sheet."""
    left: dict[str, int] = {}
    for one in sections:
        if one.table is not None and one.table.left_out:
            left[one.table.sheet] = left.get(one.table.sheet, 0) + len(one.table.rows) - len(one.table.printed_rows)
    if left:
        yield Section(
            heading=t("Only in the workbook"),
            sentences=(t("The report can be had as a workbook (XLSX) too. It has every row, these among them:"),),
            items=tuple(
                t("sheet {sheet}: {counted}", sheet=sheet, counted=words.counted(rows, "further row"))
                for sheet, rows in left.items()
            ),
        )

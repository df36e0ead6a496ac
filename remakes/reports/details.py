"""Behind the front page: every table, and what the words mean."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from itertools import groupby
from math import isfinite
from typing import TYPE_CHECKING, Final

from remakes import words
from remakes.reports.document import Cell, Column, Figure, Section, Table
from remakes.reports.front import CHANGED, SOURCES, month_signals, period
from remakes.reports.glossary import CAUTIONS, GLOSSARY
from remakes.reports.review import LATEST, Review, process_month, requirement, said, up_to
from remakes.texts import later, t, tn

if TYPE_CHECKING:
    from remakes.trends.changed.changed import WhatChanged
    from remakes.trends.months.delivery_months import DeliveryShare
    from remakes.trends.months.process_months import ProcessFactor, ProcessMonth
    from remakes.trends.months.report_months import JudgedDefect
    from remakes.trends.sources.figures import SourceFigure, Sources

__all__ = ["details"]

#: Months whose entries may still be coming in.
_ENTERED: Final = 6
#: Rows of the long lists that go on paper.
_ON_PAPER: Final = 40
_WITHOUT: Final = later("– : not judged, or cannot be estimated.")


def details(review: Review) -> tuple[Section, ...]:
    """The tables behind the front page, then methods and cautions in plain words."""
    return (
        *(_months(one, review.month) for one in review.report_months.defects),
        *_deliveries(review.delivery_shares, review.month),
        *_entered(review),
        *(_changed(defect, one) for defect, one in review.changed.items() if _told(defect, review)),
        _lots_and_machines(review.sources),
        _clinics(review.clinics),
        *_bench(review),
        Section(heading=t("What the words mean"), items=tuple(map(t, GLOSSARY))),
        Section(heading=t("Cautions"), items=tuple(map(t, CAUTIONS))),
    )


def _months(defect: JudgedDefect, month: str) -> Section:
    latest = up_to(defect, month).months[-LATEST:]
    name = words.defect(defect.defect)
    false = defect.false_alarm_months
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
                Column(name=t("limits from"), kind="number", digits=1),
                Column(name=t("to"), kind="number", digits=1),
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
            # Counts that nothing can be said about would fill pages.
            on_paper=None if defect.enough or defect.defect == "all" else 0,
        ),
        notes=(t("The rules of this table give one false signal in about {false:.0f} months on average.", false=false),)
        if isfinite(false)
        else (),
    )


def _deliveries(shares: Sequence[DeliveryShare], month: str) -> Iterable[Section]:
    """One table for each time in service, all defects together."""
    wanted = (one for one in shares if one.defect == "all" and one.month <= month)
    every = sorted(wanted, key=lambda one: (one.within_months, one.month))
    for within, found in groupby(every, key=lambda one: one.within_months):
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
                    (one.month, one.delivered, one.returned, one.share, one.followed, _age(one))
                    for one in [*found][-LATEST:]
                ),
                group=(t("returned within"), words.counted(within, "month")),
            ),
        )


def _age(one: DeliveryShare) -> str:
    if one.mature:
        return t("observed long enough")
    return t("still too young: more may come") if isfinite(one.share.estimate) else t("nobody observed that long yet")


def _entered(review: Review) -> Iterable[Section]:
    nowcast = review.nowcast
    latest = nowcast.of("all")[-_ENTERED:]
    sentences = said(nowcast.sentence, nowcast.missing)
    checked = (t(review.back_test.sentence),) if review.back_test is not None else ()
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
    if defect == "all":
        return True
    return any(
        month.month == review.month and month.signals
        for one in review.report_months.defects
        if one.defect == defect
        for month in one.months
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
        figure=_parts(changed, name) if changed.enough and defect == "all" else None,
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
        ),
    )


def _parts(changed: WhatChanged, name: str) -> Figure:
    from remakes.charts.changed import parts

    return Figure(
        chart=parts(changed),
        alternative=t(
            "{name}: what the change in returns goes with, with ranges. The table below has the figures.", name=name
        ),
        own_height=True,
    )


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
        # All defects together on paper, each defect in the workbook.
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
        note=t(_WITHOUT) if found.figures else "",
        on_paper=sum(1 for one in figures if one.defect == "all") if by_code else _ON_PAPER,
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


def _bench(review: Review) -> Iterable[Section]:
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
        ),
        notes=tuple(one for one in (t(_WITHOUT) if found else "", missing) if one),
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
        ),
    )


def _bench_table(
    sheet: str,
    caption: str,
    first: Column,
    rows: Sequence[tuple[str, ProcessMonth]],
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
    )


def _bench_signals(one: ProcessMonth) -> str:
    found = [
        *(t("missed: {what}", what=t(what)) for what in one.miss_signals),
        *(t("not recorded: {what}", what=t(what)) for what in one.gap_signals),
    ]
    if found:
        return "; ".join(found)
    return t("no signal") if isfinite(one.miss_high) or isfinite(one.gap_high) else t("not judged")

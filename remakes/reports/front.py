"""The page for the meeting: harm first, then whether the month is different, and what to look at."""

from __future__ import annotations

from collections.abc import Iterable
from math import isfinite
from typing import TYPE_CHECKING, Final

from remakes import words
from remakes.reports.document import Cell, Column, Figure, Section, Table, signed
from remakes.reports.review import Review, month_of, process_month, requirement, said, up_to

if TYPE_CHECKING:
    from remakes.trends.changed.changed import WhatChanged
    from remakes.trends.months.process_months import ProcessMonth
    from remakes.trends.months.report_months import JudgedDefect, JudgedMonth
    from remakes.trends.sources.figures import SourceFigure

__all__ = ["BENCH", "CHANGED", "SOURCES", "front", "month_signals", "period"]

CHANGED: Final = "What changed"
BENCH: Final = "At the bench"
SOURCES: Final = "Lots and machines, all records so far"
#: Entries of a list on the front, which has one page.
_LISTED: Final = 5
_PARTS: Final = 3
#: Latest months whose entries may still be coming in.
_ENTERING: Final = 4
#: Defects in the front's table besides all together.
_DEFECTS: Final = 7


def front(review: Review) -> tuple[Section, ...]:
    """Everything a meeting has to decide on, in the order it should come up."""
    harm = (_harm(review),) if review.harm else ()
    return (*harm, _different(review), _changed(review), _sources(review), _bench(review), _how_sure(review))


def month_signals(one: JudgedMonth) -> str:
    """What a table says about a month: its signals, or why there are none."""
    if not one.complete:
        return "still coming in"
    if not isfinite(one.expected):
        return "counted, not judged"
    return ", ".join(one.signals) or "none"


def period(months: tuple[str, ...]) -> str:
    """Months following each other: `April 2026 to June 2026`."""
    if not months:
        return "no month"
    first, last = words.month(months[0]), words.month(months[-1])
    return first if len(months) == 1 else f"{first} to {last}"


def _cut(items: Iterable[str], where: str, *, most: int = _LISTED) -> tuple[str, ...]:
    """The first few, and how many more there are."""
    found = list(items)
    more = len(found) - most
    return (*found[:most], f"and {more:,} more, see {where}") if more > 0 else tuple(found)


def _harm(review: Review) -> Section:
    items = (
        f"{words.day(day)}: {words.defect(defect)}, restoration {restoration} (return {number})"
        for number, restoration, day, defect in review.harm
    )
    return Section(
        heading=f"{words.counted(len(review.harm), 'report')} of suspected harm",
        sentences=(
            "Apart from all statistics: one is enough. Has the dentist been told the same day, has the piece been "
            "kept, is it written down who was told and when?",
        ),
        items=_cut(items, "the records"),
        urgent=True,
    )


def _different(review: Review) -> Section:
    every = review.report_months.of("all")
    month = month_of(every, review.month)
    sentences = [_headline(month, every, review), _by_defect(review)]
    if month is not None and isfinite(month.expected) and _is_latest(every, month):
        sentences.append(every.sentence)
    shown = up_to(every, review.month)
    return Section(
        heading="Is this month different?",
        sentences=tuple(one for one in sentences if one),
        figure=_figure(shown, review) if shown.months else None,
        table=_table(review),
        notes=() if review.harm else ("No return of this month was entered as suspected harm.",),
    )


def _is_latest(every: JudgedDefect, month: JudgedMonth) -> bool:
    """The results speak of the latest complete month; a report of an earlier one must not borrow their words."""
    return month.month == max((one.month for one in every.months if one.complete), default="")


def _headline(month: JudgedMonth | None, every: JudgedDefect, review: Review) -> str:
    name = words.month(review.month)
    if month is None:
        return f"The records hold nothing for {name}."
    seen = words.counted(month.returns, "return")
    if not month.complete:
        late = f", about {month.expected_late:.0f} still to be entered" if month.expected_late >= 0.5 else ""
        return f"{name} cannot be judged yet: {seen} so far{late}. It is shown as it stands."
    if not isfinite(month.expected):
        return f"{name}: {seen}. Not judged: {every.missing or 'there is no expected number for this month.'}"
    against = f"{seen} where {month.expected:.1f} were expected (common variation: {_limits(month)})"
    if month.signals:
        return f"Yes. {name} is different: {against}. Signal: {words.listed(month.signals)}."
    return f"No. {name} is within common variation: {against}."


def _limits(month: JudgedMonth) -> str:
    return f"{month.low:.1f} to {month.high:.1f}"


def _by_defect(review: Review) -> str:
    found = [
        f"{words.defect(one.defect)} ({words.listed(month.signals)})"
        for one in review.report_months.defects
        if one.defect != "all" and (month := month_of(one, review.month)) is not None and month.signals
    ]
    more = len(found) - _LISTED
    shown = words.listed([*found[:_LISTED], *((f"{more:,} more",) if more > 0 else ())])
    return f"Defects with a signal: {shown}." if found else ""


def _figure(shown: JudgedDefect, review: Review) -> Figure:
    from remakes.charts.report_months import judged_months

    last = shown.months[-1]
    judged = isfinite(last.expected) and last.complete
    against = f", {last.expected:.1f} expected, common variation {_limits(last)}" if judged else ""
    signals = [words.month(one.month) for one in shown.months if one.signals]
    marked = f"Months with a signal: {words.listed(signals)}." if signals else "No month has a signal."
    return Figure(
        chart=judged_months(shown, nowcast=review.nowcast.of("all")),
        alternative=(
            f"Returns by month of report, all defects, {period(tuple(one.month for one in shown.months))}. "
            f"{words.month(last.month)}: {words.counted(last.returns, 'return')}{against}. {marked}"
        ),
    )


def _table(review: Review) -> Table:
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
        sheet="This month",
        caption=f"Returns reported in {words.month(review.month)}",
        columns=(
            Column(name="defect"),
            Column(name="returns", kind="number"),
            Column(name="still to come", kind="number", digits=1),
            Column(name="expected", kind="number", digits=1),
            Column(name="limits from", kind="number", digits=1),
            Column(name="to", kind="number", digits=1),
            Column(name="signal"),
        ),
        rows=rows,
        on_paper=_DEFECTS + 1,
    )


def _changed(review: Review) -> Section:
    changed = review.changed.get("all")
    if changed is None:
        return Section(heading=CHANGED, sentences=("There are not two periods to set against each other yet.",))
    if not changed.enough:
        return Section(heading=CHANGED, sentences=said(_counts(changed), changed.sentence, changed.missing))
    largest = sorted(
        (one for one in changed.parts if one.part != "rest" and isfinite(one.returns.estimate)),
        key=lambda one: -abs(one.returns.estimate),
    )[:_PARTS]
    rest = [one for one in changed.parts if one.part == "rest"]
    return Section(
        heading=CHANGED,
        sentences=(f"{period(changed.after)}, against {period(changed.before)}. {changed.sentence}",),
        items=tuple(f"{one.label}: {signed(one.returns)} returns" for one in (*largest, *rest)),
    )


def _counts(changed: WhatChanged) -> str:
    if not (changed.before and changed.after):
        return ""
    return (
        f"{words.counted(changed.returns_after, 'return')} in {period(changed.after)}, "
        f"{changed.returns_before:,} in {period(changed.before)}."
    )


def _sources(review: Review) -> Section:
    found = review.sources
    named = [_quarantine(one) for one in found.figures if one.stands_out]
    if found.enough and named:
        return Section(heading=SOURCES, items=_cut(named, "the details"))
    return Section(heading=SOURCES, sentences=said(found.sentence, found.missing))


def _quarantine(one: SourceFigure) -> str:
    defect = "" if one.defect == "all" else f" with {words.defect(one.defect).lower()}"
    others = words.listed(one.hard_to_tell_from, joint="or")
    alike = f" It may be {others} instead, which shares so many of them: check both." if others else ""
    return (
        f"Quarantine and check {one.name}: {words.counted(one.observed, 'return')}{defect} where "
        f"{one.expected:.1f} were expected, {words.interval(one.ratio)} times as many; "
        f"{words.counted(one.still_in_service, 'restoration')} made with it still in service.{alike}"
    )


def _bench(review: Review) -> Section:
    found = [
        f"{requirement(review.standard, factor.factor)}: {signals}"
        for factor in review.process
        if (month := process_month(factor, review.month)) is not None and (signals := _at_the_bench(month))
    ]
    judged = sum(1 for one in review.process if _is_judged(process_month(one, review.month)))
    if found:
        sentence = f"Requirements with a signal among the deliveries of {words.month(review.month)}:"
    elif judged:
        sentence = (
            f"No signal among the deliveries of {words.month(review.month)}; "
            f"{judged:,} of {words.counted(len(review.process), 'requirement')} could be judged in that month."
        )
    else:
        missing = next((one.missing for one in review.process if one.missing), "")
        sentence = missing or f"No requirement could be judged in {words.month(review.month)}."
    return Section(heading=BENCH, sentences=(sentence,), items=_cut(found, "the details"))


def _is_judged(month: ProcessMonth | None) -> bool:
    return month is not None and (isfinite(month.miss_high) or isfinite(month.gap_high))


def _at_the_bench(month: ProcessMonth) -> str:
    found = []
    if month.miss_signals:
        usual = f"common variation {words.per_cent(month.miss_low)} to {words.per_cent(month.miss_high)}"
        found.append(f"missed in {words.share(month.miss_share)}, {usual}: {words.listed(month.miss_signals)}")
    if month.gap_signals:
        usual = f"common variation {words.per_cent(month.gap_low)} to {words.per_cent(month.gap_high)}"
        found.append(f"not recorded in {words.share(month.gap_share)}, {usual}: {words.listed(month.gap_signals)}")
    return "; ".join(found)


def _how_sure(review: Review) -> Section:
    every = review.report_months.of("all")
    items: list[str] = []
    # What is still to be entered says nothing about a month of long ago.
    if review.month in [one.month for one in review.nowcast.of("all")[-_ENTERING:]] or not review.nowcast.enough:
        items += said(review.nowcast.sentence, review.nowcast.missing)
        items += [review.back_test.sentence] if review.back_test is not None else []
    if isfinite(every.false_alarm_months):
        items.append(
            f"Nothing need have happened behind a signal: the rules for all defects together give a false one in about "
            f"{every.false_alarm_months:.0f} months on average, and each defect of the table has rules of its own."
        )
    items.append(
        "Expected numbers come from earlier months, by age of the restorations and kind of work. Ranges in brackets "
        "hold 95 of 100 times. What goes with a change need not have made it."
    )
    return Section(heading="How sure is this?", items=tuple(one for one in items if one))

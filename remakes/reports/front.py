"""The page for the meeting: harm first, then whether the month is different, and what to decide."""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING, Final

from remakes import words
from remakes.reports.decide import to_decide
from remakes.reports.document import Section, signed
from remakes.reports.month_table import month_table
from remakes.reports.review import (
    LISTED,
    Review,
    cut,
    limits,
    month_of,
    period,
    process_month,
    requirement,
    said,
    says_more,
)
from remakes.texts import later, raised, run_on, t, tn

if TYPE_CHECKING:
    from remakes.records.harm import HarmReport
    from remakes.trends.changed.changed import WhatChanged
    from remakes.trends.months.process_months import ProcessMonth
    from remakes.trends.months.report_months import JudgedDefect, JudgedMonth
    from remakes.trends.sources.figures import SourceFigure

__all__ = ["CHANGED", "SOURCES", "front", "harm_item", "is_latest", "is_recent"]

CHANGED: Final = later("What changed")
SOURCES: Final = later("Lots and machines, all records so far")
_PARTS: Final = 3
#: Latest months whose entries may still be coming in.
_ENTERING: Final = 4


def front(review: Review) -> tuple[Section, ...]:
    """Everything a meeting has to decide on, in the order it should come up."""
    harm = (_harm(review),) if review.harm else ()
    answer = (*harm, _different(review), to_decide(review))
    return (*answer, _changed(review), _sources(review), _bench(review), _how_sure(review))


def _harm(review: Review) -> Section:
    # What is open comes first: the front has one page, and the end of a long list stands elsewhere.
    reports = sorted(review.harm, key=lambda one: not one.is_open)
    still_open = any(one.is_open for one in reports)
    return Section(
        heading=tn(len(reports), "{n:,} report of suspected harm", "{n:,} reports of suspected harm"),
        sentences=(
            t(
                "Apart from all statistics: one is enough. Has the dentist been told the same day, has the "
                "piece been kept, is it written down who was told and when?"
            )
            if still_open
            else t("Apart from all statistics, and dealt with: what was done stands on the page Today."),
        ),
        items=cut(map(harm_item, reports), t("the details")),
        urgent=still_open,
    )


def harm_item(one: HarmReport) -> str:
    """One report of suspected harm in a line."""
    names = {
        "day": words.day(one.reported_on),
        "defect": words.listed(map(words.defect, one.defects)),
        "restoration": one.restoration_id,
        "number": one.return_id,
    }
    if one.is_open or one.last is None:
        return t("{day}: {defect}, restoration {restoration} (return {number}): open", **names)
    return t(
        "{day}: {defect}, restoration {restoration} (return {number}): dealt with on {dealt}",
        dealt=words.day(one.last.day),
        **names,
    )


def _different(review: Review) -> Section:
    every = review.report_months.of("all")
    month = month_of(every, review.month)
    sentences = [_headline(month, every, review), _by_defect(review)]
    if month is not None and isfinite(month.expected) and is_latest(every, month) and says_more(every):
        sentences.append(t(every.sentence))
    return Section(
        heading=t("Is this month different?"),
        sentences=tuple(one for one in sentences if one),
        table=month_table(review),
        notes=() if review.harm else (t("No return of this month was entered as suspected harm."),),
    )


def is_latest(every: JudgedDefect, month: JudgedMonth) -> bool:
    """The results speak of the latest complete month; a report of an earlier one must not borrow their words."""
    return month.month == max((one.month for one in every.months if one.complete), default="")


def _headline(month: JudgedMonth | None, every: JudgedDefect, review: Review) -> str:
    name = words.month(review.month)
    if month is None:
        return t("The records hold nothing for {name}.", name=name)
    seen = words.counted(month.returns, "return")
    if not month.complete:
        return t(
            "{name} cannot be judged yet: {seen} so far, about {expected_late:.0f} still to be entered. It is shown as "
            "it stands."
            if month.expected_late >= 0.5
            else "{name} cannot be judged yet: {seen} so far. It is shown as it stands.",
            name=name,
            seen=seen,
            expected_late=month.expected_late,
        )
    if not isfinite(month.expected):
        return t(
            "{name}: {seen}. Not judged: {why}",
            name=name,
            seen=seen,
            why=t(every.missing) if every.missing else t("there is no expected number for this month."),
        )
    against = t(
        "{seen} where {expected:.1f} were expected (common variation: {limits})",
        seen=seen,
        expected=month.expected,
        limits=limits(month),
    )
    if month.signals:
        return t(
            "Yes. {name} is different: {against}. Signal: {listed}.",
            name=name,
            against=against,
            listed=words.listed(map(t, month.signals)),
        )
    return t("No. {name} is within common variation: {against}.", name=name, against=against)


def _by_defect(review: Review) -> str:
    found = [
        t("{defect} ({signals})", defect=words.defect(one.defect), signals=words.listed(map(t, month.signals)))
        for one in review.report_months.defects
        if one.defect != "all" and (month := month_of(one, review.month)) is not None and month.signals
    ]
    more = len(found) - LISTED
    shown = words.listed([*found[:LISTED], *((t("{more:,} more", more=more),) if more > 0 else ())])
    return t("Defects with a signal: {shown}.", shown=shown) if found else ""


def _changed(review: Review) -> Section:
    changed = review.changed.get("all")
    if changed is None:
        return Section(heading=t(CHANGED), sentences=(t("There are not two periods to set against each other yet."),))
    if not changed.enough:
        return Section(heading=t(CHANGED), sentences=said(_counts(changed), changed.sentence, changed.missing))
    largest = sorted(
        (one for one in changed.parts if one.part != "rest" and isfinite(one.returns.estimate)),
        key=lambda one: -abs(one.returns.estimate),
    )[:_PARTS]
    rest = [one for one in changed.parts if one.part == "rest"]
    return Section(
        heading=t(CHANGED),
        sentences=(
            t(
                "{after}, against {before}. {sentence}",
                after=period(changed.after),
                before=period(changed.before),
                sentence=t(changed.sentence),
            ),
        ),
        items=tuple(
            t("{label}: {change} returns", label=t(one.label), change=signed(one.returns)) for one in (*largest, *rest)
        ),
    )


def _counts(changed: WhatChanged) -> str:
    if not (changed.before and changed.after):
        return ""
    return t(
        "{counted} in {period}, {returns_before:,} in {period_2}.",
        counted=words.counted(changed.returns_after, "return"),
        period=period(changed.after),
        returns_before=changed.returns_before,
        period_2=period(changed.before),
    )


def _sources(review: Review) -> Section:
    found = review.sources
    named = [_standing_out(one) for one in found.figures if one.stands_out]
    if found.enough and named:
        return Section(heading=t(SOURCES), items=cut(named, t("the details")))
    return Section(heading=t(SOURCES), sentences=said(found.sentence, found.missing))


def _standing_out(one: SourceFigure) -> str:
    others = words.listed(map(t, one.hard_to_tell_from), joint="or")
    alike = t("It may be {others} instead, which shares so many of them: check both.", others=others) if others else ""
    told = t(
        "{name}: {counted} where {expected:.1f} were expected, {interval} times as many; "
        "{in_service} made with it still in service."
        if one.defect == "all"
        else "{name}: {counted} with {defect} where {expected:.1f} were expected, {interval} "
        "times as many; {in_service} made with it still in service.",
        name=raised(t(one.name)),
        counted=words.counted(one.observed, "return"),
        defect=words.defect_within(one.defect),
        expected=one.expected,
        interval=words.interval(one.ratio),
        in_service=words.counted(one.still_in_service, "restoration"),
    )
    return run_on(told, alike)


def _bench(review: Review) -> Section:
    found = [
        t("{requirement}: {signals}", requirement=requirement(review.standard, factor.factor), signals=signals)
        for factor in review.process
        if (month := process_month(factor, review.month)) is not None and (signals := _at_the_bench(month))
    ]
    judged = sum(1 for one in review.process if _is_judged(process_month(one, review.month)))
    if found:
        sentence = t("Requirements with a signal among the deliveries of {month}:", month=words.month(review.month))
    elif judged:
        sentence = t(
            "No signal among the deliveries of {month}; {judged:,} of {counted} could be judged in that month.",
            month=words.month(review.month),
            judged=judged,
            counted=words.counted(len(review.process), "requirement"),
        )
    else:
        missing = next((one.missing for one in review.process if one.missing), "")
        sentence = (
            t(missing) if missing else t("No requirement could be judged in {month}.", month=words.month(review.month))
        )
    return Section(heading=t("At the bench"), sentences=(sentence,), items=cut(found, t("the details")))


def _is_judged(month: ProcessMonth | None) -> bool:
    return month is not None and (isfinite(month.miss_high) or isfinite(month.gap_high))


def _at_the_bench(month: ProcessMonth) -> str:
    found = []
    if month.miss_signals:
        usual = t(
            "common variation {per_cent} to {per_cent_2}",
            per_cent=words.per_cent(month.miss_low),
            per_cent_2=words.per_cent(month.miss_high),
        )
        found.append(
            t(
                "missed in {share}, {usual}: {listed}",
                share=words.share(month.miss_share),
                usual=usual,
                listed=words.listed(map(t, month.miss_signals)),
            )
        )
    if month.gap_signals:
        usual = t(
            "common variation {per_cent} to {per_cent_2}",
            per_cent=words.per_cent(month.gap_low),
            per_cent_2=words.per_cent(month.gap_high),
        )
        found.append(
            t(
                "not recorded in {share}, {usual}: {listed}",
                share=words.share(month.gap_share),
                usual=usual,
                listed=words.listed(map(t, month.gap_signals)),
            )
        )
    return "; ".join(found)


def is_recent(review: Review) -> bool:
    """May entries of the month still be missing? What is still to be entered says nothing of a month of long ago."""
    return not review.nowcast.enough or review.month in [one.month for one in review.nowcast.of("all")[-_ENTERING:]]


def _how_sure(review: Review) -> Section:
    every = review.report_months.of("all")
    items: list[str] = []
    if is_recent(review):
        items += said(review.nowcast.sentence, review.nowcast.missing)
        items += [t(review.back_test.sentence)] if review.back_test is not None else []
    if isfinite(every.false_alarm_months):
        items.append(
            t(
                "Nothing need have happened behind a signal: the rules for all defects together give a false "
                "one in about {false_alarm_months:.0f} months on average, and each defect of the table has "
                "rules of its own.",
                false_alarm_months=every.false_alarm_months,
            )
        )
    items.append(
        t(
            "Expected numbers come from earlier months, by age of the restorations and kind of work. "
            "Ranges in brackets hold 95 of 100 times. What goes with a change need not have made it."
        )
    )
    return Section(heading=t("How sure is this?"), items=tuple(one for one in items if one))

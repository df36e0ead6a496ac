"""The page of charts: all defects month by month, those that stand out, and what a change goes with."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import isfinite
from typing import TYPE_CHECKING, Final

from remakes import words
from remakes.reports.document import Figure, Section
from remakes.reports.review import Review, limits, month_of, period, requirement, up_to
from remakes.texts import t

if TYPE_CHECKING:
    from remakes.trends.changed.changed import Part, WhatChanged
    from remakes.trends.months.report_months import JudgedDefect

__all__ = ["drawn"]

#: Single defects drawn, as many as the page has room for: with the chart of what changed, and without it.
_DRAWN: Final = {True: 1, False: 2}
#: Rows of a chart stand closer on paper than under a finger.
_DENSER: Final = 0.6
#: Letters of a requirement beside a plot.
_BESIDE: Final = 44


def drawn(review: Review) -> tuple[Section, ...]:
    """The charts of the meeting; each says in words what it shows."""
    every = up_to(review.report_months.of("all"), review.month)
    changed = tuple(_what_changed(review))
    single = _single(review)[: _DRAWN[bool(changed)]]
    return (*_months([every], review), *changed, *_months(single, review))


def _months(defects: Sequence[JudgedDefect], review: Review) -> Iterator[Section]:
    for one in defects:
        if one.months:
            yield Section(
                heading=t("{name}, month by month", name=words.defect(one.defect)), figure=_figure(one, review)
            )


def _single(review: Review) -> list[JudgedDefect]:
    """Single defects worth a chart: those with a signal in the month, then the most frequent."""
    judged = [one for one in review.report_months.defects if one.defect != "all" and one.enough]
    judged.sort(key=lambda one: not ((month := month_of(one, review.month)) is not None and month.signals))
    return [up_to(one, review.month) for one in judged]


def _figure(one: JudgedDefect, review: Review) -> Figure:
    from remakes.charts.report_months import judged_months

    last = one.months[-1]
    judged = isfinite(last.expected) and last.complete
    signals = [words.month(each.month) for each in one.months if each.signals]
    marked = (
        t("Months with a signal: {listed}.", listed=words.listed(signals)) if signals else t("No month has a signal.")
    )
    return Figure(
        chart=judged_months(one, nowcast=review.nowcast.of(one.defect)),
        alternative=t(
            "Returns by month of report, {defect}, {period}. {month}: {counted}, {expected:.1f} expected, "
            "common variation {limits}. {marked}"
            if judged
            else "Returns by month of report, {defect}, {period}. {month}: {counted}. {marked}",
            defect=words.defect_within(one.defect),
            period=period(tuple(each.month for each in one.months)),
            month=words.month(last.month),
            counted=words.counted(last.returns, "return"),
            expected=last.expected,
            limits=limits(last),
            marked=marked,
        ),
    )


def _what_changed(review: Review) -> Iterator[Section]:
    changed = review.changed.get("all")
    if changed is not None and changed.enough:
        yield Section(
            heading=t("What changed: {name}", name=words.defect_within("all")), figure=_parts(changed, review)
        )


def _parts(changed: WhatChanged, review: Review) -> Figure:
    from remakes.charts.changed import parts

    chart = parts(changed, names={one.part: name for one in changed.parts if (name := _beside(one, review))})
    return Figure(
        chart=chart.properties(height=round(_DENSER * float(chart.height))),
        alternative=t(
            "{name}: what the change in returns goes with, with ranges, {after} against {before}. The table of the "
            "details has the figures.",
            name=words.defect("all"),
            after=period(changed.after),
            before=period(changed.before),
        ),
        own_height=True,
    )


def _beside(one: Part, review: Review) -> str:
    """A requirement in its own words, as far as there is room; blank for any other part."""
    kind, _, factor = one.part.partition(":")
    if kind != "factor" or not factor:
        return ""
    return t("misses: {requirement}", requirement=words.short(requirement(review.standard, factor), most=_BESIDE))

"""The defects whose tables are not printed, in one list: what is known of each, and what cannot be told yet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from math import isfinite
from typing import TYPE_CHECKING

from remakes import words
from remakes.reports.document import Section
from remakes.reports.front import is_latest
from remakes.reports.review import Review, month_of, says_more
from remakes.texts import t

if TYPE_CHECKING:
    from remakes.trends.months.report_months import JudgedDefect

__all__ = ["has_signal", "is_told", "unmarked"]


def has_signal(defect: JudgedDefect, review: Review) -> bool:
    """Has the chosen month a signal for it?"""
    month = month_of(defect, review.month)
    return month is not None and bool(month.signals)


def is_told(defect: JudgedDefect, review: Review) -> bool:
    """Is its table printed? All together always, a single defect where the month gives it a signal."""
    return defect.defect == "all" or has_signal(defect, review)


def unmarked(review: Review) -> tuple[Section, ...]:
    """One section for all of them; none where every table is printed."""
    others = [one for one in review.report_months.defects if not is_told(one, review)]
    items = (*_judged([one for one in others if one.enough], review), *_not_judged(others))
    if not items:
        return ()
    return (
        Section(
            heading=t("Defects without a signal in this month"),
            items=items,
            notes=_false_alarms(review.report_months.defects),
        ),
    )


def _judged(found: Sequence[JudgedDefect], review: Review) -> Iterator[str]:
    quiet, counted = [], []
    for one in found:
        month = month_of(one, review.month)
        if month is None or not (month.complete and isfinite(month.expected)):
            counted.append(words.defect(one.defect))
        elif is_latest(one, month) and says_more(one):
            yield t("{defect}: {what}", defect=words.defect(one.defect), what=t(one.sentence))
        else:
            quiet.append(words.defect(one.defect))
    name = words.month(review.month)
    if quiet:
        yield t("No signal in {month}: {defects}.", month=name, defects=words.listed(quiet))
    if counted:
        yield t("Not judged in {month}, but in other months: {defects}.", month=name, defects=words.listed(counted))


def _not_judged(found: Sequence[JudgedDefect]) -> Iterator[str]:
    """Those that lack the same in one line: ten lines of the same words would hide the eleventh."""
    lacking = sorted((one for one in found if not one.enough), key=lambda one: str(t(one.missing)))
    for why, alike in groupby(lacking, key=lambda one: str(t(one.missing))):
        defects = words.listed(words.defect(one.defect) for one in alike)
        yield t("{defects}: not judged. {why}", defects=defects, why=why)


def _false_alarms(found: Sequence[JudgedDefect]) -> tuple[str, ...]:
    months = [one.false_alarm_months for one in found if one.defect != "all" and isfinite(one.false_alarm_months)]
    if not months:
        return ()
    return (
        t(
            "Each defect that is judged has rules of its own, which give one false signal in about {low:.0f} to "
            "{high:.0f} months on average.",
            low=min(months),
            high=max(months),
        ),
    )

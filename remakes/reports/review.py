"""What a monthly report is made from, and how its parts find the chosen month in it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date
from math import isfinite
from typing import TYPE_CHECKING, Protocol

from remakes import words
from remakes.texts import t
from remakes.trends.months.verdict import STANDS_MONTHS

if TYPE_CHECKING:
    from remakes.records.harm import HarmReport
    from remakes.records.standard import ProcessStandard
    from remakes.trends.changed.changed import WhatChanged
    from remakes.trends.delay.nowcast import Nowcast
    from remakes.trends.months.delivery_months import DeliveryShare
    from remakes.trends.months.process_months import ProcessFactor, ProcessMonth
    from remakes.trends.months.report_months import JudgedDefect, JudgedMonth, ReportMonths
    from remakes.trends.sources.figures import Sources

__all__ = [
    "LATEST",
    "LISTED",
    "HasSentence",
    "Review",
    "cut",
    "last_rows",
    "limits",
    "month_of",
    "period",
    "process_month",
    "requirement",
    "said",
    "says_more",
    "up_to",
]

#: Months that a table shows at most.
LATEST = 24
#: Of these, months on paper: a year.
_ON_PAPER = 12
#: Entries of a list on the front, which has one page.
LISTED = 5


class HasSentence(Protocol):
    """A result of which the report says one sentence."""

    @property
    def sentence(self) -> str: ...


class Review(Protocol):
    """One month with all that was worked out about it; `flow.MonthReview` is one."""

    @property
    def month(self) -> str: ...
    @property
    def lab(self) -> str: ...
    @property
    def observed_until(self) -> date: ...
    @property
    def report_months(self) -> ReportMonths: ...
    @property
    def delivery_shares(self) -> tuple[DeliveryShare, ...]: ...
    @property
    def nowcast(self) -> Nowcast: ...
    @property
    def back_test(self) -> HasSentence | None: ...
    @property
    def sources(self) -> Sources: ...
    @property
    def clinics(self) -> Sources: ...
    @property
    def process(self) -> tuple[ProcessFactor, ...]: ...
    @property
    def changed(self) -> Mapping[str, WhatChanged]: ...
    @property
    def harm(self) -> tuple[HarmReport, ...]: ...
    @property
    def standard(self) -> ProcessStandard: ...
    @property
    def invented(self) -> bool: ...


def month_of(defect: JudgedDefect, month: str) -> JudgedMonth | None:
    """The chosen month of a defect, where the records have it."""
    return next((one for one in defect.months if one.month == month), None)


def up_to(defect: JudgedDefect, month: str) -> JudgedDefect:
    """A defect as a report of the chosen month shows it: no later month."""
    return replace(defect, months=tuple(one for one in defect.months if one.month <= month))


def process_month(factor: ProcessFactor, month: str) -> ProcessMonth | None:
    """The chosen month of a requirement, where anything was delivered in it."""
    return next((one for one in factor.months if one.month == month), None)


def requirement(standard: ProcessStandard, factor: str) -> str:
    """What a requirement says; its code where the standard no longer has it."""
    return words.requirement(standard, factor) if factor in standard.factors else factor


def cut(items: Iterable[str], where: str, *, most: int = LISTED) -> tuple[str, ...]:
    """The first few, and how many more there are."""
    found = list(items)
    more = len(found) - most
    return (*found[:most], t("and {more:,} more, see {where}", more=more, where=where)) if more > 0 else tuple(found)


def last_rows(rows: int) -> range:
    """Which rows of a table by month are printed: the latest year."""
    return range(max(rows - _ON_PAPER, 0), rows)


def period(months: tuple[str, ...]) -> str:
    """Months following each other: `April 2026 to June 2026`."""
    if not months:
        return t("no month")
    first, last = words.month(months[0]), words.month(months[-1])
    return first if len(months) == 1 else t("{first} to {last}", first=first, last=last)


def limits(month: JudgedMonth) -> str:
    """Between which numbers a month would be within common variation; both are whole counts."""
    return t("{low:,.0f} to {high:,.0f}", low=month.low, high=month.high)


def says_more(defect: JudgedDefect) -> bool:
    """Does its sentence tell of a change, or of a signal that may be one? Otherwise it repeats the latest month."""
    judged = [one for one in defect.months if one.complete and isfinite(one.expected)]
    return defect.since is not None or any(one.signals for one in judged[-STANDS_MONTHS:])


def said(*sentences: str) -> tuple[str, ...]:
    """Sentences that say something, in the language spoken now, each once, none that another one already holds."""
    found = tuple(dict.fromkeys(t(one) for one in sentences if one.strip()))
    return tuple(one for one in found if not any(one in other for other in found if other != one))

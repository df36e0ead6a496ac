"""What all months of one state of the records say, and one of them in review."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

from remakes.errors import InputError
from remakes.records.cells import shown
from remakes.records.harm import HarmReport
from remakes.texts import t

if TYPE_CHECKING:
    from remakes.counts.engine import Tables
    from remakes.counts.table import PatternTable
    from remakes.evidence.models.base import BaseModels
    from remakes.records.standard import ProcessStandard
    from remakes.trends.changed.changed import WhatChanged
    from remakes.trends.delay.back_test import BackTest
    from remakes.trends.delay.nowcast import Nowcast
    from remakes.trends.months.delivery_months import DeliveryShare
    from remakes.trends.months.process_months import ProcessFactor
    from remakes.trends.months.report_months import ReportMonths
    from remakes.trends.sources.figures import Sources

__all__ = ["MonthReview", "Months"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Months:
    """All months of one state of the records.

    Attributes
    ----------
    lab : str
        Title of its process standard.
    observed_until : date
    months : tuple of str
        ``2026-10``, oldest first.
    latest : str
        The last month that is over and nearly all entered; the last one of all where there is none.
    report_months, delivery_shares, nowcast, back_test, sources, clinics, process
        See the packages under `trends`.
    harm : tuple of HarmReport
        Of all months, oldest first, as they stood when the months were counted.
    standard : ProcessStandard
    records_version : int
        Of which state of the records, by `Store.figures_version`.
    """

    lab: str
    observed_until: date
    months: tuple[str, ...]
    latest: str
    report_months: ReportMonths
    delivery_shares: tuple[DeliveryShare, ...]
    nowcast: Nowcast
    back_test: BackTest
    sources: Sources
    clinics: Sources
    process: tuple[ProcessFactor, ...]
    harm: tuple[HarmReport, ...]
    standard: ProcessStandard
    tables: Tables
    table: PatternTable
    base: BaseModels
    records_version: int

    def review(self, month: str | None = None) -> MonthReview:
        """One month in review.

        Parameters
        ----------
        month : str, optional
            ``2026-10``; left out: the latest complete one.

        Raises
        ------
        InputError
            A month that is not in the records.
        """
        chosen = month or self.latest
        if chosen not in self.months:
            raise InputError(
                t(
                    "There are no records of the month {month}. They go from {first} to {last}; name one of these, as "
                    "in {latest}.",
                    month=shown(chosen),
                    first=self.months[0],
                    last=self.months[-1],
                    latest=self.latest,
                )
            )
        return MonthReview(whole=self, month=chosen, changed=self.changed(chosen))

    def changed(self, month: str) -> Mapping[str, WhatChanged]:
        """What the difference between three months and the three before goes with, for all defects and each.

        The three are the month and the two before it; for a month that is not over, or not nearly all entered, those up
        to the latest one that is.
        """
        from remakes.counts.period_counts import count_periods
        from remakes.trends.changed.changed import what_changed_each
        from remakes.trends.changed.periods import usual_periods

        # A month that is not over, or not entered, would look like a fall.
        before, after = usual_periods(self.months, min(month, self.latest))
        counted = count_periods(self.tables, self.table, before=before, after=after)
        return what_changed_each(counted, self.table, self.standard, base=self.base)

    def as_json(self) -> dict[str, Any]:
        """The interchange format of months."""
        changed = self.changed(self.latest)
        return {
            "format": 1,
            "observed_until": self.observed_until.isoformat(),
            "title": self.lab,
            "by_report_month": self.report_months.as_json(),
            "by_delivery_month": [one.as_json() for one in self.delivery_shares],
            "lots_and_machines": [one.as_json() for one in self.sources.figures],
            "clinics": [one.as_json() for one in self.clinics.figures],
            "process": [one.as_json() for one in self.process],
            "what_changed": changed["all"].as_json(),
            "what_changed_by_defect": [one.as_json() for name, one in changed.items() if name != "all"],
            "sentences": list(self.sentences(changed["all"])),
        }

    def sentences(self, changed: WhatChanged) -> tuple[str, ...]:
        """The answers in words, each with how sure it is."""
        defects = [one.sentence for one in self.report_months.defects if one.defect == "all" or one.since]
        bench = [one.sentence for one in self.process if one.months and _signals(one)]
        return (*defects, changed.sentence, self.nowcast.sentence, self.sources.sentence, *bench)


def _signals(factor: ProcessFactor) -> bool:
    *_, last = factor.months
    return bool(last.miss_signals or last.gap_signals)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MonthReview:
    """One month in review.

    Attributes
    ----------
    whole : Months
    month : str
    changed : mapping of str to WhatChanged
        By ``all`` and defect: see `Months.changed`.
    """

    whole: Months
    month: str
    changed: Mapping[str, WhatChanged]

    @property
    def lab(self) -> str:
        """What the lab's process standard is called."""
        return self.whole.lab

    @property
    def invented(self) -> bool:
        """Whether these are the records of the demo lab."""
        from remakes.records.demo_lab import demo_title

        return self.whole.lab == demo_title()

    @property
    def months(self) -> tuple[str, ...]:
        """All months of the records, oldest first."""
        return self.whole.months

    @property
    def observed_until(self) -> date:
        """Returns are complete up to here."""
        return self.whole.observed_until

    @property
    def report_months(self) -> ReportMonths:
        """Returns by month of report."""
        return self.whole.report_months

    @property
    def delivery_shares(self) -> tuple[DeliveryShare, ...]:
        """What became of each month's deliveries."""
        return self.whole.delivery_shares

    @property
    def nowcast(self) -> Nowcast:
        """What is still to be entered."""
        return self.whole.nowcast

    @property
    def back_test(self) -> BackTest:
        """How the nowcast would have held before."""
        return self.whole.back_test

    @property
    def sources(self) -> Sources:
        """Lots and machines."""
        return self.whole.sources

    @property
    def clinics(self) -> Sources:
        """Clinics, to start a conversation."""
        return self.whole.clinics

    @property
    def process(self) -> tuple[ProcessFactor, ...]:
        """Misses and gaps at the bench by month."""
        return self.whole.process

    @property
    def standard(self) -> ProcessStandard:
        """The process standard the months were counted by."""
        return self.whole.standard

    @property
    def harm(self) -> tuple[HarmReport, ...]:
        """Reports of this month that somebody was possibly hurt."""
        return tuple(one for one in self.whole.harm if one.month == self.month)

    def with_harm(self, reports: tuple[HarmReport, ...]) -> MonthReview:
        """The same month with the reports of possible harm as they stand now: no figure rests on them."""
        return replace(self, whole=replace(self.whole, harm=reports))

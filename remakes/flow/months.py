"""From the records to the months: is one different, since when, what changed, what stands behind it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from sqlalchemy import select

from remakes.errors import InputError
from remakes.flow.start import Progress, observed_until
from remakes.records import schema
from remakes.records.store import Store
from remakes.texts import later, speaking

if TYPE_CHECKING:
    from remakes.counts.engine import Tables
    from remakes.counts.sources import Concerned
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

__all__ = ["MonthReview", "Months", "count_months", "month_report", "restorations_from", "write_month_report"]

#: A return marked as having possibly hurt somebody: its number, restoration, day of the report, defect.
Harm = tuple[str, str, date, str]

#: Deliveries are followed up to the last month of which at least this share of the returns has been entered.
_FOLLOWED: Final = 0.95


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
    harm : tuple of Harm
        Of all months, oldest first.
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
    harm: tuple[Harm, ...]
    standard: ProcessStandard
    tables: Tables
    table: PatternTable
    base: BaseModels
    records_version: int

    def review(self, month: str | None = None) -> MonthReview:
        """One month and the two before it, beside the three before these.

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
                f"There are no records of the month {chosen!r}. "
                f"They go from {self.months[0]} to {self.months[-1]}; name one of these, as in {self.latest}."
            )
        return MonthReview(whole=self, month=chosen, changed=self.changed(chosen))

    def changed(self, month: str) -> Mapping[str, WhatChanged]:
        """What the difference between three months and the three before goes with, for all defects and each."""
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
        By ``all`` and defect: this month and the two before it, against the three before these.
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
    def harm(self) -> tuple[Harm, ...]:
        """Returns of this month that were marked as having possibly hurt somebody."""
        return tuple(one for one in self.whole.harm if f"{one[2]:%Y-%m}" == self.month)


def count_months(store: Store, *, seed: int = 0, progress: Progress | None = None) -> Months:
    """Is a month different, since when, what is still to be entered, and which lot or machine stands out?

    Parameters
    ----------
    store : Store
    seed : int
        Of the simulations; the same records and seed give the same figures.
    progress : callable, optional

    Raises
    ------
    NothingToAnalyzeError
        The records are empty, or nothing has been delivered.
    """
    from threadpoolctl import threadpool_limits

    from remakes.counts.engine import connect
    from remakes.counts.patterns import count_patterns
    from remakes.evidence.models.base import BaseModels
    from remakes.records.snapshot import take_snapshot

    tell = progress or (lambda _what, _done, _total: None)
    version = store.figures_version()
    snapshot = take_snapshot(store)
    until = observed_until(snapshot)
    tables = connect(snapshot)
    table = count_patterns(tables, snapshot.standard, observed_until=until, progress=lambda what: tell(what, 0, 0))
    # The matrices are small: one thread is quicker than several that wait for each other.
    with threadpool_limits(limits=1):
        tell(later("returns by month"), 1, 4)
        returned = _returned(tables, table, seed=seed)
        tell(later("deliveries and steps"), 2, 4)
        delivered = _delivered(tables, table, snapshot.standard, returned["nowcast"])
        tell(later("lots, machines, clinics"), 3, 4)
        base = BaseModels(table)
        made = _made_with(tables, base, snapshot.standard)
    return Months(
        lab=snapshot.standard.title,
        observed_until=until,
        harm=_harm(store),
        standard=snapshot.standard,
        tables=tables,
        table=table,
        base=base,
        records_version=version,
        **returned,
        **delivered,
        **made,
    )


def _returned(tables: Tables, table: PatternTable, *, seed: int) -> dict[str, Any]:
    """What was reported when, and what is still to be entered."""
    from remakes.counts.calendar import count_calendar
    from remakes.counts.delays import count_delays
    from remakes.trends.delay.back_test import back_test
    from remakes.trends.delay.nowcast import late_returns
    from remakes.trends.months.report_months import judge_report_months

    delays = count_delays(tables, observed_until=table.observed_until)
    nowcast = late_returns(delays, seed=seed)
    names = ("all", *table.defects)
    calendar = count_calendar(tables, table)
    judged = judge_report_months(
        calendar,
        table,
        completeness={name: nowcast.completeness(name) for name in names},
        late={name: nowcast.late(name) for name in names},
    )
    complete = [one.month for one in judged.of("all").months if one.complete]
    return {
        "months": calendar.months,
        "latest": complete[-1] if complete else calendar.months[-1],
        "report_months": judged,
        "nowcast": nowcast,
        "back_test": back_test(delays, seed=seed),
    }


def _delivered(tables: Tables, table: PatternTable, standard: ProcessStandard, nowcast: Nowcast) -> dict[str, Any]:
    """What was delivered when: what became of it, and how it was made."""
    from remakes.counts.deliveries import count_deliveries
    from remakes.counts.process_months import count_process_months
    from remakes.trends.months.delivery_months import delivery_shares
    from remakes.trends.months.process_months import process_side

    followed = _followed_until(table, nowcast)
    return {
        "delivery_shares": delivery_shares(count_deliveries(tables, table, observed_until=followed)),
        "process": process_side(count_process_months(tables, table, standard)),
    }


def _made_with(tables: Tables, base: BaseModels, standard: ProcessStandard) -> dict[str, Any]:
    """Which lot, machine or clinic stands out."""
    from remakes.counts.sources import count_sources
    from remakes.trends.sources.clinics import clinics
    from remakes.trends.sources.sources import sources

    table, shrinkages = base.table, base.shrinkages()
    counted = count_sources(tables, table)
    return {
        "sources": sources(counted, table, standard, shrinkages=shrinkages),
        "clinics": clinics(counted, table, shrinkages=shrinkages),
    }


def _followed_until(table: PatternTable, nowcast: Nowcast) -> date:
    """Up to which day deliveries can be followed: months with returns still to be entered look too good."""
    entered, day = nowcast.completeness(), table.observed_until
    while entered.get(f"{day:%Y-%m}", 1.0) < _FOLLOWED and day.replace(day=1) > table.first_delivered:
        day = day.replace(day=1) - timedelta(days=1)
    return day


def _harm(store: Store) -> tuple[Harm, ...]:
    returns = schema.returns
    wanted = select(returns.c.return_id, returns.c.restoration_id, returns.c.reported_on, returns.c.defect).where(
        returns.c.voided_at.is_(None), returns.c.harm.is_(True)
    )
    with store.reader() as connection:
        rows = connection.execute(wanted.order_by(returns.c.reported_on, returns.c.return_id)).all()
    return tuple((row[0], row[1], row[2], row[3]) for row in rows)


def restorations_from(
    store: Store, *, what: Literal["lot", "equipment", "clinic"], code: str, step: str = ""
) -> tuple[Concerned, ...]:
    """Which restorations were made with a lot or a machine: what is still out there, to quarantine and check?

    Raises
    ------
    InputError
        Nothing was made with it.
    """
    from remakes.counts import sources
    from remakes.counts.engine import connect
    from remakes.counts.patterns import count_patterns
    from remakes.records.snapshot import take_snapshot

    snapshot = take_snapshot(store)
    tables, until = connect(snapshot), observed_until(snapshot)
    count_patterns(tables, snapshot.standard, observed_until=until)
    return sources.restorations_from(tables, what=what, code=code, step=step, observed_until=until)


def month_report(review: MonthReview, form: str, *, caution: str, made_on: date, language: str = "en") -> bytes:
    """The monthly report as the content of a file: ``pdf``, ``html`` or ``xlsx``; in English or another language.

    Raises
    ------
    InputError
        There is no such form.
    """
    from remakes.reports.monthly import monthly_report
    from remakes.reports.writing import make

    with speaking(language):
        return make(monthly_report(review, made_on=made_on, caution=caution), form)


def write_month_report(review: MonthReview, path: Path, *, caution: str, made_on: date, language: str = "en") -> None:
    """The monthly report as a file; .pdf, .html or .xlsx by its ending; in English or another language.

    Raises
    ------
    InputError
        Another ending, or a place that cannot be written to.
    """
    from remakes.reports.monthly import monthly_report
    from remakes.reports.writing import write_report

    with speaking(language):
        write_report(monthly_report(review, made_on=made_on, caution=caution), path)

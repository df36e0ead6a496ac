"""From the records to the months: is one different, since when, what changed, what stands behind it."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from remakes.flow.month_review import MonthReview, Months
from remakes.flow.start import Progress, observed_until
from remakes.records.harm import harm_reports
from remakes.records.store import Store
from remakes.texts import later, speaking

if TYPE_CHECKING:
    from remakes.counts.engine import Tables
    from remakes.counts.sources import Concerned
    from remakes.counts.table import PatternTable
    from remakes.evidence.models.base import BaseModels
    from remakes.records.standard import ProcessStandard
    from remakes.trends.delay.nowcast import Nowcast

__all__ = ["count_months", "month_report", "restorations_from", "write_month_report"]

#: Deliveries are followed up to the last month of which at least this share of the returns has been entered.
_FOLLOWED: Final = 0.95


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
        harm=harm_reports(store),
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


def restorations_from(
    store: Store, *, what: Literal["lot", "equipment", "clinic"], code: str, step: str = ""
) -> tuple[Concerned, ...]:
    """Which restorations were made with a lot or a machine, or for a clinic: what is still out there, to check?

    Raises
    ------
    InputError
        There is none.
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

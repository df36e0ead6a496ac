"""The methods compared: the program's own chain from the records on, and the sheet a user would write."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from math import isnan
from typing import Final, NamedTuple

from remakes.counts.calendar import count_calendar
from remakes.counts.delays import count_delays
from remakes.counts.engine import Tables, connect
from remakes.counts.patterns import count_patterns
from remakes.counts.process_months import count_process_months
from remakes.counts.sources import count_sources
from remakes.counts.table import PatternTable
from remakes.records.snapshot import Snapshot
from remakes.trends.delay.nowcast import Nowcast, late_returns
from remakes.trends.months.process_months import ProcessFactor, process_side
from remakes.trends.months.report_months import JudgedDefect, ReportMonths, judge_report_months
from remakes.trends.sources.sources import sources
from tests.benchmarks.recovery.months.answers import ALL, Answer, Late, Named, Series, new_signals
from tests.benchmarks.recovery.months.baseline import ask
from tests.benchmarks.recovery.months.calendar_days import LAST_DAY, month_number
from tests.benchmarks.recovery.months.labs import MonthsLab
from tests.benchmarks.recovery.months.scenarios import Scenario

__all__ = ["METHODS", "remakes"]


def remakes(scenario: Scenario, lab: MonthsLab) -> Answer:
    """The program's own chain, on the records as they stood at the end."""
    started = time.process_time()
    counted = _count(lab) if scenario.asks else None
    judged = _judged(counted).defects if counted and "returns" in scenario.asks else ()
    process = _process(counted) if counted and "process" in scenario.asks else ()
    answer = Answer(
        returns={one.defect: _series(one) for one in judged if one.enough},
        missed={one.factor: _of((m.month, m.miss_centre, m.miss_signals) for m in one.months) for one in process},
        gaps={one.factor: _of((m.month, m.gap_centre, m.gap_signals) for m in one.months) for one in process},
        named=_named(counted) if counted and "sources" in scenario.asks else None,
        tells_beginnings=True,
        late=tuple(late for day in scenario.days_asked for late in _late(day, lab)),
    )
    return replace(answer, seconds=time.process_time() - started)


METHODS: Final[dict[str, Callable[[Scenario, MonthsLab], Answer]]] = {"p chart": ask, "remakes": remakes}


class _Counted(NamedTuple):
    """The records as they stood at the end, counted into patterns."""

    records: Snapshot
    tables: Tables
    table: PatternTable


def _count(lab: MonthsLab) -> _Counted:
    records = lab.as_of(LAST_DAY)
    tables = connect(records)
    assert records.observed_until is not None
    return _Counted(records, tables, count_patterns(tables, records.standard, observed_until=records.observed_until))


def _nowcast(tables: Tables, records: Snapshot) -> Nowcast:
    assert records.observed_until is not None
    return late_returns(count_delays(tables, observed_until=records.observed_until), seed=0)


def _judged(counted: _Counted) -> ReportMonths:
    records, tables, table = counted
    known = _nowcast(tables, records)
    completeness = {defect: known.completeness(defect) for defect in (ALL, *table.defects)} if known.enough else None
    return judge_report_months(count_calendar(tables, table), table, completeness=completeness)


def _process(counted: _Counted) -> tuple[ProcessFactor, ...]:
    records, tables, table = counted
    found = process_side(count_process_months(tables, table, records.standard))
    return tuple(one for one in found if one.enough)


def _named(counted: _Counted) -> tuple[Named, ...]:
    records, tables, table = counted
    found = sources(count_sources(tables, table), table, records.standard)
    return tuple(Named(one.what, one.step, one.code, one.defect) for one in found.figures if one.stands_out)


def _late(day: int, lab: MonthsLab) -> Iterator[Late]:
    records = lab.as_of(day)
    # Entries say nothing of the bench, and the log is by far the largest table.
    records = replace(records, process_log=records.process_log.slice(0, 0))
    known = _nowcast(connect(records), records)
    for one in known.months if known.enough else ():
        yield Late(day, month_number(one.month), one.defect, one.late.estimate, one.late.low, one.late.high)


def _series(judged: JudgedDefect) -> Series:
    told = _of((one.month, one.expected, one.signals) for one in judged.months)
    return replace(told, since=None if judged.since is None else month_number(judged.since))


def _of(months: Iterable[tuple[str, float, tuple[str, ...]]]) -> Series:
    """Months with a centre were judged; those without one carry no signals."""
    rows = [(month_number(month), signals) for month, centre, signals in months if not isnan(centre)]
    rises, falls = new_signals(rows)
    return Series(judged=tuple(month for month, _signals in rows), rises=rises, falls=falls)

"""One invented lab with known months: its records, as they stood on any day, and the truth behind them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from scipy.special import expit, gammainc

from remakes.records.snapshot import Snapshot
from tests.benchmarks.recovery.bench import Bench, Log, draw_bench, draw_log
from tests.benchmarks.recovery.months.calendar_days import LAST_DAY, delivery_days, first_day, month_of
from tests.benchmarks.recovery.months.lots import Sourced, draw_sources, with_sources
from tests.benchmarks.recovery.months.plans import Change, Entry, MonthsPlan
from tests.benchmarks.recovery.months.service import Intensities, draw_reported, intensities
from tests.benchmarks.recovery.orders import Flags, Floats, Ints, Orders, draw_orders
from tests.benchmarks.recovery.records import snapshot
from tests.benchmarks.recovery.service import Returns, draw_hazards
from tests.benchmarks.recovery.trade import FACTORS, NAMES, START

__all__ = ["MonthsLab", "draw_months_lab"]

#: A bad lot is opened between these months: its returns must have time to come.
_LOT_MONTHS = (8, 22)
_SLOW_DAYS = 21


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthsLab:
    """Records and truth of one lab.

    Attributes
    ----------
    plan : MonthsPlan
    records : Snapshot
        Everything reported by the end, entered in time or not.
    orders : Orders
    applies : (n, factors) array of bool
    logged : Log
    returns : Returns
    entered : (returns,) array
        Day of entry, counted as the day of the report is.
    sources : Sourced
    bad_lot : str
        Code of the tripled lot; blank: none.
    intensities : Intensities
    """

    plan: MonthsPlan
    records: Snapshot
    orders: Orders
    applies: Flags
    logged: Log
    returns: Returns
    entered: Ints
    sources: Sourced
    bad_lot: str
    intensities: Intensities

    def as_of(self, day: int) -> Snapshot:
        """The records as they stood at the end of a day: what was delivered and entered by then."""
        last = (START + timedelta(days=day)).isoformat()
        delivered = self.records.restorations.filter(pc.less_equal(self.records.restorations["delivered_on"], last))
        log = self.records.process_log
        if day < LAST_DAY:
            log = log.filter(pc.is_in(log["restoration_id"], delivered["restoration_id"].combine_chunks()))
        return replace(
            self.records,
            restorations=delivered,
            process_log=log,
            returns=self.records.returns.filter(pc.less_equal(self.records.returns["entered_on"], last)),
            observed_until=date.fromisoformat(last),
        )

    def logged_at(self, step: str) -> Flags:
        """Restorations with any row of a step in the log: only of these is it known what they were made with."""
        return _logged_at(self.logged, step)

    def late(self, day: int) -> Flags:
        """Returns reported by the end of a day and not entered by then."""
        return np.asarray((self.returns.day <= day) & (self.entered > day))

    def completeness(self, month: int, day: int) -> float:
        """Share of a month's returns to expect as entered by the end of a day, the slow month left aside."""
        entry, reported = self.plan.entry, np.arange(first_day(month), min(first_day(month + 1), day + 1))
        entered = gammainc(entry.shape, (day - reported + 1) * entry.shape / entry.mean_days)
        return float(entered.mean()) if len(entered) else 0.0


def draw_months_lab(plan: MonthsPlan, *, seed: int) -> MonthsLab:
    """Draw one lab; the same seed and plan give the same lab."""
    rng = np.random.default_rng(seed)
    orders = _on_days(draw_orders(plan.lab, rng), plan.growth, rng)
    bench = _missed_more(plan, draw_bench(plan.lab, orders, rng), orders)
    hazards = draw_hazards(plan.lab, orders, bench, rng)
    sources = draw_sources(orders, rng)
    bad_lot, in_lot = _bad_lot(plan, orders, sources, rng)
    log = draw_log(plan.lab, orders, bench, rng)
    known = in_lot & _logged_at(log, plan.lot.step) if plan.lot else in_lot
    expected = intensities(plan, hazards, orders, in_lot, known)
    returns = draw_reported(plan, expected, rng)
    entered = _entered(plan.entry, returns.day, rng)
    nobody = np.zeros(orders.size, dtype=bool)
    records = snapshot(orders, log, returns, rng=rng, late=nobody, unstamped=nobody)
    return MonthsLab(
        plan=plan,
        records=replace(
            records,
            process_log=with_sources(records.process_log, orders, sources),
            returns=_with_entries(records.returns, entered),
        ),
        orders=orders,
        applies=bench.applies,
        logged=log,
        returns=returns,
        entered=entered,
        sources=sources,
        bad_lot=bad_lot,
        intensities=expected,
    )


def _logged_at(log: Log, step: str) -> Flags:
    columns = [k for k, factor in enumerate(FACTORS) if factor.step == step]
    return np.asarray(log.recorded[:, columns].any(axis=1))


def _on_days(orders: Orders, growth: float, rng: np.random.Generator) -> Orders:
    """The same orders, delivered as a growing lab with closed weeks would deliver them."""
    day, busy = delivery_days(int(orders.case[-1]) + 1, growth, rng)
    return replace(orders, day=day[orders.case], busy=busy[orders.case], last_day=LAST_DAY)


def _missed_more(plan: MonthsPlan, bench: Bench, orders: Orders) -> Bench:
    """Set the share that is missed of one factor, before and after the change."""
    if not plan.factor:
        return bench
    k = NAMES.index(plan.factor)
    change = plan.missed_more or Change(month=0, ratio=1.0)
    after = orders.day >= first_day(change.month)
    log_odds = bench.log_odds.copy()
    log_odds[~after, k] = _with_mean(log_odds[~after, k], plan.missed_share)
    log_odds[after, k] = _with_mean(log_odds[after, k], plan.missed_share * change.ratio)
    return replace(bench, log_odds=log_odds)


def _with_mean(log_odds: Floats, share: float) -> Floats:
    """Log-odds moved all alike so that their chances have the mean wanted."""
    if not len(log_odds):
        return log_odds
    low, high = -20.0, 20.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if expit(log_odds + middle).mean() < share else (low, middle)
    return log_odds + low


def _bad_lot(plan: MonthsPlan, orders: Orders, sources: Sourced, rng: np.random.Generator) -> tuple[str, Flags]:
    """The lot that is bad, and who was made with it."""
    if plan.lot is None:
        return "", np.zeros(orders.size, dtype=bool)
    numbers = sources.lots[plan.lot.step]
    first, end = (first_day(month) for month in _LOT_MONTHS)
    candidates = [
        lot for lot in np.unique(numbers).tolist() if first <= float(np.median(orders.day[numbers == lot])) < end
    ]
    code = Sourced.code(plan.lot.step, int(rng.choice(candidates)))
    return code, sources.made_with(plan.lot.step, code)


def _entered(entry: Entry, reported: Ints, rng: np.random.Generator) -> Ints:
    delay = np.floor(rng.gamma(entry.shape, entry.mean_days / entry.shape, len(reported))).astype(np.int64)
    due = reported + delay
    if entry.slow_month is None:
        return due
    after = first_day(entry.slow_month + 1) + rng.integers(0, _SLOW_DAYS, len(due))
    return np.where(month_of(np.minimum(due, LAST_DAY)) == entry.slow_month, np.maximum(after, due), due)


def _with_entries(returns: pa.Table, entered: Ints) -> pa.Table:
    days = np.datetime_as_string(np.datetime64(START) + entered)
    return returns.set_column(
        returns.schema.get_field_index("entered_on"), "entered_on", pa.array(days, type=pa.string())
    )

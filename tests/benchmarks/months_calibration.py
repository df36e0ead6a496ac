"""How often are the months' signals wrong, and how soon do they find a doubling?

Labs are drawn as counts by calendar month, age and case mix, and judged by the real functions: stable ones, plain or
overdispersed, with clinics that differ, growing volume and closed weeks; and the same with the hazard multiplied from
one month on. Then a few labs are drawn as rows and counted by the engine. Run:
``python -m tests.benchmarks.months_calibration [labs]``
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any

import numpy as np

from remakes.counts.calendar import CELL_ATTRIBUTES, CalendarCounts, count_calendar
from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.counts.table import BIN_EDGES, Attribute
from remakes.trends.months.report_months import JudgedDefect, judge_report_months
from remakes.trends.months.signals import ABOVE, RISE
from tests.planted import END, planted_lab

#: 12 months before the first judged one, and 24 judged.
MONTHS = 36
JUDGED = 24
_HAZARD = np.array([8.0, 3.0, 1.5, 1.0, 0.8, 0.8, 0.8])
_CELLS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Lab:
    """What a drawn lab is like: mean returns in judged months, spread of the monthly rate, growth a month."""

    mean: float
    monthly_sd: float = 0.0
    clinic_sd: float = 0.4
    growth: float = 0.01
    closed: bool = True
    step: float = 1.0
    step_month: int = MONTHS
    drift_months: int = 0


def draw(lab: Lab, rng: np.random.Generator) -> CalendarCounts:
    """One lab's counts by calendar month."""
    months = np.arange(MONTHS)
    volume = (1.0 + lab.growth) ** months * np.where(lab.closed & np.isin(months % 12, (3, 7)), 0.55, 1.0)
    delivered = rng.poisson(volume[:, None] * rng.dirichlet(np.full(_CELLS, 2.0)) * 200.0)
    at_risk = np.zeros((MONTHS, len(BIN_EDGES), _CELLS))
    for age in range(MONTHS):
        at_risk[age:, np.searchsorted(BIN_EDGES, age, side="right") - 1] += delivered[: MONTHS - age]
    clinic, person = np.arange(_CELLS) % 20, np.arange(_CELLS) // 20
    relative = (_gamma(rng, lab.clinic_sd, 20)[clinic]) * (_gamma(rng, 0.2, 3)[person])
    mean = np.einsum("mbc,b,c->mbc", at_risk, _HAZARD, relative)
    mean *= lab.mean / mean[-JUDGED:].sum(axis=(1, 2)).mean()
    since = months - lab.step_month + 1
    reached = np.clip(since / max(lab.drift_months, 1), 0.0, 1.0)
    mean *= (_gamma(rng, lab.monthly_sd, MONTHS) * lab.step**reached)[:, None, None]
    events = rng.poisson(mean)
    month, age, cell = np.nonzero(events)
    none, no_months = np.array([], dtype=np.intp), np.array([], dtype=np.float64)
    codes = (np.zeros(_CELLS, dtype=np.intp), person, clinic)
    return CalendarCounts(
        months=tuple(f"{2020 + k // 12}-{k % 12 + 1:02d}" for k in range(MONTHS)),
        observed_share=np.ones(MONTHS),
        defects=("any",),
        attributes={
            name: Attribute(code, tuple(map(str, range(int(code.max()) + 1))))
            for name, code in zip(CELL_ATTRIBUTES, codes, strict=True)
        },
        at_risk=at_risk,
        event_month=month,
        event_bin=age,
        event_cell=cell,
        event_defect=np.zeros(len(month), dtype=np.intp),
        event_count=events[month, age, cell].astype(np.int64),
        lost_month=none,
        lost_bin=none,
        lost_cell=none,
        lost_defect=none,
        lost_months=no_months,
    )


def _gamma(rng: np.random.Generator, sd: float, size: int) -> Any:
    return rng.gamma(sd**-2, sd**2, size) if sd else np.ones(size)


def judged(lab: Lab, labs: int, seed: int) -> Iterator[JudgedDefect]:
    """The verdicts on some labs."""
    for rng in np.random.default_rng(seed).spawn(labs):
        no_defect: Any = SimpleNamespace(defects=())
        yield judge_report_months(draw(lab, rng), no_defect).of("all")


def false_signals(lab: Lab, labs: int, seed: int) -> tuple[float, float, float]:
    """Months with a signal in 24 judged months of a stable lab; what the lab is told; share of judged months."""
    found = list(judged(lab, labs, seed))
    months = [one for lab_ in found for one in lab_.months if np.isfinite(one.expected)]
    told = np.nanmean([JUDGED / one.false_alarm_months for one in found])
    return (
        JUDGED * sum(bool(one.signals) for one in months) / max(len(months), 1),
        float(told),
        len(months) / (labs * JUDGED),
    )


def found_within(lab: Lab, labs: int, seed: int, *, within: int) -> tuple[float, float, float]:
    """Share of labs that see a rise within some months; share standing at the end; median error of `since`."""
    signalled, error = [], []
    for one in judged(lab, labs, seed):
        first = [k for k in range(lab.step_month, MONTHS) if {ABOVE, RISE} & set(one.months[k].signals)]
        signalled.append(bool(first) and first[0] < lab.step_month + within)
        if one.since is not None:
            error.append(abs([month.month for month in one.months].index(one.since) - lab.step_month))
    return float(np.mean(signalled)), len(error) / labs, float(np.median(error)) if error else float("nan")


def runs_of_eight(lab: Lab, labs: int, seed: int, *, within: int) -> tuple[float, float, float]:
    """Were runs a rule: false signals in 24 stable months; share of changed labs found; share found by runs alone."""
    wrong, found, alone = 0, 0, 0
    stable = replace(lab, step=1.0)
    for one in judged(stable, labs, seed):
        run = _runs(one)
        wrong += int((run[1:] & ~run[:-1]).sum())
    for one in judged(lab, labs, seed + 1):
        after = slice(lab.step_month, lab.step_month + within)
        run = bool(_runs(one)[after].any())
        found += run
        alone += run and not any({ABOVE, RISE} & set(month.signals) for month in one.months[after])
    return wrong / labs, found / labs, alone / labs


def _runs(one: JudgedDefect) -> Any:
    """Months that end eight in a row on one side of the expected."""
    side = np.nan_to_num(np.sign([month.returns - month.expected for month in one.months]))
    run = np.zeros(len(side), dtype=bool)
    run[7:] = abs(np.lib.stride_tricks.sliding_window_view(side, 8).sum(axis=1)) == 8
    return run


def through_the_engine(labs: int) -> None:
    """Labs as rows, constant hazards, deliveries that stop after 18 of 24 months, counted and judged as in use.

    These labs draw no return in the month of service that is under way at the end, so their last month is left out.
    """
    signals = months = observed = 0
    expected = 0.0
    for seed in range(labs):
        lab = planted_lab(1000 + seed, restorations=3000, odds_ratio=1.0)
        tables = connect(lab)
        table = count_patterns(tables, lab.standard, observed_until=END)
        last = {f"{END:%Y-%m}": 0.0}
        entered = dict.fromkeys(("all", *table.defects), last)
        report = judge_report_months(count_calendar(tables, table), table, completeness=entered)
        seen = [one for defect in report.defects for one in defect.months if np.isfinite(one.expected)]
        signals, months = signals + sum(bool(one.signals) for one in seen), months + len(seen)
        observed, expected = observed + sum(one.returns for one in seen), expected + sum(one.expected for one in seen)
    print(
        f"{labs} labs through the engine: {JUDGED * signals / months:.2f} false in {JUDGED} of {months} judged months; "
        f"{observed} returns where {expected:.0f} were expected"
    )


def main() -> None:
    labs = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    started = time.perf_counter()
    print(f"{labs} labs a line; false: months with a signal in 24 judged ones, told: what the lab is told")
    print("mean  sd  growth closed   false  told  judged")
    for mean in (2.0, 3.0, 5.0, 8.0, 12.0, 20.0):
        for sd, growth, closed in ((0.0, 0.0, False), (0.0, 0.02, True), (0.2, 0.01, True), (0.3, 0.01, True)):
            lab = Lab(mean=mean, monthly_sd=sd, growth=growth, closed=closed)
            wrong, told, share = false_signals(lab, labs, 1)
            print(f"{mean:4.0f} {sd:4.1f} {growth:6.2f} {closed!s:6} {wrong:7.2f} {told:5.2f} {share:6.2f}")
    print("mean  sd   ratio  within 4 months; still standing after 4 months, since off by (months, median)")
    for mean in (2.0, 3.0, 5.0, 8.0, 12.0, 20.0):
        for sd in (0.0, 0.2):
            for ratio in (1.5, 2.0):
                lab = Lab(mean=mean, monthly_sd=sd, step=ratio, step_month=MONTHS - 4)
                power, stands, off = found_within(lab, labs, 2, within=4)
                print(f"{mean:4.0f} {sd:4.1f} {ratio:5.1f} {power:9.2f} {stands:18.2f} {off:6.1f}")
    print("slow drifts: reaching x1.6 over 12 months; found within 12 months")
    for mean in (5.0, 12.0, 20.0):
        lab = replace(Lab(mean=mean), step=1.6, drift_months=12, step_month=MONTHS - 12)
        print(f"{mean:4.0f} {found_within(lab, labs, 3, within=12)[0]:6.2f}")
    print("runs of eight as a rule, x1.6 over 12 months: false in 24 months, found within 12, found by runs alone")
    for mean in (5.0, 12.0):
        lab = Lab(mean=mean, step=1.6, drift_months=12, step_month=MONTHS - 12)
        print(f"{mean:4.0f} {' '.join(f'{value:6.2f}' for value in runs_of_eight(lab, labs, 4, within=12))}")
    through_the_engine(12)
    print(f"{time.perf_counter() - started:.0f} s")


if __name__ == "__main__":
    main()

"""How often does the follow-up say "verified" of an action that does nothing, and how often of one that works?

Labs are drawn as counts by month of report, month of delivery and kind of case, and judged by the real functions at the
end of every month. The action is decided on right after the worst of 24 months, which by itself is followed by better
ones.

At the last run (300 labs a line, 12 monthly looks, errors of 5 % and 10 %, a fall of 30 % worth having) an action that
does nothing was found to lower returns in 1 to 3 % of labs with 1.5 to 25 returns a month, and in 7 % and 18 % where
all reporting fell by 15 % and 25 % at its start. A fall of 30, 50 and 70 % was shown in 9, 24 and 47 % of labs with 1.5
returns a month, 19, 48 and 89 % with 3, 35, 84 and 100 % with 6, 62, 97 and 100 % with 12, 85, 100 and 100 % with 25.

Run: ``python -m tests.benchmarks.follow_up_calibration [labs]``
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from remakes.actions.follow_up import sequential
from remakes.actions.follow_up.looks import JudgedReturns, judge_returns
from remakes.actions.follow_up.returns import expected_returns
from remakes.actions.follow_up.verdicts import follow_up
from remakes.counts.engine import connect
from remakes.counts.follow_up import FollowUpCounts, months_after
from remakes.counts.follow_up_rows import AgeCounts, WeekCounts
from remakes.counts.patterns import count_patterns
from remakes.counts.table import BIN_EDGES, DAYS_PER_MONTH, Attribute
from remakes.records.snapshot import Snapshot
from remakes.records.undertakings import JudgingRule
from tests.labs import snapshot, standard

Floats = NDArray[np.float64]

FOLLOW_UP = 12
#: Months before the first in which the action can be decided on, and months among which the worst is.
BEFORE = 12
AMONG = 24
FIRST = date(2021, 1, 1)
#: Start of the labs that are drawn as rows.
ROWS_START = date(2027, 1, 1)

_HAZARD = np.array([8.0, 3.0, 1.5, 1.0, 0.8, 0.8, 0.8])
_CELLS = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Lab:
    """What a drawn lab is like.

    Attributes
    ----------
    mean : float
        Returns a month with the defects in question, whole lab, in the months among which the worst is.
    ratio : float
        Hazard of restorations made with the action, against without.
    monthly_sd : float
        Of the monthly rate, beyond chance; the same for all restorations of a month of report.
    change : float
        Factor of all reporting from the start on.
    growth : float
        Deliveries a month.
    worst : bool
        Decided on right after the worst month; else after the last of them.
    """

    mean: float
    ratio: float = 1.0
    monthly_sd: float = 0.1
    change: float = 1.0
    growth: float = 0.005
    worst: bool = True


def draw(lab: Lab, rng: np.random.Generator) -> FollowUpCounts:
    """One lab's counts, before and after the start."""
    months = BEFORE + AMONG + FOLLOW_UP
    delivered = rng.poisson(
        (1.0 + lab.growth) ** np.arange(months)[:, None] * rng.dirichlet(np.full(_CELLS, 4.0)) * 150
    )
    age = np.arange(months)[:, None] - np.arange(months)[None, :]
    hazard = np.where(age >= 0, _HAZARD[np.searchsorted(BIN_EDGES, np.maximum(age, 0), side="right") - 1], 0.0)
    relative = rng.gamma(1.0 / 0.3**2, 0.3**2, size=_CELLS)
    mean = hazard[:, :, None] * delivered[None] * relative
    mean *= lab.mean / mean[BEFORE : BEFORE + AMONG].sum(axis=(1, 2)).mean()
    if lab.monthly_sd:
        mean *= rng.gamma(1.0 / lab.monthly_sd**2, lab.monthly_sd**2, size=months)[:, None, None]
    history = rng.poisson(mean)
    monthly = history.sum(axis=(1, 2))[BEFORE : BEFORE + AMONG]
    start = BEFORE + (int(np.argmax(monthly)) if lab.worst else AMONG - 1) + 1
    # What comes after the start is drawn anew, with the action and the change of reporting.
    after = mean[start : start + FOLLOW_UP] * lab.change
    after[:, start:] *= lab.ratio
    returns = np.concatenate([history[:start], rng.poisson(after)])
    return _counts(delivered, returns, age, start)


def _counts(
    delivered: NDArray[np.int64], returns: NDArray[np.int64], age: NDArray[np.int64], start: int
) -> FollowUpCounts:
    after = slice(start, start + FOLLOW_UP)
    day = months_after(FIRST, start)
    nothing = WeekCounts(
        weeks=(),
        met=np.zeros((1, 0), dtype=np.int64),
        missed=np.zeros((1, 0), dtype=np.int64),
        not_recorded=np.zeros((1, 0), dtype=np.int64),
        technician_recorded=np.zeros((1, 1), dtype=np.int64),
        technician_missed=np.zeros((1, 1), dtype=np.int64),
    )

    def by_age(reported: slice, made: slice) -> AgeCounts:
        found = np.zeros((2, reported.stop - reported.start, len(BIN_EDGES), _CELLS))
        ages = age[reported, made]
        for k, (low, high) in enumerate(zip(BIN_EDGES, (*BIN_EDGES[1:], 10**6), strict=True)):
            inside = (ages >= low) & (ages < high)
            # Of what was delivered in a month half of its first month is in it on average.
            weight = inside * np.where(ages == 0, 0.5, 1.0)
            found[0, :, k] = np.einsum("rd,dc->rc", weight, delivered[made])
            found[1, :, k] = np.einsum("rd,rdc->rc", inside, returns[reported, made])
        return AgeCounts(at_risk=found[0], returns=found[1])

    return FollowUpCounts(
        factors=("bond_wait",),
        defects=("debonding",),
        decided_on=day,
        starts_on=day,
        observed_until=months_after(day, FOLLOW_UP),
        concerned=int(delivered.sum()),
        attributes={"case": Attribute(np.arange(_CELLS), tuple(f"kind {k}" for k in range(_CELLS)))},
        reference_months=tuple(f"{months_after(FIRST, k):%Y-%m}" for k in range(start)),
        delivered=delivered[:start].sum(axis=1),
        reference=by_age(slice(0, start), slice(0, start)),
        ends=tuple(months_after(day, k) for k in range(1, FOLLOW_UP + 1)),
        since=by_age(after, after),
        before=by_age(after, slice(0, start)),
        delivered_since=int(delivered[after].sum()),
        returns_by_defect={"debonding": int(returns[:start].sum())},
        weeks_before=nothing,
        weeks_after=nothing,
        changed_requirements=(),
    )


def judged(lab: Lab, *, labs: int, seed: int, down_by: float = 0.3, error: float = 0.05) -> list[JudgedReturns]:
    """So many labs followed up for a year, looked at every month."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(labs):
        counted = draw(lab, rng)
        found.append(
            judge_returns(
                expected_returns(counted),
                starts_on=counted.starts_on,
                ends=counted.ends,
                ratio=1.0 - down_by,
                error=error,
            )
        )
    return found


def shares(found: list[JudgedReturns]) -> tuple[float, float, float]:
    """Share verified, share excluded, and mean month of those decided."""
    fell = np.mean([one.decided == "fell" for one in found])
    excluded = np.mean([one.decided == "excluded" for one in found])
    at = [one.decided_at + 1 for one in found if one.decided_at is not None]
    return float(fell), float(excluded), float(np.mean(at)) if at else float("nan")


def _line(name: str, lab: Lab, labs: int, seed: int) -> None:
    found = judged(lab, labs=labs, seed=seed)
    fell, excluded, month = shares(found)
    known = [one for one in found if not one.missing]
    covered = np.mean([one.ratio.low <= lab.ratio <= one.ratio.high for one in known])
    expected = np.mean([one.expected for one in known])
    power = np.mean([one.power for one in known])
    ratio = np.sum([one.observed for one in known]) / np.sum([one.expected for one in known])
    print(
        f"{name:40s} fell {fell:6.1%}  excluded {excluded:6.1%}  month {month:4.1f}  judged {len(known) / labs:4.0%}  "
        f"expected {expected:5.1f}  ratio {ratio:.2f} covered {covered:5.1%}  said power {power:.0%}",
        flush=True,
    )


def rows(seed: int, *, restorations: int = 7200, removes: float = 0.9, odds_ratio: float = 4.0) -> Snapshot:
    """Three years of history and one with the action, as rows: it removes misses, and a miss goes with more returns."""
    rng = np.random.default_rng(seed)
    last = months_after(ROWS_START, FOLLOW_UP) - timedelta(days=1)
    first = months_after(ROWS_START, -36)
    units, log, returns = [], [], []
    for number in range(restorations):
        name, delivered = f"R{number:05d}", first + timedelta(days=int(rng.integers(0, (last - first).days)))
        missed = rng.random() < 0.15 * (1.0 - removes * (delivered >= ROWS_START))
        units.append(
            {
                "restoration_id": name,
                "technician": f"T{number % 4}",
                "clinic": f"C{number % 15:02d}",
                "delivered_on": delivered.isoformat(),
            }
        )
        log.append(
            {"restoration_id": name, "step": "bonding", "reading": "wait_s", "value": "100" if missed else "200"}
        )
        # Half of all returns come in the first two months.
        young = rng.random() < 0.02 * (odds_ratio if missed else 1.0)
        wait = rng.exponential(1.0) if young else rng.exponential(1.0 / (0.0018 * (odds_ratio if missed else 1.0)))
        reported = delivered + timedelta(days=int(min(wait, 600.0) * DAYS_PER_MONTH))
        if reported <= last:
            row = {"return_id": name, "restoration_id": name, "reported_on": reported.isoformat()}
            returns.append(row | {"defect": "debonding", "disposition": "repaired"})
    return snapshot(units, log, returns, by=standard(), observed_until=last)


def through_the_engine(labs: int) -> None:
    """A few labs as rows, counted and judged as a user's are."""
    rule = JudgingRule(factors=("bond_wait",), defects=("debonding",))
    for removes in (0.9, 0.0):
        said: Counter[str] = Counter()
        for seed in range(labs):
            snap = rows(seed, removes=removes)
            tables = connect(snap)
            table = count_patterns(tables, snap.standard, observed_until=snap.observed_until)
            found = follow_up(tables, table, snap.standard, starts_on=ROWS_START, rule=rule)
            said[f"{found.verdict} ({found.reason})"] += 1
            print(
                f"  {found.observed} observed, {found.expected:.1f} expected, {found.ratio}, {found.verdict}",
                flush=True,
            )
        print(f"removes {removes:.0%} of the misses: {dict(said)}", flush=True)


def main() -> None:
    """Print all tables."""
    labs = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    started = time.perf_counter()
    print("Nothing done, decided on after the worst of 24 months; 'fell' is to be at most 5 %.")
    for mean in (1.5, 3.0, 6.0, 12.0, 25.0):
        _line(f"{mean:g} a month", Lab(mean=mean), labs, seed=1)
    for sd in (0.0, 0.25):
        _line(f"6 a month, monthly sd {sd:g}", Lab(mean=6.0, monthly_sd=sd), labs, seed=2)
    for change in (0.75, 0.85, 1.25):
        _line(f"6 a month, all reporting times {change:g}", Lab(mean=6.0, change=change), labs, seed=3)
    print("Nothing done, decided on in an ordinary month.")
    _line("6 a month", Lab(mean=6.0, worst=False), labs, seed=4)
    print("Hazard lowered (0.72: nine in ten misses of a cause with odds ratio 4 and 15 % missed).")
    for ratio in (0.72, 0.7, 0.5, 0.3):
        for mean in (1.5, 3.0, 6.0, 12.0, 25.0):
            _line(f"{mean:g} a month, hazard times {ratio:g}", Lab(mean=mean, ratio=ratio), labs, seed=5)
    through_the_engine(max(labs // 50, 2))
    print(f"common sd {sequential.COMMON_SD}; {time.perf_counter() - started:.0f} s")


if __name__ == "__main__":
    main()

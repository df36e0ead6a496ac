"""The printed tables: every figure by scenario, level and method, and the goals of the project's own method."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from remakes.evidence.tables.proportions import proportion_interval
from tests.benchmarks.recovery.months.methods import METHODS
from tests.benchmarks.recovery.months.runs import Row
from tests.benchmarks.recovery.months.scenarios import SCENARIOS
from tests.benchmarks.recovery.orders import Floats
from tests.benchmarks.recovery.report import _markdown

__all__ = ["GOALS", "Goal", "Seen", "goals_table", "results_table", "seen"]

_DRAWS: Final = 2000
_MEDIAN: Final = ", median"


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """What the project's own method is to reach, over all labs of a scenario at one level."""

    wanted: str
    scenario: str
    measure: str
    low: float = -np.inf
    high: float = np.inf
    level: float | None = None
    share: bool = True


@dataclass(frozen=True, slots=True)
class Seen:
    """A figure over labs, with the interval that other labs may move it in (95 %)."""

    figure: float
    low: float
    high: float
    labs: int


_STEPS: Final = SCENARIOS["step"].levels
_LOTS: Final = SCENARIOS["bad_lot"].levels

GOALS: Final = (
    Goal(
        wanted="stable: at most 1 false signal a defect in 24 months",
        scenario="stable",
        measure="false signals in 24 months",
        high=1.0,
        share=False,
    ),
    Goal(
        wanted="stable: at most 5 % of labs with a source falsely named",
        scenario="stable",
        measure="labs with a source falsely named",
        high=0.05,
    ),
    Goal(
        wanted="stable: 85 to 95 % of intervals of returns to come cover",
        scenario="stable",
        measure="returns to come covered",
        low=0.85,
        high=0.95,
    ),
    *(
        Goal(
            wanted=f"step at {level:g} a month: at least 80 % signalled within 4 months",
            scenario="step",
            measure="signalled within 4 months",
            low=0.80,
            level=level,
        )
        for level in _STEPS
        if level >= 5
    ),
    *(
        Goal(
            wanted=f"bad lot, {level:g} expected: at least 90 % named",
            scenario="bad_lot",
            measure="named",
            low=0.90,
            level=level,
        )
        for level in _LOTS
        if level >= 5
    ),
    Goal(
        wanted="bad lot: at most 5 % of labs with another source named",
        scenario="bad_lot",
        measure="labs with another source named",
        high=0.05,
    ),
    Goal(
        wanted="late entry: 85 to 95 % of intervals of returns to come cover",
        scenario="late_entry",
        measure="returns to come covered",
        low=0.85,
        high=0.95,
    ),
)


def seen(rows: Sequence[Row], *, median: bool = False) -> Seen:
    """One figure over the labs of these rows: a ratio of sums, or a median.

    Its interval: of one yes or no a lab, Wilson's; otherwise by drawing labs anew (bootstrap, labs as units).
    """
    values = np.array([row.value for row in rows])
    weights = np.array([row.weight for row in rows])
    if not len(rows) or weights.sum() == 0:
        return Seen(float("nan"), float("nan"), float("nan"), len(rows))
    if not median and np.all(weights == 1.0) and np.isin(values, (0.0, 1.0)).all():
        interval = proportion_interval(events=[int(values.sum())], total=[len(values)])
        return Seen(float(values.mean()), float(interval.low[0]), float(interval.high[0]), len(rows))
    picks = np.random.default_rng(0).integers(0, len(rows), (_DRAWS, len(rows)))
    if median:
        figure, drawn = _middle(values[None, :])[0], _middle(values[picks])
    else:
        figure = values.sum() / weights.sum()
        total = weights[picks].sum(axis=1)
        drawn = values[picks].sum(axis=1)[total > 0] / total[total > 0]
    # The nearest drawn figure: between a number and infinity there is no mean.
    low, high = np.quantile(drawn, (0.025, 0.975), method="nearest")
    return Seen(float(figure), float(low), float(high), len(rows))


def results_table(rows: Sequence[Row]) -> str:
    """One line a scenario, level and figure; methods beside each other, with intervals."""
    methods = [name for name in METHODS if any(row.method == name for row in rows)]
    lines = [["scenario", "expected", "labs", "figure", *methods]]
    for scenario, level, measure in dict.fromkeys((row.scenario, row.level, row.measure) for row in rows):
        told = [_of(rows, method, scenario, level, measure) for method in methods]
        labs = max(one.labs for one in told)
        lines.append([scenario, f"{level:g}" if level else "", str(labs), measure, *(_show(one) for one in told)])
    return _markdown(lines, left=(0, 3))


def goals_table(rows: Sequence[Row]) -> str:
    """The goals of the project's own method, reached or not, with the sheet's figures beside."""
    lines = [["goal", "remakes", "95 % interval over labs", "reached", "p chart"]]
    for goal in GOALS:
        mine = _of(rows, "remakes", goal.scenario, goal.level, goal.measure)
        sheet = _of(rows, "p chart", goal.scenario, goal.level, goal.measure)
        if not mine.labs:
            continue
        reached = "yes" if goal.low <= mine.figure <= goal.high else "**no**"
        kind = _percent if goal.share else _plain
        interval = f"{kind(mine.low)} to {kind(mine.high)}"
        lines.append([goal.wanted, kind(mine.figure), interval, reached, kind(sheet.figure)])
    return _markdown(lines, left=(0,))


def _of(rows: Sequence[Row], method: str, scenario: str, level: float | None, measure: str) -> Seen:
    mine = [
        row
        for row in rows
        if (row.method, row.scenario, row.measure) == (method, scenario, measure) and level in (None, row.level)
    ]
    return seen(mine, median=measure.endswith(_MEDIAN))


def _middle(values: Floats) -> Floats:
    """The lower median of each row, a number that was seen: half the labs or more came no later."""
    return np.asarray(np.sort(values, axis=1)[:, (values.shape[1] - 1) // 2])


def _show(one: Seen) -> str:
    return "-" if np.isnan(one.figure) else f"{_plain(one.figure)} ({_plain(one.low)} to {_plain(one.high)})"


def _plain(value: float) -> str:
    return "never" if np.isinf(value) else "-" if np.isnan(value) else f"{value:.2f}"


def _percent(value: float) -> str:
    return "-" if np.isnan(value) else f"{100 * value:.0f} %"

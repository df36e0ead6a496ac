"""Do ranges of spared returns hold the truth? ``python -m tests.benchmarks.actions_calibration --seeds 121-122``.

The labs of the recovery benchmark, analysed as logged. One action for each factor puts an end to its misses at no
cost. What each would spare alone, and the first three together, is held against the hidden hazards, with every
restoration followed to the horizon; how often is the truth inside, at which level, and how far off is the mean? Beside
it the same without a common prior (a flat one), to show what luck does to the top of a ranking.

Seeds to 99 are for tuning, from 121 on for reporting. A lab takes some seconds, most of them for its findings.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from remakes.actions.effects import SPREADS
from remakes.actions.prepared import Prepared, prepare
from remakes.actions.ranking import rank_prepared
from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.evidence.findings import find
from remakes.records.corrective_actions import CorrectiveAction, Costs
from tests.benchmarks.recovery.labs import Lab, Truth
from tests.benchmarks.recovery.methods import FIRST
from tests.benchmarks.recovery.scenarios import SCENARIOS, make_lab
from tests.benchmarks.recovery.service import HORIZON
from tests.benchmarks.recovery.trade import NAMES

Floats = NDArray[np.float64]

LEVELS: Final = (0.50, 0.80, 0.90, 0.95)
PRIORS: Final = {"common prior": SPREADS, "flat": (100.0,)}
_ROUNDING: Final = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Checked:
    """One figure with its truth: draws and what they should hold."""

    draws: Floats
    truth: float
    joint: bool
    best: float = float("nan")

    def holds(self, level: float) -> bool:
        """Whether the central interval of this level has the truth inside."""
        low, high = np.quantile(self.draws, ((1 - level) / 2, (1 + level) / 2))
        return bool(low - _ROUNDING <= self.truth <= high + _ROUNDING)


def checked(lab: Lab) -> Iterator[tuple[str, Checked]]:
    """By prior: each factor alone, and the first three together."""
    records = lab.snapshot
    if records.observed_until is None:
        raise ValueError("A lab without an end of observation. Need the day up to which returns are complete.")
    table = count_patterns(connect(records), records.standard, observed_until=records.observed_until)
    findings = find(table, records.standard, horizon=HORIZON)
    actions = [CorrectiveAction(action=name, title=name, corrects={name: 1.0}) for name in NAMES]
    hazards = lab.truth.hazards
    truth = replace(lab.truth, hazards=replace(hazards, follow_up=np.full(hazards.follow_up.shape, float(HORIZON))))
    best = truth.best(FIRST)
    for name, spreads in PRIORS.items():
        prepared = prepare(table, findings, actions, horizon=HORIZON, spreads=spreads)
        for figure in _figures(prepared, actions, truth, best):
            yield name, figure


def _figures(prepared: Prepared, actions: Sequence[CorrectiveAction], truth: Truth, best: float) -> Iterator[Checked]:
    none_yet, months = prepared.portfolio(Costs()), prepared.months
    in_reach = {factor for model in prepared.models for factor in model.factors}
    for factor in sorted(in_reach):
        draws = none_yet.worth_with({factor: 1.0}).avoided * months
        yield Checked(draws=draws, truth=truth.avoided_by(frozenset({factor})), joint=False)
    ranked = rank_prepared(prepared, actions, Costs(default_per_return=1.0))
    first = [one.action for one in ranked[:FIRST]]
    draws = none_yet.worth_with(dict.fromkeys(first, 1.0)).avoided * months
    yield Checked(draws=draws, truth=truth.avoided_by(frozenset(first)), joint=True, best=best)


def report(found: Sequence[tuple[str, Checked]]) -> str:
    """One line a prior and kind of figure, as a Markdown table."""
    levels = " | ".join(f"holds {level:.0%}" for level in LEVELS)
    lines = [f"| prior | figure | number | {levels} | bias | lost |", f"|---|---|{'---:|' * (len(LEVELS) + 3)}"]
    for prior in PRIORS:
        for joint, says in ((False, "each factor"), (True, f"first {FIRST} together")):
            mine = [one for name, one in found if name == prior and one.joint == joint]
            holds = " | ".join(f"{np.mean([one.holds(level) for one in mine]):.3f}" for level in LEVELS)
            told, true = sum(float(one.draws.mean()) for one in mine), sum(one.truth for one in mine)
            lost = f"{1 - true / sum(one.best for one in mine):.3f}" if joint else "-"
            lines.append(f"| {prior} | {says} | {len(mine)} | {holds} | {told / true - 1:+.3f} | {lost} |")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.actions_calibration", description=__doc__)
    parser.add_argument("--seeds", default="1-2", help="1-3; to 99 for tuning, from 121 to report")
    parser.add_argument("--scenarios", default=",".join(SCENARIOS), help="names parted by commas")
    wanted = parser.parse_args()
    first, _dash, last = wanted.seeds.partition("-")
    found: list[tuple[str, Checked]] = []
    with threadpool_limits(limits=1):
        for seed in range(int(first), int(last or first) + 1):
            for scenario in wanted.scenarios.split(","):
                found += checked(make_lab(scenario, seed))
    print(report(found))


if __name__ == "__main__":
    main()

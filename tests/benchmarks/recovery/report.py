"""The printed tables: by scenario and method, and the goals of the project's own method."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from math import isnan
from pathlib import Path
from typing import Final

import numpy as np

from tests.benchmarks.recovery.methods import METHODS
from tests.benchmarks.recovery.runs import Row
from tests.benchmarks.recovery.scenarios import SCENARIOS
from tests.benchmarks.recovery.scores import Score, Summary, summary

__all__ = ["Goal", "goals", "goals_table", "results_table", "seeds_in_words", "write_into"]

MARKS: Final = ("<!-- results: written by --readme -->", "<!-- end of the results -->")
_DRAWS: Final = 1000

_COLUMNS: Final[tuple[tuple[str, Callable[[Summary], str]], ...]] = (
    ("found", lambda s: _percent(s.found)),
    ("false", lambda s: _percent(s.false)),
    ("false plausible", lambda s: _percent(s.false_plausible)),
    ("false/lab", lambda s: f"{s.false_per_lab:.2f}"),
    ("told false", lambda s: _percent(s.reported_false)),
    ("strong", lambda s: str(s.strong) if s.strong else "-"),
    ("strong false", lambda s: _percent(s.strong_false)),
    ("told anyway", lambda s: _percent(s.told_anyway)),
    ("cover null", lambda s: _percent(s.null_coverage, 1)),
    ("cover cause", lambda s: _percent(s.cause_coverage, 1)),
    ("z mean", lambda s: _plain(s.z_mean)),
    ("z sd", lambda s: _plain(s.z_sd)),
    ("bias", lambda s: _plain(s.bias)),
    ("avoid bias", lambda s: _percent(s.avoidable_bias)),
    ("avoid error", lambda s: _percent(s.avoidable_error)),
    ("avoid cover", lambda s: _percent(s.avoidable_coverage, 1)),
    ("lost", lambda s: _percent(s.lost, 1)),
    ("seconds", lambda s: f"{s.seconds:.1f}"),
    ("spared cover 90", lambda s: _percent(s.spared_coverage, 1)),
    ("joint cover 90", lambda s: _percent(s.joint_coverage, 1)),
    ("joint bias", lambda s: _percent(s.joint_bias, 1)),
    ("joint error", lambda s: _percent(s.joint_error)),
    ("saved bias", lambda s: _percent(s.saved_bias, 1)),
    ("paying bias", lambda s: _percent(s.paying_bias, 1)),
    ("net bias", lambda s: _percent(s.net_bias, 1)),
    ("net cover 95", lambda s: _percent(s.net_coverage, 1)),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """One goal of the project's own method: what was seen, and how far other labs may have moved it."""

    wanted: str
    seen: float
    low: float
    high: float
    reached: bool


def results_table(rows: Sequence[Row]) -> str:
    """One line a scenario and method, and the total, as a Markdown table."""
    lines = [["scenario", "labs", "method", *(name for name, _show in _COLUMNS)]]
    for scenario in [*SCENARIOS, ""]:
        for method in METHODS:
            mine = [row.score for row in rows if row.method == method and scenario in ("", row.scenario)]
            if mine:
                told = summary(mine)
                lines.append([scenario or "**total**", str(len(mine)), method, *(show(told) for _n, show in _COLUMNS)])
    return _markdown(lines, left=(0, 2))


def goals(rows: Sequence[Row]) -> list[Goal]:
    """Hold the project's own method against its goals; intervals by drawing labs anew (bootstrap over labs)."""
    mine = [row.score for row in rows if row.method == "remakes"]
    best = [row.score for row in rows if row.method == "oracle"]
    # An effect of a miss somewhere shifts nothing elsewhere, but labs without any are the plainer question.
    without = [row.score for row in rows if row.method == "remakes" and row.scenario == "null"]
    # Earlier results hold no money.
    priced = [score for score in mine if score.net_intervals]

    def goal(
        wanted: str,
        figure: Callable[[Sequence[Score], Sequence[Score]], float],
        low: float,
        high: float,
        mine: Sequence[Score] = mine,
    ) -> Goal:
        seen = figure(mine, best) if mine else np.nan
        picks = np.random.default_rng(0).integers(0, max(len(mine), 1), (_DRAWS, len(mine)))
        drawn = [figure([mine[k] for k in pick], [best[k] for k in pick]) for pick in picks if mine]
        known = bool(drawn) and not np.isnan(drawn).all()
        ends = np.nanquantile(drawn, (0.025, 0.975)) if known else (np.nan, np.nan)
        return Goal(wanted=wanted, seen=seen, low=float(ends[0]), high=float(ends[1]), reached=low <= seen <= high)

    return [
        goal("false among found at q < 0.10: at most 0.10", lambda m, _b: summary(m).false, 0.0, 0.10),
        goal("false among the told (plausible, weak or better)", lambda m, _b: summary(m).reported_false, 0.0, 0.10),
        goal("false among strong: at most 0.03", lambda m, _b: summary(m).strong_false, 0.0, 0.03),
        goal("95 % intervals of nulls cover: 0.93 to 0.97", lambda m, _b: summary(m).null_coverage, 0.93, 0.97),
        goal("95 % intervals of causes cover: 0.93 to 0.97", lambda m, _b: summary(m).cause_coverage, 0.93, 0.97),
        goal("z standard deviation in null labs: 0.95 to 1.05", lambda m, _b: summary(m).z_sd, 0.95, 1.05, without),
        goal("z standard deviation of all null pairs", lambda m, _b: summary(m).z_sd, 0.95, 1.05),
        goal("found, relative to the oracle: at least 0.95", _relative_to, 0.95, np.inf),
        goal("lost by the first three: at most 0.05", lambda m, _b: summary(m).lost, -np.inf, 0.05),
        goal(
            "90 % intervals of spared returns cover: 0.85 to 0.95", lambda m, _b: summary(m).spared_coverage, 0.85, 0.95
        ),
        goal("the same of the first three together", lambda m, _b: summary(m).joint_coverage, 0.85, 0.95),
        goal("bias of the first three together: within 0.10", lambda m, _b: summary(m).joint_bias, -0.10, 0.10),
        goal(
            "bias of what actions save, each alone: within 0.10",
            lambda m, _b: summary(m).saved_bias,
            -0.10,
            0.10,
            priced,
        ),
        goal("bias of the net value of those said to pay", lambda m, _b: summary(m).paying_bias, -0.10, 0.10, priced),
        goal("bias of the net value of the first three", lambda m, _b: summary(m).net_bias, -0.10, 0.10, priced),
        goal("95 % intervals of that cover: 0.93 to 0.97", lambda m, _b: summary(m).net_coverage, 0.93, 0.97, priced),
    ]


def goals_table(found: Iterable[Goal]) -> str:
    """The goals as a Markdown table."""
    lines = [["goal", "seen", "95 % interval over labs", "reached"]]
    lines += [
        [one.wanted, f"{one.seen:.3f}", f"{one.low:.3f} to {one.high:.3f}", "yes" if one.reached else "**no**"]
        for one in found
    ]
    return _markdown(lines, left=(0,))


def seeds_in_words(rows: Sequence[Row]) -> str:
    """Which seeds: `101-104`."""
    seeds = sorted({row.seed for row in rows})
    whole = seeds == list(range(seeds[0], seeds[-1] + 1))
    return f"{seeds[0]}-{seeds[-1]}" if whole and len(seeds) > 1 else ", ".join(map(str, seeds))


def write_into(readme: Path, text: str) -> None:
    """Put the results between the marks of a README."""
    before, _mark, rest = readme.read_text(encoding="utf-8").partition(MARKS[0])
    _old, end, after = rest.partition(MARKS[1])
    if not end:
        raise ValueError(f"{readme} has no lines {MARKS[0]} and {MARKS[1]}. Put them where the results belong.")
    readme.write_text(f"{before}{MARKS[0]}\n\n{text}\n\n{MARKS[1]}{after}", encoding="utf-8")


def _relative_to(mine: Sequence[Score], best: Sequence[Score]) -> float:
    own, other = sum(one.found for one in mine), sum(one.found for one in best)
    return own / other if other else float("nan")


def _markdown(lines: Sequence[Sequence[str]], *, left: tuple[int, ...]) -> str:
    widths = [max(len(line[k]) for line in lines) for k in range(len(lines[0]))]

    def row(cells: Sequence[str]) -> str:
        shown = (c.ljust(w) if k in left else c.rjust(w) for k, (c, w) in enumerate(zip(cells, widths, strict=True)))
        return f"| {' | '.join(shown)} |"

    rule = [f"{'-' * w}" if k in left else f"{'-' * (w - 1)}:" for k, w in enumerate(widths)]
    return "\n".join([row(lines[0]), f"| {' | '.join(rule)} |", *(row(line) for line in lines[1:])])


def _percent(value: float, digits: int = 0) -> str:
    return "-" if isnan(value) else f"{100 * value:.{digits}f} %"


def _plain(value: float) -> str:
    return "-" if isnan(value) else f"{value:.2f}"

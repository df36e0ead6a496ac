"""Which rules say that a month is different, and how often they are wrong.

Three rules, each with its share of false alarms:

- a single month beyond the limits of common variation;
- a risk-adjusted cumulative sum of log-likelihood ratios for half as many again, which finds rises that are too slow
  or too small for a single month; a doubling it finds as soon as a sum made for a doubling does, and slow rises sooner;
- the same for a third less.

Runs of months on one side of the expected are not used: the cumulative sums find what they find, earlier, and runs
cost false alarms of their own (`tests/benchmarks/months_calibration.py` prints the comparison).

The thresholds of the sums are found by simulating the whole procedure on stable labs: the reference months too are
drawn, and the expectation, its uncertainty and the overdispersion are learned from them as in the lab. They depend on
what was known before a month was seen (rounded), never on later months, so that no signal of the past is rewritten.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import log2
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.texts import later
from remakes.trends.months.common_variation import TAIL, at_least, at_most, drawn_overdispersion

__all__ = [
    "ABOVE",
    "BELOW",
    "FALL",
    "GUARD_MONTHS",
    "REFERENCE_MONTHS",
    "RISE",
    "Marks",
    "Thresholds",
    "change_point",
    "mark",
    "thresholds",
]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

ABOVE: Final = later("above the limit")
BELOW: Final = later("below the limit")
#: Months that add up, none of which need stand out by itself.
RISE: Final = later("slow rise")
FALL: Final = later("slow fall")

#: The latest months before a month are kept out of its expectation, lest a change teach what it is measured against.
GUARD_MONTHS: Final = 3
#: Longest stretch of months an expectation is learned from.
REFERENCE_MONTHS: Final = 24

#: What the sums look for, as multiples of the expected.
_RATIOS: Final = (1.5, 1.0 / 1.5)
#: False signals per judged month that each sum is given: 0.36 and 0.12 in 24 months.
_BUDGETS: Final = (0.015, 0.005)
#: So many standard deviations above or below its expected a month may lie beyond a limit; nearer ones need no tail
#: probability. With much dispersion the lower limit lies little more than one below.
_NEAREST_LIMITS: Final = (1.5, 0.5)
#: A month adds this share of a threshold at most, so that at least two months stand behind a signal of a sum.
_MOST_OF_THRESHOLD: Final = 0.8

_LABS: Final = 500
_JUDGED: Final = 36
_SEED: Final = 20_240_501
_TRIED: Final = np.arange(0.5, 9.1, 0.5)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Marks:
    """Signals, (series, months) arrays."""

    above: Flags
    below: Flags
    rise: Flags
    fall: Flags


@dataclass(frozen=True, slots=True, kw_only=True)
class Thresholds:
    """Heights at which the two sums signal, and how often all rules together are wrong.

    `false_signals`: months of a stable lab that carry a signal, as a share of the judged ones.
    """

    rise: float
    fall: float
    false_signals: float


def mark(observed: Floats, expected: Floats, dispersion: Floats, *, rise: Floats, fall: Floats) -> Marks:
    """Which months carry a signal?

    Parameters
    ----------
    observed, expected, dispersion : (series, months) arrays
        nan in `expected` where a month was not judged: it has no signal and leaves the sums as they were.
    rise, fall : arrays that broadcast to (series, months)
        Thresholds of the sums. A sum that reached its threshold starts again from 0.
    """
    above, below = _beyond(observed, expected, dispersion)
    thresholds_of = (np.broadcast_to(rise, observed.shape), np.broadcast_to(fall, observed.shape))
    reached = [
        _reached(scores(observed, expected, dispersion, ratio=ratio), threshold)
        for ratio, threshold in zip(_RATIOS, thresholds_of, strict=True)
    ]
    return Marks(above=above, below=below, rise=reached[0], fall=reached[1])


def scores(observed: Floats, expected: Floats, dispersion: Floats, *, ratio: float) -> Floats:
    """Log-likelihood ratio of each month for `ratio` times the expected against the expected; 0 where not judged.

    Notes
    -----
    Negative binomial with the dispersion as known, elementwise.
    """
    a = np.maximum(dispersion, 1e-6)
    usual, changed = 1.0 + a * expected, 1.0 + a * ratio * expected
    found = observed * np.log(ratio * usual / changed) - np.log(changed / usual) / a
    return np.nan_to_num(found, nan=0.0)


def _beyond(observed: Floats, expected: Floats, dispersion: Floats) -> tuple[Flags, Flags]:
    judged = np.isfinite(expected)
    spread = np.sqrt(np.where(judged, expected + dispersion * expected**2, np.inf))
    far = np.where(judged, observed - expected, 0.0) / np.maximum(spread, 1e-12)
    over, under = _NEAREST_LIMITS
    above, below = np.zeros(observed.shape, dtype=np.bool_), np.zeros(observed.shape, dtype=np.bool_)
    for flags, candidates, tail in ((above, far > over, at_least), (below, far < -under, at_most)):
        flags[candidates] = tail(observed[candidates], expected[candidates], dispersion[candidates]) <= TAIL
    return above, below


def _reached(steps: Floats, threshold: Floats) -> Flags:
    """Where a sum from 0, never below it, reaches its threshold and starts again; over the second axis."""
    level = np.zeros((len(steps), *steps.shape[2:]))
    reached = np.zeros(steps.shape, dtype=np.bool_)
    for month in range(steps.shape[1]):
        # The share keeps a single month from being called slow; that is what the limits are for.
        step = np.fmin(steps[:, month], _MOST_OF_THRESHOLD * threshold[:, month])
        level = np.maximum(level + step, 0.0)
        hit = level >= threshold[:, month]
        reached[:, month] = hit
        level[hit] = 0.0
    return reached


def thresholds(*, expected: float, information: float, overdispersion: float) -> Thresholds:
    """Where must the sums signal for a month like this one, and how often are all rules wrong?

    Parameters
    ----------
    expected : float
        Returns expected in the month.
    information : float
        Returns behind the expectation: its squared coefficient of variation is one over this.
    overdispersion : float
        Squared coefficient of variation of the monthly rate.

    Notes
    -----
    All three are rounded, so that months alike share one simulation: expected to a factor of 1.2, months behind it to
    one of 1.4, overdispersion to the nearest of a few.
    """
    level = round(2.0 * log2(max(expected, 0.25)))
    months = max(information / max(expected, 0.25), 2.0)
    return _simulated(level, round(log2(min(months, 32.0))), int(np.argmin(abs(_VARIATION - overdispersion))))


_VARIATION: Final = np.array([0.01, 0.03, 0.08, 0.2, 0.4])


@lru_cache(maxsize=1024)
def _simulated(level: int, length: int, variation: int) -> Thresholds:
    mean, months, extra = 2.0 ** (level / 2), 2**length, float(_VARIATION[variation])
    observed, expected, dispersion = _stable_labs(mean, months, extra)
    heights = []
    for ratio, budget in zip(_RATIOS, _BUDGETS, strict=True):
        steps = scores(observed, expected, dispersion, ratio=ratio)
        tried = np.broadcast_to(_TRIED, (len(steps), steps.shape[1], len(_TRIED)))
        wrong = _reached(np.broadcast_to(steps[:, :, None], tried.shape), tried).mean(axis=(0, 1))
        heights.append(_height(wrong, budget))
    marks = mark(observed, expected, dispersion, rise=np.array(heights[0]), fall=np.array(heights[1]))
    signal = marks.above | marks.below | marks.rise | marks.fall
    return Thresholds(rise=heights[0], fall=heights[1], false_signals=float(signal.mean()))


def _height(wrong: Floats, budget: float) -> float:
    """Height with the given share of false signals, between the heights tried."""
    within = np.flatnonzero(wrong <= budget)
    if not len(within):
        return float(_TRIED[-1])
    k = int(within[0])
    if k == 0:
        return float(_TRIED[0])
    before, after = np.log(wrong[k - 1]), np.log(max(wrong[k], 1e-9))
    share = (before - np.log(budget)) / max(before - after, 1e-12)
    return float(_TRIED[k - 1] + share * (_TRIED[k] - _TRIED[k - 1]))


def _stable_labs(mean: float, months: int, extra: float) -> tuple[Floats, Floats, Floats]:
    """Counts of stable labs, and what their own past months let expect; (labs, judged months) arrays."""
    rng = np.random.default_rng(_SEED)
    size = (_LABS, months + GUARD_MONTHS + _JUDGED)
    rate = rng.gamma(1.0 / extra, extra * mean, size) if extra else np.full(size, mean)
    counts = rng.poisson(rate).astype(np.float64)
    learned = _moving_sum(counts, months)[:, :_JUDGED]
    ratio = learned / (mean * months)
    changes = _moving_sum(np.diff(counts) ** 2, months - 1)[:, :_JUDGED]
    level = mean * ratio
    between = drawn_overdispersion(
        squares=changes, chance=2.0 * (months - 1) * level, weight=2.0 * (months - 1) * level**2, pairs=months - 1
    )
    return counts[:, months + GUARD_MONTHS :], level, between + 1.0 / np.maximum(learned, 1.0)


def _moving_sum(values: Floats, months: int) -> Floats:
    summed = np.concatenate([np.zeros((len(values), 1)), values.cumsum(axis=1)], axis=1)
    moving: Floats = summed[:, months:] - summed[:, :-months]
    return moving


def change_point(observed: Floats, expected: Floats, *, rise: bool) -> int:
    """From which month on do the returns depart from the expected most clearly?

    Parameters
    ----------
    observed, expected : (months,) arrays
        Judged months, oldest first, through the latest.
    rise : bool
        Look for more than expected, or for fewer.

    Returns
    -------
    int
        Position of the first month of the change: the start of the stretch, reaching to the latest month, with the
        largest Poisson likelihood ratio for a common ratio of observed to expected.
    """
    seen, awaited = observed[::-1].cumsum()[::-1], expected[::-1].cumsum()[::-1]
    ratio = np.divide(seen, awaited, out=np.ones_like(seen), where=awaited > 0)
    gain = seen * np.log(np.maximum(ratio, 1e-300)) - (seen - awaited)
    right_way = ratio > 1.0 if rise else ratio < 1.0
    return int(np.where(right_way, gain, -np.inf).argmax())

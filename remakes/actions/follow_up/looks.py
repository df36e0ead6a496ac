"""The returns look by look: which one decided, how far the returns fell, and how long until they decide."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from remakes.actions.follow_up.returns import ExpectedReturns
from remakes.actions.follow_up.sequential import Boundaries, Comparison, Periods, boundaries, common_factor
from remakes.counts.table import DAYS_PER_MONTH
from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.trends.months.common_variation import at_least, at_most

__all__ = ["MISSED_FALL_ERROR", "JudgedReturns", "Look", "judge_returns", "ratio_to_expected"]

Floats = NDArray[np.float64]

#: Rate of "no effect" by too many returns, over all looks, if they fell by exactly as much as is worth having.
MISSED_FALL_ERROR: Final = 0.1

_TAIL: Final = 0.025
_HALVINGS: Final = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One look at the end of a period.

    Attributes
    ----------
    until : date
        First day after the period.
    observed : int
        Returns since the start, of restorations delivered since.
    expected : float
        Without the action, from the months before the decision.
    verified_at_most : int or None
        As many or fewer show a fall; None where no count would yet.
    no_effect_at_least : int or None
        As many or more exclude the fall worth having; None where no count would yet.
    """

    until: date
    observed: int
    expected: float
    verified_at_most: int | None
    no_effect_at_least: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedReturns:
    """What the returns say.

    Attributes
    ----------
    observed : int
    expected : float
        Without the action, with what the comparison tells of a change in all reporting; nan where it cannot be had.
    common_change : float
        By what factor all reporting seems to have changed and the expectation to be off; in `expected` already.
    ratio : Estimate
        Observed through expected, 95 % interval for one look.
    looks : tuple of Look
    decided : str
        ``fell``, ``excluded``, or blank.
    decided_at : int or None
        Position of the look that decided.
    months_more : float or None
        Until the returns decide, at the present rate; the end of the time to look at the latest. None where they
        decided, where the time is over, or where nothing can be expected.
    decides_in_time : bool
        Whether they do by then; False where `months_more` is None.
    power : float
        Chance that a fall as large as is worth having would be shown within the time; nan where it cannot be had.
    missing : str
    """

    observed: int
    expected: float
    common_change: float
    ratio: Estimate
    looks: tuple[Look, ...]
    decided: Literal["fell", "excluded", ""]
    decided_at: int | None
    months_more: float | None
    decides_in_time: bool
    power: float
    missing: str


def judge_returns(
    found: ExpectedReturns,
    *,
    starts_on: date,
    ends: tuple[date, ...],
    ratio: float,
    error: float,
    looks: Collection[date] | None = None,
) -> JudgedReturns:
    """Did returns fall, or is the fall worth having excluded?

    Parameters
    ----------
    found : ExpectedReturns
    starts_on : date
    ends : tuple of date
        First days after all periods, seen and to come.
    ratio : float
        What returns would be of the expected, were the fall just worth having.
    error : float
        One-sided, of "fell" over all looks.
    looks : collection of date, optional
        Of `ends`, those after which it is looked; all of them otherwise.

    Notes
    -----
    Periods between two looks are one. The last of `ends` is always a look.
    """
    observed = int(found.observed.sum())
    if found.periods is None:
        return _unjudged(observed, found.missing)
    looked = _looked(found.periods, found, ends, looks)
    limits = boundaries(looked.periods, error=error, missed_error=MISSED_FALL_ERROR, ratio=ratio)
    decided, at = _decided(looked.totals, limits)
    values, weights = common_factor(found.periods, seen=found.seen)
    common = float(weights @ values)
    reference = found.periods.expected[: found.seen]
    waits = not decided and found.seen < len(ends)
    months_more, in_time = _months_more(looked, common, limits, starts_on) if waits else (None, False)
    return JudgedReturns(
        observed=observed,
        expected=float(reference.sum()) * common,
        common_change=common,
        ratio=ratio_to_expected(observed, reference, found.periods.overdispersion, values, weights),
        looks=_looks(looked, limits),
        decided=decided,
        decided_at=at,
        months_more=months_more,
        decides_in_time=in_time,
        power=float(limits.verified_by_then[-1]),
        missing="",
    )


def ratio_to_expected(
    observed: int, expected: Floats, overdispersion: float, values: Floats, weights: Floats
) -> Estimate:
    """Observed through expected, with the interval that all uncertainty of the expectation asks for.

    Parameters
    ----------
    observed : int
    expected : (periods,) array
        From the reference alone.
    overdispersion : float
        Of one period.
    values, weights : (points,) arrays
        The unknown factor of the expectation.

    Notes
    -----
    The ends are the ratios at which so few, or so many, returns have a chance of 2.5 %. Nothing expected: unknown.
    """
    total = float(expected.sum())
    if total <= 0.0:
        return UNKNOWN
    spread = np.full(len(values), overdispersion * float((expected**2).sum()) / total**2)
    count = np.full(len(values), float(observed))

    def end(below: bool) -> float:
        lower, upper = 1e-4, 1e4
        for _ in range(_HALVINGS):
            middle = float(np.sqrt(lower * upper))
            mean = values * total * middle
            tail = at_least(count, mean, spread) if below else at_most(count, mean, spread)
            # The chance of so many grows with the ratio, that of so few falls.
            too_small = (weights @ tail < _TAIL) if below else (weights @ tail > _TAIL)
            lower, upper = (middle, upper) if too_small else (lower, middle)
        return float(np.sqrt(lower * upper))

    return Estimate(observed / (total * float(weights @ values)), end(True) if observed else 0.0, end(False))


def _unjudged(observed: int, missing: str) -> JudgedReturns:
    return JudgedReturns(
        observed=observed,
        expected=float("nan"),
        common_change=float("nan"),
        ratio=UNKNOWN,
        looks=(),
        decided="",
        decided_at=None,
        months_more=None,
        decides_in_time=False,
        power=float("nan"),
        missing=missing,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Looked:
    """Periods joined up to each look: all of them, the sums of returns at those had, and the day after each."""

    periods: Periods
    totals: Floats
    until: tuple[date, ...]


def _looked(
    periods: Periods, found: ExpectedReturns, ends: tuple[date, ...], looks: Collection[date] | None
) -> _Looked:
    at = np.flatnonzero([looks is None or day in looks or day == ends[-1] for day in ends])
    had = int((at < found.seen).sum())
    begins = np.append(0, at[:-1] + 1).astype(np.intp)
    over = int(at[had - 1]) + 1 if had else 0

    def joined(values: Floats) -> Floats:
        return np.add.reduceat(values[:over], begins[:had]) if had else np.zeros(0)

    expected = np.add.reduceat(periods.expected, begins)
    # Months vary one by one, so that several together vary less: by the sum of squares through the squared sum.
    squares = np.add.reduceat(periods.expected**2, begins)
    share = float(np.median(np.divide(squares, expected**2, out=np.ones_like(squares), where=expected > 0)))
    other = periods.comparison
    return _Looked(
        periods=Periods(
            expected=expected,
            planned=periods.planned,
            information=periods.information,
            overdispersion=periods.overdispersion * share,
            comparison=Comparison(
                returns=joined(other.returns), expected=joined(other.expected), information=other.information
            ),
        ),
        totals=joined(found.observed).cumsum(),
        until=tuple(ends[k] for k in at),
    )


def _decided(totals: Floats, limits: Boundaries) -> tuple[Literal["fell", "excluded", ""], int | None]:
    """The first look that decides; a fall that is shown goes before one that is smaller than hoped for."""
    for look, total in enumerate(totals):
        if total <= limits.verified_at_most[look]:
            return "fell", look
        if total >= limits.no_effect_at_least[look]:
            return "excluded", look
    return "", None


def _looks(looked: _Looked, limits: Boundaries) -> tuple[Look, ...]:
    expected = looked.periods.expected.cumsum()
    found = []
    for k, total in enumerate(looked.totals):
        low, high = int(limits.verified_at_most[k]), int(limits.no_effect_at_least[k])
        found.append(
            Look(
                until=looked.until[k],
                observed=int(total),
                expected=float(expected[k]),
                verified_at_most=low if low >= 0 else None,
                no_effect_at_least=high if high <= limits.largest else None,
            )
        )
    return tuple(found)


def _months_more(looked: _Looked, common: float, limits: Boundaries, starts_on: date) -> tuple[float, bool]:
    """Months from the last look to the one that decides if returns go on at the present ratio to the expected.

    And whether one does: otherwise the months are those to the last look.
    """
    had = len(looked.totals)
    observed = float(looked.totals[-1]) if had else 0.0
    expected = looked.periods.expected * common
    # One return of each borrowed, so that nothing seen yet is not taken for nothing to come.
    present = (observed + 1.0) / (float(expected[:had].sum()) + 1.0)
    to_come = np.round(observed + (expected[had:] * present).cumsum())
    decides = (to_come <= limits.verified_at_most[had:]) | (to_come >= limits.no_effect_at_least[had:])
    in_time = bool(decides.any())
    at = had + (int(np.argmax(decides)) if in_time else len(decides) - 1)
    last = looked.until[had - 1] if had else starts_on
    return (looked.until[at] - last).days / DAYS_PER_MONTH, in_time

"""How good an answer is, as counts that can be summed over labs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields, replace
from math import exp, isfinite, log, nan, sqrt
from typing import Any, Final

import numpy as np
from scipy.special import ndtri

from remakes.evidence.grades import REPORTED
from tests.benchmarks.recovery.labs import Lab, Pair, Truth
from tests.benchmarks.recovery.methods import FIRST, Answer, Told
from tests.benchmarks.recovery.service import HORIZON
from tests.benchmarks.recovery.trade import PLAUSIBLE
from tests.benchmarks.recovery.values import value_scores

__all__ = ["Score", "Summary", "score", "summary"]

_FOUND: Final = 0.10
#: Of a difference of two expected numbers of returns that are the same.
_ROUNDING: Final = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """Counts of one lab and method.

    Attributes
    ----------
    causes, found : int
        Planted pairs; those at q < 0.10 in the right direction.
    false, false_downwards, false_implausible : int
        Other pairs at q < 0.10, in whichever direction; those of them with fewer returns after a miss; those of
        them that the standard calls implausible. A cause in the wrong direction is false, too.
    reported, reported_false : int
        Plausible pairs graded weak or better, what a reader is told of; false ones.
    strong, strong_false : int
        Pairs with the best grade that are causes or false; false ones.
    cannot_be_told, told_anyway : int
        Pairs that nobody can tell apart; those found nevertheless and not graded "cannot tell".
    null_intervals, null_covered, cause_intervals, cause_covered : int
        Pairs with an interval of the odds ratio, and how many hold the truth.
    z_count, z_sum, z_squares : int and float
        Signed normal quantile of p, over null pairs.
    error_sum, error_squares : float
        Log odds ratio less the truth, over causes with an estimate above 0.
    error_count : int
    avoidable, avoidable_told, avoidable_error : float
        Over causes with an estimate: true returns, returns told, sum of absolute differences.
    avoidable_intervals, avoidable_covered : int
    best, chosen : float
        Returns avoided by the best three factors, and by the three the method puts first.
    seconds : float
    spared_intervals, spared_covered : int
        Factors with a 90 % interval of the returns that an end of their misses would spare, had all restorations
        been followed to the horizon; how many hold the truth.
    joint_intervals, joint_covered : int
        The same of the first three together: one a lab.
    joint_above, joint_below : int
        Such intervals that lie above, below the truth.
    joint_true, joint_told, joint_error : float
        Returns that the first three together would truly spare, as told, and the absolute difference.
    saved_true, saved_told : float
        Money a month that every priced action would truly save if it were the only one, and as told; summed.
    paying : int
        Priced actions that are told to add more than they cost.
    paying_true, paying_told : float
        Net value a month of those together.
    net_true, net_told : float
        Net value a month of the first three priced actions together.
    net_intervals, net_covered, net_above, net_below : int
        95 % intervals of that, how many hold the truth, lie above it, and below it: one a lab.
    """

    causes: int
    found: int
    false: int
    false_downwards: int
    false_implausible: int
    reported: int
    reported_false: int
    strong: int
    strong_false: int
    cannot_be_told: int
    told_anyway: int
    null_intervals: int
    null_covered: int
    cause_intervals: int
    cause_covered: int
    z_count: int
    z_sum: float
    z_squares: float
    error_count: int
    error_sum: float
    error_squares: float
    avoidable: float
    avoidable_told: float
    avoidable_error: float
    avoidable_intervals: int
    avoidable_covered: int
    best: float
    chosen: float
    seconds: float
    spared_intervals: int = 0
    spared_covered: int = 0
    joint_intervals: int = 0
    joint_covered: int = 0
    joint_above: int = 0
    joint_below: int = 0
    joint_true: float = 0.0
    joint_told: float = 0.0
    joint_error: float = 0.0
    saved_true: float = 0.0
    saved_told: float = 0.0
    paying: int = 0
    paying_true: float = 0.0
    paying_told: float = 0.0
    net_true: float = 0.0
    net_told: float = 0.0
    net_intervals: int = 0
    net_covered: int = 0
    net_above: int = 0
    net_below: int = 0

    def __add__(self, other: Score) -> Score:
        return Score(**{one.name: getattr(self, one.name) + getattr(other, one.name) for one in fields(Score)})


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """Shares of summed counts; nan where there is nothing to divide by."""

    found: float
    false: float
    false_plausible: float
    false_per_lab: float
    reported_false: float
    strong: int
    strong_false: float
    told_anyway: float
    null_coverage: float
    cause_coverage: float
    z_mean: float
    z_sd: float
    bias: float
    avoidable_bias: float
    avoidable_error: float
    avoidable_coverage: float
    lost: float
    seconds: float
    spared_coverage: float
    joint_coverage: float
    joint_bias: float
    joint_error: float
    saved_bias: float
    paying_bias: float
    net_bias: float
    net_coverage: float


def score(lab: Lab, answer: Answer) -> Score:
    """Hold an answer against the truth of its lab."""
    truth = lab.truth
    return Score(
        **_findings(truth, answer),
        **_intervals(truth, answer),
        **_null_z(truth, answer),
        **_errors(truth, answer),
        **_avoidable(truth, answer),
        best=truth.best(FIRST),
        chosen=truth.avoided_by(frozenset(answer.first)),
        seconds=answer.seconds,
        **_spared(truth, answer),
        **(value_scores(truth, answer.priced, first=FIRST) if answer.priced else {}),
    )


def summary(scores: Iterable[Score]) -> Summary:
    """Pool the labs: shares of all pairs together, not means of shares."""
    each = list(scores)
    total = each[0]
    for one in each[1:]:
        total = total + one
    mean = _share(total.z_sum, total.z_count)
    plausible = total.false - total.false_implausible
    return Summary(
        found=_share(total.found, total.causes),
        false=_share(total.false, total.found + total.false),
        false_plausible=_share(plausible, total.found + plausible),
        false_per_lab=total.false / len(each),
        reported_false=_share(total.reported_false, total.reported),
        strong=total.strong,
        strong_false=_share(total.strong_false, total.strong),
        told_anyway=_share(total.told_anyway, total.cannot_be_told),
        null_coverage=_share(total.null_covered, total.null_intervals),
        cause_coverage=_share(total.cause_covered, total.cause_intervals),
        z_mean=mean,
        z_sd=sqrt(max(total.z_squares / total.z_count - mean**2, 0.0)) if total.z_count else nan,
        bias=_share(total.error_sum, total.error_count),
        avoidable_bias=_share(total.avoidable_told - total.avoidable, total.avoidable),
        avoidable_error=_share(total.avoidable_error, total.avoidable),
        avoidable_coverage=_share(total.avoidable_covered, total.avoidable_intervals),
        lost=_share(total.best - total.chosen, total.best),
        seconds=total.seconds / len(each),
        spared_coverage=_share(total.spared_covered, total.spared_intervals),
        joint_coverage=_share(total.joint_covered, total.joint_intervals),
        joint_bias=_share(total.joint_told - total.joint_true, total.joint_true),
        joint_error=_share(total.joint_error, total.joint_true),
        saved_bias=_bias(total.saved_told, total.saved_true),
        paying_bias=_bias(total.paying_told, total.paying_true),
        net_bias=_bias(total.net_told, total.net_true),
        net_coverage=_share(total.net_covered, total.net_intervals),
    )


def _share(part: float, whole: float) -> float:
    return part / whole if whole else nan


def _bias(told: float, true: float) -> float:
    # Relative to a loss, or to nothing, an error says nothing.
    return (told - true) / true if true > _ROUNDING else nan


def _findings(truth: Truth, answer: Answer) -> dict[str, Any]:
    found = [pair for pair, q in answer.q.items() if q < _FOUND and pair not in truth.cannot_be_told]
    right = {pair for pair in found if pair in truth.causes and answer.told[pair].odds_ratio > 1.0}
    false = [pair for pair in found if pair not in right]
    strong = [pair for pair, told in answer.told.items() if told.grade == "strong" and pair not in truth.cannot_be_told]
    reported = [
        pair
        for pair, told in answer.told.items()
        if told.grade in REPORTED and pair in PLAUSIBLE and pair not in truth.cannot_be_told
    ]
    return {
        "causes": len(truth.causes),
        "found": len(right),
        "false": len(false),
        "false_downwards": sum(not answer.told[pair].odds_ratio > 1.0 for pair in false),
        "false_implausible": sum(pair not in PLAUSIBLE for pair in false),
        "reported": len(reported),
        "reported_false": sum(pair not in truth.causes for pair in reported),
        "strong": len(strong),
        "strong_false": sum(pair not in truth.causes for pair in strong),
        "cannot_be_told": len(truth.cannot_be_told),
        "told_anyway": sum(_told_anyway(answer, pair) for pair in truth.cannot_be_told),
    }


def _told_anyway(answer: Answer, pair: Pair) -> bool:
    return answer.q.get(pair, nan) < _FOUND and answer.told[pair].grade != "cannot tell"


def _intervals(truth: Truth, answer: Answer) -> dict[str, Any]:
    nulls = [_holds(answer.told[pair], 1.0) for pair in truth.nulls if _has_interval(answer.told.get(pair))]
    causes = [
        _holds(answer.told[pair], exp(effect))
        for pair, effect in truth.causes.items()
        if _has_interval(answer.told.get(pair))
    ]
    return {
        "null_intervals": len(nulls),
        "null_covered": sum(nulls),
        "cause_intervals": len(causes),
        "cause_covered": sum(causes),
    }


def _has_interval(told: Told | None) -> bool:
    return told is not None and not (np.isnan(told.low) or np.isnan(told.high))


def _holds(told: Told, value: float) -> bool:
    return told.low <= value <= told.high


def _null_z(truth: Truth, answer: Answer) -> dict[str, Any]:
    told = [answer.told[pair] for pair in truth.nulls if pair in answer.told]
    z = np.array([_signed_z(one) for one in told if isfinite(one.p) and not np.isnan(one.odds_ratio)])
    return {"z_count": len(z), "z_sum": float(z.sum()), "z_squares": float(z @ z)}


def _signed_z(told: Told) -> float:
    # A p of 0 in print has a quantile of its own, but an infinite one would spoil every sum.
    size = -float(ndtri(max(told.p, 1e-12) / 2.0))
    return size if told.odds_ratio > 1.0 else -size


def _errors(truth: Truth, answer: Answer) -> dict[str, Any]:
    errors = [
        log(answer.told[pair].odds_ratio) - effect
        for pair, effect in truth.causes.items()
        if pair in answer.told and 1e-6 < answer.told[pair].odds_ratio < 1e6
    ]
    return {
        "error_count": len(errors),
        "error_sum": float(np.sum(errors)),
        "error_squares": float(np.sum(np.square(errors))),
    }


def _avoidable(truth: Truth, answer: Answer) -> dict[str, Any]:
    pairs: list[Pair] = [pair for pair in truth.causes if pair in answer.told and isfinite(answer.told[pair].avoidable)]
    true = np.array([truth.avoidable[pair] for pair in pairs])
    told = np.array([answer.told[pair].avoidable for pair in pairs])
    low = np.array([answer.told[pair].avoidable_low for pair in pairs])
    high = np.array([answer.told[pair].avoidable_high for pair in pairs])
    known = ~(np.isnan(low) | np.isnan(high))
    return {
        "avoidable": float(true.sum()),
        "avoidable_told": float(told.sum()),
        "avoidable_error": float(np.abs(told - true).sum()),
        "avoidable_intervals": int(known.sum()),
        "avoidable_covered": int(((low <= true) & (true <= high))[known].sum()),
    }


def _spared(truth: Truth, answer: Answer) -> dict[str, Any]:
    """What an end of misses would spare, with every restoration followed to the horizon."""
    if answer.joint is None:
        return {}
    hazards = truth.hazards
    whole = replace(truth, hazards=replace(hazards, follow_up=np.full(hazards.follow_up.shape, float(HORIZON))))
    alone = [
        one.low - _ROUNDING <= whole.avoided_by(frozenset({factor})) <= one.high + _ROUNDING
        for factor, one in answer.alone.items()
    ]
    joint, true = answer.joint, whole.avoided_by(frozenset(answer.first))
    return {
        "spared_intervals": len(alone),
        "spared_covered": sum(alone),
        "joint_intervals": 1,
        "joint_covered": int(joint.low - _ROUNDING <= true <= joint.high + _ROUNDING),
        "joint_above": int(joint.low - _ROUNDING > true),
        "joint_below": int(joint.high + _ROUNDING < true),
        "joint_true": true,
        "joint_told": joint.told,
        "joint_error": abs(joint.told - true),
    }

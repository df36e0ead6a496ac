"""How good an answer is: rows of figures that can be added up over labs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from tests.benchmarks.recovery.months.answers import ALL, Answer, Late, Series
from tests.benchmarks.recovery.months.calendar_days import month_of
from tests.benchmarks.recovery.months.labs import MonthsLab
from tests.benchmarks.recovery.months.scenarios import CHANGED_IN, DRIFTS_FROM, MISSED_FROM
from tests.benchmarks.recovery.trade import DEFECTS

__all__ = ["Figure", "score"]

#: A month counts as being entered still below this share; above it nobody looks at what is to come.
_COMPLETE: Final = 0.99
_WITHIN: Final = 4
_YEARS: Final = 24.0
#: A source that shares more than this of its restorations with the bad lot is its neighbour.
_SHARED: Final = 0.2


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of one lab: over labs, the sum of values is divided by the sum of weights.

    A median is taken instead where `measure` ends in ", median": the value is then inf if it never came.
    """

    measure: str
    value: float
    weight: float = 1.0


def score(scenario: str, lab: MonthsLab, answer: Answer) -> list[Figure]:
    """Hold an answer against what was planted."""
    return [
        *_SCORES[scenario](lab, answer),
        *_process_alarms(lab, answer),
        *_coverage(lab, answer),
        Figure("seconds", answer.seconds),
    ]


def _stable(_lab: MonthsLab, answer: Answer) -> Iterator[Figure]:
    yield from _alarms("false signals in 24 months", answer, but="")
    for defect, told in answer.returns.items():
        if defect != ALL:
            yield Figure("false rises in 24 months", len(told.rises), len(told.judged) / _YEARS)
            # What a step is worth finding for: as often a rise is told in those four months without any step.
            yield Figure("a rise told within 4 months of no step", float(_soon(told)))
    if ALL in answer.returns:
        told = answer.returns[ALL]
        yield Figure("false signals in 24 months, all returns", len(told.signalled), len(told.judged) / _YEARS)
    if answer.named is not None:
        yield Figure("labs with a source falsely named", float(bool(answer.named)))


def _step(lab: MonthsLab, answer: Answer) -> Iterator[Figure]:
    for name, defect in (("", lab.plan.target), (", in all returns", ALL)):
        told = answer.returns.get(defect, Series(judged=()))
        yield Figure(f"signalled within 4 months{name}", float(_soon(told)))
    told = answer.returns.get(lab.plan.target, Series(judged=()))
    if answer.tells_beginnings:
        yield Figure("a beginning told", float(told.since is not None))
    if told.since is not None:
        yield Figure("beginning told, months too late", told.since - CHANGED_IN)
        yield Figure("beginning told within a month", float(abs(told.since - CHANGED_IN) <= 1))
        yield Figure("beginning told within 3 months", float(abs(told.since - CHANGED_IN) <= 3))
    yield from _alarms("false signals in 24 months, other defects", answer, but=lab.plan.target)
    yield from _alarms("false signals in 24 months, others since", answer, but=lab.plan.target, since=CHANGED_IN)


def _drift(lab: MonthsLab, answer: Answer) -> Iterator[Figure]:
    told = answer.returns.get(lab.plan.target, Series(judged=()))
    months = _until(told, DRIFTS_FROM)
    yield Figure("months until a signal, median", months)
    yield Figure("signalled within 6 months", float(months <= 6))
    yield Figure("signalled within 12 months", float(months <= 12))
    yield from _alarms("false signals in 24 months, other defects", answer, but=lab.plan.target)


def _bad_lot(lab: MonthsLab, answer: Answer) -> Iterator[Figure]:
    if answer.named is None or lab.plan.lot is None:
        return
    step = lab.plan.lot.step
    right = [one for one in answer.named if (one.what, one.step, one.code) == ("lot", step, lab.bad_lot)]
    others = [one for one in answer.named if one not in right]
    yield Figure("named", float(any(one.defect == lab.plan.target for one in right)))
    yield Figure("named with any defect, or all", float(bool(right)))
    yield Figure("labs with another source named", float(bool(others)))
    bad = lab.sources.made_with(step, lab.bad_lot)
    strangers = [one for one in others if bad[lab.sources.made_with(one.step, one.code)].mean() <= _SHARED]
    yield Figure("of them sharing little with the bad lot", float(bool(strangers)))


def _late_entry(_lab: MonthsLab, _answer: Answer) -> Iterator[Figure]:
    # Its scores are those of the returns to come, which every scenario may be asked for.
    return iter(())


def _bench_step(lab: MonthsLab, answer: Answer) -> Iterator[Figure]:
    process = _until(answer.missed.get(lab.plan.factor, Series(judged=())), MISSED_FROM)
    returns = _until(answer.returns.get(lab.plan.target, Series(judged=())), MISSED_FROM)
    yield Figure("months until the process signals, median", process)
    yield Figure("the process signals within 2 months", float(process <= 2))
    yield Figure("months until the returns signal, median", returns)
    yield Figure("the returns signal within 12 months", float(returns <= 12))
    yield Figure("the process signals first", float(process < returns))


_SCORES: Final = {
    "stable": _stable,
    "step": _step,
    "drift": _drift,
    "bad_lot": _bad_lot,
    "late_entry": _late_entry,
    "bench_step": _bench_step,
}


def _soon(told: Series) -> bool:
    """Whether a new rise is told in the month that steps come in, or one of the three after it."""
    return any(CHANGED_IN <= month < CHANGED_IN + _WITHIN for month in told.rises)


def _until(told: Series, month: int) -> float:
    """Months from a change until a rise is told, the month of the change being the first; inf if it never is."""
    return min((rise - month + 1.0 for rise in told.rises if rise >= month), default=np.inf)


def _alarms(measure: str, answer: Answer, *, but: str, since: int = 0) -> Iterator[Figure]:
    """New signals of defects to which nothing happened, one figure a defect, from a month on."""
    for defect, told in answer.returns.items():
        if defect not in (ALL, but):
            judged = [month for month in told.judged if month >= since]
            yield Figure(measure, sum(month >= since for month in told.signalled), len(judged) / _YEARS)


def _process_alarms(lab: MonthsLab, answer: Answer) -> Iterator[Figure]:
    for kind, series in (("misses", answer.missed), ("gaps", answer.gaps)):
        for factor, told in series.items():
            if factor != lab.plan.factor:
                yield Figure(
                    f"process: false signals in 24 months, {kind}", len(told.signalled), len(told.judged) / _YEARS
                )


def _coverage(lab: MonthsLab, answer: Answer) -> Iterator[Figure]:
    """Whether as many returns are still to be entered as the interval says, in months not yet complete."""
    months, defects = month_of(lab.returns.day), lab.returns.defect
    for told in answer.late or ():
        mine = (months == told.month) & ((told.defect == ALL) | (defects == _number(told.defect)))
        truly = int((mine & lab.late(told.day)).sum())
        if lab.completeness(told.month, told.day) < _COMPLETE:
            yield Figure(f"returns to come covered{_of(told)}", float(told.low <= truly <= told.high))
        if told.defect == ALL and told.month == month_of(np.array([told.day]))[0]:
            yield Figure("of them of the latest month", float(told.low <= truly <= told.high))
            off, reported = told.estimate - truly, float((mine & (lab.returns.day <= told.day)).sum())
            yield Figure("latest month off by, share of its returns", abs(off), reported)
            yield Figure("latest month, mean error in returns", off)


def _of(told: Late) -> str:
    return "" if told.defect == ALL else ", by defect"


def _number(defect: str) -> int:
    return DEFECTS.index(defect) if defect in DEFECTS else -1

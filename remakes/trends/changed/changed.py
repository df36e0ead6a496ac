"""What changed between two periods: the difference in returns, split into what it goes with.

The difference of the returns reported in two periods is split into how many restorations were in service, their age,
their case mix, the misses of each requirement, what was not recorded, and a rest. All but the rest are expected
numbers: the same hazards for both periods, so that only what was at risk differs (see `parts` and `model`). The rest
is what is left, so the parts add up exactly; it holds chance, common changes, and causes that are not in the records.

A requirement's part is what its misses go with; what was not recorded counts by the share that is missed of what is.
What gaps go with beyond that is one part of all requirements together: it tells of the record, not of the bench.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from remakes.counts.period_counts import AFTER, BEFORE, PeriodCounts
from remakes.counts.table import PatternTable
from remakes.errors import TableError
from remakes.evidence.estimate import UNKNOWN, Estimate, finite_or_none
from remakes.evidence.models.base import BaseModels
from remakes.records.standard import ProcessStandard
from remakes.texts import run_on, t, tn
from remakes.trends.changed.expected import DRAWN, Expected, difference_of, estimate_of, expected_of, parts_of
from remakes.trends.changed.sentences import label_of, sentence_of

__all__ = ["EVERY", "Part", "WhatChanged", "what_changed", "what_changed_each"]

Floats = NDArray[np.float64]

#: All defects together.
EVERY: Final = "all"
#: With fewer returns in both periods together, or fewer months of record, the difference is not split.
LEAST_RETURNS: Final = 10
LEAST_MONTHS: Final = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part of a difference.

    Attributes
    ----------
    part : str
        ``in_service``, ``age``, ``case_mix``, ``factor:`` and a factor's name, ``not_recorded``, ``rest``.
    label : str
        In words.
    returns : Estimate
        Change in returns that goes with it; 95 % interval.
    """

    part: str
    label: str
    returns: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class WhatChanged:
    """The difference in returns between two periods and its parts.

    Attributes
    ----------
    defect : str
        A code, or ``all``: first returns summed over defects.
    before, after : tuple of str
        Months of the two periods, oldest first.
    returns_before, returns_after : int
        As counted.
    difference : Estimate
        Returns after minus `scale` times returns before; 95 % interval for Poisson counts. Unknown without two
        periods.
    parts : tuple of Part
        They sum to the estimate of the difference; the last is the rest, and the only one where there is not enough.
    enough : bool
    missing : str
        What there is too little of; empty where there is enough.
    sentence : str
    scale : float
        1 where both are equally many whole months. Otherwise days of the later period by days of the earlier: all
        figures are then for a period as long as the later one.
    """

    defect: str
    before: tuple[str, ...]
    after: tuple[str, ...]
    returns_before: int
    returns_after: int
    difference: Estimate
    parts: tuple[Part, ...]
    enough: bool
    missing: str
    sentence: str
    scale: float = 1.0

    def as_json(self) -> dict[str, Any]:
        """The split in the interchange format; figures that cannot be had are null."""
        return {
            "from": self.before[0] if self.before else None,
            "to": self.after[-1] if self.after else None,
            "difference": finite_or_none(self.difference.estimate),
            "parts": [
                {
                    "part": one.part,
                    "returns": finite_or_none(one.returns.estimate),
                    "low": finite_or_none(one.returns.low),
                    "high": finite_or_none(one.returns.high),
                }
                for one in self.parts
            ],
            "defect": self.defect,
            "before": list(self.before),
            "after": list(self.after),
            "returns_before": self.returns_before,
            "returns_after": self.returns_after,
            "difference_low": finite_or_none(self.difference.low),
            "difference_high": finite_or_none(self.difference.high),
            "scale": finite_or_none(self.scale),
            "enough": self.enough,
            "missing": self.missing,
            "sentence": self.sentence,
        }


def what_changed(
    counted: PeriodCounts, table: PatternTable, standard: ProcessStandard, *, defect: str = EVERY
) -> WhatChanged:
    """How many more returns than in the period before, and what does the difference go with?

    Parameters
    ----------
    counted : PeriodCounts
        Of the two periods, counted beside `table`.
    table : PatternTable
    standard : ProcessStandard
        The one the table was counted by.
    defect : str
        A code, or ``all``. A known defect of which no return was ever seen gives zeros.

    Returns
    -------
    WhatChanged
        Under 10 returns in both periods together or six months of record, counts only.

    Raises
    ------
    TableError
        A table of other records than the counts.
    """
    if defect == EVERY:
        return what_changed_each(counted, table, standard)[EVERY]
    _check(counted, table)
    if defect not in counted.defects:
        return _counts_only(counted, table, defect, returns=(0, 0))
    before, after = (int(n) for n in counted.returns(defect)[[BEFORE, AFTER]])
    if _missing(counted, table, before + after):
        return _counts_only(counted, table, defect, returns=(before, after))
    with threadpool_limits(limits=1):
        expected = expected_of(counted, BaseModels(table), standard, defect=defect, scale=_scale(counted))
    return _changed(counted, standard, defect, [expected])


def what_changed_each(
    counted: PeriodCounts, table: PatternTable, standard: ProcessStandard, *, base: BaseModels | None = None
) -> Mapping[str, WhatChanged]:
    """As `what_changed`, for all defects together (``all``, first) and for each with any return.

    The parts of all defects together are the sums of each defect's parts. `base`: the models of this table, if the
    caller has them.
    """
    _check(counted, table)
    returns = {defect: counted.returns(defect) for defect in counted.defects}
    totals = np.sum(list(returns.values()), axis=0) if returns else np.zeros(3, dtype=np.int64)
    both = (int(totals[BEFORE]), int(totals[AFTER]))
    if _missing(counted, table, sum(both)):
        found = {EVERY: _counts_only(counted, table, EVERY, returns=both)}
        expected = {}
    else:
        models = base or BaseModels(table)
        # The matrices are small: one thread is quicker than several that wait for each other.
        with threadpool_limits(limits=1):
            expected = {
                defect: expected_of(counted, models, standard, defect=defect, scale=_scale(counted))
                for defect in counted.defects
            }
        found = {EVERY: _changed(counted, standard, EVERY, list(expected.values()))}
    for defect, of_it in returns.items():
        pair = (int(of_it[BEFORE]), int(of_it[AFTER]))
        if _missing(counted, table, sum(pair)):
            found[defect] = _counts_only(counted, table, defect, returns=pair)
        else:
            found[defect] = _changed(counted, standard, defect, [expected[defect]])
    return found


def _changed(
    counted: PeriodCounts, standard: ProcessStandard, defect: str, expected: Sequence[Expected]
) -> WhatChanged:
    scale = _scale(counted)
    returns = (sum(one.returns[0] for one in expected), sum(one.returns[1] for one in expected))
    drawn: dict[str, Floats] = {name: np.zeros(DRAWN) for name in _names(standard, expected)}
    for one in expected:
        for name, values in parts_of(one, scale=scale, defects=len(expected)).items():
            drawn[name] = drawn[name] + values
    difference = difference_of(*returns, scale=scale)
    parts = tuple(
        Part(part=name, label=label_of(name, standard), returns=estimate_of(values)) for name, values in drawn.items()
    )
    return WhatChanged(
        defect=defect,
        before=counted.before,
        after=counted.after,
        returns_before=returns[0],
        returns_after=returns[1],
        difference=difference,
        parts=parts,
        enough=True,
        missing="",
        sentence=sentence_of(
            difference,
            [(one.part, one.returns) for one in parts],
            standard,
            periods=(counted.before, counted.after),
            scale=scale,
        ),
        scale=scale,
    )


def _names(standard: ProcessStandard, expected: Sequence[Expected]) -> list[str]:
    """Parts in order: what was there, then the work steps in order, the rest last."""
    asked = {factor for one in expected for factor in one.factors}
    factors = [f"factor:{factor}" for factor in standard.factors if factor in asked]
    return ["in_service", "age", "case_mix", *factors, *(["not_recorded"] if factors else []), "rest"]


def _scale(counted: PeriodCounts) -> float:
    before, after = counted.days[[BEFORE, AFTER]]
    if not (before and after):
        return float("nan")
    # As many whole months count as alike: a day more of them is a day more in service.
    alike = counted.whole and len(counted.before) == len(counted.after)
    return 1.0 if alike else float(after / before)


def _check(counted: PeriodCounts, table: PatternTable) -> None:
    if counted.at_risk.shape[1] != table.patterns or counted.defects != table.defects:
        raise TableError(
            t(
                "The counts of the periods and the pattern table hold different restorations. Count both "
                "from the same records, one after the other."
            )
        )


def _missing(counted: PeriodCounts, table: PatternTable, returns: int) -> str:
    """What there is too little of to split a difference."""
    if not counted.days[[BEFORE, AFTER]].all():
        return t("There are no two periods of whole months to compare yet.")
    months = _month_number(table.observed_until) - _month_number(table.first_delivered) + 1
    if months < LEAST_MONTHS:
        return tn(
            months,
            "The records hold {n} month; to split a difference takes at least {least_months}.",
            "The records hold {n} months; to split a difference takes at least {least_months}.",
            least_months=LEAST_MONTHS,
        )
    if returns < LEAST_RETURNS:
        return tn(
            returns,
            "The two periods hold {n} return together; to split the difference takes at least {least_returns}.",
            "The two periods hold {n} returns together; to split the difference takes at least {least_returns}.",
            least_returns=LEAST_RETURNS,
        )
    return ""


def _month_number(day: date) -> int:
    return day.year * 12 + day.month


def _counts_only(counted: PeriodCounts, table: PatternTable, defect: str, *, returns: tuple[int, int]) -> WhatChanged:
    missing, scale = _missing(counted, table, sum(returns)), _scale(counted)
    difference = difference_of(*returns, scale=scale) if np.isfinite(scale) else UNKNOWN
    counts = (
        tn(
            returns[0],
            "{n} return in the earlier period and {later} in the later.",
            "{n} returns in the earlier period and {later} in the later.",
            later=returns[1],
        )
        if sum(returns)
        else ""
    )
    return WhatChanged(
        defect=defect,
        before=counted.before,
        after=counted.after,
        returns_before=returns[0],
        returns_after=returns[1],
        difference=difference,
        parts=(Part(part="rest", label=label_of("rest", None), returns=difference),),
        enough=False,
        missing=missing,
        sentence=run_on(counts, missing),
        scale=scale,
    )

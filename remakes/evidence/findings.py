"""Every factor against every defect: crude and adjusted evidence, q, grade and cautions."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from math import isfinite
from typing import Any, Final

import numpy as np
from threadpoolctl import threadpool_limits

from remakes.counts.table import FactorCounts, PatternTable
from remakes.errors import NothingToAnalyzeError
from remakes.evidence.adjusted import AdjustedEffect, adjusted_effect
from remakes.evidence.adjustment import Background, adjustment_names
from remakes.evidence.case_mix import CaseMix
from remakes.evidence.cautions import FactorRecord, cautions, factor_record
from remakes.evidence.crude import CrudeEvidence, MonthsBySide, crude_evidence
from remakes.evidence.grades import GRADES, Grade, GradeInput, detectable_odds_ratio, grade
from remakes.evidence.multiplicity import benjamini_hochberg
from remakes.evidence.shrinkage import estimate_shrinkage
from remakes.records.standard import ProcessStandard

__all__ = ["Finding", "find"]

#: How many times as much of the allowance for false findings goes to a pair whose defect the standard names among
#: those the miss may cause. Mechanism is knowledge from before the data; the pairs outside it are checks.
PLAUSIBLE_WEIGHT: Final = 10.0
#: Below this q a pair that mechanism does not explain raises an alarm about its factor.
_ALARM_Q: Final = 0.10

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One factor and one defect.

    Attributes
    ----------
    factor, defect : str
    counts : FactorCounts
        Restorations and first returns by status.
    crude : CrudeEvidence
    adjusted : AdjustedEffect
    q : float
        Benjamini-Hochberg over all tested pairs, plausible ones with the greater weight; nan where not tested.
    q_alike : float
        The same with all pairs alike: by this one the checks among the implausible pairs are judged.
    plausible : bool
        The standard names the defect among those this miss may cause.
    detectable : float
        Smallest odds ratio that would have been found with 80 % power.
    grade : Grade
    because : str
        The rule that gave the grade.
    cautions : tuple of str
    compared_within : tuple of str
        The adjustment set, in words.
    """

    factor: str
    defect: str
    counts: FactorCounts
    crude: CrudeEvidence
    adjusted: AdjustedEffect
    q: float
    q_alike: float
    plausible: bool
    detectable: float
    grade: Grade
    because: str
    cautions: tuple[str, ...]
    compared_within: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """The finding in the interchange format; figures that cannot be had are null."""
        counts, crude, adjusted = self.counts, self.crude, self.adjusted
        hidden = adjusted.hidden_cause
        return {
            "factor": self.factor,
            "defect": self.defect,
            "met": counts.met,
            "missed": counts.missed,
            "not_recorded": counts.not_recorded,
            "returns_met": counts.returns_met,
            "returns_missed": counts.returns_missed,
            "returns_not_recorded": counts.returns_not_recorded,
            "odds_ratio": adjusted.odds_ratio.as_json(),
            "crude_odds_ratio": crude.odds_ratio.as_json() | {"method": crude.method, "p": _number(crude.p)},
            "stratified_odds_ratio": crude.stratified.as_json()
            | {"method": "Mantel-Haenszel", "strata": ["month bin", "technician", "kind"]},
            "homogeneity_p": _number(crude.homogeneity_p),
            "p": _number(adjusted.p),
            "q": _number(self.q),
            "q_all_pairs_alike": _number(self.q_alike),
            "risk_met": _number(adjusted.risk_met),
            "risk_missed": _number(adjusted.risk_missed),
            "crude_risk_met": _number(crude.risk_met),
            "crude_risk_missed": _number(crude.risk_missed),
            "avoidable_returns": adjusted.avoidable.as_json(),
            "crude_avoidable_returns": _number(crude.avoidable),
            "e_value": {"estimate": _number(hidden.estimate), "limit": _number(hidden.limit)} if hidden else None,
            "plausible": self.plausible,
            "detectable_odds_ratio": _number(self.detectable),
            "grade": self.grade,
            "because": self.because,
            "compared_within": list(self.compared_within),
            "cautions": list(self.cautions),
        }


def _number(value: float) -> float | None:
    return float(value) if isfinite(value) else None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pair:
    factor: str
    defect: str
    counts: FactorCounts
    crude: CrudeEvidence
    adjusted: AdjustedEffect
    detectable: float


def find(
    table: PatternTable,
    standard: ProcessStandard,
    *,
    horizon: int = 12,
    plausible_weight: float = PLAUSIBLE_WEIGHT,
    progress: Progress | None = None,
) -> tuple[Finding, ...]:
    """Which missed requirement goes with which defect, and how sure is that?

    Parameters
    ----------
    table : PatternTable
    standard : ProcessStandard
        The one the table was counted by.
    horizon : int
        Months of service that risks and avoidable returns look at.
    plausible_weight : float
        Weight of a pair that the standard calls plausible, against 1 of any other; 1: all pairs alike.
    progress : callable, optional
        Told what is done, how many pairs are finished, and of how many.

    Returns
    -------
    tuple of Finding
        Every factor with every defect that has any return, in order of evidence.

    Raises
    ------
    NothingToAnalyzeError
        No return, or no requirement.
    """
    if not table.factors:
        raise NothingToAnalyzeError(
            "The records hold no process standard, so no step can be met or missed. Import a standard.toml."
        )
    if not table.defects:
        raise NothingToAnalyzeError(
            "No return has been recorded up to the end of observation. Enter or import returns, then analyze again."
        )
    case_mix = CaseMix(table)
    records = {factor: factor_record(table, standard, factor) for factor in table.factors}
    pairs = list(_pairs(table, standard, case_mix, horizon, progress))
    return _graded(pairs, records, standard, case_mix, plausible_weight)


def _pairs(
    table: PatternTable, standard: ProcessStandard, case_mix: CaseMix, horizon: int, progress: Progress | None
) -> Iterator[_Pair]:
    total = len(table.factors) * len(table.defects)
    done = 0
    # The matrices are small: two fits beside each other are quicker than one on two cores.
    with threadpool_limits(limits=1), ThreadPoolExecutor(max_workers=2) as pool:
        work = partial(_of_defect, table, standard, case_mix, MonthsBySide(table), horizon=horizon)
        for found in pool.map(work, table.defects):
            done += len(found)
            if progress:
                progress("comparing", done, total)
            yield from found


def _of_defect(
    table: PatternTable,
    standard: ProcessStandard,
    case_mix: CaseMix,
    months: MonthsBySide,
    defect: str,
    horizon: int,
) -> list[_Pair]:
    crude = crude_evidence(table, months, defect, horizon=horizon)
    at_risk, events = table.events_of(defect)
    shrinkage = estimate_shrinkage(case_mix, at_risk=at_risk, events=events)
    background = Background(table, case_mix, shrinkage, defect)
    pairs = []
    for factor in table.factors:
        adjusted = adjusted_effect(table, background, standard, factor=factor, horizon=horizon)
        pairs.append(
            _Pair(
                factor=factor,
                defect=defect,
                counts=table.counts(factor, defect),
                crude=crude[factor],
                adjusted=adjusted,
                detectable=detectable_odds_ratio(adjusted.log_se),
            )
        )
    return pairs


def _graded(
    pairs: list[_Pair],
    records: dict[str, FactorRecord],
    standard: ProcessStandard,
    case_mix: CaseMix,
    plausible_weight: float,
) -> tuple[Finding, ...]:
    p = np.array([pair.adjusted.p for pair in pairs])
    weights = [plausible_weight if pair.defect in standard.may_cause(pair.factor) else 1.0 for pair in pairs]
    alike, weighted = benjamini_hochberg(p), benjamini_hochberg(p, weights=weights)
    alarms = _alarms(pairs, alike, standard)
    findings = [
        _finding(pair, float(q), float(q_alike), records[pair.factor], alarms.get(pair.factor, ()), standard, case_mix)
        for pair, q, q_alike in zip(pairs, weighted, alike, strict=True)
    ]
    return tuple(sorted(findings, key=_by_evidence))


def _alarms(
    pairs: list[_Pair], q_values: np.ndarray[Any, Any], standard: ProcessStandard
) -> dict[str, tuple[str, ...]]:
    """Defects that a factor goes with and is not thought to cause: negative controls that failed."""
    found: dict[str, tuple[str, ...]] = {}
    for pair, q in zip(pairs, q_values, strict=True):
        if (
            q < _ALARM_Q
            and pair.adjusted.odds_ratio.estimate > 1
            and pair.defect not in standard.may_cause(pair.factor)
        ):
            found[pair.factor] = (*found.get(pair.factor, ()), pair.defect)
    return found


def _finding(
    pair: _Pair,
    q: float,
    q_alike: float,
    record: FactorRecord,
    alarms: tuple[str, ...],
    standard: ProcessStandard,
    case_mix: CaseMix,
) -> Finding:
    plausible = pair.defect in standard.may_cause(pair.factor)
    judged, because = grade(
        GradeInput(
            odds_ratio=pair.adjusted.odds_ratio.estimate,
            low=pair.adjusted.odds_ratio.low,
            high=pair.adjusted.odds_ratio.high,
            q=q,
            returns_missed=pair.counts.returns_missed,
            plausible=plausible,
            inseparable=record.inseparable,
            doubts=record.doubts + (1 if plausible and alarms else 0),
        )
    )
    names = adjustment_names(standard, pair.factor, pair.defect)
    return Finding(
        factor=pair.factor,
        defect=pair.defect,
        counts=pair.counts,
        crude=pair.crude,
        adjusted=pair.adjusted,
        q=q,
        q_alike=q_alike,
        plausible=plausible,
        detectable=pair.detectable,
        grade=judged,
        because=because,
        cautions=cautions(
            record=record,
            counts=pair.counts,
            crude=pair.crude,
            adjusted=pair.adjusted,
            plausible=plausible,
            q=q,
            detectable=pair.detectable,
            alarms=alarms,
        ),
        compared_within=("month in service", *case_mix.present, *(f"misses of {name}" for name in names)),
    )


def _by_evidence(finding: Finding) -> tuple[int, float, str, str]:
    p = finding.adjusted.p
    return GRADES.index(finding.grade), p if isfinite(p) else 2.0, finding.factor, finding.defect

"""Every factor against every defect: crude and adjusted evidence, q, grade and cautions."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import Any, Final

import numpy as np
from threadpoolctl import threadpool_limits

from remakes.counts.table import FactorCounts, PatternTable
from remakes.errors import NothingToAnalyzeError
from remakes.evidence.cautions import cautions, factor_record, failed_controls
from remakes.evidence.checks.believability import Checks, check
from remakes.evidence.checks.power import MonthsToTell, listing_alpha, months_to_tell
from remakes.evidence.estimate import Estimate, finite_or_none
from remakes.evidence.grades import GRADES, REPORTED, Grade, GradeInput, detectable_odds_ratio, grade
from remakes.evidence.models.adjusted import AdjustedEffect, adjusted_effect
from remakes.evidence.models.adjustment import Background, adjustment_names
from remakes.evidence.models.base import BaseModels
from remakes.evidence.tables.attributable import EValue
from remakes.evidence.tables.crude import CrudeEvidence, MonthsBySide, crude_evidence
from remakes.evidence.tables.multiplicity import benjamini_hochberg
from remakes.records.standard import ProcessStandard
from remakes.texts import later, t

__all__ = ["FOUND_Q", "PLAUSIBLE_WEIGHT", "Finding", "alpha_to_list", "find"]

#: How many times as much of the allowance for false findings goes to a pair whose defect the standard names among
#: those the miss may cause. Mechanism is knowledge from before the data; the pairs outside it are checks.
PLAUSIBLE_WEIGHT: Final = 20.0
#: Below this q a pair counts as found; one that mechanism does not explain then raises an alarm about its factor.
FOUND_Q: Final = 0.10

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
        Benjamini-Hochberg over all tested pairs, plausible ones with the greater weight, and never below p; nan
        where not tested.
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
    doubts : tuple of str
        What speaks against the record of this factor or against the finding; each takes a grade off.
    checks : Checks or None
        What was looked at to see whether it can be believed; None where it is not reported.
    months : MonthsToTell or None
        For a plausible pair of which nothing can be told yet: how much longer it takes.
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
    doubts: tuple[str, ...] = ()
    checks: Checks | None = None
    months: MonthsToTell | None = None

    @property
    def reported(self) -> bool:
        """Whether it is told as a finding: graded, and of a defect that the miss may cause."""
        return self.plausible and self.grade in REPORTED

    @property
    def odds_ratio(self) -> Estimate:
        """The adjusted odds ratio with the widest interval known: cluster-robust where that is wider."""
        return self.checks.widest.odds_ratio if self.checks else self.adjusted.odds_ratio

    @property
    def hidden_cause(self) -> EValue | None:
        """How strongly a hidden cause must go with miss and return to explain it away, by that interval."""
        return replace(self.adjusted, odds_ratio=self.odds_ratio).hidden_cause

    def as_json(self) -> dict[str, Any]:
        """The finding in the interchange format; figures that cannot be had are null."""
        counts, crude, adjusted = self.counts, self.crude, self.adjusted
        hidden = self.hidden_cause
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
            "crude_odds_ratio": crude.odds_ratio.as_json() | {"method": crude.method, "p": finite_or_none(crude.p)},
            "stratified_odds_ratio": crude.stratified.as_json()
            | {"method": "Mantel-Haenszel", "strata": ["month bin", "technician", "kind"]},
            "homogeneity_p": finite_or_none(crude.homogeneity_p),
            "p": finite_or_none(adjusted.p),
            "q": finite_or_none(self.q),
            "q_all_pairs_alike": finite_or_none(self.q_alike),
            "risk_met": finite_or_none(adjusted.risk_met),
            "risk_missed": finite_or_none(adjusted.risk_missed),
            "crude_risk_met": finite_or_none(crude.risk_met),
            "crude_risk_missed": finite_or_none(crude.risk_missed),
            "avoidable_returns": adjusted.avoidable.as_json(),
            "crude_avoidable_returns": finite_or_none(crude.avoidable),
            "e_value": {"estimate": finite_or_none(hidden.estimate), "limit": finite_or_none(hidden.limit)}
            if hidden
            else None,
            "plausible": self.plausible,
            "detectable_odds_ratio": finite_or_none(self.detectable),
            "grade": self.grade,
            "because": self.because,
            "compared_within": list(self.compared_within),
            "cautions": list(self.cautions),
            "doubts": list(self.doubts),
            "checks": self.checks.as_json() if self.checks else None,
            "months_to_tell": self.months.as_json() if self.months else None,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pair:
    factor: str
    defect: str
    counts: FactorCounts
    crude: CrudeEvidence
    adjusted: AdjustedEffect
    detectable: float
    background: Background


def find(
    table: PatternTable,
    standard: ProcessStandard,
    *,
    horizon: int = 12,
    plausible_weight: float = PLAUSIBLE_WEIGHT,
    base: BaseModels | None = None,
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
    base : BaseModels, optional
        Of this table, if the caller has them.
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
            t("The records hold no process standard, so no step can be met or missed. Import a standard.toml.")
        )
    if not table.defects:
        raise NothingToAnalyzeError(
            t("No return has been recorded up to the end of observation. Enter or import returns, then analyze again.")
        )
    models = base or BaseModels(table)
    # The matrices are small: one thread is quicker than several that wait for each other.
    with threadpool_limits(limits=1):
        pairs = list(_pairs(standard, models, horizon, progress))
        grading = _Grading(standard, models, pairs, plausible_weight)
        first = [grading.finding(pair, None) for pair in pairs]
        told = [k for k, one in enumerate(first) if one.reported]
        for done, k in enumerate(told, start=1):
            first[k] = grading.finding(pairs[k], grading.checked(pairs[k]))
            if progress:
                progress(later("can it be believed"), done, len(told))
        first = grading.with_outlook(first)
    return tuple(sorted(first, key=_by_evidence))


def _pairs(standard: ProcessStandard, base: BaseModels, horizon: int, progress: Progress | None) -> Iterator[_Pair]:
    table = base.table
    total = len(table.factors) * len(table.defects)
    done = 0
    months = MonthsBySide(table)
    for defect in table.defects:
        found = _of_defect(standard, base, months, defect, horizon)
        done += len(found)
        if progress:
            progress(later("comparing"), done, total)
        yield from found


def _of_defect(
    standard: ProcessStandard, base: BaseModels, months: MonthsBySide, defect: str, horizon: int
) -> list[_Pair]:
    table = base.table
    crude = crude_evidence(table, months, defect, horizon=horizon)
    background = base.background(defect)
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
                background=background,
            )
        )
    return pairs


class _Grading:
    """What the grades of all pairs share: q, the records of the factors, and the checks that failed."""

    def __init__(
        self, standard: ProcessStandard, base: BaseModels, pairs: list[_Pair], plausible_weight: float
    ) -> None:
        table = base.table
        self._table, self._standard, self._case_mix, self._every = table, standard, base.case_mix, pairs
        self._weight = plausible_weight
        self._records = {factor: factor_record(table, standard, factor) for factor in table.factors}
        p = np.array([pair.adjusted.p for pair in pairs])
        weights = [plausible_weight if self._plausible(pair) else 1.0 for pair in pairs]
        keys = [(pair.factor, pair.defect) for pair in pairs]
        # However much its weight, no pair is surer among many than it would be alone.
        weighted = np.maximum(benjamini_hochberg(p, weights=weights), p)
        self._q = dict(zip(keys, weighted.tolist(), strict=True))
        self._q_alike = dict(zip(keys, benjamini_hochberg(p).tolist(), strict=True))
        self._alarms = self._failed_controls()

    def _plausible(self, pair: _Pair) -> bool:
        return pair.defect in self._standard.may_cause(pair.factor)

    def _failed_controls(self) -> dict[str, tuple[str, ...]]:
        """Defects that a factor goes with and is not thought to cause: negative controls that failed."""
        found: dict[str, tuple[str, ...]] = {}
        for pair in self._every:
            clear = self._q_alike[pair.factor, pair.defect] < FOUND_Q and pair.adjusted.odds_ratio.estimate > 1
            if clear and not self._plausible(pair):
                found[pair.factor] = (*found.get(pair.factor, ()), pair.defect)
        return found

    def checked(self, pair: _Pair) -> Checks | None:
        """The checks of one pair."""
        return check(self._table, pair.background, self._standard, factor=pair.factor, effect=pair.adjusted)

    def with_outlook(self, findings: list[Finding]) -> list[Finding]:
        """How much longer it takes, for the plausible pairs of which nothing can be told yet."""
        alpha = alpha_to_list(findings, plausible=True, plausible_weight=self._weight)
        return [
            replace(
                one,
                months=months_to_tell(
                    self._table,
                    factor=one.factor,
                    defect=one.defect,
                    log_se=one.adjusted.log_se,
                    alpha_to_list=alpha,
                ),
            )
            if one.plausible and one.grade == "cannot tell"
            else one
            for one in findings
        ]

    def finding(self, pair: _Pair, checks: Checks | None) -> Finding:
        """One pair with its grade, as far as it has been checked."""
        plausible = self._plausible(pair)
        record, alarms = self._records[pair.factor], self._alarms.get(pair.factor, ())
        q, ratio = self._q[pair.factor, pair.defect], pair.adjusted.odds_ratio
        doubts = (
            *record.doubts,
            *((failed_controls(alarms),) if plausible and alarms else ()),
            *(checks.doubts if checks else ()),
        )
        widest = checks.widest.odds_ratio if checks else ratio
        judged, because = grade(
            GradeInput(
                odds_ratio=ratio.estimate,
                low=ratio.low,
                high=ratio.high,
                widest_low=widest.low,
                q=q,
                returns_missed=pair.counts.returns_missed,
                plausible=plausible,
                inseparable=record.inseparable,
                doubts=len(doubts),
            )
        )
        names = adjustment_names(self._standard, pair.factor, pair.defect)
        said = cautions(
            record=record,
            counts=pair.counts,
            crude=pair.crude,
            adjusted=pair.adjusted,
            hidden=replace(pair.adjusted, odds_ratio=widest).hidden_cause,
            plausible=plausible,
            q=q,
            detectable=pair.detectable,
            alarms=alarms,
        )
        return Finding(
            factor=pair.factor,
            defect=pair.defect,
            counts=pair.counts,
            crude=pair.crude,
            adjusted=pair.adjusted,
            q=q,
            q_alike=self._q_alike[pair.factor, pair.defect],
            plausible=plausible,
            detectable=pair.detectable,
            grade=judged,
            because=because,
            cautions=(*said, *(checks.cautions if checks else ())),
            compared_within=(
                later("month in service"),
                *self._case_mix.present,
                *(t("misses of {name}", name=name) for name in names),
            ),
            doubts=doubts,
            checks=checks,
        )


def alpha_to_list(findings: Sequence[Finding], *, plausible: bool, plausible_weight: float) -> float:
    """Which p would put one more pair among those found?

    Parameters
    ----------
    findings : sequence of Finding
        All pairs.
    plausible : bool
        Whether the standard calls the pair in question plausible.
    plausible_weight : float
        As given to `find`.
    """
    tested = [one for one in findings if isfinite(one.q)]
    weights = [plausible_weight if one.plausible else 1.0 for one in tested]
    own = plausible_weight if plausible else 1.0
    found = sum(one.q < FOUND_Q for one in tested)
    bar = listing_alpha(tested=len(tested) + 1, found=found, rate=FOUND_Q)
    # No weight makes a p count that would not count alone.
    return min(bar * own * (len(tested) + 1) / (sum(weights) + own), FOUND_Q)


def _by_evidence(finding: Finding) -> tuple[int, float, str, str]:
    p = finding.adjusted.p
    return GRADES.index(finding.grade), p if isfinite(p) else 2.0, finding.factor, finding.defect

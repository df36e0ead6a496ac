"""What speaks against taking a finding at its word: each a sentence with its number."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from remakes.counts.table import FactorCounts, PatternTable
from remakes.deviations.detect import MISSED, NOT_RECORDED
from remakes.evidence.models.adjusted import AdjustedEffect
from remakes.evidence.tables.attributable import EValue
from remakes.evidence.tables.crude import CrudeEvidence
from remakes.records.codes import defect_in_text
from remakes.records.standard import ProcessStandard
from remakes.texts import in_a_row, later, t, tn

__all__ = ["FactorRecord", "cautions", "factor_record", "failed_controls"]

#: Share of a factor's misses in one group from which they cannot be told from what else is special there.
_INSEPARABLE: Final = 0.9
_MOSTLY: Final = 0.6
#: Misses of two requirements that go together this often (of either's misses) are one question.
_TOGETHER: Final = 0.6
_MANY_UNRECORDED: Final = 0.2
_MOST_UNRECORDED: Final = 0.5
_HEAPED: Final = 0.5
#: A p of the homogeneity test below this is told.
_UNLIKE: Final = 0.05


#: What is said where one group holds nearly all misses, and where it holds most.
_IN_ONE: Final = {
    "technician": (
        later(
            "{share:.0%} of the misses are in one technician ({level}): they cannot be told from what else is special "
            "there."
        ),
        later("{share:.0%} of the misses are in one technician ({level})."),
    ),
    "quarter": (
        later(
            "{share:.0%} of the misses are in one quarter ({level}): they cannot be told from what else is special "
            "there."
        ),
        later("{share:.0%} of the misses are in one quarter ({level})."),
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FactorRecord:
    """How good the record of one factor is, whatever the defect.

    Attributes
    ----------
    remarks : tuple of str
        Sentences for every finding of this factor.
    inseparable : bool
        Nearly all misses are one technician's or one quarter's, while others work under the requirement too.
    doubts : tuple of str
        Those of the remarks that take a grade off.
    """

    remarks: tuple[str, ...]
    inseparable: bool
    doubts: tuple[str, ...]


def factor_record(table: PatternTable, standard: ProcessStandard, factor: str) -> FactorRecord:
    """Look at one factor's readings: gaps, heaps, late rows, misses in one hand, misses that go together."""
    status = table.status_of(factor)
    weights = table.restorations
    missed = status == MISSED
    remarks, doubts, inseparable = list[str](), list[str](), False
    for name, (all_but, most) in _IN_ONE.items():
        level, share, others = _largest_group(table, name, missed)
        if others and share >= _INSEPARABLE:
            inseparable = True
            remarks.append(t(str(all_but), share=share, level=level))
        elif others and share >= _MOSTLY:
            remarks.append(t(str(most), share=share, level=level))
    together = _missed_together(table, factor)
    if together:
        remarks.append(
            t(
                "Mostly missed together with {together} ({together_2:.0%}): these records cannot tell the two apart.",
                together=together[0],
                together_2=together[1],
            )
        )
    applies = float(weights[status != 0].sum())
    unknown = float(weights[status == NOT_RECORDED].sum()) / applies if applies else 0.0
    if unknown >= _MANY_UNRECORDED:
        remarks.append(t("Not recorded for {unknown:.0%} of the restorations it applies to.", unknown=unknown))
    if unknown >= _MOST_UNRECORDED:
        doubts.append(remarks[-1])
    reading_remarks, reading_doubts = _reading_remarks(table, standard, factor)
    return FactorRecord(
        remarks=(*remarks, *reading_remarks), inseparable=inseparable, doubts=(*doubts, *reading_doubts)
    )


def _reading_remarks(table: PatternTable, standard: ProcessStandard, factor: str) -> tuple[list[str], list[str]]:
    readings = table.readings.get(factor)
    if readings is None:
        return [], []
    remarks, doubts = list[str](), list[str]()
    numeric = any(r.rule.numeric for r in standard.requirements_of(factor))
    if numeric and readings.distinct == 1:
        remarks.append(
            t("Every reading is {commonest}: such a record carries no information.", commonest=readings.commonest)
        )
        doubts.append(remarks[-1])
    elif numeric:
        if readings.commonest_share >= _HEAPED:
            remarks.append(
                t(
                    "{commonest_share:.0%} of the readings are {commonest}: probably written from habit, not measured.",
                    commonest_share=readings.commonest_share,
                    commonest=readings.commonest,
                )
            )
        if readings.constant_by:
            remarks.append(
                t("All readings of {items} are one and the same value.", items=", ".join(readings.constant_by))
            )
    if readings.late:
        remarks.append(
            tn(
                readings.late,
                "{n} reading was written after the return was known and left out.",
                "{n} readings were written after the return was known and left out.",
            )
        )
    return remarks, doubts


def _largest_group(
    table: PatternTable, name: str, missed: np.ndarray[tuple[int], np.dtype[np.bool_]]
) -> tuple[str, float, bool]:
    """Which level holds most of the misses, its share, and whether other levels could have missed too."""
    attribute = table.attributes[name]
    counts = np.bincount(attribute.codes, table.restorations * missed, minlength=len(attribute.levels))
    total = float(counts.sum())
    if not total:
        return "", 0.0, False
    top = int(counts.argmax())
    return attribute.levels[top], float(counts[top]) / total, len(attribute.levels) > 1


def _missed_together(table: PatternTable, factor: str) -> tuple[str, float] | None:
    """The other factor most often missed with this one, as a share of the misses of either; None below the bar."""
    mine = (table.status_of(factor) == MISSED) * table.restorations
    best: tuple[str, float] | None = None
    for other in table.factors:
        if other == factor:
            continue
        theirs = table.status_of(other) == MISSED
        both = float(mine[theirs].sum())
        either = float(mine.sum()) + float(table.restorations[theirs].sum()) - both
        share = both / either if either else 0.0
        if share >= _TOGETHER and (best is None or share > best[1]):
            best = (other, share)
    return best


def cautions(
    *,
    record: FactorRecord,
    counts: FactorCounts,
    crude: CrudeEvidence,
    adjusted: AdjustedEffect,
    hidden: EValue | None,
    plausible: bool,
    q: float,
    detectable: float,
    alarms: tuple[str, ...],
) -> tuple[str, ...]:
    """The sentences that belong beside one finding.

    Parameters
    ----------
    record : FactorRecord
    counts : FactorCounts
    crude, adjusted
        Both kinds of evidence.
    hidden : EValue or None
        What a hidden cause would have to be, by the widest interval known.
    plausible : bool
        The standard names the defect among those this miss may cause.
    q : float
    detectable : float
        Smallest odds ratio that would have been found with 80 % power.
    alarms : tuple of str
        Defects that the factor cannot cause and goes with nevertheless.
    """
    said: list[str] = []
    if adjusted.why_not:
        said.append(t("No estimate: {why_not}.", why_not=adjusted.why_not))
    else:
        said += _about_numbers(counts, crude, adjusted, hidden, q, detectable)
    if not plausible:
        said.append(t("Not among the defects this step is thought to cause: it serves as a check, not as a cause."))
    elif alarms:
        said.append(failed_controls(alarms))
    gap = _gap(counts)
    if gap:
        said.append(gap)
    return (*said, *record.remarks)


def failed_controls(alarms: Sequence[str]) -> str:
    """The sentence on defects that a miss goes with and cannot be thought to cause."""
    return t(
        "The same miss also goes with {items}, which it is not thought to cause: something else may be behind both.",
        items=in_a_row(map(defect_in_text, alarms)),
    )


def _about_numbers(
    counts: FactorCounts,
    crude: CrudeEvidence,
    adjusted: AdjustedEffect,
    hidden: EValue | None,
    q: float,
    detectable: float,
) -> list[str]:
    said: list[str] = []
    ratio = adjusted.odds_ratio.estimate
    if counts.returns_missed < 5:
        said.append(t("Only {returns_missed} returns with the miss.", returns_missed=counts.returns_missed))
    if counts.returns_met == 0 or counts.returns_missed == 0:
        said.append(
            t("No return at all where the requirement was kept: the odds ratio leans on the penalty.")
            if counts.returns_met == 0
            else t("No return at all where the requirement was missed: the odds ratio leans on the penalty.")
        )
    if q < 0.10 and ratio < 1:
        said.append(
            t(
                "Fewer returns with the miss than without: look at the limit and at who misses it, and "
                "change nothing yet."
            )
        )
    if q < 0.10 and ratio > 1 and hidden:
        said.append(
            t(
                "A cause nobody recorded could explain this away only if it went with the miss and with the "
                "return {limit:.1f} times each, beyond all that was compared (E-value of the interval's end).",
                limit=hidden.limit,
            )
        )
    if not q < 0.10:
        size = t("{detectable:.1f}", detectable=detectable) if detectable < 100 else t("100 or more")
        said.append(
            t(
                "With these records an odds ratio of {size} would have been found four times in five; a "
                "smaller one may hide.",
                size=size,
            )
        )
    apart = crude.odds_ratio.estimate / ratio if ratio else float("nan")
    if apart > 1.5 or apart < 1 / 1.5:
        said.append(
            t(
                "Without adjustment the odds ratio is {estimate:.1f}, with it {ratio:.1f}: who gets which "
                "case explains a part.",
                estimate=crude.odds_ratio.estimate,
                ratio=ratio,
            )
        )
    if crude.homogeneity_p < _UNLIKE:
        said.append(
            t(
                "The odds ratio differs between technicians (Breslow-Day-Tarone p = {homogeneity_p:.3f}): "
                "one figure for all may mislead.",
                homogeneity_p=crude.homogeneity_p,
            )
        )
    return said


def _gap(counts: FactorCounts) -> str:
    """Is not having recorded the step itself associated with returns?"""
    known, returned = counts.met + counts.missed, counts.returns_met + counts.returns_missed
    unknown, unknown_returned = counts.not_recorded, counts.returns_not_recorded
    if not (known and unknown and returned):
        return ""
    expected = unknown * returned / known
    if unknown_returned < 3 or unknown_returned < 2 * expected:
        return ""
    return t(
        "{unknown_returned} returns among {unknown} restorations without a record, where "
        "{expected:.1f} would be expected: gaps in the log are not innocent here.",
        unknown_returned=unknown_returned,
        unknown=unknown,
        expected=expected,
    )

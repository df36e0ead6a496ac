"""Can a finding be believed? What was looked at, and what of it speaks against.

Every reported finding is held against four questions that cost little: does its interval survive if
restorations of one clinic or technician are alike; does it hang on one technician, clinic or quarter; could the
steps nobody wrote down undo it; and is it the same up to delivery and in service? What costs more (filling the
gaps in at random, the reading itself, lots and machines) is worked out when somebody asks for it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from remakes.counts.table import PatternTable
from remakes.errors import FitError
from remakes.evidence.checks.clusters import Clustered, TakenApart, Widest, clustered, take_apart, widest
from remakes.evidence.checks.early_late import EarlyLate, early_and_late
from remakes.evidence.checks.leave_out import LeaveOut, leave_one_out
from remakes.evidence.checks.not_recorded import NotRecorded, not_recorded
from remakes.evidence.models.adjusted import AdjustedEffect, missed_share
from remakes.evidence.models.adjustment import Background, PairDesign, pair_design
from remakes.evidence.models.logistic import FIT_TOLERANCE, Fit, fit
from remakes.records.standard import ProcessStandard
from remakes.texts import t

__all__ = ["Checks", "check"]

#: Restorations of one of these may be alike in what nobody recorded.
_CLUSTERS: Final = ("clinic", "technician")
#: A finding should not hang on one level of these.
_LEFT_OUT: Final = ("technician", "clinic", "quarter")
#: Below this p a gap in the log that goes with returns is told.
_CLEAR: Final = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Checks:
    """What was looked at for one finding.

    Attributes
    ----------
    clustered : tuple of Clustered
        By clinic and technician, where there are enough of either.
    widest : Widest
        The widest of the finding's own interval and these: the one to go by.
    left_out : tuple of LeaveOut
        By technician, clinic and quarter.
    gaps : NotRecorded
    early_late : EarlyLate
    """

    clustered: tuple[Clustered, ...]
    widest: Widest
    left_out: tuple[LeaveOut, ...]
    gaps: NotRecorded
    early_late: EarlyLate

    @property
    def doubts(self) -> tuple[str, ...]:
        """What speaks against the finding, a sentence each; each takes a grade off."""
        said = [one.sentence for one in self.left_out if not one.survives]
        if self.gaps.fragile:
            said.append(t("Steps that nobody wrote down could undo this finding: see what is said of the gaps."))
        return tuple(said)

    @property
    def cautions(self) -> tuple[str, ...]:
        """The doubts, and what else belongs beside the finding."""
        said = list(self.doubts)
        said += [one.sentence for one in self.clustered if one.by == self.widest.source]
        if self.early_late.differ:
            said.append(self.early_late.sentence)
        if self.gaps.gap.p < _CLEAR:
            said.append(self.gaps.sentence)
        return tuple(said)

    def as_json(self) -> dict[str, Any]:
        """For findings."""
        return {
            "clustered": [one.as_json() for one in self.clustered],
            "widest_odds_ratio": self.widest.odds_ratio.as_json() | {"from": self.widest.source, "p": self.widest.p},
            "left_out": [one.as_json() for one in self.left_out],
            "not_recorded": self.gaps.as_json(),
            "early_late": self.early_late.as_json(),
            "doubts": list(self.doubts),
        }


def check(
    table: PatternTable,
    background: Background,
    standard: ProcessStandard,
    *,
    factor: str,
    effect: AdjustedEffect,
    imputations: int = 0,
    seed: int = 0,
) -> Checks | None:
    """Hold one finding against what could undo it.

    Parameters
    ----------
    table, background, standard, factor
        What the finding was made from.
    effect : AdjustedEffect
        The finding.
    imputations : int
        Times the gaps are filled in at random; 0: not at all, which takes a tenth of the time.
    seed : int
        Of the imputations.

    Returns
    -------
    Checks or None
        None where the finding has no estimate.
    """
    if effect.why_not:
        return None
    try:
        pair = pair_design(table, background, standard, factor=factor, unrecorded=missed_share(table, factor))
        best = fit(pair.design, start=pair.start, tolerance=FIT_TOLERANCE)
    except FitError:
        return None
    parts = _taken_apart(table, background, standard, pair, best, factor)
    robust = tuple(_robust(table, pair, best, parts, factor))
    whole = effect.odds_ratio
    left_out = (
        leave_one_out(table, pair, best, parts[name], factor=factor, defect=background.defect, full=whole)
        for name in _LEFT_OUT
    )
    return Checks(
        clustered=robust,
        widest=widest(whole, effect.p, *robust),
        left_out=tuple(one for one in left_out if one is not None),
        gaps=not_recorded(table, background, standard, factor=factor, found=whole, imputations=imputations, seed=seed),
        early_late=early_and_late(table, background, standard, factor=factor),
    )


def _taken_apart(
    table: PatternTable, background: Background, standard: ProcessStandard, pair: PairDesign, best: Fit, factor: str
) -> dict[str, TakenApart]:
    return {
        name: take_apart(table, background, standard, pair, best, factor=factor, by=name)
        for name in dict.fromkeys([*_CLUSTERS, *_LEFT_OUT])
    }


def _robust(
    table: PatternTable, pair: PairDesign, best: Fit, parts: Mapping[str, TakenApart], factor: str
) -> Iterator[Clustered]:
    for name in _CLUSTERS:
        try:
            one = clustered(table, pair, best, parts[name], factor=factor)
        except FitError:
            continue
        if one is not None:
            yield one

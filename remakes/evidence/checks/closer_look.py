"""A closer look at one factor and one defect: what costs too much to be worked out for every pair.

The checks in full, with the gaps in the log filled in at random; the reading itself against the limit; whether the
finding hangs on a material lot or a machine; the share returned month by month; and how long it takes to tell.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from threadpoolctl import threadpool_limits

from remakes.counts.engine import Tables
from remakes.counts.readings import reading_bands
from remakes.counts.refine import NOT_RECORDED_LEVEL, refine_by_source
from remakes.counts.service import count_service
from remakes.counts.table import PatternTable
from remakes.errors import FitError
from remakes.evidence.checks.believability import Checks, check
from remakes.evidence.checks.clusters import take_apart
from remakes.evidence.checks.dose import DoseResponse, dose_response
from remakes.evidence.checks.incidence import CumulativeIncidence, incidence_in_service
from remakes.evidence.checks.leave_out import LeaveOut, leave_one_out
from remakes.evidence.checks.power import MonthsToTell, months_to_tell
from remakes.evidence.models.adjusted import AdjustedEffect, adjusted_effect, missed_share
from remakes.evidence.models.adjustment import Background, pair_design
from remakes.evidence.models.case_mix import CaseMix
from remakes.evidence.models.logistic import FIT_TOLERANCE, fit
from remakes.evidence.models.shrinkage import Shrinkage, estimate_shrinkage
from remakes.records.standard import ProcessStandard

__all__ = ["CloserLook", "look_closer"]

#: Times the gaps are filled in at random.
_IMPUTATIONS: Final = 20
_SOURCES: Final[tuple[Literal["lot", "equipment"], ...]] = ("lot", "equipment")


@dataclass(frozen=True, slots=True, kw_only=True)
class CloserLook:
    """What more can be said of one factor and one defect.

    Attributes
    ----------
    factor, defect : str
    effect : AdjustedEffect
        The finding itself.
    checks : Checks or None
        None where there is no estimate to be checked.
    dose : DoseResponse or None
        None where the requirement is not about a number, or nothing legible was written down.
    sources : tuple of LeaveOut
        By material lot and by machine, where they were written down for this step.
    incidence : mapping of str to CumulativeIncidence
        By status: met, missed, not recorded, all.
    months : MonthsToTell
    """

    factor: str
    defect: str
    effect: AdjustedEffect
    checks: Checks | None
    dose: DoseResponse | None
    sources: tuple[LeaveOut, ...]
    incidence: Mapping[str, CumulativeIncidence]
    months: MonthsToTell

    @property
    def sentences(self) -> tuple[str, ...]:
        """What was seen, for a reader of lines."""
        checks = self.checks
        said = [one.sentence for one in checks.clustered] if checks else []
        said += [one.sentence for one in (*(checks.left_out if checks else ()), *self.sources)]
        said += [checks.gaps.sentence, checks.early_late.sentence] if checks else []
        said += [self.dose.sentence] if self.dose else []
        # What is clear already needs no more months.
        said += [] if self.effect.odds_ratio.low > 1.0 else [self.months.sentence]
        return tuple(said)

    def as_json(self) -> dict[str, Any]:
        """For findings."""
        return {
            "factor": self.factor,
            "defect": self.defect,
            "checks": self.checks.as_json() if self.checks else None,
            "dose_response": self.dose.as_json() if self.dose else None,
            "left_out_sources": [one.as_json() for one in self.sources],
            "cumulative_incidence": {status: one.as_json() for status, one in self.incidence.items()},
            "months_to_tell": self.months.as_json(),
        }


def look_closer(
    tables: Tables,
    table: PatternTable,
    standard: ProcessStandard,
    *,
    factor: str,
    defect: str,
    alpha_to_list: float,
    horizon: int = 12,
    seed: int = 0,
) -> CloserLook:
    """What more can be said of one factor and one defect?

    Parameters
    ----------
    tables : Tables
        The engine that `table` was counted in.
    table : PatternTable
    standard : ProcessStandard
        The one the table was counted by.
    factor, defect : str
    alpha_to_list : float
        Which p would put the pair among those found: a list of many asks for more.
    horizon : int
        Months of service that risks look at.
    seed : int
        Of the imputations.
    """
    with threadpool_limits(limits=1):
        at_risk, events = table.events_of(defect)
        case_mix = CaseMix(table)
        shrinkage = estimate_shrinkage(case_mix, at_risk=at_risk, events=events)
        background = Background(table, case_mix, shrinkage, defect)
        effect = adjusted_effect(table, background, standard, factor=factor, horizon=horizon)
        bands = reading_bands(tables, table, standard, factor=factor)
        service = count_service(tables, table).by_status(table, factor=factor, defect=defect)
        return CloserLook(
            factor=factor,
            defect=defect,
            effect=effect,
            checks=check(
                table, background, standard, factor=factor, effect=effect, imputations=_IMPUTATIONS, seed=seed
            ),
            dose=None if bands is None else dose_response(bands, background, standard),
            sources=() if effect.why_not else _by_source(tables, table, standard, shrinkage, effect, factor, defect),
            incidence={status: incidence_in_service(months) for status, months in service.items()},
            months=months_to_tell(
                table,
                factor=factor,
                defect=defect,
                log_se=effect.log_se,
                alpha_to_list=alpha_to_list,
            ),
        )


def _by_source(
    tables: Tables,
    table: PatternTable,
    standard: ProcessStandard,
    shrinkage: Shrinkage,
    effect: AdjustedEffect,
    factor: str,
    defect: str,
) -> tuple[LeaveOut, ...]:
    """Whether the finding hangs on one lot or machine of this step."""
    found = []
    for name in _SOURCES:
        refined = refine_by_source(tables, table, standard, factor=factor, by=name)
        finer = refined.table
        if not set(refined.attribute.levels) - {NOT_RECORDED_LEVEL, "does not apply"}:
            continue
        background = Background(finer, CaseMix(finer), shrinkage, defect)
        try:
            pair = pair_design(finer, background, standard, factor=factor, unrecorded=missed_share(finer, factor))
            best = fit(pair.design, start=pair.start, tolerance=FIT_TOLERANCE)
            apart = take_apart(finer, background, standard, pair, best, factor=factor, by=name)
            one = leave_one_out(finer, pair, best, apart, factor=factor, defect=defect, full=effect.odds_ratio)
        except FitError:
            continue
        if one is not None:
            found.append(one)
    return tuple(found)

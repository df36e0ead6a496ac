"""One technician's own work, for that technician."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from remakes.flow.analysis import Analysis

if TYPE_CHECKING:
    from remakes.evidence.estimate import Estimate
    from remakes.evidence.findings import Finding
    from remakes.evidence.own_work import OwnFactor

__all__ = ["LEAST_DELIVERED", "FactorSummary", "OwnWork", "own_work"]

#: Below this many deliveries a technician's figures say nothing.
LEAST_DELIVERED: Final = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class FactorSummary:
    """One requirement in one technician's work beside the lab's.

    `share`, `lab_share`: missed of recorded, with Wilson's 95 % interval; nan where nothing was recorded.
    """

    factor: str
    recorded: int
    missed: int
    lab_recorded: int
    lab_missed: int
    share: Estimate
    lab_share: Estimate

    @property
    def above_lab(self) -> bool:
        """Does the whole interval of the own share lie above the lab's share? Never where nothing was recorded."""
        return self.share.low > self.lab_share.estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnWork:
    """One technician's own work, for that technician.

    Attributes
    ----------
    technician : str
    delivered, returned : int
        Restorations; first returns, each defect of a restoration once.
    expected : float
        First returns to expect from the same time in service and the same case mix in the whole lab.
    ratio : Estimate
        Returned to expected, drawn towards 1 as strongly as so few returns ask; 95 % interval.
    enough : bool
        At least 20 restorations delivered.
    factors : tuple of FactorSummary
    findings : tuple of Finding
        Findings of the lab on requirements this technician has missed, graded at least weak.
    """

    technician: str
    delivered: int
    returned: int
    expected: float
    ratio: Estimate
    enough: bool
    factors: tuple[FactorSummary, ...]
    findings: tuple[Finding, ...]

    @property
    def compared(self) -> int:
        """Requirements with anything recorded of this technician's work."""
        return sum(1 for one in self.factors if one.recorded)

    @property
    def above_by_chance(self) -> float:
        """How many of the compared would lie above by chance alone: of 95 % intervals, one in forty."""
        return self.compared / 40


def own_work(analysis: Analysis, technician: str) -> OwnWork:
    """Which of my steps go with my returns, and how do my returns compare with the same cases in the lab?

    Raises
    ------
    InputError
        Nobody of that code in the records.
    """
    from remakes.evidence.own_work import own_figures

    figures = own_figures(analysis.table, technician)
    missed = {one.factor for one in figures.factors if one.missed}
    return OwnWork(
        technician=technician,
        delivered=figures.delivered,
        returned=figures.returned,
        expected=figures.expected,
        ratio=figures.ratio,
        enough=figures.delivered >= LEAST_DELIVERED,
        factors=tuple(map(_factor_summary, figures.factors)),
        findings=tuple(
            finding
            for finding in analysis.findings
            if finding.factor in missed and finding.plausible and finding.grade in ("strong", "moderate", "weak")
        ),
    )


def _factor_summary(one: OwnFactor) -> FactorSummary:
    from remakes.evidence.estimate import Estimate
    from remakes.evidence.tables.proportions import proportion_interval

    found = proportion_interval(events=[one.missed, one.lab_missed], total=[one.recorded, one.lab_recorded])
    own, lab = (
        Estimate(float(share), float(low), float(high))
        for share, low, high in zip(found.estimate, found.low, found.high, strict=True)
    )
    return FactorSummary(
        factor=one.factor,
        recorded=one.recorded,
        missed=one.missed,
        lab_recorded=one.lab_recorded,
        lab_missed=one.lab_missed,
        share=own,
        lab_share=lab,
    )

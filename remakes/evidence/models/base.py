"""The models without any requirement, of every defect: fitted once and handed to all that stand on them.

How strongly technicians, clinics and quarters are shrunken is asked by the findings, by the joint effects behind the
ranking, by what changed and by lots and machines. The answer hangs on the table alone, and takes a tenth of a second
for each defect.
"""

from __future__ import annotations

from functools import cached_property

from threadpoolctl import threadpool_limits

from remakes.counts.table import PatternTable
from remakes.evidence.models.adjustment import Background
from remakes.evidence.models.case_mix import CaseMix
from remakes.evidence.models.shrinkage import Shrinkage, estimate_shrinkage

__all__ = ["BaseModels"]


class BaseModels:
    """What the models of one table have in common, worked out when first asked for.

    Parameters
    ----------
    table : PatternTable
        Whoever is handed this object must ask about the same table.
    """

    def __init__(self, table: PatternTable) -> None:
        self.table = table
        self._shrinkages: dict[str, Shrinkage] = {}
        self._backgrounds: dict[str, Background] = {}

    @cached_property
    def case_mix(self) -> CaseMix:
        """The adjustment columns of the table."""
        return CaseMix(self.table)

    def shrinkage(self, defect: str) -> Shrinkage:
        """How strongly people, clinics and quarters are drawn to their mean for one defect."""
        if defect not in self._shrinkages:
            at_risk, events = self.table.events_of(defect)
            # The matrices are small: one thread is quicker than several that wait for each other.
            with threadpool_limits(limits=1):
                self._shrinkages[defect] = estimate_shrinkage(self.case_mix, at_risk=at_risk, events=events)
        return self._shrinkages[defect]

    def shrinkages(self) -> dict[str, Shrinkage]:
        """The same for every defect of the table."""
        return {defect: self.shrinkage(defect) for defect in self.table.defects}

    def background(self, defect: str) -> Background:
        """The columns of one defect's models, and rows alike in them."""
        if defect not in self._backgrounds:
            self._backgrounds[defect] = Background(self.table, self.case_mix, self.shrinkage(defect), defect)
        return self._backgrounds[defect]

    def to_keep(self) -> BaseModels:
        """What is worth keeping beside a result: the strengths, which took time, and no columns, which take room."""
        kept = BaseModels(self.table)
        kept._shrinkages = self._shrinkages
        return kept

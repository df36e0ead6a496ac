"""What each source would be expected to have: the lab's own hazards, applied to what was made with it.

The hazards of each defect come from the lab's base model: bin of time in service, case mix, and shrunken technician
and clinic. Quarters of delivery are left out: a lot is used in some weeks only, and an effect of these weeks would
explain it away. So a bad season looks like a bad lot, and the lots of other steps of that time look bad with it. Misses
of the standard are not adjusted for either, since a machine may do its harm through them.

The model has seen the source's own returns. They are taken out of the level: what a source is expected to have follows
from the returns of the others of its step (and of its kind) alone. Their effect on the case mix remains, and is small.
Restorations without any code at a step are not compared with; nobody knows what they were made with.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from remakes.counts.sources import Source, SourceCounts
from remakes.counts.table import PatternTable
from remakes.evidence.models.base import BaseModels
from remakes.evidence.models.case_mix import CaseMix
from remakes.evidence.models.shrinkage import Shrinkage

__all__ = ["Compared", "Totals", "compare", "shrinkages_of"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Totals:
    """Sources against all sources of their step, for one expectation; (sources, defects) arrays, "all" the last defect.

    Attributes
    ----------
    observed, of_step : arrays
        First returns of the source, and of all restorations that have any source of its kind and step.
    share : array
        The source's share of the returns that the model expects of the step; nan where the model expects none.
    """

    observed: Floats
    of_step: Floats
    share: Floats

    @property
    def expected(self) -> Floats:
        """Returns at the rate of the others of the step; nan where there are no others."""
        comparable = (self.share > 0) & (self.share < 1)
        odds = np.divide(self.share, 1.0 - self.share, out=np.full_like(self.share, np.nan), where=comparable)
        return np.where(comparable, odds * (self.of_step - self.observed), np.nan)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Compared:
    """Returns seen and expected, row by row, and which rows belong to which source and step.

    Attributes
    ----------
    sources : tuple of Source
    defects : tuple of str
        Without "all".
    observed, expected : (rows, defects) arrays
    member_row, member_source : (memberships,) arrays
    group : (sources,) array
        Number of the kind and step.
    group_row, group_number : (group memberships,) arrays
        Which row has any source of which group; once, though it have several.
    """

    sources: tuple[Source, ...]
    defects: tuple[str, ...]
    observed: Floats
    expected: Floats
    member_row: Ints
    member_source: Ints
    group: Ints
    group_row: Ints
    group_number: Ints

    @classmethod
    def of(
        cls,
        *,
        sources: tuple[Source, ...],
        defects: tuple[str, ...],
        observed: Floats,
        expected: Floats,
        member_row: Ints,
        member_source: Ints,
    ) -> Compared:
        """With the groups worked out from the sources."""
        kinds = sorted({(one.what, one.step) for one in sources})
        group = np.array([kinds.index((one.what, one.step)) for one in sources], dtype=np.intp)
        width = max(len(kinds), 1)
        key = np.unique(member_row * width + group[member_source]) if len(member_row) else member_row
        return cls(
            sources=sources,
            defects=defects,
            observed=observed,
            expected=expected,
            member_row=member_row,
            member_source=member_source,
            group=group,
            group_row=key // width,
            group_number=key % width,
        )

    @property
    def shape(self) -> tuple[int, int]:
        """Sources, and defects with "all"."""
        return len(self.sources), len(self.defects) + 1

    def totals(self, times: Floats | None = None) -> Totals:
        """Sums by source and step, with every row's expectation multiplied by `times`, (rows, defects) array."""
        expected = self.expected if times is None else self.expected * times
        observed, own = self._by_source(self.observed), self._by_source(expected)
        of_step, model = self._by_group(self.observed), self._by_group(expected)
        share = np.divide(own, model, out=np.full_like(own, np.nan), where=model > 0)
        return Totals(observed=observed, of_step=of_step, share=np.minimum(share, 1.0))

    def rows_of(self, source: int) -> Ints:
        """Rows made with one source."""
        rows: Ints = self.member_row[self.member_source == source]
        return rows

    def _by_source(self, values: Floats) -> Floats:
        return _summed(values[self.member_row], self.member_source, len(self.sources))

    def _by_group(self, values: Floats) -> Floats:
        sums = _summed(values[self.group_row], self.group_number, int(self.group.max(initial=-1)) + 1)
        return sums[self.group]


def _summed(values: Floats, number: Ints, size: int) -> Floats:
    """Sums by number for every defect, and for all of them in a last column."""
    sums = np.zeros((size, values.shape[1] + 1))
    for column in range(values.shape[1]):
        sums[:, column] = np.bincount(number, values[:, column], minlength=size)
    sums[:, -1] = sums[:, :-1].sum(axis=1)
    return sums


def shrinkages_of(table: PatternTable) -> dict[str, Shrinkage]:
    """The base model of every defect of the table."""
    return BaseModels(table).shrinkages()


def compare(
    counted: SourceCounts, table: PatternTable, shrinkages: Mapping[str, Shrinkage], *, kinds: frozenset[str]
) -> Compared:
    """What do sources of these kinds have, and what does the lab's base model expect of their restorations?

    Parameters
    ----------
    counted : SourceCounts
    table : PatternTable
        The one it was counted with.
    shrinkages : mapping of str to Shrinkage
        By defect.
    kinds : frozenset of str
        Of ``lot``, ``equipment``, ``clinic``. With clinics their effect is left out of the model.

    Notes
    -----
    The model is scaled so that each defect has as many returns expected in each bin as were seen, over the lab.
    """
    chosen = np.array([one.what in kinds for one in counted.sources], dtype=np.bool_)
    number = np.cumsum(chosen) - 1
    members = chosen[counted.member_source] if len(chosen) else np.zeros(0, dtype=np.bool_)
    effects = ("technician",) if "clinic" in kinds else ("technician", "clinic")
    case_mix = CaseMix(table)
    size = (counted.rows, len(table.defects))
    observed, expected = np.zeros(size), np.zeros(size)
    np.add.at(observed, (counted.event_row, counted.event_defect), counted.event_count)
    for position, defect in enumerate(table.defects):
        expected[:, position] = _expected(counted, case_mix, shrinkages[defect], position, effects)
    return Compared.of(
        sources=tuple(one for one in counted.sources if one.what in kinds),
        defects=table.defects,
        observed=observed,
        expected=expected,
        member_row=counted.member_row[members],
        member_source=number[counted.member_source[members]],
    )


def _expected(
    counted: SourceCounts, case_mix: CaseMix, model: Shrinkage, defect: int, effects: tuple[str, ...]
) -> Floats:
    """Returns expected of each row with one defect."""
    mine = counted.event_defect == defect
    at_risk = counted.at_risk.copy()
    np.subtract.at(at_risk, counted.event_row[mine], counted.event_lost[mine])
    log_odds = case_mix.columns @ model.case_mix + sum(
        (model.effects[name][case_mix.codes[name]] for name in effects), np.zeros(len(case_mix.columns))
    )
    by_bin = expit(log_odds[counted.pattern][:, None] + model.bins) * at_risk
    seen = np.bincount(counted.event_bin[mine], counted.event_count[mine], minlength=at_risk.shape[1])
    modelled = by_bin.sum(axis=0)
    scale = np.divide(seen, modelled, out=np.zeros(len(modelled)), where=modelled > 0)
    rows: Floats = by_bin @ scale
    return rows

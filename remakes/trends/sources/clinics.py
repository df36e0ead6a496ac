"""Clinics, to start a conversation: whose returns differ from the same work for the others?"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from remakes.counts.sources import CLINIC, SourceCounts
from remakes.counts.table import PatternTable
from remakes.evidence.models.shrinkage import Shrinkage
from remakes.texts import t
from remakes.trends.sources.figures import Sources
from remakes.trends.sources.naming import judge
from remakes.trends.sources.standardized import compare, shrinkages_of
from remakes.trends.sources.told import TooFew, counts_only, figures, in_words, too_few

__all__ = ["clinics"]

_KINDS: Final = frozenset({CLINIC})


def clinics(
    counted: SourceCounts, table: PatternTable, *, shrinkages: Mapping[str, Shrinkage] | None = None
) -> Sources:
    """Which clinics have more returns than the same work for the other clinics, beyond how clinics differ anyway?

    A difference may lie in the patients, in impressions and seating, in what a clinic reports, or in how the lab works
    for it: the records cannot tell, so it is a reason to talk and nothing more.

    Parameters
    ----------
    counted : SourceCounts
    table : PatternTable
        The one it was counted with.
    shrinkages : mapping of str to Shrinkage, optional
        Base models by defect, if the caller has them; otherwise they are estimated here.

    Returns
    -------
    Sources
        Those that stand out first, all others by code; every clinic with "all" and with each defect it has.
    """
    missing = too_few(counted, table, _KINDS, TooFew(t("clinic"), t("the clinic"), t("the deliveries")))
    chosen = sum(one.what == CLINIC for one in counted.sources)
    if not missing and chosen < 2:
        missing = t("All restorations went to one clinic, so there is nothing to compare it with.")
    shape = (chosen, len(table.defects) + 1)
    if missing:
        return counts_only(counted, table, _KINDS, np.zeros(shape, dtype=np.bool_), missing)
    models = shrinkages_of(table) if shrinkages is None else shrinkages
    compared = compare(counted, table, models, kinds=_KINDS)
    judged = judge(compared, np.ones(shape))
    found = figures(counted, compared, judged, judged.observed > 0)
    ordered = sorted(found, key=lambda one: (not one.stands_out, one.code, _place(one.defect, table.defects)))
    return Sources(
        figures=tuple(ordered),
        tested=judged.tested,
        enough=True,
        missing="",
        sentence=in_words(found, judged.tested, t("clinics")),
    )


def _place(defect: str, defects: tuple[str, ...]) -> int:
    """Place of a defect in a list that begins with "all" and goes on by frequency."""
    return defects.index(defect) + 1 if defect in defects else 0

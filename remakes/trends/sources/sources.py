"""Lots and machines: which have more returns than the same work made with the others?"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.sources import CLINIC, EQUIPMENT, LOT, SourceCounts
from remakes.counts.table import PatternTable
from remakes.evidence.findings import PLAUSIBLE_WEIGHT
from remakes.evidence.models.shrinkage import Shrinkage
from remakes.records.standard import ProcessStandard
from remakes.texts import t
from remakes.trends.sources.figures import ALL, SourceFigure, Sources
from remakes.trends.sources.naming import judge
from remakes.trends.sources.standardized import compare, shrinkages_of
from remakes.trends.sources.told import TooFew, counts_only, figures, in_words, too_few

__all__ = ["sources"]

Floats = NDArray[np.float64]

_KINDS: Final = frozenset({LOT, EQUIPMENT})


def sources(
    counted: SourceCounts,
    table: PatternTable,
    standard: ProcessStandard,
    *,
    shrinkages: Mapping[str, Shrinkage] | None = None,
) -> Sources:
    """Which lots and machines stand out, with which defect?

    Parameters
    ----------
    counted : SourceCounts
    table : PatternTable
        The one it was counted with.
    standard : ProcessStandard
        A defect that a step's requirements may cause weighs twenty times as much as any other defect of its lots and
        machines, and as "all"; of a step that the standard has no requirement for, all weigh alike.
    shrinkages : mapping of str to Shrinkage, optional
        Base models by defect, if the caller has them; otherwise they are estimated here.

    Returns
    -------
    Sources
        Every lot and machine with "all", with the plausible defects, and with any other that it has.

    Notes
    -----
    In simulated labs of 45 lots and machines (tests/benchmarks/sources_calibration.py), a lot that tripled one defect
    was named, or told beside the one named, in 39 % of the labs if five of these returns were expected without the
    tripling, in 68 % at eight, 75 % at ten, 85 % at twelve and 94 % at fifteen. Another source was named alone in 4 to
    8 %. Without any bad source 3 % of labs named one; where ordinary ones differ with a standard deviation of 0.22,
    20 % did. Nine of ten at five expected is out of reach of any rule: even a p of 0.03 would have to be enough, and
    there are some two hundred questions.
    """
    missing = too_few(
        counted, table, _KINDS, TooFew(t("lot or machine"), t("the lots and machines used"), t("the process log"))
    )
    plausible = _plausible_pairs(counted, table, standard)
    if missing:
        return counts_only(counted, table, _KINDS, plausible, missing)
    models = shrinkages_of(table) if shrinkages is None else shrinkages
    compared = compare(counted, table, models, kinds=_KINDS)
    weight = np.where(plausible, 1.0, 1.0 / PLAUSIBLE_WEIGHT)
    judged = judge(compared, weight)
    found = figures(counted, compared, judged, plausible)
    return Sources(
        figures=tuple(sorted(found, key=_by_evidence)),
        tested=judged.tested,
        enough=True,
        missing="",
        sentence=in_words(found, judged.tested, t("lots and machines")),
    )


def _plausible_pairs(counted: SourceCounts, table: PatternTable, standard: ProcessStandard) -> NDArray[np.bool_]:
    """Which defects the steps of lots and machines may bring about, (sources, defects and "all") array."""
    named: dict[str, set[str]] = {}
    for one in standard.requirements:
        named.setdefault(one.step, set()).update(one.may_cause)
    every = set(table.defects)
    chosen = [one for one in counted.sources if one.what != CLINIC]
    return np.array(
        [[defect in (named.get(one.step) or every) for defect in (*table.defects, ALL)] for one in chosen],
        dtype=np.bool_,
    ).reshape(len(chosen), len(table.defects) + 1)


def _by_evidence(one: SourceFigure) -> tuple[bool, float, str, str, str, str]:
    return not one.stands_out, one.p if np.isfinite(one.p) else 2.0, one.what, one.step, one.code, one.defect

"""Pattern tables drawn from a seed, one pattern a restoration, and one pair of them fitted."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import cache

import numpy as np
from numpy.typing import NDArray

from remakes.counts.table import BIN_EDGES, Attribute, PatternTable
from remakes.deviations.detect import MET, MISSED
from remakes.evidence.estimate import Estimate
from remakes.evidence.models.adjusted import missed_share
from remakes.evidence.models.adjustment import Background, PairDesign, pair_design
from remakes.evidence.models.case_mix import CaseMix
from remakes.evidence.models.logistic import Fit, fit
from remakes.evidence.models.profile_interval import profile
from remakes.evidence.models.shrinkage import Shrinkage
from remakes.records.requirements import ProcessStandard
from tests.labs import standard

Ints = NDArray[np.intp]
Floats = NDArray[np.float64]

FACTOR, DEFECT = "bond_wait", "debonding"
SINGLE = ("kind", "framework", "veneer", "span", "region", "difficulty", "lead_time", "workload")


@cache
def rules() -> ProcessStandard:
    """The standard of the test lab, read once."""
    return standard()


def months_in_bins(months: NDArray[np.int64]) -> Floats:
    """How many of the first so many months fall into each bin."""
    first = np.array(BIN_EDGES)
    width = np.append(np.diff(first), 10_000)
    return np.clip(months[:, None] - first, 0, width).astype(np.float64)


def drawn_table(
    rng: np.random.Generator,
    *,
    log_hazard: Floats,
    missed: NDArray[np.bool_],
    codes: dict[str, Ints],
    status: dict[str, NDArray[np.int8]] | None = None,
    months: int = 12,
) -> PatternTable:
    """A table in which restoration i comes back with logit(hazard) `log_hazard[i]` in each of its months.

    Parameters
    ----------
    missed
        Whether the bond wait was cut short; every other requirement is met unless `status` says otherwise.
    codes
        Level numbers of attributes; those not named have one level.
    """
    n = len(missed)
    codes = {name: np.zeros(n, dtype=np.intp) for name in (*SINGLE, "technician", "clinic", "quarter")} | codes
    month = rng.geometric(1 / (1 + np.exp(-log_hazard))) - 1
    back = np.flatnonzero(month < months)
    of_month = np.searchsorted(np.array(BIN_EDGES), month[back], side="right") - 1
    columns = {name: np.full(n, MET, dtype=np.int8) for name in rules().factors} | (status or {})
    columns[FACTOR] = np.where(missed, MISSED, MET).astype(np.int8)
    full = np.full(n, months)
    return PatternTable(
        factors=rules().factors,
        defects=(DEFECT,),
        status=np.column_stack([columns[name] for name in rules().factors]),
        restorations=np.ones(n, dtype=np.int64),
        at_risk=months_in_bins(full),
        attributes={
            name: Attribute(code.astype(np.intp), tuple(f"{name}{k:02d}" for k in range(int(code.max()) + 1)))
            for name, code in codes.items()
        },
        event_pattern=back,
        event_defect=np.zeros(len(back), dtype=np.intp),
        event_bin=of_month,
        event_count=np.ones(len(back), dtype=np.int64),
        event_lost=months_in_bins(full[back]) - months_in_bins(month[back] + 1),
        event_early=np.zeros(len(back), dtype=np.int64),
        observed_until=date(2025, 12, 31),
        first_delivered=date(2024, 1, 1),
        last_delivered=date(2024, 12, 31),
        returns=len(back),
        readings={},
    )


@dataclass(frozen=True, kw_only=True)
class Fitted:
    """One pair, fitted, with all that it was made from."""

    table: PatternTable
    background: Background
    standard: ProcessStandard
    pair: PairDesign
    best: Fit
    odds_ratio: Estimate
    p: float


def shrinkage_of(table: PatternTable, **sd: float) -> Shrinkage:
    """Given standard deviations; what is not named is left out of the model."""
    case_mix = CaseMix(table)
    return Shrinkage(
        sd={name: sd.get(name, 0.15) for name in case_mix.levels},
        bins=np.full(len(BIN_EDGES), -5.0),
        case_mix=np.zeros(case_mix.columns.shape[1]),
        effects={name: np.zeros(size) for name, size in case_mix.levels.items()},
    )


def fitted_pair(table: PatternTable, shrinkage: Shrinkage | None = None, *, tolerance: float = 1e-8) -> Fitted:
    """Fit bond_wait and debonding."""
    background = Background(table, CaseMix(table), shrinkage or shrinkage_of(table), DEFECT)
    pair = pair_design(table, background, rules(), factor=FACTOR, unrecorded=missed_share(table, FACTOR))
    best = fit(pair.design, start=pair.start, tolerance=tolerance)
    found = profile(pair.design, best, 0, tolerance=0.01)
    return Fitted(
        table=table,
        background=background,
        standard=rules(),
        pair=pair,
        best=best,
        odds_ratio=Estimate(*(float(np.exp(v)) for v in (found.estimate, found.low, found.high))),
        p=found.p,
    )

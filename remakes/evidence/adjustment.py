"""Within what a factor is compared: one question, one adjustment set.

For the effect of one missed requirement on one defect, restorations are compared within what both
sides may share from before: who made it, for whom, what kind of piece, how hard the case, how short the
time, which quarter, how busy the week; and the misses of earlier steps, and of the same step, that may
cause the same defect. Never a later step: it may be a consequence of the one in question.

Technician, clinic and quarter are shrunken towards their mean with a strength estimated from the data;
their levels are many and their returns few. The misses of other requirements carry a fixed weak ridge.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.table import BIN_EDGES, PatternTable
from remakes.deviations.detect import MET, MISSED, NOT_APPLICABLE, NOT_RECORDED
from remakes.evidence.logistic import Design, Fit, fit
from remakes.records.standard import ProcessStandard

__all__ = ["CaseMix", "Shrinkage", "adjustment_names", "estimate_shrinkage", "pair_design"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

#: Effects with few levels, as they are; and those with many, shrunken.
_CASE_MIX: Final = ("kind", "framework", "veneer", "span", "region", "difficulty", "lead_time", "workload")
_SHRUNKEN: Final = ("technician", "quarter")
_GROUP: Final = "clinic"

_WORDS: Final = {
    "technician": "technician",
    "clinic": "clinic",
    "quarter": "quarter of delivery",
    "kind": "kind",
    "framework": "framework material",
    "veneer": "veneer material",
    "span": "span",
    "region": "region of the mouth",
    "difficulty": "difficulty noted",
    "lead_time": "short lead time",
    "workload": "workload of the week",
}

#: A level held by fewer restorations is merged with the commonest: it cannot be told apart anyway.
_SMALLEST_LEVEL: Final = 10
#: Precision of the weak prior on other requirements' misses: standard deviation 1.4 on the log odds.
_RIDGE_MISSES: Final = 0.5
#: With fewer returns than this for each case-mix column, the case mix carries the same weak prior.
_RETURNS_PER_COLUMN: Final = 5
#: Bounds and start of the estimated standard deviations, on the log-odds scale. At the lower bound the levels
#: differ by less than a tenth in their odds: the effect is then left out.
_SD_BOUNDS: Final = (0.1, 1.5)
_SD_START: Final = 0.4


def matters(sd: float) -> bool:
    """Whether levels that differ this much need a place in the model."""
    return sd > _SD_BOUNDS[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shrinkage:
    """Estimated standard deviations of the shrunken effects for one defect, log-odds scale.

    The effects of the model that estimated them ride along as the start of every later fit: `bins` for
    all month bins, `effects` for all common columns, `clinics` for all clinics; zero where unknown.
    """

    technician: float
    quarter: float
    clinic: float
    bins: Floats
    effects: Floats
    clinics: Floats

    @property
    def sd(self) -> dict[str, float]:
        """Standard deviation by attribute."""
        return {"technician": self.technician, "quarter": self.quarter, "clinic": self.clinic}


class CaseMix:
    """The adjustment columns of a pattern table, made once and shared by all models.

    Attributes
    ----------
    order : (patterns,) array
        Patterns sorted by clinic; all other arrays of this class are in this order.
    columns : (patterns, c) array
        Case-mix indicators.
    shrunken : mapping of str to (patterns, levels) array
        Technician and quarter indicators, every level.
    groups : (patterns,) array
        Clinic number.
    present : tuple of str
        Names of what varies in these records, in words.
    """

    def __init__(self, table: PatternTable) -> None:
        clinic = table.attributes[_GROUP].codes
        self.order: Ints = np.argsort(clinic, kind="stable")
        self.groups: Ints = clinic[self.order]
        weights = table.restorations[self.order]
        blocks, present = [np.zeros((table.patterns, 0))], []
        for name in _CASE_MIX:
            block = self._indicators(table, name, weights)
            if block.shape[1]:
                blocks.append(block)
                present.append(_WORDS[name])
        self.columns: Floats = np.hstack(blocks)
        self.shrunken: dict[str, Floats] = {}
        for name in _SHRUNKEN:
            attribute = table.attributes[name]
            if len(attribute.levels) > 1:
                self.shrunken[name] = np.eye(len(attribute.levels))[attribute.codes[self.order]]
                present.append(_WORDS[name])
        if len(table.attributes[_GROUP].levels) > 1:
            present.append(_WORDS[_GROUP])
        self.present: tuple[str, ...] = tuple(present)

    def _indicators(self, table: PatternTable, name: str, weights: NDArray[np.int64]) -> Floats:
        attribute = table.attributes[name]
        codes = attribute.codes[self.order]
        if name == "difficulty":
            return _tag_indicators(codes, attribute.levels, weights)
        held = np.bincount(codes, weights, minlength=len(attribute.levels))
        commonest = int(held.argmax())
        wanted = [k for k in range(len(held)) if k != commonest and held[k] >= _SMALLEST_LEVEL]
        indicators: Floats = (codes[:, None] == np.array(wanted, dtype=np.intp)).astype(np.float64)
        return indicators


def _tag_indicators(codes: Ints, levels: tuple[str, ...], weights: NDArray[np.int64]) -> Floats:
    """A column for each difficulty tag; one restoration may carry several."""
    per_level = [frozenset(tag.strip() for tag in level.split(";") if tag.strip()) for level in levels]
    tags = sorted(frozenset().union(*per_level)) if per_level else []
    columns = []
    for tag in tags:
        column = np.array([tag in held for held in per_level], dtype=np.float64)[codes]
        count = float(column @ weights)
        if _SMALLEST_LEVEL <= count <= weights.sum() - _SMALLEST_LEVEL:
            columns.append(column)
    return np.column_stack(columns) if columns else np.zeros((len(codes), 0))


def adjustment_names(standard: ProcessStandard, factor: str, defect: str) -> tuple[str, ...]:
    """The other requirements whose misses stand in the adjustment set: earlier or same step, same defect."""
    causes = {f for f in standard.factors if defect in standard.may_cause(f)}
    return tuple(f for f in standard.earlier_or_same_step(factor) if f in causes and f != factor)


@dataclass(frozen=True, slots=True, kw_only=True)
class PairDesign:
    """The design of one factor and defect, and how to carry its fit to all restorations concerned.

    Attributes
    ----------
    design : Design
        Recorded restorations only; column 0 is the missed requirement. Bins without a return are left out:
        they hold no information on the odds ratio.
    start : (size,) array
        A good first guess of the design's parameters.
    bins : tuple of int
        Which bins the design has.
    rows : (m,) array
        All patterns to which the requirement applies, as positions in `CaseMix.order`.
    covariates : (m, p) array
        Their covariates; column 0 is 1 for missed, 0 for met, nan for not recorded.
    fitted : (m,) array of bool
        Which of them are in the design.
    groups : (m,) array
        Their clinic, numbered as in the design; -1 for a clinic without a recorded restoration.
    """

    design: Design
    start: Floats
    bins: tuple[int, ...]
    rows: Ints
    covariates: Floats
    fitted: NDArray[np.bool_]
    groups: Ints


def pair_design(
    table: PatternTable,
    case_mix: CaseMix,
    standard: ProcessStandard,
    *,
    factor: str,
    defect: str,
    at_risk: Floats,
    events: Floats,
    shrinkage: Shrinkage,
) -> PairDesign:
    """Set up the model of one factor and one defect.

    Parameters
    ----------
    at_risk, events : (patterns, bins) arrays
        For this defect, in the order of `case_mix`.
    """
    status = table.status_of(factor)[case_mix.order]
    rows = np.flatnonzero(status != NOT_APPLICABLE)
    recorded = (status[rows] == MET) | (status[rows] == MISSED)
    missed = np.where(status[rows] == MISSED, 1.0, np.where(recorded, 0.0, np.nan))
    others, other_ridge = _other_misses(table, case_mix, adjustment_names(standard, factor, defect), rows)
    columns, ridge = _common_columns(case_mix, rows, shrinkage.sd, returns=float(events[rows][recorded].sum()))
    covariates = np.column_stack([missed, others, columns])
    precisions = np.concatenate([[0.0], other_ridge, ridge])
    keep = _independent(covariates[recorded], precisions)
    effects = np.concatenate([np.zeros(1 + others.shape[1]), shrinkage.effects])[keep]
    covariates, precisions = covariates[:, keep], precisions[keep]
    known_events = events[rows][recorded]
    bins = tuple(int(b) for b in np.flatnonzero(known_events.sum(axis=0) > 0))
    levels, inner = np.unique(case_mix.groups[rows][recorded], return_inverse=True)
    grouped = len(levels) > 1 and matters(shrinkage.clinic)
    design = _merged(
        covariates[recorded],
        at_risk[rows][recorded][:, bins],
        known_events[:, bins],
        precisions,
        inner.astype(np.intp) if grouped else None,
        shrinkage.clinic**-2 if grouped else 0.0,
    )
    return PairDesign(
        design=design,
        start=np.concatenate([shrinkage.bins[list(bins)], effects, shrinkage.clinics[levels] if grouped else []]),
        bins=bins,
        rows=rows,
        covariates=covariates,
        fitted=recorded,
        groups=_renumber(case_mix.groups[rows], levels) if grouped else np.full(len(rows), -1, dtype=np.intp),
    )


def _merged(
    X: Floats, at_risk: Floats, events: Floats, ridge: Floats, groups: Ints | None, group_ridge: float
) -> Design:
    """The design with rows of equal covariates and group summed: the same likelihood, fewer rows."""
    keys = X if groups is None else np.column_stack([groups, X])
    # Rows are told apart by a projection on irrational directions; equal rows have equal sums.
    direction = np.sqrt(np.arange(2.0, 2.0 + keys.shape[1]) * 1.7) % 1.0 + np.log(np.arange(3.0, 3.0 + keys.shape[1]))
    sums = keys @ direction
    order = np.lexsort((sums, groups)) if groups is not None else np.argsort(sums, kind="stable")
    ordered = keys[order]
    first = np.append(True, np.any(ordered[1:] != ordered[:-1], axis=1))
    starts = np.flatnonzero(first)
    return Design(
        covariates=X[order][starts],
        at_risk=np.add.reduceat(at_risk[order], starts),
        events=np.add.reduceat(events[order], starts),
        ridge=ridge,
        groups=None if groups is None else groups[order][starts],
        group_ridge=group_ridge,
    )


def _renumber(groups: Ints, levels: Ints) -> Ints:
    place = np.searchsorted(levels, groups)
    place = np.minimum(place, len(levels) - 1)
    return np.where(levels[place] == groups, place, -1).astype(np.intp)


def _other_misses(table: PatternTable, case_mix: CaseMix, names: tuple[str, ...], rows: Ints) -> tuple[Floats, Floats]:
    """Missed and not-recorded indicators of the other requirements."""
    columns = []
    for name in names:
        status = table.status_of(name)[case_mix.order][rows]
        columns += [status == MISSED, status == NOT_RECORDED]
    block = np.column_stack(columns).astype(np.float64) if columns else np.zeros((len(rows), 0))
    return block, np.full(block.shape[1], _RIDGE_MISSES)


def _common_columns(
    case_mix: CaseMix, rows: Ints, sd: Mapping[str, float], *, returns: float, everything: bool = False
) -> tuple[Floats, Floats]:
    """Case mix and shrunken indicators with their ridge; without the effects that do not matter."""
    fixed = case_mix.columns[rows]
    weak = _RIDGE_MISSES if returns < _RETURNS_PER_COLUMN * fixed.shape[1] else 0.0
    blocks, ridges = [fixed], [np.full(fixed.shape[1], weak)]
    for name, indicators in case_mix.shrunken.items():
        width = indicators.shape[1] if everything or matters(sd[name]) else 0
        blocks.append(indicators[rows, :width])
        ridges.append(np.full(width, sd[name] ** -2))
    return np.hstack(blocks), np.concatenate(ridges)


def _independent(X: Floats, ridge: Floats) -> NDArray[np.bool_]:
    """Which columns to keep: those that vary and, where not shrunken, do not follow from earlier ones.

    The first column, the question itself, is always kept; the later column goes. A factor that follows
    from the case mix is noticed in the fit, by an interval without end.
    """
    keep = X.std(axis=0) > 0 if len(X) else np.zeros(X.shape[1], dtype=bool)
    keep[0] = True
    free = np.flatnonzero(keep & (ridge == 0.0))
    centred = X[:, free] - X[:, free].mean(axis=0)
    basis = np.zeros((len(X), 0))
    for position, column in enumerate(free):
        left = centred[:, position] - basis @ (basis.T @ centred[:, position])
        size, before = float(np.linalg.norm(left)), float(np.linalg.norm(centred[:, position]))
        if size > 1e-8 * max(before, 1e-300):
            basis = np.column_stack([basis, left / size])
        elif column != 0:
            keep[column] = False
    return keep


def estimate_shrinkage(case_mix: CaseMix, *, at_risk: Floats, events: Floats) -> Shrinkage:
    """How much technicians, quarters and clinics differ in one defect, beyond chance and case mix.

    Fits the case mix alone and moves each variance to the size its effects have, per effective degree of
    freedom (MacKay's fixed point of the marginal likelihood); eight rounds are enough for a strength.

    Parameters
    ----------
    at_risk, events : (patterns, bins) arrays
        For this defect, in the order of `case_mix`.

    References
    ----------
    MacKay DJC. Neural Computation 4:415-447 (1992). Breslow NE, Clayton DG. JASA 88:9-25 (1993).
    """
    sd = {"technician": _SD_START, "quarter": _SD_START, "clinic": _SD_START}
    rows = np.arange(len(case_mix.order))
    bins = np.flatnonzero(events.sum(axis=0) > 0)
    clinics = int(case_mix.groups[-1]) + 1 if len(rows) else 0
    start: Floats | None = None
    for _ in range(8):
        columns, ridge = _common_columns(case_mix, rows, sd, returns=float(events.sum()), everything=True)
        keep = _independent(np.column_stack([np.zeros(len(rows)), columns]), np.concatenate([[0.0], ridge]))[1:]
        design = Design(
            covariates=columns[:, keep],
            at_risk=at_risk[:, bins],
            events=events[:, bins],
            ridge=ridge[keep],
            groups=case_mix.groups if clinics > 1 else None,
            group_ridge=sd[_GROUP] ** -2 if clinics > 1 else 0.0,
        )
        fitted = fit(design, start=start, tolerance=1e-4)
        start = fitted.theta
        moved = dict(sd)
        for name, block in _blocks(case_mix, design, keep).items():
            moved[name] = _moved(fitted, block, sd[name])
        settled = all(abs(moved[name] - sd[name]) < 0.02 for name in sd)
        sd = moved
        if settled:
            break
    return _shrinkage(case_mix, sd, fitted, design, bins, keep, clinics)


def _shrinkage(
    case_mix: CaseMix,
    sd: Mapping[str, float],
    fitted: Fit,
    design: Design,
    bins: Ints,
    keep: NDArray[np.bool_],
    clinics: int,
) -> Shrinkage:
    """The strengths, and the effects placed where later designs will look for them."""
    every_bin = np.full(len(BIN_EDGES), fitted.theta[: design.bins].mean())
    every_bin[bins] = fitted.theta[: design.bins]
    last = design.bins + design.covariates.shape[1]
    every_effect = np.zeros(len(keep))
    every_effect[keep] = fitted.theta[design.bins : last]
    wanted = [np.ones(case_mix.columns.shape[1], dtype=bool)]
    wanted += [np.full(block.shape[1], matters(sd[name])) for name, block in case_mix.shrunken.items()]
    return Shrinkage(
        **sd,
        bins=every_bin,
        effects=every_effect[np.concatenate(wanted)],
        clinics=fitted.theta[last:] if design.levels else np.zeros(clinics),
    )


def _blocks(case_mix: CaseMix, design: Design, keep: NDArray[np.bool_]) -> dict[str, Ints]:
    """Where the effects of each shrunken attribute stand among the parameters."""
    position = np.full(len(keep), -1)
    position[keep] = design.bins + np.arange(int(keep.sum()))
    blocks, first = {}, case_mix.columns.shape[1]
    for name, indicators in case_mix.shrunken.items():
        places = position[first : first + indicators.shape[1]]
        blocks[name] = places[places >= 0].astype(np.intp)
        first += indicators.shape[1]
    if design.levels:
        blocks[_GROUP] = np.arange(design.bins + design.covariates.shape[1], design.size, dtype=np.intp)
    return blocks


def _moved(fitted: Fit, block: Ints, sd: float) -> float:
    effects = fitted.theta[block]
    unknown = float(np.diag(fitted.covariance)[block].sum()) / sd**2
    freedom = max(len(block) - unknown, 1e-3)
    return float(np.clip(np.sqrt(float(effects @ effects) / freedom), *_SD_BOUNDS))

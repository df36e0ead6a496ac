"""From the records to findings and ranked actions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from remakes.errors import InputError
from remakes.flow.start import Progress, observed_until
from remakes.records.store import Store
from remakes.texts import in_a_row, later, t

if TYPE_CHECKING:
    from remakes.actions.ranking import RankedAction
    from remakes.counts.table import PatternTable
    from remakes.evidence.checks.closer_look import CloserLook
    from remakes.evidence.checks.cross_check import CrossCheck
    from remakes.evidence.checks.interactions import Interactions
    from remakes.evidence.findings import Finding
    from remakes.evidence.models.base import BaseModels
    from remakes.records.corrective_actions import CorrectiveAction, Costs
    from remakes.records.snapshot import Snapshot
    from remakes.records.standard import ProcessStandard

__all__ = ["Analysis", "analyze", "analyze_exports", "closer_look", "closer_looks", "cross_checks", "interactions"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis:
    """Findings and ranked actions of one state of the records.

    Attributes
    ----------
    base : BaseModels
        What further questions about the same table stand on.
    records_version : int
        Which state that is, by `Store.figures_version`; 0 where it comes from exported folders.
    """

    restorations: int
    returns: int
    observed_until: date
    horizon: int
    plausible_weight: float
    findings: tuple[Finding, ...]
    actions: tuple[RankedAction, ...]
    table: PatternTable
    standard: ProcessStandard
    currency: str
    base: BaseModels
    records_version: int = 0

    def as_json(self) -> dict[str, Any]:
        """The interchange format of findings."""
        return {
            "format": 1,
            "data": {
                "restorations": self.restorations,
                "returns": self.returns,
                "observed_until": self.observed_until.isoformat(),
                "horizon_months": self.horizon,
                "plausible_weight": self.plausible_weight,
                "title": self.standard.title,
                "currency": self.currency,
                "defects": list(self.table.defects),
            },
            "findings": [finding.as_json() for finding in self.findings],
            "actions": [action.as_json() for action in self.actions],
        }


def analyze(
    store: Store,
    *,
    horizon: int = 12,
    seed: int = 0,
    plausible_weight: float | None = None,
    progress: Progress | None = None,
) -> Analysis:
    """Which process step goes with which defect, how sure is that, and what to change first?

    Parameters
    ----------
    store : Store
    horizon : int
        Months of service that risks and avoidable returns look at, 1 to 60.
    seed : int
        Of the simulations; the same records and seed give the same figures.
    plausible_weight : float, optional
        How many times as much of the allowance for false findings goes to a pair whose defect the standard names
        among those the miss may cause; 1: all pairs alike. Left out: the program's own weight.
    progress : callable, optional

    Raises
    ------
    InputError
        A horizon or a weight out of range.
    NothingToAnalyzeError
        No delivery, no return, or no process standard.
    """
    _check_horizon(horizon)
    from remakes.records.corrective_actions import load_actions, load_costs
    from remakes.records.snapshot import take_snapshot

    # Asked before the records are read: what is written in between is then told as not yet counted.
    version = store.figures_version()
    found = _analyze(
        take_snapshot(store),
        load_actions(store),
        load_costs(store),
        horizon=horizon,
        seed=seed,
        plausible_weight=plausible_weight,
        progress=progress,
    )
    return replace(found, records_version=version)


def analyze_exports(
    folders: Sequence[Path],
    *,
    horizon: int = 12,
    seed: int = 0,
    plausible_weight: float | None = None,
    progress: Progress | None = None,
) -> Analysis:
    """The same findings from exported folders, of one lab or many.

    Raises
    ------
    FileError
        A folder that is no export, or exports under different standards.
    """
    _check_horizon(horizon)
    from remakes.records.exports import read_exports

    exported = read_exports(folders)
    return _analyze(
        exported.snapshot,
        exported.actions,
        exported.costs,
        horizon=horizon,
        seed=seed,
        plausible_weight=plausible_weight,
        progress=progress,
    )


def cross_checks(analysis: Analysis, *, seed: int = 0) -> tuple[CrossCheck, ...]:
    """Would boosted trees tell returns apart better than the logistic model? Takes some seconds; on demand only."""
    from remakes.evidence.checks.cross_check import cross_check

    return cross_check(analysis.table, seed=seed)


def closer_look(store: Store, analysis: Analysis, *, factor: str, defect: str, seed: int = 0) -> CloserLook:
    """What more can be said of one factor and one defect? Takes a second or two; on demand only.

    Raises
    ------
    ProcessStandardError
        The standard names no such factor.
    InputError
        No return with this defect.
    """
    from remakes.records.snapshot import take_snapshot

    return _looked_closer(take_snapshot(store), analysis, [(factor, defect)], seed=seed, progress=None)[0]


def closer_looks(
    source: Store | Sequence[Path], analysis: Analysis, *, seed: int = 0, progress: Progress | None = None
) -> tuple[CloserLook, ...]:
    """The same for every reported finding, of a store or of exported folders."""
    if isinstance(source, Store):
        from remakes.records.snapshot import take_snapshot

        snapshot = take_snapshot(source)
    else:
        from remakes.records.exports import read_exports

        snapshot = read_exports(source).snapshot
    pairs = [(one.factor, one.defect) for one in analysis.findings if one.reported]
    return _looked_closer(snapshot, analysis, pairs, seed=seed, progress=progress)


def _looked_closer(
    snapshot: Snapshot,
    analysis: Analysis,
    pairs: Sequence[tuple[str, str]],
    *,
    seed: int,
    progress: Progress | None,
) -> tuple[CloserLook, ...]:
    from remakes.counts.engine import connect
    from remakes.counts.patterns import count_patterns
    from remakes.evidence.checks.closer_look import look_closer
    from remakes.evidence.findings import alpha_to_list
    from remakes.records.codes import defect_in_text

    for factor, _defect in pairs:
        snapshot.standard.requirements_of(factor)
    tables = connect(snapshot)
    table = count_patterns(tables, snapshot.standard, observed_until=observed_until(snapshot))
    unknown = [defect for _factor, defect in pairs if defect not in table.defects]
    if unknown:
        raise InputError(
            t(
                "No return with {defect} up to {day}. Returns are recorded with: {known}.",
                defect=defect_in_text(unknown[0]),
                day=table.observed_until.isoformat(),
                known=in_a_row(map(defect_in_text, table.defects)) if table.defects else t("no defect at all"),
            )
        )
    standard, weight = snapshot.standard, analysis.plausible_weight
    looks = []
    for done, (factor, defect) in enumerate(pairs, start=1):
        looks.append(
            look_closer(
                tables,
                table,
                standard,
                factor=factor,
                defect=defect,
                alpha_to_list=alpha_to_list(
                    analysis.findings, plausible=defect in standard.may_cause(factor), plausible_weight=weight
                ),
                horizon=analysis.horizon,
                seed=seed,
            )
        )
        if progress:
            progress(later("looking closer"), done, len(pairs))
    return tuple(looks)


def interactions(analysis: Analysis, *, progress: Progress | None = None) -> Interactions:
    """Which two misses go with more returns together than apart? Takes several seconds; on demand only."""
    from remakes.evidence.checks.interactions import interactions as compare

    return compare(analysis.table, analysis.standard, progress=progress)


def _check_horizon(horizon: int) -> None:
    if not 1 <= horizon <= 60:
        raise InputError(
            t("A horizon of {months} months was asked for. Give 1 to 60 months; 12 is usual.", months=horizon)
        )


def _analyze(
    snapshot: Snapshot,
    actions: tuple[CorrectiveAction, ...],
    costs: Costs,
    *,
    horizon: int,
    seed: int,
    plausible_weight: float | None,
    progress: Progress | None,
) -> Analysis:
    from remakes.actions.ranking import rank
    from remakes.evidence.findings import PLAUSIBLE_WEIGHT, find
    from remakes.evidence.models.base import BaseModels

    weight = PLAUSIBLE_WEIGHT if plausible_weight is None else plausible_weight
    if not 0.01 <= weight <= 1000:
        raise InputError(
            t(
                "A weight of {weight:g} for plausible pairs was asked for. Give 0.01 to 1000; 1 weighs none.",
                weight=weight,
            )
        )
    table = _count(snapshot, progress)
    base = BaseModels(table)
    findings = find(table, snapshot.standard, horizon=horizon, plausible_weight=weight, base=base, progress=progress)
    return Analysis(
        restorations=int(table.restorations.sum()),
        returns=table.returns,
        observed_until=table.observed_until,
        horizon=horizon,
        plausible_weight=weight,
        findings=findings,
        actions=rank(table, findings, actions, costs, horizon=horizon, seed=seed, base=base),
        table=table,
        standard=snapshot.standard,
        currency=costs.currency,
        base=base.to_keep(),
    )


def _count(snapshot: Snapshot, progress: Progress | None) -> PatternTable:
    from remakes.counts.engine import connect
    from remakes.counts.patterns import count_patterns

    tell = (lambda what: progress(what, 0, 0)) if progress else None
    return count_patterns(connect(snapshot), snapshot.standard, observed_until=observed_until(snapshot), progress=tell)

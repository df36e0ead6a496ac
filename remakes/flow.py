"""The steps put together: all that the command line and the pages call.

Nothing is computed here; each function takes the records, runs the chain as far as the question needs,
and hands back a frozen result.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import func, select

from remakes.errors import InputError, NothingToAnalyzeError
from remakes.records import schema
from remakes.records.store import Store

if TYPE_CHECKING:
    from remakes.actions.ranking import RankedAction
    from remakes.counts.table import PatternTable
    from remakes.evidence.checks.closer_look import CloserLook
    from remakes.evidence.checks.cross_check import CrossCheck
    from remakes.evidence.checks.interactions import Interactions
    from remakes.evidence.estimate import Estimate
    from remakes.evidence.findings import Finding
    from remakes.evidence.own_work import OwnFactor
    from remakes.records.corrective_actions import CorrectiveAction, Costs
    from remakes.records.snapshot import Snapshot
    from remakes.records.standard import ProcessStandard
    from remakes.trends import MonthlyRate, MonthlyShare

__all__ = [
    "Analysis",
    "Brief",
    "ConcernedRestoration",
    "FactorSummary",
    "MonthReview",
    "OwnWork",
    "analyze",
    "analyze_exports",
    "brief",
    "closer_look",
    "closer_looks",
    "cross_checks",
    "interactions",
    "month_review",
    "own_work",
    "restorations_behind",
    "set_observed_until",
    "technicians",
    "title",
]

#: What a long step reports: what is being done, how far it is, of how much (0: not known).
Progress = Callable[[str, int, int], None]

#: Below this many deliveries a technician's figures say nothing.
LEAST_DELIVERED: Final = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis:
    """Findings and ranked actions of one state of the records."""

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

    return _analyze(
        take_snapshot(store),
        load_actions(store),
        load_costs(store),
        horizon=horizon,
        seed=seed,
        plausible_weight=plausible_weight,
        progress=progress,
    )


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

    for factor, _defect in pairs:
        snapshot.standard.requirements_of(factor)
    tables = connect(snapshot)
    table = count_patterns(tables, snapshot.standard, observed_until=_observed_until(snapshot))
    unknown = [defect for _factor, defect in pairs if defect not in table.defects]
    if unknown:
        raise InputError(
            f"No return with {unknown[0]!r} up to {table.observed_until}. Returns are recorded with: "
            f"{', '.join(table.defects) or 'no defect at all'}."
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
            progress("looking closer", done, len(pairs))
    return tuple(looks)


def interactions(analysis: Analysis, *, progress: Progress | None = None) -> Interactions:
    """Which two misses do more harm together than apart? Takes several seconds; on demand only."""
    from remakes.evidence.checks.interactions import interactions as compare

    return compare(analysis.table, analysis.standard, progress=progress)


def _check_horizon(horizon: int) -> None:
    if not 1 <= horizon <= 60:
        raise InputError(f"A horizon of {horizon} months was asked for. Give 1 to 60 months; 12 is usual.")


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

    weight = PLAUSIBLE_WEIGHT if plausible_weight is None else plausible_weight
    if not 0.01 <= weight <= 1000:
        raise InputError(f"A weight of {weight:g} for plausible pairs was asked for. Give 0.01 to 1000; 1 weighs none.")
    table = _count(snapshot, progress)
    findings = find(table, snapshot.standard, horizon=horizon, plausible_weight=weight, progress=progress)
    return Analysis(
        restorations=int(table.restorations.sum()),
        returns=table.returns,
        observed_until=table.observed_until,
        horizon=horizon,
        plausible_weight=weight,
        findings=findings,
        actions=rank(table, findings, actions, costs, horizon=horizon, seed=seed),
        table=table,
        standard=snapshot.standard,
        currency=costs.currency,
    )


def _count(snapshot: Snapshot, progress: Progress | None) -> PatternTable:
    from remakes.counts.engine import connect
    from remakes.counts.patterns import count_patterns

    observed_until = _observed_until(snapshot)
    tell = (lambda what: progress(what, 0, 0)) if progress else None
    return count_patterns(connect(snapshot), snapshot.standard, observed_until=observed_until, progress=tell)


def _observed_until(snapshot: Snapshot) -> date:
    if snapshot.observed_until is None:
        raise NothingToAnalyzeError(
            "The records are empty. Bring in restorations, the process log, returns and the process standard with "
            "`remakes import FOLDER`, or look at the demo lab with `remakes demo`."
        )
    return snapshot.observed_until


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthReview:
    """Months by report and by delivery."""

    observed_until: date
    by_report_month: tuple[MonthlyRate, ...]
    by_delivery_month: tuple[MonthlyShare, ...]


def month_review(store: Store) -> MonthReview:
    """What came back month by month, against what was in service; what became of each month's deliveries.

    Raises
    ------
    NothingToAnalyzeError
        The records are empty.
    """
    from remakes import trends
    from remakes.counts.engine import connect
    from remakes.counts.months import count_delivery_months, count_report_months
    from remakes.records.snapshot import take_snapshot

    snapshot = take_snapshot(store)
    observed_until = _observed_until(snapshot)
    tables = connect(snapshot)
    return MonthReview(
        observed_until=observed_until,
        by_report_month=trends.rates(count_report_months(tables, observed_until=observed_until)),
        by_delivery_month=trends.shares(count_delivery_months(tables, observed_until=observed_until)),
    )


def title(store: Store) -> str:
    """What the lab's process standard is called; blank without one."""
    from remakes.records.standard import load_standard

    return load_standard(store).title


@dataclass(frozen=True, slots=True, kw_only=True)
class Brief:
    """How the records stand today.

    Attributes
    ----------
    restorations, readings, returns, requirements, actions : int
    observed_until : date or None
    last_reported : date or None
    harm : tuple of (return number, restoration, reported on, defect)
        Returns marked as having possibly hurt somebody, newest first, of the last 90 days.
    unclear : tuple of (return number, restoration, reported on)
        Returns coded "other" or without a place where they were found, newest first, at most 20.
    """

    restorations: int
    readings: int
    returns: int
    requirements: int
    actions: int
    observed_until: date | None
    last_reported: date | None
    harm: tuple[tuple[str, str, date, str], ...]
    unclear: tuple[tuple[str, str, date], ...]

    @property
    def empty(self) -> bool:
        """Nothing has been brought in yet."""
        return self.restorations == 0


def brief(store: Store, *, today: date | None = None) -> Brief:
    """How the records stand and what needs somebody now; quick, nothing is analyzed."""
    day = today or date.today()
    returns = schema.returns
    standing = returns.c.voided_at.is_(None)
    with store.reader() as connection:

        def number(table: Any, *conditions: Any) -> int:
            return int(connection.scalar(select(func.count()).select_from(table).where(*conditions)) or 0)

        last = connection.scalar(select(func.max(returns.c.reported_on)).where(standing))
        recent = returns.c.reported_on >= min(day, last or day) - timedelta(days=90)
        harm = connection.execute(
            select(returns.c.return_id, returns.c.restoration_id, returns.c.reported_on, returns.c.defect)
            .where(standing, returns.c.harm.is_(True), recent)
            .order_by(returns.c.reported_on.desc())
        ).all()
        unclear = connection.execute(
            select(returns.c.return_id, returns.c.restoration_id, returns.c.reported_on)
            .where(standing, (returns.c.defect == "other") | returns.c.found_at.is_(None))
            .order_by(returns.c.reported_on.desc())
            .limit(20)
        ).all()
        counts = {
            "restorations": number(schema.restorations),
            "readings": number(schema.process_log),
            "returns": number(returns, standing),
            "requirements": number(schema.requirements),
            "actions": number(schema.actions),
        }
    return Brief(
        **counts,
        observed_until=store.observed_until(),
        last_reported=last,
        harm=tuple((row[0], row[1], row[2], row[3]) for row in harm),
        unclear=tuple((row[0], row[1], row[2]) for row in unclear),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ConcernedRestoration:
    """One restoration behind a number."""

    restoration_id: str
    delivered_on: date
    technician: str
    kind: str
    teeth: str
    status: str
    value: str
    returned_on: date | None


def restorations_behind(store: Store, *, factor: str, defect: str) -> tuple[ConcernedRestoration, ...]:
    """The returned restorations behind one finding, with what was recorded for each.

    Raises
    ------
    ProcessStandardError
        An unknown factor.
    """
    from remakes.counts.behind import returned_with_status
    from remakes.counts.engine import connect
    from remakes.records.snapshot import take_snapshot

    snapshot = take_snapshot(store)
    snapshot.standard.requirements_of(factor)
    rows = returned_with_status(
        connect(snapshot), snapshot.standard, factor=factor, defect=defect, observed_until=_observed_until(snapshot)
    )
    return tuple(ConcernedRestoration(**row) for row in rows)


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


def technicians(store: Store) -> tuple[str, ...]:
    """The pseudonyms of those who veneered something, in order."""
    column = schema.restorations.c.technician
    with store.reader() as connection:
        found = connection.scalars(select(column).where(column.is_not(None)).distinct().order_by(column)).all()
    return tuple(str(one) for one in found)


def set_observed_until(store: Store, day: date, *, who: str) -> None:
    """State up to which day returns are complete."""
    with store.writer() as connection:
        store.put_setting(connection, "observed_until", day.isoformat(), who=who)

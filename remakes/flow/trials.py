"""A trial that the lab keeps to: kept before it starts, watched for its log, read once at its end."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from remakes.flow.start import observed_until
from remakes.texts import t

if TYPE_CHECKING:
    from remakes.actions.trial.figures import TrialPlan
    from remakes.actions.trial.reading import TrialReading
    from remakes.actions.trial.standing import TrialSoFar
    from remakes.flow.analysis import Analysis
    from remakes.records.store import Store
    from remakes.records.trial_plans import KeptPlan

__all__ = ["TrialStanding", "keep_trial_reading", "kept_trial", "read_trial_plan", "trial_start"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialStanding:
    """Where a kept trial stands.

    Attributes
    ----------
    kept : KeptPlan
    plan : TrialPlan
    so_far : TrialSoFar
        What may be looked at on any day.
    reading : TrialReading or None
        None before the end.
    too_early_until : date or None
        While it cannot be read: its last day, which has to be over, with returns complete up to it.
    """

    kept: KeptPlan
    plan: TrialPlan
    so_far: TrialSoFar
    reading: TrialReading | None
    too_early_until: date | None

    @property
    def sentence(self) -> str:
        """The reading, or that it is too early for one, in words."""
        if self.reading is not None:
            return self.reading.sentence
        return t(
            "Too early, until returns are entered up to {day}, the last day of the trial. Only counts of both sides "
            "together are shown before: whoever looks at the difference again and again stops when it looks well, and "
            "so finds a fall whether there is one or not.",
            day=self.kept.ends_on.isoformat(),
        )

    def as_json(self) -> dict[str, Any]:
        """In the interchange format."""
        return {
            "plan_id": self.kept.plan_id,
            "title": self.kept.title,
            "ends_on": self.kept.ends_on.isoformat(),
            "too_early_until": None if self.too_early_until is None else self.too_early_until.isoformat(),
            "so_far": self.so_far.as_json(),
            "reading": None if self.reading is None else self.reading.as_json(),
            "sentence": self.sentence,
        }


def trial_start(analysis: Analysis, today: date | None = None) -> date:
    """The first Monday on which a trial can begin: after today, and after the records end."""
    from remakes.actions.trial.calendar import next_monday

    return next_monday(max(analysis.table.observed_until, today or date.today()))


def kept_trial(kept: KeptPlan) -> TrialPlan:
    """The plan as it was kept."""
    from remakes.actions.trial.figures import TrialPlan

    return TrialPlan.from_json(kept.plan)


def read_trial_plan(store: Store, plan_id: int, *, today: date | None = None) -> TrialStanding:
    """What does a kept trial show? Before its end only what does not give the difference away.

    Parameters
    ----------
    today : date, optional
        Default: the calendar day of this machine. It must be past the last day of the trial, and returns must be
        complete up to that day.

    Raises
    ------
    EntryError
        There is no trial of this number.
    NothingToAnalyzeError
        Nothing was delivered up to the end of the trial.
    TableError
        The standard names the factor no more.
    """
    from remakes.actions.trial.reading import read_trial
    from remakes.actions.trial.standing import trial_so_far
    from remakes.counts.engine import connect
    from remakes.counts.patterns import count_patterns
    from remakes.counts.trial_counts import count_trial
    from remakes.records.snapshot import take_snapshot
    from remakes.records.trial_plans import load_plan

    kept = load_plan(store, plan_id)
    plan = kept_trial(kept)
    snapshot = take_snapshot(store)
    complete = observed_until(snapshot)
    # Fixed by the plan: what came after the last day is in no reading, whenever it is made.
    last = min(complete, kept.ends_on)
    tables = connect(snapshot)
    table = count_patterns(tables, snapshot.standard, observed_until=last)
    counts = count_trial(tables, table, factor=plan.factor, defects=plan.defects)
    so_far = trial_so_far(
        plan,
        delivered_on=counts.delivered_on,
        technician=counts.technician,
        recorded=counts.recorded,
        returns=counts.returns,
        counted_until=last,
    )
    # On the last day itself work still leaves the lab: the plan says after it.
    early = complete < kept.ends_on or (today or date.today()) <= kept.ends_on
    reading = None
    if not early:
        reading = read_trial(
            plan,
            delivered_on=counts.delivered_on,
            technician=counts.technician,
            returns=counts.returns,
            read_on=kept.ends_on,
        )
    return TrialStanding(
        kept=kept, plan=plan, so_far=so_far, reading=reading, too_early_until=kept.ends_on if early else None
    )


def keep_trial_reading(store: Store, plan_id: int, *, who: str, version: int, today: date | None = None) -> KeptPlan:
    """Read a trial at its end and keep what it showed; it is not read again.

    Raises
    ------
    EntryError
        Too early, or read or given up before.
    TrialPlanChangedError
        Changed since `version`.
    """
    from remakes.errors import EntryError
    from remakes.records.trial_plans import keep_reading

    standing = read_trial_plan(store, plan_id, today=today)
    if standing.reading is None:
        raise EntryError(standing.sentence)
    content = standing.reading.as_json() | {"so_far": standing.so_far.as_json()}
    return keep_reading(store, plan_id, content, who=who, version=version, today=today)

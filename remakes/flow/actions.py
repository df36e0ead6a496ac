"""From findings to action, and back: what is worth doing, what was decided, whether it worked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from remakes.errors import EntryError
from remakes.flow.analysis import Analysis
from remakes.flow.start import observed_until
from remakes.records.store import Store
from remakes.texts import t

if TYPE_CHECKING:
    from remakes.actions.follow_up.verdicts import FollowUp
    from remakes.actions.limits.study import LimitStudy
    from remakes.actions.prepared import Prepared
    from remakes.actions.ranking import RankedAction
    from remakes.actions.trial.plan import TrialPlan
    from remakes.records.corrective_actions import CorrectiveAction, Costs
    from remakes.records.decisions import Decision

__all__ = ["Choices", "follow_up", "limit_study", "plan_trial", "prepare_choices"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Choices:
    """What the lab could change, prepared so that “what if” is answered at once.

    Attributes
    ----------
    prepared : Prepared
    actions : tuple of CorrectiveAction
    costs : Costs
    """

    prepared: Prepared
    actions: tuple[CorrectiveAction, ...]
    costs: Costs

    def ranked(
        self,
        *,
        kept_up: Mapping[str, float] | None = None,
        cost_of_return: float | None = None,
        cost_of_action: float = 1.0,
        horizon: int | None = None,
    ) -> tuple[RankedAction, ...]:
        """The list as it would be.

        Parameters
        ----------
        kept_up : mapping of action to number, optional
            Share of what it corrects that is kept up at the bench, 0 to 1; left out: 1.
        cost_of_return : float, optional
            What a return costs on average; the lab's own costs by defect are scaled to it.
        cost_of_action : float
            By which the costs of all actions are multiplied.
        horizon : int, optional
            Months of service, 1 to 60.

        Raises
        ------
        InputError
            A share, or a horizon, out of range.
        """
        from remakes.actions.ranking import rank_prepared

        actions = [
            replace(
                one,
                cost_once=one.cost_once * cost_of_action,
                cost_per_restoration=one.cost_per_restoration * cost_of_action,
                minutes_per_restoration=one.minutes_per_restoration * cost_of_action,
            )
            for one in self.actions
        ]
        costs = self.costs if cost_of_return is None else self._scaled(cost_of_return)
        return rank_prepared(self.prepared, actions, costs, kept_up=kept_up, horizon=horizon)

    @property
    def cost_of_return(self) -> float:
        """What a return costs on average, by the lab's own figures; each defect as often as it came back."""
        table = self.prepared.table
        weights = {defect: int(table.returns_by_pattern(defect).sum()) for defect in table.defects}
        total = sum(weights.values())
        return sum(self.costs.of_return(defect) * n for defect, n in weights.items()) / total if total else 0.0

    def _scaled(self, average: float) -> Costs:
        now = self.cost_of_return
        if not now:
            return replace(self.costs, default_per_return=average, per_return={})
        per_return = {defect: cost * average / now for defect, cost in self.costs.per_return.items()}
        default = self.costs.default_per_return * average / now
        return replace(self.costs, per_return=per_return, default_per_return=default)


def prepare_choices(store: Store, analysis: Analysis, *, seed: int = 0) -> Choices:
    """Draw once what every question about the lab's actions needs."""
    from remakes.actions.prepared import prepare
    from remakes.records.corrective_actions import load_actions, load_costs

    actions = load_actions(store)
    prepared = prepare(
        analysis.table, analysis.findings, actions, horizon=analysis.horizon, seed=seed, base=analysis.base
    )
    return Choices(prepared=prepared, actions=actions, costs=load_costs(store))


def follow_up(store: Store, decision: Decision) -> FollowUp:
    """Did it work? By the rule that was fixed before the start.

    Raises
    ------
    EntryError
        Nothing has been decided: there is no start and no rule.
    """
    if decision.rule is None or decision.starts_on is None:
        raise EntryError(
            t(
                "“{title}” has not been decided on: without a start and a rule there is nothing to hold it to. Decide "
                "on it first.",
                title=decision.title,
            )
        )
    from remakes.actions.follow_up.verdicts import follow_up as judge
    from remakes.counts.delays import count_delays
    from remakes.counts.engine import connect
    from remakes.counts.patterns import count_patterns
    from remakes.records.snapshot import take_snapshot
    from remakes.trends.delay.nowcast import late_returns

    snapshot = take_snapshot(store)
    until = observed_until(snapshot)
    tables = connect(snapshot)
    table = count_patterns(tables, snapshot.standard, observed_until=until)
    nowcast = late_returns(count_delays(tables, observed_until=until))
    return judge(
        tables,
        table,
        snapshot.standard,
        starts_on=decision.starts_on,
        rule=decision.rule,
        decided_on=decision.decided_on,
        completeness={name: nowcast.completeness(name) for name in ("all", *table.defects)},
    )


def plan_trial(analysis: Analysis, *, factor: str, defects: Sequence[str], **wishes: Any) -> TrialPlan:
    """How long must a trial run to show that an action works? For wishes see `actions.trial.plan.plan_trial`."""
    from remakes.actions.trial.plan import plan_trial as plan

    return plan(analysis.table, factor=factor, defects=defects, **wishes)


def limit_study(store: Store, analysis: Analysis, *, factor: str, defect: str, seed: int = 0) -> LimitStudy:
    """What would another limit flag, and what would it spare?

    Raises
    ------
    ProcessStandardError
        The standard names no such factor.
    """
    from remakes.actions.limits.study import limit_study as study
    from remakes.counts.engine import connect
    from remakes.counts.patterns import count_patterns
    from remakes.records.snapshot import take_snapshot

    snapshot = take_snapshot(store)
    tables = connect(snapshot)
    table = count_patterns(tables, snapshot.standard, observed_until=observed_until(snapshot))
    return study(tables, table, snapshot.standard, factor=factor, defect=defect, horizon=analysis.horizon, seed=seed)

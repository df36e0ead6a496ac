"""Did the action work? One verdict from the bench and from the returns, by a rule fixed before the start.

The bench comes first in time and in logic: the action works by fewer misses. So

- *verified*: returns fell, and the misses fell or cannot be told;
- *no effect*: the fall worth having is excluded, or the time is over without a fall shown, or the misses did not fall.
  The last is said without waiting for the returns: what was not kept up at the bench has not been tried, and if
  returns fell all the same, the fall does not go with this action;
- *on the way*: the misses of every requirement fell as the rule asks, the returns cannot tell yet;
- *too early*: neither can tell.

The first look that decides by the returns stands; misses are judged anew each time. `FollowUp.reason` says which of
the ways to a verdict it was.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any, Final, Literal

from remakes.actions.follow_up.looks import JudgedReturns, Look, judge_returns
from remakes.actions.follow_up.misses import MissChange, miss_changes
from remakes.actions.follow_up.returns import expected_returns
from remakes.actions.follow_up.said import cautions_of, sentence_of
from remakes.counts.engine import Tables
from remakes.counts.follow_up import FollowUpCounts, count_follow_up
from remakes.counts.table import DAYS_PER_MONTH, PatternTable
from remakes.evidence.estimate import Estimate, finite_or_none
from remakes.records.standard import ProcessStandard
from remakes.records.undertakings import JudgingRule, Verdict

__all__ = ["FollowUp", "Reason", "Verdict", "follow_up", "judge_follow_up"]

Reason = Literal[
    "returns fell",
    "fall worth having excluded",
    "time is over",
    "not kept up at the bench",
    "misses fell",
    "cannot tell yet",
]

_VERDICTS: Final[Mapping[Reason, Verdict]] = {
    "returns fell": "verified",
    "fall worth having excluded": "no effect",
    "time is over": "no effect",
    "not kept up at the bench": "no effect",
    "misses fell": "on the way",
    "cannot tell yet": "too early",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FollowUp:
    """One action since its start.

    Attributes
    ----------
    verdict, reason : str
        What is said, and which way led there.
    misses : tuple of MissChange
        By factor.
    observed : int
        Returns with the defects since the start, of restorations delivered since; first ones only.
    expected : float
        Of the same restorations without the action; nan where it cannot be had.
    ratio : Estimate
        Observed through expected, 95 % interval for one look. The verdict needs more than this interval without 1,
        since it is looked at many times.
    common_change : float
        What the restorations delivered before the start tell of a change in all reporting; in `expected` already.
    looks : tuple of Look
        Returns, and the numbers at which each look would have decided.
    power : float
        Chance that a fall as large as is worth having would be verified within the time agreed on; nan where it
        cannot be had.
    months_seen : float
        From the start through the last period that was observed to its end and is entered.
    months_more : float or None
        Until a verdict can be expected at the present rate; None where there is one or none can be expected.
    sentence : str
    cautions : tuple of str
    """

    verdict: Verdict
    reason: Reason
    misses: tuple[MissChange, ...]
    observed: int
    expected: float
    ratio: Estimate
    common_change: float
    looks: tuple[Look, ...]
    power: float
    months_seen: float
    months_more: float | None
    sentence: str
    cautions: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """By name; dates as text, and what cannot be had is null."""
        found = {name: getattr(self, name) for name in ("verdict", "reason", "observed", "months_more", "sentence")}
        found |= {
            name: finite_or_none(getattr(self, name)) for name in ("expected", "common_change", "power", "months_seen")
        }
        return found | {
            "misses": [one.as_json() for one in self.misses],
            "ratio": self.ratio.as_json(),
            "looks": [asdict(look) | {"until": look.until.isoformat()} for look in self.looks],
            "cautions": list(self.cautions),
        }


def follow_up(
    tables: Tables,
    table: PatternTable,
    standard: ProcessStandard,
    *,
    starts_on: date,
    rule: JudgingRule,
    factors: Sequence[str] | None = None,
    defects: Sequence[str] | None = None,
    decided_on: date | None = None,
    looks: Collection[date] | None = None,
    completeness: Mapping[str, Mapping[str, float]] | None = None,
) -> FollowUp:
    """Did misses and returns fall since an action started?

    Parameters
    ----------
    tables : Tables
        The engine in which `table` has just been counted.
    table : PatternTable
    standard : ProcessStandard
        The one `table` was counted by.
    starts_on : date
        First day of delivery of restorations made with the action.
    rule : JudgingRule
        Fixed before the start.
    factors, defects : sequence of str, optional
        Those of the rule unless given.
    decided_on : date, optional
        The months before it teach what was to be expected; the start where it is not given.
    looks, completeness
        See `judge_follow_up`.

    Raises
    ------
    TableError
        No factor or defect, a factor that the standard does not know, or a start before the decision.
    """
    counted = count_follow_up(
        tables,
        table,
        standard,
        factors=rule.factors if factors is None else factors,
        defects=rule.defects if defects is None else defects,
        starts_on=starts_on,
        months=rule.months,
        decided_on=decided_on,
    )
    return judge_follow_up(counted, rule=rule, looks=looks, completeness=completeness)


def judge_follow_up(
    counted: FollowUpCounts,
    *,
    rule: JudgingRule,
    looks: Collection[date] | None = None,
    completeness: Mapping[str, Mapping[str, float]] | None = None,
) -> FollowUp:
    """As `follow_up`, from what was counted.

    Parameters
    ----------
    counted : FollowUpCounts
        Over as many months as the rule allows.
    rule : JudgingRule
    looks : collection of date, optional
        Of `counted.ends`, those after which somebody looks; each of them otherwise. Fewer looks may each spend more.
        Fixed before the start as well.
    completeness : mapping of str to mapping of str to float, optional
        By defect (or ``all``) and month: share of the returns entered by now; what is not named is complete. Months
        with much still to be entered wait.
    """
    found = expected_returns(counted, completeness=completeness)
    returns = judge_returns(
        found,
        starts_on=counted.starts_on,
        ends=counted.ends,
        ratio=1.0 - rule.returns_down_by,
        error=rule.error,
        looks=looks,
    )
    misses = miss_changes(counted, down_by=rule.miss_share_down_by, error=rule.error)
    over = found.seen >= len(counted.ends)
    reason = _reason(returns, misses, over=over)
    open_still = reason in ("misses fell", "cannot tell yet")
    until = counted.ends[found.seen - 1] if found.seen else counted.starts_on
    return FollowUp(
        verdict=_VERDICTS[reason],
        reason=reason,
        misses=misses,
        observed=returns.observed,
        expected=returns.expected,
        ratio=returns.ratio,
        common_change=returns.common_change,
        looks=returns.looks,
        power=returns.power,
        months_seen=(until - counted.starts_on).days / DAYS_PER_MONTH,
        months_more=returns.months_more if open_still else None,
        sentence=sentence_of(reason, returns, rule=rule, starts=counted.starts_on.isoformat(), over=over),
        cautions=cautions_of(counted, returns, misses, rule=rule),
    )


def _reason(returns: JudgedReturns, misses: Sequence[MissChange], *, over: bool) -> Reason:
    kept = {one.kept for one in misses}
    # Of several requirements one that was kept up is an action that was tried.
    tried = kept != {"did not fall"}
    if not tried:
        return "not kept up at the bench"
    if returns.decided:
        return "returns fell" if returns.decided == "fell" else "fall worth having excluded"
    if over and not returns.missing:
        return "time is over"
    return "misses fell" if kept == {"fell"} else "cannot tell yet"

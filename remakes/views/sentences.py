"""Findings in sentences that say "goes with", never "causes"."""

from __future__ import annotations

from math import isfinite

from remakes.actions.ranking import RankedAction
from remakes.evidence.findings import Finding
from remakes.records.requirements import ProcessStandard
from remakes.views import words

__all__ = ["action_row", "finding_row", "goes_with", "label", "what_it_would_take"]


def label(finding: Finding) -> str:
    """A finding's name in charts and pickers: `bond_wait with debonding`."""
    return f"{finding.factor} with {words.defect(finding.defect).lower()}"


def goes_with(finding: Finding, standard: ProcessStandard, *, horizon: int) -> str:
    """One finding for a technician: what was missed, what it goes with, the counts, how sure."""
    counts, adjusted = finding.counts, finding.adjusted
    says = words.plain(words.requirement(standard, finding.factor))
    return (
        f"Where “{says}” was missed, returns with the defect “{words.defect(finding.defect).lower()}” "
        "were more frequent: "
        f"{words.per_cent(adjusted.risk_missed)} against {words.per_cent(adjusted.risk_met)} within {horizon} months, "
        "like cases compared. "
        f"Its odds are {words.interval(adjusted.odds_ratio)} times those where it was kept "
        f"({counts.returns_missed} returns of {counts.missed:,} missed; {counts.returns_met} of {counts.met:,} kept)."
    )


def what_it_would_take(finding: Finding) -> str:
    """For a pair that cannot be judged yet: how large a difference would have shown."""
    if finding.adjusted.why_not:
        return finding.adjusted.why_not
    if finding.adjusted.p < 0.05:
        return "a hint, not clear enough among so many pairs looked at: more months will tell"
    if not isfinite(finding.detectable) or finding.detectable > 100:
        return "even a hundredfold difference could hide: more returns, or more records of the step"
    return f"only {words.figure(finding.detectable)} times the odds or more would have shown"


def finding_row(finding: Finding, standard: ProcessStandard) -> dict[str, object]:
    """One finding as a line of the table."""
    counts, adjusted = finding.counts, finding.adjusted
    return {
        "step": standard.step_of(finding.factor),
        "requirement missed": finding.factor,
        "goes with": words.defect(finding.defect),
        "evidence": finding.grade,
        "odds ratio (95 %)": words.interval(adjusted.odds_ratio),
        "unadjusted": words.interval(finding.crude.odds_ratio),
        "missed: returned": f"{counts.returns_missed} of {counts.missed}",
        "kept: returned": f"{counts.returns_met} of {counts.met}",
        "no record: returned": f"{counts.returns_not_recorded} of {counts.not_recorded}",
        "q": words.figure(finding.q, digits=3),
        "avoidable returns": words.interval(adjusted.avoidable),
        "why this grade": finding.because,
    }


def action_row(action: RankedAction, currency: str) -> dict[str, object]:
    """One action as a line of the table."""
    return {
        "rank": action.rank,
        "action": action.action,
        "returns avoided a month (95 %)": words.interval(action.avoided_per_month, digits=2),
        f"net a month, {currency} (95 %)": words.interval(action.net_per_month, digits=0),
        "pays in": words.chance(action.probability_worthwhile),
        f"cost a month, {currency}": words.figure(action.cost_per_month, digits=0),
        "restorations a month": words.figure(action.restorations_per_month, digits=0),
        "because of": "; ".join(f"{factor} with {words.defect(defect).lower()}" for factor, defect in action.because)
        or "no finding yet",
        "what": action.title,
    }

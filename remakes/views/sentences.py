"""Findings in sentences that say "goes with", never "causes"."""

from __future__ import annotations

from math import inf, isfinite
from typing import Final

from remakes import words
from remakes.actions.ranking import RankedAction
from remakes.evidence.checks.power import MonthsToTell
from remakes.evidence.estimate import Estimate
from remakes.evidence.findings import Finding
from remakes.records.requirements import ProcessStandard

__all__ = [
    "action_row",
    "finding_row",
    "goes_with",
    "how_long",
    "label",
    "odds_ratio",
    "soonest_first",
    "unknown_row",
    "what_it_would_take",
    "widened_for",
]

#: Closing the gaps in the log is spoken of where it saves more than a tenth of the time.
_WORTH_SAYING: Final = 0.9


def label(finding: Finding) -> str:
    """A finding's name in charts and pickers: `bond_wait with debonding`."""
    return f"{finding.factor} with {words.defect(finding.defect).lower()}"


def odds_ratio(finding: Finding) -> Estimate:
    """The odds ratio with the interval to go by: the wider one where clinics or technicians may be alike."""
    return finding.odds_ratio


def widened_for(finding: Finding) -> str:
    """Alike restorations of what the interval allows for; blank where it is the model's own."""
    if finding.checks is None or finding.checks.widest.source == "model":
        return ""
    return finding.checks.widest.source


def goes_with(finding: Finding, standard: ProcessStandard, *, horizon: int) -> str:
    """One finding for a technician: what was missed, what it goes with, the counts, how sure."""
    counts, adjusted = finding.counts, finding.adjusted
    says = words.plain(words.requirement(standard, finding.factor))
    often = words.times(adjusted.risk_missed / adjusted.risk_met) if adjusted.risk_met else "more often"
    return (
        f"Where “{says}” was missed, restorations came back with the defect "
        f"“{words.defect(finding.defect).lower()}” {often or 'more often'}: "
        f"{words.per_cent(adjusted.risk_missed)} against {words.per_cent(adjusted.risk_met)} within {horizon} months, "
        f"like cases compared. {words.counted(counts.returns_missed, 'return')} on {counts.missed:,} missed, "
        f"{counts.returns_met:,} on {counts.met:,} kept; odds ratio {words.interval(odds_ratio(finding))}."
    )


def what_it_would_take(finding: Finding) -> str:
    """For a pair that cannot be judged yet: how long it takes, or how large a difference would have shown."""
    hint = "a hint; " if finding.adjusted.p < 0.05 else ""
    if finding.months is not None:
        return hint + how_long(finding.months)
    if finding.adjusted.why_not:
        return finding.adjusted.why_not
    if not isfinite(finding.detectable) or finding.detectable > 100:
        return "even a hundredfold difference could hide: more returns, or more records of the step"
    return f"{hint}only {words.figure(finding.detectable)} times the odds or more would have shown"


def how_long(months: MonthsToTell) -> str:
    """How many more months, in a few words."""
    if months.missing:
        return f"cannot be said: {months.missing}"
    if months.months == 0:
        return f"enough by now to show {months.odds_ratio:g} times the odds"
    recorded = months.months_if_recorded
    if months.months is None:
        shorter = f"; about {words.counted(recorded, 'month')} with every step recorded" if recorded else ""
        return f"more than 5 years at this pace{shorter}"
    shorter = f"; {recorded} with every step recorded" if recorded and recorded < _WORTH_SAYING * months.months else ""
    return f"about {words.counted(months.months, 'more month')}{shorter}"


def unknown_row(finding: Finding) -> dict[str, object]:
    """A pair that cannot be judged yet, as a line of the table."""
    counts = finding.counts
    return {
        "requirement": finding.factor,
        "defect": words.defect(finding.defect),
        "what it would take": what_it_would_take(finding),
        "missed: returned": f"{counts.returns_missed} of {counts.missed}",
        "kept: returned": f"{counts.returns_met} of {counts.met}",
        "not recorded (n)": counts.not_recorded,
        "odds ratio (95 %)": words.interval(finding.adjusted.odds_ratio),
        "because": finding.because,
    }


def soonest_first(finding: Finding) -> tuple[bool, float, float]:
    """Sorts what can be told soon before what takes years, and what cannot be said last."""
    months = finding.months
    if months is None or months.missing:
        return True, inf, inf
    by_itself, listed = (inf if one is None else one for one in (months.months, months.months_to_list))
    return False, by_itself, listed


def finding_row(finding: Finding, standard: ProcessStandard, *, doubts: int) -> dict[str, object]:
    """One finding as a line of the table; `doubts`: how many checks it did not stand."""
    counts, adjusted = finding.counts, finding.adjusted
    return {
        "step": standard.step_of(finding.factor),
        "requirement missed": finding.factor,
        "goes with": words.defect(finding.defect),
        "evidence": finding.grade,
        "doubts (n)": str(doubts) if finding.checks else "",
        "odds ratio (95 %)": words.interval(odds_ratio(finding)),
        "widened for": widened_for(finding),
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

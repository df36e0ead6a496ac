"""Findings in sentences that say "goes with", never "causes"."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from math import inf, isfinite
from typing import Final

from remakes import words
from remakes.actions.ranking import RankedAction
from remakes.evidence.checks.power import MonthsToTell
from remakes.evidence.estimate import Estimate
from remakes.evidence.findings import Finding
from remakes.records.codes import DEFECTS
from remakes.records.requirements import ProcessStandard
from remakes.texts import Said, later, t, tn

__all__ = [
    "action_row",
    "brief_row",
    "coded",
    "finding_row",
    "goes_with",
    "how_long",
    "key",
    "label",
    "odds_ratio",
    "on_how_many",
    "short_labels",
    "short_names",
    "soonest_first",
    "unknown_row",
    "what_it_would_take",
    "widened_for",
]

#: Closing the gaps in the log is spoken of where it saves more than a tenth of the time.
_WORTH_SAYING: Final = 0.9
#: Whose restorations may be alike.
_ALIKE: Final = {
    "clinic": later("clinic"),
    "technician": later("technician"),
    "clinic and technician": later("clinic and technician"),
}


def label(finding: Finding, standard: ProcessStandard) -> Said:
    """A finding's name in pickers and sentences: `“Left to react for 3 minutes” (bond_wait) with debonding`."""
    return t(
        "{factor} with {defect}",
        factor=words.named(standard, finding.factor),
        defect=words.defect_within(finding.defect),
    )


def coded(finding: Finding) -> Said:
    """A finding by its code, where the words stand beside it already: `bond_wait with debonding`."""
    return t("{factor} with {defect}", factor=finding.factor, defect=words.defect_within(finding.defect))


def short_labels(findings: Sequence[Finding], standard: ProcessStandard) -> list[str]:
    """Names for an axis, all different, in two lines: the requirement cut short, and the defect."""
    cut = short_names([one.factor for one in findings], standard)
    return [f"{cut[one.factor]}\n{words.defect_within(one.defect)}" for one in findings]


def short_names(factors: Iterable[str], standard: ProcessStandard) -> dict[str, str]:
    """Each requirement in its own words, cut short for an axis; by its code where two would read alike."""
    cut = {one: words.short(words.requirement(standard, one)) for one in factors}
    alike = Counter(cut.values())
    return {one: name if alike[name] == 1 else one for one, name in cut.items()}


def key(finding: Finding) -> str:
    """A finding's name in English, whatever language it is shown in: an address outlives the language."""
    return f"{finding.factor} with {DEFECTS.get(finding.defect, finding.defect).split(':')[0].lower()}"


def odds_ratio(finding: Finding) -> Estimate:
    """The odds ratio with the interval to go by: the wider one where clinics or technicians may be alike."""
    return finding.odds_ratio


def widened_for(finding: Finding) -> str:
    """Alike restorations of what the interval allows for; blank where it is the model's own."""
    if finding.checks is None or finding.checks.widest.source == "model":
        return ""
    return t(_ALIKE.get(finding.checks.widest.source, finding.checks.widest.source))


def goes_with(finding: Finding, *, horizon: int) -> Said:
    """One finding, after its `label`, for a technician: how much more often, and how large."""
    adjusted = finding.adjusted
    often = words.times(adjusted.risk_missed / adjusted.risk_met) if adjusted.risk_met else ""
    return t(
        "Where it was missed, such returns came {often}: {risk_missed} against {risk_met} within {horizon} "
        "months; odds ratio {odds_ratio}.",
        often=often or t("more often"),
        risk_missed=words.per_cent_closely(adjusted.risk_missed),
        risk_met=words.per_cent_closely(adjusted.risk_met),
        horizon=horizon,
        odds_ratio=words.interval(odds_ratio(finding)),
    )


def on_how_many(finding: Finding) -> Said:
    """The counts behind a finding, as they are."""
    counts = finding.counts
    return t(
        "{returns} on {missed:,} missed, {returns_met:,} on {met:,} kept.",
        returns=words.counted(counts.returns_missed, "return"),
        missed=counts.missed,
        returns_met=counts.returns_met,
        met=counts.met,
    )


def what_it_would_take(finding: Finding) -> str:
    """For a pair that cannot be judged yet: how long it takes, or how large a difference would have shown."""
    if finding.months is not None:
        return _hinted(finding, how_long(finding.months))
    if finding.adjusted.why_not:
        return t(finding.adjusted.why_not)
    if not isfinite(finding.detectable) or finding.detectable > 100:
        return t("even a hundredfold difference could hide: more returns, or more records of the step")
    odds = words.figure(finding.detectable)
    return _hinted(finding, t("only {odds} times the odds or more would have shown", odds=odds))


def _hinted(finding: Finding, said: Said) -> Said:
    return t("a hint; {said}", said=said) if finding.adjusted.p < 0.05 else said


def how_long(months: MonthsToTell) -> Said:
    """How many more months, in a few words."""
    if months.missing:
        return t("cannot be said: {why}", why=t(months.missing))
    if months.months == 0:
        return t("long enough for {odds:g} times the odds; a smaller difference may be hidden", odds=months.odds_ratio)
    recorded = months.months_if_recorded
    if months.months is None:
        if not recorded:
            return t("more than 5 years at this pace")
        return tn(
            recorded,
            "more than 5 years at this pace; about {n:,} month with every step recorded",
            "more than 5 years at this pace; about {n:,} months with every step recorded",
        )
    if recorded and recorded < _WORTH_SAYING * months.months:
        return tn(
            months.months,
            "about {n:,} more month; {recorded} with every step recorded",
            "about {n:,} more months; {recorded} with every step recorded",
            recorded=recorded,
        )
    return tn(months.months, "about {n:,} more month", "about {n:,} more months")


def unknown_row(finding: Finding, standard: ProcessStandard) -> dict[str, object]:
    """A pair that cannot be judged yet, as a line of the table."""
    counts = finding.counts
    return {
        t("what it says"): words.requirement(standard, finding.factor),
        t("requirement"): finding.factor,
        t("defect"): words.defect(finding.defect),
        t("what it would take"): what_it_would_take(finding),
        t("missed: returned"): words.part_of(counts.returns_missed, counts.missed),
        t("kept: returned"): words.part_of(counts.returns_met, counts.met),
        t("not recorded (n)"): counts.not_recorded,
        t("odds ratio (95 %)"): words.interval(finding.adjusted.odds_ratio),
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
        t("step"): standard.step_of(finding.factor),
        t("what it says"): words.requirement(standard, finding.factor),
        t("requirement missed"): finding.factor,
        t("goes with"): words.defect(finding.defect),
        t("evidence"): t(finding.grade),
        t("doubts (n)"): str(doubts) if finding.checks else "",
        t("odds ratio (95 %)"): words.interval(odds_ratio(finding)),
        t("widened for"): widened_for(finding),
        t("unadjusted"): words.interval(finding.crude.odds_ratio),
        t("missed: returned"): words.part_of(counts.returns_missed, counts.missed),
        t("kept: returned"): words.part_of(counts.returns_met, counts.met),
        t("no record: returned"): words.part_of(counts.returns_not_recorded, counts.not_recorded),
        "q": words.false_alarms(finding.q),
        t("avoidable returns"): words.interval(adjusted.avoidable),
        t("why this grade"): t(finding.because),
    }


def brief_row(finding: Finding, standard: ProcessStandard) -> dict[str, object]:
    """One finding as a line of the page's table, which shows what is asked for first; the file has the rest."""
    whole = finding_row(finding, standard, doubts=0)
    shown = (
        t("goes with"),
        t("evidence"),
        t("odds ratio (95 %)"),
        t("missed: returned"),
        t("avoidable returns"),
        "q",
    )
    named = {
        t("what it says"): words.short(words.requirement(standard, finding.factor), most=28),
        t("requirement"): finding.factor,
    }
    return named | {name: whole[name] for name in shown}


def action_row(action: RankedAction, currency: str) -> dict[str, object]:
    """One action as a line of the table."""
    return {
        t("rank"): action.rank,
        t("action"): action.action,
        t("returns avoided a month (95 %)"): words.interval(action.avoided_per_month, digits=2),
        t("net a month, {currency} (95 %)", currency=currency): words.interval(action.net_per_month, digits=0),
        t("pays in"): words.chance(action.probability_worthwhile),
        t("cost a month, {currency}", currency=currency): words.figure(action.cost_per_month, digits=0),
        t("restorations a month"): words.figure(action.restorations_per_month, digits=0),
        t("because of"): "; ".join(
            t("{factor} with {defect}", factor=factor, defect=words.defect_within(defect))
            for factor, defect in action.because
        )
        or t("no finding yet"),
        t("what"): action.title,
    }

"""What a trial can show, what it needs and how it will be read, in sentences."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, isfinite
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:  # the plan asks for its words, and the words read the plan
    from remakes.actions.trial.figures import TrialPlan

from remakes.records.codes import defect_in_text
from remakes.texts import either, later, run_on, t, tn

__all__ = ["cautions_of", "log_of", "reading_of", "sentence_of"]

_WHO: Final = {
    "alternate weeks": later("each group works with the action in every other week"),
    "staggered": later("the groups start with the action one after the other"),
    "before and after": later("all start with the action on the same day"),
}


_DESIGN_CAUTIONS: Final = {
    "alternate weeks": [
        later(
            "Alternate weeks suit what can be laid aside for a week. A habit of the hands stays, and "
            "then the weeks without look like the weeks with: let groups start one after the other."
        ),
    ],
    "staggered": [
        later("After the last group has started, nothing more can be learnt from comparing groups."),
        later(
            "Few groups say little about how much groups differ; if technicians differ twice as much as "
            "the records show, a fall that is none is shown about one time in twelve instead of one in "
            "twenty."
        ),
    ],
    "before and after": [
        later(
            "Before and after: whatever else changed on the same day cannot be told from the action, and "
            "an action chosen after bad months is followed by better ones anyway. Alternate weeks, or a "
            "staggered start, tell more safely."
        ),
        later(
            "If quarters differ twice as much as the records show, a fall that is none is shown about "
            "one time in seven instead of one in twenty."
        ),
    ],
}


def sentence_of(plan: TrialPlan) -> str:
    """How long it takes, or that it cannot be told; and when the misses themselves would show."""
    if plan.missing:
        return t("No trial can be planned: {missing}.", missing=plan.missing)
    if plan.months is None:
        return run_on(*_too_long(plan), _misses(plan))
    said = t(
        "To show a fall of the returns with {listed} by {effect:.0%}, {power:.0%} of the time, takes about {months} or "
        "{ceil:,} restorations, if {who}; without the action about {returns:.0f} of them would have come back by then.",
        listed=_listed(plan.defects),
        effect=plan.effect,
        power=plan.power,
        months=_months(plan.months),
        ceil=ceil(plan.restorations),
        who=t(_WHO[plan.design]),
        returns=plan.returns,
    )
    return run_on(said, _misses(plan))


def _listed(defects: Sequence[str]) -> str:
    return either(defect_in_text(one) for one in defects)


def _too_long(plan: TrialPlan) -> tuple[str, str]:
    """That it takes too long, and which fall would show."""
    said = t(
        "A fall of the returns with {listed} by {effect:.0%} cannot be told in this lab within {years}: log it "
        "together with other actions, or watch the miss share.",
        listed=_listed(plan.defects),
        effect=plan.effect,
        years=_months(plan.months_max) if plan.months_max % 12 else _years(plan.months_max // 12),
    )
    if not isfinite(plan.within_reach):
        return said, ""
    return said, t("A fall by {within_reach:.0%} or more would show by then.", within_reach=plan.within_reach)


def _years(years: int) -> str:
    named = {1: t("one year"), 2: t("two years"), 3: t("three years")}
    return named[years] if years in named else tn(years, "{n} year", "{n} years")


def _months(months: int) -> str:
    return tn(months, "{n} month", "{n} months")


def _misses(plan: TrialPlan) -> str:
    if not isfinite(plan.weeks_to_see_misses):
        return ""
    return tn(
        ceil(plan.weeks_to_see_misses),
        "That the misses of {factor} fall from {miss_share_now:.0%} to {miss_share_then:.1%} would show after about "
        "{n} week.",
        "That the misses of {factor} fall from {miss_share_now:.0%} to {miss_share_then:.1%} would show after about "
        "{n} weeks.",
        factor=plan.factor,
        miss_share_now=plan.miss_share_now,
        miss_share_then=plan.miss_share_now * (1.0 - plan.removes),
    )


def log_of(plan: TrialPlan) -> tuple[str, ...]:
    """What must be written down for every restoration of the trial."""
    return (
        t(
            "The reading of {factor}, at every restoration it applies to, in weeks with and without the "
            "action alike: a gap on one side only makes the two sides unlike.",
            factor=plan.factor,
        ),
        t("Who made it, and on which day it was delivered: they say which week of the calendar it belongs to."),
        t("Whether the action was used; a week not kept to stays where the calendar has it."),
        t("Every return with its defect, whoever made the restoration, by somebody who does not look up the calendar."),
    )


def reading_of(plan: TrialPlan) -> str:
    """How the trial is read at its end, fixed before its start."""
    within = {
        "alternate weeks": t("within each group and four weeks, by the exact conditional distribution with mid-p"),
        "staggered": t(
            "within each four weeks between groups that have started and groups that have not, allowing "
            "for chance differences between groups (standard deviation {sd:.2f} between technicians, "
            "from the records)",
            sd=plan.technician_sd,
        ),
        "before and after": t(
            "with the returns of earlier deliveries, allowing for chance differences between quarters "
            "(standard deviation {sd:.2f}, from the records)",
            sd=plan.quarter_sd,
        ),
    }[plan.design]
    return t(
        "Once, after the last day and not earlier: first returns of the trial's restorations against the "
        "returns to be expected at their age, compared {within}. All restorations count where the "
        "calendar has them. A fall is shown if the one-sided p is below {error:g}.",
        within=within,
        error=plan.error,
    )


def cautions_of(plan: TrialPlan) -> tuple[str, ...]:
    """What could make the plan or its reading wrong."""
    said = [
        t(
            "Returns that have come but are not entered yet are missed on both sides: read the trial "
            "some weeks later, with the returns up to its last day."
        )
    ]
    said += [t(one) for one in _DESIGN_CAUTIONS[plan.design]]
    if plan.risk_ratio_needed == float("inf"):
        said.append(
            t(
                "Even if every return came from a miss, removing {removes:.0%} of the misses could not spare "
                "{effect:.0%} of the returns: plan for a smaller fall.",
                removes=plan.removes,
                effect=plan.effect,
            )
        )
    elif isfinite(plan.risk_ratio_needed):
        said.append(
            t(
                "To spare {effect:.0%} of the returns, restorations that missed {factor} would have to come "
                "back {risk_ratio_needed:.1f} times as often as those that kept it: compare with the finding.",
                effect=plan.effect,
                factor=plan.factor,
                risk_ratio_needed=plan.risk_ratio_needed,
            )
        )
    if plan.months is not None and plan.power_simulated.high < plan.power:
        said.append(
            t(
                "In simulations of this very calendar the fall showed {estimate:.0%} of the time, less often "
                "than asked for: add a month or two.",
                estimate=plan.power_simulated.estimate,
            )
        )
    return tuple(said)

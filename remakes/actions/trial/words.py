"""What a trial can show, what it needs and how it will be read, in sentences."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, isfinite
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:  # the plan asks for its words, and the words read the plan
    from remakes.actions.trial.figures import TrialPlan

from remakes.texts import t

__all__ = ["cautions_of", "log_of", "reading_of", "sentence_of"]

_WHO: Final = {
    "alternate weeks": t("each group works with the action in every other week"),
    "staggered": t("the groups start with the action one after the other"),
    "before and after": t("all start with the action on the same day"),
}


_DESIGN_CAUTIONS: Final = {
    "alternate weeks": [
        t(
            "Alternate weeks suit what can be laid aside for a week. A habit of the hands stays, and "
            "then the weeks without look like the weeks with: let groups start one after the other."
        ),
    ],
    "staggered": [
        t("After the last group has started, nothing more can be learnt from comparing groups."),
        t(
            "Few groups say little about how much groups differ; if technicians differ twice as much as "
            "the records show, a fall that is none is shown about one time in twelve instead of one in "
            "twenty."
        ),
    ],
    "before and after": [
        t(
            "Before and after: whatever else changed on the same day cannot be told from the action, and "
            "an action chosen after bad months is followed by better ones anyway. Alternate weeks, or a "
            "staggered start, tell more safely."
        ),
        t(
            "If quarters differ twice as much as the records show, a fall that is none is shown about "
            "one time in seven instead of one in twenty."
        ),
    ],
}


def sentence_of(plan: TrialPlan) -> str:
    """How long it takes, or that it cannot be told; and when the misses themselves would show."""
    if plan.missing:
        return t("No trial can be planned: {missing}.", missing=plan.missing)
    fall = t("a fall of the returns with {listed} by {effect:.0%}", listed=_listed(plan.defects), effect=plan.effect)
    if plan.months is None:
        return f"{_too_long(plan, fall)}{_misses(plan)}"
    said = t(
        "To show {fall}, {power:.0%} of the time, takes about {months} or {ceil:,} restorations, if "
        "{who}; without the action about {returns:.0f} of them would have come back by then.",
        fall=fall,
        power=plan.power,
        months=_months(plan.months),
        ceil=ceil(plan.restorations),
        who=_WHO[plan.design],
        returns=plan.returns,
    )
    return said + _misses(plan)


def _listed(words: Sequence[str]) -> str:
    return " or ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)


def _too_long(plan: TrialPlan, fall: str) -> str:
    years = f"{_months(plan.months_max)}" if plan.months_max % 12 else _years(plan.months_max // 12)
    said = t(
        "{upper}{fall} cannot be told in this lab within {years}: log it together with other "
        "actions, or watch the miss share.",
        upper=fall[0].upper(),
        fall=fall[1:],
        years=years,
    )
    if isfinite(plan.within_reach):
        said += t(" A fall by {within_reach:.0%} or more would show by then.", within_reach=plan.within_reach)
    return said


def _years(years: int) -> str:
    return {1: "one year", 2: "two years", 3: "three years"}.get(years, f"{years} years")


def _months(months: int) -> str:
    return "1 month" if months == 1 else f"{months} months"


def _misses(plan: TrialPlan) -> str:
    if not isfinite(plan.weeks_to_see_misses):
        return ""
    weeks = ceil(plan.weeks_to_see_misses)
    return t(
        " That the misses of {factor} fall from {miss_share_now:.0%} to {miss_share_now_2:.1%} would "
        "show after about {weeks} week{value}.",
        factor=plan.factor,
        miss_share_now=plan.miss_share_now,
        miss_share_now_2=plan.miss_share_now * (1.0 - plan.removes),
        weeks=weeks,
        value="" if weeks == 1 else "s",
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
            "from the records)"
        ),
        "before and after": t(
            "with the returns of earlier deliveries, allowing for chance differences between quarters "
            "(standard deviation {sd:.2f}, from the records)"
        ),
    }[plan.design]
    sd = plan.quarter_sd if plan.design == "before and after" else plan.technician_sd
    return t(
        "Once, on the last day, not earlier: first returns of the trial's restorations against the "
        "returns to be expected at their age, compared {format}. All restorations count where the "
        "calendar has them. A fall is shown if the one-sided p is below {error:g}.",
        format=within.format(sd=sd),
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
    said += _DESIGN_CAUTIONS[plan.design]
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

"""The verdict in words, and what to bear in mind with it."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

from remakes.actions.follow_up.looks import MISSED_FALL_ERROR, JudgedReturns
from remakes.actions.follow_up.misses import MissChange
from remakes.counts.follow_up import FollowUpCounts
from remakes.records.codes import defect_in_text
from remakes.records.undertakings import JudgingRule
from remakes.texts import either, later, run_on, t, tn

__all__ = ["cautions_of", "sentence_of"]

#: Under this chance of showing the fall worth having, the records are too few for the question.
_LOW_POWER = 0.5
#: A common change by so much is worth a word.
_COMMON_CHANGE = 0.1


def sentence_of(reason: str, returns: JudgedReturns, *, rule: JudgingRule, starts: str, over: bool) -> str:
    """Verdict, figures, and why; `reason` as in `FollowUp`, `starts` the day of the start, `over` whether time is."""
    fall = t("{share:.0%}", share=rule.returns_down_by)
    said = {
        "returns fell": (
            t(
                "Verified: fewer returns with {listed} than were to be expected without the action.",
                listed=_listed(rule.defects),
            )
        ),
        "fall worth having excluded": (
            t("No effect worth having: returns did not fall by {fall}, which these returns exclude.", fall=fall)
        ),
        "time is over": (
            tn(
                rule.months,
                "No effect shown in the month agreed on. That returns fell by {fall} is not excluded: these records "
                "cannot tell.",
                "No effect shown in the {n} months agreed on. That returns fell by {fall} is not excluded: these "
                "records cannot tell.",
                fall=fall,
            )
        ),
        "not kept up at the bench": (
            t(
                "No effect, since it was not kept up at the bench: misses did not fall as the rule asks. "
                "Whether it would spare returns has not been tried."
            )
        ),
        "misses fell": t("On the way: misses fell as the rule asks; the returns cannot tell yet."),
        "cannot tell yet": t("Too early: neither misses nor returns can tell yet."),
    }[reason]
    if reason == "not kept up at the bench" and returns.decided == "fell":
        said = t(
            "No effect of this action: returns are fewer, but misses did not fall, so that the two do not go together."
        )
    if reason == "cannot tell yet" and over:
        said = tn(
            rule.months,
            "Cannot be told: the month agreed on is over, and neither misses nor returns can tell.",
            "Cannot be told: the {n} months agreed on are over, and neither misses nor returns can tell.",
        )
    return run_on(said, _figures(returns, starts), _more(reason, returns))


def _figures(returns: JudgedReturns, starts: str) -> str:
    if not isfinite(returns.expected):
        return tn(
            returns.observed,
            "One return of a restoration delivered since {starts}. {missing}",
            "{n} returns of restorations delivered since {starts}. {missing}",
            starts=starts,
            missing=returns.missing,
        )
    figures = t(
        "Of restorations delivered since {starts}, {observed} came back; without the action "
        "{expected:.1f} were to be expected",
        starts=starts,
        observed=returns.observed,
        expected=returns.expected,
    )
    if not isfinite(returns.ratio.estimate):
        return t("{figures}.", figures=figures)
    return t(
        "{figures} (ratio {estimate:.2f}, 95 % interval {low:.2f} to {high:.2f}).",
        figures=figures,
        estimate=returns.ratio.estimate,
        low=returns.ratio.low,
        high=returns.ratio.high,
    )


def _more(reason: str, returns: JudgedReturns) -> str:
    if reason not in ("misses fell", "cannot tell yet") or returns.months_more is None:
        return ""
    # A period that began on the last days of a month ends within days; said in months that would be none.
    months = max(round(returns.months_more), 1)
    if not returns.decides_in_time:
        return tn(
            months,
            "At the present rate the returns will not have decided when the time agreed on is over, in about a month.",
            "At the present rate the returns will not have decided when the time agreed on is over, in about {n} "
            "months.",
        )
    return tn(
        months,
        "At the present rate the returns decide in about a month.",
        "At the present rate the returns decide in about {n} months.",
    )


def cautions_of(
    counted: FollowUpCounts, returns: JudgedReturns, misses: Sequence[MissChange], *, rule: JudgingRule
) -> tuple[str, ...]:
    """What to bear in mind, most important first."""
    said: list[str] = []
    # nan, where nothing could be judged, is not below.
    if returns.power < _LOW_POWER and not returns.decided:
        said.append(
            tn(
                rule.months,
                "If returns fell by {returns_down_by:.0%}, this lab would show it within {n} month with a chance of "
                "{power:.0%} only.",
                "If returns fell by {returns_down_by:.0%}, this lab would show it within {n} months with a chance of "
                "{power:.0%} only.",
                returns_down_by=rule.returns_down_by,
                power=returns.power,
            )
        )
    if returns.decided and returns.decided_at is not None and returns.decided_at + 1 < len(returns.looks):
        look = returns.looks[returns.decided_at]
        said.append(
            t(
                "The returns decided at the look of {until}; what came after does not undo it.",
                until=look.until.isoformat(),
            )
        )
    if returns.decided == "fell":
        said.append(
            t(
                "The look that decides tends to show a larger fall than there is; the interval is reckoned as if it "
                "had been the only look."
            )
        )
    if returns.decided == "excluded":
        said.append(
            t(
                "Of actions that lower the returns by {returns_down_by:.0%}, up to {error:.0%} would be said not to.",
                returns_down_by=rule.returns_down_by,
                error=MISSED_FALL_ERROR,
            )
        )
    if returns.decided == "fell" and any(one.kept == "cannot tell" for one in misses):
        said.append(
            t("The log does not show that the misses fell, so that the fall of returns may go with something else.")
        )
    if returns.decided == "fell" and returns.ratio.estimate > 1.0 - rule.returns_down_by:
        said.append(
            t(
                "Returns fell by about {estimate:.0%}, less than the {returns_down_by:.0%} that was agreed "
                "to be worth having.",
                estimate=max(1.0 - returns.ratio.estimate, 0.0),
                returns_down_by=rule.returns_down_by,
            )
        )
    kept = {one.kept for one in misses}
    if {"fell", "did not fall"} <= kept:
        names = ", ".join(one.factor.replace("_", " ") for one in misses if one.kept == "did not fall")
        said.append(t("Misses of {names} did not fall; those of the other requirements did.", names=names))
    if isfinite(returns.common_change) and abs(returns.common_change - 1.0) > _COMMON_CHANGE:
        more = later(
            "Restorations delivered before the start came back more than expected in the same months; the number "
            "expected allows for that (times {common_change:.2f})."
        )
        fewer = later(
            "Restorations delivered before the start came back fewer than expected in the same months; the number "
            "expected allows for that (times {common_change:.2f})."
        )
        said.append(
            t(
                str(more if returns.common_change > 1.0 else fewer),
                common_change=returns.common_change,
            )
        )
    said += [caution for one in misses for caution in one.cautions]
    said.append(
        t(
            "An estimate from records, before and after: whatever else changed with the start (material, "
            "technicians, clinics) cannot be told from the action."
        )
    )
    return tuple(said)


def _listed(defects: Sequence[str]) -> str:
    return either(map(defect_in_text, defects))

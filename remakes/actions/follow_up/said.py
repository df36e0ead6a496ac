"""The verdict in words, and what to bear in mind with it."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

from remakes.actions.follow_up.looks import JudgedReturns
from remakes.actions.follow_up.misses import MissChange
from remakes.counts.follow_up import FollowUpCounts
from remakes.records.undertakings import JudgingRule

__all__ = ["cautions_of", "sentence_of"]

#: Under this chance of showing the fall worth having, the records are too few for the question.
_LOW_POWER = 0.5
#: A common change by so much is worth a word.
_COMMON_CHANGE = 0.1


def sentence_of(reason: str, returns: JudgedReturns, *, rule: JudgingRule, starts: str, over: bool) -> str:
    """Verdict, figures, and why; `reason` as in `FollowUp`, `starts` the day of the start, `over` whether time is."""
    fall = f"{rule.returns_down_by:.0%}"
    said = {
        "returns fell": (
            f"Verified: fewer returns with {_listed(rule.defects)} than were to be expected without the action."
        ),
        "fall worth having excluded": (
            f"No effect worth having: returns did not fall by {fall}, which these returns exclude."
        ),
        "time is over": (
            f"No effect shown in the {rule.months} months agreed on. That returns fell by {fall} is not excluded: "
            "these records cannot tell."
        ),
        "not kept up at the bench": (
            "No effect, since it was not kept up at the bench: misses did not fall as the rule asks. Whether it would "
            "spare returns has not been tried."
        ),
        "misses fell": "On the way: misses fell as the rule asks; the returns cannot tell yet.",
        "cannot tell yet": "Too early: neither misses nor returns can tell yet.",
    }[reason]
    if reason == "not kept up at the bench" and returns.decided == "fell":
        said = (
            "No effect of this action: returns are fewer, but misses did not fall, so that the two do not go together."
        )
    if reason == "cannot tell yet" and over:
        said = f"Cannot be told: the {rule.months} months agreed on are over, and neither misses nor returns can tell."
    return f"{said} {_figures(returns, starts)}{_more(reason, returns)}".strip()


def _figures(returns: JudgedReturns, starts: str) -> str:
    if not isfinite(returns.expected):
        return f"{returns.observed} returns of restorations delivered since {starts}. {returns.missing}"
    figures = (
        f"Of restorations delivered since {starts}, {returns.observed} came back; without the action "
        f"{returns.expected:.1f} were to be expected"
    )
    if not isfinite(returns.ratio.estimate):
        return f"{figures}."
    return (
        f"{figures} (ratio {returns.ratio.estimate:.2f}, 95 % interval {returns.ratio.low:.2f} to "
        f"{returns.ratio.high:.2f})."
    )


def _more(reason: str, returns: JudgedReturns) -> str:
    if reason not in ("misses fell", "cannot tell yet") or returns.months_more is None:
        return ""
    return f" At the present rate the returns decide in about {returns.months_more:.0f} months."


def cautions_of(
    counted: FollowUpCounts, returns: JudgedReturns, misses: Sequence[MissChange], *, rule: JudgingRule
) -> tuple[str, ...]:
    """What to bear in mind, most important first."""
    said: list[str] = []
    # nan, where nothing could be judged, is not below.
    if returns.power < _LOW_POWER and not returns.decided:
        said.append(
            f"If returns fell by {rule.returns_down_by:.0%}, this lab would show it within {rule.months} months with a "
            f"chance of {returns.power:.0%} only."
        )
    if returns.decided and returns.decided_at is not None and returns.decided_at + 1 < len(returns.looks):
        look = returns.looks[returns.decided_at]
        said.append(f"The returns decided at the look of {look.until.isoformat()}; what came after does not undo it.")
    if returns.decided == "fell" and any(one.kept == "cannot tell" for one in misses):
        said.append(
            "The log does not show that the misses fell, so that the fall of returns may go with something else."
        )
    if returns.decided == "fell" and returns.ratio.estimate > 1.0 - rule.returns_down_by:
        said.append(
            f"Returns fell by about {max(1.0 - returns.ratio.estimate, 0.0):.0%}, less than the "
            f"{rule.returns_down_by:.0%} that was agreed to be worth having."
        )
    kept = {one.kept for one in misses}
    if {"fell", "did not fall"} <= kept:
        names = ", ".join(one.factor.replace("_", " ") for one in misses if one.kept == "did not fall")
        said.append(f"Misses of {names} did not fall; those of the other requirements did.")
    if isfinite(returns.common_change) and abs(returns.common_change - 1.0) > _COMMON_CHANGE:
        more = "more" if returns.common_change > 1.0 else "fewer"
        said.append(
            f"Restorations delivered before the start came back {more} than expected in the same months; the number "
            f"expected allows for that (times {returns.common_change:.2f})."
        )
    said += [caution for one in misses for caution in one.cautions]
    said.append(
        "An estimate from records, before and after: whatever else changed with the start (material, technicians, "
        "clinics) cannot be told from the action."
    )
    return tuple(said)


def _listed(defects: Sequence[str]) -> str:
    names = [defect.replace("_", " ") for defect in defects]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"

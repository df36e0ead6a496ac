"""What a dose-response says about the limit, in sentences a technician understands.

A limit is never called too strict: what the records show goes with returns of one lab, while a material's
instruction rests on more.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from remakes.counts.readings import Limit
from remakes.evidence.checks.change_point import Change

if TYPE_CHECKING:  # the result asks for its words, and the words read the result
    from remakes.evidence.checks.dose import DoseResponse, Gradient

__all__ = ["sentence"]

_TOLD: Final = 0.05
_CANNOT_TELL: Final = "These records cannot tell where the risk changes with the reading."
_CHECK: Final = "This step is not thought to cause the defect: something else may be behind both."
_INSTRUCTION: Final = "The material's instruction comes first."


def sentence(dose: DoseResponse) -> str:
    """Where the risk changes, whether the limit lies there, and what remains on either side of it."""
    if dose.why_not:
        return f"The readings show nothing here: {dose.why_not}."
    said = [_about_change(change, dose) for change in dose.changes if change.seen] or [_CANNOT_TELL]
    aside = _about_sides(dose)
    said += aside
    if any(_limit_in_question(change) for change in dose.changes) or (aside and _more(dose.kept)):
        said.append(_INSTRUCTION)
    if not dose.plausible and any(change.seen for change in dose.changes):
        said.append(_CHECK)
    return " ".join(said)


def _more(gradient: Gradient | None) -> bool:
    return gradient is not None and gradient.p < _TOLD and gradient.odds_ratio.estimate > 1


def _limit_in_question(change: Change) -> bool:
    return change.located and change.limit_within is False and change.best.odds_ratio > 1


def _about_change(change: Change, dose: DoseResponse) -> str:
    where = {"low": "as the reading falls", "high": "as the reading rises"}[change.side]
    both = len(dose.changes) > 1
    side = {"low": "At low readings: ", "high": "At high readings: "}[change.side] if both else ""
    return side + _first(_told(change, dose, where), lower=both)


def _first(text: str, *, lower: bool) -> str:
    return text[0].lower() + text[1:] if lower else text


def _told(change: Change, dose: DoseResponse, where: str) -> str:
    if change.best.odds_ratio < 1:
        return (
            f"Returns become fewer, not more, {where}: look at who gets such readings and in which cases, "
            "and change nothing yet."
        )
    if change.shape == "gradual" and _more(dose.trend) and dose.trend is not None:
        each = f"{dose.trend.odds_ratio.estimate:.2g} times for each {_with_unit(dose.trend.per, dose.unit)}"
        return f"The odds of a return rise gradually {where} ({each}); there is no one place where they change."
    if not change.located:
        return f"The risk rises {where}, but these records cannot tell where."
    span = f"{change.low:g} and {_with_unit(change.high, dose.unit)}"
    return f"In these records the risk changes between {span}; {_about_limit(change, dose)}"


def _about_limit(change: Change, dose: DoseResponse) -> str:
    limit = change.limit
    if limit is None:
        return "no limit is in force there."
    named = f"the limit of {_with_unit(limit.value, dose.unit)}{_others(limit, dose)}"
    if change.limit_within is None:
        return f"no reading lies beyond {named}, so its place cannot be judged."
    if change.limit_within:
        return f"{named} lies within."
    if _stricter(change, limit):
        advice = " Try a stricter one." if dose.plausible else ""
        return f"{named} lies outside: readings that just keep it still go with more returns.{advice}"
    return f"{named} keeps clear of it, which is no reason to loosen it."


def _others(limit: Limit, dose: DoseResponse) -> str:
    """Limits of other cases and of the past, which a lab may have in mind when it reads of this one."""
    rest = [one for one in dose.limits if one.side == limit.side and one.value != limit.value]
    now, past = ([one for one in rest if one.present == present] for present in (True, False))
    said = [
        f"{word} {', '.join(f'{one.value:g}' for one in found)}"
        for word, found in (("for other cases", now), ("earlier", past))
        if found
    ]
    return f" ({'; '.join(said)})" if said else ""


def _stricter(change: Change, limit: Limit) -> bool:
    """Would a limit where the risk changes ask for more than the present one?"""
    cut = change.best.cut
    return cut > limit.value if change.side == "low" else cut < limit.value


def _about_sides(dose: DoseResponse) -> list[str]:
    if not any(change.seen for change in dose.changes):
        return []
    said = []
    if dose.missed is not None and dose.missed.p < _TOLD:
        more = "more" if dose.missed.odds_ratio.estimate > 1 else "fewer"
        said.append(f"Missing the limit by more goes with {more} returns.")
    if _more(dose.kept):
        said.append("Even among readings that keep the limit, the nearer to it, the more returns.")
    return said


def _with_unit(value: float, unit: str) -> str:
    return f"{value:g} {unit}".rstrip()

"""What a dose-response says about the limit, in sentences a technician understands.

A limit is never called too strict: what the records show goes with returns of one lab, while a material's
instruction rests on more.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from remakes.counts.readings import Limit
from remakes.evidence.checks.change_point import Change
from remakes.texts import later, lowered, run_on, t

if TYPE_CHECKING:  # the result asks for its words, and the words read the result
    from remakes.evidence.checks.dose import DoseResponse, Gradient

__all__ = ["sentence"]

_TOLD: Final = 0.05
_CANNOT_TELL: Final = later("These records cannot tell where the risk changes with the reading.")
_CHECK: Final = later("This step is not thought to cause the defect: something else may be behind both.")
_INSTRUCTION: Final = later("The material's instruction comes first.")


def sentence(dose: DoseResponse) -> str:
    """Where the risk changes, whether the limit lies there, and what remains on either side of it."""
    if dose.why_not:
        return t("The readings show nothing here: {why_not}.", why_not=dose.why_not)
    said = [_about_change(change, dose) for change in dose.changes if change.seen] or [t(_CANNOT_TELL)]
    aside = _about_sides(dose)
    said += aside
    if any(_limit_in_question(change) for change in dose.changes) or (aside and _more(dose.kept)):
        said.append(t(_INSTRUCTION))
    if not dose.plausible and any(change.seen for change in dose.changes):
        said.append(t(_CHECK))
    return run_on(*said)


def _more(gradient: Gradient | None) -> bool:
    return gradient is not None and gradient.p < _TOLD and gradient.odds_ratio.estimate > 1


def _limit_in_question(change: Change) -> bool:
    return change.located and change.limit_within is False and change.best.odds_ratio > 1


def _about_change(change: Change, dose: DoseResponse) -> str:
    where = {"low": t("as the reading falls"), "high": t("as the reading rises")}[change.side]
    told = _told(change, dose, where)
    if len(dose.changes) == 1:
        return told
    if change.side == "low":
        return t("At low readings: {told}", told=lowered(told))
    return t("At high readings: {told}", told=lowered(told))


def _told(change: Change, dose: DoseResponse, where: str) -> str:
    if change.best.odds_ratio < 1:
        return t(
            "Returns become fewer, not more, {where}: look at who gets such readings and in which cases, "
            "and change nothing yet.",
            where=where,
        )
    if change.shape == "gradual" and _more(dose.trend) and dose.trend is not None:
        each = t(
            "{estimate:.2g} times for each {with_unit}",
            estimate=dose.trend.odds_ratio.estimate,
            with_unit=_with_unit(dose.trend.per, dose.unit),
        )
        return t(
            "The odds of a return rise gradually {where} ({each}); there is no one place where they change.",
            where=where,
            each=each,
        )
    if not change.located:
        return t("The risk rises {where}, but these records cannot tell where.", where=where)
    span = t("{low:g} and {high}", low=change.low, high=_with_unit(change.high, dose.unit))
    return t(
        "In these records the risk changes between {span}; {about_limit}",
        span=span,
        about_limit=_about_limit(change, dose),
    )


def _about_limit(change: Change, dose: DoseResponse) -> str:
    limit = change.limit
    if limit is None:
        return t("no limit is in force there.")
    named = t(
        "the limit of {with_unit}{others}", with_unit=_with_unit(limit.value, dose.unit), others=_others(limit, dose)
    )
    if change.limit_within is None:
        return t("no reading lies beyond {named}, so its place cannot be judged.", named=named)
    if change.limit_within:
        return t("{named} lies within.", named=named)
    if _stricter(change, limit):
        return run_on(
            t("{named} lies outside: readings that just keep it still go with more returns.", named=named),
            t("Try a stricter one.") if dose.plausible else "",
        )
    return t("{named} keeps clear of it, which is no reason to loosen it.", named=named)


def _others(limit: Limit, dose: DoseResponse) -> str:
    """Limits of other cases and of the past, which a lab may have in mind when it reads of this one."""
    rest = [one for one in dose.limits if one.side == limit.side and one.value != limit.value]
    now, past = ([one for one in rest if one.present == present] for present in (True, False))
    of_now, of_past = (", ".join(t("{value:g}", value=one.value) for one in found) for found in (now, past))
    if now and past:
        return t(" (for other cases {now}; earlier {past})", now=of_now, past=of_past)
    if now:
        return t(" (for other cases {now})", now=of_now)
    return t(" (earlier {past})", past=of_past) if past else ""


def _stricter(change: Change, limit: Limit) -> bool:
    """Would a limit where the risk changes ask for more than the present one?"""
    cut = change.best.cut
    return cut > limit.value if change.side == "low" else cut < limit.value


def _about_sides(dose: DoseResponse) -> list[str]:
    if not any(change.seen for change in dose.changes):
        return []
    said: list[str] = []
    if dose.missed is not None and dose.missed.p < _TOLD:
        said.append(
            t("Missing the limit by more goes with more returns.")
            if dose.missed.odds_ratio.estimate > 1
            else t("Missing the limit by more goes with fewer returns.")
        )
    if _more(dose.kept):
        said.append(t("Even among readings that keep the limit, the nearer to it, the more returns."))
    return said


def _with_unit(value: float, unit: str) -> str:
    return t("{value:g} {unit}", value=value, unit=unit) if unit else t("{value:g}", value=value)

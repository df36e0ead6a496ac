"""A planned trial: its length, its power, its calendar, and the rule by which it will be read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from math import isinf
from typing import Any, Final, Self

from remakes.actions.trial.calendar import Group, Span
from remakes.actions.trial.design import Design
from remakes.actions.trial.words import sentence_of
from remakes.evidence.estimate import UNKNOWN, Estimate, finite_or_none

__all__ = ["TrialLength", "TrialPlan", "TrialPower"]

_WORDS: Final = ("factor", "design", "months", "months_max", "how_read", "missing")
_FIGURES: Final = (
    *("effect", "error", "power", "restorations_per_month", "returns_per_month", "miss_share_now", "removes"),
    *("restorations", "returns", "within_reach", "design_effect", "technician_sd", "quarter_sd", "unit_sd"),
    *("risk_ratio_needed", "restorations_to_see_misses", "weeks_to_see_misses"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialPower:
    """What a trial of one length would show of one true fall.

    `restorations` are those delivered in the trial; `returns` those to be expected by its end if the action does
    nothing, at all benches together; `power` is a fraction.
    """

    effect: float
    months: int
    restorations: float
    returns: float
    power: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialLength:
    """How long a trial must run to show one true fall; None and nan if it cannot be had in the longest one."""

    effect: float
    months: int | None
    restorations: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialPlan:
    """A trial of one action, planned from the lab's records.

    Attributes
    ----------
    factor : str
    defects : tuple of str
    design : Design
    effect : float
        Relative fall of the returns with these defects that the trial is to show.
    error, power : float
        One-sided error rate, and how often the fall is to show.
    months_max : int
    restorations_per_month, returns_per_month : float
        Deliveries that the requirement applies to, and the returns that a month of them gives within two years.
    miss_share_now, removes : float
        Share of misses, and what share of them the action is to remove.
    months, restorations, returns : int or None, float, float
        How long the trial must run, how many restorations that are, and how many returns they give by then without
        the action; None and nan if it cannot be had within `months_max`.
    power_simulated : Estimate
        Power of the drawn calendar at `months`, by simulation of its own reading, with the interval of chance.
    within_reach : float
        The smallest fall that would show within `months_max`; nan if none.
    needed : tuple of TrialLength
        For falls of 30, 50 and 70 % and the one asked about.
    table : tuple of TrialPower
    design_effect : float
        Variance of the comparison over what it would be if technicians, quarters and weeks did not differ.
    technician_sd, quarter_sd : float
        Chance differences in the lab's records, log scale; the smallest that is worth a place in a model is 0.15.
    unit_sd : float
        Of these, what the design leaves between the units it compares.
    hazard : tuple of float
        Returns per restoration-month by time in service, as the trial will be read by.
    risk_ratio_needed : float
        How many times the returns of a restoration that kept the requirement a missed one must have for the action to
        reach `effect`; infinite if it cannot.
    restorations_to_see_misses, weeks_to_see_misses : float
        When the fall of the miss share itself would show; nan where that cannot be said.
    groups : tuple of Group
    calendar : tuple of Span
        Empty if the trial cannot be had.
    starts_on : date
    log : tuple of str
        What must be written down.
    how_read : str
    missing : str
        Empty, or what must be there before a trial can be planned; all figures are then nan.
    cautions : tuple of str
    """

    factor: str
    defects: tuple[str, ...]
    design: Design
    effect: float
    error: float
    power: float
    months_max: int
    starts_on: date
    restorations_per_month: float = float("nan")
    returns_per_month: float = float("nan")
    miss_share_now: float = float("nan")
    removes: float = float("nan")
    months: int | None = None
    restorations: float = float("nan")
    returns: float = float("nan")
    power_simulated: Estimate = UNKNOWN
    within_reach: float = float("nan")
    needed: tuple[TrialLength, ...] = ()
    table: tuple[TrialPower, ...] = ()
    design_effect: float = float("nan")
    technician_sd: float = float("nan")
    quarter_sd: float = float("nan")
    unit_sd: float = float("nan")
    hazard: tuple[float, ...] = ()
    risk_ratio_needed: float = float("nan")
    restorations_to_see_misses: float = float("nan")
    weeks_to_see_misses: float = float("nan")
    groups: tuple[Group, ...] = ()
    calendar: tuple[Span, ...] = ()
    log: tuple[str, ...] = ()
    how_read: str = ""
    missing: str = ""
    cautions: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """What to expect of this trial, in words."""
        return sentence_of(self)

    @property
    def ends_on(self) -> date | None:
        """The last day, after which it is read; None without a calendar."""
        return max((one.ends for one in self.calendar), default=None)

    def as_json(self) -> dict[str, Any]:
        """In the interchange format; figures that cannot be had are null, and `unbounded` names the infinite ones."""
        return {
            **{name: getattr(self, name) for name in (*_WORDS, "sentence")},
            **{name: finite_or_none(getattr(self, name)) for name in _FIGURES},
            "unbounded": [name for name in _FIGURES if isinf(getattr(self, name))],
            "defects": list(self.defects),
            "hazard": list(self.hazard),
            "starts_on": self.starts_on.isoformat(),
            "power_simulated": self.power_simulated.as_json(),
            "needed": [
                {"effect": one.effect, "months": one.months, "restorations": finite_or_none(one.restorations)}
                for one in self.needed
            ],
            "table": [
                {
                    "effect": one.effect,
                    "months": one.months,
                    "restorations": one.restorations,
                    "returns": one.returns,
                    "power": one.power,
                }
                for one in self.table
            ],
            "groups": [one.as_json() for one in self.groups],
            "calendar": [one.as_json() for one in self.calendar],
            "log": list(self.log),
            "cautions": list(self.cautions),
        }

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> Self:
        """The plan that `as_json` wrote, to the last digit."""
        unbounded = frozenset(stored.get("unbounded", ()))
        single: dict[str, Any] = {name: stored[name] for name in _WORDS}
        for name in _FIGURES:
            single[name] = float("inf") if name in unbounded else _figure(stored[name])
        return cls(
            **single,
            defects=tuple(stored["defects"]),
            hazard=tuple(stored["hazard"]),
            starts_on=date.fromisoformat(stored["starts_on"]),
            power_simulated=Estimate(**{name: _figure(value) for name, value in stored["power_simulated"].items()}),
            needed=tuple(
                TrialLength(**(one | {"restorations": _figure(one["restorations"])})) for one in stored["needed"]
            ),
            table=tuple(TrialPower(**one) for one in stored["table"]),
            groups=tuple(Group.from_json(one) for one in stored["groups"]),
            calendar=tuple(Span.from_json(one) for one in stored["calendar"]),
            log=tuple(stored["log"]),
            cautions=tuple(stored["cautions"]),
        )


def _figure(stored: float | None) -> float:
    return float("nan") if stored is None else float(stored)

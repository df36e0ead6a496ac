"""What the process standard says: rules, requirements in force over time, and the order of work.

A *factor* is one requirement's name through time; its limit may change, and the one in force on the
day of delivery counts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal, get_args

from remakes.errors import ProcessStandardError
from remakes.records.cells import number_from_text
from remakes.texts import Said, either, t

__all__ = ["RULE_KINDS", "ProcessStandard", "Requirement", "Rule", "RuleKind"]

RuleKind = Literal["at_least", "at_most", "between", "one_of", "none_of"]
RULE_KINDS: tuple[RuleKind, ...] = get_args(RuleKind)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """What a reading must be.

    `low` and `high` are inclusive and in the requirement's unit; `values` are the words of one_of and none_of.
    """

    kind: RuleKind
    low: float | None = None
    high: float | None = None
    values: tuple[str, ...] = ()

    @property
    def numeric(self) -> bool:
        """Does this rule need a number?"""
        return self.kind in ("at_least", "at_most", "between")

    def met(self, value: str) -> bool | None:
        """Does this reading keep to the rule?

        None where that cannot be said: a blank, or text where a number is needed. Words are compared
        without capitals and outer blanks.
        """
        if self.numeric:
            number = number_from_text(value)
            if number is None:
                return None
            return (self.low is None or number >= self.low) and (self.high is None or number <= self.high)
        word = value.strip().casefold()
        if not word:
            return None
        return (word in {one.casefold() for one in self.values}) == (self.kind == "one_of")

    def to_json(self) -> dict[str, Any]:
        """The rule as the store and the standard file write it: `{"at_least": 180.0}`."""
        match self.kind:
            case "at_least":
                return {"at_least": self.low}
            case "at_most":
                return {"at_most": self.high}
            case "between":
                return {"between": [self.low, self.high]}
            case _:
                return {self.kind: list(self.values)}

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> Rule:
        """The rule that `to_json` wrote."""
        ((kind, limit),) = stored.items()
        match kind:
            case "at_least":
                return cls(kind="at_least", low=limit)
            case "at_most":
                return cls(kind="at_most", high=limit)
            case "between":
                return cls(kind="between", low=limit[0], high=limit[1])
            case _:
                return cls(kind="one_of" if kind == "one_of" else "none_of", values=tuple(limit))

    def __str__(self) -> str:
        match self.kind:
            case "at_least":
                return t("at least {low:g}", low=self.low)
            case "at_most":
                return t("at most {high:g}", high=self.high)
            case "between":
                return t("{low:g} to {high:g}", low=self.low, high=self.high)
            case "one_of":
                return either(map(t, self.values))
            case _:
                return _none_of(self.values)


def _none_of(values: tuple[str, ...]) -> Said:
    *most, last = map(t, values)
    return t("not {most} nor {last}", most=", ".join(most), last=last) if most else t("not {words}", words=last)


@dataclass(frozen=True, slots=True, kw_only=True)
class Requirement:
    """One limit of one factor, from one day on."""

    factor: str
    step: str
    reading: str
    unit: str | None = None
    rule: Rule
    #: Column to the values it applies to; all columns must fit. Empty: applies to all.
    applies_when: Mapping[str, tuple[str, ...]] = field(default_factory=dict, hash=False)
    #: Defects it can plausibly cause; all others serve as negative controls.
    may_cause: tuple[str, ...] = ()
    valid_from: date
    valid_until: date | None = None
    says: str | None = None
    source: str | None = None

    def applies_to(self, attributes: Mapping[str, str | None]) -> bool:
        """Is a restoration with these columns one this requirement is meant for?

        Compared without capitals and outer blanks; of `difficulty` one fitting tag is enough. A column
        that is blank or missing fits no condition.
        """
        for column, wanted in self.applies_when.items():
            words = (attributes.get(column) or "").casefold()
            have = {word.strip() for word in (words.split(";") if column == "difficulty" else [words])}
            if have.isdisjoint(value.casefold() for value in wanted):
                return False
        return True

    def in_force_on(self, day: date) -> bool:
        """Does it hold on this day? Both ends included."""
        return self.valid_from <= day and (self.valid_until is None or day <= self.valid_until)


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcessStandard:
    """A lab's whole process standard; without steps and requirements where none was taken yet."""

    title: str = ""
    steps: tuple[str, ...] = ()
    requirements: tuple[Requirement, ...] = ()
    # Looked up for every pair of factor and defect, so sorted out once.
    _of_factor: Mapping[str, tuple[Requirement, ...]] = field(init=False, repr=False, compare=False)
    _in_order: tuple[str, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        held: dict[str, tuple[Requirement, ...]] = {}
        for one in self.requirements:
            held[one.factor] = (*held.get(one.factor, ()), one)
        object.__setattr__(self, "_of_factor", held)
        position = {step: n for n, step in enumerate(self.steps)}
        in_order = sorted(held, key=lambda factor: position.get(self.step_of(factor), len(position)))
        object.__setattr__(self, "_in_order", tuple(in_order))

    @property
    def factors(self) -> tuple[str, ...]:
        """All factors in the order of work: by step, and within a step as the file has them."""
        return self._in_order

    @property
    def numeric_readings(self) -> frozenset[tuple[str, str]]:
        """Pairs of step and reading of which some requirement needs a number."""
        return frozenset((one.step, one.reading) for one in self.requirements if one.rule.numeric)

    def requirements_of(self, factor: str) -> tuple[Requirement, ...]:
        """Everything this factor ever required, in the order of the file.

        Raises
        ------
        ProcessStandardError
            The standard does not name the factor.
        """
        found = self._of_factor.get(factor, ())
        if not found:
            known = ", ".join(self._of_factor) or t("none")
            raise ProcessStandardError(
                t(
                    "The process standard names no factor {factor!r}. It names: {known}. Use one of these, or "
                    "add a requirement to the standard and import it.",
                    factor=factor,
                    known=known,
                )
            )
        return found

    def may_cause(self, factor: str) -> frozenset[str]:
        """The defects that a miss of this factor can plausibly cause, by any of its requirements."""
        return frozenset(defect for one in self.requirements_of(factor) for defect in one.may_cause)

    def step_of(self, factor: str) -> str:
        """The working step of a factor; of several in the course of time, that of the newest requirement."""
        return max(self.requirements_of(factor), key=lambda one: one.valid_from).step

    def steps_of_reading(self, reading: str) -> tuple[str, ...]:
        """The steps under which the standard names this reading, in working order; empty if it does not."""
        return tuple(
            step for step in self.steps if any(one.step == step and one.reading == reading for one in self.requirements)
        )

    def in_force(self, factor: str, *, delivered_on: date, attributes: Mapping[str, str | None]) -> Requirement | None:
        """Which requirement of this factor counts for a restoration?

        Parameters
        ----------
        factor : str
            A factor of this standard.
        delivered_on : date
            The day the restoration left the lab.
        attributes : mapping
            Its columns `kind`, `framework`, `veneer`, `clinic`, `technician`, `difficulty`, as far as known.

        Returns
        -------
        Requirement or None
            Of those that apply to the restoration and hold on the day: the one with the latest
            `valid_from`; of two that begin on one day, the one with more conditions, then the earlier
            in the file. None: the factor does not apply.
        """
        held = [
            one for one in self.requirements_of(factor) if one.in_force_on(delivered_on) and one.applies_to(attributes)
        ]
        return max(held, key=lambda one: (one.valid_from, len(one.applies_when)), default=None)

    def earlier_or_same_step(self, factor: str) -> tuple[str, ...]:
        """The other factors that can have acted before or beside this one: of earlier steps and of its own."""
        position = {step: n for n, step in enumerate(self.steps)}
        own = position[self.step_of(factor)]
        return tuple(one for one in self.factors if one != factor and position[self.step_of(one)] <= own)

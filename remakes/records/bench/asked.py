"""What is to be written down for a piece, in working order, and how a typed value is read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Final, Literal

from remakes.errors import EntryError
from remakes.records.bench.pieces import Piece
from remakes.records.cells import RefusedCell, plain_text, shown
from remakes.records.requirements import ProcessStandard, Requirement
from remakes.records.typed_values import read_number
from remakes.texts import run_on, t

__all__ = ["Asked", "Control", "asked_of", "find_asked", "not_done_value", "typed_value"]

#: timer: a waiting time in seconds or minutes; tick: yes or no; number; choice: one of several words.
Control = Literal["timer", "tick", "number", "choice"]

#: Seconds in one of the unit, for units that a timer can write.
_TIMED: Final[Mapping[str, int]] = {"s": 1, "sec": 1, "min": 60}
_DWELLS: Final = frozenset({*_TIMED, "h"})
#: Units of what is counted. A unit that is not named here is taken for a measure, of which zero is no "not done".
_COUNTS: Final = frozenset(
    {"coat", "coats", "layer", "layers", "times", "cures", "passes", "strokes", "pieces", "points", "count"}
)
#: How the name of a reading ends where it says its unit, beside the unit's own sign.
_ENDINGS: Final[Mapping[str, frozenset[str]]] = {
    "%": frozenset({"pct", "percent"}),
    "um": frozenset({"um"}),
    "mm": frozenset({"mm"}),
    "bar": frozenset({"bar"}),
    **{unit: frozenset({unit}) for unit in _DWELLS},
}
_TICKS: Final = frozenset({"yes", "no"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One reading that a piece needs; its requirements, of which there may be several, in the order of work."""

    step: str
    reading: str
    requirements: tuple[Requirement, ...]

    @property
    def name(self) -> str:
        """The reading in words, without the unit that its code may end with: `blast_to_bond_min` is blast to bond."""
        words = self.reading.replace("_", " ").split() or [self.reading]
        if len(words) > 1 and words[-1].casefold() in _ENDINGS.get(_unit(self.requirements[0]), ()):
            words.pop()
        return " ".join(words)

    @property
    def unit(self) -> str:
        """The unit of the reading; blank where it has none."""
        unit = self.requirements[0].unit or ""
        return "" if self.control == "tick" else unit

    @property
    def control(self) -> Control:
        """What fits the rule."""
        first = self.requirements[0]
        if not first.rule.numeric:
            return "tick" if _is_tick(first) else "choice"
        return "timer" if _unit(first) in _TIMED else "number"

    @property
    def unit_seconds(self) -> int:
        """Seconds in one of the unit; 1 where the unit is no time."""
        return _TIMED.get(_unit(self.requirements[0]), 1)

    @property
    def not_done(self) -> str | None:
        """The value that says “not done”; None where nothing can say so."""
        return not_done_value(self.requirements[0])

    @property
    def words(self) -> tuple[str, ...]:
        """The words that the rule names as allowed."""
        rule = self.requirements[0].rule
        return rule.values if rule.kind == "one_of" else ()

    def missed(self, value: str) -> tuple[Requirement, ...]:
        """The requirements that this value does not keep."""
        return tuple(one for one in self.requirements if one.rule.met(value) is False)


def asked_of(standard: ProcessStandard, piece: Piece, *, today: date) -> Mapping[str, tuple[Asked, ...]]:
    """Which readings does this piece need?

    Parameters
    ----------
    today : date
        The limits of this day count for open work; those of its delivery for what has left the lab.

    Returns
    -------
    mapping of step to readings
        In working order; steps without a reading are left out.
    """
    day = piece.delivered_on or today
    held: dict[tuple[str, str], list[Requirement]] = {}
    for factor in standard.factors:
        one = standard.in_force(factor, delivered_on=day, attributes=piece.attributes)
        if one is not None:
            held.setdefault((one.step, one.reading), []).append(one)
    found: dict[str, tuple[Asked, ...]] = {}
    for step in standard.steps:
        readings = tuple(
            Asked(step=step, reading=reading, requirements=tuple(requirements))
            for (of_step, reading), requirements in held.items()
            if of_step == step
        )
        if readings:
            found[step] = readings
    return found


def not_done_value(requirement: Requirement) -> str | None:
    """The recorded value that says a step was not done: `no` for a tick, `0` for dwell times and counts.

    None for measures and for upper limits alone, where zero would keep the limit, and for words: there
    nothing can say it, and the reading is left open.
    """
    rule = requirement.rule
    if not rule.numeric:
        return "no" if _is_tick(requirement) else None
    counted = _unit(requirement) in _DWELLS | _COUNTS
    return "0" if counted and rule.low is not None and rule.low > 0 else None


def typed_value(asked: Asked, text: str) -> str:
    """A value as the process log holds it, from what somebody typed or chose.

    Raises
    ------
    EntryError
        Blank, no number where one is needed, below zero for a time, or neither yes nor no for a tick.
    """
    if asked.control in ("timer", "number"):
        return _typed_number(asked, text)
    try:
        word = plain_text(text)
    except RefusedCell as refused:
        raise EntryError(run_on(refused.reason, refused.mend)) from refused
    if word is None:
        raise EntryError(t("Nothing was chosen for {reading}. Leave it open, or choose.", reading=asked.name))
    if asked.control == "tick":
        word = word.casefold()
        if word not in _TICKS:
            raise EntryError(t("“{seen}” is neither yes nor no. Choose one of them.", seen=shown(text)))
    return word


def _typed_number(asked: Asked, text: str) -> str:
    value = read_number(text)
    if value is None:
        raise EntryError(t("No number was typed for {reading}. Leave it open, or type one.", reading=asked.name))
    counted = _unit(asked.requirements[0]) in _DWELLS | _COUNTS
    if value < 0 and counted:
        raise EntryError(t("{seen} is below zero. Type {reading} again.", seen=f"{value:g}", reading=asked.name))
    return f"{value:.12g}"


def _unit(requirement: Requirement) -> str:
    return (requirement.unit or "").strip().casefold()


def _is_tick(requirement: Requirement) -> bool:
    words = {value.strip().casefold() for value in requirement.rule.values}
    return not requirement.rule.numeric and words <= _TICKS


def find_asked(standard: ProcessStandard, piece: Piece, step: str, reading: str, *, today: date) -> Asked:
    """The reading of this name, as the piece needs it.

    A reading that the standard names, but that no requirement of the day asks of this piece, is taken as
    the newest requirement has it: what was done may always be written down.

    Raises
    ------
    EntryError
        The standard names no such reading.
    """
    for one in asked_of(standard, piece, today=today).get(step, ()):
        if one.reading == reading:
            return one
    named = [one for one in standard.requirements if (one.step, one.reading) == (step, reading)]
    if not named:
        raise EntryError(
            t(
                "The process standard names no reading “{reading}” of the step “{step}”. Nothing was saved: choose a "
                "reading that it names.",
                reading=shown(reading),
                step=shown(step),
            )
        )
    newest = max(named, key=lambda one: one.valid_from)
    return Asked(step=step, reading=reading, requirements=(newest,))

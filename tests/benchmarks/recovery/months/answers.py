"""What a method says of a lab, in the same words for every method: signals by month, sources named, returns to come."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple

__all__ = ["ALL", "Answer", "Late", "Named", "Series", "new_signals"]

ALL: Final = "all"
#: Words that tell a signal of a fall from one of a rise.
_FALL: Final = ("below", "fall", "fewer", "lower", "less")


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Months of one defect, or of one factor.

    Attributes
    ----------
    judged : tuple of int
        Numbers of the months that were judged at all.
    rises, falls : tuple of int
        Months that carry a new signal in that direction: one that the month before does not carry.
    since : int, optional
        Month that the method gives as the beginning, at the end of the records.
    """

    judged: tuple[int, ...]
    rises: tuple[int, ...] = ()
    falls: tuple[int, ...] = ()
    since: int | None = None

    @property
    def signalled(self) -> tuple[int, ...]:
        """Months with a new signal of either direction."""
        return tuple(sorted({*self.rises, *self.falls}))


class Named(NamedTuple):
    """A lot or machine that stands out with a defect."""

    what: str
    step: str
    code: str
    defect: str


class Late(NamedTuple):
    """Returns of one month that are still to be entered, as told on one day."""

    day: int
    month: int
    defect: str
    estimate: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What one method says of one lab; None where it was not asked.

    Attributes
    ----------
    returns : mapping of str to Series
        By defect, with "all".
    missed, gaps : mapping of str to Series
        Shares missed and not recorded, by factor.
    named : tuple of Named
    late : tuple of Late
    tells_beginnings : bool
        Whether the method names the month in which a change began at all.
    seconds : float
        Processor time of this method.
    """

    returns: Mapping[str, Series] = field(default_factory=dict)
    missed: Mapping[str, Series] = field(default_factory=dict)
    gaps: Mapping[str, Series] = field(default_factory=dict)
    named: tuple[Named, ...] | None = None
    late: tuple[Late, ...] | None = None
    tells_beginnings: bool = False
    seconds: float = 0.0


def new_signals(signals: Iterable[tuple[int, Sequence[str]]]) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Months with a new rise, months with a new fall; `signals` are the judged months in order."""
    rises, falls = list[int](), list[int]()
    before: set[str] = set()
    for month, told in signals:
        new = set(told) - before
        fallen = {one for one in new if any(word in one for word in _FALL)}
        if fallen:
            falls.append(month)
        if new - fallen:
            rises.append(month)
        before = set(told)
    return tuple(rises), tuple(falls)

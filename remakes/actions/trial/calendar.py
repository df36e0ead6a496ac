"""The calendar of a trial: which group of benches works with the action from when to when."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.table import PatternTable

__all__ = ["Group", "Span", "bench_groups", "next_monday", "spans_of"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: More groups make a staggered start longer than most labs bear.
_MOST_GROUPS: Final = 4
#: Quarters at the end of the records by which benches count as still at work.
_RECENT: Final = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Technicians, by their codes, who change over on the same day.

    Attributes
    ----------
    name : str
    technicians : tuple of str
    share : float
        Of the deliveries that the trial is about.
    sd_factor : float
        How much less the group's mean differs by chance than one technician: root of the summed squares of shares.
    """

    name: str
    technicians: tuple[str, ...]
    share: float
    sd_factor: float

    def as_json(self) -> dict[str, Any]:
        """In the interchange format."""
        return {
            "group": self.name,
            "technicians": list(self.technicians),
            "share": self.share,
            "sd_factor": self.sd_factor,
        }

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> Group:
        """The group that `as_json` wrote."""
        return cls(
            name=stored["group"],
            technicians=tuple(stored["technicians"]),
            share=stored["share"],
            sd_factor=stored["sd_factor"],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """One stretch of days of one group; both days included."""

    group: str
    begins: date
    ends: date
    with_action: bool

    def as_json(self) -> dict[str, Any]:
        """In the interchange format."""
        return {
            "group": self.group,
            "begins": self.begins.isoformat(),
            "ends": self.ends.isoformat(),
            "with_action": self.with_action,
        }

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> Span:
        """The stretch that `as_json` wrote."""
        return cls(
            group=stored["group"],
            begins=date.fromisoformat(stored["begins"]),
            ends=date.fromisoformat(stored["ends"]),
            with_action=stored["with_action"],
        )


def bench_groups(table: PatternTable, rows: Flags, *, rng: np.random.Generator) -> tuple[Group, ...]:
    """Technicians in groups of like size, drawn within that.

    Parameters
    ----------
    table : PatternTable
    rows : (patterns,) array of bool
        Those the trial is about.
    rng : numpy Generator

    Returns
    -------
    tuple of Group
        At most four. Who delivered nothing in the last two quarters of the records is left out, unless nobody did.
    """
    person, quarter = table.attributes["technician"], table.attributes["quarter"]
    held = np.zeros((len(person.levels), len(quarter.levels)))
    np.add.at(held, (person.codes[rows], quarter.codes[rows]), table.restorations[rows])
    latest = np.argsort(quarter.levels)[-_RECENT:]
    work = held[:, latest].sum(axis=1)
    work = work if work.any() else held.sum(axis=1)
    present = [k for k in rng.permutation(len(work)) if work[k] > 0]
    size = min(_MOST_GROUPS, len(present))
    members: list[list[int]] = [[] for _ in range(size)]
    # The busiest benches are dealt out first, each to the group with least work so far.
    for k in sorted(present, key=lambda one: -work[one]):
        min(members, key=lambda group: sum(work[j] for j in group)).append(k)
    total = float(work.sum())
    return tuple(_group(chr(ord("A") + n), person.levels, work, total, who) for n, who in enumerate(members))


def _group(name: str, levels: Sequence[str], work: Floats, total: float, who: Sequence[int]) -> Group:
    own = work[list(who)]
    return Group(
        name=name,
        technicians=tuple(sorted(levels[k] for k in who)),
        share=float(own.sum()) / total,
        sd_factor=float(np.sqrt(np.sum((own / own.sum()) ** 2))),
    )


def next_monday(day: date) -> date:
    """The first Monday after a day."""
    return day + timedelta(days=7 - day.weekday())


def spans_of(weeks: Flags, *, groups: Sequence[str], starts_on: date) -> tuple[Span, ...]:
    """Weeks of each group in stretches that are all with the action or all without."""
    found = []
    for name, row in zip(groups, weeks, strict=True):
        edges = [0, *(int(k) + 1 for k in np.flatnonzero(row[1:] != row[:-1])), len(row)]
        found += [
            Span(
                group=name,
                begins=starts_on + timedelta(weeks=first),
                ends=starts_on + timedelta(weeks=end) - timedelta(days=1),
                with_action=bool(row[first]),
            )
            for first, end in pairwise(edges)
        ]
    return tuple(found)

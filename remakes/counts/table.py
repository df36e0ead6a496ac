"""The pattern table: all that the statistics ever see of the records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.deviations.detect import MET, MISSED, NOT_RECORDED

__all__ = [
    "BIN_EDGES",
    "BIN_LABELS",
    "DAYS_PER_MONTH",
    "Attribute",
    "FactorCounts",
    "PatternTable",
    "Readings",
    "months_within",
    "share_within",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Length of a month in days: a year of 365.25 days in twelve parts.
DAYS_PER_MONTH: Final = 30.4375

#: First months of the bins of time in service; the last bin is open. Within a bin the hazard is common.
BIN_EDGES: Final = (0, 1, 2, 4, 7, 13, 25)
BIN_LABELS: Final = ("0", "1", "2-3", "4-6", "7-12", "13-24", "25+")


def months_within(horizon: int) -> Floats:
    """Months of each bin that lie within the first `horizon` months of service, (bins,) array."""
    first = np.array(BIN_EDGES, dtype=np.float64)
    last = np.append(first[1:], np.inf)
    return np.clip(horizon - first, 0.0, last - first)


def share_within(horizon: int) -> Floats:
    """Share of each bin that lies within the horizon; of the open last bin all or nothing, (bins,) array."""
    first = np.array(BIN_EDGES, dtype=np.float64)
    last = np.append(first[1:], np.inf)
    share = np.divide(months_within(horizon), last - first, out=np.zeros(len(first)), where=np.isfinite(last))
    share[-1] = float(horizon > first[-1])
    return share


@dataclass(frozen=True, slots=True)
class Attribute:
    """One column of the adjustment pattern: a level number per pattern, and the levels' names."""

    codes: NDArray[np.intp]
    levels: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """What was written down for one factor: how many readings, how many different, which most often.

    `constant_by` names technicians whose readings (20 or more) are all the same.
    """

    recorded: int
    distinct: int
    commonest: str
    commonest_share: float
    constant_by: tuple[str, ...]
    late: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FactorCounts:
    """Restorations and first returns by status of one factor, for one defect."""

    met: int
    missed: int
    not_recorded: int
    returns_met: int
    returns_missed: int
    returns_not_recorded: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PatternTable:
    """Restorations at risk and returns, by pattern.

    A pattern is what the restorations of one row have in common: adjustment attributes and the status
    of every factor. Months at risk follow from delivery, removal and the end of observation.

    Attributes
    ----------
    factors, defects : tuple of str
        In order of work; in order of frequency, those with any return.
    status : (patterns, factors) array
        0 does not apply, 1 met, 2 missed, 3 not recorded.
    restorations : (patterns,) array
    at_risk : (patterns, bins) array
        Restoration-months in service, whether or not a defect was reported.
    attributes : mapping of str to Attribute
        technician, clinic, kind, ... ; see `patterns.ATTRIBUTES`.
    event_pattern, event_defect, event_bin, event_count : (events,) arrays
        First returns per defect.
    event_lost : (events, bins) array
        Months in service after those first returns, which are no longer at risk for that defect.
    event_early : (events,) array
        How many of the returns were found up to delivery.
    observed_until, first_delivered, last_delivered : date
    returns : int
        Returned restorations and defects in all, first ones only.
    readings : mapping of str to Readings
        By factor; factors without any reading are missing.
    """

    factors: tuple[str, ...]
    defects: tuple[str, ...]
    status: NDArray[np.int8]
    restorations: Ints
    at_risk: Floats
    attributes: Mapping[str, Attribute]
    event_pattern: NDArray[np.intp]
    event_defect: NDArray[np.intp]
    event_bin: NDArray[np.intp]
    event_count: Ints
    event_lost: Floats
    event_early: Ints
    observed_until: date
    first_delivered: date
    last_delivered: date
    returns: int
    readings: Mapping[str, Readings]

    @property
    def patterns(self) -> int:
        """Number of rows."""
        return int(self.status.shape[0])

    def events_of(self, defect: str) -> tuple[Floats, Floats]:
        """At risk and returns for one defect.

        Returns
        -------
        at_risk, events : (patterns, bins) arrays
        """
        chosen = self.event_defect == self.defects.index(defect)
        at_risk = self.at_risk.copy()
        np.subtract.at(at_risk, self.event_pattern[chosen], self.event_lost[chosen])
        events = np.zeros_like(at_risk)
        np.add.at(events, (self.event_pattern[chosen], self.event_bin[chosen]), self.event_count[chosen])
        return at_risk, events

    def returns_by_pattern(self, defect: str) -> Ints:
        """First returns with one defect, by pattern."""
        chosen = self.event_defect == self.defects.index(defect)
        counts = np.bincount(self.event_pattern[chosen], self.event_count[chosen], minlength=self.patterns)
        return counts.astype(np.int64)

    def early_returns(self, defect: str) -> int:
        """How many first returns with one defect were found up to delivery rather than in service."""
        return int(self.event_early[self.event_defect == self.defects.index(defect)].sum())

    def status_of(self, factor: str) -> NDArray[np.int8]:
        """Status codes of one factor, by pattern."""
        column: NDArray[np.int8] = self.status[:, self.factors.index(factor)]
        return column

    def counts(self, factor: str, defect: str) -> FactorCounts:
        """Restorations and first returns by status."""
        status, returned = self.status_of(factor), self.returns_by_pattern(defect)

        def of(code: int) -> tuple[int, int]:
            rows = status == code
            return int(self.restorations[rows].sum()), int(returned[rows].sum())

        (met, returns_met), (missed, returns_missed), (unknown, returns_unknown) = map(of, (MET, MISSED, NOT_RECORDED))
        return FactorCounts(
            met=met,
            missed=missed,
            not_recorded=unknown,
            returns_met=returns_met,
            returns_missed=returns_missed,
            returns_not_recorded=returns_unknown,
        )

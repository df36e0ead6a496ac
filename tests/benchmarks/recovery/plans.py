"""What a lab is made of: the numbers that a scenario may change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = ["BadLot", "Cause", "Chain", "Plan", "Together"]


@dataclass(frozen=True, slots=True)
class Cause:
    """A miss multiplies the monthly odds of a defect by exp(log_odds)."""

    factor: str
    defect: str
    log_odds: float


@dataclass(frozen=True, slots=True)
class Chain:
    """A miss of an early step raises the log-odds of missing a later one."""

    early: str
    late: str
    log_odds: float


@dataclass(frozen=True, slots=True)
class Together:
    """Two misses on one restoration add this to the log-odds of a defect, beyond what each does alone."""

    one: str
    other: str
    defect: str
    log_odds: float


@dataclass(frozen=True, slots=True)
class BadLot:
    """For some weeks a share of the work has a bad lot in it; a harmless step is missed more in those weeks."""

    defect: str
    log_odds: float
    weeks: int
    share: float
    harmless: str
    missed_more: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One lab before anything is drawn. Effects are on the log-odds scale.

    Attributes
    ----------
    restorations, months, technicians, clinics : int
        How many, and over how many months they are delivered; observation ends with them.
    returns : int
        Expected number of first returns.
    case_size : float
        Mean number of restorations in an order; those of one order share clinic, technician, day and tags.
    case_spread : float
        Standard deviation of what the restorations of an order share in their returns, unseen by any record.
    causes : tuple of Cause
    chains, together, bad_lot
        See there.
    seniors_get_hard : float
        How strongly hard cases go to seniors.
    hard_misses, hard_returns : float
        Effect of a case's difficulty on every miss and on every return.
    technician_returns, clinic_returns : float
        Standard deviation of what is the technician's or clinic's own, whatever is missed.
    clinic_rush : float
        Standard deviation of how much clinics press for time.
    silent_clinics : float
        Share of the clinics that report next to nothing.
    rush_returns : float
        Effect of a rush order on every return beyond its misses.
    haste : float
        Standard deviation of one restoration's haste, which all its misses share.
    shared_misses : float
        Share (0-1) of the chance in a miss that the restorations of an order have in common.
    gaps : float
        Usual share of readings not recorded.
    gap_if_missed, gap_if_rush : float
        Effect of a miss, of a rush, on a reading not being recorded.
    misreported : float
        Share of the misses that the log calls met.
    back_filled : float
        Share of returned restorations whose slip is filled in as met afterwards.
    back_filled_unstamped : float
        Share of these that carry no time of writing.
    recent_weeks : int
        Length of the recent period at the end.
    recent_volume : float
        Deliveries of the recent period, relative to before.
    recent_misses : mapping of str to float
        Effect of the recent period on the misses of a factor.
    only_recent, only_technician : str
        Factor missed only in the recent period, or only by one technician; blank: none.
    recent_returns : mapping of str to float
        Effect of being made in the recent period on a defect.
    only_technician_returns : mapping of str to float
        Effect of being made by that one technician on a defect.
    """

    restorations: int = 4000
    months: int = 28
    technicians: int = 6
    clinics: int = 24
    returns: int = 300
    case_size: float = 1.0
    case_spread: float = 0.0
    causes: tuple[Cause, ...] = ()
    chains: tuple[Chain, ...] = ()
    together: tuple[Together, ...] = ()
    bad_lot: BadLot | None = None
    seniors_get_hard: float = 0.6
    hard_misses: float = 0.15
    hard_returns: float = 0.35
    technician_returns: float = 0.15
    clinic_returns: float = 0.3
    clinic_rush: float = 0.3
    silent_clinics: float = 0.0
    rush_returns: float = 0.1
    haste: float = 0.3
    shared_misses: float = 0.0
    gaps: float = 0.08
    gap_if_missed: float = 0.0
    gap_if_rush: float = 0.5
    misreported: float = 0.02
    back_filled: float = 0.0
    back_filled_unstamped: float = 0.2
    recent_weeks: int = 18
    recent_volume: float = 1.0
    recent_misses: Mapping[str, float] = field(default_factory=dict)
    only_recent: str = ""
    only_technician: str = ""
    recent_returns: Mapping[str, float] = field(default_factory=dict)
    only_technician_returns: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for share in (self.silent_clinics, self.shared_misses, self.gaps, self.misreported, self.back_filled):
            if not 0.0 <= share < 1.0:
                raise ValueError(f"A share of {share}. Need 0 or more and less than 1. Correct the scenario's plan.")

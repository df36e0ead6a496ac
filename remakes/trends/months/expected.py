"""What was to be expected of each month before it was seen: from earlier months, by age in service and case mix."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.calendar import CalendarCounts
from remakes.trends.months.common_variation import overdispersion
from remakes.trends.months.hazards import learn
from remakes.trends.months.signals import GUARD_MONTHS, REFERENCE_MONTHS

__all__ = ["MIN_REFERENCE_MONTHS", "MIN_REFERENCE_RETURNS", "Expected", "expect"]

Floats = NDArray[np.float64]

#: Under so many months, or returns in them, nothing is expected of a month.
MIN_REFERENCE_MONTHS: Final = 9
MIN_REFERENCE_RETURNS: Final = 10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Expected:
    """Beforehand, of each month; (months,) arrays, nan where the months before teach too little.

    Attributes
    ----------
    returns : array
        Expected to be entered by now.
    information : array
        As many returns would give the expectation its uncertainty, were it a mean of counts: its squared coefficient
        of variation is one over this.
    overdispersion : array
        Squared coefficient of variation of the monthly rate, from the same earlier months.
    reference_returns : array
        Returns in the months it was learned from.
    """

    returns: Floats
    information: Floats
    overdispersion: Floats
    reference_returns: Floats

    @property
    def dispersion(self) -> Floats:
        """Of a count around its expected: what months vary by, and what is uncertain of the expectation."""
        return self.overdispersion + 1.0 / self.information


def expect(calendar: CalendarCounts, at_risk: Floats, events: Floats, *, entered: Floats) -> Expected:
    """How many returns were to be expected of each month, before it was seen?

    Parameters
    ----------
    calendar : CalendarCounts
        For the case mix of the cells.
    at_risk, events : (months, bins, cells) arrays
        Of one defect, or of all.
    entered : (months,) array
        Share of each month's returns that are entered by now, above 0 and up to 1.

    Notes
    -----
    A month is expected from the up to 24 months that lie before it and before the three latest ones. Its uncertainty
    is that of the hazards by age, weighted as the month needs them; relative risks of the case mix count as known,
    since they move an expectation only by as much as the case mix changes.
    """
    months = len(calendar.months)
    judged = list(range(MIN_REFERENCE_MONTHS + GUARD_MONTHS, months))
    found = {
        name: np.full(months, np.nan) for name in ("returns", "information", "overdispersion", "reference_returns")
    }
    counts = events.sum(axis=(1, 2))
    for month in judged:
        first, after = _window(month)
        found["reference_returns"][month] = counts[first:after].sum()
    # Nothing is learned from windows that hold too little; most defects of a small lab end here.
    judged = [k for k in judged if found["reference_returns"][k] >= MIN_REFERENCE_RETURNS]
    windows = [_window(k) for k in judged]
    if not judged:
        return Expected(**found)
    seen = at_risk * entered[:, None, None]
    learned = learn(seen, events, calendar.attributes, windows=windows)
    by_age = np.einsum("mbc,wc->wmb", seen, learned.relative, optimize=True) * learned.by_age[:, None, :]
    for row, (month, (first, after)) in enumerate(zip(judged, windows, strict=True)):
        parts = by_age[row, month]
        if parts.sum() <= 0.0:
            continue
        found["returns"][month] = parts.sum()
        found["information"][month] = min(
            parts.sum() ** 2 / (parts**2 / learned.age_returns[row]).sum(), learned.returns[row]
        )
        found["overdispersion"][month] = overdispersion(counts[first:after], by_age[row, first:after].sum(axis=1))
    return Expected(**found)


def _window(month: int) -> tuple[int, int]:
    """The months that a month is expected from: the first of them, and the one after the last."""
    after = month - GUARD_MONTHS
    return max(0, after - REFERENCE_MONTHS), after

"""Which share came back by when, where a remake can come first.

Cumulative incidence by Aalen and Johansen: a restoration that was remade for another reason can no longer come back
with this defect, and is neither a success nor merely unseen. One minus Kaplan-Meier takes it for unseen and so answers
how many would come back if nothing was ever remade, which is too high; it is given beside, for comparison.

Own code because the library's estimator has no standard error for counts; it is the witness in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from remakes.errors import TableError
from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.evidence.tables.fourfold import normal_quantile

if TYPE_CHECKING:
    from remakes.counts.service import ServiceMonths

__all__ = ["CumulativeIncidence", "cumulative_incidence", "incidence_in_service"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CumulativeIncidence:
    """The share that came back with one defect, by time since delivery; a step function that jumps at `months`.

    Attributes
    ----------
    months : (times,) array
        Time since delivery, ascending. In service the value at m months counts what came back in the first m months;
        0 holds what was found up to delivery.
    at_risk : (times,) array
        Neither returned with the defect, nor remade, nor out of observation before this time (the month that ends
        at it).
    events, removed : (times,) array
        Returns with the defect; remakes for another reason.
    incidence, low, high : (times,) array
        Aalen-Johansen estimate and its pointwise interval. Before the first return low is 0 and high is the exact
        binomial limit for no return among those still at risk. All are nan where nobody is at risk any more; low and
        high are nan where the incidence is 1.
    se : (times,) array
        Standard error on the scale of the incidence.
    one_minus_km : (times,) array
        One minus Kaplan-Meier with remakes taken for ends of observation: too high as a share of what was delivered.
    level : float
        Confidence level of the interval.
    """

    months: Floats
    at_risk: Floats
    events: Floats
    removed: Floats
    incidence: Floats
    low: Floats
    high: Floats
    se: Floats
    one_minus_km: Floats
    level: float

    def within(self, months: float) -> Estimate:
        """Which share came back within so many months? Unknown before the first time and past the last."""
        if not len(self.months) or not self.months[0] <= months <= self.months[-1]:
            return UNKNOWN
        at = int(np.searchsorted(self.months, months, side="right")) - 1
        return Estimate(float(self.incidence[at]), float(self.low[at]), float(self.high[at]))

    def still_at_risk(self, months: float) -> int:
        """How many are at risk after so many months, that is, at the start of the next one?"""
        at = int(np.searchsorted(self.months, months, side="right"))
        return int(self.at_risk[at]) if at < len(self.months) else 0

    def as_json(self) -> dict[str, Any]:
        """Lists by name; what is not a finite number becomes null."""
        names = ("months", "at_risk", "events", "removed", "incidence", "low", "high", "one_minus_km")
        return {
            name: [float(value) if isfinite(value) else None for value in getattr(self, name)] for name in names
        } | {"level": self.level}


def cumulative_incidence(
    *, months: ArrayLike, at_risk: ArrayLike, events: ArrayLike, removed: ArrayLike, level: float = 0.95
) -> CumulativeIncidence:
    """Which share has the event by when, where removal can come first?

    Parameters
    ----------
    months : (times,) array_like
        Ascending. Times without an event or a removal may be left out.
    at_risk, events, removed : (times,) array_like
        Whole numbers: at risk just before each time, with the event at it, removed at it. Whoever is censored at a
        time counts as at risk at it.
    level : float
        Confidence level, a fraction in (0, 1).

    Returns
    -------
    CumulativeIncidence
        Empty arrays for empty arrays. Without removals it is one minus Kaplan-Meier.

    Raises
    ------
    TableError
        Times that do not ascend, shapes that differ, or counts that cannot be: broken, negative, more leaving than
        at risk, more at risk than the time before left.

    Notes
    -----
    At each time S is multiplied by 1 - (events + removed) / at risk, and the incidence grows by S before x events /
    at risk. The variance is that of Dinse and Larson, by the delta method, which equals the infinitesimal jackknife of
    R's `survival` for unweighted data; with no removal it is Greenwood's. The interval is symmetric for
    log(-log(1 - incidence)), so it stays within 0 and 1 and, with no removal, is the usual log-log interval of
    Kaplan-Meier. It assumes restorations that fail independently; those of one case need not.

    References
    ----------
    Aalen OO, Johansen S. Scandinavian Journal of Statistics 5:141-150 (1978). Dinse GE, Larson MG. Biometrika
    73:379-386 (1986). Formula also in Marubini E, Valsecchi MG. Analysing Survival Data (Wiley 1995), from memory.
    """
    t, n, d, r = _checked(months, at_risk, events, removed)
    some = n > 0
    hazard, left = _share(d, n), _share(d + r, n)
    surviving = np.cumprod(1.0 - left)
    before: Floats = np.append(1.0, surviving)[: len(t)]
    incidence = np.where(some, np.cumsum(before * hazard), np.nan)
    se = _standard_error(incidence, before=before, n=n, d=d, leaving=d + r)
    low, high = _interval(incidence, se, n=n, level=level)
    return CumulativeIncidence(
        months=t,
        at_risk=n,
        events=d,
        removed=r,
        incidence=incidence,
        low=low,
        high=high,
        se=se,
        one_minus_km=np.where(some, 1.0 - np.cumprod(1.0 - hazard), np.nan),
        level=level,
    )


def incidence_in_service(service: ServiceMonths, *, level: float = 0.95) -> CumulativeIncidence:
    """Which share of these restorations came back with the defect, found up to delivery or within m months?

    Parameters
    ----------
    service : ServiceMonths
        One group and defect.
    level : float
        Confidence level, a fraction in (0, 1).

    Notes
    -----
    Time 0 holds what was found up to delivery, of all restorations; time m what came back by the end of the m-th
    month. The curve ends with the last month in which somebody is at risk.
    """
    watched = int(np.count_nonzero(service.at_risk))
    early = int(service.early.sum())
    start = 1 if service.restorations else 0

    def joined(at_zero: int, monthly: NDArray[np.int64]) -> Floats:
        return np.concatenate([np.full(start, float(at_zero)), monthly[:watched].astype(np.float64)])

    return cumulative_incidence(
        months=np.arange(1 - start, watched + 1),
        at_risk=joined(service.restorations, service.at_risk),
        events=joined(early, service.events),
        removed=joined(0, service.removed),
        level=level,
    )


def _checked(
    months: ArrayLike, at_risk: ArrayLike, events: ArrayLike, removed: ArrayLike
) -> tuple[Floats, Floats, Floats, Floats]:
    t, n, d, r = (np.atleast_1d(np.asarray(a, dtype=np.float64)) for a in (months, at_risk, events, removed))
    if t.ndim != 1 or not t.shape == n.shape == d.shape == r.shape:
        raise TableError(
            f"Times of shape {t.shape} came with counts of {n.shape}, {d.shape} and {r.shape}. "
            "Need one number at risk, of events and of removals for each time."
        )
    if not (np.isfinite(t).all() and np.all(np.diff(t) > 0)):
        raise TableError("The times do not ascend or are broken. Sort the counts by time and sum those of one time.")
    leaving = d + r
    stay = np.append(np.inf, n[:-1] - leaving[:-1]) if len(t) else n
    possible = (d >= 0) & (r >= 0) & (leaving <= n) & (n <= stay) & np.isfinite(n)
    possible &= (d == np.floor(d)) & (r == np.floor(r)) & (n == np.floor(n))
    if not possible.all():
        at = int(np.argmin(possible))
        raise TableError(
            f"At time {t[at]:g}: {d[at]:g} events and {r[at]:g} removals of {n[at]:g} at risk, with {stay[at]:g} left "
            "by the time before. Need whole numbers, no more leaving than at risk, no more at risk than were left. "
            "Count each restoration at every time until it leaves."
        )
    return t, n, d, r


def _share(part: Floats, whole: Floats) -> Floats:
    return np.divide(part, whole, out=np.zeros_like(whole), where=whole > 0)


def _standard_error(incidence: Floats, *, before: Floats, n: Floats, d: Floats, leaving: Floats) -> Floats:
    """Dinse and Larson's standard error: one sum over the times so far, its squares multiplied out."""
    # Once everybody has left, later differences of the incidence are 0 and so is their share in the sum.
    left = _share(leaving, n * (n - leaving))
    now = _share(before * d, n * n)
    known = np.nan_to_num(incidence)
    by_survival = (
        known**2 * np.cumsum(left) - 2.0 * known * np.cumsum(known * left) + np.cumsum(known**2 * left)
    )  # sum of (F(t) - F(k))^2 times Greenwood's term at k
    by_hazard = np.cumsum(_share(before**2 * d * (n - d), n**3))
    together = known * np.cumsum(now) - np.cumsum(known * now)
    variance = by_survival + by_hazard - 2.0 * together
    return np.where(np.isfinite(incidence), np.sqrt(np.maximum(variance, 0.0)), np.nan)


def _interval(incidence: Floats, se: Floats, *, n: Floats, level: float) -> tuple[Floats, Floats]:
    z = normal_quantile(level)
    # A sum of shares reaches 1 only up to rounding.
    inside = (incidence > 0) & (incidence < 1.0 - 1e-12)
    kept = np.where(inside, 1.0 - incidence, 0.5)
    reach = np.exp(z * np.where(inside, se, 0.0) / (kept * -np.log(kept)))
    none = incidence == 0
    highest_of_none = 1.0 - ((1.0 - level) / 2.0) ** (1.0 / np.maximum(n, 1.0))
    low = np.where(none, 0.0, np.where(inside, 1.0 - kept ** (1.0 / reach), np.nan))
    high = np.where(none, highest_of_none, np.where(inside, 1.0 - kept**reach, np.nan))
    return low, high

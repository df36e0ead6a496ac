"""Which share of all returns has been entered so many days after the report: a curve from reverse-time hazards.

The delay of a return is seen only if it is over: of last week's returns only the quick ones are in the records. Taken
forwards such delays look too short. Taken backwards they do not: among the returns entered within d days, of weeks so
long past that a delay of d days would be seen, the share with a delay of exactly d is what it should be. The product of
what these shares leave is the curve.

Nothing is known of delays longer than the longest one that can have been seen; the curve is 1 from there on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from remakes.errors import TableError
from remakes.texts import t

__all__ = ["DelayCurve", "RiskSets", "reverse_time_curve", "risk_sets"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RiskSets:
    """What reverse-time hazards are made of, by group of returns (such as a week of reports) and delay.

    Attributes
    ----------
    entered : (groups, delays) array
        Entries with exactly this delay.
    at_risk : (groups, delays) array
        Entries with at most this delay, among those reported so long ago that it could have been seen.
    """

    entered: Floats
    at_risk: Floats

    def curve(self) -> DelayCurve:
        """The curve of all groups together."""
        return reverse_time_curve(self.entered.sum(axis=0), self.at_risk.sum(axis=0))

    def resampled(self, draws: int, generator: np.random.Generator) -> DelayCurve:
        """Curves with the groups drawn anew: how much might the curve differ, had other weeks been seen?

        Groups are weighted, not single entries, because one batch of paper is entered in one go. Weights are
        exponential, so no delay ever drops out.
        """
        weights = generator.standard_exponential((draws, len(self.entered)))
        return reverse_time_curve(weights @ self.entered, weights @ self.at_risk)

    def slower(self, chosen: NDArray[np.bool_]) -> float:
        """Do the chosen groups wait longer than the others? A log-rank test in reverse time.

        Returns
        -------
        float
            Standard normal if there is no difference, positive if the chosen groups wait longer; 0 where nothing can
            be compared. Takes entries as independent.
        """
        entered, at_risk = self.entered.sum(axis=0), self.at_risk.sum(axis=0)
        some = at_risk > 1
        n, risk, mine = entered[some], at_risk[some], self.at_risk[chosen].sum(axis=0)[some]
        difference = float((self.entered[chosen].sum(axis=0)[some] - mine * n / risk).sum())
        variance = float((mine * (risk - mine) * n * (risk - n) / (risk**2 * (risk - 1.0))).sum())
        return difference / variance**0.5 if variance > 0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DelayCurve:
    """One curve, or many at once in leading axes.

    Attributes
    ----------
    reverse_hazard : (..., delays) array
        Share with exactly this delay among those with at most this delay.
    entered_by : (..., delays) array
        Share entered by this delay of all that are ever entered; 1 in the last place.
    """

    reverse_hazard: Floats
    entered_by: Floats

    @property
    def longest(self) -> int:
        """The longest delay known of; the curve is 1 from there on."""
        return int(self.entered_by.shape[-1]) - 1

    def within(self, age: ArrayLike) -> Floats:
        """Share entered by so many units of time after the report, (..., ages) array; 0 before the report."""
        ages = np.asarray(age, dtype=np.int64)
        return np.where(ages < 0, 0.0, self.entered_by[..., np.clip(ages, 0, self.longest)])

    def quantile(self, share: float) -> int:
        """The delay by which at least this share is entered; of one curve."""
        return int(np.argmax(self.entered_by >= share - 1e-12))


def risk_sets(*, group: ArrayLike, delay: ArrayLike, age: ArrayLike, count: ArrayLike) -> RiskSets:
    """Sum entries into the risk sets of reverse-time hazards.

    Parameters
    ----------
    group, delay, age, count : (entries,) array_like
        Number of the group from 0 on; delay from the report to the entry; time from the report to the last moment at
        which an entry could have been seen; how many entries. Whole numbers, no delay longer than its age.

    Raises
    ------
    TableError
        Nothing entered, negative delays or delays longer than their age.
    """
    g, d, a, n = (np.atleast_1d(np.asarray(one, dtype=np.int64)) for one in (group, delay, age, count))
    if not n.sum() or d.min() < 0 or np.any(d > a):
        raise TableError(
            t(
                "{n} entries, the shortest delay {d}, {value} delays longer than could have been seen. Need "
                "at least one entry and delays from 0 to the age. Leave out entries made later.",
                n=int(n.sum()),
                d=int(d.min(initial=0)),
                value=int((d > a).sum()),
            )
        )
    days = int(d.max()) + 1
    shape = (int(g.max()) + 1, days)
    entered, at_risk = np.zeros(shape), np.zeros((shape[0], days + 1))
    np.add.at(entered, (g, d), n)
    # An entry is at risk at every delay from its own up to its age: one step up and one step down, then summed.
    np.add.at(at_risk, (g, d), n)
    np.subtract.at(at_risk, (g, np.minimum(a + 1, days)), n)
    return RiskSets(entered=entered, at_risk=at_risk.cumsum(axis=1)[:, :days])


def reverse_time_curve(entered: ArrayLike, at_risk: ArrayLike) -> DelayCurve:
    """The share entered by each delay, allowing for returns whose entry is still to come.

    Parameters
    ----------
    entered, at_risk : (..., delays) array_like
        As in `RiskSets`, summed over groups.

    Notes
    -----
    F(x) is the product over d > x of 1 - entered(d) / at risk(d): the maximum likelihood estimate for delays cut off on
    the right, and the same as that of a Poisson model with a row for each time of report and a column for each delay. A
    delay that nothing could be seen at has hazard 0.

    References
    ----------
    Kalbfleisch JD, Lawless JF. Inference based on retrospective ascertainment. J Am Stat Assoc 84:360-372 (1989).
    Lawless JF. Adjustments for reporting delays and the prediction of occurred but not reported events. Can J Stat
    22:15-31 (1994).
    """
    n, risk = np.asarray(entered, dtype=np.float64), np.asarray(at_risk, dtype=np.float64)
    hazard = np.divide(n, risk, out=np.zeros_like(n), where=risk > 0)
    # The shortest delay of all has hazard 1, and nothing is entered before it.
    kept = 1.0 - hazard[..., 1:]
    longer = np.cumprod(kept[..., ::-1], axis=-1)[..., ::-1]
    share = np.concatenate([longer, np.ones((*n.shape[:-1], 1))], axis=-1)
    return DelayCurve(reverse_hazard=hazard, entered_by=share)

"""Name the sources that stand out, one after the other, each allowing for those already named.

Sources share restorations. The bonding lot of the weeks in which a bad opaquer lot was used has too many returns as
well, and would be named with it. So the one that explains the returns best is named first; then all rows made with it
count as many times expected as it had too many, and the others are judged again. In simulated labs this took false
names down from every second lab to about one of ten; what remains are mostly lots used together so closely that the
returns cannot tell them apart, and these are told as such.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.evidence.tables.multiplicity import benjamini_hochberg
from remakes.trends.sources.standardized import Compared, Totals
from remakes.trends.sources.standing_out import FALSE_NAMES, StandingOut, spread_of_the_others, standing_out

__all__ = ["Judgement", "judge"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Log-likelihood within which another source explains the returns about as well (half of the 95 % point of chi-square
#: with one degree of freedom).
_AS_WELL: Final = 1.92
#: Names after which the search ends: a lab with more bad sources than this has other worries.
_MOST_NAMES: Final = 12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Judgement:
    """All pairs of source and defect, "all" the last defect; (sources, defects) arrays.

    Attributes
    ----------
    observed, expected : arrays
        First returns; expected at the rate of the others of the step, sources named before allowed for.
    p, q : arrays
        One-sided exact p, and q of Benjamini and Hochberg with the allowances for weights; nan where not tested.
    named : array
        Whether it stands out.
    rivals : mapping of (source, defect) to tuple of int
        For those named: sources that explain the same returns about as well.
    """

    observed: Floats
    expected: Floats
    p: Floats
    q: Floats
    named: Flags
    rivals: dict[tuple[int, int], tuple[int, ...]]

    @property
    def tested(self) -> int:
        """Number of pairs tested together."""
        return int(np.isfinite(self.p).sum())


def judge(compared: Compared, weight: Floats, *, risk: float = FALSE_NAMES) -> Judgement:
    """Which sources stand out, at a risk of any false name kept for all pairs together?

    Parameters
    ----------
    compared : Compared
    weight : (sources, defects) array
        Plausibility, for `standing_out`; 0: not tested.
    risk : float

    Notes
    -----
    Suspects are first found against chance alone. How much ordinary sources differ is then estimated from the rest,
    with what the suspects explain allowed for, since one bad source would pass for a large spread and hide the others;
    and each suspect has to stand out against that spread as well. Single defects come before "all", which is named
    only for what they leave.
    """
    search = _Search(compared, weight, risk)
    suspects = search.suspects()
    spread = search.spread_beside(suspects)
    return search.judgement(suspects, spread)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Suspect:
    """A pair beyond chance: how many times too many returns its rows have, and who explains them about as well."""

    source: int
    defect: int
    times: float
    rivals: tuple[int, ...]


class _Search:
    """The steps of `judge`, which share the counts, the plausibility and the risk."""

    def __init__(self, compared: Compared, weight: Floats, risk: float) -> None:
        self.compared, self.weight, self.risk = compared, weight, risk

    def suspects(self) -> list[_Suspect]:
        """Pairs that stand out against chance, the one that explains most first, each beside those before it."""
        found: list[_Suspect] = []
        while len(found) < _MOST_NAMES:
            totals = self._allowing_for(found)
            beyond = self._tested(totals, np.zeros(self.compared.shape)).chance <= self.risk
            for one in found:
                beyond[one.source, one.defect] = False
            if not beyond.any():
                break
            found.append(_suspect(totals, beyond))
        return found

    def spread_beside(self, suspects: list[_Suspect]) -> Floats:
        """Spread of ordinary sources, from plausible single defects: "all" would count every return twice."""
        totals = self._allowing_for(suspects)
        usable = self.weight >= 1.0
        usable[:, -1] = False
        for one in suspects:
            usable[one.source, one.defect] = False
        source = np.broadcast_to(np.arange(len(usable))[:, None], usable.shape)
        found = spread_of_the_others(
            observed=totals.observed.ravel(),
            total=totals.of_step.ravel(),
            share=np.where(usable, totals.share, np.nan).ravel(),
            source=source.ravel(),
        )
        return found.reshape(usable.shape)

    def judgement(self, suspects: list[_Suspect], spread: Floats) -> Judgement:
        """Each suspect beside the others that are left; then all other pairs beside those named."""
        left = list(suspects)
        kept: dict[tuple[int, int], tuple[float, float, float]] = {}
        for one in suspects:
            at = (one.source, one.defect)
            totals = self._allowing_for([other for other in left if other is not one])
            tested = self._tested(totals, spread)
            if tested.chance[at] <= self.risk:
                kept[at] = float(totals.expected[at]), float(tested.p[at]), float(tested.allowance[at])
            else:
                left.remove(one)
        totals = self._allowing_for(left)
        rest = self._tested(totals, spread)
        expected, p, allowance = totals.expected, rest.p.copy(), rest.allowance.copy()
        named = np.zeros(self.compared.shape, dtype=np.bool_)
        for at, (own_expected, own_p, own_allowance) in kept.items():
            expected[at], p[at], allowance[at], named[at] = own_expected, own_p, own_allowance, True
        return Judgement(
            observed=totals.observed,
            expected=expected,
            p=p,
            q=_q(p, allowance),
            named=named,
            rivals={(one.source, one.defect): one.rivals for one in left},
        )

    def _allowing_for(self, suspects: list[_Suspect]) -> Totals:
        times = np.ones(self.compared.expected.shape)
        for one in suspects:
            every = one.defect == len(self.compared.defects)
            columns = slice(None) if every else slice(one.defect, one.defect + 1)
            times[self.compared.rows_of(one.source), columns] *= one.times
        return self.compared.totals(times)

    def _tested(self, totals: Totals, spread: Floats) -> StandingOut:
        shape = self.compared.shape
        found = standing_out(
            observed=totals.observed.ravel(),
            total=totals.of_step.ravel(),
            share=np.where(self.weight > 0, totals.share, np.nan).ravel(),
            spread=spread.ravel(),
            weight=self.weight.ravel(),
            risk=self.risk,
        )
        return StandingOut(
            p=found.p.reshape(shape), allowance=found.allowance.reshape(shape), chance=found.chance.reshape(shape)
        )


def _suspect(totals: Totals, beyond: Flags) -> _Suspect:
    """Of the pairs beyond chance the one that explains most; "all" only where nothing else is left."""
    explained: Floats = np.where(beyond, _explained(totals), -np.inf)
    if beyond[:, :-1].any():
        explained[:, -1] = -np.inf
    source, defect = divmod(int(np.argmax(explained)), beyond.shape[1])
    seen, share = totals.observed[source, defect], totals.share[source, defect]
    rest = max(totals.of_step[source, defect] - seen, 0.5)
    of_all = _explained(totals)[:, defect]
    as_well = np.flatnonzero(of_all >= of_all[source] - _AS_WELL)
    return _Suspect(
        source=source,
        defect=defect,
        times=float((seen / rest) / (share / (1.0 - share))),
        rivals=tuple(int(other) for other in as_well if other != source),
    )


def _q(p: Floats, allowance: Floats) -> Floats:
    tested = np.isfinite(p)
    q = np.full(p.shape, np.nan)
    if tested.any():
        weights = allowance[tested]
        q[tested] = benjamini_hochberg(p[tested], weights=weights if weights.any() else None)
    return q


def _explained(totals: Totals) -> Floats:
    """Log-likelihood that a ratio of its own gains each source that has too many; 0 for the others."""
    seen, of, share = totals.observed, totals.of_step, totals.share
    part = np.divide(seen, of, out=np.zeros_like(seen), where=of > 0)
    more = (part > share) & (share > 0) & (share < 1)
    gained = np.zeros_like(seen)
    o, n, s, f = seen[more], of[more], share[more], part[more]
    gained[more] = o * np.log(f / s) + np.where(n > o, (n - o) * np.log(np.maximum(1.0 - f, 1e-12) / (1.0 - s)), 0.0)
    return gained

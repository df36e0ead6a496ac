"""Which of many sources has more returns than its kind, at a risk of naming an innocent one that is kept low?

One pair of source and defect is judged given all returns of its step with that defect: how likely would so many of
them have fallen to this source, had only its share counted? That is exact, and it allows for the rate of the others
being known from their returns only. Sources of one kind that differ among each other more than chance lets them make
the question milder: to stand out is to stand out against them.

A lab has a hundred pairs and more, and one risk of a false name for all together. It is not dealt out evenly, since a
pair with one return expected can show nothing, and one with fifty shows everything at a hundredth of the share. Most is
found when every pair is named from the same likelihood ratio on, that of a source multiplying the defect against that
of one like the others. What a pair gets depends on its share and the returns of its step, not on which source had them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaln

from remakes.errors import TableError
from remakes.texts import t

__all__ = ["FALSE_NAMES", "StandingOut", "spread_of_the_others", "standing_out"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

#: Labs of a hundred in which chance alone may name any source at all, as a share.
FALSE_NAMES: Final = 0.05
#: What a source worth naming may multiply a defect by; each with the same weight in the likelihood ratio.
_MULTIPLIES: Final = (1.5, 2.0, 3.0)
#: Variances of the ratios of ordinary sources of one kind that are weighed against each other; 0 is chance alone.
_SPREADS: Final = np.concatenate([[0.0], np.geomspace(0.005, 1.0, 24)])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StandingOut:
    """The judgement of a family of pairs; all arrays have the shape of the pairs.

    Attributes
    ----------
    p : (pairs,) array
        One-sided: so many returns or more, given those of the step. nan where not tested.
    allowance : (pairs,) array
        The p up to which the pair is named; they add up to no more than the risk of a false name. 0 where not tested.
    chance : (pairs,) array
        Expected number of pairs of the whole family that chance alone lifts to the strength of this one or beyond. At
        most the risk: named. nan where not tested.
    """

    p: Floats
    allowance: Floats
    chance: Floats

    @property
    def tested(self) -> int:
        """Size of the family."""
        return int(np.isfinite(self.p).sum())


def standing_out(
    *,
    observed: ArrayLike,
    total: ArrayLike,
    share: ArrayLike,
    spread: ArrayLike = 0.0,
    weight: ArrayLike = 1.0,
    risk: float = FALSE_NAMES,
) -> StandingOut:
    """Which pairs of source and defect have more returns than chance and the ordinary spread would give any of them?

    Parameters
    ----------
    observed : (pairs,) array_like
        Returns of the source, whole numbers.
    total : (pairs,) array_like
        Returns of all sources of its step, the source itself included.
    share : (pairs,) array_like
        Its share of the returns that the model expects of them. nan: not to be tested; so is a share of 0 or 1, which
        leaves nothing to compare.
    spread : (pairs,) array_like
        Variance of the true ratios of ordinary sources; see `spread_of_the_others`.
    weight : (pairs,) array_like
        How much a true name is worth: knowledge from before the data, such as which defects a step can bring about.
    risk : float
        Of naming any pair at all in a lab where none is out of the ordinary.

    Returns
    -------
    StandingOut

    Raises
    ------
    TableError
        A source with more returns than its step.

    Notes
    -----
    Given the total, Poisson counts are binomial (Przyborowski and Wilenski); with gamma ratios beta-binomial, whose
    variance is matched. The allowances are the upper tails beyond one common likelihood ratio, which makes the expected
    number of true names largest for their sum (Spjotvoll); the sum bounds the family-wise error without any assumption
    of independence. Attained levels are summed, not nominal ones, so that discrete counts waste nothing.

    References
    ----------
    Przyborowski J, Wilenski H. Biometrika 31:313-323 (1940). Spjotvoll E. Ann Math Stat 43:398-411 (1972).
    Roeder K, Wasserman L. Stat Sci 24:398-413 (2009).
    """
    seen, of, part, var, worth = np.broadcast_arrays(
        *(np.asarray(one, dtype=np.float64) for one in (observed, total, share, spread, weight))
    )
    if (seen > of).any():
        raise TableError(
            t(
                "A source has {seen:g} returns of the {of:g} of its step. Need the total of all sources of "
                "the step, the source itself included.",
                seen=seen[seen > of][0],
                of=of[seen > of][0],
            )
        )
    p, allowance, chance = np.full(seen.shape, np.nan), np.zeros(seen.shape), np.full(seen.shape, np.nan)
    chosen = (part > 0) & (part < 1) & (of > 0)
    if chosen.any():
        ordinary, ratio = _evidence(of[chosen], part[chosen], var[chosen])
        p[chosen], allowance[chosen], chance[chosen] = _dealt_out(
            seen[chosen].astype(np.int64), ordinary, ratio * worth[chosen, None], risk
        )
    return StandingOut(p=p, allowance=allowance, chance=chance)


def _evidence(total: Floats, share: Floats, spread: Floats) -> tuple[Floats, Floats]:
    """Chance of each count for an ordinary source, and its likelihood ratio; (pairs, counts) arrays."""
    ordinary = _mass(total, share, spread)
    counts = np.arange(ordinary.shape[1])
    ratio, some = np.zeros_like(ordinary), spread > 0
    for times in _MULTIPLIES:
        larger = 1.0 - share + times * share
        # Of two binomials the ratio is known in closed form, which saves three quarters of the work.
        with np.errstate(over="ignore"):  # beyond the largest number the evidence is infinite, and stays so
            ratio[~some] += np.exp(counts * np.log(times) - (total * np.log(larger))[~some, None]) / len(_MULTIPLIES)
        if some.any():
            ratio[some] += _mass_ratio(ordinary, total[some], (times * share / larger)[some], spread[some], some)
    # Evidence does not fall with more returns, though rounding far out may say so.
    return ordinary, np.maximum.accumulate(np.where(counts <= total[:, None], ratio, 0.0), axis=1)


def _mass_ratio(ordinary: Floats, total: Floats, larger: Floats, spread: Floats, some: Flags) -> Floats:
    mass, size = _mass(total, larger, spread), len(_MULTIPLIES)
    below = ordinary[some, : mass.shape[1]]
    ratio = np.zeros((len(total), ordinary.shape[1]))
    np.divide(mass, below * size, out=ratio[:, : mass.shape[1]], where=below > 0)
    ratio[:, : mass.shape[1]][(below == 0) & (mass > 0)] = np.inf
    return ratio


def _dealt_out(observed: Ints, ordinary: Floats, ratio: Floats, risk: float) -> tuple[Floats, Floats, Floats]:
    """p, allowance and chance of each pair: upper tails beyond one ratio common to all."""
    own = ratio[np.arange(len(observed)), observed]
    counts = np.arange(ordinary.shape[1])
    p = np.minimum(np.where(counts >= observed[:, None], ordinary, 0.0).sum(axis=1), 1.0)
    levels, place = np.unique(ratio, return_inverse=True)
    # Points of equal ratio go together; the sum from the largest ratio down.
    beyond = np.bincount(place.ravel(), ordinary.ravel())[::-1].cumsum()[::-1]
    bound = levels[beyond <= risk][0] if (beyond <= risk).any() else np.inf
    allowance = np.where(ratio >= bound, ordinary, 0.0).sum(axis=1)
    return p, allowance, beyond[np.searchsorted(levels, own)]


def _mass(total: Floats, share: Floats, spread: Floats) -> Floats:
    """Chance of 0 to the largest total, (pairs, counts) array; 0 beyond a pair's own total."""
    n, part = total[:, None], share[:, None]
    x = np.arange(1.0, total.max() + 1.0)[None, :]
    left = np.maximum(n - x, 0.0)
    # From one count to the next: a ratio, so that no gamma function is needed.
    step = (left + 1.0) / x * (part / (1.0 - part))
    some = spread > 0
    if some.any():
        a, b = _beta(part[some], spread[some, None])
        step[some] = (left[some] + 1.0) / x * (a + x - 1.0) / (b + left[some])
    log = np.hstack([np.zeros_like(n), np.cumsum(np.log(step), axis=1)])
    log[:, 1:][x > n] = -np.inf
    mass = np.exp(log - log.max(axis=1, keepdims=True))
    found: Floats = mass / mass.sum(axis=1, keepdims=True)
    return found


def _beta(share: Floats, spread: Floats) -> tuple[Floats, Floats]:
    """The beta distribution of the share of a source whose ratio has this variance."""
    size = np.maximum(1.0 / (share * (1.0 - share) * spread) - 1.0, 1e-3)
    return share * size, (1.0 - share) * size


def spread_of_the_others(*, observed: ArrayLike, total: ArrayLike, share: ArrayLike, source: ArrayLike) -> Floats:
    """How much do the other sources differ among each other beyond chance, all steps and defects together?

    Parameters
    ----------
    observed, total, share : (pairs,) array_like
        As in `standing_out`.
    source : (pairs,) array_like
        Whole numbers: which source a pair belongs to.

    Returns
    -------
    (pairs,) array
        Variance of their ratios by maximum likelihood, the source itself left out; 0 where the others say nothing.

    Notes
    -----
    One step has too few sources to tell its own spread, so all share one. In simulated labs that held false names down
    best where sources do differ, and cost little where they do not.
    """
    seen, of, part = (np.asarray(one, dtype=np.float64) for one in (observed, total, share))
    sources = np.asarray(source, dtype=np.intp)
    usable = (part > 0) & (part < 1) & (of > 0)
    log = np.zeros((len(seen), len(_SPREADS)))
    log[usable] = _log_at(seen[usable], of[usable], part[usable])
    own = np.zeros((sources.max(initial=0) + 1, len(_SPREADS)))
    np.add.at(own, sources, log)
    best: Floats = _SPREADS[np.argmax(log.sum(axis=0) - own[sources], axis=1)]
    return best


def _log_at(observed: Floats, total: Floats, share: Floats) -> Floats:
    """Log likelihood of each pair at each spread, less that of chance alone."""
    x, left, part = observed[:, None], (total - observed)[:, None], share[:, None]
    a, b = _beta(part, _SPREADS[1:])
    plain = x * np.log(part) + left * np.log1p(-part)
    return np.hstack([np.zeros_like(plain), betaln(x + a, left + b) - betaln(a, b) - plain])

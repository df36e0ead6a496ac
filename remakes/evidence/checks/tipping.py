"""How unlike the recorded would unrecorded restorations have to be to erase a finding?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, isfinite, log, nan
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from remakes.evidence.checks.filled_in import ROOT_AT_LIMIT, FilledIn

__all__ = ["TippingPoint", "tipping_point", "tipping_share"]

Floats = NDArray[np.float64]

#: At a log odds ratio of minus this size none of the returned restorations counts as a miss.
_NONE_OF_THEM: Final = 12.0
#: The search ends when the signed root is this near to the limit.
_NEAR: Final = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class TippingPoint:
    """The smallest departure among returned restorations that erases a finding.

    The unrecorded restorations that did not come back count as missed as often as the same technician's
    recorded ones; of those that came back, no more than this share would have to be misses for the lower end of
    the odds ratio's interval to fall to 1.

    Attributes
    ----------
    share_returned : float
        That share, averaged over the returned unrecorded restorations; nan where none of them came back.
    odds_ratio : float
        The same as an odds ratio between missed and returned among the unrecorded.
    expected_share : float
        The share if among the unrecorded this odds ratio were that of the finding.
    """

    share_returned: float
    odds_ratio: float
    expected_share: float

    def as_json(self) -> dict[str, float | None]:
        """For findings; shares of no restoration are null."""
        return {
            "share_returned": self.share_returned if isfinite(self.share_returned) else None,
            "odds_ratio": self.odds_ratio,
            "expected_share": self.expected_share if isfinite(self.expected_share) else None,
        }


def tipping_share(filled: FilledIn, *, likely: float, none: float, every: float) -> float | None:
    """Which share of the unrecorded, returned or not, would have to be misses to erase the finding?

    Parameters
    ----------
    filled : FilledIn
    likely : float
        The share to be expected from the recorded restorations.
    none, every : float
        Signed roots of the likelihood ratio if none, or all, were missed.

    Returns
    -------
    float or None
        The share nearest to the likely one at which the interval's lower end lies at or below 1. Looked for at
        the likely share, at both ends and half-way to either: a common share may weaken a finding more than both
        ends do, since it puts misses among the met and the met among the missed. None if it is found nowhere.
    """
    size = len(filled.unrecorded.number)

    def beyond(share: float) -> float:
        return filled.signed_root(np.full(size, share)) - ROOT_AT_LIMIT

    here = beyond(likely)
    if here <= 0.0:
        return likely
    found = []
    for end, root in ((0.0, none), (1.0, every)):
        inside, inside_value = likely, here
        middle = 0.5 * (likely + end)
        for share, value in ((middle, beyond(middle)), (end, root - ROOT_AT_LIMIT)):
            if value <= 0.0:
                found.append(_crossing(beyond, inside, inside_value, share, value))
                break
            inside, inside_value = share, value
    return min(found, key=lambda share: abs(share - likely)) if found else None


def tipping_point(filled: FilledIn, *, likely: Floats, found: float) -> TippingPoint | None:
    """How rarely must the returned unrecorded have been misses to erase the finding?

    Parameters
    ----------
    filled : FilledIn
    likely : (u,) array of fractions
        Share of misses to be expected in each row of unrecorded restorations, from the recorded ones.
    found : float
        Odds ratio of the finding, above 1: where the search begins.

    Returns
    -------
    TippingPoint or None
        None if the finding stands even if none of the returned ones was a miss.
    """
    returned = filled.unrecorded.returned
    at_chance = logit(np.clip(likely, 1e-9, 1.0 - 1e-9))

    def shares(log_ratio: float) -> Floats:
        return np.where(returned, expit(at_chance + log_ratio), likely)

    def beyond(log_ratio: float) -> float:
        return filled.signed_root(shares(log_ratio)) - ROOT_AT_LIMIT

    def of_returned(log_ratio: float) -> float:
        if not returned.any():
            return nan
        return float(np.average(shares(log_ratio)[returned], weights=filled.unrecorded.number[returned]))

    expected = log(found)
    here = beyond(expected)
    if here <= 0.0:
        tips = expected
    elif not returned.any() or (at_none := beyond(-_NONE_OF_THEM)) > 0.0:
        return None
    else:
        tips = _crossing(beyond, expected, here, -_NONE_OF_THEM, at_none)
    return TippingPoint(share_returned=of_returned(tips), odds_ratio=exp(tips), expected_share=of_returned(expected))


def _crossing(
    beyond: Callable[[float], float], inside: float, inside_value: float, outside: float, outside_value: float
) -> float:
    """Where a function falls through zero between a point above and a point at or below it.

    The chord is quick, and halving every other time keeps it from creeping along one side. The point given back
    is the last one at or below zero.
    """
    for step in range(60):
        share = 0.5 if step % 2 else inside_value / (inside_value - outside_value)
        middle = inside + (outside - inside) * min(max(share, 0.02), 0.98)
        value = beyond(middle)
        if value > 0.0:
            inside, inside_value = middle, value
        else:
            outside, outside_value = middle, value
        if outside_value > -_NEAR or abs(outside - inside) < 1e-4:
            break
    return outside

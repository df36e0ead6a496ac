"""The exact conditional analysis of one or many fourfold tables, for when the counts are small.

Given the margins of every stratum, the number of exposed events has a distribution that depends on the common odds
ratio alone: the convolution of the strata's noncentral hypergeometric distributions. No approximation and no added
half is needed, and a group without an event still has one good end to its interval.

Numbers. A stratum's weights come from ratios of neighbouring terms, so a million restorations at risk cost nothing in
precision. Weights are tilted to a chosen odds ratio before they are convolved, which keeps the terms that matter near 1
in size: once to the null, for p, and once to the estimate, for the interval.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from remakes.errors import TableError
from remakes.evidence.tables.fourfold import Counts, FourfoldTable, normal_quantile

__all__ = ["ExactOddsRatio", "exact_conditional", "fisher_2x2"]

# Two tables count as equally likely if their probabilities agree to this share: rounding must not part a tie.
# The same allowance as fisher.test of R.
_TIE = 1e-7


@dataclass(frozen=True, slots=True, kw_only=True)
class ExactOddsRatio:
    """Common odds ratio by the exact conditional method; each interval has the p that belongs to it.

    Attributes
    ----------
    estimate : float
        Conditional maximum likelihood estimate, exposed against unexposed; not the cross-product ratio.
    low, high, p : float
        Exact interval and p, both from doubled one-sided tails: 1 is outside the interval when p < 1 - level.
    mid_p_low, mid_p_high, mid_p : float
        The same with half of the observed table's probability in each tail: less conservative, no guarantee.
    minimum_likelihood_p : float
        Two-sided p over all tables no likelier than the observed one (the usual two-sided Fisher test). It has no
        matching interval here: do not print it beside `low` and `high`.
    p_less, p_greater : float
        One-sided p for an odds ratio below, above 1.
    exposed_events : int
        Events among the exposed in informative strata.
    informative_strata : int
        Strata with both groups, and with some but not only events.
    level : float
        Confidence level.
    """

    estimate: float
    low: float
    high: float
    p: float
    mid_p_low: float
    mid_p_high: float
    mid_p: float
    minimum_likelihood_p: float
    p_less: float
    p_greater: float
    exposed_events: int
    informative_strata: int
    level: float


def exact_conditional(
    *,
    exposed_events: ArrayLike,
    exposed_total: ArrayLike,
    unexposed_events: ArrayLike,
    unexposed_total: ArrayLike,
    level: float = 0.95,
) -> ExactOddsRatio:
    """By which factor are the odds of an event higher among the exposed, without trusting large samples?

    Parameters
    ----------
    exposed_events, exposed_total, unexposed_events, unexposed_total : array_like of shape (strata,)
        Whole counts.
    level : float
        Confidence level, a fraction in (0, 1).

    Returns
    -------
    ExactOddsRatio
        As few exposed events as the margins allow: estimate and lower ends 0; as many: estimate and upper ends inf.
        No informative stratum: nan throughout, since the margins say everything and the table nothing.

    Raises
    ------
    TableError
        Impossible counts or level, or counts with more than one axis.

    Notes
    -----
    Assumes one common odds ratio and independent restorations. Time and memory grow with the number of events, not
    with the number at risk.

    References
    ----------
    Gart JJ. Biometrika 57:471-475 (1970). Mehta CR, Patel NR, Gray R. J Am Stat Assoc 80:969-973 (1985).
    Mid-p: Lancaster HO. J Am Stat Assoc 56:223-234 (1961).
    Matching p and interval: Fay MP. R Journal 2(1):53-58 (2010).
    """
    normal_quantile(level)
    table = FourfoldTable.checked(
        exposed_events=exposed_events,
        exposed_total=exposed_total,
        unexposed_events=unexposed_events,
        unexposed_total=unexposed_total,
    )
    if table.total.ndim != 1:
        raise TableError(
            f"Counts of shape {table.total.shape}. Need one axis, the strata. "
            "Call once per factor and defect; mantel_haenszel takes all pairs at once."
        )
    strata = int(table.informative.sum())
    if strata == 0:
        return _nothing_learnt(level)
    margins = _FixedMargins.of(table)
    observed = margins.observed
    estimate, low, high, mid_low, mid_high = _estimate_and_ends(margins, level)
    null = margins.convolved(0.0)
    less, greater = _share(null[: observed + 1]), _share(null[observed:])
    half = float(null[observed]) / 2.0
    return ExactOddsRatio(
        estimate=estimate,
        low=low,
        high=high,
        p=min(1.0, 2.0 * min(less, greater)),
        mid_p_low=mid_low,
        mid_p_high=mid_high,
        mid_p=min(1.0, 2.0 * min(less - half, greater - half)),
        minimum_likelihood_p=_share(null[null <= null[observed] * (1.0 + _TIE)]),
        p_less=less,
        p_greater=greater,
        exposed_events=int(table.exposed_events[table.informative].sum()),
        informative_strata=strata,
        level=level,
    )


def fisher_2x2(
    *, exposed_events: int, exposed_total: int, unexposed_events: int, unexposed_total: int, level: float = 0.95
) -> ExactOddsRatio:
    """Fisher's exact test of one table, with the interval that belongs to each p.

    Parameters
    ----------
    exposed_events, exposed_total, unexposed_events, unexposed_total : int
        Whole counts of one table.
    level : float
        Confidence level, a fraction in (0, 1).

    Returns
    -------
    ExactOddsRatio
        As from `exact_conditional`; `minimum_likelihood_p` is the usual two-sided Fisher p, `p` the doubled one-sided
        one, which agrees with `low` and `high`.

    Raises
    ------
    TableError
        Impossible counts or level, or more than one table.

    References
    ----------
    Fisher RA. J R Stat Soc 98:39-82 (1935). Fay MP. Biostatistics 11:373-374 (2010).
    """
    table = FourfoldTable.checked(
        exposed_events=exposed_events,
        exposed_total=exposed_total,
        unexposed_events=unexposed_events,
        unexposed_total=unexposed_total,
    )
    if table.total.size != 1:
        raise TableError(
            f"Counts of shape {table.total.shape}. Need one table of four numbers. "
            "For several strata use exact_conditional."
        )
    return exact_conditional(
        exposed_events=table.exposed_events.ravel(),
        exposed_total=table.exposed_total.ravel(),
        unexposed_events=table.unexposed_events.ravel(),
        unexposed_total=table.unexposed_total.ravel(),
        level=level,
    )


def _nothing_learnt(level: float) -> ExactOddsRatio:
    return ExactOddsRatio(
        estimate=np.nan,
        low=np.nan,
        high=np.nan,
        p=np.nan,
        mid_p_low=np.nan,
        mid_p_high=np.nan,
        mid_p=np.nan,
        minimum_likelihood_p=np.nan,
        p_less=np.nan,
        p_greater=np.nan,
        exposed_events=0,
        informative_strata=0,
        level=level,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _FixedMargins:
    """The informative strata, counted in steps above the fewest exposed events that their margins allow."""

    log_weights: Counts  # (strata, most steps + 1); log of the null probability up to a constant; -inf beyond the end
    sizes: tuple[int, ...]  # number of possible values per stratum
    observed: int  # steps of the observed tables, all strata together

    @classmethod
    def of(cls, table: FourfoldTable) -> _FixedMargins:
        use = table.informative
        n1, n0, m = table.exposed_total[use], table.unexposed_total[use], table.events[use]
        fewest = np.maximum(0.0, m - n0)
        steps = (np.minimum(m, n1) - fewest).astype(np.int64)
        # From x - 1 to x exposed events the probability changes by (n1 - x + 1)(m - x + 1) / (x (n0 - m + x)).
        x = fewest[:, np.newaxis] + np.arange(1, int(steps.max()) + 1)
        rise = (n1[:, np.newaxis] - x + 1) * (m[:, np.newaxis] - x + 1)
        fall = x * ((n0 - m)[:, np.newaxis] + x)
        inside = np.arange(x.shape[1]) < steps[:, np.newaxis]
        log_ratio = np.where(inside, np.log(np.where(inside, rise, 1.0) / np.where(inside, fall, 1.0)), -np.inf)
        log_weights = np.concatenate([np.zeros((len(steps), 1)), np.cumsum(log_ratio, axis=1)], axis=1)
        return cls(
            log_weights=log_weights,
            sizes=tuple(int(size) for size in steps + 1),
            observed=int((table.exposed_events[use] - fewest).sum()),
        )

    @property
    def steps(self) -> int:
        """The most steps that all strata together can have."""
        return sum(self.sizes) - len(self.sizes)

    def tilted(self, log_odds_ratio: float) -> Counts:
        """Distribution of the steps in each stratum at this odds ratio, shape as `log_weights`."""
        weights = self.log_weights + log_odds_ratio * np.arange(self.log_weights.shape[1])
        weights = np.exp(weights - weights.max(axis=1, keepdims=True))
        return np.asarray(weights / weights.sum(axis=1, keepdims=True))

    def mean(self, log_odds_ratio: float) -> float:
        """Expected steps of all strata together at this odds ratio."""
        return float((self.tilted(log_odds_ratio) @ np.arange(self.log_weights.shape[1])).sum())

    def convolved(self, log_odds_ratio: float) -> Counts:
        """Distribution of the steps of all strata together at this odds ratio, shape (steps + 1,)."""
        total = np.ones(1)
        for stratum, size in zip(self.tilted(log_odds_ratio), self.sizes, strict=True):
            total = np.convolve(total, stratum[:size])
        return total


def _estimate_and_ends(margins: _FixedMargins, level: float) -> tuple[float, float, float, float, float]:
    """Odds ratio, exact ends, mid-p ends."""
    observed, most = margins.observed, margins.steps
    # At the end of the range the estimate is 0 or inf; half a step inside is a finite place to work from.
    inside = min(max(float(observed), 0.5), most - 0.5)
    centre = _crossing(lambda log_or: margins.mean(log_or) - inside, start=0.0, stride=1.0)
    with np.errstate(divide="ignore"):
        log_weights = np.log(margins.convolved(centre))
    counts = np.arange(most + 1)
    spread = np.sqrt(np.exp(log_weights) @ (counts - inside) ** 2)
    tail = (1.0 - level) / 2.0

    def end(*, upper: bool, own_share: float) -> float:
        """Where the tail beyond the observed count, with this share of the count itself, holds `tail`."""
        if observed == (most if upper else 0):
            return np.inf if upper else 0.0

        def excess(log_or: float) -> float:
            weights = log_weights + (log_or - centre) * counts
            weights = np.exp(weights - weights.max())
            beyond = weights[:observed].sum() if upper else weights[observed + 1 :].sum()
            held = (beyond + own_share * weights[observed]) / weights.sum() - tail
            return float(-held if upper else held)

        return float(np.exp(_crossing(excess, start=centre, stride=2.0 / spread)))

    estimate = 0.0 if observed == 0 else np.inf if observed == most else float(np.exp(centre))
    return (
        estimate,
        end(upper=False, own_share=1.0),
        end(upper=True, own_share=1.0),
        end(upper=False, own_share=0.5),
        end(upper=True, own_share=0.5),
    )


def _crossing(rising: Callable[[float], float], *, start: float, stride: float) -> float:
    """Where an increasing function crosses zero; the bracket grows from `start` by doubling strides."""
    from scipy.optimize import brentq

    value = rising(start)
    direction = -1.0 if value > 0 else 1.0
    near, far = start, start + direction * stride
    while direction * rising(far) < 0:
        stride *= 2.0
        near, far = far, far + direction * stride
    return float(brentq(rising, near, far, xtol=1e-11, rtol=1e-12))


def _share(probabilities: Counts) -> float:
    """Sum of probabilities; rounding must not lift it above 1."""
    return min(1.0, float(probabilities.sum()))

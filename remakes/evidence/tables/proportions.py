"""One fourfold table for the plain reader: a share with its interval, a ratio and a difference of two shares.

The libraries do the arithmetic of ratio and difference; they are imported on first use, because loading them costs one
to three seconds. The interval of a share, which every month is shown with, is short enough to stand here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv

from remakes.errors import TableError
from remakes.evidence.tables.fourfold import Counts, FourfoldTable, normal_quantile

__all__ = ["Proportion", "RiskDifference", "RiskRatio", "proportion_interval", "risk_difference", "risk_ratio"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskRatio:
    """Risk among the exposed divided by risk among the unexposed, with its interval and the counts behind it."""

    estimate: float
    low: float
    high: float
    level: float
    exposed_events: int
    exposed_total: int
    unexposed_events: int
    unexposed_total: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskDifference:
    """Risk among the exposed less risk among the unexposed, with its interval and the counts behind it."""

    estimate: float
    low: float
    high: float
    level: float
    exposed_events: int
    exposed_total: int
    unexposed_events: int
    unexposed_total: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Proportion:
    """Shares with their intervals; arrays of the shape of the counts."""

    estimate: Counts
    low: Counts
    high: Counts
    level: float
    method: Literal["wilson", "exact"]


def risk_ratio(
    *, exposed_events: int, exposed_total: int, unexposed_events: int, unexposed_total: int, level: float = 0.95
) -> RiskRatio:
    """How many times riskier are restorations with the miss?

    Parameters
    ----------
    exposed_events, exposed_total, unexposed_events, unexposed_total : int
        Whole counts of one table.
    level : float
        Confidence level, a fraction in (0, 1).

    Returns
    -------
    RiskRatio
        No event in either group: nan. None among the exposed: 0, interval 0 to nan. None among the unexposed: inf,
        interval nan to inf. Nothing is added to empty cells.

    Raises
    ------
    TableError
        Impossible counts, a group without a restoration, or an impossible level.

    Notes
    -----
    Interval on the log scale from the large-sample variance, by `scipy.stats.contingency.relative_risk`; assumes
    independent restorations, which two restorations of one case are not.

    References
    ----------
    Katz D, Baptista J, Azen SP, Pike MC. Biometrics 34:469-474 (1978).
    """
    from scipy.stats.contingency import relative_risk

    normal_quantile(level)
    a, n1, c, n0 = _one_table(exposed_events, exposed_total, unexposed_events, unexposed_total)
    result = relative_risk(a, n1, c, n0)
    interval = result.confidence_interval(level)
    return RiskRatio(
        estimate=float(result.relative_risk),
        low=float(interval.low),
        high=float(interval.high),
        level=level,
        exposed_events=a,
        exposed_total=n1,
        unexposed_events=c,
        unexposed_total=n0,
    )


def risk_difference(
    *, exposed_events: int, exposed_total: int, unexposed_events: int, unexposed_total: int, level: float = 0.95
) -> RiskDifference:
    """How many more returns per restoration go with the miss?

    Parameters
    ----------
    exposed_events, exposed_total, unexposed_events, unexposed_total : int
        Whole counts of one table.
    level : float
        Confidence level, a fraction in (0, 1).

    Returns
    -------
    RiskDifference
        A difference of two shares, between -1 and 1, never undefined.

    Raises
    ------
    TableError
        Impossible counts, a group without a restoration, or an impossible level.

    Notes
    -----
    Newcombe's hybrid of two Wilson intervals (his method 10), by `statsmodels`: never leaves [-1, 1], and holds its
    level with rare events, where the usual interval from the two variances does not. Assumes independent restorations.

    References
    ----------
    Newcombe RG. Stat Med 17:873-890 (1998).
    """
    from statsmodels.stats.proportion import confint_proportions_2indep

    normal_quantile(level)
    a, n1, c, n0 = _one_table(exposed_events, exposed_total, unexposed_events, unexposed_total)
    low, high = confint_proportions_2indep(a, n1, c, n0, method="newcomb", compare="diff", alpha=1.0 - level)
    return RiskDifference(
        estimate=a / n1 - c / n0,
        low=float(low),
        high=float(high),
        level=level,
        exposed_events=a,
        exposed_total=n1,
        unexposed_events=c,
        unexposed_total=n0,
    )


def _one_table(
    exposed_events: int, exposed_total: int, unexposed_events: int, unexposed_total: int
) -> tuple[int, int, int, int]:
    table = FourfoldTable.checked(
        exposed_events=exposed_events,
        exposed_total=exposed_total,
        unexposed_events=unexposed_events,
        unexposed_total=unexposed_total,
    ).both_groups_present()
    if table.total.size != 1:
        raise TableError(
            f"Counts of shape {table.total.shape}. Need one table of four numbers. "
            "Sum over the strata, or pool them with mantel_haenszel."
        )
    a, n1, c, n0 = (
        int(count.item())
        for count in (table.exposed_events, table.exposed_total, table.unexposed_events, table.unexposed_total)
    )
    return a, n1, c, n0


def proportion_interval(
    *,
    events: ArrayLike,
    total: ArrayLike,
    level: float = 0.95,
    method: Literal["wilson", "exact"] = "wilson",
) -> Proportion:
    """Which share of the restorations came back, and how far may chance have moved it?

    Parameters
    ----------
    events, total : array_like
        Whole counts of any shape; they broadcast.
    level : float
        Confidence level, a fraction in (0, 1).
    method : {"wilson", "exact"}
        Wilson's score interval covers its level on average; the exact one (Clopper-Pearson) never covers less,
        and is wider for it.

    Returns
    -------
    Proportion
        Arrays of at least one dimension. No restoration: nan, with an interval from 0 to 1.

    Raises
    ------
    TableError
        Impossible counts or level, or an unknown method.

    References
    ----------
    Wilson EB. J Am Stat Assoc 22:209-212 (1927). Clopper CJ, Pearson ES. Biometrika 26:404-413 (1934).
    Newcombe RG. Stat Med 17:857-872 (1998).
    """
    quantile = normal_quantile(level)
    if method not in ("wilson", "exact"):
        raise TableError(f"Interval method {method!r}. Need 'wilson' or 'exact'. Leave it out for Wilson's.")
    table = FourfoldTable.checked(exposed_events=events, exposed_total=total, unexposed_events=0, unexposed_total=0)
    seen = table.exposed_total > 0
    n = np.where(seen, table.exposed_total, 1.0)
    events_seen = np.where(seen, table.exposed_events, 0.0)
    low, high = _wilson(events_seen, n, quantile) if method == "wilson" else _exact(events_seen, n, level)
    share = table.exposed_events / n
    return Proportion(
        estimate=np.where(seen, share, np.nan),
        # Without an event the lower end is 0, and with events only the upper end 1, which rounding must not spoil.
        low=np.where(seen, np.minimum(low, share), 0.0),
        high=np.where(seen, np.maximum(high, share), 1.0),
        level=level,
        method=method,
    )


def _wilson(events: Counts, n: Counts, quantile: float) -> tuple[Counts, Counts]:
    share, squared = events / n, quantile**2
    denominator = 1.0 + squared / n
    centre = (share + squared / (2.0 * n)) / denominator
    half = quantile * np.sqrt(share * (1.0 - share) / n + squared / (4.0 * n**2)) / denominator
    return np.clip(centre - half, 0.0, 1.0), np.clip(centre + half, 0.0, 1.0)


def _exact(events: Counts, n: Counts, level: float) -> tuple[Counts, Counts]:
    tail = (1.0 - level) / 2.0
    # The quantiles of beta distributions; where one of their parameters would be 0 the end is 0 or 1.
    low = betaincinv(np.maximum(events, 1.0), n - events + 1.0, tail)
    high = betaincinv(events + 1.0, np.maximum(n - events, 1.0), 1.0 - tail)
    return np.where(events > 0, low, 0.0), np.where(events < n, high, 1.0)

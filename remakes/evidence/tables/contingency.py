"""Crude evidence from counts: do restorations with the miss come back more often, stratum by stratum?

The methods that weigh strata against each other stand here; those of one table, and the exact one, stand in
`proportions` and `exact` and can be had from here as well.

Mantel-Haenszel and Breslow-Day are our own code because all factor x defect pairs are computed at once, where the
library builds one object per pair; statsmodels is the witness in the tests. Its Breslow-Day test is also 0/0 for
a pooled odds ratio of exactly 1, and takes p as 1 - cdf, which is 0 below 1e-16.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc

from remakes.errors import TableError
from remakes.evidence.tables.exact import ExactOddsRatio, exact_conditional, fisher_2x2
from remakes.evidence.tables.fourfold import Counts, FourfoldTable, normal_quantile
from remakes.evidence.tables.proportions import (
    Proportion,
    RiskDifference,
    RiskRatio,
    proportion_interval,
    risk_difference,
    risk_ratio,
)

__all__ = [
    "ExactOddsRatio",
    "Homogeneity",
    "PooledOddsRatio",
    "Proportion",
    "RiskDifference",
    "RiskRatio",
    "Trend",
    "exact_conditional",
    "fisher_2x2",
    "homogeneity",
    "mantel_haenszel",
    "proportion_interval",
    "risk_difference",
    "risk_ratio",
    "trend",
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PooledOddsRatio:
    """Mantel-Haenszel odds ratio and Cochran-Mantel-Haenszel test; arrays over the leading axes of the counts.

    Attributes
    ----------
    estimate, low, high : ndarray
        Pooled odds ratio, exposed against unexposed, and its Robins-Breslow-Greenland interval.
    log_se : ndarray
        Standard error of the log odds ratio; nan where the estimate is 0, inf or nan.
    chi2, p : ndarray
        Cochran-Mantel-Haenszel chi-square (1 degree of freedom) and its two-sided p.
    chi2_corrected, p_corrected : ndarray
        The same with the continuity correction.
    exposed_events, expected_exposed_events : ndarray
        Events among the exposed in informative strata, and how many to expect there if exposure did nothing.
    informative_strata : ndarray
        Strata with both groups, and with some but not only events.
    level : float
        Confidence level.
    """

    estimate: Counts
    low: Counts
    high: Counts
    log_se: Counts
    chi2: Counts
    p: Counts
    chi2_corrected: Counts
    p_corrected: Counts
    exposed_events: Counts
    expected_exposed_events: Counts
    informative_strata: NDArray[np.int64]
    level: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Homogeneity:
    """Breslow-Day test of one common odds ratio, and Tarone's correction of it; arrays over the leading axes.

    Attributes
    ----------
    breslow_day_chi2, breslow_day_p, tarone_chi2, tarone_p : ndarray
        Statistics and upper-tail p; nan with fewer than two informative strata or a pooled odds ratio of 0 or inf.
    df : ndarray
        Informative strata less one.
    least_expected : ndarray
        The smallest expected cell of the informative strata under the common odds ratio; the chi-square
        approximation is doubtful where it is small.
    """

    breslow_day_chi2: Counts
    breslow_day_p: Counts
    tarone_chi2: Counts
    tarone_p: Counts
    df: NDArray[np.int64]
    least_expected: Counts


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Cochran-Armitage test for a linear trend in risk over ordered groups, and what the line leaves unexplained.

    Attributes
    ----------
    chi2, z, p : float
        Trend chi-square (1 degree of freedom), its signed root (positive: risk rises with the score), two-sided p.
    slope : float
        Change in risk per unit of score, weighted least squares.
    departure_chi2, departure_p : float
        What Pearson's chi-square has beyond the trend, on `departure_df` degrees of freedom.
    departure_df, groups : int
        Groups less two; groups with at least one restoration.
    """

    chi2: float
    z: float
    p: float
    slope: float
    departure_chi2: float
    departure_p: float
    departure_df: int
    groups: int


def mantel_haenszel(
    *,
    exposed_events: ArrayLike,
    exposed_total: ArrayLike,
    unexposed_events: ArrayLike,
    unexposed_total: ArrayLike,
    level: float = 0.95,
) -> PooledOddsRatio:
    """By which factor are the odds of an event higher among the exposed, strata held apart?

    Parameters
    ----------
    exposed_events, exposed_total, unexposed_events, unexposed_total : array_like
        Whole counts, strata on the last axis, any leading axes; they broadcast. With month bins as strata and the
        restorations at risk in each as totals, the test is the discrete-time log-rank test.
    level : float
        Confidence level, a fraction in (0, 1).

    Returns
    -------
    PooledOddsRatio
        Arrays of the leading shape. No informative stratum: nan. No event among the exposed: 0 with an interval
        from 0 to nan; none among the unexposed: inf with an interval from nan to inf. Nothing is added to empty
        cells; `exact_conditional` has the missing ends.

    Raises
    ------
    TableError
        Impossible counts or level.

    Notes
    -----
    Assumes one common odds ratio (see `homogeneity`) and independent restorations. Valid both for few large strata
    and for many sparse ones. The continuity correction takes at most the whole distance to the expected count, so
    that it never turns a perfect fit into evidence.

    References
    ----------
    Mantel N, Haenszel W. J Natl Cancer Inst 22:719-748 (1959).
    Robins J, Breslow N, Greenland S. Biometrics 42:311-323 (1986).
    """
    reach = normal_quantile(level)
    table = FourfoldTable.checked(
        exposed_events=exposed_events,
        exposed_total=exposed_total,
        unexposed_events=unexposed_events,
        unexposed_total=unexposed_total,
    )
    estimate, log_se = _pooled_odds_ratio(table)
    half_width = np.exp(reach * log_se)
    observed, expected, variance = _exposed_events_under_the_null(table)
    distance = np.abs(observed - expected)
    chi2 = _ratio(distance**2, variance)
    chi2_corrected = _ratio(np.maximum(distance - 0.5, 0.0) ** 2, variance)
    return PooledOddsRatio(
        estimate=estimate,
        low=np.where(estimate == 0.0, 0.0, estimate / half_width),
        high=np.where(np.isinf(estimate), np.inf, estimate * half_width),
        log_se=log_se,
        chi2=chi2,
        p=_upper_tail(1, chi2),
        chi2_corrected=chi2_corrected,
        p_corrected=_upper_tail(1, chi2_corrected),
        exposed_events=observed,
        expected_exposed_events=expected,
        informative_strata=np.asarray(table.informative.sum(axis=-1)),
        level=level,
    )


def _ratio(numerator: Counts, denominator: Counts) -> Counts:
    """Divide the way limits go: x/0 is inf, 0/0 is nan; neither is a warning."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(numerator / denominator, dtype=np.float64)


def _upper_tail(df: int | NDArray[np.int64], chi2: Counts) -> Counts:
    """Chance of a chi-square at least this large; accurate far below 1e-16, nan for nan."""
    return np.asarray(chdtrc(df, chi2), dtype=np.float64)


def _pooled_odds_ratio(table: FourfoldTable) -> tuple[Counts, Counts]:
    """Pooled odds ratio and the Robins-Breslow-Greenland standard error of its logarithm."""
    a, c = table.exposed_events, table.unexposed_events
    b, d = table.exposed_total - a, table.unexposed_total - c
    n = np.maximum(table.total, 1.0)  # an empty stratum has four zeros on top: it adds 0
    concordant, discordant = (a + d) / n, (b + c) / n  # P and Q of the paper
    with_miss, against_miss = a * d / n, b * c / n  # R and S
    r, s = with_miss.sum(axis=-1), against_miss.sum(axis=-1)
    variance = (
        _ratio((concordant * with_miss).sum(axis=-1), 2 * r**2)
        + _ratio((concordant * against_miss + discordant * with_miss).sum(axis=-1), 2 * r * s)
        + _ratio((discordant * against_miss).sum(axis=-1), 2 * s**2)
    )
    log_se = np.where((r > 0) & (s > 0), np.sqrt(variance), np.nan)
    return _ratio(r, s), log_se


def _exposed_events_under_the_null(table: FourfoldTable) -> tuple[Counts, Counts, Counts]:
    """Observed, expected and variance of the exposed events, margins fixed, summed over informative strata."""
    n = np.where(table.informative, table.total, 2.0)  # informative strata hold 2 or more; the others are masked
    share = table.exposed_total / n
    expected = share * table.events
    variance = expected * (1.0 - share) * (n - table.events) / (n - 1.0)
    observed_sum, expected_sum, variance_sum = (
        np.asarray(np.where(table.informative, x, 0.0).sum(axis=-1)) for x in (table.exposed_events, expected, variance)
    )
    return observed_sum, expected_sum, variance_sum


def homogeneity(
    *,
    exposed_events: ArrayLike,
    exposed_total: ArrayLike,
    unexposed_events: ArrayLike,
    unexposed_total: ArrayLike,
) -> Homogeneity:
    """Is the odds ratio the same in every stratum?

    Parameters
    ----------
    exposed_events, exposed_total, unexposed_events, unexposed_total : array_like
        Whole counts, strata on the last axis, any leading axes; they broadcast.

    Returns
    -------
    Homogeneity
        Arrays of the leading shape. A large p is no proof of one odds ratio: with sparse strata the test has
        little power, and `least_expected` says how sparse they are.

    Raises
    ------
    TableError
        Impossible counts.

    Notes
    -----
    Expected counts come from the Mantel-Haenszel odds ratio; Tarone's term makes the statistic's chi-square
    distribution right for that choice. Strata whose margins fix their cells are left out and not counted in `df`.

    References
    ----------
    Breslow NE, Day NE. Statistical Methods in Cancer Research I, section 4.4. IARC (1980).
    Tarone RE. Biometrika 72:91-95 (1985).
    """
    table = FourfoldTable.checked(
        exposed_events=exposed_events,
        exposed_total=exposed_total,
        unexposed_events=unexposed_events,
        unexposed_total=unexposed_total,
    )
    odds_ratio, _ = _pooled_odds_ratio(table)
    use = table.informative
    df = np.asarray(np.maximum(use.sum(axis=-1) - 1, 0))
    testable = (df > 0) & np.isfinite(odds_ratio) & (odds_ratio > 0)
    fitted = _exposed_events_under(np.where(testable, odds_ratio, 1.0), table)
    cells = np.stack(
        [
            fitted,
            table.exposed_total - fitted,
            table.events - fitted,
            table.unexposed_total - table.events + fitted,
        ]
    )
    cells = np.where(use, cells, 1.0)
    variance = np.where(use, 1.0 / (1.0 / cells).sum(axis=0), 0.0)
    gap = np.where(use, table.exposed_events - fitted, 0.0)
    breslow_day = np.where(use, gap**2 / np.where(use, variance, 1.0), 0.0).sum(axis=-1)
    tarone = breslow_day - _ratio(gap.sum(axis=-1) ** 2, variance.sum(axis=-1))
    breslow_day, tarone = (np.where(testable, x, np.nan) for x in (breslow_day, np.maximum(tarone, 0.0)))
    return Homogeneity(
        breslow_day_chi2=breslow_day,
        breslow_day_p=_upper_tail(df, breslow_day),
        tarone_chi2=tarone,
        tarone_p=_upper_tail(df, tarone),
        df=df,
        least_expected=np.where(testable, np.where(use, cells, np.inf).min(axis=(0, -1)), np.nan),
    )


def _exposed_events_under(odds_ratio: Counts, table: FourfoldTable) -> Counts:
    """The exposed events per stratum that have this odds ratio and the stratum's margins: a quadratic's root."""
    odds = odds_ratio[..., np.newaxis]
    n1, n0, m = table.exposed_total, table.unexposed_total, table.events
    slope = odds * (n1 + m) + n0 - m
    # The discriminant written as a sum of positive terms, so that a large odds ratio cancels nothing.
    root = np.sqrt((odds * (n1 - m)) ** 2 + 2.0 * odds * (n1 * n0 + m * (table.total - m)) + (n0 - m) ** 2)
    # Two forms of one root; each is used where it adds numbers of one sign, so that an odds ratio near 1 is no 0/0.
    rising = slope >= 0
    numerator = np.where(rising, 2.0 * odds * n1 * m, root - slope)
    denominator = np.where(rising, root + slope, 2.0 * (1.0 - odds))
    return np.asarray(numerator / np.where(table.informative, denominator, 1.0))


def trend(*, events: ArrayLike, total: ArrayLike, scores: ArrayLike) -> Trend:
    """Does the risk rise, or fall, with the dose?

    Parameters
    ----------
    events, total : array_like of shape (groups,)
        Events and restorations per group of an ordered reading: grit uses, lamp hours, coats.
    scores : array_like of shape (groups,)
        The groups' doses, in the reading's unit; the test depends on their distances, so band midpoints are
        better than 1, 2, 3.

    Returns
    -------
    Trend
        Groups without a restoration are left out. No event, or nothing but events: nan.

    Raises
    ------
    TableError
        Impossible counts, unequal lengths, or fewer than two different finite scores.

    Notes
    -----
    The variance has the total in its denominator; the linear-by-linear statistic, with the total less one, is
    smaller by the factor (N - 1)/N.

    References
    ----------
    Cochran WG. Biometrics 10:417-451 (1954). Armitage P. Biometrics 11:375-386 (1955).
    """
    table = FourfoldTable.checked(exposed_events=events, exposed_total=total, unexposed_events=0, unexposed_total=0)
    doses = np.asarray(scores, dtype=np.float64)
    if doses.ndim != 1 or table.exposed_total.shape != doses.shape:
        raise TableError(
            f"{table.exposed_total.shape} groups with scores of shape {doses.shape}. Need one score per group. "
            "Give events, total and scores as three lists of one length."
        )
    used = table.exposed_total > 0
    x, n, dose = table.exposed_events[used], table.exposed_total[used], doses[used]
    if not np.isfinite(dose).all() or np.unique(dose).size < 2:
        raise TableError(
            f"Scores {dose.tolist()} of the groups with restorations. Need at least two different finite numbers. "
            "Band the reading so that at least two bands hold restorations."
        )
    risk = x.sum() / n.sum()
    spread = risk * (1.0 - risk)
    centred = dose - (n * dose).sum() / n.sum()
    leverage = (n * centred**2).sum()
    slope = (centred * (x - n * risk)).sum() / leverage
    z = float(_ratio(slope * np.sqrt(leverage), np.sqrt(spread)))
    pearson = float(_ratio((n * (x / n - risk) ** 2).sum(), spread))
    df = int(n.size) - 2
    departure = max(pearson - z**2, 0.0) if df > 0 and np.isfinite(pearson) else np.nan
    return Trend(
        chi2=z**2,
        z=z,
        p=float(chdtrc(1, z**2)),
        slope=float(slope) if spread > 0 else np.nan,
        departure_chi2=departure,
        departure_p=float(chdtrc(df, departure)) if df > 0 else np.nan,
        departure_df=df,
        groups=int(n.size),
    )

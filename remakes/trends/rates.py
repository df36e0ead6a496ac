"""The months as a reader needs them: rates with intervals, and what is still too young to judge.

Counts and intervals only; signals, expected numbers and reporting delay are not worked out here yet.
"""

from __future__ import annotations

from dataclasses import dataclass

from scipy.special import chdtri

from remakes.counts.months import DeliveryMonth, ReportMonth
from remakes.evidence.estimate import Estimate
from remakes.evidence.tables.proportions import proportion_interval

__all__ = ["MonthlyRate", "MonthlyShare", "poisson_interval", "rates", "shares"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthlyRate:
    """Returns reported in a month per 1,000 restoration-months in service, with the exact 95 % interval."""

    month: str
    defect: str
    returns: int
    at_risk_months: float
    rate: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthlyShare:
    """Share of a month's deliveries that came back within some months; Wilson's 95 % interval."""

    month: str
    defect: str
    within_months: int
    delivered: int
    returned: int
    mature: bool
    share: Estimate


def poisson_interval(count: int, *, level: float = 0.95) -> tuple[float, float]:
    """Exact interval of a Poisson mean from one count.

    References
    ----------
    Garwood F. Biometrika 28:437-442 (1936).
    """
    tail = (1.0 - level) / 2.0
    low = 0.5 * float(chdtri(2 * count, 1.0 - tail)) if count else 0.0
    return low, 0.5 * float(chdtri(2 * count + 2, tail))


def rates(months: tuple[ReportMonth, ...]) -> tuple[MonthlyRate, ...]:
    """Returns by report month against what was in service in that month."""
    found = []
    for one in months:
        low, high = poisson_interval(one.returns)
        scale = 1000.0 / one.at_risk_months if one.at_risk_months > 0 else float("nan")
        found.append(
            MonthlyRate(
                month=one.month,
                defect=one.defect,
                returns=one.returns,
                at_risk_months=one.at_risk_months,
                rate=Estimate(one.returns * scale, low * scale, high * scale),
            )
        )
    return tuple(found)


def shares(months: tuple[DeliveryMonth, ...]) -> tuple[MonthlyShare, ...]:
    """Share returned by delivery month; of an immature month it is a lower limit of what will come."""
    if not months:
        return ()
    found = proportion_interval(events=[one.returned for one in months], total=[one.delivered for one in months])
    return tuple(
        MonthlyShare(
            month=one.month,
            defect=one.defect,
            within_months=one.within_months,
            delivered=one.delivered,
            returned=one.returned,
            mature=one.mature,
            share=Estimate(one.returned / one.delivered, float(low), float(high)),
        )
        for one, low, high in zip(months, found.low, found.high, strict=True)
    )

"""How many events would not have happened without the exposure, and how strong a hidden cause could explain it away?

Arithmetic on risks, for the plain reader and as a check of the standardized figures. It takes the crude comparison at
its word: no confounding, every exposed restoration moved to the risk of the unexposed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from remakes.errors import TableError
from remakes.evidence.tables.fourfold import FourfoldTable
from remakes.evidence.tables.proportions import risk_difference

__all__ = [
    "AttributableEvents",
    "EValue",
    "NumberNeeded",
    "attributable_events",
    "attributable_fraction_from_risks",
    "e_value",
    "e_value_of_odds_ratio",
    "levin_fraction",
    "miettinen_fraction",
    "number_needed",
]

# Up to this risk an odds ratio may be read as a risk ratio (VanderWeele and Ding 2017, from memory).
_RARE = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributableEvents:
    """What the exposure accounts for in one table, if the comparison is fair.

    Attributes
    ----------
    risk_exposed, risk_unexposed, risk_ratio : float
        Shares with the event, and their ratio.
    fraction_exposed : float
        Share of the exposed group's events that the exposure accounts for, (RR - 1)/RR.
    fraction_population : float
        Share of all events that the exposure accounts for.
    excess_events : float
        Events among the exposed beyond those at the risk of the unexposed; negative if the exposure protects.
    """

    risk_exposed: float
    risk_unexposed: float
    risk_ratio: float
    fraction_exposed: float
    fraction_population: float
    excess_events: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberNeeded:
    """How many restorations must change group for one event more or less.

    Attributes
    ----------
    estimate : float
        1 / |risk difference|; inf if the risks are equal.
    exposure : {"harms", "protects", "neither"}
        Which way the difference goes.
    inverse_low, inverse_high : float
        1 / the lower, upper end of the risk difference (Newcombe), with its sign; infinite where the end is 0.
    through_infinity : bool
        True: the risk difference may have either sign, so the interval is everything at or below `inverse_low` and
        everything at or above `inverse_high`, joined at infinity. False: it runs between the two.
    level : float
        Confidence level.
    """

    estimate: float
    exposure: Literal["harms", "protects", "neither"]
    inverse_low: float
    inverse_high: float
    through_infinity: bool
    level: float


@dataclass(frozen=True, slots=True, kw_only=True)
class EValue:
    """The weakest hidden cause that could explain a ratio away, as a risk ratio with both exposure and outcome.

    Attributes
    ----------
    estimate : float
        For the estimate; 1 means that none is needed.
    limit : float
        For the end of the interval nearer to 1; 1 if the interval holds 1.
    scale : str
        How the ratio was read as a risk ratio.
    """

    estimate: float
    limit: float
    scale: Literal["risk ratio", "odds ratio of a rare outcome", "square root of the odds ratio"]


def levin_fraction(*, share_exposed: float, risk_ratio: float) -> float:
    """Which share of all events does the exposure account for, from how common it is?

    Parameters
    ----------
    share_exposed : float
        Share of all restorations that are exposed, in [0, 1].
    risk_ratio : float
        At least 0; inf is allowed.

    Returns
    -------
    float
        p (RR - 1) / (1 + p (RR - 1)); negative for a protective exposure, nan for a risk ratio of nan.

    Raises
    ------
    TableError
        A share outside [0, 1] or a negative ratio.

    Notes
    -----
    Only for an unconfounded risk ratio: with an adjusted one the result is biased; use `miettinen_fraction`.

    References
    ----------
    Levin ML. Acta Unio Int Contra Cancrum 9:531-541 (1953).
    """
    _refuse_share(share_exposed, "share_exposed")
    _refuse_ratio(risk_ratio, "risk_ratio")
    if math.isnan(risk_ratio):
        return math.nan
    if share_exposed == 0.0:
        return 0.0
    relative_total = 1.0 - share_exposed + share_exposed * risk_ratio
    return 1.0 - 1.0 / relative_total if relative_total > 0 else -math.inf


def miettinen_fraction(*, share_of_events_exposed: float, risk_ratio: float) -> float:
    """Which share of all events does the exposure account for, from how common it is among the events?

    Parameters
    ----------
    share_of_events_exposed : float
        Share of the events that happened to the exposed, in [0, 1].
    risk_ratio : float
        At least 0; may be adjusted; inf is allowed.

    Returns
    -------
    float
        pc (RR - 1) / RR; nan for a risk ratio of 0 or nan.

    Raises
    ------
    TableError
        A share outside [0, 1] or a negative ratio.

    Notes
    -----
    Stays right with an adjusted risk ratio. An odds ratio in its place overstates the share of a common outcome.

    References
    ----------
    Miettinen OS. Am J Epidemiol 99:325-332 (1974).
    """
    _refuse_share(share_of_events_exposed, "share_of_events_exposed")
    _refuse_ratio(risk_ratio, "risk_ratio")
    if risk_ratio == 0.0:
        return math.nan
    return share_of_events_exposed * (1.0 - 1.0 / risk_ratio)


def attributable_fraction_from_risks(*, risk_overall: float, risk_unexposed: float) -> float:
    """Which share of all events would be gone at the risk of the unexposed?

    Parameters
    ----------
    risk_overall, risk_unexposed : float
        Shares in [0, 1]; they may be standardized.

    Returns
    -------
    float
        (risk_overall - risk_unexposed) / risk_overall; nan without any event.

    Raises
    ------
    TableError
        A risk outside [0, 1].
    """
    _refuse_share(risk_overall, "risk_overall")
    _refuse_share(risk_unexposed, "risk_unexposed")
    return (risk_overall - risk_unexposed) / risk_overall if risk_overall > 0 else math.nan


def attributable_events(
    *, exposed_events: int, exposed_total: int, unexposed_events: int, unexposed_total: int
) -> AttributableEvents:
    """How many of these events does the exposure account for, taking the table at its word?

    Parameters
    ----------
    exposed_events, exposed_total, unexposed_events, unexposed_total : int
        Whole counts of one table.

    Returns
    -------
    AttributableEvents
        Point values only, because nothing here is adjusted. No event at all: risk ratio and fractions nan.

    Raises
    ------
    TableError
        Impossible counts, or a group without a restoration.
    """
    table = FourfoldTable.checked(
        exposed_events=exposed_events,
        exposed_total=exposed_total,
        unexposed_events=unexposed_events,
        unexposed_total=unexposed_total,
    ).both_groups_present()
    exposed = float(table.exposed_events.item() / table.exposed_total.item())
    unexposed = float(table.unexposed_events.item() / table.unexposed_total.item())
    overall = float(table.events.item() / table.total.item())
    return AttributableEvents(
        risk_exposed=exposed,
        risk_unexposed=unexposed,
        risk_ratio=exposed / unexposed if unexposed > 0 else math.inf if exposed > 0 else math.nan,
        fraction_exposed=attributable_fraction_from_risks(risk_overall=exposed, risk_unexposed=unexposed),
        fraction_population=attributable_fraction_from_risks(risk_overall=overall, risk_unexposed=unexposed),
        excess_events=exposed_events - exposed_total * unexposed,
    )


def number_needed(
    *, exposed_events: int, exposed_total: int, unexposed_events: int, unexposed_total: int, level: float = 0.95
) -> NumberNeeded:
    """How many restorations with the miss make one return more?

    Parameters
    ----------
    exposed_events, exposed_total, unexposed_events, unexposed_total : int
        Whole counts of one table.
    level : float
        Confidence level, a fraction in (0, 1).

    Returns
    -------
    NumberNeeded
        With the interval's ends inverted as they are: where the difference may be 0, the interval goes through
        infinity and says so.

    Raises
    ------
    TableError
        Impossible counts, a group without a restoration, or an impossible level.

    References
    ----------
    Altman DG. BMJ 317:1309-1312 (1998).
    """
    difference = risk_difference(
        exposed_events=exposed_events,
        exposed_total=exposed_total,
        unexposed_events=unexposed_events,
        unexposed_total=unexposed_total,
        level=level,
    )
    estimate = difference.estimate
    return NumberNeeded(
        estimate=abs(_inverse(estimate, estimate)),
        exposure="harms" if estimate > 0 else "protects" if estimate < 0 else "neither",
        inverse_low=_inverse(difference.low, estimate),
        inverse_high=_inverse(difference.high, estimate),
        through_infinity=difference.low < 0 < difference.high,
        level=level,
    )


def e_value(*, estimate: float, low: float, high: float) -> EValue:
    """How strong must a hidden cause be, with both the miss and the return, to explain this risk ratio away?

    Parameters
    ----------
    estimate, low, high : float
        Risk ratio (or rate ratio) and its interval, each at least 0; nan where unknown.

    Returns
    -------
    EValue
        RR + sqrt(RR (RR - 1)), for the estimate and for the end nearer to 1; ratios below 1 are inverted first.
        0 and inf give inf; nan gives nan.

    Raises
    ------
    TableError
        A negative ratio, or an estimate outside its interval.

    Notes
    -----
    A small E-value does not show confounding, and a large one does not rule it out: it states what would be needed.

    References
    ----------
    VanderWeele TJ, Ding P. Ann Intern Med 167:268-274 (2017).
    """
    _refuse_interval(estimate, low, high)
    return EValue(estimate=_bias_needed(estimate), limit=_limit(estimate, low, high), scale="risk ratio")


def e_value_of_odds_ratio(*, estimate: float, low: float, high: float, outcome_risk: float) -> EValue:
    """How strong must a hidden cause be, with both the miss and the return, to explain this odds ratio away?

    Parameters
    ----------
    estimate, low, high : float
        Odds ratio and its interval, each at least 0; nan where unknown.
    outcome_risk : float
        Risk of the event by the end of the follow-up, in [0, 1].

    Returns
    -------
    EValue
        Up to a risk of 0.15 the odds ratio is read as a risk ratio, above it its square root is; `scale` says which.

    Raises
    ------
    TableError
        A negative ratio, an estimate outside its interval, or a risk outside [0, 1].

    References
    ----------
    VanderWeele TJ, Ding P. Ann Intern Med 167:268-274 (2017), table 2.
    """
    _refuse_share(outcome_risk, "outcome_risk")
    _refuse_interval(estimate, low, high)
    if outcome_risk <= _RARE:
        scale: Literal["odds ratio of a rare outcome", "square root of the odds ratio"] = "odds ratio of a rare outcome"
    else:
        estimate, low, high = math.sqrt(estimate), math.sqrt(low), math.sqrt(high)
        scale = "square root of the odds ratio"
    return EValue(estimate=_bias_needed(estimate), limit=_limit(estimate, low, high), scale=scale)


def _bias_needed(ratio: float) -> float:
    if ratio == 0.0:
        return math.inf
    strength = max(ratio, 1.0 / ratio)
    return strength + math.sqrt(strength * (strength - 1.0))


def _limit(estimate: float, low: float, high: float) -> float:
    if low <= 1.0 <= high:
        return 1.0
    return _bias_needed(low if estimate > 1.0 else high)


def _inverse(value: float, sign_at_zero: float) -> float:
    return 1.0 / value if value != 0.0 else math.copysign(math.inf, sign_at_zero)


def _refuse_share(value: float, name: str) -> None:
    if not 0.0 <= value <= 1.0:
        raise TableError(f"{name} = {value!r}. Need a share between 0 and 1. Divide a percentage by 100.")


def _refuse_ratio(value: float, name: str) -> None:
    if value < 0.0:
        raise TableError(f"{name} = {value!r}. Need a ratio of at least 0. Pass the ratio itself, not its logarithm.")


def _refuse_interval(estimate: float, low: float, high: float) -> None:
    for name, value in (("estimate", estimate), ("low", low), ("high", high)):
        _refuse_ratio(value, name)
    if low > estimate or high < estimate:
        raise TableError(
            f"Estimate {estimate:g} with an interval from {low:g} to {high:g}. Need low <= estimate <= high. "
            "Pass all three from one result."
        )

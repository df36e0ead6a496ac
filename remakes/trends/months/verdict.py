"""From signals to an answer: does a change stand, since when, and what is said about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log, sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.evidence.estimate import Estimate
from remakes.texts import later, t, tn
from remakes.trends.months.expected import MIN_REFERENCE_MONTHS, MIN_REFERENCE_RETURNS
from remakes.trends.months.signals import ABOVE, GUARD_MONTHS, RISE, change_point

__all__ = ["STANDS_MONTHS", "Change", "latest_change", "said", "too_few_months", "too_few_returns"]

Floats = NDArray[np.float64]

#: A signal stands for so many judged months, its own included, unless a later one points the other way.
STANDS_MONTHS: Final = 6
#: The beginning of a change is looked for in the so many judged months up to its signal.
_LOOK_BACK: Final = 12
_NORMAL_QUANTILE: Final = 1.959964


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """The latest signal, the month from which on it most likely has been different, and the returns since then.

    Attributes
    ----------
    rise : bool
        More than expected, or fewer.
    stands : bool
        The returns since then, those after the signal included, are beyond chance: the interval of the ratio is on
        the signal's side of 1.
    since, signalled : str
        Months.
    signal : str
    months, returns, expected : int, int, float
        Judged months since then, and the returns in them.
    ratio : Estimate
        Observed to expected, 95 % interval. Looked at because it stood out, it is rather too far from 1 than too near.
    """

    rise: bool
    stands: bool
    since: str
    signalled: str
    signal: str
    months: int
    returns: int
    expected: float
    ratio: Estimate


def latest_change(
    *,
    months: Sequence[str],
    observed: Floats,
    expected: Floats,
    information: Floats,
    overdispersion: Floats,
    signals: Sequence[tuple[str, ...]],
) -> Change | None:
    """What does the latest signal point to?

    Parameters
    ----------
    months, observed, expected, information, overdispersion, signals
        Of the judged months only, oldest first.

    Returns
    -------
    Change or None
        None where the latest six judged months carry no signal.
    """
    recent = [k for k in range(max(0, len(months) - STANDS_MONTHS), len(months)) if signals[k]]
    if not recent:
        return None
    last = recent[-1]
    rise = signals[last][0] in (ABOVE, RISE)
    first = max(0, last + 1 - _LOOK_BACK)
    # Up to the month of the signal: what came later says whether it lasts, not when it began.
    start = first + change_point(observed[first : last + 1], expected[first : last + 1], rise=rise)
    seen, awaited = float(observed[start:].sum()), float(expected[start:].sum())
    months_since = len(months) - start
    # Months vary each by itself; what is uncertain of the expectation they share.
    spread = float(overdispersion[start:].mean()) / months_since + float((1.0 / information[start:]).mean())
    ratio = _ratio(seen, awaited, spread)
    return Change(
        rise=rise,
        stands=ratio.low > 1.0 if rise else ratio.high < 1.0,
        since=months[start],
        signalled=months[last],
        signal=signals[last][0],
        months=months_since,
        returns=int(seen),
        expected=awaited,
        ratio=ratio,
    )


def _ratio(seen: float, awaited: float, spread: float) -> Estimate:
    """Observed to expected, normal on the log scale; half a return is added to both for the interval."""
    half = _NORMAL_QUANTILE * sqrt(1.0 / (seen + 0.5) + spread)
    middle = log((seen + 0.5) / (awaited + 0.5))
    return Estimate(seen / awaited, exp(middle - half), exp(middle + half))


def too_few_months(months: int) -> str:
    """What is missing in a short record."""
    needed = MIN_REFERENCE_MONTHS + GUARD_MONTHS + 1
    return t(
        "The records cover {months}; the first month that can be judged is the {needed}th: "
        "{min_reference_months} months to learn from, and {guard_months} that are left out before "
        "the month.",
        months=_months(months),
        needed=needed,
        min_reference_months=MIN_REFERENCE_MONTHS,
        guard_months=GUARD_MONTHS,
    )


def too_few_returns(returns: int) -> str:
    """What is missing where hardly anything came back."""
    return tn(
        returns,
        "There is {n} return in the earlier months to learn from; at least {least} are needed to say what to expect.",
        "There are {n} returns in the earlier months to learn from; at least {least} are needed to say what to expect.",
        least=MIN_REFERENCE_RETURNS,
    )


def said(
    defect: str,
    change: Change | None,
    *,
    latest: tuple[str, int, float, float, float],
    false_alarm_months: float,
) -> str:
    """Is it different, and since when? Two or three sentences.

    Parameters
    ----------
    defect : str
        In words; blank for all.
    change : Change or None
    latest : tuple
        The latest judged month, its returns, what was expected, and the limits.
    false_alarm_months : float
    """
    wrong = t(
        "Where nothing changes, these rules give a false signal every {false_alarm_months:.0f} months on average.",
        false_alarm_months=false_alarm_months,
    )
    month, returns, expected, low, high = latest
    now = t(
        "{month} had {returns} where {expected:.1f} were expected; {low:.0f} to {high:.0f} are common variation.",
        month=month,
        returns=_returns(returns, defect),
        expected=expected,
        low=low,
        high=high,
    )
    if change is None:
        calm = (
            later("No signal in the latest {stands_months} months judged: {now} {wrong}")
            if defect
            else later("All defects together: no signal in the latest {stands_months} months judged. {now} {wrong}")
        )
        return t(str(calm), stands_months=STANDS_MONTHS, now=now, wrong=wrong)
    figures = t(
        "{returns} in {months} where {expected:.1f} were expected, ratio {ratio}",
        returns=_returns(change.returns, defect),
        months=_months(change.months),
        expected=change.expected,
        ratio=change.ratio,
    )
    signal = t("“{signal}” in {month}", signal=t(change.signal), month=change.signalled)
    if not change.stands:
        return t(
            "Cannot tell whether it has changed: there was a signal ({signal}), but the figures since "
            "{since} are within chance: {figures}. {now} {wrong}",
            signal=signal,
            since=change.since,
            figures=figures,
            now=now,
            wrong=wrong,
        )
    told = (
        later("More than expected, most likely since {since}: {figures}. The signal was {signal}. {wrong}")
        if change.rise
        else later("Fewer than expected, most likely since {since}: {figures}. The signal was {signal}. {wrong}")
    )
    return t(
        str(told),
        since=change.since,
        figures=figures,
        signal=signal,
        wrong=wrong,
    )


def _months(months: int) -> str:
    return tn(months, "{n} month", "{n} months")


def _returns(returns: int, defect: str = "") -> str:
    if defect:
        return tn(returns, "{n} return with {defect}", "{n} returns with {defect}", defect=defect)
    return tn(returns, "{n} return", "{n} returns")

"""How much longer must be recorded until an odds ratio of a given size would show?

The returns to be expected among missed and met requirements, month by month ahead, say with which power a
likelihood-ratio test would find it.

References
----------
Self SG, Mauritsen RH, Ohara J. Biometrics 48:31-39 (1992), for the power of the likelihood-ratio test.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil, isfinite
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from remakes.counts.table import PatternTable
from remakes.deviations.detect import MET, MISSED, NOT_APPLICABLE
from remakes.errors import TableError
from remakes.evidence.checks.outlook import MONTHS_AHEAD, ReturnsAhead
from remakes.evidence.grades import LARGE
from remakes.records.codes import defect_in_text
from remakes.texts import run_on, t, tn

__all__ = ["MonthsToTell", "listing_alpha", "months_to_tell"]

Floats = NDArray[np.float64]

#: With fewer returns of a defect its pace is not known.
_LEAST_RETURNS: Final = 3
#: By how much adjustment widens the squared standard error, where the present model does not tell: half of the
#: findings of a synthetic lab with 3 returns or more on either side lie between 1.05 and 1.13.
_TYPICAL_DESIGN_EFFECT: Final = 1.1
#: Closing the gaps is spoken of where it saves more than a tenth of the time.
_WORTH_SAYING: Final = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthsToTell:
    """How much longer, for one factor and one defect.

    Attributes
    ----------
    factor, defect : str
    odds_ratio, alpha, power : float
        What is to be found, by a two-sided test at which level, and how often.
    months : int or None
        Months after the end of observation; 0: these records are enough; None: more than `MONTHS_AHEAD`, or unknown.
    months_if_recorded : int or None
        The same, were every restoration recorded from now on.
    months_to_list : int or None
        The same as `months` at the stricter level that a place among many compared pairs needs; None also where no
        such level was given.
    returns_needed, missed_needed : float
        Returns on recorded restorations by then, in all and with the miss; after `MONTHS_AHEAD` where it takes longer.
    returns_expected : float
        Returns on recorded restorations to expect by then.
    within_reach : float
        The smallest odds ratio that would show after `MONTHS_AHEAD`.
    design_effect : float
        Squared standard error of the adjusted log odds ratio, relative to that of its counts alone.
    missing : str
        Empty, or what must be there before anything can be said; all figures are then nan.
    """

    factor: str
    defect: str
    odds_ratio: float
    alpha: float
    power: float
    months: int | None = None
    months_if_recorded: int | None = None
    months_to_list: int | None = None
    returns_needed: float = float("nan")
    missed_needed: float = float("nan")
    returns_expected: float = float("nan")
    within_reach: float = float("nan")
    design_effect: float = float("nan")
    missing: str = ""

    @property
    def sentence(self) -> str:
        """The answer in plain words."""
        if self.missing:
            return t("How much longer it takes to tell cannot be said: {missing}.", missing=self.missing)
        size = t("an odds ratio of {odds_ratio:.2g} or more", odds_ratio=self.odds_ratio)
        if self.months == 0:
            return run_on(
                t(
                    "These records are long enough to show {size}, {power:.0%} of the time.",
                    size=size,
                    power=self.power,
                ),
                self._listed(),
            )
        if self.months is None:
            return self._too_long(size)
        said = t(
            "About {more} at this pace would show {size}, {power:.0%} of the time",
            more=_more(self.months),
            size=size,
            power=self.power,
        )
        if self.months_if_recorded is not None and self.months_if_recorded < _WORTH_SAYING * self.months:
            said = t(
                "{said}; with every restoration recorded, about {months}", said=said, months=self.months_if_recorded
            )
        return run_on(t("{said}.", said=said), self._listed())

    def _listed(self) -> str:
        if self.months_to_list is None or self.months_to_list == self.months:
            return ""
        return t("To stand out among all pairs compared it would take about {more}.", more=_more(self.months_to_list))

    def _too_long(self, size: str) -> str:
        said = [
            t(
                "Not within {months_ahead} years at this pace: to show {size} takes about {ceil} returns "
                "with {defect}, {ceil_2} with the miss, and {returns_expected:.0f} are to be expected.",
                months_ahead=MONTHS_AHEAD // 12,
                size=size,
                ceil=ceil(self.returns_needed),
                defect=defect_in_text(self.defect),
                ceil_2=ceil(self.missed_needed),
                returns_expected=self.returns_expected,
            )
        ]
        if self.months_if_recorded is not None:
            said.append(
                t("With every restoration recorded it would take about {more}.", more=_more(self.months_if_recorded))
            )
        if isfinite(self.within_reach):
            said.append(
                t("Until then an odds ratio of {within_reach:.1f} or more would show.", within_reach=self.within_reach)
            )
        return run_on(*said, t("The records of several labs together would tell sooner."))

    def as_json(self) -> dict[str, Any]:
        """For findings; figures that cannot be had are null."""
        words = ("factor", "defect", "missing", "sentence")
        counts = ("months", "months_if_recorded", "months_to_list")
        figures = (
            *("odds_ratio", "alpha", "power", "returns_needed", "missed_needed"),
            *("returns_expected", "within_reach", "design_effect"),
        )
        return {name: getattr(self, name) for name in (*words, *counts)} | {
            name: float(value) if isfinite(value := getattr(self, name)) else None for name in figures
        }


def _more(months: int) -> str:
    return tn(months, "{n} more month", "{n} more months")


def listing_alpha(*, tested: int, found: int, rate: float = 0.10) -> float:
    """Which p would put one more pair on a list kept by its false discovery rate?

    Parameters
    ----------
    tested : int
        Pairs compared, this one among them.
    found : int
        Pairs already on the list, this one not among them.
    rate : float
        The false discovery rate, a fraction in (0, 1).

    Returns
    -------
    float
        rate x (found + 1) / tested: the bar that Benjamini-Hochberg sets for the p that ranks next.

    Raises
    ------
    TableError
        Impossible numbers.
    """
    if not 0 <= found < tested or not 0.0 < rate < 1.0:
        raise TableError(
            t(
                "{found} pairs found of {tested} tested at a rate of {rate:g}. Need 0 <= found < tested and "
                "0 < rate < 1. Count the pair in question among the tested and not among the found.",
                found=found,
                tested=tested,
                rate=rate,
            )
        )
    return rate * (found + 1) / tested


def months_to_tell(
    table: PatternTable,
    *,
    factor: str,
    defect: str,
    log_se: float,
    odds_ratio: float = LARGE,
    alpha: float = 0.05,
    alpha_to_list: float | None = None,
    power: float = 0.80,
) -> MonthsToTell:
    """For how many more months must the lab go on as it does until this odds ratio would show?

    Parameters
    ----------
    table : PatternTable
    factor, defect : str
    log_se : float
        Present standard error of the adjusted log odds ratio; nan where there is none.
    odds_ratio : float
        The true odds ratio that is to be found, above 1.
    alpha : float
        Level of the two-sided test.
    alpha_to_list : float, optional
        A stricter level, as `listing_alpha` gives it.
    power : float
        How often it is to be found, a fraction in (0, 1).

    Raises
    ------
    TableError
        An unknown factor; an odds ratio not above 1; a level or power outside (0, 1).

    Notes
    -----
    The question is asked of any lab with this pace and this odds ratio, not of this lab given what it saw so far:
    an estimate that happens to lie low today would take longer.

    The expected deviance of a test of no effect, over the design effect of the present model, gives the power. In
    exact calculations with 5 to 120 returns with the miss the power so aimed at was within two points of 80 %,
    while the usual formula from 1/returns missed + 1/returns met put it anywhere between 59 and 94 %.

    Of n returns so far the pace is known to about 1 / sqrt(n), and the months no better.
    """
    _refuse(table, factor, odds_ratio=odds_ratio, alpha=alpha, alpha_to_list=alpha_to_list, power=power)
    missing = _missing(table, factor, defect)
    asked = MonthsToTell(factor=factor, defect=defect, odds_ratio=odds_ratio, alpha=alpha, power=power, missing=missing)
    if missing:
        return asked
    effect, aim = _design_effect(table, factor, defect, log_se), _aim(alpha, power)
    now = ReturnsAhead(table, factor=factor, defect=defect)
    if not now.any_missed:
        return replace(
            asked,
            missing=t("no return is to be expected on one side, with {factor} missed or with it met", factor=factor),
        )
    signal = now.signal(odds_ratio, design_effect=effect)
    months = _first_month(signal, aim)
    recorded = ReturnsAhead(table, factor=factor, defect=defect, all_recorded=True)
    then = MONTHS_AHEAD if months is None else months
    missed, met = (float(returns[then]) for returns in now.parted(odds_ratio))
    # The signal grows with the root of the returns, as long as missed and met keep their shares.
    needed = (aim / float(signal[then])) ** 2
    return replace(
        asked,
        months=months,
        months_if_recorded=_first_month(recorded.signal(odds_ratio, design_effect=effect), aim),
        months_to_list=None if alpha_to_list is None else _first_month(signal, _aim(alpha_to_list, power)),
        returns_needed=needed * (missed + met),
        missed_needed=needed * missed,
        returns_expected=missed + met,
        within_reach=now.within_reach(aim, design_effect=effect),
        design_effect=effect,
    )


def _aim(alpha: float, power: float) -> float:
    """How many standard errors from no effect a two-sided test of this level needs for this power."""
    return float(ndtri(1.0 - alpha / 2.0) + ndtri(power))


def _first_month(signal: Floats, aim: float) -> int | None:
    reached = np.flatnonzero(signal >= aim)
    return int(reached[0]) if len(reached) else None


def _refuse(
    table: PatternTable, factor: str, *, odds_ratio: float, alpha: float, alpha_to_list: float | None, power: float
) -> None:
    if factor not in table.factors:
        raise TableError(
            t(
                "These records name no factor {factor!r}. They name: {items}. Use one.",
                factor=factor,
                items=", ".join(table.factors),
            )
        )
    if not 1.0 < odds_ratio < float("inf"):
        raise TableError(
            t(
                "An odds ratio of {odds_ratio:g} is to be found. Need a finite one above 1. Ask for "
                "{large:g}, or for the present estimate where that is above 1.",
                odds_ratio=odds_ratio,
                large=LARGE,
            )
        )
    for name, value in (("alpha", alpha), ("power", power), ("alpha_to_list", alpha_to_list)):
        if value is not None and not 0.0 < value < 1.0:
            raise TableError(
                t(
                    "{name} = {value:g}. Need a fraction strictly between 0 and 1. Usual are alpha 0.05 and "
                    "power 0.80.",
                    name=name,
                    value=value,
                )
            )


def _missing(table: PatternTable, factor: str, defect: str) -> str:
    status = table.status_of(factor)
    if defect not in table.defects:
        return t("no return with {defect} has been recorded", defect=defect_in_text(defect))
    returned = int(table.returns_by_pattern(defect)[status != NOT_APPLICABLE].sum())
    if returned < _LEAST_RETURNS:
        return t(
            "{returned} of the restorations {factor} applies to came back with {defect}, and the pace of "
            "returns cannot be seen from fewer than {least_returns}",
            returned=returned,
            factor=factor,
            defect=defect_in_text(defect),
            least_returns=_LEAST_RETURNS,
        )
    if not (status == MISSED).any():
        return (
            t("{factor} has never been recorded as missed", factor=factor)
            if (status == MET).any()
            else t("{factor} is not recorded", factor=factor)
        )
    return (
        ""
        if (status == MET).any()
        else t("{factor} is recorded as missed every time: nothing to compare with", factor=factor)
    )


def _design_effect(table: PatternTable, factor: str, defect: str, log_se: float) -> float:
    """The model's squared standard error over that of the counts; few returns do not tell it from their own width."""
    counts = table.counts(factor, defect)
    if not isfinite(log_se) or min(counts.returns_missed, counts.returns_met) < _LEAST_RETURNS:
        return _TYPICAL_DESIGN_EFFECT
    # Half a return more on either side, as Firth's penalty has it.
    return max(1.0, log_se**2 / (1.0 / (counts.returns_missed + 0.5) + 1.0 / (counts.returns_met + 0.5)))

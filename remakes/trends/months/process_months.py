"""The process side by month of delivery: what was missed, and what was not recorded, more often than before.

Each requirement has two series: misses of what was recorded, and what was not recorded of all that it applied to. A
month is held against the earlier months under the same limit, see `remakes.trends.limits.share_series`. Where records
get fewer, misses can move to where nobody writes; so both are judged, and neither is corrected for the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, nan
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.process_months import ProcessMonthCounts
from remakes.evidence.estimate import UNKNOWN, Estimate, finite_or_none
from remakes.evidence.tables.proportions import Proportion, proportion_interval
from remakes.texts import in_a_row, later, run_on, t, tn
from remakes.trends.limits.share_series import (
    LEAST_IN_MONTH,
    LEAST_MONTHS,
    JudgedShares,
    false_signals_a_month,
    judge_shares,
)
from remakes.trends.months.signals import ABOVE, BELOW, FALL, RISE

__all__ = ["NEAR_LOWER", "NEAR_UPPER", "ProcessFactor", "ProcessMonth", "process_side"]

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

NEAR_UPPER: Final = t("twice near the upper limit")
NEAR_LOWER: Final = t("twice near the lower limit")


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcessMonth:
    """One requirement among the deliveries of one month.

    Attributes
    ----------
    factor, month : str
    restorations : int
        Delivered in the month, under the requirement.
    missed, recorded, not_recorded : int
    miss_share, gap_share : Estimate
        Missed of recorded, not recorded of restorations; Wilson's 95 % interval, nan where there is nothing to share.
    miss_centre, miss_low, miss_high, gap_centre, gap_low, gap_high : float
        Share of the earlier months and the limits of common variation for this one; nan where not judged. A share on
        a limit is within.
    miss_signals, gap_signals : tuple of str
        () where none, or not judged.
    """

    factor: str
    month: str
    restorations: int
    missed: int
    recorded: int
    not_recorded: int
    miss_share: Estimate
    gap_share: Estimate
    miss_centre: float
    miss_low: float
    miss_high: float
    gap_centre: float
    gap_low: float
    gap_high: float
    miss_signals: tuple[str, ...]
    gap_signals: tuple[str, ...]

    def as_json(self) -> dict[str, object]:
        """For the months: figures that are not finite become null."""
        return {
            "month": self.month,
            "restorations": self.restorations,
            "missed": self.missed,
            "recorded": self.recorded,
            "not_recorded": self.not_recorded,
            "miss_share": self.miss_share.as_json(),
            "miss_limits": [finite_or_none(one) for one in (self.miss_low, self.miss_centre, self.miss_high)],
            "miss_signals": list(self.miss_signals),
            "gap_share": self.gap_share.as_json(),
            "gap_limits": [finite_or_none(one) for one in (self.gap_low, self.gap_centre, self.gap_high)],
            "gap_signals": list(self.gap_signals),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcessFactor:
    """One requirement, month by month.

    Attributes
    ----------
    factor : str
    months : tuple of ProcessMonth
        Oldest first.
    enough : bool
        At least one month could be judged, by its misses or by what was not recorded.
    missing : str
        What it takes, where not enough.
    false_alarm_months : float
        After how many months on average the rules for both shares give a signal though nothing changed; nan where
        nothing is judged.
    sentence : str
        How the latest month stands, since when, and what is not judged.
    """

    factor: str
    months: tuple[ProcessMonth, ...]
    enough: bool
    missing: str
    false_alarm_months: float
    sentence: str

    def as_json(self) -> dict[str, object]:
        """For the months: one requirement with its months."""
        return {
            "factor": self.factor,
            "enough": self.enough,
            "missing": self.missing,
            "false_alarm_months": finite_or_none(self.false_alarm_months),
            "sentence": self.sentence,
            "months": [one.as_json() for one in self.months],
        }


def process_side(counted: ProcessMonthCounts) -> tuple[ProcessFactor, ...]:
    """Is a requirement missed, or not recorded, more often or less often than in earlier months, and since when?

    Parameters
    ----------
    counted : ProcessMonthCounts

    Returns
    -------
    tuple of ProcessFactor
        In the order of `counted`; empty without factors or months.

    Notes
    -----
    No correction for many requirements: with twenty of them and two shares each a false signal somewhere is to be
    expected now and then, as often as their `false_alarm_months` together say.
    """
    if not counted.factors or not counted.months:
        return ()
    misses = _Kind.of(
        counted.missed, counted.recorded, counted.new_limit, name=later("missed"), whole=later("recorded")
    )
    gaps = _Kind.of(
        counted.not_recorded,
        counted.restorations,
        counted.new_reading,
        name=later("not recorded"),
        whole=later("restorations"),
    )
    return tuple(_factor(counted, row, misses, gaps) for row in range(len(counted.factors)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Kind:
    """One of the two shares of all factors; (factors, months) arrays, and the words for it."""

    name: str
    whole: str
    events: Ints
    totals: Ints
    anew: Flags
    shares: Proportion
    judged: JudgedShares

    @classmethod
    def of(cls, events: Ints, totals: Ints, anew: Flags, *, name: str, whole: str) -> _Kind:
        return cls(
            name=name,
            whole=whole,
            events=events,
            totals=totals,
            anew=anew,
            shares=proportion_interval(events=events, total=totals),
            judged=judge_shares(events, totals, restarts=anew),
        )

    def share(self, row: int, month: int) -> Estimate:
        if not self.totals[row, month]:
            return UNKNOWN
        parts = (self.shares.estimate, self.shares.low, self.shares.high)
        return Estimate(*(float(part[row, month]) for part in parts))

    def limits(self, row: int, month: int) -> tuple[float, float, float]:
        parts = (self.judged.centre, self.judged.low, self.judged.high)
        centre, low, high = (float(part[row, month]) for part in parts)
        return centre, low, high

    def signals(self, row: int, month: int) -> tuple[str, ...]:
        outside, near, drift = (
            int(part[row, month]) for part in (self.judged.outside, self.judged.near, self.judged.drift)
        )
        found = [{1: ABOVE, -1: BELOW}[outside]] if outside else []
        # Outside a limit says it all.
        found += [{1: NEAR_UPPER, -1: NEAR_LOWER}[near]] if near and near != outside else []
        found += [{1: RISE, -1: FALL}[drift]] if drift else []
        return tuple(found)

    def judged_months(self, row: int) -> list[int]:
        return [int(month) for month in np.flatnonzero(np.isfinite(self.judged.centre[row]))]

    def false_signals(self, row: int) -> float:
        """Signals per month though nothing changed."""
        return false_signals_a_month(float(self.judged.sigma[row])) if self.judged_months(row) else 0.0


def _factor(counted: ProcessMonthCounts, row: int, misses: _Kind, gaps: _Kind) -> ProcessFactor:
    enough = bool(misses.judged_months(row) or gaps.judged_months(row))
    rate = misses.false_signals(row) + gaps.false_signals(row)
    false_alarm_months = 1.0 / rate if rate > 0 else nan
    missing = "" if enough else _missing(counted, row, misses)
    return ProcessFactor(
        factor=counted.factors[row],
        months=tuple(_month(counted, row, month, misses, gaps) for month in range(len(counted.months))),
        enough=enough,
        missing=missing,
        false_alarm_months=false_alarm_months,
        sentence=missing or _sentence(counted, row, (misses, gaps), false_alarm_months),
    )


def _month(counted: ProcessMonthCounts, row: int, month: int, misses: _Kind, gaps: _Kind) -> ProcessMonth:
    miss_centre, miss_low, miss_high = misses.limits(row, month)
    gap_centre, gap_low, gap_high = gaps.limits(row, month)
    return ProcessMonth(
        factor=counted.factors[row],
        month=counted.months[month],
        restorations=int(gaps.totals[row, month]),
        missed=int(misses.events[row, month]),
        recorded=int(misses.totals[row, month]),
        not_recorded=int(gaps.events[row, month]),
        miss_share=misses.share(row, month),
        gap_share=gaps.share(row, month),
        miss_centre=miss_centre,
        miss_low=miss_low,
        miss_high=miss_high,
        gap_centre=gap_centre,
        gap_low=gap_low,
        gap_high=gap_high,
        miss_signals=misses.signals(row, month),
        gap_signals=gaps.signals(row, month),
    )


def _sentence(counted: ProcessMonthCounts, row: int, kinds: tuple[_Kind, _Kind], false_alarm_months: float) -> str:
    parts = [
        _stands(counted.months, row, kind) if kind.judged_months(row) else _missing(counted, row, kind)
        for kind in kinds
    ]
    if began := _began(kinds[0].anew[row]):
        parts.append(
            t("The limit changed in {months}: months before and after are not compared.", months=counted.months[began])
        )
    if isfinite(false_alarm_months):
        parts.append(
            t(
                "One signal is false in about {false_alarm_months:.0f} months where nothing changes.",
                false_alarm_months=false_alarm_months,
            )
        )
    return run_on(*parts)


def _stands(months: tuple[str, ...], row: int, kind: _Kind) -> str:
    """The latest judged month, and the latest signal."""
    latest = kind.judged_months(row)[-1]
    signalled = [int(month) for month in np.flatnonzero(kind.judged.signals[row])]
    if signalled and signalled[-1] == latest:
        return _differs(months, row, kind, latest)
    _centre, low, high = kind.limits(row, latest)
    share = kind.events[row, latest] / kind.totals[row, latest]
    within = t(
        "In {months} {per_cent} {name}, within the limits of common variation ({per_cent_2} to {per_cent_3})",
        months=months[latest],
        per_cent=_per_cent(share),
        name=t(kind.name),
        per_cent_2=_per_cent(low),
        per_cent_3=_per_cent(high),
    )
    if not signalled:
        return t("{within}.", within=within)
    last = signalled[-1]
    since = int(kind.judged.since[row, last])
    signals = in_a_row(t(one) for one in kind.signals(row, last))
    if since < last:
        return t(
            "{within}; the latest signal was in {month} ({signals}, most likely since {since}).",
            within=within,
            month=months[last],
            signals=signals,
            since=months[since],
        )
    return t(
        "{within}; the latest signal was in {month} ({signals}).", within=within, month=months[last], signals=signals
    )


#: More or less often, by kind and direction.
_OFTEN: Final = {
    ("missed", True): later("Missed more often"),
    ("missed", False): later("Missed less often"),
    ("not recorded", True): later("Not recorded more often"),
    ("not recorded", False): later("Not recorded less often"),
}


def _differs(months: tuple[str, ...], row: int, kind: _Kind, latest: int) -> str:
    judged = kind.judged
    # The rule that has seen the change for the longest time speaks for the others.
    way = next(int(rule[row, latest]) for rule in (judged.drift, judged.near, judged.outside) if rule[row, latest])
    since = int(judged.since[row, latest])
    events, total = int(kind.events[row, since : latest + 1].sum()), int(kind.totals[row, since : latest + 1].sum())
    when = (
        t("in {month}", month=months[latest])
        if since == latest
        else t("since {month} most likely", month=months[since])
    )
    return t(
        "{more_often} {when}: {events} of {total} {whole} ({per_cent}), {per_cent_2} in the months before.",
        more_often=t(_OFTEN[str(kind.name), way > 0]),
        when=when,
        events=events,
        total=total,
        whole=t(kind.whole),
        per_cent=_per_cent(events / total),
        per_cent_2=_per_cent(float(judged.centre[row, latest])),
    )


def _missing(counted: ProcessMonthCounts, row: int, kind: _Kind) -> str:
    """What it takes to judge a month."""
    if not kind.totals[row].any():
        if counted.restorations[row].any():
            return t("No restoration delivered in these months was recorded for this requirement.")
        return t("No restoration delivered in these months fell under this requirement.")
    began = _began(kind.anew[row])
    have = int(np.count_nonzero(kind.totals[row, began:] >= LEAST_IN_MONTH))
    whole = t(kind.whole)
    if began:
        whole = t("{whole} since the limit changed in {month}", whole=whole, month=counted.months[began])
    return tn(
        have,
        "{n} month with {least_in_month} or more {whole}; {least_months} are needed before another one can be judged "
        "by its share {name}.",
        "{n} months with {least_in_month} or more {whole}; {least_months} are needed before another one can be judged "
        "by its share {name}.",
        least_in_month=LEAST_IN_MONTH,
        whole=whole,
        least_months=LEAST_MONTHS,
        name=t(kind.name),
    )


def _began(anew: Flags) -> int:
    """The month from which months are compared; 0 where nothing changed."""
    changed = np.flatnonzero(anew)
    return int(changed[-1]) if len(changed) else 0


def _per_cent(share: float) -> str:
    value = 100.0 * share
    # Numbers get the signs of the language within t.
    return t("{value:.0f} %", value=value) if value >= 10.0 or value == 0.0 else t("{value:.1f} %", value=value)

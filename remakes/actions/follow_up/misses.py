"""Is the requirement missed less often since the start? Weeks, not months: the bench answers before the returns do."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from math import isfinite, log, sqrt
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from remakes.counts.follow_up import FollowUpCounts
from remakes.counts.follow_up_rows import WeekCounts
from remakes.evidence.estimate import UNKNOWN, Estimate, finite_or_none
from remakes.evidence.tables.proportions import proportion_interval, risk_difference
from remakes.texts import t, tn

__all__ = ["Kept", "MissChange", "MissWeek", "any_time_quantile", "miss_changes", "ratio_of_shares"]

Ints = NDArray[np.int64]

Kept = Literal["fell", "did not fall", "cannot tell"]

#: Readings on each side, misses before and weeks since the start from which a change is judged.
_LEAST_RECORDED: Final = 20
_LEAST_MISSED: Final = 5
_LEAST_WEEKS: Final = 4
#: Information about the logarithm of the ratio at which the boundary for looking at any time is narrowest: a few weeks
#: of a middling lab.
_TUNED_AT: Final = 8.0
#: A share not recorded that rose by more may hide misses.
_MORE_GAPS: Final = 0.05
#: The ratio at unchanged shares of each technician may differ by so much before it is worth a word.
_OTHER_HANDS: Final = 1.25


@dataclass(frozen=True, slots=True, kw_only=True)
class MissWeek:
    """One week of deliveries: how many met, missed or did not record the requirement."""

    week: str
    met: int
    missed: int
    not_recorded: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MissChange:
    """One factor before the decision and since the start.

    Attributes
    ----------
    missed_before, recorded_before, missed_after, recorded_after : int
        Not recorded ones are in none of them.
    share_before, share_after : Estimate
        Share of misses among the recorded, Wilson's 95 % interval.
    difference : Estimate
        After less before, Newcombe's 95 % interval.
    ratio : Estimate
        After through before, 95 % interval for one look. It agrees with Wilson's and Newcombe's.
    ratio_same_hands : float
        The same if each technician's share of the work had stayed as it is now; nan where it cannot be had.
    p : float
        Two-sided, of no change, for one look (score test); nan where it cannot be had.
    kept : str
        ``fell`` as the rule asks, ``did not fall`` as it asks, or ``cannot tell``, however often it was looked at.
    weeks : tuple of MissWeek
        Before, then after.
    weeks_before, weeks_after : int
    sentence : str
    cautions : tuple of str
    """

    factor: str
    missed_before: int
    recorded_before: int
    missed_after: int
    recorded_after: int
    share_before: Estimate
    share_after: Estimate
    difference: Estimate
    ratio: Estimate
    ratio_same_hands: float
    p: float
    kept: Kept
    weeks: tuple[MissWeek, ...]
    weeks_before: int
    weeks_after: int
    sentence: str
    cautions: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """By name; what cannot be had becomes null."""
        found = {name: getattr(self, name) for name in self.__slots__} | {
            name: getattr(self, name).as_json() for name in ("share_before", "share_after", "difference", "ratio")
        }
        found |= {name: finite_or_none(getattr(self, name)) for name in ("ratio_same_hands", "p")}
        return found | {"weeks": [asdict(week) for week in self.weeks], "cautions": list(self.cautions)}


def miss_changes(counted: FollowUpCounts, *, down_by: float, error: float) -> tuple[MissChange, ...]:
    """Did the share of misses of each factor fall as the rule asks?

    Parameters
    ----------
    counted : FollowUpCounts
    down_by : float
        Relative fall that counts as kept up, in (0, 1].
    error : float
        One-sided rate of a wrong "fell" where nothing changed, and of a wrong "did not fall" where the share fell as
        asked, each over all looks together.

    Notes
    -----
    It fell if the ratio is as small as asked and shown to be below 1; it did not if a ratio as small as asked is
    excluded. Both by an interval that holds at any time, so that it may be looked at every week.
    """
    return tuple(_change(counted, row, down_by=down_by, error=error) for row in range(len(counted.factors)))


def ratio_of_shares(
    missed: int, recorded: int, missed_before: int, recorded_before: int, *, level: float = 0.95
) -> Estimate:
    """The ratio of two shares, with the interval made of Wilson's for each.

    Nothing recorded on a side, or nothing missed on either: unknown. Nothing missed before: infinite, open above.

    References
    ----------
    Donner A, Zou GY. Stat Methods Med Res 21:347-359 (2012), recovery of variances; from memory.
    """
    if not recorded or not recorded_before or not missed + missed_before:
        return UNKNOWN
    p1, p0 = missed / recorded, missed_before / recorded_before
    wilson = proportion_interval(events=[missed, missed_before], total=[recorded, recorded_before], level=level)
    (l1, l0), (u1, u0) = (map(float, ends) for ends in (wilson.low, wilson.high))
    product = p1 * p0
    low = (product - sqrt(max(product**2 - l1 * u0 * (2 * p1 - l1) * (2 * p0 - u0), 0.0))) / (u0 * (2 * p0 - u0))
    if not missed_before:
        return Estimate(float("inf"), l1 / u0, float("inf"))
    high = (product + sqrt(max(product**2 - u1 * l0 * (2 * p1 - u1) * (2 * p0 - l0), 0.0))) / (l0 * (2 * p0 - l0))
    return Estimate(p1 / p0, max(low, 0.0), high)


def any_time_quantile(information: float, *, error: float) -> float:
    """By how many standard errors may an estimate stray on one side, looked at as often as one likes?

    Parameters
    ----------
    information : float
        One over the variance of the estimate; above 0.
    error : float
        Chance of ever straying by more.

    Notes
    -----
    A mixture of normal likelihood ratios over possible falls, which is a martingale if nothing changed. A side known
    from a fixed number of readings only keeps that: the estimate moves by independent steps of information.

    References
    ----------
    Howard SR, Ramdas A, McAuliffe J, Sekhon J. Ann Stat 49:1055-1080 (2021), one-sided normal mixture; from memory.
    """
    whole = information + _TUNED_AT
    odds = sqrt(whole / _TUNED_AT) / (2.0 * error)
    # The mixture reaches one over the error where exp(x²/2) times the normal distribution at x is `odds`. It does so
    # above the x without the latter, so that the distribution there makes it too wide, by 0.5 % at most.
    below = sqrt(2.0 * log(odds))
    return sqrt(whole / information * 2.0 * log(odds / float(ndtr(below))))


def _change(counted: FollowUpCounts, row: int, *, down_by: float, error: float) -> MissChange:
    factor, before, after = counted.factors[row], counted.weeks_before, counted.weeks_after
    x0, x1 = int(before.missed[row].sum()), int(after.missed[row].sum())
    n0, n1 = x0 + int(before.met[row].sum()), x1 + int(after.met[row].sum())
    ratio = ratio_of_shares(x1, n1, x0, n0)
    kept, why = _kept(counted, factor, (x0, n0, x1, n1), down_by=down_by, error=error)
    same_hands = _same_hands(before, after, row)
    shares = tuple(_share(x, n) for x, n in ((x0, n0), (x1, n1)))
    return MissChange(
        factor=factor,
        missed_before=x0,
        recorded_before=n0,
        missed_after=x1,
        recorded_after=n1,
        share_before=shares[0],
        share_after=shares[1],
        difference=_difference(x0, n0, x1, n1),
        ratio=ratio,
        ratio_same_hands=same_hands,
        p=_p(x0, n0, x1, n1),
        kept=kept,
        weeks=(*_weeks(before, row), *_weeks(after, row)),
        weeks_before=len(before.weeks),
        weeks_after=len(after.weeks),
        sentence=_sentence(factor, kept, why, ratio, (x0, n0, x1, n1), (len(before.weeks), len(after.weeks))),
        cautions=tuple(_cautions(counted, row, ratio.estimate, same_hands)),
    )


def _kept(
    counted: FollowUpCounts, factor: str, numbers: tuple[int, int, int, int], *, down_by: float, error: float
) -> tuple[Kept, str]:
    """The verdict on one factor, and why it cannot be told."""
    x0, n0, x1, n1 = numbers
    if factor in counted.changed_requirements:
        return (
            "cannot tell",
            t("The requirement itself changed meanwhile, so that misses before and since do not compare."),
        )
    if min(n0, n1) < _LEAST_RECORDED or len(counted.weeks_after.weeks) < _LEAST_WEEKS:
        return "cannot tell", (
            t(
                "To judge takes {least_recorded} readings on each side and {least_weeks} whole weeks since the start.",
                least_recorded=_LEAST_RECORDED,
                least_weeks=_LEAST_WEEKS,
            )
        )
    if x0 < _LEAST_MISSED:
        return "cannot tell", t(
            "With fewer than {least_missed} misses before the decision there is nothing to fall.",
            least_missed=_LEAST_MISSED,
        )
    share = (x0 + x1) / (n0 + n1)
    if share == 1.0:
        return "did not fall", ""
    # Information as it is without a change: it grows with the readings, whatever they say.
    information = share / (1.0 - share) / (1.0 / n0 + 1.0 / n1)
    stray = any_time_quantile(information, error=error)
    wide = ratio_of_shares(x1, n1, x0, n0, level=1.0 - 2.0 * float(ndtr(-stray)))
    asked = 1.0 - down_by
    if wide.high < 1.0 and wide.estimate <= asked:
        return "fell", ""
    if wide.low > asked:
        return "did not fall", ""
    return "cannot tell", t("That it fell as the rule asks is neither shown nor excluded yet.")


def _share(missed: int, recorded: int) -> Estimate:
    if not recorded:
        return UNKNOWN
    found = proportion_interval(events=missed, total=recorded)
    return Estimate(missed / recorded, float(found.low[0]), float(found.high[0]))


def _difference(x0: int, n0: int, x1: int, n1: int) -> Estimate:
    if not n0 or not n1:
        return UNKNOWN
    found = risk_difference(exposed_events=x1, exposed_total=n1, unexposed_events=x0, unexposed_total=n0)
    return Estimate(found.estimate, found.low, found.high)


def _p(x0: int, n0: int, x1: int, n1: int) -> float:
    if not n0 or not n1 or not 0 < x0 + x1 < n0 + n1:
        return float("nan")
    share = (x0 + x1) / (n0 + n1)
    z = (x1 / n1 - x0 / n0) / sqrt(share * (1.0 - share) * (1.0 / n0 + 1.0 / n1))
    return float(2.0 * ndtr(-abs(z)))


def _same_hands(before: WeekCounts, after: WeekCounts, row: int) -> float:
    """Misses since the start through those expected from each technician's own share before."""
    recorded, missed = before.technician_recorded[row], before.technician_missed[row]
    share = np.divide(missed, recorded, out=np.full(len(recorded), np.nan), where=recorded > 0)
    known = np.isfinite(share)
    expected = float((after.technician_recorded[row][known] * share[known]).sum())
    return float(after.technician_missed[row][known].sum() / expected) if expected > 0 else float("nan")


def _weeks(counts: WeekCounts, row: int) -> tuple[MissWeek, ...]:
    return tuple(
        MissWeek(
            week=day.isoformat(),
            met=int(counts.met[row, k]),
            missed=int(counts.missed[row, k]),
            not_recorded=int(counts.not_recorded[row, k]),
        )
        for k, day in enumerate(counts.weeks)
    )


def _cautions(counted: FollowUpCounts, row: int, ratio: float, same_hands: float) -> list[str]:
    said, name = list[str](), _named(counted.factors[row])
    gaps, of = [], []
    for counts in (counted.weeks_before, counted.weeks_after):
        gaps.append(int(counts.not_recorded[row].sum()))
        of.append(gaps[-1] + int(counts.met[row].sum() + counts.missed[row].sum()))
    if min(of) and gaps[1] / of[1] - gaps[0] / of[0] > _MORE_GAPS:
        said.append(
            t(
                "{name} was not recorded for {gaps:.0%} before and {gaps_2:.0%} since the start: what is no "
                "longer written down may be missed.",
                name=name,
                gaps=gaps[0] / of[0],
                gaps_2=gaps[1] / of[1],
            )
        )
    if isfinite(ratio) and isfinite(same_hands) and min(ratio, same_hands) > 0.0:
        apart = max(ratio / same_hands, same_hands / ratio)
        if apart > _OTHER_HANDS:
            said.append(
                t(
                    "{name}: other technicians do the work than before. With the work shared out as it is now, "
                    "the ratio is {same_hands:.2f} and not {ratio:.2f}.",
                    name=name,
                    same_hands=same_hands,
                    ratio=ratio,
                )
            )
    return said


def _named(factor: str) -> str:
    return factor.replace("_", " ")


def _sentence(
    factor: str, kept: Kept, why: str, ratio: Estimate, numbers: tuple[int, int, int, int], weeks: tuple[int, int]
) -> str:
    x0, n0, x1, n1 = numbers
    counts = t(
        "{named}: missed in {x1} of {n1} recorded in {weeks} since the start, {x0} of {n0} in {weeks_2} before the "
        "decision",
        named=_named(factor),
        x1=x1,
        n1=n1,
        weeks=tn(weeks[1], "{n} week", "{n} weeks"),
        x0=x0,
        n0=n0,
        weeks_2=tn(weeks[0], "{n} week", "{n} weeks"),
    )
    if n0 and n1 and isfinite(ratio.estimate):
        counts = t(
            "{counts} (ratio {estimate:.2f}, 95 % interval {low:.2f} to {high:.2f})",
            counts=counts,
            estimate=ratio.estimate,
            low=ratio.low,
            high=ratio.high,
        )
    said = {"fell": t("It fell as the rule asks."), "did not fall": t("It did not fall as the rule asks.")}
    return t("{counts}. {verdict}", counts=counts, verdict=said.get(kept, why))

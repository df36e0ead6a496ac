"""How far a finding can be believed: one table of rules, from the top; the first that fits decides.

The thresholds are the project's own choice. "Goes with" is all that any grade says: what a miss causes is
known only after an action has been followed up.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, isfinite, log
from typing import Final, Literal

from remakes.texts import t

__all__ = ["GRADES", "LARGE", "REPORTED", "RULES", "Grade", "GradeInput", "detectable_odds_ratio", "grade"]

Grade = Literal["strong", "moderate", "weak", "none", "cannot tell"]

GRADES: Final[tuple[Grade, ...]] = ("strong", "moderate", "weak", "none", "cannot tell")
#: Of these a reader is told as of findings.
REPORTED: Final[tuple[Grade, ...]] = ("strong", "moderate", "weak")

#: "None" is an answer only where the interval rules out an odds ratio of this size.
LARGE: Final = 3.0

#: Normal quantiles of a two-sided test at 5 % with 80 % power: 1.960 + 0.842.
_POWER_QUANTILES: Final = 2.802


@dataclass(frozen=True, slots=True, kw_only=True)
class GradeInput:
    """What the rules look at.

    Attributes
    ----------
    odds_ratio, low, high : float
        Adjusted, with the ends of its interval; nan where not estimable, high infinite where open.
    widest_low : float
        Lower end of the widest of the model's own and the cluster-robust intervals; the model's own where
        clusters were not looked at.
    q : float
        After Benjamini-Hochberg over all pairs; nan where not tested.
    returns_missed : int
        Returns among restorations recorded as missed.
    plausible : bool
        The standard names the defect among those this miss may cause.
    inseparable : bool
        Nearly all misses are one technician's or one quarter's.
    doubts : int
        Reasons found against the record of this factor, and checks of the finding that it did not stand (each
        takes a grade off).
    """

    odds_ratio: float
    low: float
    high: float
    widest_low: float
    q: float
    returns_missed: int
    plausible: bool
    inseparable: bool
    doubts: int


@dataclass(frozen=True, slots=True)
class _Rule:
    grade: Grade
    because: str
    fits: Callable[[GradeInput], bool]


RULES: Final = (
    _Rule("cannot tell", t("no estimate could be had"), lambda g: not isfinite(g.odds_ratio)),
    _Rule(
        "cannot tell",
        t("nearly all misses are one technician's or one quarter's"),
        lambda g: g.inseparable and g.odds_ratio > 1,
    ),
    _Rule(
        "strong",
        t("plausible, q < 0.02, widest interval whole above 1.2, at least 5 returns with the miss"),
        lambda g: g.plausible and g.q < 0.02 and min(g.low, g.widest_low) > 1.2 and g.returns_missed >= 5,
    ),
    _Rule(
        "moderate",
        t("plausible, q < 0.05, interval above 1, at least 3 returns with the miss"),
        lambda g: g.plausible and g.q < 0.05 and g.low > 1 and g.returns_missed >= 3,
    ),
    _Rule("weak", t("q < 0.10 and more returns with the miss"), lambda g: g.q < 0.10 and g.odds_ratio > 1),
    _Rule("none", t("q < 0.10, but fewer returns with the miss"), lambda g: g.q < 0.10),
    _Rule(
        "cannot tell",
        t("neither found nor ruled out: the interval reaches an odds ratio of {large:g} or lies above 1", large=LARGE),
        lambda g: not g.high < LARGE or g.low > 1,
    ),
    _Rule("none", t("an odds ratio of {large:g} or more is ruled out", large=LARGE), lambda _g: True),
)

_LOWER: Final[dict[Grade, Grade]] = {"strong": "moderate", "moderate": "weak", "weak": "weak"}


def grade(found: GradeInput) -> tuple[Grade, str]:
    """The grade of a finding and the rule that gave it.

    Each doubt about the record of the factor, or about the finding, takes one grade off, down to weak.
    """
    rule = next(rule for rule in RULES if rule.fits(found))
    given = rule.grade
    for _ in range(found.doubts):
        given = _LOWER.get(given, given)
    if given != rule.grade:
        return given, t("{because}; {grade} but for the doubts", because=rule.because, grade=rule.grade)
    return given, rule.because


def detectable_odds_ratio(log_se: float) -> float:
    """The smallest odds ratio a two-sided 5 % test would find with 80 % power, from the standard error of its log."""
    return exp(min(_POWER_QUANTILES * log_se, log(1e6))) if isfinite(log_se) else float("inf")

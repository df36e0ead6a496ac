"""Does a finding hang on one technician, clinic, quarter or lot?

What the odds ratio would be without each level is foretold by one step of the score; the levels foretold to
move it most, down, up and towards 1, are then taken out of the model and the same model is fitted to the rest:
same columns, same priors, same strength of shrinkage. Only levels that can move the odds ratio are tried: those
with a return that had the miss, or with at least a twentieth of one of the four numbers it is made of (missed
and met, restorations and returns). Any other moves it by a tenth or so at most: each number by less than 5 %.

Fewer restorations mean a wider interval, whichever are taken out. So an interval that then reaches 1 is no
proof that one level made the finding; an odds ratio that falls away is. Both are told. A finding hangs on a
level if without it there is no estimate, or if an interval then reaches 1 and the log odds ratio loses at
least half of its size and one standard error: the project's own rule. The last clause spares pairs without a
finding, whose odds ratio crosses 1 for any reason.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, inf, isfinite, log, nan
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.table import PatternTable
from remakes.deviations.detect import MET, MISSED
from remakes.errors import FitError
from remakes.evidence.checks.clusters import LevelRows, TakenApart
from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.evidence.models.adjusted import LEAST_RETURNS
from remakes.evidence.models.adjustment import PairDesign
from remakes.evidence.models.likelihood import Design
from remakes.evidence.models.logistic import FIT_TOLERANCE, Fit, fit
from remakes.evidence.models.profile_interval import LIMIT_TOLERANCE, profile
from remakes.texts import later, t

__all__ = ["LeaveOut", "leave_one_out"]

Floats = NDArray[np.float64]

#: Levels with at least this share of missed or met restorations or returns are tried, with or without a return.
_SHARE: Final = 0.05
#: Share of the log odds ratio whose loss, without one level, makes a finding hang on it.
_LOST: Final = 0.5
_QUANTILE: Final = 1.959964
#: A refit stops when a step promises less than this gain in the log-likelihood: log odds ratios good to 0.001.
_TOLERANCE: Final = 1e-2
#: Columns that only the removed level told apart are held at zero by this precision; it moves no other estimate.
_FAINT: Final = 1e-6

_WORDS: Final = {
    "quarter": later("quarter of delivery"),
    "lot": later("material lot"),
    "equipment": later("machine"),
    "technician": later("technician"),
    "clinic": later("clinic"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class LeaveOut:
    """What remains of an odds ratio when one level of an attribute is left out.

    Attributes
    ----------
    attribute : str
        technician, clinic, quarter, lot, ...
    full : Estimate
        With everything.
    levels, tried : int
        Levels with a recorded restoration; levels looked at, of which the most telling were left out.
    lowest, highest : float
        Smallest and largest odds ratio of the refits; nan where none could be had.
    lowest_without, highest_without : str
        The levels that were left out then; blank where none could be had.
    worst : Estimate
        Odds ratio and interval (profile-penalized) without `worst_without`.
    worst_without : str
        The level without which the interval comes nearest to 1 (by the curvature at the estimate), or
        furthest beyond.
    no_estimate_without : tuple of str
        Levels without which no odds ratio can be had: all misses, or nearly all returns, are theirs.
    """

    attribute: str
    full: Estimate
    levels: int
    tried: int
    lowest: float = nan
    highest: float = nan
    lowest_without: str = ""
    highest_without: str = ""
    worst: Estimate = UNKNOWN
    worst_without: str = ""
    no_estimate_without: tuple[str, ...] = ()

    @property
    def sign_survives(self) -> bool:
        """Whether every refit is on the same side of 1 as the whole."""
        if self.no_estimate_without:
            return False
        return not self.tried or self._side * log(self._fallen[0]) > 0

    @property
    def interval_survives(self) -> bool:
        """Whether every interval leaves out 1, on the side of the whole."""
        if self.no_estimate_without:
            return False
        return self._leaves_out_one(self.worst if self.tried else self.full)

    @property
    def survives(self) -> bool:
        """Whether the odds ratio hangs on no one level: see the rule above."""
        if self.no_estimate_without:
            return False
        if not self.tried or self.interval_survives:
            return True
        whole = abs(log(self.full.estimate))
        lost = whole - self._side * log(self._fallen[0])
        return lost < _LOST * whole or lost < self._log_se

    @property
    def sentence(self) -> str:
        """For a technician."""
        word = t(_WORDS[self.attribute]) if self.attribute in _WORDS else self.attribute.replace("_", " ")
        ratio = t("{ratio:.1f}", ratio=self.full.estimate)
        if self.no_estimate_without:
            names = ", ".join(_named(level, word) for level in self.no_estimate_without)
            return t("Hangs on {names}: without these restorations there is no odds ratio to be had.", names=names)
        if not self.tried:
            return t("No single {word} holds enough of it to change the odds ratio of {ratio}.", word=word, ratio=ratio)
        fallen, level = self._fallen
        if not self.survives:
            without = t(
                "without these restorations the odds ratio is {fallen:.1f}, not {ratio}", fallen=fallen, ratio=ratio
            )
            return t("Hangs on {named}: {without}.", named=_named(level, word), without=without)
        said = t(
            "Whichever {word} is left out, the odds ratio stays between {lowest:.1f} and {highest:.1f}",
            word=word,
            lowest=self.lowest,
            highest=self.highest,
        )
        if self.interval_survives:
            if self._side > 0:
                return t("{said}, and its interval above 1.", said=said)
            return t("{said}, and its interval below 1.", said=said)
        if self._leaves_out_one(self.full):
            return t(
                "{said}; without {named} its interval reaches 1 ({ends}).",
                said=said,
                named=_named(self.worst_without, word),
                ends=_ends(self.worst),
            )
        return t("{said}; its interval contains 1 as with everything.", said=said)

    @property
    def _side(self) -> float:
        return 1.0 if self.full.estimate > 1.0 else -1.0

    @property
    def _fallen(self) -> tuple[float, str]:
        """The refit nearest to 1 or furthest beyond, and the level it is without."""
        return (self.lowest, self.lowest_without) if self._side > 0 else (self.highest, self.highest_without)

    @property
    def _log_se(self) -> float:
        """From the end of the whole interval that is nearer to 1; infinite where it is open."""
        end = self.full.low if self._side > 0 else self.full.high
        return abs(log(self.full.estimate) - log(end)) / _QUANTILE if 0 < end < inf else inf

    def _leaves_out_one(self, ratio: Estimate) -> bool:
        return ratio.low > 1.0 if self._side > 0 else ratio.high < 1.0

    def as_json(self) -> dict[str, Any]:
        """For findings: what is not a finite number becomes null."""
        return {
            "attribute": self.attribute,
            "levels": self.levels,
            "tried": self.tried,
            "lowest": self.lowest if isfinite(self.lowest) else None,
            "lowest_without": self.lowest_without,
            "highest": self.highest if isfinite(self.highest) else None,
            "highest_without": self.highest_without,
            "worst": self.worst.as_json(),
            "worst_without": self.worst_without,
            "no_estimate_without": list(self.no_estimate_without),
            "sign_survives": self.sign_survives,
            "interval_survives": self.interval_survives,
            "survives": self.survives,
            "sentence": self.sentence,
        }


def _named(level: str, word: str) -> str:
    return (
        t("restorations whose {word} is not recorded", word=word)
        if level in ("", "not recorded")
        else t("{word} {level}", word=word, level=level)
    )


def _ends(ratio: Estimate) -> str:
    if not isfinite(ratio.high):
        return t("{low:.1f} and up", low=ratio.low)
    return t("{low:.1f} to {high:.1f}", low=ratio.low, high=ratio.high)


def leave_one_out(
    table: PatternTable, pair: PairDesign, best: Fit, apart: TakenApart, *, factor: str, defect: str, full: Estimate
) -> LeaveOut | None:
    """What remains of the odds ratio of a missed requirement without any one level of an attribute?

    Parameters
    ----------
    table, factor, defect
        What the pair was made from.
    pair : PairDesign
    best : Fit
        Of the pair's design.
    apart : TakenApart
        The pair by technician, clinic, quarter; by lot and equipment where they were counted.
    full : Estimate
        The odds ratio with its interval.

    Returns
    -------
    LeaveOut or None
        None where one level holds all recorded restorations: there is nothing to leave out.
    """
    attribute, rows = apart.by, apart.rows
    present = rows.present
    if len(present) < 2:
        return None
    names = table.attributes[attribute].levels
    worth = _worth_trying(table, factor, defect, attribute)
    tried = [int(level) for level in present if worth[level]]
    left = [level for level in tried if _something_left(pair.design, rows, level)]
    side = 1.0 if full.estimate > 1.0 else -1.0
    refits = {level: _refitted(pair.design, rows, level, best) for level in _foretold(pair, best, apart, left, side)}
    held = {level: refit for level, refit in refits.items() if refit is not None}
    found = LeaveOut(
        attribute=attribute,
        full=full,
        levels=len(present),
        tried=len(tried),
        no_estimate_without=tuple(names[level] for level in tried if level not in left or refits.get(level, 1) is None),
    )
    return _summed_up(found, names, held, side) if held else found


def _foretold(pair: PairDesign, best: Fit, apart: TakenApart, levels: list[int], side: float) -> set[int]:
    """Levels without which the odds ratio should be lowest, highest, and its interval nearest to 1."""
    if not levels:
        return set()
    size, at = pair.design.size, pair.design.bins
    whole = np.linalg.inv(best.covariance)
    rests = np.empty((len(levels), size, size))
    scores = np.zeros((len(levels), size))
    for k, level in enumerate(levels):
        score = apart.scores[level]
        rests[k] = whole
        rests[k][np.ix_(score.columns, score.columns)] -= score.information
        scores[k, score.columns] = score.score
    # What only this level told apart is held where it is.
    rests[:, np.arange(size), np.arange(size)] += _FAINT
    asked = np.zeros((size, 1))
    asked[at] = 1.0
    row = np.linalg.solve(rests, np.broadcast_to(asked, (len(levels), size, 1)))[:, :, 0]
    log_ratio = best.theta[at] - np.einsum("ij,ij->i", row, scores)
    nearest = side * log_ratio - _QUANTILE * np.sqrt(np.maximum(row[:, at], 0.0))
    return {levels[int(k)] for k in (log_ratio.argmin(), log_ratio.argmax(), nearest.argmin())}


def _summed_up(found: LeaveOut, names: tuple[str, ...], held: dict[int, _Refit], side: float) -> LeaveOut:
    lowest, highest = (pick(held, key=lambda level: held[level].log_ratio) for pick in (min, max))
    worst = min(held, key=lambda level: side * held[level].log_ratio - _QUANTILE * held[level].se)
    return replace(
        found,
        lowest=exp(held[lowest].log_ratio),
        highest=exp(held[highest].log_ratio),
        lowest_without=names[lowest],
        highest_without=names[highest],
        worst=held[worst].interval(),
        worst_without=names[worst],
    )


def _worth_trying(table: PatternTable, factor: str, defect: str, attribute: str) -> NDArray[np.bool_]:
    """Which levels can move the odds ratio; the others hold too little of its misses and returns."""
    codes, size = table.attributes[attribute].codes, len(table.attributes[attribute].levels)
    status, returned = table.status_of(factor), table.returns_by_pattern(defect)
    worth = np.bincount(codes, returned * (status == MISSED), minlength=size) > 0
    for code in (MISSED, MET):
        for counted in (table.restorations, returned):
            held = np.bincount(codes, counted * (status == code), minlength=size)
            worth |= (held > 0) & (held >= _SHARE * held.sum())
    return worth


@dataclass(frozen=True, slots=True)
class _Refit:
    design: Design
    fitted: Fit

    @property
    def log_ratio(self) -> float:
        return float(self.fitted.theta[self.design.bins])

    @property
    def se(self) -> float:
        return float(np.sqrt(self.fitted.covariance[self.design.bins, self.design.bins]))

    def interval(self) -> Estimate:
        """Profile interval, for which the fit is finished first; open at both ends where none can be had."""
        try:
            best = fit(self.design, start=self.fitted.theta, tolerance=FIT_TOLERANCE)
            found = profile(self.design, best, 0, tolerance=LIMIT_TOLERANCE)
        except FitError:
            return Estimate(exp(self.log_ratio), 0.0, inf)
        return Estimate(*(exp(v) if v < inf else inf for v in (found.estimate, found.low, found.high)))


def _refitted(design: Design, apart: LevelRows, level: int, best: Fit) -> _Refit | None:
    """The fit without one level; None where it finds no maximum."""
    without, kept = _without(design, apart, level)
    try:
        return _Refit(without, fit(without, start=best.theta[kept], tolerance=_TOLERANCE))
    except FitError:
        return None


def _rest(design: Design, apart: LevelRows, level: int) -> tuple[Floats, Floats]:
    """Months at risk and returns without one level."""
    here = apart.of(level)
    at_risk, events = design.at_risk.copy(), design.events.copy()
    at_risk[apart.rows[here]] -= apart.at_risk[here]
    events[apart.rows[here]] -= apart.events[here]
    return at_risk, events


def _something_left(design: Design, apart: LevelRows, level: int) -> bool:
    """Whether there are returns, misses and met restorations without one level."""
    at_risk, events = _rest(design, apart, level)
    missed = design.covariates[at_risk.any(axis=1), 0] > 0
    return bool(events.sum() >= LEAST_RETURNS and missed.any() and not missed.all())


def _without(design: Design, apart: LevelRows, level: int) -> tuple[Design, NDArray[np.intp]]:
    """The design without one level, and which of the parameters it still has."""
    at_risk, events = _rest(design, apart, level)
    rows = np.flatnonzero(at_risk.any(axis=1))
    bins = np.flatnonzero(events.any(axis=0))
    p = design.covariates.shape[1]
    kept = [bins, design.bins + np.arange(p)]
    groups = None
    if design.groups is not None:
        levels, groups = np.unique(design.groups[rows], return_inverse=True)
        kept.append(design.bins + p + levels)
    without = replace(
        design,
        covariates=design.covariates[rows],
        at_risk=at_risk[np.ix_(rows, bins)],
        events=events[np.ix_(rows, bins)],
        # The question itself stays as it is.
        ridge=np.append(design.ridge[:1], np.maximum(design.ridge[1:], _FAINT)),
        groups=groups,
    )
    return without, np.concatenate(kept)

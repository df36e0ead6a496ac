"""Two requirements missed on one restoration: do the misses act together, or does each only play its own part?

Asked of two requirements that may both cause the defect, among restorations on which both are recorded. The
model is that of a single requirement with both misses and their product as columns, within the union of both
adjustment sets: nothing in it is of a later step than the later of the two. On the scale of odds the question
is whether the two odds ratios multiply (the product's coefficient); on the scale of returns it is whether they
add up (the relative excess risk due to interaction).

References
----------
Rothman KJ, Greenland S, Walker AM. Am J Epidemiol 112:467-470 (1980), for which scale answers which question.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from remakes.counts.table import PatternTable
from remakes.deviations.detect import MET, MISSED, NOT_RECORDED
from remakes.errors import FitError
from remakes.evidence.checks.excess_risk import excess_risk
from remakes.evidence.estimate import Estimate, finite_or_none
from remakes.evidence.grades import LARGE
from remakes.evidence.models.adjusted import LEAST_RETURNS
from remakes.evidence.models.adjustment import Background, adjustment_names
from remakes.evidence.models.case_mix import RIDGE_WEAK, CaseMix, weak_ridge
from remakes.evidence.models.designs import independent_columns, row_numbers
from remakes.evidence.models.likelihood import Design
from remakes.evidence.models.logistic import FIT_TOLERANCE, fit
from remakes.evidence.models.profile_interval import LIMIT_TOLERANCE, ProfileInterval, profile
from remakes.evidence.models.shrinkage import estimate_shrinkage
from remakes.evidence.tables.multiplicity import benjamini_hochberg
from remakes.records.codes import defect_in_text
from remakes.records.standard import ProcessStandard
from remakes.texts import later, run_on, t

__all__ = ["LEAST_EXPECTED_TOGETHER", "Cell", "Interactions", "Together", "interactions"]

Floats = NDArray[np.float64]

#: Returns to expect where both are missed, were the two ratios to multiply, from which on a pair is tested. A pair
#: that acts only together lets expect few before it is looked at: in a simulation with odds ratios of 1, 1 and 6 a
#: bar of 2 kept out two thirds of the pairs, and most of those would have been found. The project's own choice.
LEAST_EXPECTED_TOGETHER: Final = 1.0
#: Below this q two misses are said to act together. Stricter than for single requirements: in most labs no two may
#: do so, and where nothing is there to be found, the false discovery rate is the chance of any false alarm at all.
_FOUND_Q: Final = 0.05

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """Restorations with both requirements recorded, and how many of them came back with the defect."""

    restorations: int
    returns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """Two requirements and one defect they may both cause.

    Attributes
    ----------
    first, second : str
        Factors, in order of work.
    defect : str
    neither, first_alone, second_alone, both : Cell
        By what was missed, among restorations with both recorded.
    odds_first, odds_second, odds_both : Estimate
        Odds ratios per month at risk against neither missed, within the adjustment set; profile intervals.
    ratio : Estimate
        The odds ratio of both over the product of the other two; 1: they multiply.
    excess : Estimate
        Relative excess risk due to interaction, odds_both - odds_first - odds_second + 1; 0: they add up.
        Odds ratios per month stand for risk ratios: returns within one month are rare.
    expected : float
        Returns to expect where both are missed, were the two crude ratios to multiply.
    p, q : float
        Penalized likelihood-ratio test that they multiply; Benjamini-Hochberg over all tested.
    """

    first: str
    second: str
    defect: str
    neither: Cell
    first_alone: Cell
    second_alone: Cell
    both: Cell
    odds_first: Estimate
    odds_second: Estimate
    odds_both: Estimate
    ratio: Estimate
    excess: Estimate
    expected: float
    p: float
    q: float

    @property
    def found(self) -> bool:
        """Whether the two odds ratios do not multiply, at a false discovery rate of 5 %."""
        return self.q < _FOUND_Q

    @property
    def sentence(self) -> str:
        """What the four groups say, in plain words."""
        said = t(
            "Missed together, {first} and {second} go with {defect} {times} as often as when neither is "
            "missed ({size} to {size_2}); {first} alone {times_2}, {second} alone {times_3}.",
            first=self.first,
            second=self.second,
            defect=defect_in_text(self.defect),
            times=_times(self.odds_both.estimate),
            size=_size(self.odds_both.low),
            size_2=_size(self.odds_both.high),
            times_2=_times(self.odds_first.estimate),
            times_3=_times(self.odds_second.estimate),
        )
        product = t(
            "what the two make by multiplying ({size})",
            size=_size(self.odds_first.estimate * self.odds_second.estimate),
        )
        if self.found:
            that = (
                t("That is more than {product}.", product=product)
                if self.ratio.estimate > 1
                else t("That is less than {product}.", product=product)
            )
        elif not self.ratio.low <= 1 <= self.ratio.high:
            return run_on(
                said,
                t("That is not {product}, but among so many pairs chance alone may show as much.", product=product),
            )
        elif self.ratio.low > 1 / LARGE and self.ratio.high < LARGE:
            that = t("That fits {product}.", product=product)
        else:
            return run_on(
                said, t("These records cannot tell whether that is more or less than {product}.", product=product)
            )
        by_adding = t("More come back than the two would make by adding up.") if self.excess.low > 0 else ""
        return run_on(said, that, by_adding)

    def as_json(self) -> dict[str, Any]:
        """For findings; figures that cannot be had are null."""
        cells = {name: getattr(self, name) for name in ("neither", "first_alone", "second_alone", "both")}
        figures = {name: getattr(self, name) for name in ("odds_first", "odds_second", "odds_both", "ratio", "excess")}
        return {
            "factors": [self.first, self.second],
            "defect": self.defect,
            **{name: {"restorations": cell.restorations, "returns": cell.returns} for name, cell in cells.items()},
            **{name: figure.as_json() for name, figure in figures.items()},
            "expected_if_multiplied": finite_or_none(self.expected),
            "p": finite_or_none(self.p),
            "q": finite_or_none(self.q),
            "found": self.found,
            "sentence": self.sentence,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Interactions:
    """Every tested pair of requirements, and how many could not be tested.

    Attributes
    ----------
    tested : tuple of Together
        In order of p.
    plausible : int
        Pairs of requirements with a defect that both may cause and that has a return.
    too_few : int
        Of these, not tested: less than `LEAST_EXPECTED_TOGETHER` return to expect where both are missed, fewer
        than three returns in all, or a group without a restoration.
    not_fitted : tuple of str
        Pairs that had enough returns and no estimate nevertheless, each with the reason.
    """

    tested: tuple[Together, ...]
    plausible: int
    too_few: int
    not_fitted: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """How much was looked at, and what came of it."""
        found = sum(one.found for one in self.tested)
        return t(
            "Of {plausible} pairs of requirements that may cause the same defect, {tested} were tested "
            "and {found} found to act together; of {too_few} these records cannot tell, since they let "
            "expect less than {least_expected_together:g} return where both are missed.",
            plausible=self.plausible,
            tested=len(self.tested),
            found=found,
            too_few=self.too_few,
            least_expected_together=LEAST_EXPECTED_TOGETHER,
        )

    def as_json(self) -> dict[str, Any]:
        """For findings."""
        return {
            "plausible": self.plausible,
            "too_few": self.too_few,
            "not_fitted": list(self.not_fitted),
            "tested": [one.as_json() for one in self.tested],
        }


def interactions(
    table: PatternTable,
    standard: ProcessStandard,
    *,
    backgrounds: Mapping[str, Background] | None = None,
    progress: Progress | None = None,
) -> Interactions:
    """Which two misses, on one restoration, go with more returns than each of them makes for itself?

    Parameters
    ----------
    table : PatternTable
    standard : ProcessStandard
        The one the table was counted by.
    backgrounds : mapping of str to Background, optional
        By defect; those that are missing are made, which costs as much as several pairs.
    progress : callable, optional
        Told what is done, how many pairs are finished, and of how many.

    Returns
    -------
    Interactions
        Empty where no two requirements may cause the same defect.

    Notes
    -----
    Which pairs are tested follows from the returns with each miss, whatever the other, and from the months at
    risk: never from the returns with both. So the choice of pairs does not favour those that deviate, and no p
    needs a correction for it. Restorations with either requirement unrecorded are left out.
    """
    pairs = list(_plausible_pairs(table, standard))
    enough = [pair for pair in pairs if pair.enough]
    compared: list[Together | str] = []
    # The matrices are small: one thread is quicker than several that wait for each other.
    with threadpool_limits(limits=1):
        made = _backgrounds(table, dict.fromkeys(pair.defect for pair in enough), backgrounds or {})
        for pair in enough:
            try:
                compared.append(_together(table, made[pair.defect], standard, pair))
            except FitError as error:
                compared.append(f"{pair.first} with {pair.second}, {pair.defect}: {error}")
            if progress:
                progress(later("comparing pairs"), len(compared), len(enough))
    tested = [one for one in compared if isinstance(one, Together)]
    q_values = benjamini_hochberg(np.array([one.p for one in tested]))
    graded = [replace(one, q=float(q)) for one, q in zip(tested, q_values, strict=True)]
    return Interactions(
        tested=tuple(sorted(graded, key=lambda one: (one.p, one.defect, one.first, one.second))),
        plausible=len(pairs),
        too_few=len(pairs) - len(enough),
        not_fitted=tuple(one for one in compared if isinstance(one, str)),
    )


class _Pair(NamedTuple):
    first: str
    second: str
    defect: str
    expected: float
    enough: bool


def _plausible_pairs(table: PatternTable, standard: ProcessStandard) -> Iterable[_Pair]:
    """Factors are in order of work, so the first of a pair is never of a later step than the second."""
    for defect in table.defects:
        at_risk, events = table.events_of(defect)
        suspects = [factor for factor in table.factors if defect in standard.may_cause(factor)]
        for first, second in combinations(suspects, 2):
            expected, enough = _expectation(table.status_of(first), table.status_of(second), at_risk, events)
            yield _Pair(first, second, defect, expected, enough)


def _expectation(
    first: NDArray[np.int8], second: NDArray[np.int8], at_risk: Floats, events: Floats
) -> tuple[float, bool]:
    """Returns to expect where both are missed, from the returns with each miss whatever the other; and whether to test.

    At the common hazard of each month bin, times the ratio of observed to expected returns with either miss.
    """
    known = _recorded(first) & _recorded(second)
    A, B = known & (first == MISSED), known & (second == MISSED)
    months, returns = at_risk[known].sum(axis=0), events[known].sum(axis=0)
    hazard = np.divide(returns, months, out=np.zeros(len(months)), where=months > 0)
    by_chance = {name: float(at_risk[rows].sum(axis=0) @ hazard) for name, rows in (("A", A), ("B", B), ("AB", A & B))}
    if min(by_chance.values()) <= 0.0:
        return 0.0, False
    expected = by_chance["AB"] * float(events[A].sum()) / by_chance["A"] * float(events[B].sum()) / by_chance["B"]
    four = all(float(at_risk[known & a & b].sum()) > 0.0 for a in (A, ~A) for b in (B, ~B))
    return expected, four and expected >= LEAST_EXPECTED_TOGETHER and float(returns.sum()) >= LEAST_RETURNS


def _recorded(status: NDArray[np.int8]) -> NDArray[np.bool_]:
    known: NDArray[np.bool_] = (status == MET) | (status == MISSED)
    return known


def _backgrounds(
    table: PatternTable, defects: Iterable[str], given: Mapping[str, Background]
) -> Mapping[str, Background]:
    made = dict(given)
    case_mix: CaseMix | None = None
    for defect in defects:
        if defect not in made:
            case_mix = case_mix or CaseMix(table)
            at_risk, events = table.events_of(defect)
            shrinkage = estimate_shrinkage(case_mix, at_risk=at_risk, events=events)
            made[defect] = Background(table, case_mix, shrinkage, defect)
    return made


def _together(table: PatternTable, background: Background, standard: ProcessStandard, pair: _Pair) -> Together:
    design, start = _joint_design(table, background, standard, pair)
    multiplied = fit(design, start=start, tolerance=FIT_TOLERANCE)
    product = profile(design, multiplied, 0, tolerance=LIMIT_TOLERANCE)
    # The same model with one column for each of three groups, whose coefficients are the odds ratios against neither.
    grouped = replace(design, covariates=_group_columns(design.covariates))
    theta = multiplied.theta.copy()
    theta[design.bins] += theta[design.bins + 1] + theta[design.bins + 2]
    best = fit(grouped, start=theta, tolerance=FIT_TOLERANCE)
    both, first, second = (_odds(profile(grouped, best, k, tolerance=LIMIT_TOLERANCE)) for k in range(3))
    V = best.covariance[design.bins : design.bins + 3, design.bins : design.bins + 3]
    sd = np.sqrt(np.diag(V))
    return Together(
        first=pair.first,
        second=pair.second,
        defect=pair.defect,
        **_cells(table, pair),
        odds_first=first,
        odds_second=second,
        odds_both=both,
        ratio=_odds(product),
        excess=excess_risk(both=both, first=first, second=second, correlation=V / np.outer(sd, sd)),
        expected=pair.expected,
        p=product.p,
        q=float("nan"),
    )


def _joint_design(
    table: PatternTable, background: Background, standard: ProcessStandard, pair: _Pair
) -> tuple[Design, Floats]:
    """Product, first, second, other misses of both adjustment sets, background; rows alike merged."""
    # The second is of no earlier step than the first, so its set holds that of the first, and the first itself.
    others_of_set = (name for name in adjustment_names(standard, pair.second, pair.defect) if name != pair.first)
    names = (pair.first, pair.second, *others_of_set)
    statuses = table.status[:, [table.factors.index(name) for name in names]]
    rows = np.flatnonzero(_recorded(statuses[:, 0]) & _recorded(statuses[:, 1]))
    number = row_numbers(np.column_stack([background.number[rows], statuses[rows]]).astype(np.float64))
    order = rows[np.argsort(number, kind="stable")]
    starts = np.flatnonzero(np.append(True, np.diff(np.sort(number)) > 0))
    first_rows = order[starts]
    events = np.add.reduceat(background.events[order], starts)
    bins = np.flatnonzero(events.sum(axis=0) > 0)

    own, others = statuses[first_rows, :2] == MISSED, statuses[first_rows, 2:]
    misses = np.stack([others == MISSED, others == NOT_RECORDED], axis=-1).reshape(len(first_rows), -1)
    X = np.column_stack([own.all(axis=1), own, misses, background.columns[first_rows]]).astype(np.float64)
    fixed = np.full(background.fixed, weak_ridge(background.fixed, returns=float(events.sum())))
    ridge = np.concatenate(
        [np.zeros(3), np.full(misses.shape[1], RIDGE_WEAK), fixed, background.ridge[background.fixed :]]
    )
    start = np.concatenate([np.zeros(3 + misses.shape[1]), background.start])
    keep = independent_columns(X, ridge)
    levels, groups = np.unique(background.groups[first_rows], return_inverse=True)
    in_groups = background.group_ridge > 0
    design = Design(
        covariates=np.ascontiguousarray(X[:, keep]),
        at_risk=np.add.reduceat(background.at_risk[order], starts)[:, bins],
        events=events[:, bins],
        ridge=ridge[keep],
        groups=groups.astype(np.intp) if in_groups else None,
        group_ridge=background.group_ridge,
        single=True,
    )
    tail = background.group_start[levels] if in_groups else np.zeros(0)
    return design, np.concatenate([background.bin_start[bins], start[keep], tail])


def _group_columns(covariates: Floats) -> Floats:
    """From product, first, second to both, first alone, second alone: the determinant is 1, so the penalty stays."""
    columns = covariates.copy()
    columns[:, 1:3] -= columns[:, :1]
    return columns


def _odds(interval: ProfileInterval) -> Estimate:
    return Estimate(*(float(np.exp(value)) for value in (interval.estimate, interval.low, interval.high)))


def _cells(table: PatternTable, pair: _Pair) -> dict[str, Cell]:
    first, second = table.status_of(pair.first), table.status_of(pair.second)
    returned = table.returns_by_pattern(pair.defect)

    def of(a: int, b: int) -> Cell:
        rows = (first == a) & (second == b)
        return Cell(restorations=int(table.restorations[rows].sum()), returns=int(returned[rows].sum()))

    return {
        "neither": of(MET, MET),
        "first_alone": of(MISSED, MET),
        "second_alone": of(MET, MISSED),
        "both": of(MISSED, MISSED),
    }


def _size(value: float) -> str:
    return t("{value:.1f}", value=value) if value < 100 else t("100 or more")


def _times(value: float) -> str:
    return t("{size} times", size=_size(value))

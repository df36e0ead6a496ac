"""Would another kind of model tell returns apart better? Logistic regression against boosted trees, out of time.

Both are fitted to the older deliveries and judged on the younger ones. If the trees win clearly, the
logistic model misses something that they can see: an interaction, or a threshold.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from remakes.counts.table import PatternTable
from remakes.deviations.detect import MISSED, NOT_RECORDED
from remakes.evidence.models.case_mix import SHRUNKEN, CaseMix

__all__ = ["CrossCheck", "cross_check"]

Floats = NDArray[np.float64]

#: Share of the restorations, the youngest quarters, that judge.
_HELD_OUT: Final = 0.3
#: Returns needed on either side of the cut.
_LEAST_RETURNS: Final = 15
#: The trees win clearly from this difference of the area under the curve on, and not within chance: an area from
#: n returns has a standard error of about 0.29 / sqrt(n) (Hanley & McNeil, Radiology 143:29, 1982, at 0.5).
_CLEAR_WIN: Final = 0.05
_CHANCE: Final = 2 * 0.29
#: Months without a return that the models look at, at most.
_MOST_MONTHS: Final = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossCheck:
    """Discrimination of the two models for one defect.

    Attributes
    ----------
    defect : str
    returns_fitted, returns_judged : int
    logistic, trees : float
        Area under the receiver operating curve among the younger deliveries, within month bins: how often, of two
        restorations in the same month of service, the one that came back had the higher fitted hazard (0.5: no
        better than chance). Across bins any model would shine by knowing that returns come early.
    """

    defect: str
    returns_fitted: int
    returns_judged: int
    logistic: float
    trees: float

    @property
    def trees_win(self) -> bool:
        """Whether the trees see something the logistic model misses."""
        return bool(self.trees - self.logistic > max(_CLEAR_WIN, _CHANCE / np.sqrt(self.returns_judged)))

    def as_json(self) -> dict[str, Any]:
        """For findings."""
        return {
            "defect": self.defect,
            "returns_fitted": self.returns_fitted,
            "returns_judged": self.returns_judged,
            "area_logistic": self.logistic,
            "area_trees": self.trees,
            "trees_win": self.trees_win,
        }


def cross_check(table: PatternTable, *, seed: int = 0) -> tuple[CrossCheck, ...]:
    """Does a boosted-tree model tell returns apart better than a logistic one?

    Parameters
    ----------
    table : PatternTable
    seed : int
        Of the trees.

    Returns
    -------
    tuple of CrossCheck
        The defects with at least 15 returns among the older and among the younger deliveries.
    """
    young = _young(table)
    features = _features(table)
    # On a busy machine, threads that wait for each other take many times as long. Limits reach what is loaded.
    import sklearn.ensemble
    import sklearn.linear_model  # noqa: F401 - loaded so that the limit reaches it

    with threadpool_limits(limits=1):
        found = [_of_defect(table, defect, features, young, seed=seed) for defect in table.defects]
    return tuple(one for one in found if one is not None)


def _young(table: PatternTable) -> NDArray[np.bool_]:
    """Patterns of the youngest quarters that together hold about the held-out share."""
    quarter = table.attributes["quarter"]
    held = np.bincount(quarter.codes, table.restorations, minlength=len(quarter.levels))
    # Levels are named so that their order is that of time.
    older = np.cumsum(held) <= (1.0 - _HELD_OUT) * held.sum()
    young: NDArray[np.bool_] = ~older[quarter.codes]
    return young


def _features(table: PatternTable) -> Floats:
    """What both models may look at; the quarter is left out, since the younger ones are unknown to the older."""
    case_mix = CaseMix(table)
    rows = np.arange(table.patterns)
    blocks = [case_mix.columns, table.status == MISSED, table.status == NOT_RECORDED]
    blocks += [case_mix.indicators(name, rows) for name in SHRUNKEN if name != "quarter"]
    return np.hstack([np.asarray(block, dtype=np.float64) for block in blocks])


def _of_defect(
    table: PatternTable, defect: str, features: Floats, young: NDArray[np.bool_], *, seed: int
) -> CrossCheck | None:
    from sklearn.ensemble import HistGradientBoostingClassifier
    from sklearn.linear_model import LogisticRegression

    at_risk, events = table.events_of(defect)
    counts = [int(events[rows].sum()) for rows in (~young, young)]
    if min(counts) < _LEAST_RETURNS:
        return None
    old, new = (_months(features[rows], at_risk[rows], events[rows], seed=seed) for rows in (~young, young))
    areas = []
    for model in (
        # A ridge of standard deviation 1 on every effect, as the trees are shrunken by their learning rate.
        LogisticRegression(C=1.0, max_iter=2000),
        HistGradientBoostingClassifier(max_iter=100, learning_rate=0.05, max_leaf_nodes=8, random_state=seed),
    ):
        model.fit(old.X, old.y)
        areas.append(_area_within_bins(new, model.predict_proba(new.X)[:, 1]))
    return CrossCheck(
        defect=defect, returns_fitted=counts[0], returns_judged=counts[1], logistic=areas[0], trees=areas[1]
    )


@dataclass(frozen=True, slots=True)
class _Months:
    """One row a month at risk."""

    X: Floats
    y: NDArray[np.int64]
    month_bin: NDArray[np.int64]


def _area_within_bins(months: _Months, fitted: Floats) -> float:
    """Mean of the bins' areas, by their returns."""
    from sklearn.metrics import roc_auc_score

    areas, returns = [], []
    for k in np.unique(months.month_bin[months.y == 1]):
        rows = months.month_bin == k
        if not months.y[rows].all():
            areas.append(roc_auc_score(months.y[rows], fitted[rows]))
            returns.append(int(months.y[rows].sum()))
    return float(np.average(areas, weights=returns)) if areas else float("nan")


def _months(features: Floats, at_risk: Floats, events: Floats, *, seed: int) -> _Months:
    """All months with a return, and of those without at most a fixed number, drawn at random.

    Trees look at how many rows a leaf holds, so counts are spread out into rows again. Leaving out months
    without a return moves the intercept and nothing that is read here.
    """
    without = (at_risk - events).astype(np.int64)
    total = int(without.sum())
    if total > _MOST_MONTHS:
        drawn = np.random.default_rng(seed).multinomial(_MOST_MONTHS, without.ravel() / total)
        without = drawn.reshape(without.shape)
    parts = [(events.astype(np.int64), 1), (without, 0)]
    pattern = np.concatenate([np.repeat(np.nonzero(n)[0], n[np.nonzero(n)]) for n, _value in parts])
    month_bin = np.concatenate([np.repeat(np.nonzero(n)[1], n[np.nonzero(n)]) for n, _value in parts])
    y = np.concatenate([np.full(int(n.sum()), value) for n, value in parts])
    return _Months(np.hstack([features[pattern], np.eye(at_risk.shape[1])[month_bin]]), y, month_bin)

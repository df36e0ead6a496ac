"""The methods compared: two that a user would write, the project's own evidence, and the same with nothing hidden."""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import statsmodels.api as sm
from scipy.stats import chi2_contingency

from remakes.actions.prepared import Prepared, prepare
from remakes.actions.ranking import rank_prepared
from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.counts.table import PatternTable
from remakes.evidence.findings import Finding, find
from remakes.evidence.tables.multiplicity import benjamini_hochberg
from remakes.records.corrective_actions import CorrectiveAction, Costs
from remakes.records.snapshot import Snapshot
from tests.benchmarks.recovery.labs import Lab, Pair
from tests.benchmarks.recovery.orders import KINDS, Flags, Floats
from tests.benchmarks.recovery.service import HORIZON
from tests.benchmarks.recovery.trade import DEFECTS, NAMES
from tests.benchmarks.recovery.values import Priced, price

__all__ = ["FIRST", "METHODS", "Answer", "Spared", "Told"]

#: So many factors are acted on.
FIRST: Final = 3
_NORMAL: Final = 1.959964
_FOUND: Final = 0.10


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What a method says of one pair; nan where it says nothing.

    Attributes
    ----------
    p : float
    odds_ratio, low, high : float
    avoidable, avoidable_low, avoidable_high : float
        Returns within the horizon, among the restorations in the records.
    grade : str
        The project's grade; blank from a method that gives none.
    """

    p: float
    odds_ratio: float
    low: float = float("nan")
    high: float = float("nan")
    avoidable: float = float("nan")
    avoidable_low: float = float("nan")
    avoidable_high: float = float("nan")
    grade: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spared:
    """Returns spared by an end of some misses, had all restorations been followed to the horizon; 90 % interval."""

    told: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a method says of one lab.

    Attributes
    ----------
    told : mapping of (factor, defect) to Told
    q : mapping of (factor, defect) to float
        Benjamini-Hochberg over all pairs tested; nan where not tested.
    first : tuple of str
        The factors it would act on, best first.
    seconds : float
    alone : mapping of str to Spared
        By factor; empty from a method that gives no such figure.
    joint : Spared or None
        Of the first factors together.
    priced : Priced or None
        Actions ranked by what they are worth at a price.
    """

    told: Mapping[Pair, Told]
    q: Mapping[Pair, float]
    first: tuple[str, ...]
    seconds: float
    alone: Mapping[str, Spared] = field(default_factory=dict)
    joint: Spared | None = None
    priced: Priced | None = None


def chi_square(lab: Lab) -> Answer:
    """Each factor against "ever came back with it": Pearson's test as scipy gives it, unrecorded left out."""
    started = time.perf_counter()
    returned = _ever_returned(lab)
    told = {}
    for k, factor in enumerate(NAMES):
        known, missed = lab.logged.recorded[:, k], lab.logged.missed[:, k]
        for d, defect in enumerate(DEFECTS):
            a, b = int(returned[missed, d].sum()), int(missed.sum())
            c, n = int(returned[known & ~missed, d].sum()), int((known & ~missed).sum())
            told[factor, defect] = _fourfold(a, b, c, n)
    return _user(told, started)


def all_in(lab: Lab) -> Answer:
    """One logistic regression a defect, on all factors, technician and kind; unpenalized, Wald; a gap counts as met."""
    started = time.perf_counter()
    returned = _ever_returned(lab)
    people, kinds = np.eye(lab.orders.technician.max() + 1)[:, 1:], np.eye(len(KINDS))[:, 1:]
    X = np.column_stack(
        [
            lab.logged.missed.astype(np.float64),
            people[lab.orders.technician],
            kinds[lab.orders.kind],
            np.ones(lab.orders.size),
        ]
    )
    told: dict[Pair, Told] = {}
    for d, defect in enumerate(DEFECTS):
        told |= {(factor, defect): one for factor, one in zip(NAMES, _logistic(X, returned[:, d]), strict=True)}
    return _user(told, started)


def own_chain(lab: Lab) -> Answer:
    """The project's evidence on the records as logged."""
    return _own(lab.snapshot)


def oracle(lab: Lab) -> Answer:
    """The project's evidence on the same lab without gaps, errors and late slips: all its method could find."""
    return _own(lab.hidden)


METHODS: Final[Mapping[str, Callable[[Lab], Answer]]] = {
    "chi-square": chi_square,
    "all-in logistic": all_in,
    "remakes": own_chain,
    "oracle": oracle,
}


def _ever_returned(lab: Lab) -> Flags:
    returned = np.zeros((lab.orders.size, len(DEFECTS)), dtype=bool)
    returned[lab.returns.restoration, lab.returns.defect] = True
    return returned


def _fourfold(a: int, b: int, c: int, n: int) -> Told:
    """a of b missed came back, c of n met."""
    if not (b and n and a + c):
        return Told(p=float("nan"), odds_ratio=float("nan"))
    p = float(chi2_contingency([[a, b - a], [c, n - c]]).pvalue)
    met, missed = a * (n - c), (b - a) * c
    return Told(p=p, odds_ratio=met / missed if missed else float("inf"), avoidable=a - b * c / n)


def _logistic(X: Floats, returned: Flags) -> list[Told]:
    """One fit; what its summary says of each factor. A fit that fails says nothing."""
    nothing = [Told(p=float("nan"), odds_ratio=float("nan")) for _ in NAMES]
    if not returned.any():
        return nothing
    try:
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")  # separation is warned of and goes on, as on a user's screen
            fitted = sm.Logit(returned.astype(np.float64), X).fit(disp=0, maxiter=100)
            beta, p, se = np.asarray(fitted.params), np.asarray(fitted.pvalues), np.asarray(fitted.bse)
            risk = np.asarray(fitted.predict(X))
            told = [_coefficient(k, X, beta, p, se, risk) for k in range(len(NAMES))]
    except (np.linalg.LinAlgError, ValueError):
        return nothing
    return told


def _coefficient(k: int, X: Floats, beta: Floats, p: Floats, se: Floats, risk: Floats) -> Told:
    missed = X[:, k] > 0
    odds = risk[missed] / (1.0 - risk[missed]) * np.exp(-beta[k])
    low, high = np.exp(beta[k] - _NORMAL * se[k]), np.exp(beta[k] + _NORMAL * se[k])
    return Told(
        p=float(p[k]),
        odds_ratio=float(np.exp(beta[k])),
        low=float(low),
        high=float(high),
        avoidable=float((risk[missed] - odds / (1.0 + odds)).sum()),
    )


def _user(told: Mapping[Pair, Told], started: float) -> Answer:
    q = _q_values(told)
    return Answer(told=told, q=q, first=_by_avoidable(told, q), seconds=time.perf_counter() - started)


def _q_values(told: Mapping[Pair, Told]) -> dict[Pair, float]:
    return dict(zip(told, benjamini_hochberg([one.p for one in told.values()]).tolist(), strict=True))


def _by_avoidable(told: Mapping[Pair, Told], q: Mapping[Pair, float]) -> tuple[str, ...]:
    """Factors by the returns that the pairs found would spare; where those are too few, the next smallest p."""
    worth: dict[str, float] = {}
    for pair, one in told.items():
        if q[pair] < _FOUND and one.odds_ratio > 1.0:
            worth[pair[0]] = worth.get(pair[0], 0.0) + one.avoidable
    found = sorted(worth, key=lambda factor: -worth[factor])
    rest = sorted((one.p, pair) for pair, one in told.items() if one.odds_ratio > 1.0 and np.isfinite(one.p))
    return tuple(dict.fromkeys([*found, *(pair[0] for _p, pair in rest)]))[:FIRST]


def _own(records: Snapshot) -> Answer:
    started = time.perf_counter()
    if records.observed_until is None:
        raise ValueError("A lab without an end of observation. Need the day up to which returns are complete.")
    table = count_patterns(connect(records), records.standard, observed_until=records.observed_until)
    findings = find(table, records.standard, horizon=HORIZON)
    prepared, first = _ranked(table, findings)
    told, q = dict(_each(findings)), {(one.factor, one.defect): one.q for one in findings}
    seconds = time.perf_counter() - started
    in_reach = {factor for model in prepared.models for factor in model.factors}
    return Answer(
        told=told,
        q=q,
        first=first,
        seconds=seconds,
        alone={factor: _spared(prepared, (factor,)) for factor in NAMES if factor in in_reach},
        joint=_spared(prepared, first),
        priced=price(prepared),
    )


def _each(findings: Iterable[Finding]) -> Iterable[tuple[Pair, Told]]:
    for one in findings:
        effect = one.adjusted
        yield (
            (one.factor, one.defect),
            Told(
                p=effect.p,
                odds_ratio=effect.odds_ratio.estimate,
                low=effect.odds_ratio.low,
                high=effect.odds_ratio.high,
                avoidable=effect.avoidable.estimate,
                avoidable_low=effect.avoidable.low,
                avoidable_high=effect.avoidable.high,
                grade=one.grade,
            ),
        )


def _ranked(table: PatternTable, findings: Sequence[Finding]) -> tuple[Prepared, tuple[str, ...]]:
    """The first actions, if there is one for each factor that puts an end to its misses at no cost."""
    actions = [CorrectiveAction(action=name, title=name, corrects={name: 1.0}) for name in NAMES]
    prepared = prepare(table, findings, actions, horizon=HORIZON)
    ranked = rank_prepared(prepared, actions, Costs(default_per_return=1.0))
    return prepared, tuple(one.action for one in ranked[:FIRST])


def _spared(prepared: Prepared, factors: Sequence[str]) -> Spared:
    """What an end of these misses spares in all, from the draws behind the ranking."""
    worth = prepared.portfolio(Costs()).worth_with(dict.fromkeys(factors, 1.0))
    low, high = np.quantile(worth.avoided * prepared.months, (0.05, 0.95))
    return Spared(told=float(worth.avoided.mean()) * prepared.months, low=float(low), high=float(high))

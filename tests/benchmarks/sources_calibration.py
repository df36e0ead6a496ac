"""Are bad lots named and others left alone? ``python -m tests.benchmarks.sources_calibration --seeds 101-400``.

Labs are drawn at the level of counts: 3,000 restorations in order of time, lots of three steps used up one after the
other (a little mixed where they change), machines of three steps chosen at random, five defects as often as in a lab of
some years. One opaquer lot may triple one defect; its share of the work is such that a given number of these returns
would have come without the tripling. The expectations are the true ones but for their level.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.sources import EQUIPMENT, LOT, Source
from remakes.trends.sources.naming import Judgement, judge
from remakes.trends.sources.standardized import Compared

Floats = NDArray[np.float64]

DEFECTS: Final = ("chipping", "debonding", "discoloration", "show_through", "surface")
RETURNS: Final = (99.0, 84.0, 49.0, 44.0, 44.0)
#: Step, how many lots or machines, and the defects they may bring about.
STEPS: Final = (
    (LOT, "bonding", 9, (0, 1)),
    (LOT, "opaquer", 13, (0, 1, 2, 3)),
    (LOT, "layering", 17, (0, 2, 3)),
    (EQUIPMENT, "blasting", 2, (0, 1)),
    (EQUIPMENT, "opaquer", 2, (0, 1, 2, 3)),
    (EQUIPMENT, "final cure", 2, (0, 2, 4)),
)
_IMPLAUSIBLE: Final = 0.05
_BAD_STEP: Final = 1
_BAD_DEFECT: Final = 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lab:
    """One drawn lab: its counts, what is plausible, and the number of the bad lot, if it has one."""

    compared: Compared
    weight: Floats
    bad: int | None


def drawn_lab(
    seed: int, *, expected: float | None = None, times: float = 3.0, spread: float = 0.0, restorations: int = 3000
) -> Lab:
    """A lab whose bad lot, if any, would have so many debondings without being bad.

    Parameters
    ----------
    spread
        Variance of the true ratios of ordinary lots and machines.
    """
    rng = np.random.default_rng(seed)
    time_in_service = rng.gamma(2.0, 0.5, (restorations, 1))
    rate = time_in_service / time_in_service.sum() * np.array(RETURNS)
    made, weights, bad = [], [], None
    sources: list[Source] = []
    for number, (what, step, many, plausible) in enumerate(STEPS):
        sizes = rng.dirichlet(np.full(many, 8.0))
        if expected is not None and number == _BAD_STEP:
            which = int(rng.integers(many))
            bad = len(sources) + which
            share = expected / RETURNS[_BAD_DEFECT]
            sizes *= (1.0 - share) / (1.0 - sizes[which])
            sizes[which] = share
        made.append(_used(rng, what, sizes, restorations) + len(sources))
        sources += [Source(what=what, step=step, code=f"{k:02d}") for k in range(many)]
        weights += [[1.0 if d in plausible else _IMPLAUSIBLE for d in range(len(DEFECTS) + 1)]] * many
    mean = rate.copy()
    if spread:
        ratios = rng.gamma(1.0 / spread, spread, (len(sources), len(DEFECTS)))
        mean *= np.prod([ratios[one] for one in made], axis=0)
    if bad is not None:
        mean[made[_BAD_STEP] == bad, _BAD_DEFECT] *= times
    compared = Compared.of(
        sources=tuple(sources),
        defects=DEFECTS,
        observed=rng.poisson(mean).astype(np.float64),
        expected=rate,
        member_row=np.tile(np.arange(restorations), len(STEPS)),
        member_source=np.concatenate(made).astype(np.intp),
    )
    return Lab(compared=compared, weight=np.array(weights), bad=bad)


def _used(rng: np.random.Generator, what: str, sizes: Floats, restorations: int) -> NDArray[np.int64]:
    if what == EQUIPMENT:
        return rng.integers(len(sizes), size=restorations)
    mixed = np.arange(restorations) + rng.normal(0.0, 0.004 * restorations, restorations)
    return np.searchsorted(np.cumsum(sizes)[:-1] * restorations, mixed).astype(np.int64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What one lab came to.

    Attributes
    ----------
    named, told : bool
        The bad lot is named; or told as one that explains the returns of a named one about as well.
    false, false_alone : bool
        Any other source is named; and the bad lot is not told beside it.
    """

    named: bool
    told: bool
    false: bool
    false_alone: bool


def outcome(lab: Lab) -> Outcome:
    """Judge one lab as the product does."""
    found: Judgement = judge(lab.compared, lab.weight)
    named = [(int(source), int(defect)) for source, defect in zip(*np.nonzero(found.named), strict=True)]
    beside = [at for at in named if at[1] == _BAD_DEFECT and lab.bad in found.rivals[at]]
    others = [at for at in named if at[0] != lab.bad]
    hit = (lab.bad, _BAD_DEFECT) in named
    return Outcome(
        named=hit, told=hit or bool(beside), false=bool(others), false_alone=any(at not in beside for at in others)
    )


def main() -> None:
    wanted = argparse.ArgumentParser(description=__doc__)
    wanted.add_argument("--seeds", default="101-400")
    first, last = map(int, wanted.parse_args().seeds.split("-"))
    print("| expected | times | spread | named | named or told beside | others named | others named alone |")
    print("|---|---|---|---|---|---|---|")
    cases: list[tuple[float | None, float, float]] = [(None, 1.0, 0.0), (None, 1.0, 0.05), (None, 1.0, 0.1)]
    cases += [(expected, 3.0, 0.0) for expected in (3.0, 5.0, 8.0, 10.0, 12.0, 15.0, 20.0)]
    for expected, times, spread in cases:
        rows = [
            outcome(drawn_lab(seed, expected=expected, times=times, spread=spread)) for seed in range(first, last + 1)
        ]
        shares = [
            float(np.mean([getattr(row, name) for row in rows])) for name in ("named", "told", "false", "false_alone")
        ]
        told = " | ".join(f"{100 * share:.0f} %" for share in shares)
        print(f"| {expected or 'none'} | {times:g} | {spread:g} | {told} |", flush=True)


if __name__ == "__main__":
    main()

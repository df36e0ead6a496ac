"""Effects of all plausible misses, drawn together: drawn back towards none as strongly as their scatter says.

The top of any ranking is over-estimated, because luck helped it there. So the log odds ratios of all plausible
pairs share one prior: a mixture of normals around no effect, from nearly none to large, whose weights are
learned from all pairs at once and are themselves uncertain. A pair that the others make likely to be nothing is
drawn back to it; one that stands out clearly is left nearly where it is.

References
----------
Stephens M. Biostatistics 18:275-294 (2017), for a mixture of normals of growing spread as a common prior.
Gelfand AE, Smith AFM. JASA 85:398-409 (1990), for drawing by turns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.actions.joint import JointEffects

__all__ = ["DRAWS", "SPREADS", "DrawnEffects", "draw_effects"]

Floats = NDArray[np.float64]

#: Spreads that the common prior mixes, log odds: next to nothing, weak, middling, strong.
SPREADS: Final[tuple[float, ...]] = (0.1, 0.35, 0.7, 1.4)
#: So many pairs' worth of belief in next to nothing before the data speak, against one in each other part: rather
#: a cause overlooked than one invented. Stephens (2017) takes ten, which put true effects outside their ranges too
#: often in labs drawn for tuning; with one the first three together were overrated a little.
_NOTHING_MUCH: Final = 3.0
#: Chains side by side, steps until they forget their start, and how often each is kept after that.
_CHAINS: Final = 100
_FORGET: Final = 30
_KEPT: Final = 10
_BETWEEN: Final = 2
#: How many draws there are.
DRAWS: Final = _CHAINS * _KEPT
#: A log odds ratio beyond this is a sign of a table too small to say; e**4 is about 55.
_LARGEST: Final = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnEffects:
    """Joint draws from what is known of all plausible effects.

    Attributes
    ----------
    effects : tuple of (factors, draws) arrays
        Log odds ratios, for each defect as handed in.
    weights : (spreads,) array
        Mean share of the pairs in each part of the common prior, from next to nothing to strong.
    """

    effects: tuple[Floats, ...]
    weights: Floats


def draw_effects(
    joint: Sequence[JointEffects], *, rng: np.random.Generator, spreads: Sequence[float] = SPREADS
) -> DrawnEffects:
    """What may the effects be, all together, given the estimates and that most misses do little?

    Parameters
    ----------
    joint : sequence of JointEffects
    rng : Generator
    spreads : sequence of float
        Of the parts of the common prior, ascending; one very wide part alone leaves the estimates as they are.

    Returns
    -------
    DrawnEffects
        `DRAWS` draws; effects of one defect are correlated as in its model, all share the uncertain prior.
    """
    chains = _Chains(joint, rng, np.array(spreads))
    kept: list[list[Floats]] = [[] for _ in joint]
    weights = []
    for step in range(_FORGET + _KEPT * _BETWEEN):
        chains.step()
        if step >= _FORGET and (step - _FORGET) % _BETWEEN == 0:
            for mine, now in zip(kept, chains.effects, strict=True):
                mine.append(now)
            weights.append(chains.weights.mean(axis=0))
    return DrawnEffects(
        effects=tuple(np.clip(np.concatenate(mine).T, -_LARGEST, _LARGEST) for mine in kept),
        weights=np.mean(weights, axis=0),
    )


class _Chains:
    """Chains that draw by turns: the effects given their spreads, the spreads given the effects, the weights."""

    def __init__(self, joint: Sequence[JointEffects], rng: np.random.Generator, spread: Floats) -> None:
        self.rng = rng
        self.precision = [one.precision for one in joint]
        self.pull = [one.precision @ one.estimate for one in joint]
        size = len(spread)
        self.spread = spread
        #: Pairs' worth of belief in each part before any data (Dirichlet).
        self.before = np.where(np.arange(size) == 0, _NOTHING_MUCH, 1.0)
        self.weights: Floats = np.full((_CHAINS, size), 1.0 / size)
        self.part = [rng.integers(0, size, (_CHAINS, len(one.factors))) for one in joint]
        self.effects: list[Floats] = [np.zeros((_CHAINS, len(one.factors))) for one in joint]

    def step(self) -> None:
        """One turn of everything."""
        held = np.zeros_like(self.weights)
        for d in range(len(self.part)):
            self.effects[d] = self._drawn(d)
            self.part[d] = self._parts(self.effects[d])
            held += (self.part[d][..., None] == np.arange(len(self.spread))).sum(axis=1)
        drawn = self.rng.gamma(held + self.before)
        self.weights = np.maximum(drawn / drawn.sum(axis=1, keepdims=True), 1e-12)

    def _drawn(self, d: int) -> Floats:
        """Normal draws given the spreads: prior and likelihood precisions add up."""
        size = len(self.pull[d])
        prior = self.spread[self.part[d]] ** -2
        together = self.precision[d] + np.eye(size) * prior[:, None, :]
        root = np.linalg.cholesky(together)
        pull = np.broadcast_to(self.pull[d], (_CHAINS, size))[..., None]
        mean = np.linalg.solve(together, pull)
        noise = np.linalg.solve(np.swapaxes(root, 1, 2), self.rng.standard_normal((_CHAINS, size, 1)))
        drawn: Floats = (mean + noise)[..., 0]
        return drawn

    def _parts(self, effects: Floats) -> NDArray[np.intp]:
        """Which part of the mixture each effect comes from."""
        fit = -0.5 * (effects[..., None] / self.spread) ** 2 - np.log(self.spread)
        chance = fit + np.log(self.weights)[:, None, :]
        return np.asarray((chance + self.rng.gumbel(size=chance.shape)).argmax(axis=-1), dtype=np.intp)

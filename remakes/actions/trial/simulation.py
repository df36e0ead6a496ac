"""The drawn trial, run many times on paper: how often does its own reading show the fall?

In 30 settings of 12 to 24 months, two or four groups and 19 to 650 returns, 2,000 trials each, the one-sided error of
5 % was 4.4 to 5.4 % for alternate weeks, 4.5 to 5.8 % before and after, and 4.8 to 7.3 % for a staggered start, most
with the fewest returns. The formula's power was within three points of the simulated one from 200 returns on, and up to
ten points below it with fewer. All this holds where units differ as much as the model is told: with a true spread of
0.3 read as 0.15 the error is 7 to 8 % staggered, 12 to 16 % before and after.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from remakes.actions.trial.design import Cells, Design
from remakes.actions.trial.ratio import ConditionalModel, lower_tails, signed_roots

__all__ = ["simulated_p", "simulated_power"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Every so many simulated trials are read at once, which bounds the memory.
_AT_ONCE: Final = 100


def simulated_p(
    cells: Cells, design: Design, *, effect: float, unit_sd: float, spread: float, trials: int, rng: np.random.Generator
) -> Floats:
    """One-sided p of the trial's own reading, trial by trial.

    Parameters
    ----------
    cells : Cells
    design : Design
    effect : float
        True relative fall; 0 for the error rate.
    unit_sd : float
        Chance differences between units, drawn anew for each trial; 0 or less for none.
    spread : float
        Variance over mean of the counts: above 1 they are negative binomial.
    trials : int
    rng : numpy Generator

    Returns
    -------
    (trials,) array
        1 where a trial had no return that could be compared.
    """
    units = int(cells.unit.max(initial=-1)) + 1
    level = np.exp(rng.normal(0.0, max(unit_sd, 0.0), (trials, units)) - 0.5 * max(unit_sd, 0.0) ** 2)
    mean = cells.expected * np.where(cells.with_action, 1.0 - effect, 1.0) * level[:, cells.unit]
    if spread > 1.0:
        mean = rng.gamma(mean / (spread - 1.0), spread - 1.0)
    counts = rng.poisson(mean)
    if design == "alternate weeks":
        return _exact(cells, counts)
    model = ConditionalModel(cells, unit_sd)
    return _by_parts(lambda part: ndtr(signed_roots(model, part.astype(np.float64))), counts)


def _by_parts(read: Callable[[Ints], Floats], counts: Ints) -> Floats:
    parts = [read(counts[first : first + _AT_ONCE]) for first in range(0, len(counts), _AT_ONCE)]
    return np.concatenate(parts) if parts else np.zeros(0)


def _exact(cells: Cells, counts: Ints) -> Floats:
    member = np.eye(int(cells.stratum.max(initial=-1)) + 1)[cells.stratum]
    acted = cells.with_action
    with_it, without = cells.expected[acted] @ member[acted], cells.expected[~acted] @ member[~acted]
    both = (with_it > 0) & (without > 0)
    total, seen = counts @ member, counts[:, acted] @ member[acted]
    share = (with_it / (with_it + without))[both]
    total, seen = total[:, both].astype(np.int64), seen[:, both].sum(axis=1).astype(np.int64)
    found = _by_parts(lambda part: lower_tails(part[:, :-1], share, part[:, -1]), np.column_stack([total, seen]))
    found[total.sum(axis=1) == 0] = 1.0
    return found


def simulated_power(
    cells: Cells,
    design: Design,
    *,
    effect: float,
    unit_sd: float,
    spread: float,
    error: float,
    trials: int,
    rng: np.random.Generator,
) -> float:
    """Share of simulated trials that show the fall."""
    p = simulated_p(cells, design, effect=effect, unit_sd=unit_sd, spread=spread, trials=trials, rng=rng)
    return float((p < error).mean())

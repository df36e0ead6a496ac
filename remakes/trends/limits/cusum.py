"""Cumulative sums: small shifts add up until they cannot be overlooked.

One step: S = max(0, S before + distance - reference), from 0, for rises; the same of the distances with the other sign,
for falls. A signal stands where S exceeds the threshold; the change began after the last point at which S was 0.

References
----------
Page ES. Biometrika 41:100-115 (1954). Hawkins DM, Olwell DH. Cumulative Sum Charts (Springer 1998), for where the
change began (from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["SIDES", "CumulativeSums"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Rises and falls.
SIDES = (1, -1)


class CumulativeSums:
    """Two sums for each of several series, moved on point by point.

    Parameters
    ----------
    series : int
    reference : float
        What is taken off every distance: half of the shift that is to be found quickest.
    threshold : float
    most_of_one : float
        No point counts for more than this distance, so that a single one makes no drift.

    Attributes
    ----------
    value : dict of int to (series,) array
        S by side.
    start : dict of int to (series,) array
        By side, the point after the last at which S was 0.
    """

    def __init__(self, series: int, *, reference: float, threshold: float, most_of_one: float = np.inf) -> None:
        self.reference, self.threshold, self.most_of_one = reference, threshold, most_of_one
        self.value = {side: np.zeros(series) for side in SIDES}
        self.start = {side: np.zeros(series, dtype=np.intp) for side in SIDES}

    def restart(self, which: Flags) -> None:
        """Begin again from 0, (series,) array of bool."""
        for side in SIDES:
            self.value[side][which] = 0.0

    def add(self, distance: Floats, *, point: int) -> dict[int, Flags]:
        """Add one point to every series; where does a sum exceed the threshold?

        Parameters
        ----------
        distance : (series,) array
            From the centre in standard deviations; a nan leaves the sums as they are.
        point : int
            Its number.

        Returns
        -------
        dict of int to (series,) array of bool
            By side. The sums go on; `restart` those that are to begin again.
        """
        there = np.isfinite(distance)
        step = np.clip(np.where(there, distance, 0.0), -self.most_of_one, self.most_of_one)
        for side in SIDES:
            before = self.value[side]
            self.start[side][before <= 0.0] = point
            self.value[side] = np.where(there, np.maximum(before + side * step - self.reference, 0.0), before)
        return {side: self.value[side] > self.threshold for side in SIDES}

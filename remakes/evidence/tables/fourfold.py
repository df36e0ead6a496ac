"""The stratified fourfold table: exposed or not, event or not, counted once and checked once.

*Exposed* means the requirement was missed, *event* means a return with the defect; every method of the
package that works on such counts takes them by these names, so that rows and columns cannot be swapped.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from remakes.errors import TableError

__all__ = ["Counts", "FourfoldTable", "normal_quantile"]

Counts = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FourfoldTable:
    """Four counts per stratum; strata on the last axis, any leading axes (say, factor x defect pairs).

    Attributes
    ----------
    exposed_events, exposed_total, unexposed_events, unexposed_total : ndarray
        Whole numbers, all of one shape. A total counts whoever was at risk, with or without the event.
    """

    exposed_events: Counts
    exposed_total: Counts
    unexposed_events: Counts
    unexposed_total: Counts

    @classmethod
    def checked(
        cls,
        *,
        exposed_events: ArrayLike,
        exposed_total: ArrayLike,
        unexposed_events: ArrayLike,
        unexposed_total: ArrayLike,
    ) -> FourfoldTable:
        """Which counts are these, and are they possible?

        Parameters
        ----------
        exposed_events, exposed_total, unexposed_events, unexposed_total : array_like
            Counts that broadcast to one shape; a scalar is one stratum.

        Raises
        ------
        TableError
            Shapes that do not fit, a missing, negative or broken count, more events than restorations.
        """
        named = {
            "exposed_events": exposed_events,
            "exposed_total": exposed_total,
            "unexposed_events": unexposed_events,
            "unexposed_total": unexposed_total,
        }
        arrays = {name: np.atleast_1d(np.asarray(value, dtype=np.float64)) for name, value in named.items()}
        try:
            shaped = np.broadcast_arrays(*arrays.values())
        except ValueError as error:
            shapes = ", ".join(f"{name} {array.shape}" for name, array in arrays.items())
            raise TableError(
                f"Counts of shapes {shapes}. Need shapes that broadcast to one, strata on the last axis. "
                "Count all four from the same pattern table."
            ) from error
        table = cls(**dict(zip(arrays, shaped, strict=True)))
        table._refuse_impossible()
        return table

    def _refuse_impossible(self) -> None:
        for group in ("exposed", "unexposed"):
            events: Counts = getattr(self, f"{group}_events")
            total: Counts = getattr(self, f"{group}_total")
            possible = (events >= 0) & (events <= total) & np.isfinite(total)
            possible &= (events == np.floor(events)) & (total == np.floor(total))
            if not possible.all():
                at = tuple(int(i) for i in np.argwhere(~possible)[0])
                raise TableError(
                    f"{group} group, stratum {at}: {events[at]:g} events of {total[at]:g} restorations. "
                    "Need whole numbers with 0 <= events <= restorations. "
                    "Check that events and restorations were counted over the same stratum."
                )

    def both_groups_present(self) -> FourfoldTable:
        """The table itself, if each group has a restoration in every stratum; otherwise an error.

        Raises
        ------
        TableError
            A group without a restoration has no risk to compare.
        """
        for group in ("exposed", "unexposed"):
            if not (getattr(self, f"{group}_total") > 0).all():
                raise TableError(
                    f"{group} group: 0 events of 0 restorations. Need at least 1 restoration in each group. "
                    "Nobody was logged in this group in this period: widen the period or check the log of the step."
                )
        return self

    @property
    def events(self) -> Counts:
        """Events of both groups, per stratum."""
        return self.exposed_events + self.unexposed_events

    @property
    def total(self) -> Counts:
        """Restorations of both groups, per stratum."""
        return self.exposed_total + self.unexposed_total

    @property
    def informative(self) -> NDArray[np.bool_]:
        """Strata that can tell the groups apart: both groups are there, and some, but not all, have the event.

        In all others the margins fix the four cells, whatever the odds ratio.
        """
        events = self.events
        both = (self.exposed_total > 0) & (self.unexposed_total > 0)
        return np.asarray(both & (events > 0) & (events < self.total))


def normal_quantile(level: float) -> float:
    """How many standard errors does an interval of this confidence level reach to each side?

    Parameters
    ----------
    level : float
        Confidence level, a fraction strictly between 0 and 1.

    Raises
    ------
    TableError
        A level outside (0, 1).
    """
    if not 0.0 < level < 1.0:
        raise TableError(
            f"Confidence level {level!r}. Need a fraction strictly between 0 and 1. For 95 % write level=0.95."
        )
    return float(ndtri(0.5 + level / 2.0))

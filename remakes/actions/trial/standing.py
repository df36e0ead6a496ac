"""How far a trial is before its end: whether its log is kept, and how many came back in all, never on which side.

Returns by side are not told before the last day. Whoever looks again and again stops when it looks well, and so finds
a fall sooner or later whether there is one or not; the error rate of the plan holds for one look.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from remakes.actions.trial.figures import TrialPlan
from remakes.actions.trial.reading import Placed
from remakes.errors import TableError
from remakes.texts import t

__all__ = ["LogMonth", "TrialSoFar", "trial_so_far"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LogMonth:
    """Restorations of the trial delivered in one calendar month, and those without the reading, by side.

    `month` is as in ``2026-10``; of the pairs, the first is with the action.
    """

    month: str
    restorations: tuple[int, int]
    not_recorded: tuple[int, int]

    @property
    def share_not_recorded(self) -> float:
        """Of both sides together; nan where nothing was delivered."""
        made = sum(self.restorations)
        return sum(self.not_recorded) / made if made else float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialSoFar:
    """Counts of a trial up to a day.

    Attributes
    ----------
    counted_until : date
        Deliveries and returns up to this day.
    restorations : tuple of two
        With the action, without, delivered in the weeks of the trial.
    returns : int
        Of both sides together.
    left_out : int
        Delivered in the weeks of the trial by somebody whom the calendar does not name.
    months : tuple of LogMonth
        Oldest first.
    """

    counted_until: date
    restorations: tuple[int, int]
    returns: int
    left_out: int
    months: tuple[LogMonth, ...]

    def as_json(self) -> dict[str, Any]:
        """In the interchange format."""
        return {
            "counted_until": self.counted_until.isoformat(),
            "restorations": list(self.restorations),
            "returns": self.returns,
            "left_out": self.left_out,
            "months": [
                {
                    "month": one.month,
                    "restorations": list(one.restorations),
                    "not_recorded": list(one.not_recorded),
                }
                for one in self.months
            ],
        }


def trial_so_far(
    plan: TrialPlan,
    *,
    delivered_on: Sequence[date],
    technician: Sequence[str],
    recorded: Sequence[bool],
    returns: Sequence[int],
    counted_until: date,
) -> TrialSoFar:
    """Is the log that the reading needs being kept, and how much has been made?

    Parameters
    ----------
    plan : TrialPlan
        With a calendar.
    delivered_on, technician, recorded, returns : sequences
        One element for each restoration that the requirement applies to: day of delivery, code of who made it,
        whether the reading was written down, first returns with the plan's defects.
    counted_until : date
        Later deliveries are left out.

    Raises
    ------
    TableError
        A plan without a calendar.
    """
    if not plan.calendar or plan.ends_on is None:
        raise TableError(t("This plan has no calendar, since the trial cannot be had. There is nothing to count."))
    last = min(counted_until, plan.ends_on)
    placed = Placed(plan, delivered_on, technician, last)
    rows = np.flatnonzero(placed.kept)[placed.within]
    action = placed.action[placed.within]
    gap = ~np.asarray(recorded, dtype=np.bool_)[rows]
    month = np.array([f"{delivered_on[at]:%Y-%m}" for at in rows], dtype=str)
    meant = sum(plan.starts_on <= day <= last for day in delivered_on)
    sides = action, ~action
    return TrialSoFar(
        counted_until=last,
        restorations=(int(sides[0].sum()), int(sides[1].sum())),
        returns=int(np.asarray(returns, dtype=np.int64)[rows].sum()),
        left_out=meant - len(rows),
        months=tuple(
            LogMonth(
                month=str(name),
                restorations=(int((sides[0] & (month == name)).sum()), int((sides[1] & (month == name)).sum())),
                not_recorded=(
                    int((sides[0] & gap & (month == name)).sum()),
                    int((sides[1] & gap & (month == name)).sum()),
                ),
            )
            for name in np.unique(month)
        ),
    )

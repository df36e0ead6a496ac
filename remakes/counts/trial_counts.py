"""The restorations a trial is read from: when delivered, by whom, whether the reading was kept, how often back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from ibis import _

from remakes.counts.engine import Tables
from remakes.counts.patterns import EVENTS, PLACED, UNITS
from remakes.counts.table import PatternTable
from remakes.deviations.detect import NOT_APPLICABLE, NOT_RECORDED
from remakes.errors import TableError
from remakes.texts import t

__all__ = ["TrialCounts", "count_trial"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialCounts:
    """One element for each restoration that the requirement applies to, in order of their numbers.

    Attributes
    ----------
    delivered_on : tuple of date
    technician : tuple of str
        Codes; "not recorded" where there is none.
    recorded : tuple of bool
        The reading was written down, in time and legibly.
    returns : tuple of int
        First returns with each of the defects, added up, to the end of observation.
    observed_until : date
    """

    delivered_on: tuple[date, ...]
    technician: tuple[str, ...]
    recorded: tuple[bool, ...]
    returns: tuple[int, ...]
    observed_until: date


def count_trial(tables: Tables, table: PatternTable, *, factor: str, defects: Sequence[str]) -> TrialCounts:
    """What must be known of every restoration to read a trial?

    Parameters
    ----------
    tables : Tables
        The engine in which `table` has just been counted.
    table : PatternTable
        Counted up to the day of reading: later deliveries and returns are in neither.
    factor : str
        The requirement whose misses the action removes.
    defects : sequence of str
        A restoration that came back with two of them counts twice.

    Raises
    ------
    TableError
        The standard names no such factor.
    """
    if factor not in table.factors:
        raise TableError(
            t(
                "The standard names no {factor} now, so nobody can say to which restorations it applies. "
                "Bring the standard in that the trial was planned by.",
                factor=factor,
            )
        )
    status = table.status_of(factor)
    back = tables.engine.table(EVENTS).filter(_.defect.isin(list(defects)))
    back = back.group_by("restoration_id").agg(returns=_.count())
    placed = tables.engine.table(PLACED).select("restoration_id", "pattern", "delivered")
    made = tables.engine.table(UNITS).select("restoration_id", "technician")
    rows = placed.join(made, "restoration_id").left_join(back, "restoration_id").drop("restoration_id_right")
    rows = rows.mutate(returns=_.returns.fill_null(0)).order_by("restoration_id")
    found: dict[str, list[Any]] = rows.to_pyarrow().to_pydict()
    mine = [at for at, pattern in enumerate(found["pattern"]) if status[pattern] != NOT_APPLICABLE]
    return TrialCounts(
        delivered_on=tuple(found["delivered"][at] for at in mine),
        technician=tuple(found["technician"][at] for at in mine),
        recorded=tuple(bool(status[found["pattern"][at]] != NOT_RECORDED) for at in mine),
        returns=tuple(int(found["returns"][at]) for at in mine),
        observed_until=table.observed_until,
    )

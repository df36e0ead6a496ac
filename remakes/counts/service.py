"""Month by month in service: who is still there, who comes back with a defect, who is replaced for another reason.

The pattern table holds wide bins, which is what a regression needs. A curve needs single months, and needs to know
how each restoration left the risk set. The rules of time are those of the pattern table, so months at risk and
returns add up to the same figures: a restoration is at risk from month 0 through the month of its first return with
the defect or, without one, through the last month of its service that counts.

What is found up to delivery happens before service begins. These returns stand apart, as one point at time 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import ibis
import numpy as np
from ibis import _
from numpy.typing import NDArray

from remakes.counts.engine import Tables
from remakes.counts.patterns import PLACED, removed_on
from remakes.counts.table import DAYS_PER_MONTH, PatternTable
from remakes.deviations.detect import MET, MISSED, NOT_RECORDED, STATUS_WORDS
from remakes.errors import TableError
from remakes.records.codes import EARLY_FOUND_AT
from remakes.texts import t

__all__ = ["EVERY", "ServiceMonths", "ServiceTable", "count_service"]

Ints = NDArray[np.int64]

#: The curve of all restorations, whatever their status.
EVERY: Final = "all"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ServiceMonths:
    """One group of restorations, month by month in service, for one defect.

    Index k of an array is the month from k to k + 1 after delivery. Of those at risk in a month, `events` come back
    in it, `removed` and `censored` are last seen in it, and the others are at risk in the next.

    Attributes
    ----------
    status : str
        ``met``, ``missed``, ``not recorded`` or ``all``.
    restorations : int
        Delivered, with or without a return.
    early : (months,) array
        First returns with the defect that were found up to delivery, by month of the report. They are one point at
        time 0 and are in none of the other arrays.
    at_risk : (months,) array
        In service at the start of the month and not yet returned with the defect.
    events : (months,) array
        First returns with the defect in service.
    removed : (months,) array
        Remade for another reason, after which this defect can no longer come.
    censored : (months,) array
        Observation ends while the restoration is in service.
    """

    status: str
    restorations: int
    early: Ints
    at_risk: Ints
    events: Ints
    removed: Ints
    censored: Ints


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ServiceTable:
    """Last months in service and first returns, by pattern and single month; all factors and defects at once.

    Attributes
    ----------
    end_pattern, end_month, end_removed, end_count : (ends,) arrays
        Restorations by pattern, last month of service that counts, and whether they were remade then; every
        restoration once, returns left aside.
    event_pattern, event_defect, event_month, event_early, event_end_month, event_end_removed, event_count : arrays
        First returns by pattern, defect and month of report, whether found up to delivery, and how the same
        restorations stand in the ends above.
    """

    end_pattern: NDArray[np.intp]
    end_month: Ints
    end_removed: NDArray[np.bool_]
    end_count: Ints
    event_pattern: NDArray[np.intp]
    event_defect: NDArray[np.intp]
    event_month: Ints
    event_early: NDArray[np.bool_]
    event_end_month: Ints
    event_end_removed: NDArray[np.bool_]
    event_count: Ints

    def by_status(self, table: PatternTable, *, factor: str, defect: str) -> dict[str, ServiceMonths]:
        """How do restorations that met, missed or did not record one requirement fare, month by month?

        Parameters
        ----------
        table : PatternTable
            The one counted from the same records in the same engine: its patterns give the status.
        factor, defect : str

        Returns
        -------
        dict of str to ServiceMonths
            By ``met``, ``missed``, ``not recorded`` and ``all``; ``all`` holds also those the requirement does not
            apply to. All have the same number of months.

        Raises
        ------
        TableError
            A factor or a defect that the table does not have, or a table of other records.
        """
        self._check(table, factor, defect)
        status, number = table.status_of(factor), table.defects.index(defect)
        found = {
            STATUS_WORDS[code]: self._of(STATUS_WORDS[code], status == code, number)
            for code in (MET, MISSED, NOT_RECORDED)
        }
        return found | {EVERY: self._of(EVERY, np.ones(table.patterns, dtype=np.bool_), number)}

    def _check(self, table: PatternTable, factor: str, defect: str) -> None:
        for what, name, held in (("requirement", factor, table.factors), ("returned defect", defect, table.defects)):
            if name not in held:
                raise TableError(
                    t(
                        "These records hold no {what} named “{name}”. They hold: {value}. Name one of them.",
                        what=what,
                        name=name,
                        value=", ".join(held) or "none",
                    )
                )
        if not np.array_equal(
            np.bincount(self.end_pattern, self.end_count, minlength=table.patterns), table.restorations
        ):
            raise TableError(
                t(
                    "The months in service and the pattern table hold different restorations. Count both from "
                    "the same records, one after the other."
                )
            )

    def _of(self, status: str, wanted: NDArray[np.bool_], defect: int) -> ServiceMonths:
        size = int(max(self.end_month.max(initial=0), self.event_month.max(initial=0))) + 1
        ends = wanted[self.end_pattern]
        events = wanted[self.event_pattern] & (self.event_defect == defect)

        def monthly(month: Ints, count: Ints, rows: NDArray[np.bool_]) -> Ints:
            return np.bincount(month[rows], count[rows], minlength=size).astype(np.int64)

        def ended(removed: bool) -> Ints:
            # Whoever came back with the defect left by that return, not by its later end.
            every = monthly(self.end_month, self.end_count, ends & (self.end_removed == removed))
            return every - monthly(self.event_end_month, self.event_count, events & (self.event_end_removed == removed))

        in_service = monthly(self.event_month, self.event_count, events & ~self.event_early)
        removed, censored = ended(True), ended(False)
        leaving = in_service + removed + censored
        return ServiceMonths(
            status=status,
            restorations=int(self.end_count[ends].sum()),
            early=monthly(self.event_month, self.event_count, events & self.event_early),
            at_risk=leaving[::-1].cumsum()[::-1],
            events=in_service,
            removed=removed,
            censored=censored,
        )


def count_service(tables: Tables, table: PatternTable) -> ServiceTable:
    """How long was every restoration in service, how did it leave, and when did it come back with what?

    Parameters
    ----------
    tables : Tables
        The engine in which `table` has just been counted.
    table : PatternTable

    Notes
    -----
    Two queries for all factors and defects; a group of restorations is then a sum over patterns.
    """
    observed_until = ibis.literal(table.observed_until)
    placed = tables.engine.table(PLACED).left_join(removed_on(tables), "restoration_id").drop("restoration_id_right")
    # A removal is one only if it was seen; its month is the last that counts in service.
    placed = placed.mutate(
        end_month=_.months - 1, end_removed=(_.removed_on <= observed_until).fill_null(ibis.literal(False))
    ).select("restoration_id", "pattern", "delivered", "end_month", "end_removed")
    keys = ["pattern", "end_month", "end_removed"]
    ends = placed.group_by(keys).agg(n=_.count()).order_by(keys).to_pyarrow()
    keys = ["pattern", "defect", "month", "early", "end_month", "end_removed"]
    events = _first_returns(tables, placed, observed_until).group_by(keys).agg(n=_.count()).order_by(keys).to_pyarrow()
    number = {defect: position for position, defect in enumerate(table.defects)}

    def column(rows: Any, name: str, kind: Any) -> Any:
        return np.asarray(rows[name].to_numpy(), dtype=kind)

    return ServiceTable(
        end_pattern=column(ends, "pattern", np.intp),
        end_month=column(ends, "end_month", np.int64),
        end_removed=column(ends, "end_removed", np.bool_),
        end_count=column(ends, "n", np.int64),
        event_pattern=column(events, "pattern", np.intp),
        event_defect=np.array([number[defect] for defect in events["defect"].to_pylist()], dtype=np.intp),
        event_month=column(events, "month", np.int64),
        event_early=column(events, "early", np.bool_),
        event_end_month=column(events, "end_month", np.int64),
        event_end_removed=column(events, "end_removed", np.bool_),
        event_count=column(events, "n", np.int64),
    )


def _first_returns(tables: Tables, placed: Any, observed_until: Any) -> Any:
    """First return per restoration and defect, with the month it was reported in; before delivery is month 0."""
    dated = tables.returns.mutate(reported=_.reported_on.cast("date"), early=_.found_at.isin(sorted(EARLY_FOUND_AT)))
    oldest = ibis.window(group_by=["restoration_id", "defect"], order_by=["reported", "id"])
    ranked = dated.filter(_.reported <= observed_until).mutate(rank=ibis.row_number().over(oldest))
    first = ranked.filter(_["rank"] == 0).select("restoration_id", "defect", "reported", "early")
    joined = first.join(placed, "restoration_id")
    month = ibis.greatest((joined.reported.delta(joined.delivered, unit="day") / DAYS_PER_MONTH).floor(), 0)
    return joined.mutate(month=month.cast("int64"))

"""How long after its report was each return entered, as far as the records tell.

A return comes to the lab on one day and into the records on another. What is known on a given day is therefore less
than what was reported by then, and the latest months look too good. The days between are counted here; what they say
about the returns that are still to be entered is worked out in `remakes.trends.delay`.

Two days bound what can be known. `observed_until` is the last report that counts, by the lab's own word or as the
latest day in its records. `known_until` is the last day on which something can have been entered: the later of that day
and of the latest entry, because an entry proves that somebody was still writing then.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Final

import ibis
import numpy as np
from ibis import _
from numpy.typing import NDArray

from remakes.counts.engine import Tables

__all__ = ["LONGEST_DELAY", "UNDATED", "DelayCounts", "count_delays"]

Ints = NDArray[np.int64]

#: Days after which an entry says more about a clerical error, or about old papers typed in later, than about delay.
LONGEST_DELAY: Final = 183

#: The delay of a return without a day of entry that can be used.
UNDATED: Final = -1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DelayCounts:
    """First returns per restoration and defect, and entries, by day of the report and delay in days.

    Attributes
    ----------
    defects : tuple of str
        By frequency.
    observed_until, known_until : date
        Last day of a report that counts; last day on which something can have been entered.
    reported, defect, delay, count : (rows,) arrays
        First returns by day of the report (ordinal), defect and delay; a delay of `UNDATED` where the day of entry is
        blank or cannot be.
    entry_reported, entry_delay, entry_count : (entries,) arrays
        Returns as they were written down, once each whatever the number of defects, with a day of entry that can be
        used.
    undated, negative, too_long : int
        Returns (not defects) whose day of entry is blank, lies before the report (taken for the same day), or lies more
        than `LONGEST_DELAY` days after it (not used).
    """

    defects: tuple[str, ...]
    observed_until: date
    known_until: date
    reported: Ints
    defect: Ints
    delay: Ints
    count: Ints
    entry_reported: Ints
    entry_delay: Ints
    entry_count: Ints
    undated: int
    negative: int
    too_long: int

    @property
    def entries(self) -> int:
        """Returns with a day of entry that can be used."""
        return int(self.entry_count.sum())

    @property
    def last_reported(self) -> int:
        """Ordinal of the last day of a report that counts."""
        return self.observed_until.toordinal()

    @property
    def last_known(self) -> int:
        """Ordinal of the last day on which something can have been entered."""
        return self.known_until.toordinal()

    def as_known_on(self, day: date) -> DelayCounts:
        """What the records showed at the end of an earlier day: what was reported and entered by then.

        Returns without a usable day of entry are left out, since nobody can say whether they were known.
        """
        last = day.toordinal()
        rows = (self.delay >= 0) & (self.reported + self.delay <= last)
        entries = self.entry_reported + self.entry_delay <= last
        return replace(
            self,
            observed_until=min(day, self.observed_until),
            known_until=min(day, self.known_until),
            reported=self.reported[rows],
            defect=self.defect[rows],
            delay=self.delay[rows],
            count=self.count[rows],
            entry_reported=self.entry_reported[entries],
            entry_delay=self.entry_delay[entries],
            entry_count=self.entry_count[entries],
            undated=0,
            negative=0,
            too_long=0,
        )


def count_delays(tables: Tables, *, observed_until: date) -> DelayCounts:
    """How many returns were reported when, and entered how many days later?

    Parameters
    ----------
    tables : Tables
        The snapshot in a counting engine.
    observed_until : date
        Later reports and deliveries are left out, as in every other count; entries made later than that of earlier
        reports count, since they are in the records.

    Returns
    -------
    DelayCounts
        Empty arrays where nothing has been returned.

    Notes
    -----
    A return that is entered late can be a restoration's true first one with that defect; which return is first is
    judged by what the records hold now.
    """
    dated = _dated(tables)
    inside = dated.filter(_.reported <= ibis.literal(observed_until))
    # The population of every other count: returns of restorations that have been delivered.
    delivered = tables.restorations.filter(_.delivered_on.cast("date") <= ibis.literal(observed_until))
    inside = inside.semi_join(delivered, "restoration_id")
    oldest = ibis.window(group_by=["restoration_id", "defect"], order_by=["reported", "id"])
    first = inside.mutate(rank=ibis.row_number().over(oldest)).filter(_["rank"] == 0)
    keys = ["reported", "defect", "delay"]
    rows = first.group_by(keys).agg(n=_.count()).order_by(keys).to_pyarrow()
    each = inside.group_by("return_id").agg(reported=_.reported.min(), delay=_.delay.max(), gap=_.gap.max())
    keys = ["reported", "delay"]
    entries = each.filter(_.delay >= 0).group_by(keys).agg(n=_.count()).order_by(keys).to_pyarrow()
    told = each.agg(
        undated=_.gap.isnull().sum(), negative=(_.gap < 0).sum(), too_long=(_.gap > LONGEST_DELAY).sum()
    ).to_pyarrow()
    defects = _by_frequency(rows)
    number = {code: position for position, code in enumerate(defects)}
    return DelayCounts(
        defects=defects,
        observed_until=observed_until,
        known_until=max([observed_until, *_latest_entry(dated)]),
        reported=_ordinals(rows["reported"]),
        defect=np.array([number[code] for code in rows["defect"].to_pylist()], dtype=np.int64),
        delay=_numbers(rows["delay"]),
        count=_numbers(rows["n"]),
        entry_reported=_ordinals(entries["reported"]),
        entry_delay=_numbers(entries["delay"]),
        entry_count=_numbers(entries["n"]),
        **{name: int(told[name][0].as_py() or 0) for name in ("undated", "negative", "too_long")},
    )


def _dated(tables: Tables) -> Any:
    """Returns with the days between report and entry as written, and as they can be used."""
    dated = tables.returns.mutate(
        reported=_.reported_on.cast("date"), entered=_.entered_on.nullif("").cast("date")
    ).mutate(gap=_.entered.delta(_.reported, unit="day").cast("int64"))
    usable = ibis.greatest(dated.gap, 0)
    delay = ibis.ifelse(dated.gap <= LONGEST_DELAY, usable, UNDATED).fill_null(UNDATED).cast("int64")
    return dated.select("id", "return_id", "restoration_id", "defect", "reported", "entered", "gap", delay=delay)


def _latest_entry(dated: Any) -> list[date]:
    """The latest day with an entry whose date can be, whatever it reports; none without entries."""
    latest = dated.filter((_.gap >= 0) & (_.gap <= LONGEST_DELAY)).agg(day=_.entered.max()).to_pyarrow()
    day = latest["day"][0].as_py()
    return [day] if day is not None else []


def _by_frequency(rows: Any) -> tuple[str, ...]:
    totals: dict[str, int] = {}
    for code, count in zip(rows["defect"].to_pylist(), rows["n"].to_pylist(), strict=True):
        totals[code] = totals.get(code, 0) + count
    return tuple(sorted(totals, key=lambda code: (-totals[code], code)))


def _ordinals(column: Any) -> Ints:
    return np.array([day.toordinal() for day in column.to_pylist()], dtype=np.int64)


def _numbers(column: Any) -> Ints:
    return np.asarray(column.to_numpy(), dtype=np.int64)

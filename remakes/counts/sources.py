"""What restorations were made with: lots, machines and clinics, all counted at once.

A restoration counts once for a lot or machine of a step, however many rows of the log name it. If two lots were used
at one step it was made with both, and counts for each. The same code at two steps is two sources: the restorations
differ, and so does what can go wrong. Rows written after the restoration had come back are left out, as they are for
readings: a lot that is looked up for returned pieces only would look bad for that alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any, Final, Literal

import ibis
import numpy as np
from ibis import _
from numpy.typing import NDArray

from remakes.counts.engine import Tables
from remakes.counts.patterns import EVENTS, PLACED, UNITS, bin_columns, first_reported, removed_on
from remakes.counts.table import PatternTable
from remakes.deviations.detect import NOT_RECORDED, STATUS_WORDS
from remakes.errors import InputError, TableError
from remakes.texts import run_on, t

__all__ = ["CLINIC", "EQUIPMENT", "LOT", "Concerned", "Source", "SourceCounts", "count_sources", "restorations_from"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Counts = NDArray[np.int64]

LOT: Final = "lot"
EQUIPMENT: Final = "equipment"
CLINIC: Final = "clinic"
#: What the count calls a clinic that was left blank; it is no source.
_UNKNOWN: Final = STATUS_WORDS[NOT_RECORDED]


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One lot or machine at one step, or one clinic (its step is "")."""

    what: str
    step: str
    code: str

    def __str__(self) -> str:
        """In words, "opaquer lot L07", "final cure machine F1"."""
        # In the language of whoever reads it at this moment.
        if self.what == CLINIC:
            return t("clinic {code}", code=self.code)
        if self.what == EQUIPMENT:
            return t("{step} machine {code}", step=self.step, code=self.code)
        return t("{step} lot {code}", step=self.step, code=self.code)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SourceCounts:
    """Restorations, months at risk and first returns, by pattern and by everything they were made with.

    A row holds the restorations of one pattern that share all their sources. So every figure of a source, and of what
    two sources have in common, is a sum over rows.

    Attributes
    ----------
    sources : tuple of Source
        By kind, step and code.
    pattern : (rows,) array
        Row of the pattern table.
    restorations, still_in_service : (rows,) arrays
        Delivered; of these not remade or replaced up to the end of observation.
    at_risk : (rows, bins) array
        Restoration-months in service, whether or not a defect was reported.
    member_row, member_source : (memberships,) arrays
        Which row was made with which source.
    event_row, event_defect, event_bin, event_count : (events,) arrays
        First returns by row, defect (position among the pattern table's) and bin.
    event_lost : (events, bins) array
        Months in service after those first returns, no longer at risk for that defect.
    """

    sources: tuple[Source, ...]
    pattern: Ints
    restorations: Counts
    still_in_service: Counts
    at_risk: Floats
    member_row: Ints
    member_source: Ints
    event_row: Ints
    event_defect: Ints
    event_bin: Ints
    event_count: Counts
    event_lost: Floats

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(self.pattern)


@dataclass(frozen=True, slots=True, kw_only=True)
class Concerned:
    """One restoration made with a lot or machine, or for a clinic.

    Attributes
    ----------
    in_service : bool
        Neither remade nor replaced up to the end of observation.
    returned_on : date or None
        First return with any defect.
    returned_with : str
        The defects of all its returns, in order of time, parted by commas; "" without a return.
    """

    restoration_id: str
    delivered_on: date
    clinic: str
    kind: str
    teeth: str
    in_service: bool
    returned_on: date | None
    returned_with: str


def count_sources(tables: Tables, base: PatternTable) -> SourceCounts:
    """How many restorations were made with which lot, machine and for which clinic, and which came back with what?

    Parameters
    ----------
    tables : Tables
        The engine in which `base` has just been counted.
    base : PatternTable

    Returns
    -------
    SourceCounts
        A lab that records neither lot nor machine has its clinics only. Blank codes are no source.

    Raises
    ------
    TableError
        The engine holds the count of other records than `base`.
    """
    made_with = tables.keep("made_with", _made_with(tables))
    named = made_with.select("what", "step", "code").distinct().order_by("what", "step", "code").to_pyarrow()
    sources = tuple(Source(**row) for row in named.to_pylist())
    keys = ibis.window(order_by=["what", "step", "code"])
    numbered = made_with.mutate(source=ibis.dense_rank().over(keys))
    signatures = numbered.group_by("restoration_id").agg(
        signature=_.source.cast("string").group_concat(",", order_by=_.source)
    )
    placed = tables.engine.table(PLACED).left_join(signatures, "restoration_id").drop("restoration_id_right")
    placed = placed.mutate(signature=_.signature.fill_null(""))
    gone = removed_on(tables).filter(_.removed_on <= ibis.literal(base.observed_until))
    placed = placed.left_join(gone, "restoration_id").drop("restoration_id_right")
    row = ibis.dense_rank().over(ibis.window(order_by=["pattern", "signature"]))
    alike = tables.keep("made_alike", placed.mutate(row=row))
    body = _rows(alike)
    _check(body, base)
    return _assembled(sources, body, _events(tables, alike), base)


def _made_with(tables: Tables) -> Any:
    """One row a restoration and source."""
    log = tables.process_log.mutate(at=_.recorded_at.nullif("").cast("timestamp"))
    reported = first_reported(tables, tables.engine.table(UNITS))
    in_time = log.left_join(reported, "restoration_id").filter(
        _.first_reported.isnull() | _.at.isnull() | (_.at.date() <= _.first_reported)
    )
    parts = [
        in_time.select("restoration_id", what=ibis.literal(what), step=_.step, code=_[what].strip())
        for what in (LOT, EQUIPMENT)
    ]
    clinics = tables.engine.table(UNITS).select(
        "restoration_id", what=ibis.literal(CLINIC), step=ibis.literal(""), code=_.clinic.nullif(_UNKNOWN).fill_null("")
    )
    every = ibis.union(*parts, clinics)
    # Deliveries after the end of observation have rows in the log, and no place in the count.
    return every.filter(_.code != "").distinct().semi_join(tables.engine.table(PLACED), "restoration_id")


def _rows(alike: Any) -> Any:
    return (
        alike.group_by("row")
        .agg(
            pattern=_.pattern.min(),
            signature=_.signature.min(),
            restorations=_.count(),
            still_in_service=_.removed_on.isnull().cast("int64").sum(),
            **{name: _[name].sum() for name in bin_columns()},
        )
        .order_by("row")
        .to_pyarrow()
    )


def _events(tables: Tables, alike: Any) -> Any:
    first = tables.engine.table(EVENTS).join(alike.select("restoration_id", "row"), "restoration_id")
    lost = {name: _[name].sum() for name in bin_columns()}
    keys = ["row", "defect", "bin"]
    return first.group_by(*keys).agg(count=_.count(), **lost).order_by(*keys).to_pyarrow()


def _check(body: Any, base: PatternTable) -> None:
    counted = np.bincount(
        body["pattern"].to_numpy().astype(np.intp), body["restorations"].to_numpy(), minlength=base.patterns
    )
    if not np.array_equal(counted, base.restorations):
        raise TableError(
            t(
                "The engine and the pattern table hold different restorations. Count the sources from the "
                "same records, right after the pattern table."
            )
        )


def _assembled(sources: tuple[Source, ...], body: Any, events: Any, base: PatternTable) -> SourceCounts:
    def column(rows: Any, name: str, kind: Any) -> Any:
        return np.asarray(rows[name].to_numpy(), dtype=kind)

    def bins(rows: Any) -> Floats:
        return np.column_stack([column(rows, name, np.float64) for name in bin_columns()])

    held = [np.array(text.split(",") if text else [], dtype=np.intp) for text in body["signature"].to_pylist()]
    number = {defect: position for position, defect in enumerate(base.defects)}
    return SourceCounts(
        sources=sources,
        pattern=column(body, "pattern", np.intp),
        restorations=column(body, "restorations", np.int64),
        still_in_service=column(body, "still_in_service", np.int64),
        at_risk=bins(body),
        member_row=np.repeat(np.arange(len(held)), [len(one) for one in held]),
        member_source=np.concatenate(held) if held else np.zeros(0, dtype=np.intp),
        event_row=column(events, "row", np.intp),
        event_defect=np.array([number[code] for code in events["defect"].to_pylist()], dtype=np.intp),
        event_bin=column(events, "bin", np.intp),
        event_count=column(events, "count", np.int64),
        event_lost=bins(events),
    )


def restorations_from(
    tables: Tables, *, what: Literal["lot", "equipment", "clinic"], code: str, step: str = "", observed_until: date
) -> tuple[Concerned, ...]:
    """Which restorations were made with this lot or machine: what is still out there, to quarantine and check?

    Parameters
    ----------
    tables : Tables
        The engine after a count of the same records up to the same day.
    what, code, step : str
        A source as counted.
    observed_until : date

    Returns
    -------
    tuple of Concerned
        In service and never returned first, then in service, then no longer in service; the newest delivery first
        in each.

    Raises
    ------
    InputError
        Nothing was made with it.
    """
    until = ibis.literal(observed_until)
    made = _made_with(tables).filter((_.what == what) & (_.step == step) & (_.code == code))
    dated = tables.returns.mutate(reported=_.reported_on.cast("date")).filter(_.reported <= until)
    back = dated.group_by("restoration_id").agg(
        returned_on=_.reported.min(), returned_with=_.defect.group_concat(", ", order_by=(_.reported, _.id))
    )
    gone = removed_on(tables).filter(_.removed_on <= until)
    rows = (
        tables.restorations.mutate(delivered=_.delivered_on.cast("date"))
        .filter(_.delivered <= until)
        .semi_join(made, "restoration_id")
        .left_join(gone, "restoration_id")
        .drop("restoration_id_right")
        .left_join(back, "restoration_id")
        .select("restoration_id", "delivered", "clinic", "kind", "teeth", "removed_on", "returned_on", "returned_with")
        .to_pyarrow()
        .to_pylist()
    )
    if not rows:
        take = t("Take kind, code and step from the list of sources.")
        if step:
            told = t(
                "No delivered restoration was made with {what} {code!r} at {step}.", what=what, code=code, step=step
            )
        else:
            told = t("No delivered restoration was made with {what} {code!r}.", what=what, code=code)
        raise InputError(run_on(told, take))
    return tuple(sorted((_concerned(row) for row in rows), key=_newest_at_large))


def _concerned(row: dict[str, Any]) -> Concerned:
    return Concerned(
        restoration_id=row["restoration_id"],
        delivered_on=row["delivered"],
        clinic=row["clinic"],
        kind=row["kind"],
        teeth=row["teeth"],
        in_service=row["removed_on"] is None,
        returned_on=row["returned_on"],
        returned_with=", ".join(dict.fromkeys((row["returned_with"] or "").split(", "))),
    )


def _newest_at_large(one: Concerned) -> tuple[bool, bool, int, str]:
    return not one.in_service, one.returned_on is not None, -one.delivered_on.toordinal(), one.restoration_id

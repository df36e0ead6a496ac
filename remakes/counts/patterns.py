"""Count a snapshot into the pattern table, with the engine and without a pivot.

Time in service is counted in months of 30.4375 days from delivery. A return in the m-th month makes
its restoration at risk through that month, whole. A restoration still in service at the end of
observation counts the month that is under way if at least half of it has been seen, so that months
begun and months lost balance; the month of delivery always counts, since most of its returns come at
try-in, in its first days.

A restoration leaves the risk set at its remake, or at the first return with the defect in question;
other defects leave it in service.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from itertools import pairwise
from typing import Any, Final

import ibis
import numpy as np
import pyarrow as pa
from ibis import _
from numpy.typing import NDArray

from remakes.counts.engine import Tables
from remakes.counts.table import BIN_EDGES, DAYS_PER_MONTH, Attribute, PatternTable, Readings
from remakes.deviations import detect
from remakes.errors import NothingToAnalyzeError
from remakes.records.codes import EARLY_FOUND_AT
from remakes.records.standard import ProcessStandard
from remakes.texts import later, t

__all__ = [
    "ATTRIBUTES",
    "EVENTS",
    "PLACED",
    "STATUSES",
    "UNITS",
    "bin_columns",
    "count_patterns",
    "first_reported",
    "returns_by",
    "service_by",
]

#: Tables that stay in the engine after a count, one row a restoration (and factor, or defect), for counts by more:
#: what each restoration is; its pattern and months of service; its statuses; its first return with each defect.
UNITS: Final = "units"
PLACED: Final = "placed"
STATUSES: Final = "statuses"
EVENTS: Final = "first_returns"

#: The adjustment pattern. Each is known before the bench work starts, except none.
ATTRIBUTES: Final = (
    "technician",
    "clinic",
    "kind",
    "framework",
    "veneer",
    "span",
    "region",
    "difficulty",
    "lead_time",
    "quarter",
    "workload",
)

#: Two bits a factor; sixty bits a signed 64-bit column.
_FACTORS_PER_COLUMN: Final = 30

_SHORT_LEAD_QUANTILE: Final = 0.2
_MIN_CONSTANT_READINGS: Final = 20

Progress = Callable[[str], None]


def count_patterns(
    tables: Tables, standard: ProcessStandard, *, observed_until: date, progress: Progress | None = None
) -> PatternTable:
    """Restorations at risk and returns by factor status x adjustment pattern x month bin.

    Parameters
    ----------
    tables : Tables
        The snapshot in a counting engine.
    standard : ProcessStandard
    observed_until : date
        Returns are complete up to here; later deliveries and returns are left out.
    progress : callable, optional
        Told what is being done.

    Raises
    ------
    NothingToAnalyzeError
        No delivery up to `observed_until`.
    """
    tell = progress or (lambda _what: None)
    tell(later("time in service"))
    units = tables.keep(UNITS, _units(tables, standard, observed_until))
    if units.count().to_pyarrow().as_py() == 0:
        raise NothingToAnalyzeError(
            t(
                "No restoration was delivered up to {observed_until}. Import deliveries, or state a later "
                "--observed-until.",
                observed_until=observed_until,
            )
        )
    tell(later("readings against the standard"))
    regimes = [str(value) for value in _column(units.select("regime").distinct().order_by("regime"), "regime")]
    first = first_reported(tables, units)
    readings = detect.latest_readings(tables.process_log, first)
    statuses = tables.keep(STATUSES, detect.statuses(readings, units, detect.rules(standard, regimes)))
    tell(later("patterns"))
    columns = _signature_columns(len(standard.factors))
    signed = tables.keep("signed", _signed(units, statuses, columns))
    keys = ["regime", *ATTRIBUTES, *columns]
    numbered = tables.keep(
        "patterns", signed.select(*keys).distinct().mutate(pattern=ibis.row_number().over(ibis.window(order_by=keys)))
    )
    placed = tables.keep(PLACED, _in_service(signed.join(numbered, keys)))
    tell(later("returns"))
    events = tables.keep(EVENTS, _first_events(tables, placed, observed_until))
    return _assemble(tables, standard, numbered, placed, events, statuses, columns, observed_until)


def _units(tables: Tables, standard: ProcessStandard, observed_until: date) -> Any:
    """One row a restoration: months in service, adjustment attributes, regime."""
    dated = tables.restorations.mutate(
        delivered=_.delivered_on.cast("date"),
        received=_.received_on.nullif("").cast("date"),
        due=_.due_on.nullif("").cast("date"),
    ).filter(_.delivered <= ibis.literal(observed_until))
    dated = dated.left_join(removed_on(tables), "restoration_id").drop("restoration_id_right")
    until = ibis.least(ibis.coalesce(_.removed_on, ibis.literal(observed_until)), ibis.literal(observed_until))
    dated = dated.mutate(until=until)
    # Half a month or more counts whole; the month of delivery always counts.
    months = ((_.until.delta(_.delivered, unit="day") / DAYS_PER_MONTH) + 0.5).floor().cast("int64")
    dated = dated.mutate(months=ibis.greatest(months, 1), lead=_.due.delta(_.received, unit="day"))
    dated = dated.mutate(week=_.delivered.truncate("W"))
    weekly = dated.group_by("week").agg(in_week=_.count())
    dated = dated.join(weekly, "week")
    cuts = dated.agg(
        short=_.lead.quantile(_SHORT_LEAD_QUANTILE), slack=_.in_week.quantile(1 / 3), busy=_.in_week.quantile(2 / 3)
    )
    wide = dated.cross_join(cuts)
    return wide.select(
        "restoration_id",
        "months",
        "delivered",
        **{name: wide[name].strip().nullif("").fill_null("not recorded") for name in ("technician", "clinic")},
        **{name: wide[name].strip().lower().nullif("").fill_null("none") for name in ("kind", "framework", "veneer")},
        difficulty=wide.difficulty.strip().lower(),
        span=ibis.cases((wide.units <= 1, "1 unit"), (wide.units <= 3, "2-3 units"), else_="4 or more units"),
        region=_region(wide.teeth),
        lead_time=ibis.cases((wide.lead.isnull(), "not recorded"), (wide.lead <= wide.short, "short"), else_="usual"),
        quarter=wide.delivered.year().cast("string").concat(" Q", wide.delivered.quarter().cast("string")),
        workload=ibis.cases((wide.in_week <= wide.slack, "slack"), (wide.in_week <= wide.busy, "usual"), else_="busy"),
        regime=detect.regime(wide, standard),
    )


def _region(teeth: Any) -> Any:
    front, back = teeth.re_search(r"\b[1-8][1-3]\b"), teeth.re_search(r"\b[1-8][4-8]\b")
    return ibis.cases((front & back, "both"), (front, "anterior"), (back, "posterior"), else_="not recorded")


def removed_on(tables: Tables) -> Any:
    """When a restoration left service: returned for a remake, or replaced by one."""
    remade = tables.returns.filter(_.disposition == "remade").select("restoration_id", day=_.reported_on.cast("date"))
    replaced = tables.restorations.filter(_.remake_of != "").select(
        restoration_id=_.remake_of, day=_.delivered_on.cast("date")
    )
    return remade.union(replaced).group_by("restoration_id").agg(removed_on=_.day.min())


def first_reported(tables: Tables, units: Any) -> Any:
    """Day of the first return after delivery, by restoration."""
    dated = tables.returns.mutate(reported=_.reported_on.cast("date"))
    after = dated.join(units.select("restoration_id", "delivered"), "restoration_id").filter(_.reported >= _.delivered)
    return after.group_by("restoration_id").agg(first_reported=_.reported.min())


def _signature_columns(factors: int) -> list[str]:
    return [f"signature_{k}" for k in range((factors + _FACTORS_PER_COLUMN - 1) // _FACTORS_PER_COLUMN)]


def _signed(units: Any, statuses: Any, columns: list[str]) -> Any:
    """Pack the statuses of each restoration into numbers of two bits a factor: a sum, not a pivot."""
    if not columns:
        return units
    packed = {}
    for k, column in enumerate(columns):
        low = k * _FACTORS_PER_COLUMN
        mine = (_.factor >= low) & (_.factor < low + _FACTORS_PER_COLUMN)
        # A shift by more than the column holds would be an error even where it is not summed.
        power = ibis.ifelse(mine, _.factor - low, 0)
        packed[column] = ibis.ifelse(mine, _.status.cast("int64") << (power * 2), 0).sum().cast("int64")
    sums = statuses.group_by("restoration_id").agg(**packed)
    joined = units.left_join(sums, "restoration_id").drop("restoration_id_right")
    return joined.mutate(**{column: joined[column].fill_null(0) for column in columns})


def bin_columns() -> list[str]:
    """Names of the columns that hold months by bin."""
    return [f"bin_{k}" for k in range(len(BIN_EDGES))]


def _in_bins(months: Any) -> dict[str, Any]:
    """Months of service that fall into each bin."""
    widths = [hi - lo for lo, hi in pairwise(BIN_EDGES)]
    parts = [ibis.least(ibis.greatest(months - BIN_EDGES[k], 0), width) for k, width in enumerate(widths)]
    parts.append(ibis.greatest(months - BIN_EDGES[-1], 0))
    return dict(zip(bin_columns(), parts, strict=True))


def _in_service(signed: Any) -> Any:
    """Pattern and months of service by bin, one row a restoration."""
    return signed.select("restoration_id", "pattern", "months", "delivered", **_in_bins(signed.months))


def service_by(placed: Any, keys: Sequence[str]) -> Any:
    """Restorations, and their months of service by bin, for each combination of `keys`."""
    return placed.group_by(*keys).agg(restorations=_.count(), **{name: _[name].sum() for name in bin_columns()})


def returns_by(events: Any, keys: Sequence[str]) -> Any:
    """First returns by defect and month bin, and the months of service after them, for each combination of `keys`."""
    lost = {name: _[name].sum() for name in bin_columns()}
    return events.group_by(*keys, "defect", "bin").agg(count=_.count(), early=_.early.cast("int64").sum(), **lost)


def _first_events(tables: Tables, placed: Any, observed_until: date) -> Any:
    """First return per restoration and defect: the month it came, how many months of service followed."""
    dated = tables.returns.mutate(reported=_.reported_on.cast("date"), early=_.found_at.isin(sorted(EARLY_FOUND_AT)))
    dated = dated.filter(_.reported <= ibis.literal(observed_until))
    oldest = ibis.window(group_by=["restoration_id", "defect"], order_by=["reported", "id"])
    first = dated.mutate(rank=ibis.row_number().over(oldest)).filter(_["rank"] == 0)
    joined = first.join(placed, "restoration_id")
    month = ibis.greatest((joined.reported.delta(joined.delivered, unit="day") / DAYS_PER_MONTH).floor(), 0)
    joined = joined.mutate(month=month.cast("int64"))
    bin_number = ibis.literal(0)
    for edge in BIN_EDGES[1:]:
        bin_number = bin_number + (joined.month >= edge).cast("int64")
    lost = {name: joined[name] - until_event for name, until_event in _in_bins(joined.month + 1).items()}
    return joined.select("restoration_id", "pattern", "defect", "early", bin=bin_number, **lost)


def _assemble(
    tables: Tables,
    standard: ProcessStandard,
    numbered: Any,
    placed: Any,
    first_returns: Any,
    statuses: Any,
    columns: list[str],
    observed_until: date,
) -> PatternTable:
    bins = bin_columns()
    body = numbered.join(service_by(placed, ["pattern"]), "pattern").order_by("pattern").to_pyarrow()
    events = returns_by(first_returns, ["pattern"]).order_by("pattern", "defect", "bin").to_pyarrow()
    defects = _by_frequency(events)
    span = placed.agg(first=_.delivered.min(), last=_.delivered.max()).to_pyarrow()
    return PatternTable(
        factors=standard.factors,
        defects=defects,
        status=_status(body, standard, columns),
        restorations=_numbers(body, "restorations", np.int64),
        at_risk=_stack(body, bins),
        attributes={name: _attribute(body, name) for name in ATTRIBUTES},
        event_pattern=_numbers(events, "pattern", np.intp),
        event_defect=np.array([defects.index(code) for code in events["defect"].to_pylist()], dtype=np.intp),
        event_bin=_numbers(events, "bin", np.intp),
        event_count=_numbers(events, "count", np.int64),
        event_lost=_stack(events, bins),
        event_early=_numbers(events, "early", np.int64),
        observed_until=observed_until,
        first_delivered=span["first"][0].as_py(),
        last_delivered=span["last"][0].as_py(),
        returns=int(_numbers(events, "count", np.int64).sum()),
        readings=_readings(tables, standard, statuses),
    )


def _status(body: pa.Table, standard: ProcessStandard, columns: list[str]) -> NDArray[np.int8]:
    """Unpack the signatures; a factor that applies and has no legible reading is not recorded."""
    status = np.zeros((body.num_rows, len(standard.factors)), dtype=np.int8)
    for k in range(len(standard.factors)):
        packed = _numbers(body, columns[k // _FACTORS_PER_COLUMN], np.int64)
        status[:, k] = (packed >> (2 * (k % _FACTORS_PER_COLUMN))) & 3
    regimes = body["regime"].combine_chunks().dictionary_encode()
    applies = np.array([[part not in ("", "-") for part in text.split(",")] for text in regimes.dictionary.to_pylist()])
    if standard.factors:
        applicable = applies[regimes.indices.to_numpy()]
        status[applicable & (status == detect.NOT_APPLICABLE)] = detect.NOT_RECORDED
    return status


def _readings(tables: Tables, standard: ProcessStandard, statuses: Any) -> dict[str, Readings]:
    """How many readings each factor has, how various they are, and how many came too late."""
    values = statuses.group_by("factor", "value").agg(n=_.count())
    spread = values.group_by("factor").agg(
        recorded=_.n.sum(), distinct=_.count(), commonest=_.value.argmax(_.n), most=_.n.max()
    )
    by_person = (
        statuses.join(tables.restorations.select("restoration_id", "technician"), "restoration_id")
        .group_by("factor", "technician")
        .agg(n=_.count(), distinct=_.value.nunique())
        .filter((_.n >= _MIN_CONSTANT_READINGS) & (_.distinct == 1))
        .order_by("factor", "technician")
        .to_pyarrow()
        .to_pylist()
    )
    late = _late_rows(tables, standard)
    found = {}
    for row in spread.order_by("factor").to_pyarrow().to_pylist():
        factor = standard.factors[row["factor"]]
        constant = tuple(line["technician"] for line in by_person if line["factor"] == row["factor"])
        found[factor] = Readings(
            recorded=row["recorded"],
            distinct=row["distinct"],
            commonest=row["commonest"],
            commonest_share=row["most"] / row["recorded"],
            constant_by=constant,
            late=sum(late.get((r.step, r.reading), 0) for r in standard.requirements if r.factor == factor),
        )
    return found


def _late_rows(tables: Tables, standard: ProcessStandard) -> dict[tuple[str, str], int]:
    """Rows written after the return was reported, by step and reading."""
    first = first_reported(tables, tables.engine.table(UNITS))
    dated = tables.process_log.mutate(at=_.recorded_at.nullif("").cast("timestamp")).join(first, "restoration_id")
    rows = dated.filter(_.at.date() > _.first_reported).group_by("step", "reading").agg(n=_.count()).to_pyarrow()
    named = {(r.step, r.reading) for r in standard.requirements}
    return {
        (row["step"], row["reading"]): row["n"] for row in rows.to_pylist() if (row["step"], row["reading"]) in named
    }


def _by_frequency(events: pa.Table) -> tuple[str, ...]:
    totals: dict[str, int] = {}
    for code, count in zip(events["defect"].to_pylist(), events["count"].to_pylist(), strict=True):
        totals[code] = totals.get(code, 0) + count
    return tuple(sorted(totals, key=lambda code: (-totals[code], code)))


def _column(expression: Any, name: str) -> list[Any]:
    return list(expression.to_pyarrow()[name].to_pylist())


def _numbers(table: pa.Table, name: str, kind: Any) -> NDArray[Any]:
    return np.asarray(table[name].to_numpy(), dtype=kind)


def _stack(table: pa.Table, names: list[str]) -> NDArray[np.float64]:
    return np.column_stack([_numbers(table, name, np.float64) for name in names])


def _attribute(table: pa.Table, name: str) -> Attribute:
    encoded = table[name].combine_chunks().dictionary_encode()
    levels = encoded.dictionary.to_pylist()
    order = sorted(range(len(levels)), key=lambda k: levels[k])
    rank = np.empty(len(levels), dtype=np.intp)
    rank[order] = np.arange(len(levels))
    return Attribute(rank[encoded.indices.to_numpy()], tuple(levels[k] for k in order))

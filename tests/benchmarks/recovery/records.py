"""A lab's draws as the records the analysis reads."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from remakes.records.snapshot import LOG_COLUMNS, RESTORATION_COLUMNS, RETURN_COLUMNS, Snapshot, arrow_schema
from tests.benchmarks.recovery.bench import Log
from tests.benchmarks.recovery.orders import FRAMEWORKS, KINDS, VENEERS, Flags, Ints, Orders
from tests.benchmarks.recovery.service import Returns
from tests.benchmarks.recovery.trade import DEFECTS, FACTORS, START, standard

__all__ = ["log_table", "snapshot", "with_rows"]

_FRONT: Final = ("11", "12", "13", "21", "22", "23")
_BACK: Final = ("14", "15", "16", "24", "25", "26", "34", "35", "36", "44", "45", "46")
_FRONT_SPANS: Final = ("13", "12", "11", "21", "22")
_BACK_SPANS: Final = ("34", "35", "36", "37", "38")


def snapshot(
    orders: Orders, log: Log, returns: Returns, *, rng: np.random.Generator, late: Flags, unstamped: Flags
) -> Snapshot:
    """The records of one lab.

    Parameters
    ----------
    orders, log, returns
    rng : Generator
        Of what does not matter: readings on the right side of a limit, tooth numbers.
    late, unstamped : (n,) arrays of bool
        Slips filled in as met after the return was known; those of them that carry no time of writing.
    """
    names = _numbered("R", orders.size, 6)
    table = log_table(orders, log, names, rng)
    if late.any():
        table = with_rows(table, _late_rows(orders, returns, names, late, unstamped, rng))
    return Snapshot(
        restorations=_restorations(orders, names, rng),
        process_log=table,
        returns=_returns(returns, names),
        standard=standard(),
        observed_until=orders.end,
    )


def log_table(orders: Orders, log: Log, names: pa.Array, rng: np.random.Generator) -> pa.Table:
    """One row a recorded reading, written on one of the three days before delivery."""
    parts = []
    made = orders.day - rng.integers(1, 4, orders.size)
    for k in range(len(FACTORS)):
        rows = np.flatnonzero(log.recorded[:, k])
        parts.append(_readings(k, names.take(pa.array(rows)), log.missed[rows, k], _stamps(made[rows], 10), rng))
    return _numbered_rows(pa.concat_tables(parts))


def with_rows(table: pa.Table, more: pa.Table) -> pa.Table:
    """A log with rows added at its end."""
    return _numbered_rows(pa.concat_tables([table.drop_columns(["id"]), more]))


def _late_rows(
    orders: Orders, returns: Returns, names: pa.Array, late: Flags, unstamped: Flags, rng: np.random.Generator
) -> pa.Table:
    reported = np.full(orders.size, np.iinfo(np.int64).max)
    np.minimum.at(reported, returns.restoration, returns.day)
    parts = []
    for k in range(len(FACTORS)):
        rows = np.flatnonzero(late)
        stamps = np.where(unstamped[rows], "", _stamps(reported[rows] + 2, 17))
        parts.append(_readings(k, names.take(pa.array(rows)), np.zeros(len(rows), dtype=bool), stamps, rng))
    return pa.concat_tables(parts)


def _readings(k: int, names: pa.Array, missed: Flags, stamps: NDArray[np.str_], rng: np.random.Generator) -> pa.Table:
    """Rows of one factor, without numbers."""
    factor, size = FACTORS[k], len(names)
    values = np.where(missed, rng.choice(factor.missed, size), rng.choice(factor.met, size))
    columns = {
        "restoration_id": names,
        "step": _same(factor.step, size),
        "reading": _same(f"{factor.name}_read", size),
        "value": pa.array(values, type=pa.string()),
        "recorded_at": pa.array(stamps, type=pa.string()),
        "operator": _same("", size),
        "equipment": _same("", size),
        "lot": _same("", size),
    }
    return pa.table(columns, schema=arrow_schema([name for name in LOG_COLUMNS if name != "id"]))


def _restorations(orders: Orders, names: pa.Array, rng: np.random.Generator) -> pa.Table:
    received = orders.day - orders.lead
    columns = {
        "restoration_id": names,
        "case_id": _coded("A", orders.case, 6),
        "clinic": _coded("C", orders.clinic, 2),
        "technician": _coded("T", orders.technician, 2),
        "kind": _levels(KINDS, orders.kind),
        "teeth": pa.array(_teeth(orders, rng), type=pa.string()),
        "units": pa.array(orders.units),
        "framework": _levels(FRAMEWORKS, orders.framework),
        "veneer": _levels(VENEERS, orders.veneer),
        "difficulty": _levels(
            ("", "bruxism", "limited space", "bruxism;limited space"), orders.bruxism + 2 * orders.tight
        ),
        "received_on": pa.array(_dates(received)),
        "due_on": pa.array(_dates(orders.day)),
        "delivered_on": pa.array(_dates(orders.day)),
        "remake_of": _same("", orders.size),
    }
    return pa.table(columns, schema=arrow_schema(RESTORATION_COLUMNS))


def _returns(returns: Returns, names: pa.Array) -> pa.Table:
    size = len(returns.day)
    columns = {
        "id": pa.array(np.arange(1, size + 1)),
        "return_id": _numbered("Q", size, 5),
        "restoration_id": names.take(pa.array(returns.restoration)),
        "reported_on": pa.array(_dates(returns.day)),
        "entered_on": pa.array(_dates(returns.day + 1)),
        "defect": _levels(DEFECTS, returns.defect),
        "found_at": _levels(("in_service", "try_in"), returns.early.astype(np.int64)),
        "disposition": _levels(("repaired", "remade"), returns.remade.astype(np.int64)),
        "severity": _levels(("4", "5"), returns.remade.astype(np.int64)),
        "attributed_to": _same("undecided", size),
        "cost": _same("", size),
    }
    return pa.table(columns, schema=arrow_schema(RETURN_COLUMNS))


def _teeth(orders: Orders, rng: np.random.Generator) -> NDArray[np.str_]:
    single = np.where(orders.posterior, rng.choice(_BACK, orders.size), rng.choice(_FRONT, orders.size))
    front = np.array([" ".join(_FRONT_SPANS[:units]) for units in range(6)])
    back = np.array([" ".join(_BACK_SPANS[:units]) for units in range(6)])
    spans = np.where(orders.posterior, back[orders.units], front[orders.units])
    return np.where(orders.units == 1, single, spans)


def _numbered_rows(table: pa.Table) -> pa.Table:
    numbered = table.add_column(0, "id", pa.array(np.arange(1, table.num_rows + 1)))
    return numbered.cast(arrow_schema(LOG_COLUMNS))


def _dates(days: Ints) -> NDArray[np.str_]:
    return np.datetime_as_string(np.datetime64(START) + days)


def _stamps(days: Ints, hour: int) -> NDArray[np.str_]:
    return np.char.add(_dates(days), f" {hour:02d}:00:00")


def _same(word: str, size: int) -> pa.Array:
    return _levels((word,), np.zeros(size, dtype=np.int64))


def _levels(levels: Sequence[str], codes: Ints) -> pa.Array:
    return pa.DictionaryArray.from_arrays(pa.array(codes), pa.array(list(levels))).cast(pa.string())


def _coded(letter: str, codes: Ints, digits: int) -> pa.Array:
    return _levels([f"{letter}{number:0{digits}d}" for number in range(int(codes.max()) + 1)], codes)


def _numbered(letter: str, size: int, digits: int) -> pa.Array:
    return pa.array([f"{letter}{number:0{digits}d}" for number in range(size)], type=pa.string())

"""Count the same restorations finer: by a lot, a machine, a band of readings.

The pattern table forgets everything that no statistic asked for. What one question needs beyond it, one level a
restoration, is counted here from the rows that the count left in the engine. Every refined row lies within one
pattern, so that whatever holds for patterns (case mix, statuses, shrunken groups) holds for it, and the sums over
the levels are the pattern table again, to the last restoration.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
from ibis import _
from numpy.typing import NDArray

from remakes.counts.engine import Tables
from remakes.counts.patterns import EVENTS, PLACED, UNITS, bin_columns, first_reported, returns_by, service_by
from remakes.counts.table import Attribute, PatternTable
from remakes.deviations import detect
from remakes.errors import ProcessStandardError, TableError
from remakes.records.standard import ProcessStandard
from remakes.texts import t

__all__ = ["NOT_RECORDED_LEVEL", "RefinedTable", "refine", "refine_by_source"]

Ints = NDArray[np.intp]

#: The level of a restoration about which nothing was written down, and of one the requirement was not meant for.
NOT_RECORDED_LEVEL: Final = detect.STATUS_WORDS[detect.NOT_RECORDED]
_DOES_NOT_APPLY: Final = detect.STATUS_WORDS[detect.NOT_APPLICABLE]
_SAYS_NOTHING: Final = {None, NOT_RECORDED_LEVEL, _DOES_NOT_APPLY}


@dataclass(frozen=True, slots=True, kw_only=True)
class RefinedTable:
    """A pattern table with one more attribute, and where each of its rows comes from.

    Attributes
    ----------
    table : PatternTable
        One row a pattern and level; its last attribute is `name`.
    name : str
    pattern : (rows,) array
        Row of the table it was refined from.
    """

    table: PatternTable
    name: str
    pattern: Ints

    @property
    def attribute(self) -> Attribute:
        """The attribute that was added."""
        return self.table.attributes[self.name]


def refine(
    tables: Tables,
    base: PatternTable,
    levels: Any,
    *,
    name: str,
    order: Sequence[str] | None = None,
    factor: str | None = None,
) -> RefinedTable:
    """The pattern table counted by pattern and level.

    Parameters
    ----------
    tables : Tables
        The engine that `base` was counted in; its last count must be that of `base`.
    base : PatternTable
    levels : ibis table
        restoration_id and level, at most one row a restoration. A restoration without a row, or with a blank or
        null level, is "not recorded".
    name : str
        Of the new attribute.
    order : sequence of str, optional
        Names of the levels; `level` is then an integer, the position among them. Without it `level` is text, and
        the levels are those found, in alphabetical order.
    factor : str, optional
        Restorations that this factor's requirement does not apply to get the level "does not apply".

    Raises
    ------
    TableError
        Several levels for one restoration, or an engine that has counted something else since.
    """
    code = _.level if order is not None else _.level.strip().nullif("")
    kept = tables.keep("levels", levels.mutate(level=code).select("restoration_id", "level"))
    body, events = _counted(tables, kept)
    found = [*body["level"].to_pylist(), *events["level"].to_pylist()]
    names = tuple(order) if order is not None else tuple(sorted(set(found) - _SAYS_NOTHING))
    place: dict[Any, int] = {key: k for k, key in enumerate(range(len(names)) if order is not None else names)}
    levelled = np.array([place.get(key, len(names)) for key in found], dtype=np.intp)
    pattern, body_level = body["pattern"].to_numpy().astype(np.intp), levelled[: body.num_rows]
    restorations = body["restorations"].to_numpy().astype(np.int64)
    _refuse_other_counts(base, pattern, restorations, name)
    sort = np.lexsort((body_level, pattern))
    rows = _Rows(pattern[sort], body_level[sort], len(names) + 1)
    table = _finer(base, rows, restorations[sort], _stacked(body)[sort], events, levelled[body.num_rows :])
    attribute = _named(base, rows, names, factor)
    return RefinedTable(
        table=replace(table, attributes={**table.attributes, name: attribute}), name=name, pattern=rows.pattern
    )


def _counted(tables: Tables, levels: Any) -> tuple[Any, Any]:
    """Service and first returns by pattern and level, as Arrow tables."""
    keys = ["pattern", "level"]
    placed = tables.engine.table(PLACED).left_join(levels, "restoration_id").drop("restoration_id_right")
    events = tables.engine.table(EVENTS).left_join(levels, "restoration_id").drop("restoration_id_right")
    by_row = returns_by(events, keys).order_by("pattern", "level", "defect", "bin")
    return service_by(placed, keys).to_pyarrow(), by_row.to_pyarrow()


def _refuse_other_counts(base: PatternTable, pattern: Ints, restorations: NDArray[np.int64], name: str) -> None:
    total = int(restorations.sum())
    fits = pattern.max(initial=-1) < base.patterns and np.array_equal(
        np.bincount(pattern, restorations, minlength=base.patterns), base.restorations
    )
    if not fits:
        raise TableError(
            t(
                "Counted by {name}, the patterns hold {total} restorations in other places than the "
                "{restorations} of the pattern table. Each restoration needs one level, and the engine's "
                "last count must be that of the table: count the patterns again in this engine, then refine.",
                name=name,
                total=total,
                restorations=int(base.restorations.sum()),
            )
        )


class _Rows:
    """Rows of a refined table, in ascending order of pattern and level."""

    def __init__(self, pattern: Ints, level: Ints, levels: int) -> None:
        self.pattern, self.level, self._levels = pattern, level, levels
        self._key = pattern * levels + level

    def of(self, pattern: Ints, level: Ints) -> Ints:
        """Row numbers of these patterns and levels."""
        return np.searchsorted(self._key, pattern * self._levels + level).astype(np.intp)


def _finer(
    base: PatternTable,
    rows: _Rows,
    restorations: NDArray[np.int64],
    at_risk: NDArray[np.float64],
    events: Any,
    event_level: Ints,
) -> PatternTable:
    attributes = {
        name: Attribute(one.codes[rows.pattern], one.levels) for name, one in base.attributes.items()
    }  # levels keep their numbers, so that what was estimated on the base table fits here too
    return replace(
        base,
        status=base.status[rows.pattern],
        restorations=restorations,
        at_risk=at_risk,
        attributes=attributes,
        event_pattern=rows.of(events["pattern"].to_numpy().astype(np.intp), event_level),
        event_defect=np.array([base.defects.index(code) for code in events["defect"].to_pylist()], dtype=np.intp),
        event_bin=events["bin"].to_numpy().astype(np.intp),
        event_count=events["count"].to_numpy().astype(np.int64),
        event_lost=_stacked(events),
        event_early=events["early"].to_numpy().astype(np.int64),
    )


def _stacked(table: Any) -> NDArray[np.float64]:
    return np.column_stack([table[name].to_numpy().astype(np.float64) for name in bin_columns()])


def _named(base: PatternTable, rows: _Rows, names: tuple[str, ...], factor: str | None) -> Attribute:
    """The new attribute; of the levels for what is missing, only those that occur."""
    codes, levels = rows.level.copy(), list(names)
    unknown = codes == len(names)
    outside = (
        base.status_of(factor)[rows.pattern] == detect.NOT_APPLICABLE if factor else np.zeros(len(codes), dtype=bool)
    )
    for chosen, word in ((unknown & ~outside, NOT_RECORDED_LEVEL), (outside, _DOES_NOT_APPLY)):
        if chosen.any():
            codes[chosen] = len(levels)
            levels.append(word)
    return Attribute(codes, tuple(levels))


def refine_by_source(
    tables: Tables, base: PatternTable, standard: ProcessStandard, *, factor: str, by: Literal["lot", "equipment"]
) -> RefinedTable:
    """Which material lot, or which machine, stands behind each restoration's reading?

    It is the lot, or machine, of the row of the process log that counts for the factor's reading: the latest, but
    for rows written after the restoration had come back. Its value may be blank; who wrote down the lot used it.
    Where no row was written, or its lot is blank, the level is "not recorded".

    Parameters
    ----------
    tables : Tables
        The engine that `base` was counted in.
    base : PatternTable
    standard : ProcessStandard
        The one `base` was counted by.
    factor : str
    by : {"lot", "equipment"}

    Returns
    -------
    RefinedTable
        With the attribute `by`.

    Raises
    ------
    ProcessStandardError
        The standard does not name the factor.
    """
    if factor not in standard.factors:
        raise ProcessStandardError(
            t(
                "The process standard names no factor {factor!r}. It names: {value}. Use one of these.",
                factor=factor,
                value=", ".join(standard.factors) or "none",
            )
        )
    units = tables.engine.table(UNITS)
    regimes = [str(value) for value in units.select("regime").distinct().to_pyarrow()["regime"].to_pylist()]
    mine = _.factor == standard.factors.index(factor)
    named = detect.rules(standard, sorted(regimes)).filter(mine).select("regime", "step", "reading")
    log = tables.process_log.semi_join(named, ["step", "reading"])
    # The rule of which row counts is asked for the row's number in place of its value.
    counting = detect.latest_readings(log.mutate(value=_.id.cast("string")), first_reported(tables, units))
    source = log.select("restoration_id", "step", "reading", "id", level=log[by]).mutate(value=_.id.cast("string"))
    rows = counting.join(source, ["restoration_id", "step", "reading", "value"])
    in_force = units.select("restoration_id", "regime").join(named, "regime")
    levels = rows.join(in_force, ["restoration_id", "step", "reading"]).select("restoration_id", "level")
    return refine(tables, base, levels, name=by, factor=factor)

"""Hold every reading against the requirement in force: met, missed, not recorded, does not apply.

Written as expressions of a dataframe language that several engines run; no row passes through Python.

Which requirement a restoration falls under depends on its materials and its delivery date. All its
requirements together are its *regime*; a lab has few regimes, so the log meets its limits by a join on
(regime, step, reading).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import ibis
from ibis import _

from remakes.records.standard import ProcessStandard, Requirement

__all__ = [
    "MET",
    "MISSED",
    "NOT_APPLICABLE",
    "NOT_RECORDED",
    "STATUS_WORDS",
    "latest_readings",
    "regime",
    "rules",
    "statuses",
]

#: Status codes as they stand in every count table.
NOT_APPLICABLE: Final = 0
MET: Final = 1
MISSED: Final = 2
NOT_RECORDED: Final = 3

STATUS_WORDS: Final = {
    NOT_APPLICABLE: "does not apply",
    MET: "met",
    MISSED: "missed",
    NOT_RECORDED: "not recorded",
}

_NONE: Final = "-"  # in a regime: no requirement of this factor applies
_MARK: Final = "\x1f"  # parts the allowed words of a rule; cannot be typed


def regime(restorations: Any, standard: ProcessStandard) -> Any:
    """Which requirement of each factor a restoration falls under.

    Parameters
    ----------
    restorations : ibis table
        With the columns of a snapshot and ``delivered`` (date).
    standard : ProcessStandard

    Returns
    -------
    ibis string column
        For each factor of the standard, in order, the position of the requirement in
        ``standard.requirements`` or ``-``, parted by commas.
    """
    parts = [_requirement_of(restorations, standard, factor) for factor in standard.factors]
    if not parts:
        return ibis.literal("")
    text = parts[0]
    for part in parts[1:]:
        text = text.concat(",", part)
    return text


def _requirement_of(restorations: Any, standard: ProcessStandard, factor: str) -> Any:
    numbered = [(k, r) for k, r in enumerate(standard.requirements) if r.factor == factor]
    # Of those that fit, the youngest counts; of one day's, the one with more conditions, then the earlier.
    numbered.sort(key=lambda pair: (pair[1].valid_from, len(pair[1].applies_when)), reverse=True)
    branches = [(_covers(restorations, requirement), str(position)) for position, requirement in numbered]
    return ibis.cases(*branches, else_=_NONE)


def _covers(restorations: Any, requirement: Requirement) -> Any:
    test = restorations.delivered >= ibis.literal(requirement.valid_from)
    if requirement.valid_until is not None:
        test = test & (restorations.delivered <= ibis.literal(requirement.valid_until))
    for column, values in requirement.applies_when.items():
        wanted = [value.strip().casefold() for value in values]
        cell = restorations[column].strip().lower()
        if column == "difficulty":
            tags = ibis.literal(";").concat(cell.re_replace(r"\s*;\s*", ";"), ";")
            test = test & ibis.or_(*[tags.contains(f";{tag};") for tag in wanted])
        else:
            test = test & cell.isin(wanted)
    return test


def rules(standard: ProcessStandard, regimes: Sequence[str]) -> Any:
    """The limits of every regime, one row a requirement, ready to be joined to the log.

    Returns
    -------
    ibis table
        regime, factor (position among ``standard.factors``), step, reading, numeric, low, high, words, forbidden.
    """
    rows = [
        _rule_row(regime, factor, standard.requirements[int(position)])
        for regime in regimes
        for factor, position in enumerate(regime.split(","))
        if position not in ("", _NONE)
    ]
    schema = {
        "regime": "string",
        "factor": "int64",
        "step": "string",
        "reading": "string",
        "numeric": "boolean",
        "low": "float64",
        "high": "float64",
        "words": "string",
        "forbidden": "boolean",
    }
    import pyarrow as pa

    columns = list(zip(*rows, strict=True)) if rows else [()] * len(schema)
    types = {"string": pa.string(), "int64": pa.int64(), "boolean": pa.bool_(), "float64": pa.float64()}
    arrays = [pa.array(list(cells), type=types[kind]) for cells, kind in zip(columns, schema.values(), strict=True)]
    return ibis.memtable(pa.Table.from_arrays(arrays, names=list(schema)))


def _rule_row(regime: str, factor: int, requirement: Requirement) -> tuple[Any, ...]:
    rule = requirement.rule
    low = float("-inf") if rule.low is None else rule.low
    high = float("inf") if rule.high is None else rule.high
    words = _MARK + _MARK.join(value.strip().casefold() for value in rule.values) + _MARK
    forbidden = rule.kind == "none_of"
    return regime, factor, requirement.step, requirement.reading, rule.numeric, low, high, words, forbidden


def latest_readings(log: Any, reported: Any) -> Any:
    """The reading that counts for each restoration, step and reading: the latest.

    A row written after the restoration had come back is left out: who fills in a slip for a returned
    piece knows how the story ended. The redone work of a repair is left out by the same rule.

    Parameters
    ----------
    log : ibis table
        Columns of a snapshot's process log.
    reported : ibis table
        restoration_id, first_reported (date of the first return after delivery).

    Returns
    -------
    ibis table
        restoration_id, step, reading, value; one row each, blank values left in (a blank is not recorded).
    """
    written = log.mutate(at=_.recorded_at.nullif("").cast("timestamp"))
    in_time = (
        written.left_join(reported, "restoration_id")
        .filter(_.first_reported.isnull() | _.at.isnull() | (_.at.date() <= _.first_reported))
        .select("restoration_id", "step", "reading", "value", "at", "id")
    )
    newest = ibis.window(
        group_by=["restoration_id", "step", "reading"], order_by=[ibis.desc("at", nulls_first=False), ibis.desc("id")]
    )
    return in_time.mutate(rank=ibis.row_number().over(newest)).filter(_["rank"] == 0).drop("rank", "at", "id")


def statuses(readings: Any, restorations: Any, rule_table: Any) -> Any:
    """Met or missed, for every restoration and factor with a legible reading.

    Parameters
    ----------
    readings : ibis table
        As from `latest_readings`.
    restorations : ibis table
        restoration_id, regime.
    rule_table : ibis table
        As from `rules`.

    Returns
    -------
    ibis table
        restoration_id, factor, status (`MET` or `MISSED`), value. What has no row here is not recorded, or
        has no requirement.
    """
    held = readings.filter(_.value.strip() != "").join(
        restorations.select("restoration_id", "regime"), "restoration_id"
    )
    held = held.join(rule_table, ["regime", "step", "reading"])
    number = held.value.strip().try_cast("float64")
    # NaN passes for a number in most engines; it is not a reading.
    legible = ~held.numeric | (number.notnull() & ~number.isnan())
    within = (number >= held.low) & (number <= held.high)
    word = ibis.literal(_MARK).concat(held.value.strip().lower(), _MARK)
    named = held.words.contains(word)
    met = ibis.ifelse(held.numeric, within, named != held.forbidden)
    return held.filter(legible).select(
        "restoration_id", "factor", "value", status=ibis.ifelse(met, MET, MISSED).cast("int64")
    )

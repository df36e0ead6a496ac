"""A part of the pattern table, for comparisons that leave something out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from remakes.counts.table import Attribute, PatternTable
from remakes.errors import TableError
from remakes.texts import t

__all__ = ["subset"]


def subset(table: PatternTable, rows: NDArray[np.bool_]) -> PatternTable:
    """The same table with only some of its patterns.

    Levels, factors and defects keep their numbers, so that whatever was estimated on the whole table (how
    strongly clinics are drawn to their mean, say) fits the part. A level or a defect may thus have nothing
    left. Dates and the remarks on readings stay those of the whole.

    Parameters
    ----------
    table : PatternTable
    rows : (patterns,) array of bool
        Which patterns to keep; at least one.

    Raises
    ------
    TableError
        Not one True or False for each pattern, or nothing kept.
    """
    if rows.dtype != np.bool_ or rows.shape != (table.patterns,):
        raise TableError(
            t(
                "A choice of {shape} {dtype} came for a table of {patterns} patterns. Give one True or False "
                "for each pattern.",
                shape=rows.shape,
                dtype=rows.dtype,
                patterns=table.patterns,
            )
        )
    if not rows.any():
        raise TableError(t("No pattern was chosen, and a table needs at least one. Choose some, or skip this part."))
    new_number = np.cumsum(rows) - 1
    events = rows[table.event_pattern]
    return replace(
        table,
        status=table.status[rows],
        restorations=table.restorations[rows],
        at_risk=table.at_risk[rows],
        attributes={
            name: Attribute(attribute.codes[rows], attribute.levels) for name, attribute in table.attributes.items()
        },
        event_pattern=new_number[table.event_pattern[events]],
        event_defect=table.event_defect[events],
        event_bin=table.event_bin[events],
        event_count=table.event_count[events],
        event_lost=table.event_lost[events],
        event_early=table.event_early[events],
        returns=int(table.event_count[events].sum()),
    )

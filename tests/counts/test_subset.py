"""A part of the table adds up to the whole with the other part, and keeps all numbers."""

from __future__ import annotations

import numpy as np
import pytest

from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.counts.subset import subset
from remakes.counts.table import PatternTable
from remakes.errors import TableError
from tests.planted import END, planted_lab


@pytest.fixture(scope="module")
def whole() -> PatternTable:
    records = planted_lab(21, restorations=500)
    return count_patterns(connect(records), records.standard, observed_until=END)


def test_two_parts_make_the_whole(whole: PatternTable) -> None:
    mine = whole.attributes["technician"].codes == 0
    one, other = subset(whole, mine), subset(whole, ~mine)
    assert one.patterns + other.patterns == whole.patterns
    assert one.returns + other.returns == whole.returns > 0
    for defect in whole.defects:
        for part, rows in ((one, mine), (other, ~mine)):
            for of_part, of_whole in zip(part.events_of(defect), whole.events_of(defect), strict=True):
                assert np.array_equal(of_part, of_whole[rows])
        assert one.early_returns(defect) + other.early_returns(defect) == whole.early_returns(defect)
        for factor in whole.factors:
            split, together = (one.counts(factor, defect), other.counts(factor, defect)), whole.counts(factor, defect)
            for name in ("met", "missed", "not_recorded", "returns_met", "returns_missed", "returns_not_recorded"):
                assert sum(getattr(counts, name) for counts in split) == getattr(together, name)


def test_levels_factors_and_defects_keep_their_numbers(whole: PatternTable) -> None:
    clinic = whole.attributes["clinic"]
    part = subset(whole, clinic.codes != 3)
    assert part.attributes["clinic"].levels == clinic.levels
    assert np.array_equal(part.attributes["clinic"].codes, clinic.codes[clinic.codes != 3])
    assert (part.factors, part.defects) == (whole.factors, whole.defects)


def test_a_choice_that_does_not_fit_is_refused(whole: PatternTable) -> None:
    with pytest.raises(TableError, match="one True or False for each pattern"):
        subset(whole, np.ones(whole.patterns + 1, dtype=bool))
    with pytest.raises(TableError, match="one True or False for each pattern"):
        subset(whole, np.arange(whole.patterns))  # type: ignore[arg-type]
    with pytest.raises(TableError, match="No pattern was chosen"):
        subset(whole, np.zeros(whole.patterns, dtype=bool))

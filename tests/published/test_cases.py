"""The loader of the published cases must itself be able to fail, or no case means anything."""

from __future__ import annotations

import pytest

from tests.published.cases import dataset, published, published_ids


def test_every_case_has_values_a_source_and_a_tolerance() -> None:
    for case in map(published, published_ids()):
        assert case.expected
        assert case.source
        assert case.tolerance["abs"] == 1e-8
        assert case.tolerance["rel"] <= 2e-3
    assert len(published_ids()) == 49


def test_a_value_outside_the_tolerance_fails() -> None:
    case = published("P-b1")
    reference = case.expected["mh_or"]
    case.check(mh_or=reference * (1 + 0.9e-4))
    with pytest.raises(AssertionError, match="mh_or"):
        case.check(mh_or=reference * (1 + 1.1e-4))
    with pytest.raises(AssertionError, match="mh_or"):
        case.check(mh_or=float("nan"))
    with pytest.raises(AssertionError, match="nothing to check"):
        case.check()


def test_every_value_of_a_list_is_checked() -> None:
    case = published("P-d2")
    reference = case.expected["BH_adjusted"]
    with pytest.raises(AssertionError, match="BH_adjusted"):
        case.check(BH_adjusted=[*reference[:-1], 0.9])
    with pytest.raises(AssertionError, match="3 values, expected 4"):
        case.check(BH_adjusted=reference[:-1])


@pytest.mark.parametrize(
    ("name", "rows", "column", "value", "count"),
    [
        ("birthwt", 189, "low", "1", 59),  # 59 low birth weights: Hosmer & Lemeshow 2000, section 1.6.2 (from memory)
        ("endometrial", 79, "HG", "1", 30),  # 79 women, 30 high grade: Heinze & Schemper 2002 (from memory)
        ("bacteria", 220, "y", "y", 177),  # 220 swabs, 177 with bacteria: help page of the data set (from memory)
        ("ohio", 2148, "smoke", "1", 748),  # 537 children, 187 of smoking mothers, 4 visits each: Fitzmaurice & Laird
        # 1993 (from memory)
        ("gehan", 42, "cens", "1", 30),  # 42 patients, 9 + 21 remissions ended: Gehan 1965 (from memory)
    ],
)
def test_the_data_sets_are_whole(name: str, rows: int, column: str, value: str, count: int) -> None:
    table = dataset(name)
    assert len(table) == rows
    assert sum(row[column] == value for row in table) == count

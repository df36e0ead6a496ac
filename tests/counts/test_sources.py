"""Lots, machines and clinics against counting by hand, and against the pattern table."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pytest

from remakes.counts.engine import Tables, connect
from remakes.counts.patterns import count_patterns
from remakes.counts.sources import Source, SourceCounts, count_sources, restorations_from
from remakes.counts.table import PatternTable
from remakes.errors import InputError, TableError
from tests.labs import snapshot, standard

END = date(2025, 1, 10)


def made(name: str, delivered: str = "2024-01-10", **more: Any) -> dict[str, Any]:
    return {"restoration_id": name, "delivered_on": delivered, **more}


def logged(name: str, step: str, **more: Any) -> dict[str, Any]:
    return {"restoration_id": name, "step": step, "reading": "x", "value": "1", **more}


def back(name: str, day: str, defect: str = "chipping", disposition: str = "repaired") -> dict[str, Any]:
    return {
        "return_id": f"{name}-{day}-{defect}",
        "restoration_id": name,
        "reported_on": day,
        "defect": defect,
        "disposition": disposition,
    }


def counted(
    lab: list[dict[str, Any]], log: list[dict[str, Any]], returns: list[dict[str, Any]]
) -> tuple[Tables, PatternTable, SourceCounts]:
    tables = connect(snapshot(lab, log, returns, observed_until=END))
    table = count_patterns(tables, standard(), observed_until=END)
    return tables, table, count_sources(tables, table)


def of_source(found: SourceCounts, source: Source) -> tuple[int, int, int, float]:
    """Restorations, still in service, first returns, months at risk."""
    rows = found.member_row[found.member_source == found.sources.index(source)]
    assert len(rows) == len(set(rows))
    events = np.isin(found.event_row, rows)
    return (
        int(found.restorations[rows].sum()),
        int(found.still_in_service[rows].sum()),
        int(found.event_count[events].sum()),
        float(found.at_risk[rows].sum()),
    )


def lot(step: str, code: str) -> Source:
    return Source(what="lot", step=step, code=code)


def test_a_restoration_counts_once_for_each_source_whatever_the_number_of_rows() -> None:
    lab = [made("R1"), made("R2", clinic="C02"), made("R3")]
    log = [
        logged("R1", "bonding", lot="L1"),
        logged("R1", "bonding", lot=" L1 ", equipment="E1"),
        logged("R1", "bonding", lot="L2"),
        logged("R2", "bonding", lot="L2"),
        logged("R2", "layering", lot="L1"),
        logged("R3", "bonding", lot=" "),
    ]
    _tables, table, found = counted(lab, log, [back("R1", "2024-03-01"), back("R1", "2024-04-01")])
    assert found.sources == (
        Source(what="clinic", step="", code="C01"),
        Source(what="clinic", step="", code="C02"),
        Source(what="equipment", step="bonding", code="E1"),
        lot("bonding", "L1"),
        lot("bonding", "L2"),
        lot("layering", "L1"),
    )
    assert of_source(found, lot("bonding", "L1"))[:3] == (1, 1, 1)
    assert of_source(found, lot("bonding", "L2"))[:3] == (2, 2, 1)
    assert of_source(found, lot("layering", "L1"))[:3] == (1, 1, 0)
    assert of_source(found, Source(what="equipment", step="bonding", code="E1"))[:3] == (1, 1, 1)
    assert of_source(found, Source(what="clinic", step="", code="C01"))[:3] == (2, 2, 1)
    assert found.restorations.sum() == table.restorations.sum() == 3


def test_a_lot_looked_up_after_the_return_and_what_comes_after_the_end_do_not_count() -> None:
    log = [
        logged("R1", "bonding", lot="looked up", recorded_at="2024-05-01 10:00:00"),
        logged("R2", "bonding", lot="looked up", recorded_at="2024-01-09 10:00:00"),
        *(logged(name, "bonding", lot="at the end") for name in ("R3", "R4")),
    ]
    returns = [
        back("R1", "2024-04-01"),
        back("R2", "2024-04-01"),
        back("R3", "2025-02-01", disposition="remade"),
    ]
    lab = [made("R1"), made("R2"), made("R3"), made("R4", "2025-01-11")]
    _tables, _table, found = counted(lab, log, returns)
    assert of_source(found, lot("bonding", "looked up"))[:3] == (1, 1, 1)
    assert of_source(found, lot("bonding", "at the end"))[:3] == (1, 1, 0)


def test_without_a_lot_or_machine_there_are_the_clinics() -> None:
    _tables, _table, found = counted([made("R1")], [], [])
    assert found.sources == (Source(what="clinic", step="", code="C01"),)
    assert found.rows == 1
    assert len(found.event_row) == 0


def test_a_restoration_of_no_known_source_stays_in_the_count() -> None:
    _tables, table, found = counted([made("R1", clinic="")], [], [])
    assert found.sources == ()
    assert found.restorations.tolist() == table.restorations.tolist() == [1]
    assert len(found.member_row) == 0


def test_sources_add_up_to_what_is_counted_one_by_one() -> None:
    rng = np.random.default_rng(1)
    lab, log, returns = [], [], []
    for number in range(200):
        name = f"R{number:03d}"
        lab.append(
            made(
                name,
                f"2024-{rng.integers(1, 13):02d}-{rng.integers(1, 28):02d}",
                kind=str(rng.choice(["crown", "bridge"])),
            )
        )
        log += [
            logged(
                name,
                str(rng.choice(["bonding", "layering"])),
                lot=f"L{rng.integers(1, 4)}",
                equipment=str(rng.choice(["", "E1"])),
            )
            for _row in range(int(rng.integers(0, 4)))
        ]
        returns += [
            back(
                name,
                f"2025-01-{day:02d}",
                str(rng.choice(["chipping", "debonding"])),
                str(rng.choice(["remade", "repaired"])),
            )
            for day in rng.choice(np.arange(1, 20), int(rng.integers(0, 3)), replace=False)
        ]
    _tables, table, found = counted(lab, log, returns)
    assert found.at_risk.sum() == table.at_risk.sum()
    assert found.event_count.sum() == table.returns
    assert np.array_equal(np.bincount(found.pattern, found.restorations), table.restorations)
    assert np.allclose(found.event_lost.sum(axis=0), table.event_lost.sum(axis=0))
    gone = {
        row["restoration_id"]
        for row in returns
        if row["disposition"] == "remade" and row["reported_on"] <= "2025-01-10"
    }
    first = {(row["restoration_id"], row["defect"]) for row in returns if row["reported_on"] <= "2025-01-10"}
    for source in found.sources:
        if source.what == "clinic":
            continue
        mine = {row["restoration_id"] for row in log if row["step"] == source.step and row[source.what] == source.code}
        expected = len(mine), len(mine - gone), sum(name in mine for name, _defect in first)
        assert of_source(found, source)[:3] == expected, source


@pytest.fixture(scope="module")
def of_one_lot() -> tuple[Tables, PatternTable]:
    """Four restorations of one lot, of which two came back, and one without."""
    lab = [made("R1", "2024-01-10"), made("R2", "2024-02-10"), made("R3", "2024-03-10"), made("R4"), made("R5")]
    log = [logged(f"R{k}", "bonding", lot="L1") for k in (1, 2, 3, 4)]
    returns = [
        back("R3", "2024-06-01", "chipping"),
        back("R3", "2024-05-01", "debonding"),
        back("R3", "2024-07-01", "chipping"),
        back("R4", "2024-04-01", "chipping", "remade"),
    ]
    tables, table, _found = counted(lab, log, returns)
    return tables, table


def test_an_engine_that_holds_other_records_is_refused(of_one_lot: tuple[Tables, PatternTable]) -> None:
    tables, table = of_one_lot
    other = replace(table, restorations=table.restorations + 1)
    with pytest.raises(TableError, match="different restorations"):
        count_sources(tables, other)


def test_the_restorations_concerned_come_with_those_still_out_there_first(
    of_one_lot: tuple[Tables, PatternTable],
) -> None:
    tables, _table = of_one_lot
    found = restorations_from(tables, what="lot", code="L1", step="bonding", observed_until=END)
    assert [one.restoration_id for one in found] == ["R2", "R1", "R3", "R4"]
    assert [one.in_service for one in found] == [True, True, True, False]
    assert found[2].returned_on == date(2024, 5, 1)
    assert found[2].returned_with == "debonding, chipping"
    assert found[0].returned_on is None
    assert found[0].returned_with == ""
    assert found[0].delivered_on == date(2024, 2, 10)
    assert found[0].clinic == "C01"


def test_an_unknown_lot_is_refused_in_words(of_one_lot: tuple[Tables, PatternTable]) -> None:
    tables, _table = of_one_lot
    with pytest.raises(InputError, match="No delivered restoration was made with lot 'L9' at bonding"):
        restorations_from(tables, what="lot", code="L9", step="bonding", observed_until=END)

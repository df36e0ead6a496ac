"""Imports taken back in any order: each undo is refused or leaves sound records, and the last leaves none."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from remakes.errors import InputError
from remakes.records.importers import import_paths, list_imports, undo_import
from remakes.records.store import Store
from remakes.records.upkeep import check
from tests.new_stores import new_store
from tests.records.importers.lists import everything, reading, restoration, returned, write

TODAY = date(2026, 11, 25)

# Few numbers and days, so that files often change the same rows, and move a delivery before or behind a return.
IDS = ["R1", "R2"]
delivered = st.sampled_from(["2026-01-05", "2026-02-01", "2026-02-20"])
reported = st.sampled_from(["2026-01-20", "2026-02-10", "2026-03-01"])
numbers = st.sampled_from(IDS)
restorations = st.builds(
    restoration, numbers, clinic=st.sampled_from(["C1", "C2", "C3"]), delivered_on=delivered, received_on=st.just("")
)
readings = st.builds(reading, numbers, value=st.sampled_from(["", "180", "200"]))
returns = st.builds(returned, numbers, st.sampled_from(["Q1", "Q2"]), reported_on=reported)


def file(table: str, rows: st.SearchStrategy[Mapping[str, str]], key: str) -> st.SearchStrategy[Any]:
    # Rows of one key in one file would contradict each other and all be refused.
    return st.tuples(st.just(table), st.lists(rows, min_size=1, max_size=2, unique_by=lambda row: row[key]))


files = st.one_of(
    file("restorations", restorations, "restoration_id"),
    file("restorations", restorations, "restoration_id"),
    file("process_log", readings, "restoration_id"),
    file("returns", returns, "return_id"),
)


@settings(derandomize=True, deadline=None, max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    days=st.tuples(delivered, delivered),
    later=st.lists(files, min_size=2, max_size=5),
    early=st.none() | st.integers(0, 5),
)
def test_undo_in_any_order(
    tmp_path: Path,
    days: Sequence[str],
    later: Sequence[tuple[str, Sequence[Mapping[str, str]]]],
    early: int | None,
) -> None:
    first = [restoration(one, delivered_on=day, received_on="") for one, day in zip(IDS, days, strict=True)]
    store = new_store(tmp_path / "lab.sqlite")
    try:
        empty = everything(store)
        import_paths(store, [write(tmp_path / "first", restorations=first)], today=TODAY)
        unchanged, former = everything(store), {}
        for table, rows in later:
            before = everything(store)
            folder = write(tmp_path / table, **{table: rows})
            (report,) = import_paths(store, [folder], accept_good_rows=True, today=TODAY).tables
            assert report.taken + report.changed + report.unchanged + report.refused_rows == len(rows)
            if report.import_id is not None:
                former[report.import_id] = before
        if early is not None:
            _undo_early(store, 1 + early % (1 + len(former)))
        for import_id in _in_force(store):
            if import_id == 1:
                assert everything(store) == unchanged
            undo_import(store, import_id, who="QA")
            if early is None and import_id != 1:
                assert everything(store) == former[import_id]
        assert everything(store) == empty
    finally:
        store.close()


def _in_force(store: Store) -> list[int]:
    return [one.import_id for one in list_imports(store) if one.undone_at is None]


def _undo_early(store: Store, import_id: int) -> None:
    before = everything(store)
    try:
        undo_import(store, import_id, who="QA")
    except InputError as refused:
        assert "depend on it" in str(refused)  # noqa: PT017 - a refusal is one of two right answers
        assert everything(store) == before
    assert not [finding for finding in check(store) if finding.severity == "fault"]

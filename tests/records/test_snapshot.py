"""Snapshots: the same tables by either way of reading, and of one moment."""

from __future__ import annotations

import sqlite3
import tempfile
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection

from remakes.errors import StoreError
from remakes.records import schema, snapshot
from remakes.records.entries import enter_return, void_return
from remakes.records.look_up import latest_returns
from remakes.records.snapshot import LOG_COLUMNS, RESTORATION_COLUMNS, RETURN_COLUMNS, arrow_schema, take_snapshot
from remakes.records.standard import ProcessStandard, parse_standard, save_standard
from remakes.records.store import Store
from remakes.records.upkeep import check

STANDARD = """\
steps = ["bonding"]
[[requirement]]
factor = "bond_wait"
step = "bonding"
reading = "bond_wait_s"
at_least = 180
may_cause = ["debonding"]
valid_from = 2024-01-01
"""
TODAY = date(2026, 4, 1)
NUMBERS = frozenset({"id", "units"})


def row_by_row(store: Store) -> list[pa.Table]:
    with store.reader() as connection:
        return snapshot._read_any(connection, snapshot._queries(None, on_file=connection.dialect.name == "sqlite"))


def tables_of(store: Store) -> list[pa.Table]:
    taken = take_snapshot(store)
    return [taken.restorations, taken.process_log, taken.returns]


def insert(store: Store, table: Any, *rows: dict[str, Any]) -> None:
    with store.writer(may="import lists") as connection:
        connection.execute(table.insert(), list(rows))


def enter(store: Store, **changes: object) -> int:
    raw: dict[str, object] = {"restoration_id": "B-1001", "reported_on": "2026-03-20", "defect": "chipping"}
    return enter_return(store, raw | changes, who="QA", today=TODAY)


def test_an_empty_store(store: Store) -> None:
    taken = take_snapshot(store)
    for table, columns in (
        (taken.restorations, RESTORATION_COLUMNS),
        (taken.process_log, LOG_COLUMNS),
        (taken.returns, RETURN_COLUMNS),
    ):
        assert table.num_rows == 0
        assert table.schema == arrow_schema(columns)
    assert taken.standard == ProcessStandard()
    assert taken.observed_until is None


def test_every_cell_is_where_it_belongs(lab: Store) -> None:
    save_standard(lab, parse_standard(STANDARD, file="x"), who="QA")
    enter(lab, found_at="in_service", severity="4", disposition="repaired", attributed_to="lab", cost="12.5")
    taken = take_snapshot(lab)
    assert taken.restorations.slice(0, 1).to_pylist() == [
        {
            "restoration_id": "B-1001",
            "case_id": "",
            "clinic": "C07",
            "technician": "",
            "kind": "bridge",
            "teeth": "34 35 36",
            "units": 3,
            "framework": "",
            "veneer": "lab composite",
            "difficulty": "",
            "received_on": "2026-01-05",
            "due_on": "2026-01-20",
            "delivered_on": "2026-01-19",
            "remake_of": "",
        }
    ]
    assert [row["remake_of"] for row in taken.restorations.to_pylist()] == ["", "", "B-1001"]
    first, second, third = taken.process_log.drop_columns(["id", "restoration_id"]).to_pylist()
    assert first == {
        "step": "bonding",
        "reading": "bond_wait_s",
        "value": "180",
        "recorded_at": "2026-01-16 10:00:00.000000",
        "operator": "T1",
        "equipment": "",
        "lot": "",
    }
    assert second["value"] == "2.5"
    # Not recorded is a blank, neither a zero nor a word.
    assert (third["value"], third["recorded_at"], third["operator"]) == ("", "", "")
    assert taken.returns.drop_columns(["id"]).to_pylist() == [
        {
            "return_id": "R-20260401-0001",
            "restoration_id": "B-1001",
            "reported_on": "2026-03-20",
            "entered_on": "2026-04-01",
            "defect": "chipping",
            "found_at": "in_service",
            "disposition": "repaired",
            "severity": "4",
            "attributed_to": "lab",
            "cost": "12.5",
        }
    ]
    assert taken.standard.factors == ("bond_wait",)
    assert taken.observed_until == date(2026, 3, 20)


def test_both_ways_of_reading_agree(lab: Store) -> None:
    enter(lab, severity="2", cost="1e3", note="x")
    enter(lab, defect="contact", cost="0.1")
    restoration = {"kind": "crown", "units": 1, "delivered_on": date(2026, 3, 1)}
    odd = ["", " ", "0", "00012", "1e5", "NULL", "nan", "4'5\"", "½ Zähne 🦷", "a;b\nc", "-0.0", "2026-03-01"]
    insert(
        lab,
        schema.restorations,
        *(restoration | {"restoration_id": f"B-2{n:03d}", "clinic": word} for n, word in enumerate(odd)),
    )
    moments = ["2026-03-01 00:00", "2026-03-01 23:59:59.250", "2026-03-01 07:05:09.000001"]
    reading = {"restoration_id": "B-1001", "step": "bonding", "reading": "r"}
    insert(
        lab,
        schema.process_log,
        *(
            reading | {"value": word, "recorded_at": datetime.fromisoformat(moments[n % 3]), "row_hash": 100 + n}
            for n, word in enumerate(odd)
        ),
    )
    by_rows = row_by_row(lab)
    assert [table.num_rows for table in by_rows] == [15, 15, 2]
    for one, other in zip(tables_of(lab), by_rows, strict=True):
        assert one.schema == other.schema
        assert one.to_pylist() == other.to_pylist()


@settings(derandomize=True, deadline=None)
@given(
    st.one_of(
        st.floats(min_value=0, allow_nan=False, allow_infinity=False),
        st.floats(min_value=0, max_value=1e4),
        st.integers(0, 10**6).map(float),
    )
)
def test_a_number_reads_as_the_database_casts_it(value: float) -> None:
    memory = sqlite3.connect(":memory:")
    (cast,) = memory.execute("select cast(? as text)", (value,)).fetchone()
    memory.close()
    # The last of 15 digits may be rounded either way where the number lies between two.
    assert float(snapshot._text_of_number(value)) == pytest.approx(float(cast), rel=1e-14)
    assert ("e" in cast) == ("e" in snapshot._text_of_number(value))
    assert "." in snapshot._text_of_number(value)


def test_a_text_that_looks_like_a_number_stays_text(store: Store) -> None:
    restoration = {"kind": "crown", "units": 1, "delivered_on": date(2026, 3, 1)}
    ids = ["00012", "1.50", "12", "1e5", "7"]
    insert(
        store,
        schema.restorations,
        *(restoration | {"restoration_id": one, "clinic": one, "technician": one, "case_id": one} for one in ids),
    )
    insert(
        store,
        schema.process_log,
        *(
            {"restoration_id": one, "step": "bonding", "reading": "r", "value": one, "lot": one, "row_hash": n}
            for n, one in enumerate(ids)
        ),
    )
    for restorations, log, _ in (tables_of(store), row_by_row(store)):
        for name in ("restoration_id", "clinic", "technician", "case_id"):
            assert sorted(restorations[name].to_pylist()) == sorted(ids)
        assert log["value"].to_pylist() == ids
        assert log["lot"].to_pylist() == ids


def test_columns_that_are_all_blank(store: Store) -> None:
    row = {"restoration_id": "B-1", "kind": "crown", "units": 1, "delivered_on": date(2026, 3, 1)}
    # More rows than the driver looks at before it settles a column's type.
    insert(store, schema.restorations, *(row | {"restoration_id": f"B-{n}"} for n in range(1500)))
    insert(
        store,
        schema.process_log,
        *({"restoration_id": "B-1", "step": "s", "reading": f"r{n}", "row_hash": n} for n in range(1500)),
    )
    for restorations, log, returns in (tables_of(store), row_by_row(store)):
        assert restorations.schema == arrow_schema(RESTORATION_COLUMNS)
        assert log.schema == arrow_schema(LOG_COLUMNS)
        assert returns.schema == arrow_schema(RETURN_COLUMNS)
        blank = ("case_id", "clinic", "technician", "teeth", "framework", "veneer", "difficulty", "due_on", "remake_of")
        for name in blank:
            assert set(restorations[name].to_pylist()) == {""}, name
        for name in ("value", "recorded_at", "operator", "equipment", "lot"):
            assert set(log[name].to_pylist()) == {""}, name


def test_a_column_blank_for_long_and_then_not(store: Store) -> None:
    row = {"kind": "crown", "units": 1, "delivered_on": date(2026, 3, 1), "clinic": None}
    last = row | {"restoration_id": "B-9999", "clinic": "C07"}
    insert(store, schema.restorations, *(row | {"restoration_id": f"B-{n:04d}"} for n in range(3000)), last)
    assert take_snapshot(store).restorations["clinic"].to_pylist() == [""] * 3000 + ["C07"]


def test_nothing_is_null(lab: Store) -> None:
    enter(lab)
    for table in tables_of(lab):
        assert [table[name].null_count for name in table.column_names] == [0] * table.num_columns
        kinds = {name: pa.int64() if name in NUMBERS else pa.string() for name in table.column_names}
        assert dict(zip(table.column_names, table.schema.types, strict=True)) == kinds


def test_returns_taken_back_are_left_out(lab: Store) -> None:
    kept, slip = enter(lab), enter(lab, defect="contact", reported_on="2026-03-25")
    assert take_snapshot(lab).returns["id"].to_pylist() == [kept, slip]
    assert take_snapshot(lab).observed_until == date(2026, 3, 25)
    void_return(lab, slip, who="QA", why="wrong restoration")
    assert len(latest_returns(lab)) == 2
    for _, _, returns in (tables_of(lab), row_by_row(lab)):
        assert returns["id"].to_pylist() == [kept]
    assert take_snapshot(lab).observed_until == date(2026, 3, 20)


def test_a_snapshot_is_of_one_moment(lab: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another desk delivers something between the reading of the tables and of the rest."""
    observed_until = snapshot.read_observed_until
    pending = [date(2026, 3, 30)]

    def interrupted(connection: Connection) -> date | None:
        found = observed_until(connection)
        with lab.writer(may="import lists") as writing:
            row = {"restoration_id": "B-2000", "kind": "crown", "units": 1, "delivered_on": pending.pop()}
            writing.execute(schema.restorations.insert(), row)
        return found

    monkeypatch.setattr(snapshot, "read_observed_until", interrupted)
    taken = take_snapshot(lab)
    assert pending == []
    assert taken.restorations["restoration_id"].to_pylist() == ["B-1001", "B-1002", "B-1003"]
    assert taken.observed_until == date(2026, 3, 9)
    assert lab.observed_until() == date(2026, 3, 30)


def test_snapshots_between_writes_see_each_write_and_do_no_harm(lab: Store) -> None:
    """The counting reader has an SQLite library of its own, which must never touch the store's file."""
    for n in range(1, 16):
        row_id = enter(lab, return_id=f"R-{n}")
        assert take_snapshot(lab).returns.num_rows == 1
        void_return(lab, row_id, who="QA", why="test")
        assert take_snapshot(lab).returns.num_rows == 0
    assert [finding for finding in check(lab) if finding.severity == "fault"] == []


def test_no_room_for_the_copy_is_said(lab: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    if lab.sqlite_path is None:
        pytest.skip("a server is read without a copy")

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(snapshot, "copy_sqlite", full)
    with pytest.raises(StoreError, match=r"disk is full.*TMPDIR"):
        take_snapshot(lab)


def test_no_copy_is_left_behind(lab: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "temporary").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "temporary"))
    assert take_snapshot(lab).restorations.num_rows == 3
    assert list((tmp_path / "temporary").iterdir()) == []


def test_a_reader_keeps_to_the_state_it_saw_first(lab: Store) -> None:
    with lab.reader() as connection:
        before = snapshot._read_any(connection, snapshot._queries(None, on_file=connection.dialect.name == "sqlite"))
        enter(lab)
        with lab.writer(may="import lists") as writing:
            lab.note(writing, who="QA", what="test", table="settings")
        assert (
            snapshot._read_any(connection, snapshot._queries(None, on_file=connection.dialect.name == "sqlite"))
            == before
        )
    assert row_by_row(lab)[2].num_rows == 1


def test_a_stated_end_of_observation_counts(lab: Store) -> None:
    with lab.writer(may="import lists") as connection:
        lab.put_setting(connection, "observed_until", "2026-02-28", who="QA")
    assert take_snapshot(lab).observed_until == date(2026, 2, 28)


def test_the_log_of_one_reading_comes_without_the_others(lab: Store) -> None:
    whole = take_snapshot(lab)
    step, reading = (whole.process_log[name][0].as_py() for name in ("step", "reading"))
    one = take_snapshot(lab, reading=(step, reading))
    mine = [row for row in whole.process_log.to_pylist() if (row["step"], row["reading"]) == (step, reading)]
    assert 0 < len(mine) < whole.process_log.num_rows
    assert one.process_log.to_pylist() == mine
    assert one.process_log.schema == whole.process_log.schema
    assert (one.restorations, one.returns, one.standard) == (whole.restorations, whole.returns, whole.standard)
    assert one.observed_until == whole.observed_until

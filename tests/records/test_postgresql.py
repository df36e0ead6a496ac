"""A store on a PostgreSQL server: made from nothing, written by several, read for counting as a file is.

Most tests of the records run on both kinds of store; here stands what only a server can do wrong.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import create_engine, func, inspect, select, text
from sqlalchemy.exc import DBAPIError, IntegrityError

from remakes.errors import StoreError
from remakes.records import schema
from remakes.records.entries import DoubleEntryError, enter_return, void_return
from remakes.records.look_up import latest_returns
from remakes.records.snapshot import Snapshot, take_snapshot
from remakes.records.standard import parse_standard, save_standard
from remakes.records.store import Store, now, open_store
from remakes.records.upkeep import check
from tests.records.private_postgresql import NewDatabase, create_database

TODAY = date(2026, 4, 1)
STANDARD = """\
title = "Standard für alle"
steps = ["bonding"]
[[requirement]]
factor = "bond_wait"
step = "bonding"
reading = "bond_wait_s"
at_least = 180
may_cause = ["debonding"]
valid_from = 2024-01-01
"""


@pytest.fixture
def lab(new_database: NewDatabase) -> Iterator[Store]:
    opened = open_store(new_database())
    yield opened
    opened.close()


_numbers = itertools.count(1)


@pytest.fixture
def bare(server: str) -> str:
    """A database without any table."""
    return create_database(server, f"bare{next(_numbers)}")


def take_batch(store: Store, *, restorations: int) -> int:
    """What an import does: one batch, many rows at once, one line in the audit, all in one write."""
    with store.writer(may="import lists") as connection:
        batch = {"at": now(), "who": "QA", "file": "Aufträge.csv", "table_name": "restorations", "sha256": "0"}
        (import_id,) = connection.execute(schema.imports.insert().values(batch)).inserted_primary_key or (0,)
        ids = [f"B-{n:04d}" for n in range(restorations)]
        made = {"kind": "crown", "units": 1, "clinic": "Zürich 7", "import_id": import_id, "extra": {"shade": "A3½"}}
        connection.execute(
            schema.restorations.insert(),
            [made | {"restoration_id": one, "delivered_on": date(2026, 1 + n % 3, 9)} for n, one in enumerate(ids)],
        )
        read = {"step": "bonding", "reading": "bond_wait_s", "operator": "T1", "import_id": import_id}
        at = datetime.fromisoformat("2026-01-05 08:00:00.250")
        connection.execute(
            schema.process_log.insert(),
            [
                read
                | {"restoration_id": one, "value": str(90 + n), "recorded_at": at if n % 2 else None, "row_hash": n}
                # 64-bit hashes, the lowest and the highest among them.
                for n, one in zip((-(2**63), 2**63 - 1, *range(restorations - 2)), ids, strict=True)
            ],
        )
        store.note(connection, who="QA", what="import", table="restorations", key=str(import_id), detail={"taken": 40})
    return int(import_id)


def enter(store: Store, **changes: object) -> int:
    raw: dict[str, object] = {"restoration_id": "B-0001", "reported_on": "2026-03-20", "defect": "debonding"}
    return enter_return(store, raw | changes, who="QA", today=TODAY)


def without_row_numbers(snapshot: Snapshot) -> list[list[dict[str, Any]]]:
    tables = (snapshot.restorations, snapshot.process_log.drop_columns(["id"]), snapshot.returns.drop_columns(["id"]))
    # The server sorts text by its own rules.
    return [sorted(table.to_pylist(), key=str) for table in tables]


def test_the_revisions_run_on_a_bare_database(bare: str) -> None:
    opened = open_store(bare)
    with opened.reader() as connection:
        assert set(inspect(connection).get_table_names()) == {*schema.metadata.tables, "alembic_version"}
        assert connection.scalar(text("select version_num from alembic_version")) == schema.SCHEMA_REVISION
    opened.close()
    again = open_store(bare)
    assert (again.data_version(), again.sqlite_path, check(again)) == (0, None, [])
    again.close()


def test_four_programs_may_open_a_bare_database_at_once(bare: str) -> None:
    with ThreadPoolExecutor(4) as programs:
        opened = list(programs.map(lambda _: open_store(bare), range(4)))
    assert [one.data_version() for one in opened] == [0] * 4
    for one in opened:
        one.close()


def test_a_database_of_something_else_is_refused_and_left_alone(bare: str) -> None:
    engine = create_engine(bare.replace("postgresql:", "postgresql+psycopg:"))
    with engine.begin() as connection:
        connection.exec_driver_sql("create table books (title text)")
    with pytest.raises(StoreError, match=r"other tables \(books\)"):
        open_store(bare)
    with engine.connect() as connection:
        assert inspect(connection).get_table_names() == ["books"]
    engine.dispose()


def test_a_database_that_does_not_exist_is_told(server: str) -> None:
    with pytest.raises(StoreError, match="cannot be opened as a store"):
        open_store(f"{server}/nowhere")


@pytest.mark.parametrize(
    "statement",
    ["update audit set who = 'x'", "delete from audit", "truncate audit", "truncate audit restart identity"],
)
def test_the_audit_cannot_be_rewritten(lab: Store, statement: str) -> None:
    take_batch(lab, restorations=4)
    with pytest.raises(DBAPIError, match="append-only"), lab.writer(may="import lists") as connection:
        connection.exec_driver_sql(statement)
    with lab.reader() as connection:
        assert connection.scalars(select(schema.audit.c.who)).all() == ["QA"]


def test_a_batch_an_entry_and_one_taken_back_are_counted_as_in_a_file(lab: Store, tmp_path: Path) -> None:
    file = open_store(str(tmp_path / "lab.sqlite"))
    for one in (lab, file):
        save_standard(one, parse_standard(STANDARD, file="x"), who="QA")
        take_batch(one, restorations=40)
        enter(one, cost="0.1", note="Brücke „lose“", severity="5", harm="yes", bare_metal_pct="33.3")
        enter(one, defect="contact", restoration_id="B-0002", cost="1e3")
        void_return(one, enter(one, defect="seating"), who="QA", why="wrong restoration")
    server, counted = take_snapshot(lab), take_snapshot(file)
    assert without_row_numbers(server) == without_row_numbers(counted)
    assert [len(rows) for rows in without_row_numbers(server)] == [40, 40, 2]
    assert server.restorations.schema == counted.restorations.schema
    assert (server.standard, server.observed_until) == (counted.standard, counted.observed_until)
    (remark,) = check(file)
    assert "1 report of possible harm is open" in remark.text
    assert check(lab) == [remark]
    assert lab.data_version() == file.data_version() == 6
    file.close()


def test_what_an_entry_holds_comes_back_as_it_was(lab: Store) -> None:
    take_batch(lab, restorations=4)
    row_id = enter(lab, note="Brücke „lose“", harm="yes", bare_metal_pct="33.3", shelf="B½")
    (one,) = latest_returns(lab)
    assert (one.row_id, one.return_id, one.entered_on) == (row_id, "R-20260401-0001", TODAY)
    assert (one.note, one.harm, one.bare_metal_pct, one.primary) == ("Brücke „lose“", True, 33.3, None)
    assert one.extra == {"shelf": "B½"}
    with pytest.raises(DoubleEntryError):
        enter(lab)
    void_return(lab, row_id, who="QA", why="slip")
    assert latest_returns(lab)[0].voided_why == "slip"


def test_a_batch_that_fails_leaves_nothing(lab: Store) -> None:
    take_batch(lab, restorations=4)
    with pytest.raises(IntegrityError):
        take_batch(lab, restorations=8)  # the same numbers again
    with lab.reader() as connection:
        counts = [
            connection.scalar(select(func.count()).select_from(table))
            for table in (schema.imports, schema.restorations, schema.process_log, schema.audit)
        ]
    assert counts == [1, 4, 4, 1]


def test_a_reader_sees_one_state_and_writes_nothing(lab: Store) -> None:
    take_batch(lab, restorations=4)
    count = select(func.count()).select_from(schema.returns)
    with lab.reader() as connection:
        before = connection.scalar(count)
        enter(lab)
        assert connection.scalar(count) == before == 0
    with lab.reader() as connection:
        assert connection.scalar(count) == 1
        with pytest.raises(DBAPIError, match="read-only"):
            connection.execute(schema.settings.insert(), {"key": "x", "value": 1})
    # The connection goes back to the pool as it came.
    with lab.writer(may="import lists") as connection:
        lab.put_setting(connection, "x", 1, who="QA")
    assert lab.setting("x") == 1


def test_a_lock_that_stays_taken_is_told_in_words(lab: Store) -> None:
    with lab.writer(may="import lists") as connection:
        lab.note(connection, who="QA", what="long work", table="settings")
        with pytest.raises(StoreError, match="try again"), lab.writer(may="import lists", patience_ms=50):
            pass
    assert lab.data_version() == 1
    with lab.writer(may="import lists") as connection:
        lab.note(connection, who="QA", what="after", table="settings")
    assert lab.data_version() == 2

"""A store of its own for each test, and a small invented lab in it."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import date, datetime
from pathlib import Path

import pytest

from remakes.records import schema
from remakes.records.store import Store, open_store
from tests.new_stores import new_store
from tests.records.private_postgresql import NewDatabase, ServerMissing, create_database, private_server


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """A PostgreSQL server for all tests of this process; they are skipped where none can be started."""
    with ExitStack() as running:
        try:
            url = running.enter_context(private_server())
        except ServerMissing as missing:
            pytest.skip(f"no PostgreSQL server: {missing}")
        yield url


@pytest.fixture(scope="session")
def new_database(server: str) -> NewDatabase:
    """Makes a database with the tables of a store, and gives its address."""
    # The revisions run once; a copy of their outcome is quicker.
    open_store(create_database(server, "pattern")).close()
    numbers = itertools.count(1)
    return lambda: create_database(server, f"lab{next(numbers)}", pattern="pattern")


@pytest.fixture(params=["sqlite", "postgresql"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    if request.param == "sqlite":
        opened = new_store(tmp_path / "lab.sqlite")
    else:
        new_database: NewDatabase = request.getfixturevalue("new_database")
        opened = open_store(new_database())
    yield opened
    opened.close()


@pytest.fixture
def lab(store: Store) -> Store:
    """Three restorations, the third replacing the first; a few readings of the first."""
    first = {"kind": "bridge", "teeth": "34 35 36", "units": 3, "veneer": "lab composite", "clinic": "C07"}
    other = {"kind": "crown", "teeth": "11", "units": 1, "veneer": "ceramic", "clinic": "C02"}
    with store.writer(may="import lists") as connection:
        connection.execute(
            schema.restorations.insert(),
            [
                first
                | {
                    "restoration_id": "B-1001",
                    "received_on": date(2026, 1, 5),
                    "due_on": date(2026, 1, 20),
                    "delivered_on": date(2026, 1, 19),
                    "remake_of": None,
                },
                other
                | {
                    "restoration_id": "B-1002",
                    "received_on": None,
                    "due_on": None,
                    "delivered_on": date(2026, 2, 2),
                    "remake_of": None,
                },
                first
                | {
                    "restoration_id": "B-1003",
                    "received_on": date(2026, 3, 2),
                    "due_on": None,
                    "delivered_on": date(2026, 3, 9),
                    "remake_of": "B-1001",
                },
            ],
        )
        reading = {"restoration_id": "B-1001", "operator": "T1"}
        connection.execute(
            schema.process_log.insert(),
            [
                reading
                | {
                    "step": "bonding",
                    "reading": "bond_wait_s",
                    "value": "180",
                    "recorded_at": datetime.fromisoformat("2026-01-16 10:00"),
                    "row_hash": 1,
                },
                reading
                | {
                    "step": "blasting",
                    "reading": "pressure_bar",
                    "value": "2.5",
                    "recorded_at": datetime.fromisoformat("2026-01-16 09:00"),
                    "row_hash": 2,
                },
                reading
                | {
                    "step": "finishing",
                    "reading": "polished",
                    "value": None,
                    "recorded_at": None,
                    "row_hash": 3,
                    "operator": None,
                },
            ],
        )
    return store

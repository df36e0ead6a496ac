"""A store of its own for each test, and a small invented lab in it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from uuid import uuid4

import pytest
from sqlalchemy import create_engine
from sqlalchemy.engine import make_url
from sqlalchemy.schema import CreateSchema, DropSchema

from remakes.records import schema
from remakes.records.store import Store, open_store

#: A PostgreSQL database the tests may work in, each in a schema of its own; without it, only SQLite is tried.
POSTGRES_URL = os.environ.get("REMAKES_TEST_POSTGRES")


@pytest.fixture(params=["sqlite", "postgresql"] if POSTGRES_URL else ["sqlite"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    if request.param == "sqlite":
        opened = open_store(str(tmp_path / "lab.sqlite"))
        yield opened
        opened.close()
    else:
        with _postgres_schema(str(POSTGRES_URL)) as url:
            opened = open_store(url)
            yield opened
            opened.close()


@contextmanager
def _postgres_schema(url: str) -> Iterator[str]:
    name = f"remakes_test_{uuid4().hex}"
    address = make_url(url).set(drivername="postgresql+psycopg")
    server = create_engine(address, isolation_level="AUTOCOMMIT")
    try:
        with server.connect() as connection:
            connection.execute(CreateSchema(name))
        yield address.update_query_dict({"options": f"-csearch_path={name}"}).render_as_string(hide_password=False)
        with server.connect() as connection:
            connection.execute(DropSchema(name, cascade=True))
    finally:
        server.dispose()


@pytest.fixture
def lab(store: Store) -> Store:
    """Three restorations, the third replacing the first; a few readings of the first."""
    first = {"kind": "bridge", "teeth": "34 35 36", "units": 3, "veneer": "lab composite", "clinic": "C07"}
    other = {"kind": "crown", "teeth": "11", "units": 1, "veneer": "ceramic", "clinic": "C02"}
    with store.writer() as connection:
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

"""A store of an earlier revision is brought up to date on opening: whole, once, and without losing a row."""

from __future__ import annotations

import itertools
from concurrent.futures import ThreadPoolExecutor
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest
from alembic import command
from alembic.config import Config
from sqlalchemy import MetaData, create_engine, inspect, select, text
from sqlalchemy.exc import DBAPIError

import remakes.records.migrations
from remakes.errors import StoreError
from remakes.records import schema
from remakes.records.decisions import list_decisions, propose
from remakes.records.store import Store, open_store
from remakes.records.upkeep import check
from tests.records.private_postgresql import create_database

AT = datetime.fromisoformat("2026-03-02 08:00:00.250")
#: One row in every table of the first revision.
ROWS: dict[str, dict[str, Any]] = {
    "imports": {"at": AT, "who": "QA", "file": "Aufträge.csv", "table_name": "restorations", "sha256": "0"}
    | dict.fromkeys(("taken", "changed", "unchanged", "refused"), 1),
    "import_changes": {"import_id": 1, "table_name": "restorations", "row_key": "B-1", "before": {"units": 3}},
    "restorations": {"restoration_id": "B-1", "kind": "crown", "teeth": "11", "units": 1, "difficulty": "hard"}
    | {"delivered_on": date(2026, 3, 2), "extra": {"shade": "A3½"}, "import_id": 1},
    "process_log": {"restoration_id": "B-1", "step": "bonding", "reading": "bond_wait_s", "value": "90"}
    | {"recorded_at": AT, "row_hash": -(2**63), "import_id": 1},
    "returns": {"return_id": "R-1", "restoration_id": "B-1", "reported_on": date(2026, 3, 9), "defect": "debonding"}
    | {"teeth": "", "cost": 0.1, "harm": True, "note": "Brücke „lose“"},
    "steps": {"position": 1, "step": "bonding"},
    "requirements": {"factor": "bond_wait", "step": "bonding", "reading": "bond_wait_s", "rule": {"at_least": 180}}
    | {"applies_when": "{}", "may_cause": ["debonding"], "valid_from": date(2024, 1, 1)},
    "actions": {"action": "bond_timer", "title": "Timer", "corrects": {"bond_wait": 0.9}}
    | dict.fromkeys(("cost_once", "cost_per_restoration", "minutes_per_restoration"), 0.5),
    "settings": {"key": "observed_until", "value": "2026-03-31"},
    "audit": {"at": AT, "who": "QA", "what": "import", "table_name": "restorations", "detail": {"taken": 1}},
}
_numbers = itertools.count(1)


@pytest.fixture(params=["sqlite", "postgresql"])
def first_revision(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of a store as the first revision of the tables left it, one row in each."""
    if request.param == "sqlite":
        url = f"sqlite:///{tmp_path / 'lab.sqlite'}"
    else:
        url = create_database(request.getfixturevalue("server"), f"first{next(_numbers)}")
    engine = create_engine(url.replace("postgresql:", "postgresql+psycopg:"))
    config = Config()
    config.set_main_option("script_location", str(Path(remakes.records.migrations.__file__).parent))
    config.set_main_option("path_separator", "os")
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
        tables = MetaData()
        tables.reflect(connection)
        for table in tables.sorted_tables:
            if table.name != "alembic_version":
                connection.execute(table.insert(), ROWS[table.name])
    assert {*tables.tables} == {*ROWS, "alembic_version"}
    engine.dispose()
    return url


def content(url: str) -> dict[str, list[tuple[Any, ...]]]:
    """All rows of the tables of the first revision."""
    engine = create_engine(url.replace("postgresql:", "postgresql+psycopg:"))
    tables = MetaData()
    with engine.connect() as connection:
        tables.reflect(connection, only=list(ROWS))
        rows = {name: [*map(tuple, connection.execute(select(tables.tables[name])))] for name in ROWS}
    engine.dispose()
    return rows


def revision(store: Store) -> str:
    with store.reader() as connection:
        return str(connection.scalar(text("select version_num from alembic_version")))


def test_an_older_store_is_upgraded_without_loss(first_revision: str) -> None:
    before = content(first_revision)
    assert all(len(rows) == 1 for rows in before.values())
    store = open_store(first_revision, create=False)
    assert revision(store) == schema.SCHEMA_REVISION
    assert content(first_revision) == before
    assert (store.data_version(), list_decisions(store)) == (1, ())
    assert [one.text for one in check(store)] == [
        "1 report of possible harm is open (R-1). Say on the page Today what was done."
    ]
    assert propose(store, action="bond_timer", who="QA").corrects == {"bond_wait": 0.9}
    for statement in ("delete from audit", "delete from decisions", "update decision_events set who = 'x'"):
        with (
            pytest.raises(DBAPIError, match=r"append-only|never deleted"),
            store.writer(may="import lists") as connection,
        ):
            connection.exec_driver_sql(statement)
    store.close()


def test_four_programs_may_upgrade_at_once(first_revision: str) -> None:
    before = content(first_revision)
    with ThreadPoolExecutor(4) as programs:
        opened = list(programs.map(lambda _: open_store(first_revision), range(4)))
    assert [revision(one) for one in opened] == [schema.SCHEMA_REVISION] * 4
    assert content(first_revision) == before
    for one in opened:
        one.close()


def test_an_upgrade_that_fails_leaves_the_older_store(first_revision: str) -> None:
    before = content(first_revision)
    engine = create_engine(first_revision.replace("postgresql:", "postgresql+psycopg:"))
    with engine.begin() as connection:
        connection.exec_driver_sql("create table decision_events (title text)")  # made by other hands
    with pytest.raises(StoreError, match="decision_events"):
        open_store(first_revision)
    with engine.connect() as connection:
        assert set(inspect(connection).get_table_names()) == {*ROWS, "alembic_version", "decision_events"}
        assert connection.scalar(text("select version_num from alembic_version")) == "0001"
    engine.dispose()
    assert content(first_revision) == before

"""Backups that can be opened, and a check that tells faults from remarks."""

from __future__ import annotations

import sqlite3
import threading
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select, text

from remakes.errors import StoreError
from remakes.records import schema
from remakes.records.entries import enter_return, void_return
from remakes.records.standard import parse_standard, save_standard
from remakes.records.store import Store, open_store
from remakes.records.upkeep import Finding, backup, check

STANDARD = """\
steps = ["blasting", "bonding", "finishing"]
[[requirement]]
factor = "bond_wait"
step = "bonding"
reading = "bond_wait_s"
at_least = 180
may_cause = ["debonding"]
valid_from = 2024-01-01
[[requirement]]
factor = "pressure"
step = "blasting"
reading = "pressure_bar"
between = [2, 3]
may_cause = ["debonding"]
valid_from = 2024-01-01
[[requirement]]
factor = "polish"
step = "finishing"
reading = "polished"
one_of = ["yes"]
may_cause = ["surface"]
valid_from = 2024-01-01
"""


def only_sqlite(store: Store) -> Path:
    if store.sqlite_path is None:
        pytest.skip("about the SQLite file")
    return store.sqlite_path


def take_standard(store: Store) -> None:
    save_standard(store, parse_standard(STANDARD, file="x"), who="QA")


def log(store: Store, **values: Any) -> None:
    with store.writer(may="import lists") as connection:
        row_hash = (connection.scalar(select(func.max(schema.process_log.c.row_hash))) or 0) + 1
        connection.execute(schema.process_log.insert(), values | {"row_hash": row_hash})


def log_all(store: Store) -> None:
    for restoration_id in ("B-1002", "B-1003"):
        log(store, restoration_id=restoration_id, step="finishing", reading="polished", value="yes")


def returned(store: Store, **values: Any) -> None:
    """A return past all checks, as an older program might have left it."""
    whole = {"return_id": "R-1", "restoration_id": "B-1001", "reported_on": date(2026, 3, 1), "defect": "chipping"}
    with store.writer(may="import lists") as connection:
        connection.execute(schema.returns.insert(), whole | {"teeth": ""} | values)


def test_a_backup_opens_and_holds_everything(lab: Store, tmp_path: Path) -> None:
    only_sqlite(lab)
    enter_return(lab, {"restoration_id": "B-1001", "reported_on": "2026-03-20", "defect": "chipping"}, who="QA")
    copy = tmp_path / "copy.sqlite"
    backup(lab, copy)
    assert sorted(path.name for path in tmp_path.iterdir() if "copy" in path.name) == ["copy.sqlite"]
    # Bytes 18 and 19 of the file's header: 1 is a file whole in itself, 2 one with a write-ahead log
    # (sqlite.org/fileformat2.html, section 1.3.3, from memory).
    assert copy.read_bytes()[18:20] == b"\x01\x01"
    opened = open_store(str(copy), create=False)
    try:
        assert opened.data_version() == lab.data_version()
        with opened.reader() as there, lab.reader() as here:
            for table in schema.metadata.sorted_tables:
                assert there.execute(select(table)).all() == here.execute(select(table)).all(), table.name
        # The audit of a copy cannot be rewritten either.
        assert [finding for finding in check(opened) if finding.severity == "fault"] == []
    finally:
        opened.close()


def test_a_backup_while_others_write(lab: Store, tmp_path: Path) -> None:
    only_sqlite(lab)
    stop = threading.Event()

    def work() -> None:
        while not stop.is_set():
            with lab.writer(may="import lists") as connection:
                lab.note(connection, who="QA", what="work", table="settings")

    desk = threading.Thread(target=work)
    desk.start()
    try:
        for n in range(5):
            backup(lab, tmp_path / f"copy{n}.sqlite")
    finally:
        stop.set()
        desk.join()
    seen = []
    for n in range(5):
        with sqlite3.connect(tmp_path / f"copy{n}.sqlite") as copy:
            assert copy.execute("pragma integrity_check").fetchone() == ("ok",)
            seen.append(copy.execute("select count(*), max(id) from audit").fetchone())
        copy.close()
    assert all(count == (highest or 0) for count, highest in seen)
    assert seen == sorted(seen)


def test_a_backup_never_replaces_a_file(lab: Store, tmp_path: Path) -> None:
    path = only_sqlite(lab)
    there = tmp_path / "there.sqlite"
    there.write_text("precious")
    for taken in (there, path):
        with pytest.raises(StoreError, match="never replaces"):
            backup(lab, taken)
    assert there.read_text() == "precious"
    with pytest.raises(StoreError, match="does not exist"):
        backup(lab, tmp_path / "nowhere" / "copy.sqlite")


def test_a_backup_that_fails_leaves_no_half_file(lab: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    only_sqlite(lab)

    def full(*_: object) -> None:
        raise OSError("No space left on device")

    monkeypatch.setattr(Path, "rename", full)
    with pytest.raises(StoreError, match="No space left"):
        backup(lab, tmp_path / "copy.sqlite")
    assert [path.name for path in tmp_path.iterdir() if "copy" in path.name] == []


def test_a_server_is_told_its_own_tool(lab: Store, tmp_path: Path) -> None:
    if lab.sqlite_path is not None:
        pytest.skip("about a database server")
    with pytest.raises(StoreError, match="pg_dump"):
        backup(lab, tmp_path / "copy.sqlite")


def test_sound_and_complete_records_have_no_findings(lab: Store) -> None:
    take_standard(lab)
    log_all(lab)
    enter_return(lab, {"restoration_id": "B-1001", "reported_on": "2026-03-20", "defect": "chipping"}, who="QA")
    assert check(lab) == []


def test_an_empty_store_has_no_findings(store: Store) -> None:
    assert check(store) == []


def test_what_is_missing_is_a_remark(lab: Store) -> None:
    assert [str(finding) for finding in check(lab)] == [
        "remark: There is no process standard yet, so no step can be compared with a return. Import one.",
        "remark: 2 of 3 restorations without any row in the process log.",
    ]


def test_log_rows_the_standard_cannot_use_are_remarks(lab: Store) -> None:
    take_standard(lab)
    log_all(lab)
    for value in ("about 180", "180,5", "about 180"):
        log(lab, restoration_id="B-1002", step="bonding", reading="bond_wait_s", value=value)
    log(lab, restoration_id="B-1002", step="bonding", reading="bond_wait", value="180")
    log(lab, restoration_id="B-1002", step="blasting", reading="bond_wait_s", value="180")
    assert check(lab) == [
        Finding(
            severity="remark",
            text="2 readings that the standard does not name (blasting: bond_wait_s, bonding: bond_wait); "
            "kept, and not judged.",
        ),
        Finding(
            severity="remark",
            text="3 values of bonding: bond_wait_s cannot be read as a number (180,5, about 180); "
            "not recorded is what the figures take them for.",
        ),
    ]


def test_a_return_before_delivery_is_a_fault(lab: Store) -> None:
    take_standard(lab)
    log_all(lab)
    returned(lab, reported_on=date(2026, 1, 18))
    returned(lab, return_id="R-2", reported_on=date(2026, 1, 18), found_at="before_delivery")
    returned(lab, return_id="R-3", reported_on=date(2026, 1, 18), found_at="in_service", defect="contact")
    (finding,) = check(lab)
    assert finding.severity == "fault"
    assert finding.text.startswith("2 returns reported before delivery (R-1, R-3).")


def test_returns_taken_back_are_not_complained_about(lab: Store) -> None:
    take_standard(lab)
    log_all(lab)
    returned(lab, reported_on=date(2026, 1, 18), entered_on=date(2026, 1, 17))
    assert [finding.severity for finding in check(lab)] == ["fault", "remark"]
    with lab.reader() as connection:
        row_id = connection.scalar(select(schema.returns.c.id))
    void_return(lab, row_id or 0, who="QA", why="slip")
    assert check(lab) == []


def test_odd_dates_and_lost_remakes_are_remarks(lab: Store) -> None:
    take_standard(lab)
    log_all(lab)
    for n in range(7):
        returned(lab, return_id=f"R-{n}", entered_on=date(2026, 2, 28))
    with lab.writer(may="import lists") as connection:
        one = schema.restorations.c
        connection.execute(schema.restorations.update().where(one.restoration_id == "B-1002").values(remake_of="B-7"))
    assert [str(finding) for finding in check(lab)] == [
        "remark: 7 returns entered before being reported (R-0, R-1, R-2, R-3, R-4 and 2 more). Check the dates.",
        "remark: 1 remake of a restoration that is not in the records (B-1002).",
    ]


def test_rows_without_their_parent_are_a_fault(lab: Store) -> None:
    path = only_sqlite(lab)
    take_standard(lab)
    with sqlite3.connect(path) as other:  # foreign keys are off for a program that does not ask for them
        other.execute("delete from restorations where restoration_id = 'B-1001'")
    other.close()
    faults = [finding.text for finding in check(lab) if finding.severity == "fault"]
    assert faults == ["3 rows (process_log) whose parent row is lost. Restore a backup."]


def test_an_unprotected_audit_is_a_fault(lab: Store) -> None:
    only_sqlite(lab)
    with lab.writer(may="import lists") as connection:
        connection.execute(text("drop trigger audit_no_delete"))
    assert "no longer protected" in check(lab)[0].text
    assert check(lab)[0].severity == "fault"


def test_a_damaged_file_is_a_fault(lab: Store) -> None:
    path = only_sqlite(lab)
    take_standard(lab)
    for n in range(400):
        log(lab, restoration_id="B-1002", step="finishing", reading=f"r{n}", value="x" * 200)
    with lab.reader() as connection:
        connection.exec_driver_sql("pragma wal_checkpoint(truncate)")
    lab.close()
    content = bytearray(path.read_bytes())
    middle = len(content) // 2 // 4096 * 4096
    content[middle : middle + 8192] = b"\xff" * 8192
    path.write_bytes(content)
    assert check(lab)[0].severity == "fault"
    assert "Restore a backup" in check(lab)[0].text

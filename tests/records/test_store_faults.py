"""What befalls the records while they are open: each is told in words, and nothing is lost without a word."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import func, select
from sqlalchemy.exc import OperationalError

from remakes.errors import StoreError
from remakes.records import schema
from remakes.records.store import Store, open_store
from remakes.records.store_faults import told_in_words
from remakes.records.upkeep import check
from tests.new_stores import new_store

LOCK_AND_LOG = ("-wal", "-shm")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "lab.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    opened = new_store(path)
    write(opened, "first")
    yield opened
    opened.close()


def write(store: Store, *what: str) -> None:
    with store.writer(may="import lists") as connection:
        for one in what:
            store.note(connection, who="QA", what=one, table="settings")


def notes(store: Store) -> list[str]:
    with store.reader() as connection:
        return list(connection.scalars(select(schema.audit.c.what).order_by(schema.audit.c.id)))


def clear(path: Path) -> None:
    for one in (path, *(path.with_name(path.name + end) for end in LOCK_AND_LOG)):
        one.unlink(missing_ok=True)


@pytest.mark.skipif(os.name == "nt", reason="an open file cannot be removed there")
@pytest.mark.parametrize("closed", [False, True], ids=["open connections", "new connections"])
def test_records_that_were_removed_are_refused_and_no_empty_file_takes_their_place(
    store: Store, path: Path, closed: bool
) -> None:
    if closed:
        store.close()
    clear(path)
    with pytest.raises(StoreError, match="no longer at"):
        write(store, "into nothing")
    with pytest.raises(StoreError, match="Put it back there"):
        notes(store)
    assert not path.exists()


@pytest.mark.skipif(os.name == "nt", reason="an open file cannot be moved there")
def test_records_that_are_put_back_are_gone_on_with(store: Store, path: Path) -> None:
    away = path.with_name("away.sqlite")
    with store.reader() as connection:
        connection.exec_driver_sql("pragma wal_checkpoint(truncate)")
    path.rename(away)
    with pytest.raises(StoreError, match="no longer at"):
        notes(store)
    away.rename(path)
    write(store, "second")
    assert notes(store) == ["first", "second"]


@pytest.mark.skipif(os.name == "nt", reason="an open file cannot be replaced there")
def test_a_copy_put_in_their_place_is_what_is_read_and_written(store: Store, path: Path, tmp_path: Path) -> None:
    with store.reader() as connection:
        connection.exec_driver_sql("pragma wal_checkpoint(truncate)")
    copy = tmp_path / "copy.sqlite"
    shutil.copyfile(path, copy)
    write(store, "after the copy")
    clear(path)
    copy.rename(path)
    write(store, "into the copy")
    assert notes(store) == ["first", "into the copy"]
    again = open_store(str(path))
    assert notes(again) == ["first", "into the copy"]
    again.close()


@pytest.mark.parametrize("content", [b"", b"something else " * 9000], ids=["empty", "something else"])
def test_another_file_in_their_place_is_told_in_words(store: Store, path: Path, content: bytes) -> None:
    store.close()
    clear(path)
    path.write_bytes(content)
    for use in (notes, lambda one: write(one, "never")):
        with pytest.raises(StoreError, match="put a copy back"):
            use(store)
    assert check(store)[0].severity == "fault"


def test_a_full_disk_is_told_in_words_and_nothing_is_half_saved(store: Store) -> None:
    with store.engine.connect() as connection:
        # A file that may not grow stands for a disk without room.
        pages = connection.exec_driver_sql("pragma page_count").scalar()
        connection.exec_driver_sql(f"pragma max_page_count={pages}")
    with pytest.raises(StoreError, match="no room left"):
        write(store, *("second" * 500 for _ in range(600)))
    with store.reader() as connection:
        assert connection.scalar(select(func.count()).select_from(schema.audit)) == 1


def test_a_fault_of_the_program_is_no_fault_of_the_records(store: Store) -> None:
    with pytest.raises(Exception, match="no such column") as found, store.reader() as connection:
        connection.exec_driver_sql("select no_such_column from audit")
    assert not isinstance(found.value, StoreError)


class _Answer(Exception):  # noqa: N818 - as a server's driver raises it
    def __init__(self, sqlstate: str | None) -> None:
        super().__init__("server closed the connection unexpectedly")
        self.sqlstate = sqlstate


def _asked(sqlstate: str | None) -> None:
    with told_in_words("postgresql://lab@server/lab"):
        raise OperationalError("select 1", {}, _Answer(sqlstate))


@pytest.mark.parametrize("sqlstate", [None, "08006", "57P01", "53300"])
def test_a_server_that_is_away_is_told_in_words(sqlstate: str | None) -> None:
    with pytest.raises(StoreError, match="cannot be reached"):
        _asked(sqlstate)


def test_what_a_server_refuses_for_another_reason_is_raised_as_it_is() -> None:
    with pytest.raises(OperationalError):
        _asked("42601")


def shut(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing may be written into this folder."""
    asked = os.access
    monkeypatch.setattr(os, "access", lambda place, mode: Path(place) != folder and asked(place, mode))


@pytest.fixture
def only_read(path: Path, store: Store, monkeypatch: pytest.MonkeyPatch) -> Iterator[Store]:
    """The records in a folder that nobody may write into; whoever runs the tests may be above all rights."""
    store.close()  # the last connection takes its log away
    shut(path.parent, monkeypatch)
    opened = open_store(str(path))
    yield opened
    opened.close()


def test_records_that_may_only_be_read_are_read(only_read: Store, path: Path) -> None:
    assert notes(only_read) == ["first"]
    with pytest.raises(StoreError, match=r"may only be read here\. Nothing was saved"):
        write(only_read, "second")
    assert notes(only_read) == ["first"]
    assert check(only_read) == []
    # Nothing was laid beside them.
    assert [one.name for one in path.parent.iterdir()] == [path.name]


def test_records_that_somebody_else_changed_are_read_anew(
    only_read: Store, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert notes(only_read) == ["first"]
    with monkeypatch.context() as elsewhere:
        elsewhere.setattr(os, "access", lambda *_: True)
        writer = open_store(str(path))
        write(writer, "second")
        assert notes(only_read) == ["first", "second"]  # still in the log beside them
        writer.close()
    assert notes(only_read) == ["first", "second"]


def test_old_records_that_may_only_be_read_are_told_in_words(
    path: Path, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    with store.writer(may="import lists") as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '0001'")
    store.close()
    shut(path.parent, monkeypatch)
    with pytest.raises(StoreError, match="made by an older version of the program and cannot be brought up to date"):
        open_store(str(path))


def test_no_records_are_begun_where_nothing_may_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shut(tmp_path, monkeypatch)
    with pytest.raises(StoreError, match="no records can be begun there"):
        open_store(str(tmp_path / "new.sqlite"))


def test_a_folder_that_may_not_be_looked_into_is_told_in_words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(_: Path) -> bool:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "is_file", refused)
    for create in (True, False):
        with pytest.raises(StoreError, match=r"cannot be looked at \(Permission denied\)"):
            open_store(str(tmp_path / "lab.sqlite"), create=create)

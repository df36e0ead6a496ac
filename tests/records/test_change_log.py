"""The change log page by page, and the copies that it knows of."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import datetime, timedelta
from io import BytesIO
from pathlib import Path
from zipfile import ZipFile

import pytest
from sqlalchemy import event

from remakes.errors import EntryError, NotAllowedError, StoreError
from remakes.records import schema
from remakes.records.backups import backup_remark, copy_as_bytes, keep_copy, last_copy, photos_go_to
from remakes.records.change_log import Filters, authors, every_change, months, read_changes, tables
from remakes.records.entries import enter_return
from remakes.records.house_settings import own_work_seen_by, set_own_work_seen_by
from remakes.records.permissions import Actor
from remakes.records.photos import PHOTOS_VARIABLE, photos_folder
from remakes.records.store import Store, now, open_store
from remakes.texts import speaking
from tests.new_stores import new_store

NOON = datetime.fromisoformat("2026-03-02T12:00")


def write(store: Store, at: list[datetime], *, who: str = "QA", table: str = "settings") -> None:
    with store.writer(may="import lists") as connection:
        connection.execute(
            schema.audit.insert(),
            [
                {"at": one, "who": who, "what": "set", "table_name": table, "row_key": None, "detail": None}
                for one in at
            ],
        )


@pytest.fixture
def on_file(tmp_path: Path) -> Iterator[Store]:
    store = new_store(tmp_path / "lab.sqlite")
    yield store
    store.close()


def test_pages_follow_on_without_gap_or_double(store: Store) -> None:
    write(store, [NOON + timedelta(hours=n) for n in range(25)])
    seen, before = [], None
    for _ in range(4):
        page = read_changes(store, before=before, size=10)
        seen += [one.number for one in page.changes]
        if page.older is None:
            break
        before = page.older
    assert len(seen) == 25
    assert seen == sorted(set(seen), reverse=True)
    assert [one.number for one in every_change(store)] == seen


def test_a_full_last_page_has_nothing_older(store: Store) -> None:
    write(store, [NOON] * 10)
    assert read_changes(store, size=10).older is None
    assert read_changes(store, size=9).older is not None


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], None]]:
    """Sets the lab's clock; afterwards it is the machine's again."""

    def set_to(zone: str) -> None:
        monkeypatch.setenv("TZ", zone)
        time.tzset()

    yield set_to
    monkeypatch.undo()
    time.tzset()


def test_a_month_is_one_of_the_labs_clock(store: Store, clock: Callable[[str], None]) -> None:
    clock("CET-1CEST,M3.5.0,M10.5.0/3")
    # An hour before the year ends in UTC it has begun where the lab is; in summer two hours are between.
    winter, summer = datetime.fromisoformat("2025-12-31T23:00"), datetime.fromisoformat("2026-06-30T22:00")
    write(store, [winter, winter - timedelta(seconds=1), summer])
    assert months(store)[0] == "2026-07"
    assert months(store)[-1] == "2025-12"
    assert [one.at for one in read_changes(store, Filters(month="2026-01")).changes] == [winter]
    assert [one.at for one in read_changes(store, Filters(month="2026-07")).changes] == [summer]
    assert read_changes(store, Filters(month="2026-06")).changes == ()
    assert len(read_changes(store, Filters(month="2025-12")).changes) == 1
    with pytest.raises(EntryError, match="no month"):
        read_changes(store, Filters(month="9999-12"))


def test_filters(store: Store, clock: Callable[[str], None]) -> None:
    clock("UTC0")
    december, january = datetime.fromisoformat("2025-12-31T23:59:59"), datetime.fromisoformat("2026-01-01T00:00")
    write(store, [december, january])
    write(store, [NOON], who="M1", table="people")
    assert authors(store) == ("M1", "QA")
    assert tables(store) == ("people", "settings")
    assert months(store) == ("2026-03", "2026-02", "2026-01", "2025-12")
    assert [one.at for one in read_changes(store, Filters(month="2025-12")).changes] == [december]
    assert [one.at for one in read_changes(store, Filters(month="2026-01")).changes] == [january]
    assert [one.who for one in read_changes(store, Filters(who="M1")).changes] == ["M1"]
    assert read_changes(store, Filters(who="M1", table="settings")).changes == ()
    assert [one.who for one in every_change(store, Filters(table="people"))] == ["M1"]
    for wrong in ("2026-13", "no", "2026-1' or 1"):
        with pytest.raises(EntryError, match="no month"):
            read_changes(store, Filters(month=wrong))


def test_an_empty_log(store: Store) -> None:
    assert months(store) == ()
    assert read_changes(store).changes == ()
    assert list(every_change(store)) == []


def test_a_line_knows_its_restoration(lab: Store) -> None:
    number = enter_return(lab, {"restoration_id": "B-1001", "reported_on": "2026-03-20", "defect": "chipping"}, who="Q")
    with lab.writer(may="enter returns") as connection:
        lab.note(connection, who="Q", what="take back return", table="returns", key=str(number))
        lab.note(connection, who="Q", what="undo import", table="returns", key=str(number))
    undone, taken_back, entered = read_changes(lab).changes[:3]
    assert (undone.restoration, taken_back.restoration, entered.restoration) == ("", "B-1001", "B-1001")
    assert entered.told().startswith("return_id: ")


def test_the_file_of_changes_is_the_same_for_readers_of_any_language(store: Store) -> None:
    detail = {"before": {"harm": False, "cost": 12.5}, "after": {"harm": True, "cost": 12.5}, "sure": True}
    with store.writer(may="enter returns") as connection:
        store.note(connection, who="quality Q", what="correct return", table="returns", key="1", detail=detail)
    (line,) = read_changes(store).changes
    with speaking("de"):
        row = line.as_row()
        assert line.before_and_after() == (("harm", "nein", "ja"),)
    assert row == line.as_row()
    assert (row["before"], row["after"], row["besides"]) == ("harm: no", "harm: yes", "sure: yes")


def test_a_page_asks_for_its_restorations_once(lab: Store) -> None:
    with lab.writer(may="enter returns") as connection:
        for number in range(1, 30):
            lab.note(connection, who="Q", what="take back return", table="returns", key=str(number))
    asked: list[str] = []
    event.listen(lab.engine, "before_cursor_execute", lambda _c, _u, statement, *_rest: asked.append(statement))
    assert len(read_changes(lab).changes) >= 29
    assert len([one for one in asked if "FROM returns" in one]) == 1


def test_a_copy_is_kept_and_known(on_file: Store, tmp_path: Path) -> None:
    figures = on_file.figures_version()
    assert last_copy(on_file) is None
    to = keep_copy(on_file, tmp_path, who="M1", at=NOON)
    assert to.name == "remakes-2026-03-02-1200.sqlite"
    last = last_copy(on_file)
    assert last is not None
    assert (last.who, last.to) == ("M1", str(to))
    assert on_file.figures_version() == figures
    assert copy_as_bytes(on_file, who="M2").startswith(b"PK")
    last = last_copy(on_file)
    assert last is not None
    assert (last.who, last.to) == ("M2", "download")
    with pytest.raises(StoreError, match="never replaces"):
        keep_copy(on_file, tmp_path, who="M1", at=NOON)
    with pytest.raises(StoreError, match="whole path"):
        keep_copy(on_file, Path("here"), who="M1")


def test_a_downloaded_copy_holds_the_photos_where_the_program_looks_for_them(on_file: Store, tmp_path: Path) -> None:
    folder = photos_folder(on_file)
    folder.mkdir()
    (folder / "a.jpg").write_bytes(b"one picture")
    with ZipFile(BytesIO(copy_as_bytes(on_file, who="M1"))) as packed:
        packed.extractall(tmp_path / "unpacked")
    (database,) = (tmp_path / "unpacked").glob("remakes-*.sqlite")
    with closing(open_store(str(database), create=False)) as copied:
        assert (photos_folder(copied) / "a.jpg").read_bytes() == b"one picture"


def test_a_copy_without_photos_has_no_folder_of_them(on_file: Store) -> None:
    with ZipFile(BytesIO(copy_as_bytes(on_file, who="M1"))) as packed:
        assert [Path(name).suffix for name in packed.namelist()] == [".sqlite"]


def test_photos_in_a_folder_of_their_own_have_to_be_put_back_by_hand(
    on_file: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert photos_go_to(on_file) is None
    monkeypatch.setenv(PHOTOS_VARIABLE, str(tmp_path / "elsewhere"))
    assert photos_go_to(on_file) == tmp_path / "elsewhere"


def test_only_a_manager_takes_a_copy(on_file: Store, tmp_path: Path) -> None:
    quality = on_file.acting_as(Actor(code="Q1", roles=frozenset({"quality"})))
    with pytest.raises(NotAllowedError):
        keep_copy(quality, tmp_path, who="Q1")
    with pytest.raises(NotAllowedError):
        copy_as_bytes(quality, who="Q1")
    assert [path.name for path in tmp_path.glob("remakes-*")] == []


def test_the_remark_on_copies(on_file: Store) -> None:
    assert backup_remark(on_file) == ""
    with on_file.writer(may="import lists") as connection:
        one = {"restoration_id": "B-1", "kind": "crown", "units": 1, "delivered_on": NOON.date()}
        connection.execute(schema.restorations.insert(), one)
    assert "No copy" in backup_remark(on_file)
    copy_as_bytes(on_file, who="M1")
    assert backup_remark(on_file) == ""
    assert backup_remark(on_file, at=now() + timedelta(days=6, hours=23)) == ""
    assert "8 days old" in backup_remark(on_file, at=now() + timedelta(days=8, minutes=1))


def test_who_may_see_a_technicians_page(on_file: Store) -> None:
    figures = on_file.figures_version()
    assert own_work_seen_by(on_file) == ()
    set_own_work_seen_by(on_file, ("manager",), who="M1")
    assert own_work_seen_by(on_file) == ("manager",)
    assert on_file.figures_version() == figures
    with pytest.raises(EntryError, match="technician"):
        set_own_work_seen_by(on_file, ("technician",), who="M1")
    line = read_changes(on_file).changes[0]
    assert line.before_and_after() == (("roles", "", "manager"),)

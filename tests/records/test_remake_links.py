"""A remake is linked to the piece it replaces: only where that is possible, and so that it can be taken back."""

from __future__ import annotations

from datetime import date

import pytest
from sqlalchemy import func, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.entries import enter_restoration, enter_return
from remakes.records.look_up import find_restoration
from remakes.records.remake_links import check_link, likely_replaced, link_remake, replaced_by, unlink_remake
from remakes.records.store import Store


def linked(store: Store, number: str) -> str | None:
    found = find_restoration(store, number)
    assert found is not None
    return found.remake_of


def last_line(store: Store) -> tuple[str, str, str | None, object]:
    audit = schema.audit.c
    with store.reader() as connection:
        row = connection.execute(select(schema.audit).order_by(audit.id.desc()).limit(1)).one()
    return row.who, row.what, row.row_key, row.detail


def test_a_link_is_made_told_and_taken_back(lab: Store) -> None:
    link_remake(lab, "B-1002", replaces=" B-1001 ", who="QA")
    assert linked(lab, "B-1002") == "B-1001"
    assert last_line(lab) == ("QA", "link remake", "B-1002", {"remake_of": "B-1001", "before": None})
    assert replaced_by(lab, "B-1001") == ("B-1002", "B-1003")
    unlink_remake(lab, "B-1002", was="B-1001", who="QA2", why="mixed up")
    assert linked(lab, "B-1002") is None
    assert last_line(lab)[3] == {"remake_of": None, "before": "B-1001", "why": "mixed up"}


@pytest.mark.parametrize(
    ("number", "replaces", "words"),
    [
        ("B-1001", "B-1001", "cannot replace itself"),
        ("B-1001", "B-1002", "was delivered before"),
        ("B-1003", "B-1002", "linked to B-1001 already"),
        ("B-9", "B-1001", "no restoration 'B-9'"),
        ("B-1002", "zzz", "no restoration 'zzz'"),
    ],
)
def test_impossible_links_are_refused(lab: Store, number: str, replaces: str, words: str) -> None:
    version = lab.data_version()
    with pytest.raises(EntryError, match=words):
        check_link(lab, number, replaces=replaces)
    with pytest.raises(EntryError, match=words):
        link_remake(lab, number, replaces=replaces, who="QA")
    assert lab.data_version() == version


def test_no_circle_even_on_one_day(lab: Store) -> None:
    day = {"kind": "crown", "units": "1", "delivered_on": "2026-03-09"}
    for name in ("X1", "X2", "X3"):
        enter_restoration(lab, day | {"restoration_id": name}, who="QA", today=date(2026, 4, 1))
    link_remake(lab, "X2", replaces="X1", who="QA")
    link_remake(lab, "X3", replaces="X2", who="QA")
    with pytest.raises(EntryError, match="cannot replace each other"):
        link_remake(lab, "X1", replaces="X3", who="QA")


def test_the_same_link_again_changes_nothing(lab: Store) -> None:
    version = lab.data_version()
    link_remake(lab, "B-1003", replaces="B-1001", who="QA")
    assert lab.data_version() == version


def test_a_link_that_somebody_else_changed_is_left_alone(lab: Store) -> None:
    unlink_remake(lab, "B-1003", was="B-1001", who="QA", why="slip")
    link_remake(lab, "B-1003", replaces="B-1002", who="QA2")
    with pytest.raises(EntryError, match="now stands as a remake of B-1002"):
        unlink_remake(lab, "B-1003", was="B-1001", who="QA", why="slip")
    with pytest.raises(EntryError, match="No reason"):
        unlink_remake(lab, "B-1003", was="B-1002", who="QA", why=" ")
    with pytest.raises(EntryError, match="at most 2,000"):
        unlink_remake(lab, "B-1003", was="B-1001", who="QA", why="a" * 2001)
    assert linked(lab, "B-1003") == "B-1002"


def test_what_was_probably_replaced_is_offered(lab: Store) -> None:
    unlink_remake(lab, "B-1003", was="B-1001", who="QA", why="slip")
    assert likely_replaced(lab, "B-1003") == ()
    raw = {"restoration_id": "B-1001", "reported_on": "2026-02-20", "defect": "chipping", "disposition": "remade"}
    enter_return(lab, raw, who="QA", today=date(2026, 4, 1))
    assert likely_replaced(lab, "B-1003") == ("B-1001",)
    link_remake(lab, "B-1003", replaces="B-1001", who="QA")
    assert likely_replaced(lab, "B-1003") == ()
    assert likely_replaced(lab, "B-9") == ()


def test_links_of_one_case(lab: Store) -> None:
    with lab.writer(may="import lists") as connection:
        connection.execute(schema.restorations.update().values(case_id="A1", remake_of=None))
    assert likely_replaced(lab, "B-1003") == ("B-1002", "B-1001")
    assert likely_replaced(lab, "B-1001") == ()
    with lab.reader() as connection:
        assert connection.scalar(select(func.count()).select_from(schema.audit)) == 0

"""What was typed and not saved is found again by the same person, and by nobody else."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

from remakes.records.drafts import HERE, drop_draft, keep_draft, load_draft
from remakes.records.store import Store

TYPED = {"number": "B-1001", "defect": "chipping", "others": ["surface"], "severity": 4, "note": "“off” at lunch"}


def test_a_draft_is_found_again_whole(store: Store) -> None:
    keep_draft(store, "return", TYPED, owner="Q1")
    found = load_draft(store, "return", owner="Q1")
    assert found is not None
    assert found.content == TYPED


def test_a_draft_belongs_to_one_person_and_one_form(store: Store) -> None:
    keep_draft(store, "return", TYPED, owner="Q1")
    assert load_draft(store, "return", owner="Q2") is None
    assert load_draft(store, "bench sheet", owner="Q1") is None
    keep_draft(store, "return", {"number": "1"}, owner="")
    mine = load_draft(store, "return", owner=HERE)
    assert mine is not None
    assert mine.content == {"number": "1"}


def test_the_newest_stands_and_saving_forgets_it(store: Store) -> None:
    keep_draft(store, "return", TYPED, owner="Q1")
    keep_draft(store, "return", TYPED | {"note": ""}, owner="Q1")
    found = load_draft(store, "return", owner="Q1")
    assert found is not None
    assert found.content["note"] == ""
    drop_draft(store, "return", owner="Q1")
    drop_draft(store, "return", owner="Q1")
    assert load_draft(store, "return", owner="Q1") is None


def test_a_draft_is_no_record(store: Store) -> None:
    before = store.data_version()
    keep_draft(store, "return", TYPED, owner="Q1")
    assert store.data_version() == before


def test_two_browsers_of_one_person_at_once(store: Store) -> None:
    with ThreadPoolExecutor(4) as browsers:
        list(browsers.map(lambda n: keep_draft(store, "return", {"number": str(n)}, owner="Q1"), range(12)))
    assert load_draft(store, "return", owner="Q1") is not None

"""Signs that no record can keep, typed or in a list: refused in words, on both kinds of store, nothing half saved."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from datetime import date
from pathlib import Path

import pytest
from argon2 import PasswordHasher

from remakes.errors import EntryError, InputError, RemakesError
from remakes.records import people
from remakes.records.bench.pieces import find_piece
from remakes.records.bench.readings import Written, write_reading
from remakes.records.bench.work import add_work, change_work, give_up_work
from remakes.records.drafts import keep_draft, load_draft
from remakes.records.entries import enter_return
from remakes.records.importers import import_paths
from remakes.records.look_up import find_restoration, match_number
from remakes.records.sessions import sign_in
from remakes.records.store import Store
from tests.records.bench_lab import AT, WHO, begin, take_standard
from tests.records.importers.lists import everything, restoration, returned, write

#: NUL, which a server refuses, and half of a sign, which no file can hold.
SIGNS = ["\x00", "\ud800"]
CHEAP = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
TODAY = date(2026, 4, 1)


@pytest.fixture
def bench(lab: Store) -> Store:
    take_standard(lab)
    begin(lab)
    return lab


def _returned(store: Store, sign: str, **more: str) -> object:
    raw = {"restoration_id": "B-1002", "reported_on": "2026-03-20", "defect": "chipping"} | more
    return enter_return(store, raw, who="QA1", today=TODAY)


WRITES: dict[str, Callable[[Store, str], object]] = {
    "note": lambda store, sign: _returned(store, sign, note=f"a{sign}b"),
    "number": lambda store, sign: _returned(store, sign, restoration_id=f"B{sign}"),
    "extra": lambda store, sign: _returned(store, sign, shade=f"A{sign}"),
    "work": lambda store, sign: add_work(store, {"restoration_id": f"N{sign}", "kind": "crown", "units": 1}, who=WHO),
    "veneer": lambda store, sign: change_work(store, "N1", {"veneer": f"a{sign}"}, version=1, who=WHO),
    "why": lambda store, sign: give_up_work(store, "N1", why=f"a{sign}b", version=1, who=WHO),
    "word": lambda store, sign: write_reading(
        store, Written(restoration_id="N1", step="blasting", reading="residue", value=f"st{sign}eam"), who=WHO, at=AT
    ),
    "reading of a name": lambda store, sign: write_reading(
        store, Written(restoration_id="N1", step=f"b{sign}", reading="residue", value="steam"), who=WHO, at=AT
    ),
    "lot": lambda store, sign: write_reading(
        store, Written(restoration_id="N1", step="opaquer", reading="coats", value="2", lot=f"L{sign}1"), who=WHO, at=AT
    ),
    "person": lambda store, sign: people.add_person(store, f"T{sign}", ["quality"], "four words in a row", who="M1"),
}


@pytest.mark.parametrize("sign", SIGNS, ids=["NUL", "half a sign"])
@pytest.mark.parametrize("what", list(WRITES))
def test_what_is_typed_is_refused_in_words_and_nothing_is_saved(bench: Store, what: str, sign: str) -> None:
    before, version = everything(bench), bench.data_version()
    with pytest.raises(RemakesError):
        WRITES[what](bench, sign)
    assert everything(bench) == before
    assert bench.data_version() == version


@pytest.mark.parametrize("sign", SIGNS, ids=["NUL", "half a sign"])
def test_what_is_looked_for_is_not_found_or_refused_in_words(bench: Store, sign: str) -> None:
    for look in (find_piece, find_restoration, lambda store, seen: match_number(store, seen).found):
        found = None
        with suppress(EntryError):  # in words; anything else is none
            found = look(bench, f"B-1002{sign}")
        assert found is None


@pytest.mark.parametrize("sign", SIGNS, ids=["NUL", "half a sign"])
def test_nobody_comes_in_with_them_in_the_code(store: Store, sign: str) -> None:
    people.add_first_manager(store, "M1", "four words in a row", hasher=CHEAP)
    with pytest.raises(RemakesError):
        sign_in(store, f"M1{sign}", "four words in a row", hasher=CHEAP)


@pytest.mark.parametrize("sign", SIGNS, ids=["NUL", "half a sign"])
def test_a_draft_keeps_what_was_typed_or_says_that_it_cannot(bench: Store, sign: str) -> None:
    try:
        keep_draft(bench, "return", {"note": f"a{sign}"}, owner="Q1")
    except RemakesError:
        return
    found = load_draft(bench, "return", owner="Q1")
    assert found is not None
    assert found.content == {"note": f"a{sign}"}


@pytest.mark.parametrize("sign", ["\x07", "\x0b", "\x1b", "\x7f"])
def test_control_signs_of_a_list_are_kept_as_they_are(store: Store, tmp_path: Path, sign: str) -> None:
    folder = write(
        tmp_path / "lab", restorations=[restoration("R1")], returns=[returned("R1", "Q1", note=f"edge{sign}thin")]
    )
    assert import_paths(store, [folder]).ok
    assert everything(store)["returns"][0]


def test_nul_in_a_list_is_refused_before_anything_is_saved(store: Store, tmp_path: Path) -> None:
    folder = write(tmp_path / "lab", restorations=[restoration("R1")], returns=[returned("R1", "Q1", note="a\x00b")])
    before = everything(store)
    with pytest.raises(InputError, match="NUL"):
        import_paths(store, [folder])
    assert everything(store) == before

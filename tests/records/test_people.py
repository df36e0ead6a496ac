"""People: who may add, change and let go; the last manager; two browsers; passwords nowhere but as hashes."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from argon2 import PasswordHasher
from sqlalchemy import select

from remakes.errors import EntryError, NotAllowedError
from remakes.records import people, schema
from remakes.records.passwords import LEAST_SIGNS, LONGEST_PASSWORD, hash_password, is_password
from remakes.records.people import Person, PersonChangedError
from remakes.records.permissions import Actor, Role
from remakes.records.store import Store

CHEAP = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
SECRET = "four words in a row"


def first(store: Store) -> Person:
    return people.add_first_manager(store, "M1", SECRET, hasher=CHEAP)


def add(store: Store, code: str, *roles: Role) -> Person:
    return people.add_person(store, code, roles, SECRET, who="manager M1", hasher=CHEAP)


def audit(store: Store) -> list[Any]:
    with store.reader() as connection:
        return list(connection.execute(select(schema.audit).order_by(schema.audit.c.id)))


def test_nobody_then_a_first_manager_and_never_a_second_first(store: Store) -> None:
    assert people.nobody_yet(store)
    assert people.list_people(store) == ()
    manager = first(store)
    assert (manager.code, manager.roles, manager.must_change, manager.version) == ("M1", ("manager",), False, 1)
    assert not people.nobody_yet(store)
    with pytest.raises(EntryError, match="added meanwhile"):
        people.add_first_manager(store, "M2", SECRET, hasher=CHEAP)
    assert [one.code for one in people.list_people(store)] == ["M1"]


def test_of_many_browsers_that_would_be_first_one_is(store: Store) -> None:
    def attempt(number: int) -> str:
        try:
            return people.add_first_manager(store, f"M{number}", SECRET, hasher=CHEAP).code
        except EntryError:
            return ""

    with ThreadPoolExecutor(6) as pool:
        won = [code for code in pool.map(attempt, range(6)) if code]
    assert len(won) == 1
    assert [one.code for one in people.list_people(store)] == won


def test_the_last_manager_stays_whatever_is_tried(store: Store) -> None:
    manager, quality = first(store), add(store, "Q1", "quality")
    for attempt in (
        lambda: people.change_roles(store, "M1", ["quality"], version=manager.version, who="M1"),
        lambda: people.let_go(store, "M1", version=manager.version, who="M1"),
    ):
        with pytest.raises(EntryError, match="last manager"):
            attempt()
    people.change_roles(store, "Q1", ["quality", "manager"], version=quality.version, who="M1")
    gone = people.let_go(store, "M1", version=manager.version, who="Q1")
    assert gone.left_at is not None
    # A manager who has left is none.
    with pytest.raises(EntryError, match="last manager"):
        people.let_go(store, "Q1", version=2, who="Q1")


def test_two_browsers_do_not_overwrite_each_other(store: Store) -> None:
    first(store)
    seen = add(store, "T1", "technician")
    people.change_roles(store, "T1", ["technician", "quality"], version=seen.version, who="manager M1")
    with pytest.raises(PersonChangedError) as clash:
        people.let_go(store, "T1", version=seen.version, who="manager M2")
    assert clash.value.by == "manager M1"
    assert clash.value.person.roles == ("quality", "technician")
    assert "changed meanwhile by manager M1" in str(clash.value)
    assert people.find_person(store, "T1") == clash.value.person
    # A language chosen by the person is no change of what a manager edits.
    people.choose_language(store, "T1", "de")
    people.let_go(store, "T1", version=2, who="manager M2")


def test_who_has_left_is_kept_and_can_come_back_with_a_new_password(store: Store) -> None:
    first(store)
    one = add(store, "T1", "technician")
    gone = people.let_go(store, "T1", version=one.version, who="M1")
    assert [person.code for person in people.list_people(store)] == ["M1", "T1"]
    with pytest.raises(EntryError, match="taken back"):
        add(store, "T1", "technician")
    with pytest.raises(EntryError, match="has left"):
        people.set_password(store, "T1", SECRET, version=gone.version, who="M1", hasher=CHEAP)
    back = people.take_back(store, "T1", SECRET, version=gone.version, who="M1", hasher=CHEAP)
    assert (back.left_at, back.must_change, back.roles) == (None, True, ("technician",))
    with pytest.raises(EntryError, match="not left"):
        people.take_back(store, "T1", SECRET, version=back.version, who="M1", hasher=CHEAP)


@pytest.mark.parametrize(
    ("code", "password", "said"),
    [
        ("Jane Doe", SECRET, "names are not kept"),
        ("", SECRET, "blank"),
        ("T1", "short", "at least 10"),
        ("a-long-code", "A-LONG-CODE", "code itself"),
        ("T1", "x" * (LONGEST_PASSWORD + 1), "more than"),
    ],
)
def test_a_code_that_is_a_name_and_a_weak_password_are_refused(
    store: Store, code: str, password: str, said: str
) -> None:
    first(store)
    before = audit(store)
    with pytest.raises(EntryError, match=said):
        people.add_person(store, code, ["technician"], password, who="M1", hasher=CHEAP)
    assert audit(store) == before


def test_a_person_needs_a_role_that_exists_and_a_code_of_their_own(store: Store) -> None:
    first(store)
    with pytest.raises(EntryError, match="No role"):
        add(store, "T1")
    with pytest.raises(EntryError, match="no role owner"):
        add(store, "T1", "owner")  # type: ignore[arg-type]
    with pytest.raises(EntryError, match="there already"):
        add(store, "M1", "quality")
    with pytest.raises(EntryError, match="no person"):
        people.let_go(store, "T9", version=1, who="M1")


@pytest.mark.parametrize("role", ["quality", "technician"])
def test_only_managers_keep_people(store: Store, role: Role) -> None:
    first(store)
    one = add(store, "X1", role)
    theirs = store.acting_as(Actor(code="X1", roles=frozenset({role})))
    for attempt in (
        lambda: people.add_person(theirs, "X2", ["manager"], SECRET, who="X1", hasher=CHEAP),
        lambda: people.change_roles(theirs, "X1", ["manager"], version=one.version, who="X1"),
        lambda: people.set_password(theirs, "M1", SECRET, version=1, who="X1", hasher=CHEAP),
        lambda: people.let_go(theirs, "M1", version=1, who="X1"),
        lambda: people.set_external_id(theirs, "X1", "m1@example.invalid", version=1, who="X1"),
        lambda: people.choose_language(theirs, "M1", "de"),
        lambda: people.change_own_password(theirs, "M1", SECRET, "another long one", hasher=CHEAP),
    ):
        with pytest.raises(NotAllowedError):
            attempt()
    people.choose_language(theirs, "X1", "de")
    assert people.change_own_password(theirs, "X1", SECRET, "another long one", hasher=CHEAP).must_change is False


def test_the_history_tells_every_change_and_no_password(store: Store) -> None:
    first(store)
    one = add(store, "T1", "technician")
    one = people.change_roles(store, "T1", ["quality"], version=one.version, who="manager M1")
    one = people.set_password(store, "T1", "another long one", version=one.version, who="manager M1", hasher=CHEAP)
    one = people.set_external_id(store, "T1", "T1@Example.invalid", version=one.version, who="manager M1")
    people.change_own_password(store, "T1", "another long one", "a third long one", hasher=CHEAP)
    people.choose_language(store, "T1", "de")
    people.let_go(store, "T1", version=one.version + 1, who="manager M1")
    lines = audit(store)
    told = ["add person", "add person", "change roles", "set password", "set single sign-on"]
    told += ["change own password", "choose language", "let go"]
    assert [line.what for line in lines] == told
    assert {line.table_name for line in lines} == {"people"}
    written = " ".join(str(tuple(line)) for line in lines)
    for secret in ("argon2", SECRET, "another long", "third long", "example.invalid"):
        assert secret not in written
    with store.reader() as connection:
        kept = connection.scalars(select(schema.people.c.password_hash)).all()
    assert all(one.startswith("$argon2id$") for one in kept)


def test_people_move_no_figure(store: Store) -> None:
    before = store.figures_version()
    first(store)
    add(store, "T1", "technician")
    people.choose_language(store, "T1", "de")
    assert store.figures_version() == before


def test_own_password_asks_for_the_present_one_and_another(store: Store) -> None:
    first(store)
    with pytest.raises(EntryError, match="present password is wrong"):
        people.change_own_password(store, "M1", "not this one", "another long one", hasher=CHEAP)
    with pytest.raises(EntryError, match="Choose another"):
        people.change_own_password(store, "M1", SECRET, SECRET, hasher=CHEAP)
    with pytest.raises(EntryError, match="at least"):
        people.change_own_password(store, "M1", SECRET, "short", hasher=CHEAP)


def test_an_address_for_single_sign_on_is_one_persons(store: Store) -> None:
    manager = first(store)
    one = people.add_person(store, "T1", ["technician"], "", who="M1", external_id=" T1@Example.invalid", hasher=CHEAP)
    assert one.external_id == "t1@example.invalid"
    assert not one.must_change
    with pytest.raises(EntryError, match="T1 has this address"):
        people.set_external_id(store, "M1", "t1@example.INVALID", version=manager.version, who="M1")
    people.set_external_id(store, "T1", "", version=one.version, who="M1")
    people.set_external_id(store, "M1", "t1@example.invalid", version=manager.version, who="M1")


def test_a_password_is_right_or_wrong_and_nobodys_is_wrong() -> None:
    kept = hash_password("T1", SECRET, hasher=CHEAP)
    assert SECRET not in kept
    assert is_password(kept, SECRET, hasher=CHEAP)
    assert not is_password(kept, SECRET + " ", hasher=CHEAP)
    assert not is_password(None, SECRET, hasher=CHEAP)
    assert not is_password(None, "the password of nobody", hasher=CHEAP)
    assert not is_password("no hash", SECRET, hasher=CHEAP)
    assert len("x" * LEAST_SIGNS) == 10

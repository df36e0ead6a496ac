"""Signing in: tokens, limits on attempts, when a visit ends, and that the store keeps nothing to sign in with."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from pathlib import Path
from time import monotonic

import pytest
from argon2 import PasswordHasher
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import event, select
from sqlalchemy.exc import OperationalError

from remakes.errors import EntryError, NotAllowedError
from remakes.records import attempts, people, schema, sessions
from remakes.records.attempts import SignInError, TooManyAttemptsError
from remakes.records.permissions import Role
from remakes.records.sessions import session_of, sign_in
from remakes.records.still_allowed import SessionEndedError
from remakes.records.store import Store, now, open_store

CHEAP = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
DEARER = PasswordHasher(time_cost=2, memory_cost=16, parallelism=1)
SECRET = "four words in a row"
START = datetime.fromisoformat("2026-03-02 08:00")
MINUTE = timedelta(minutes=1)


def staff(store: Store) -> None:
    people.add_first_manager(store, "M1", SECRET, hasher=CHEAP)
    both: tuple[Role, ...] = ("quality", "technician")
    people.add_person(store, "T1", both, SECRET, who="M1", hasher=CHEAP)


def enter(
    store: Store, code: str = "T1", *, at: datetime = START, password: str = SECRET, address: str = "127.0.0.1"
) -> str:
    return sign_in(store, code, password, address=address, at=at, hasher=CHEAP)


def fail(store: Store, code: str, *, at: datetime = START, address: str = "127.0.0.1") -> str:
    with pytest.raises(SignInError) as refused:
        enter(store, code, at=at, password="not the password", address=address)
    return str(refused.value)


def test_a_token_stands_for_one_person_and_the_store_keeps_only_its_hash(store: Store) -> None:
    staff(store)
    one, other = enter(store), enter(store)
    assert one != other
    assert len(one) >= 43
    found = session_of(store, one, at=START)
    assert found is not None
    assert (found.person.code, found.role, found.actor.roles) == ("T1", "quality", {"quality", "technician"})
    with store.reader() as connection:
        kept = " ".join(
            str(tuple(row)) for table in (schema.sessions, schema.audit) for row in connection.execute(table.select())
        )
    assert one not in kept
    assert sessions.token_hash(one) in kept
    # What is kept signs nobody in.
    assert session_of(store, sessions.token_hash(one), at=START) is None


def test_a_visit_survives_a_restart_of_the_server(tmp_path: Path) -> None:
    before = open_store(str(tmp_path / "lab.sqlite"))
    staff(before)
    token = enter(before)
    before.close()
    after = open_store(str(tmp_path / "lab.sqlite"))
    assert session_of(after, token, at=START + MINUTE) is not None
    after.close()


def test_a_quiet_visit_ends_and_a_busy_one_after_twelve_hours(store: Store) -> None:
    staff(store)
    quiet, busy = enter(store), enter(store)
    assert session_of(store, quiet, at=START + 29 * MINUTE) is not None
    assert session_of(store, quiet, at=START + 58 * MINUTE) is not None
    assert session_of(store, quiet, at=START + 88 * MINUTE) is None
    at = START
    while at < START + sessions.WHOLE_LIFE - 20 * MINUTE:
        at += 20 * MINUTE
        alive = session_of(store, busy, at=at)
        assert (alive is not None) == (at < START + sessions.WHOLE_LIFE)
    assert session_of(store, busy, at=START + sessions.WHOLE_LIFE) is None


def test_the_lab_sets_after_how_many_minutes(store: Store) -> None:
    staff(store)
    before = store.figures_version()
    sessions.set_idle_limit(store, 5, who="manager M1")
    assert store.figures_version() == before
    assert sessions.idle_limit(store) == 5 * MINUTE
    token = enter(store)
    assert session_of(store, token, at=START + 4 * MINUTE) is not None
    assert session_of(store, token, at=START + 9 * MINUTE) is None
    for wrong in (0, 2.5, 721, float("inf"), float("nan")):
        with pytest.raises(EntryError, match="whole minutes"):
            sessions.set_idle_limit(store, wrong, who="M1")


def test_a_visit_is_written_down_at_most_once_a_minute(store: Store) -> None:
    staff(store)
    token = enter(store)

    def last_seen() -> datetime | None:
        with store.reader() as connection:
            return connection.scalar(select(schema.sessions.c.last_seen))

    session_of(store, token, at=START + timedelta(seconds=59))
    assert last_seen() == START
    session_of(store, token, at=START + timedelta(seconds=61))
    assert last_seen() == START + timedelta(seconds=61)
    person = people.find_person(store, "T1")
    assert person is not None
    assert person.last_seen == last_seen()


def test_signing_out_ends_this_visit_only(store: Store) -> None:
    staff(store)
    one, other = enter(store), enter(store)
    sessions.sign_out(store, one)
    sessions.sign_out(store, "never was one")
    assert session_of(store, one, at=START) is None
    assert session_of(store, other, at=START) is not None


def test_a_new_password_ends_the_other_visits_and_letting_go_all(store: Store) -> None:
    staff(store)
    here, there, manager = enter(store), enter(store), enter(store, "M1")
    hashed = sessions.token_hash(here)
    people.change_own_password(store, "T1", SECRET, "another long one", keep_session=hashed, hasher=CHEAP)
    assert session_of(store, here, at=START) is not None
    assert session_of(store, there, at=START) is None
    person = people.find_person(store, "T1")
    assert person is not None
    people.set_password(store, "T1", "a third long one", version=person.version, who="M1", hasher=CHEAP)
    assert session_of(store, here, at=START) is None
    again = enter(store, password="a third long one")
    found = session_of(store, again, at=START)
    assert found is not None
    assert found.person.must_change
    people.let_go(store, "T1", version=found.person.version, who="M1")
    assert session_of(store, again, at=START) is None
    assert session_of(store, manager, at=START) is not None
    # The right password of somebody who has left is as wrong as any other.
    said = fail(store, "T1", at=START)
    with pytest.raises(SignInError) as refused:
        enter(store, password="a third long one")
    assert str(refused.value) == said


def test_a_role_is_chosen_of_those_held_and_remembered(store: Store) -> None:
    staff(store)
    token = enter(store)
    session = session_of(store, token, at=START)
    assert session is not None
    with pytest.raises(EntryError, match="do not hold"):
        sessions.choose_role(store, session, "manager")
    sessions.choose_role(store, session, "technician")
    chosen = session_of(store, token, at=START)
    assert chosen is not None
    assert chosen.role == "technician"
    later = session_of(store, enter(store, at=START + MINUTE), at=START + MINUTE)
    assert later is not None
    assert later.role == "technician"
    # A role that is taken away is gone from the visit at once.
    people.change_roles(store, "T1", ["quality"], version=1, who="M1")
    left = session_of(store, token, at=START)
    assert left is not None
    assert (left.role, left.actor.roles) == ("quality", {"quality"})


def test_what_is_written_asks_for_the_role_that_is_held_now(store: Store) -> None:
    staff(store)
    session = session_of(store, enter(store, at=now()))
    assert session is not None
    theirs = store.acting_as(session.actor)
    with theirs.writer(may="enter returns"):
        pass
    with (
        pytest.raises(NotAllowedError, match="T1 holds the role quality and technician"),
        theirs.writer(may="decide actions"),
    ):
        pytest.fail("written by somebody who may not")


@pytest.mark.parametrize("code", ["T1", "nobody"])
def test_five_wrong_passwords_and_nobody_gets_in_for_a_while(store: Store, code: str) -> None:
    staff(store)
    said = {fail(store, code, at=START + number * MINUTE) for number in range(attempts.MOST_FAILURES)}
    assert said == {"The code or the password is wrong. Capital and small letters differ."}
    with pytest.raises(TooManyAttemptsError, match="Wait 10 minutes") as refused:
        enter(store, code, at=START + 5 * MINUTE)
    assert refused.value.minutes == 10
    # Asking while one waits makes it no longer; another code is not concerned.
    with pytest.raises(TooManyAttemptsError, match="Wait 1 minute,"):
        enter(store, code, at=START + 15 * MINUTE - timedelta(seconds=1))
    assert enter(store, "M1", at=START + 5 * MINUTE)
    if code == "T1":
        assert enter(store, code, at=START + 15 * MINUTE)
        assert fail(store, code, at=START + 15 * MINUTE) in said


def test_a_code_that_is_right_in_the_end_starts_anew(store: Store) -> None:
    staff(store)
    for _ in range(3):
        for _ in range(attempts.MOST_FAILURES - 1):
            fail(store, "T1", at=START)
        assert enter(store)


def test_whoever_guesses_at_one_machine_shuts_out_nobody_elsewhere(store: Store) -> None:
    staff(store)
    for _ in range(3 * attempts.MOST_FAILURES):
        fail(store, "T1", address="192.0.2.7")
    with pytest.raises(TooManyAttemptsError):
        enter(store, address="192.0.2.7")
    assert enter(store, address="192.0.2.8")
    # Nor does the right password elsewhere let the guesser go on.
    with pytest.raises(TooManyAttemptsError):
        enter(store, address="192.0.2.7")


def test_many_codes_from_one_address_are_limited_together(store: Store) -> None:
    staff(store)
    for number in range(attempts.MOST_FAILURES_OF_ADDRESS):
        fail(store, f"guess{number}", address="192.0.2.7")
        # An own account among them starts nothing anew.
        if number < attempts.MOST_FAILURES_OF_ADDRESS - 1:
            assert enter(store, "M1", address="192.0.2.7")
    with pytest.raises(TooManyAttemptsError, match="Wait 15 minutes"):
        enter(store, address="192.0.2.7")
    assert enter(store, address="192.0.2.8")
    assert enter(store, at=START + attempts.WINDOW, address="192.0.2.7")


def test_one_code_is_limited_from_all_addresses_together(store: Store) -> None:
    staff(store)
    for number in range(attempts.MOST_FAILURES_OF_CODE):
        assert "Too many" not in fail(store, "T1", address=f"192.0.2.{number}")
    with pytest.raises(TooManyAttemptsError):
        enter(store, address="192.0.2.99")
    assert enter(store, "M1", address="192.0.2.99")


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("192.0.2.7", "::ffff:192.0.2.7", True),
        ("2001:db8::7", "2001:db8::ffff:8", True),
        ("2001:db8::7", "2001:db8:0:1::7", False),
        ("fe80::7%eth0", "fe80::8", True),
        ("127.0.0.1", "::1", True),
        ("", "::ffff:127.0.0.1", True),
        ("", "192.0.2.7", False),
        ("no address", "no address", True),
    ],
)
def test_a_machine_is_one_whichever_of_its_addresses_it_takes(store: Store, one: str, other: str, same: bool) -> None:
    staff(store)
    for _ in range(attempts.MOST_FAILURES):
        fail(store, "T1", address=one)
    said = fail(store, "T1", address=other)
    assert ("Too many" in said) == same


def test_no_address_is_kept(store: Store) -> None:
    staff(store)
    fail(store, "T1", address="192.0.2.7")
    with store.reader() as connection:
        kept = connection.execute(schema.sign_in_attempts.select()).all()
    assert "192.0.2" not in str(kept)


def test_a_present_password_that_is_wrong_counts_as_an_attempt(store: Store) -> None:
    staff(store)

    def change(old: str, new: str = "another long one", address: str = "192.0.2.7") -> None:
        people.change_own_password(store, "T1", old, new, address=address, at=START, hasher=CHEAP)

    for _ in range(attempts.MOST_FAILURES - 1):
        with pytest.raises(EntryError, match="present password is wrong"):
            change("not the password")
    # The present one is right: what is wrong with the new one is no guess.
    with pytest.raises(EntryError, match="at least 10"):
        change(SECRET, "short")
    for _ in range(attempts.MOST_FAILURES):
        with pytest.raises(EntryError, match="present password is wrong"):
            change("not the password")
    with pytest.raises(TooManyAttemptsError):
        change(SECRET)
    with pytest.raises(TooManyAttemptsError):
        enter(store, address="192.0.2.7")
    change(SECRET, address="192.0.2.8")


def test_a_visit_goes_on_at_once_while_somebody_else_writes(store: Store) -> None:
    staff(store)
    token = enter(store)
    with store.writer(may="import lists"):
        began = monotonic()
        assert session_of(store, token, at=START + 5 * MINUTE) is not None
        assert monotonic() - began < 2
    assert session_of(store, token, at=START + 6 * MINUTE) is not None
    with store.reader() as connection:
        assert connection.scalar(select(schema.sessions.c.last_seen)) == START + 6 * MINUTE


def test_a_visit_goes_on_where_nothing_can_be_written(tmp_path: Path) -> None:
    lab = open_store(str(tmp_path / "lab.sqlite"))
    staff(lab)
    token = enter(lab)
    lab.close()

    def full(*_: object) -> None:
        raise OperationalError("UPDATE", {}, Exception("database or disk is full"))

    event.listen(lab.engine, "before_cursor_execute", lambda *said: full() if "UPDATE" in said[2] else None)
    assert session_of(lab, token, at=START + 5 * MINUTE) is not None
    lab.close()


def test_a_role_taken_away_or_a_person_let_go_ends_what_an_open_page_may_write(store: Store) -> None:
    staff(store)
    session = session_of(store, enter(store, at=now()))
    assert session is not None
    # As a page does that was opened before.
    theirs = store.acting_as(session.actor)
    changed = people.change_roles(store, "T1", ["technician"], version=1, who="M1")
    with pytest.raises(NotAllowedError, match="holds the role technician"), theirs.writer(may="enter returns"):
        pytest.fail("written by somebody who may not any more")
    with theirs.writer(may="write at the bench"):
        pass
    # What is given meanwhile counts from the next look at the page.
    more = people.change_roles(store, "T1", ["technician", "manager"], version=changed.version, who="M1")
    with pytest.raises(NotAllowedError), theirs.writer(may="keep people"):
        pytest.fail("written with a role that the page did not know of")
    people.let_go(store, "T1", version=more.version, who="M1")
    with pytest.raises(NotAllowedError), theirs.writer(may="sign in"):
        pytest.fail("written by somebody who has left")


@pytest.mark.parametrize("how", ["signed out", "idle", "signed in long ago", "new password", "let go"])
def test_a_press_after_the_session_has_ended_writes_nothing(store: Store, how: str) -> None:
    staff(store)
    token = enter(store, at=now())
    session = session_of(store, token)
    assert session is not None
    # As a page does that was opened before, and is pressed now.
    theirs = store.acting_as(session.actor)
    with theirs.writer(may="write at the bench"):
        pass
    if how == "signed out":
        sessions.sign_out(store, token)
    elif how == "new password":
        people.set_password(store, "T1", "another four words", version=1, who="M1", hasher=CHEAP)
    elif how == "let go":
        people.let_go(store, "T1", version=1, who="M1")
    else:
        column, ago = ("last_seen", 31 * MINUTE) if how == "idle" else ("started_at", sessions.WHOLE_LIFE)
        with store.writer(may="sign in") as connection:
            connection.execute(schema.sessions.update().values({column: now() - ago}))
    with pytest.raises(SessionEndedError, match="nothing was saved"), theirs.writer(may="write at the bench"):
        pytest.fail("written after the session had ended")


@pytest.mark.parametrize("back", [timedelta(hours=1), timedelta(days=365)])
def test_a_clock_set_back_makes_no_session_longer_and_nobody_wait(store: Store, back: timedelta) -> None:
    staff(store)
    token = enter(store, at=START)
    assert session_of(store, token, at=START - MINUTE) is not None  # two machines are never quite together
    for _ in range(attempts.MOST_FAILURES):
        fail(store, "T1", at=START)
    assert session_of(store, token, at=START - back) is None
    assert session_of(store, enter(store, at=START - back), at=START - back) is not None


def test_attempts_at_the_same_moment_are_all_counted(store: Store) -> None:
    staff(store)

    def attempt(_: int) -> str:
        try:
            return enter(store, password="not the password")
        except TooManyAttemptsError:
            return "wait"
        except SignInError:
            return "wrong"

    with ThreadPoolExecutor(8) as pool:
        told = list(pool.map(attempt, range(16)))
    assert told.count("wrong") == attempts.MOST_FAILURES
    assert told.count("wait") == 16 - attempts.MOST_FAILURES


def test_what_was_typed_as_a_code_by_mistake_is_not_kept(store: Store) -> None:
    staff(store)
    fail(store, "my secret password", at=START)
    with store.reader() as connection:
        kept = connection.scalars(select(schema.sign_in_attempts.c.code)).all()
    assert "secret" not in "".join(kept)


def test_old_hashes_are_made_anew_when_their_costs_have_grown(store: Store) -> None:
    staff(store)
    sign_in(store, "T1", SECRET, at=START, hasher=DEARER)
    with store.reader() as connection:
        kept = connection.scalar(select(schema.people.c.password_hash).where(schema.people.c.code == "T1"))
    assert kept is not None
    assert "m=16,t=2" in kept
    assert enter(store)


def test_a_session_of_single_sign_on_does_not_begin_again_once_it_has_ended(store: Store) -> None:
    staff(store)
    person = people.find_person(store, "T1")
    assert person is not None
    sessions.open_session(store, person, "one sign-in", at=START)
    assert session_of(store, "one sign-in", at=START + MINUTE) is not None
    sessions.open_session(store, person, "one sign-in", at=START + 60 * MINUTE)
    assert session_of(store, "one sign-in", at=START + 60 * MINUTE) is None


@settings(max_examples=40, deadline=None)
@given(token=st.text(max_size=60))
def test_no_made_up_token_lets_anybody_in(token: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    assert session_of(_shared(tmp_path_factory), token, at=START) is None


@settings(max_examples=25, deadline=None)
@given(gaps=st.lists(st.integers(0, 20), min_size=1, max_size=30))
def test_never_more_than_five_passwords_are_tried_in_a_quarter_of_an_hour(
    gaps: list[int], tmp_path_factory: pytest.TempPathFactory
) -> None:
    store = _shared(tmp_path_factory)
    with store.writer(may="sign in") as connection:
        connection.execute(schema.sign_in_attempts.delete())
    at, tried, told = START, [], []
    for gap in gaps:
        at += gap * MINUTE
        try:
            enter(store, at=at, password="not the password")
        except TooManyAttemptsError as refused:
            recent = [one for one in tried if one > at - attempts.WINDOW]
            told.append((refused.minutes * MINUTE, recent[-attempts.MOST_FAILURES] + attempts.WINDOW - at))
        except SignInError:
            tried.append(at)
    # The wait that is told is enough, and no longer than it must be.
    assert all(said == needed for said, needed in told)
    for last in tried:
        assert sum(last - attempts.WINDOW < one <= last for one in tried) <= attempts.MOST_FAILURES


_STORES: list[Store] = []


def _shared(folders: pytest.TempPathFactory) -> Store:
    """One store for all that is drawn."""
    if not _STORES:
        _STORES.append(open_store(str(folders.mktemp("sessions") / "lab.sqlite")))
        staff(_STORES[0])
    return _STORES[0]

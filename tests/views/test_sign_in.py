"""Signing in: the routes, the gate, what a session may see and write, the first manager, single sign-on's mapping."""

from __future__ import annotations

import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, get_args

import pytest
from argon2 import PasswordHasher
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import func, select, update
from streamlit.testing.v1 import AppTest

from remakes.errors import EntryError, NotAllowedError, StoreError
from remakes.records import attempts, people, schema, sessions
from remakes.records.backups import copy_as_bytes, note_copy
from remakes.records.bench.work import add_work
from remakes.records.decisions import decide
from remakes.records.house_settings import set_own_work_seen_by
from remakes.records.look_up import find_restoration
from remakes.records.permissions import ROLES, Role
from remakes.records.store import Store, now, open_store
from remakes.records.undertakings import JudgingRule
from remakes.views import cautions, menu, server, sign_in, single_sign_on, visitors
from remakes.views.server import OPEN_HERE_VARIABLE, PAGES_SCRIPT, SINGLE_SIGN_ON_VARIABLE
from remakes.views.set_up import PARTS
from tests.views.http import HERE, ask
from tests.views.lab import open_page, texts

CHEAP = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
SECRET = "four words in a row"
COOKIE = "remakes_8501"


@pytest.fixture(autouse=True)
def _signing_in_is_needed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(OPEN_HERE_VARIABLE, "")


@pytest.fixture(autouse=True)
def _cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    """The costs of a real hash are for guessers, not for tests."""
    for function in (sessions.sign_in, people.add_first_manager, people.add_person, people.set_password):
        monkeypatch.setitem(function.__kwdefaults__, "hasher", CHEAP)
    for function in (people.change_own_password, people.take_back):
        monkeypatch.setitem(function.__kwdefaults__, "hasher", CHEAP)


@pytest.fixture
def staff(own_lab: Path) -> Iterator[Store]:
    """The small lab with a manager, a quality person and a technician who is quality as well."""
    store = open_store(str(own_lab))
    people.add_first_manager(store, "M1", SECRET)
    for code, roles in {"Q1": ("quality",), "T01": ("technician",), "B1": ("quality", "technician")}.items():
        one = people.add_person(store, code, roles, SECRET, who="M1")  # type: ignore[arg-type]
        with store.writer(may="keep people") as connection:
            connection.execute(update(schema.people).where(schema.people.c.code == one.code).values(must_change=False))
    yield store
    store.close()


def come_in(store: Store, code: str, monkeypatch: pytest.MonkeyPatch) -> str:
    """The pages are looked at by this person from now on."""
    token = sessions.sign_in(store, code, SECRET)
    monkeypatch.setattr(visitors, "token", lambda: token)
    return token


def whole_app() -> AppTest:
    return AppTest.from_file(PAGES_SCRIPT, default_timeout=60).run()


# Over HTTP


def test_the_right_password_sets_a_cookie_no_script_reads_and_leads_back(staff: Store) -> None:
    answer = ask("/signin", {"code": "Q1", "password": SECRET, "next": "/restoration?no=R00001"})
    assert (answer.status, answer.headers["location"]) == (303, "/restoration?no=R00001")
    cookie = answer.cookie
    assert cookie.key == COOKIE
    assert (cookie["httponly"], cookie["samesite"], cookie["path"], cookie["secure"]) == (True, "lax", "/", "")
    session = sessions.session_of(staff, cookie.value)
    assert session is not None
    assert session.person.code == "Q1"
    # Signed in already: the form leads on, and the gate lets pass.
    assert ask("/signin?next=/steps", cookie=(COOKIE, cookie.value)).headers["location"] == "/steps"
    assert ask("/steps", cookie=(COOKIE, cookie.value)).text == "the app"


@pytest.mark.parametrize(
    ("scheme", "headers"),
    [("https", {}), ("http", {"x-forwarded-proto": "https"}), ("http", {"x-forwarded-proto": "https, http"})],
)
def test_over_https_the_cookie_is_for_https_only(staff: Store, scheme: str, headers: dict[str, str]) -> None:
    answer = ask("/signin", {"code": "Q1", "password": SECRET}, scheme=scheme, headers=headers)
    assert answer.cookie["secure"] is True


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://example.invalid"},
        {"origin": "null"},
        {"origin": ""},
        {"origin": "http://localhost:8502"},
        {"origin": f"http://{HERE}", "sec-fetch-site": "cross-site"},
        {"origin": "", "referer": "http://example.invalid/"},
    ],
)
@pytest.mark.parametrize("path", ["/signin", "/signout"])
def test_a_form_from_another_place_is_refused(staff: Store, path: str, headers: dict[str, str]) -> None:
    answer = ask(path, {"code": "Q1", "password": SECRET}, headers=headers)
    assert answer.status == 403
    assert answer.cookie is None
    assert 'role="alert"' in answer.text


def test_a_wrong_password_and_an_unknown_code_are_told_alike_and_then_one_waits(staff: Store) -> None:
    told = []
    for code in ("Q1", "nobody"):
        answers = [ask("/signin", {"code": code, "password": "wrong"}) for _ in range(attempts.MOST_FAILURES)]
        assert {one.status for one in answers} == {401}
        waiting = ask("/signin", {"code": code, "password": SECRET})
        assert waiting.status == 429
        assert waiting.cookie is None
        assert re.search(r"Wait 1[45] minutes", waiting.text)
        told.append([re.sub(code, "", one.text) for one in (answers[0],)])
    strip = [re.sub(r'nonce="[^"]+"', "", one[0]) for one in told]
    assert strip[0] == strip[1]


def test_a_guesser_at_one_machine_shuts_out_nobody_at_another(staff: Store) -> None:
    away = {"client": "192.0.2.7"}
    told = [ask("/signin", {"code": "Q1", "password": "wrong"}, **away).status for _ in range(6)]  # type: ignore[arg-type]
    assert told == [401] * 5 + [429]
    assert ask("/signin", {"code": "Q1", "password": SECRET}, client="192.0.2.8").status == 303


def test_own_pages_are_whole_in_themselves_and_guarded(staff: Store) -> None:
    for answer in (ask("/signin"), ask("/signin", {"code": '"><script>', "password": "x"})):
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        nonce = re.search(r"'nonce-([^']+)'", policy)
        assert nonce is not None
        assert f'<style nonce="{nonce[1]}">' in answer.text
        assert answer.headers["x-frame-options"] == "DENY"
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["cache-control"] == "no-store"
        assert "http://" not in answer.text
        assert "https://" not in answer.text
        assert "<script" not in answer.text
        for name, complete in (("code", "username"), ("password", "current-password")):
            assert f'<label for="{name}">' in answer.text
            assert re.search(f'id="{name}"[^>]*autocomplete="{complete}"', answer.text)
    assert 'role="alert"' in answer.text


def test_the_form_speaks_the_browsers_language(staff: Store) -> None:
    assert '<html lang="de">' in ask("/signin", headers={"accept-language": "de-AT,de;q=0.9,en;q=0.5"}).text
    assert '<html lang="en">' in ask("/signin", headers={"accept-language": "fr-FR"}).text


def test_signing_out_ends_the_session_and_takes_the_cookie(staff: Store) -> None:
    token = sessions.sign_in(staff, "Q1", SECRET)
    answer = ask("/signout", {}, cookie=(COOKIE, token))
    assert (answer.status, answer.headers["location"]) == (303, "/signin")
    assert (answer.cookie.value, answer.cookie["max-age"]) == ("", "0")
    assert sessions.session_of(staff, token) is None


def test_signing_out_says_what_hinders_it_and_writes_nothing_for_a_stranger(
    staff: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    def busy(*_: Any, **__: Any) -> None:
        raise StoreError("Somebody else has been writing.")

    monkeypatch.setattr(sessions, "sign_out", busy)
    assert ask("/signout", {}).status == 303
    answer = ask("/signout", {}, cookie=(COOKIE, "x"))
    assert answer.status == 503
    assert "Somebody else has been writing." in answer.text
    assert answer.cookie is None


def test_a_second_sign_in_in_the_same_browser_ends_the_first(staff: Store) -> None:
    first = ask("/signin", {"code": "Q1", "password": SECRET}).cookie.value
    second = ask("/signin", {"code": "M1", "password": SECRET}, cookie=(COOKIE, first)).cookie.value
    assert sessions.session_of(staff, first) is None
    assert sessions.session_of(staff, second) is not None


def test_too_much_is_not_read(staff: Store) -> None:
    assert ask("/signin", {"code": "Q1", "password": "x" * 20_000}).status == 413


@pytest.mark.parametrize(
    ("asked", "leads_to"),
    [
        ("/steps?defect=chipping", "/steps?defect=chipping"),
        ("//example.invalid", "/"),
        ("/\\example.invalid", "/"),
        ("https://example.invalid/", "/"),
        ("javascript:alert(1)", "/"),
        ("/\t/example.invalid", "/"),
        ("/signout", "/"),
        ("", "/"),
    ],
)
def test_signing_in_leads_to_pages_of_this_app_only(asked: str, leads_to: str) -> None:
    assert sign_in.local_path(asked) == leads_to


@given(st.text(max_size=30))
def test_no_address_leads_to_another_host(asked: str) -> None:
    found = sign_in.local_path(asked)
    assert re.fullmatch(r"/(?![/\\])[\x20-\x5b\x5d-\x7e]*", found)


# The gate


def test_nothing_of_the_records_is_sent_to_whoever_has_not_signed_in(staff: Store) -> None:
    for path in ("/", "/steps", "/restoration?no=R00001&x=1"):
        answer = ask(path)
        assert answer.status == 303
        assert answer.headers["location"].startswith("/signin?next=%2F")
    assert ask("/restoration?no=R1&x=1").headers["location"] == "/signin?next=%2Frestoration%3Fno%3DR1%26x%3D1"
    assert ask("/media/abc.png").status == ask("/_stcore/upload_file/a/b", {}).status == 403
    for path in ("/_stcore/health", "/static/js/index.js", "/favicon.png"):
        assert ask(path).text == "the app"
    token = sessions.sign_in(staff, "Q1", SECRET)
    for path in ("/", "/media/abc.png"):
        assert ask(path, cookie=(COOKIE, token)).text == "the app"
    assert ask("/", cookie=(COOKIE, token)).headers["x-frame-options"] == "SAMEORIGIN"
    assert ask("/", cookie=(COOKIE, token + "x")).status == 303


def test_opened_here_nobody_signs_in(staff: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(OPEN_HERE_VARIABLE, "1")
    assert ask("/steps").text == "the app"


@pytest.mark.parametrize(
    "away",
    [
        {"client": "192.0.2.7"},
        {"headers": {"x-forwarded-for": "127.0.0.1"}},
        {"headers": {"host": "example.invalid:8501"}},
    ],
)
def test_opened_here_is_not_opened_for_whoever_comes_through_a_proxy(
    away: dict[str, Any], staff: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(OPEN_HERE_VARIABLE, "1")
    assert ask("/media/abc.png", **away).status == 403
    assert ask("/steps", **away).status == 303


def test_opened_here_no_name_is_kept_with_what_is_changed(empty_lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(OPEN_HERE_VARIABLE, "1")

    def _page() -> None:
        import streamlit as st

        from remakes.views import account, visitors

        account.side_bar(None)
        st.markdown(f"written by {visitors.visitor().who}.")

    page = AppTest.from_function(_page).run()
    for typed, who, refused in (("Jane Doe", "quality", True), ("Q7", "quality Q7", False), ("", "quality", False)):
        page.text_input(key="code").set_value(typed).run()
        assert f"written by {who}." in [one.value for one in page.markdown]
        assert bool(page.error) == refused
    page.text_input(key="code").set_value("Jane Doe").run()
    assert "names are not kept" in page.error[0].value


# The first manager


def begin(code: str = "M1", **other: str) -> dict[str, str]:
    return {"code": code, "password": SECRET, "again": SECRET, **other}


def test_the_first_start_asks_for_the_first_manager_once(empty_lab: Path) -> None:
    form = ask("/signin")
    assert "The first manager" in form.text
    assert 'autocomplete="new-password"' in form.text
    assert "One-time word" not in form.text
    assert "differ" in ask("/signin", begin(again="another one")).text
    assert "names are not kept" in ask("/signin", begin("Jane Doe")).text
    assert ask("/signin", begin()).cookie is not None
    late = ask("/signin", begin("M2"))
    assert late.status == 401
    assert [one.code for one in people.list_people(open_store(str(empty_lab)))] == ["M1"]


@pytest.mark.parametrize(
    "away",
    [
        {"client": "192.0.2.7"},
        {"headers": {"x-forwarded-for": "192.0.2.7"}},
        # Another name for this machine may be one that somebody else's page brought along.
        {"headers": {"host": "example.invalid:8501", "origin": "http://example.invalid:8501"}},
    ],
)
def test_from_elsewhere_the_first_manager_needs_the_word_of_the_window(
    away: dict[str, Any], empty_lab: Path, caplog: pytest.LogCaptureFixture
) -> None:
    sign_in._tell_word.cache_clear()
    assert "One-time word" in ask("/signin", **away).text
    assert sign_in.first_word() in caplog.text
    for word in ("", "guess"):
        assert "word is wrong" in ask("/signin", begin(word=word), **away).text
    assert people.nobody_yet(open_store(str(empty_lab)))
    assert ask("/signin", begin(word=sign_in.first_word()), **away).status == 303


def test_of_two_browsers_one_becomes_the_first_manager(empty_lab: Path) -> None:
    open_store(str(empty_lab)).close()
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda number: ask("/signin", begin(f"M{number}")), range(4)))
    assert sorted(one.status for one in answers).count(303) == 1
    assert len(people.list_people(open_store(str(empty_lab)))) == 1


# Pages


def test_without_a_session_every_page_leads_to_the_form(staff: Store) -> None:
    app = whole_app()
    assert not app.exception
    assert app.title[0].value == "Sign in"
    assert not app.sidebar.radio
    assert not app.metric
    page = open_page("enter")
    assert "not signed in any more" in page.error[0].value


@pytest.mark.parametrize(("code", "role"), [("M1", "manager"), ("Q1", "quality"), ("T01", "technician")])
def test_a_session_has_the_menu_of_its_role(
    code: str, role: Role, staff: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    come_in(staff, code, monkeypatch)
    app = whole_app()
    assert not app.exception
    assert set(app.session_state["pages"]) == {*menu.MENUS[role], "restoration", "own_password"}
    assert f"Signed in as **{code}**" in app.sidebar.markdown[0].value
    assert not app.sidebar.radio
    # A role picked in the address changes nothing.
    app.session_state["role"] = "manager"
    assert set(app.run().session_state["pages"]) == {*menu.MENUS[role], "restoration", "own_password"}


def test_a_person_of_two_roles_chooses_and_the_choice_is_kept(staff: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    token = come_in(staff, "B1", monkeypatch)
    app = whole_app()
    app.sidebar.radio[0].set_value("technician").run()
    assert "mine" in app.session_state["pages"]
    session = sessions.session_of(staff, token)
    assert session is not None
    assert session.role == "technician"


def test_the_language_is_kept_for_the_person(staff: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    come_in(staff, "Q1", monkeypatch)
    app = whole_app()
    app.sidebar.selectbox[0].set_value("de").run()
    assert not app.exception
    person = people.find_person(staff, "Q1")
    assert person is not None
    assert person.language == "de"


def test_signing_out_by_the_button(staff: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    token = come_in(staff, "Q1", monkeypatch)
    app = whole_app()
    app.sidebar.button[0].click().run()
    assert app.title[0].value == "Sign in"
    assert sessions.session_of(staff, token) is None


def test_a_password_that_another_chose_is_changed_before_anything_else(
    staff: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    people.add_person(staff, "Q2", ["quality"], SECRET, who="M1")
    come_in(staff, "Q2", monkeypatch)
    app = whole_app()
    assert app.title[0].value == "My password"
    assert "pages" not in app.session_state
    old, new, again = app.text_input
    old.set_value(SECRET)
    new.set_value("a long one of my own")
    again.set_value("a long one of my own")
    next(one for one in app.button if one.label == "Change my password").click().run()
    assert app.title[0].value == "Today"
    assert sessions.sign_in(staff, "Q2", "a long one of my own")


def test_passwords_do_not_stay_in_the_fields_once_changed_but_stay_where_one_is_refused(
    staff: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    come_in(staff, "Q1", monkeypatch)

    def _page() -> None:
        from remakes.views import account

        account.own_password()

    page = AppTest.from_function(_page).run()
    for box, typed in zip(page.text_input, ("not the password", *["a long one of my own"] * 2), strict=True):
        box.set_value(typed)
    field(page.button, "Change my password").click().run()
    assert "present password is wrong" in page.error[0].value
    assert page.text_input[1].value == "a long one of my own"
    page.text_input[0].set_value(SECRET)
    field(page.button, "Change my password").click().run()
    assert "Your password is changed." in page.success[0].value
    assert [box.value for box in page.text_input] == ["", "", ""]


def test_with_single_sign_on_there_is_no_password_to_change(staff: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    people.set_external_id(staff, "Q1", "t01@example.invalid", version=1, who="M1")
    monkeypatch.setenv(SINGLE_SIGN_ON_VARIABLE, "1")
    monkeypatch.setattr(single_sign_on, "claims", claims)

    def _page() -> None:
        from remakes.views import account

        account.own_password()

    page = AppTest.from_function(_page).run()
    assert "single sign-on" in page.info[0].value
    assert not page.text_input


def test_the_role_is_asked_where_it_is_written(staff: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    come_in(staff, "Q1", monkeypatch)
    with pytest.raises(NotAllowedError, match="Q1 holds the role quality"):
        decide(visitors.store(), 1, **_decision())
    with pytest.raises(NotAllowedError):
        people.add_person(visitors.store(), "X1", ["manager"], SECRET, who="quality Q1")
    with visitors.store().writer(may="enter returns"):
        pass


def _decision() -> dict[str, Any]:
    today = now().date()
    return {
        "owner_role": "quality",
        "owner_code": "Q1",
        "starts_on": today,
        "due_on": today + timedelta(days=200),
        "rule": JudgingRule(factors=("bond_wait",), defects=("debonding",)),
        "who": "quality Q1",
        # As a page may claim that was opened by its address: only the session counts.
        "role": "manager",
        "version": 1,
    }


def test_a_technician_sees_own_restorations_only(staff: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    numbers = (f"R{number:05d}" for number in range(1, 40))
    records = [one for one in (find_restoration(staff, number) for number in numbers) if one is not None]
    own = next(one for one in records if one.technician == "T01")
    other = next(one for one in records if one.technician not in (None, "T01"))
    come_in(staff, "T01", monkeypatch)
    page = open_page("restoration", role="manager")
    page.text_input(key="no").set_value(own.restoration_id).run()
    assert "was delivered on" in texts(page)
    page.text_input(key="no").set_value(other.restoration_id).run()
    assert not page.exception
    assert "was delivered on" not in texts(page)
    assert "made by somebody else" in texts(page)
    assert str(other.technician) not in texts(page)
    assert not page.dataframe
    come_in(staff, "Q1", monkeypatch)
    assert "was delivered on" in texts(page.run())


def test_a_technician_does_not_see_anothers_unfinished_piece(staff: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    for number, technician in {"N1": "T01", "N2": "T02", "N3": None}.items():
        raw = {
            "restoration_id": number,
            "technician": technician,
            "kind": "crown",
            "teeth": "11",
            "veneer": "porcelain",
        }
        add_work(staff, raw, who="manager M1")
    come_in(staff, "T01", monkeypatch)
    page = open_page("restoration")
    for number, seen in {"N1": True, "N2": False, "N3": True}.items():
        page.text_input(key="no").set_value(number).run()
        assert not page.exception
        assert ("is being made" in texts(page)) == seen
        assert ("made by somebody else" in texts(page)) != seen
        assert seen or not page.dataframe
    come_in(staff, "Q1", monkeypatch)
    page.text_input(key="no").set_value("N2").run()
    assert "is being made" in texts(page)


def test_today_leads_a_technician_to_own_pieces_only(staff: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    with staff.reader() as connection:
        rows = connection.execute(
            select(schema.returns.c.id, schema.restorations.c.technician, schema.restorations.c.restoration_id)
            .join(schema.restorations, schema.restorations.c.restoration_id == schema.returns.c.restoration_id)
            .order_by(schema.returns.c.reported_on.desc())
            .limit(40)
        ).all()
    own = next(row for row in rows if row.technician == "T01")
    other = next(row for row in rows if row.technician != "T01")
    table = schema.returns
    with staff.writer(may="enter returns") as connection:
        last = connection.scalar(select(func.max(table.c.reported_on)))
        touched = table.c.id.in_([own.id, other.id])
        connection.execute(table.update().where(touched).values(harm=True, reported_on=last))

    def linked() -> set[str]:
        lines = [one.value for one in open_page("today").markdown]
        return {found for line in lines for found in re.findall(r"\]\(restoration\?.*?no=(\w+)\)", line)}

    come_in(staff, "T01", monkeypatch)
    seen = linked()
    assert own.restoration_id in seen
    assert other.restoration_id not in seen
    come_in(staff, "Q1", monkeypatch)
    assert {own.restoration_id, other.restoration_id} <= linked()


def test_a_manager_is_told_that_no_copy_was_made(staff: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    come_in(staff, "M1", monkeypatch)
    assert "No copy of the records" in texts(open_page("today")) + "".join(
        one.value for one in open_page("today").warning
    )
    note_copy(staff, "download", who="manager M1")
    assert not [one for one in open_page("today").warning if "No copy" in one.value]


def test_what_was_typed_before_the_visit_ended_is_said_to_be_lost(
    staff: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    token = come_in(staff, "Q1", monkeypatch)
    app = whole_app()
    sessions.sign_out(staff, token)
    app.run()
    assert "is not saved" in app.warning[0].value
    # Who signs out oneself has nothing to be told.
    come_in(staff, "Q1", monkeypatch)
    app = whole_app()
    app.sidebar.button[0].click().run()
    assert not app.warning


def test_a_technicians_page_is_seen_by_whom_the_lab_lets_in(staff: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    come_in(staff, "M1", monkeypatch)
    assert "This page is for the role technician" in _errors(open_page("my_work"))
    set_own_work_seen_by(staff, ("manager",), who="manager M1")
    page = open_page("my_work")
    page.selectbox(key="of").set_value("T02").run()
    assert not page.exception
    assert not page.error
    assert page.header
    come_in(staff, "Q1", monkeypatch)
    assert "This page is for the role" in _errors(open_page("my_work"))
    come_in(staff, "T01", monkeypatch)
    assert not open_page("my_work").selectbox


def _errors(page: AppTest) -> str:
    return " ".join(one.value for one in page.error)


def test_a_file_is_made_only_for_who_still_may_have_it(staff: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """A page that stands open asks for its file by a message of its own, without the page's checks."""
    people.add_person(staff, "M2", ["manager"], SECRET, who="M1")
    token = come_in(staff, "M2", monkeypatch)
    records = visitors.store_later("keep people")
    assert copy_as_bytes(records(), who="manager M2").startswith(b"PK")
    people.change_roles(staff, "M2", ["technician"], version=1, who="M1")
    with pytest.raises(NotAllowedError, match="M2 holds the role technician"):
        records()
    people.change_roles(staff, "M2", ["manager"], version=2, who="M1")
    assert records().actor is not None
    sessions.sign_out(staff, token)
    with pytest.raises(NotAllowedError, match="not signed in any more"):
        records()


def test_links_between_pages_carry_no_role_where_people_sign_in(staff: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    come_in(staff, "M1", monkeypatch)
    tables = [one.value for one in open_page("today").dataframe if "restoration" in one.value]
    links = [link for table in tables for link in table["restoration"]]
    assert all(re.fullmatch(r"restoration\?no=R\d+", link) for link in links)


# People


def test_a_manager_adds_a_person_and_lets_one_go(staff: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    come_in(staff, "M1", monkeypatch)
    gone = sessions.sign_in(staff, "Q1", SECRET)
    page = open_page("set_up", role="manager")
    assert not page.exception
    assert "4 people can sign in." in texts(page)
    assert set(page.dataframe[0].value["code"]) == {"M1", "Q1", "T01", "B1"}
    field(page.text_input, "Code, such as").set_value("T9")
    field(page.multiselect, "Roles", exact=True).set_value(["technician"])
    field(page.text_input, "First password").set_value(SECRET)
    field(page.button, "Add this person").click().run()
    assert "T9 is added" in texts(page)
    assert SECRET not in texts(page)
    assert field(page.text_input, "First password").value == ""
    field(page.selectbox, "Person").set_value("Q1").run()
    field(page.checkbox, "Q1 has left").check().run()
    field(page.button, "Let Q1 go").click().run()
    assert "Q1 has left and is signed out." in texts(page)
    assert sessions.session_of(staff, gone) is None


def test_another_managers_change_is_shown_before_mine_is_saved(staff: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    come_in(staff, "M1", monkeypatch)
    page = open_page("set_up", role="manager")
    field(page.selectbox, "Person").set_value("Q1").run()
    field(page.multiselect, "Roles of Q1").set_value(["quality", "manager"]).run()
    people.change_roles(staff, "Q1", ["quality", "technician"], version=1, who="manager M2")
    page.run()
    assert "manager M2 changed this" in "\n".join(one.value for one in page.warning)
    # What I chose is still there, and overwrites nothing unseen.
    field(page.button, "Save the roles").click().run()
    assert "Q1 was changed meanwhile by manager M2\\: now quality, technician" in page.error[0].value
    assert _roles(staff, "Q1") == ("quality", "technician")
    field(page.button, "Go on with mine").click().run()
    assert not page.warning
    assert field(page.multiselect, "Roles of Q1").value == ["quality", "manager"]
    field(page.button, "Save the roles").click().run()
    assert set(_roles(staff, "Q1")) == {"quality", "manager"}


def _roles(store: Store, code: str) -> tuple[Role, ...]:
    person = people.find_person(store, code)
    assert person is not None
    return person.roles


def test_the_last_manager_is_told_in_words(staff: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    come_in(staff, "M1", monkeypatch)
    page = open_page("set_up", role="manager")
    field(page.selectbox, "Person").set_value("M1").run()
    field(page.checkbox, "M1 has left").check().run()
    field(page.button, "Let M1 go").click().run()
    assert "last manager" in page.error[0].value
    assert cautions.SAFETY_LINE in texts(page)


def test_people_and_set_up_are_the_managers(staff: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    come_in(staff, "Q1", monkeypatch)
    page = open_page("set_up", role="manager")
    # Who holds one role is not told to choose another one at the left, where there is no choice.
    assert "This page is for the role manager; yours is quality." in page.error[0].value
    assert not page.dataframe
    assert next(iter(PARTS)) == "people"


def field(parts: Any, label: str, *, exact: bool = False) -> Any:
    return next(one for one in parts if (one.label == label if exact else one.label.startswith(label)))


# How the app is started


@pytest.mark.parametrize("address", ["0.0.0.0", "192.0.2.7", "lab.example.invalid", "::"])
def test_without_accounts_no_other_address_is_listened_at(address: str) -> None:
    with pytest.raises(EntryError, match="this machine only"):
        server.serve("x.sqlite", open_here=True, address=address)


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "127.8.8.8", "::1", "[::1]", "LOCALHOST"])
def test_loopback_is_known_by_every_name(host: str) -> None:
    assert server.is_loopback(host)
    assert not server.is_loopback(f"{host}.example.invalid")


def test_single_sign_on_is_refused_without_its_library(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(single_sign_on, "find_spec", lambda name: None)
    with pytest.raises(EntryError, match=r"remakes\[sso\]"):
        server.serve("x.sqlite", single_sign_on=True)
    with pytest.raises(EntryError, match="either"):
        server.serve("x.sqlite", single_sign_on=True, open_here=True)


# Single sign-on: only the mapping is tested here


_ADDRESS = {"email": "T01@Example.invalid", "email_verified": True}


def claims(**other: Any) -> dict[str, Any]:
    issued = datetime.now(UTC).timestamp()
    return {"iss": "https://sso.example.invalid", "sub": "7", "iat": issued, **_ADDRESS, **other}


@pytest.fixture
def known(staff: Store) -> Store:
    people.set_external_id(staff, "T01", "t01@example.invalid", version=1, who="M1")
    return staff


def test_an_address_given_by_a_manager_leads_to_its_person(known: Store) -> None:
    session = single_sign_on.session(known, claims())
    assert session is not None
    assert (session.person.code, session.role) == ("T01", "technician")
    again = single_sign_on.session(known, claims(iat=datetime.now(UTC).timestamp() - 60))
    assert again is not None
    assert again.token_hash != session.token_hash


@pytest.mark.parametrize(
    "other",
    [
        {"email": "x@example.invalid"},
        {"email": ""},
        {"email": None},
        {"email_verified": False},
        {"email_verified": "false"},
        {"email_verified": None},
        {"email_verified": ""},
        {"email_verified": 0},
        {"iat": 1_600_000_000},
        {"iat": None},
        {"sub": ""},
    ],
)
def test_who_is_unknown_or_signed_in_long_ago_is_not_let_in(known: Store, other: dict[str, Any]) -> None:
    assert single_sign_on.session(known, claims(**other)) is None


def test_an_address_that_the_service_does_not_vouch_for_is_told_in_words(
    known: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    silent = claims()
    del silent["email_verified"]
    assert single_sign_on.session(known, silent) is None
    monkeypatch.setenv(SINGLE_SIGN_ON_VARIABLE, "1")
    monkeypatch.setattr(single_sign_on, "claims", lambda: silent)
    app = whole_app()
    assert not app.exception
    assert "email_verified" in app.error[0].value
    monkeypatch.setattr(single_sign_on, "claims", lambda: claims(email="x@example.invalid"))
    assert "x@example.invalid is not known" in whole_app().error[0].value


def test_signing_out_of_single_sign_on_ends_the_visit_and_the_run(
    known: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    said = claims()
    monkeypatch.setenv(SINGLE_SIGN_ON_VARIABLE, "1")
    monkeypatch.setattr(single_sign_on, "claims", lambda: said)
    led_away: list[bool] = []
    monkeypatch.setattr("streamlit.logout", lambda: led_away.append(True))
    app = whole_app()
    field(app.sidebar.button, "Sign out").click().run()
    assert led_away
    assert not app.exception
    assert not app.error
    assert single_sign_on.session(known, said) is None


def test_who_has_left_or_was_idle_is_not_let_in_by_the_services_cookie(known: Store) -> None:
    said = claims()
    session = single_sign_on.session(known, said)
    assert session is not None
    sessions.sign_out(known, single_sign_on.token_of(said))
    assert single_sign_on.session(known, said) is None
    people.let_go(known, "T01", version=2, who="M1")
    assert single_sign_on.session(known, claims(sub="7", nonce="another")) is None


def test_with_single_sign_on_no_password_is_taken(staff: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(SINGLE_SIGN_ON_VARIABLE, "1")
    assert ask("/signin", {"code": "Q1", "password": SECRET}).status == 403
    assert ask("/signin").headers["location"] == "/"


def test_every_role_has_a_menu() -> None:
    assert set(menu.MENUS) == set(ROLES) == set(get_args(Role))


def test_a_page_of_elsewhere_is_refused_without_asking_anybody_outside(monkeypatch: pytest.MonkeyPatch) -> None:
    from streamlit import net_util
    from streamlit.web.server.server_util import is_url_from_allowed_origins

    from remakes.views.server import ask_nobody_outside

    def outside(*_asked: object, **_more: object) -> str:
        raise AssertionError("somebody outside was asked")

    monkeypatch.setattr(net_util, "get_external_ip", net_util.get_external_ip)  # put back at the end
    monkeypatch.setattr(net_util, "_make_blocking_http_get", outside)
    with pytest.raises(AssertionError, match="outside was asked"):
        is_url_from_allowed_origins("http://elsewhere.example")
    ask_nobody_outside()
    assert not is_url_from_allowed_origins("http://elsewhere.example")

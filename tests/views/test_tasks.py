"""What each role does in a week, in a browser, signed in, on one lab: alone, two at a time, and across a restart."""

from __future__ import annotations

import hashlib
import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final

import pytest
from argon2 import PasswordHasher

from remakes.records import people
from remakes.records.bench.readings import standing_readings
from remakes.records.bench.timers import running_timers
from remakes.records.permissions import Role
from remakes.records.store import Store, open_store
from tests.records.bench_lab import begin
from tests.views.serving import BROWSER, PATIENCE_MS, free_port, served, settle, visiting, whole

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytestmark = BROWSER

SECRET: Final = "four words in a row"
CHEAP: Final = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
ROLES: Final[dict[str, Role]] = {"Q1": "quality", "M1": "manager", "T01": "technician"}
NEWEST: Final = "select {columns} from returns where voided_at is null order by id desc limit 1"
LIST: Final = b"restoration_id,kind,units,delivered_on\nX1,crown,1,2026-01-05\nX2,crown,1,2026-01-06\n"


class Server:
    """The app on one lab, where people sign in; can be stopped and started again at the same address."""

    def __init__(self, lab: Path) -> None:
        self.lab, self.port, self.running = lab, free_port(), ExitStack()
        self.start()

    def start(self) -> None:
        self.at = self.running.enter_context(served(self.lab, open_here=False, port=self.port))

    def restart(self) -> None:
        self.running.close()
        self.start()


@pytest.fixture(scope="module")
def lab(clear_lab_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The clear lab with one person of each role, and two restorations on the bench of T01."""
    copy = tmp_path_factory.mktemp("tasks") / "lab.sqlite"
    shutil.copyfile(clear_lab_file, copy)
    store = open_store(str(copy))
    people.add_first_manager(store, "M1", SECRET, hasher=CHEAP)
    for code, role in ROLES.items():
        if role != "manager":
            first = f"{SECRET} at first"
            people.add_person(store, code, [role], first, who="M1", hasher=CHEAP)
            people.change_own_password(store, code, first, SECRET, hasher=CHEAP)
    for number in ("N1", "N2", "N3"):
        begin(store, number, technician="T01")
    store.close()
    return copy


@pytest.fixture(scope="module")
def store(lab: Path) -> Iterator[Store]:
    opened = open_store(str(lab))
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def server(lab: Path) -> Iterator[Server]:
    one = Server(lab)
    yield one
    one.running.close()


def sign_in(page: Any, code: str, *, at: str = "/signin") -> None:
    page.goto(at)
    page.get_by_label("Your code").fill(code)
    page.get_by_label("Password").fill(SECRET)
    page.keyboard.press("Enter")
    page.get_by_text(f"Signed in as {code}").wait_for()
    settle(page)


def signed_in(chromium: Any, server: Server, code: str) -> Iterator[Any]:
    with visiting(chromium, server.at, viewport={"width": 1280, "height": 1400}) as page:
        sign_in(page, code)
        yield page


@pytest.fixture(scope="module")
def quality(chromium: Any, server: Server) -> Iterator[Any]:
    yield from signed_in(chromium, server, "Q1")


@pytest.fixture(scope="module")
def manager(chromium: Any, server: Server) -> Iterator[Any]:
    yield from signed_in(chromium, server, "M1")


@pytest.fixture(scope="module")
def technician(chromium: Any, server: Server) -> Iterator[Any]:
    yield from signed_in(chromium, server, "T01")


def found(lab: Path, query: str, *values: object) -> list[tuple[Any, ...]]:
    with sqlite3.connect(lab) as connection:
        rows = connection.execute(query, values).fetchall()
    connection.close()
    return rows


def newest(lab: Path, columns: str) -> tuple[Any, ...]:
    (row,) = found(lab, NEWEST.format(columns=columns))
    return row


def go(page: Any, path: str, title: str) -> None:
    page.goto(path)
    page.get_by_role("heading", name=title, exact=True, level=1).wait_for()
    settle(page)


def scan(page: Any, number: str) -> None:
    """Into the empty field of the page, where the cursor is."""
    afresh = page.get_by_role("button", name="Start afresh")
    if afresh.count():
        afresh.click()
        afresh.wait_for(state="detached")
        settle(page)
    field = page.get_by_role("textbox", name="Restoration number", exact=True)
    sync_api.expect(field).to_be_focused()
    sync_api.expect(field).to_have_value("")
    page.keyboard.type(number)
    page.keyboard.press("Enter")
    page.get_by_text(f"{number}:").first.wait_for()
    settle(page)


def choose_first_defect(page: Any) -> None:
    first = page.get_by_role("radio", name="Chipping")
    page.keyboard.press("Tab")
    sync_api.expect(first).to_be_focused()
    page.keyboard.press("Space")
    sync_api.expect(first).to_be_checked()
    page.get_by_text("Where did the break run?").wait_for()
    settle(page)


def enter(page: Any, number: str) -> None:
    """The shortest return, by keyboard alone."""
    go(page, "/enter-return", "Enter a return")
    scan(page, number)
    choose_first_defect(page)
    page.keyboard.press("Control+s")
    page.get_by_text(f"Saved: {number}, chipping").wait_for()
    settle(page)


def shown_seconds(page: Any) -> int:
    """What the running timer shows; for a moment after a load it shows nothing."""
    timer = page.get_by_role("timer").first
    sync_api.expect(timer).to_have_text(re.compile(r"^\d+:\d\d$"))
    minutes, seconds = timer.inner_text().split(":")
    return int(minutes) * 60 + int(seconds)


def click_first_link(page: Any, table: Any) -> Any:
    """Click the first number of a table, which is painted; gives the page that it opens."""
    table.get_by_test_id("glide-cell-0-0").wait_for(state="attached")
    place = None
    while place is None:  # it may just be drawn anew, for what others wrote a moment ago
        table.scroll_into_view_if_needed()
        page.wait_for_timeout(300)  # what stands above may still move it
        place = table.bounding_box()
    x, y = place["x"] + 24, place["y"] + 52
    with page.context.expect_page() as opening:
        # A number is painted as a link once the pointer is on it.
        page.mouse.move(x - 5, y - 2)
        page.mouse.move(x, y)
        page.wait_for_timeout(200)
        page.mouse.click(x, y)
    return opening.value


def test_a_return_is_entered_undone_and_one_of_harm_is_seen_on_today(quality: Any, lab: Path) -> None:
    enter(quality, "R00010")
    assert newest(lab, "restoration_id, defect, harm") == ("R00010", "chipping", None)
    quality.keyboard.press("Alt+u")
    harm = quality.get_by_role("radiogroup", name="May somebody have been hurt?").get_by_text("yes")
    number = quality.get_by_role("textbox", name="Restoration number", exact=True)
    sync_api.expect(quality.get_by_text("Saved: R00010")).to_have_count(0)
    sync_api.expect(number.last).to_have_value("R00010")
    settle(quality)
    assert newest(lab, "restoration_id") != ("R00010",)
    harm.click()
    quality.get_by_text("call the dentist").first.wait_for()
    settle(quality)
    quality.keyboard.press("Control+s")
    quality.get_by_text("Not done yet: call the dentist today").wait_for()
    assert newest(lab, "restoration_id, defect, harm") == ("R00010", "chipping", 1)
    go(quality, "/", "Today")
    quality.get_by_text("1 return is marked as possible harm").first.wait_for()
    with quality.context.expect_page() as opening:
        quality.get_by_role("link", name="R00010").first.click()
    opening.value.get_by_role("heading", name="R00010 was delivered on").wait_for()
    opening.value.close()
    done = quality.get_by_role("textbox", name="What was done?")
    done.fill("called the dentist at noon, piece kept")
    done.press("Enter")
    quality.get_by_text("is dealt with. It stands at the foot").wait_for()
    sync_api.expect(quality.get_by_text("1 return is marked as possible harm")).to_have_count(0)
    settle(quality)
    assert found(lab, "select who, dealt_with, note from harm_notes") == [
        ("quality Q1", 1, "called the dentist at noon, piece kept")
    ]


def test_a_list_is_looked_at_saved_and_its_restoration_opened(quality: Any, lab: Path) -> None:
    go(quality, "/lists", "Lists and import")
    quality.get_by_text("Sample files").wait_for()
    whole(quality)
    quality.locator("input[type=file]").first.set_input_files(
        [{"name": "restorations.csv", "mimeType": "text/csv", "buffer": LIST}]
    )
    quality.get_by_text("2 would be taken").wait_for()
    assert found(lab, "select count(*) from restorations where restoration_id = 'X1'") == [(0,)]
    settle(quality)
    quality.get_by_role("button", name="Save these rows").click()
    quality.get_by_text("restorations.csv: 2 taken").wait_for()
    go(quality, "/restoration?no=X1", "Restoration")
    quality.get_by_role("heading", name="X1 was delivered on").wait_for()


def test_the_month_is_read_and_its_report_taken_to_the_meeting(manager: Any) -> None:
    go(manager, "/months", "Month in review")
    manager.get_by_role("heading", name=re.compile("returns where .* were expected|No signal|signal")).first.wait_for()
    manager.get_by_role("button", name="Make the report").click()
    download = manager.get_by_role("button", name="Download the report of")
    download.wait_for(timeout=4 * PATIENCE_MS)
    settle(manager)
    with manager.expect_download() as file:
        download.click()
    assert file.value.suggested_filename.endswith(".pdf")
    assert Path(file.value.path()).read_bytes().startswith(b"%PDF")


def test_a_finding_leads_to_a_restoration_behind_it(manager: Any) -> None:
    go(manager, "/steps?finding=bond_wait+with+debonding", "Which steps matter")
    manager.get_by_role("heading", name="Show me these").wait_for()
    behind = manager.get_by_role("button", name="Download these restorations")
    behind.wait_for()
    settle(manager)
    opened = click_first_link(manager, manager.get_by_test_id("stDataFrame").last)
    opened.get_by_role("heading", name="and came back with").wait_for()
    opened.get_by_role("heading", name="Time line").wait_for()
    opened.close()


def test_an_action_is_proposed_and_decided_with_its_rule(manager: Any, store: Store) -> None:
    from remakes.records.decisions import list_decisions

    go(manager, "/try-next", "What to try next")
    manager.get_by_role("button", name="Propose it").first.click()
    manager.get_by_text("Proposed: Timer at the bonding bench").wait_for()
    settle(manager)
    manager.get_by_role("textbox", name="Pseudonym of the owner").fill("T01")
    manager.get_by_role("button", name="Decide", exact=True).click()
    manager.get_by_text("Decided: Timer at the bonding bench").wait_for()
    (decision,) = list_decisions(store)
    assert (decision.status, decision.owner_code, decision.rule.factors) == ("decided", "T01", ("bond_wait",))


def test_a_limit_is_changed_after_a_look_at_what_it_would_have_flagged(manager: Any, lab: Path) -> None:
    go(manager, "/set-up?part=standard", "People and set-up")
    manager.get_by_role("combobox", name="Requirement").click()
    manager.get_by_role("option", name="bond_wait").click()
    at_least = manager.get_by_role("textbox", name="At least")
    at_least.fill("200")
    at_least.press("Tab")
    manager.get_by_text("the new limit would have flagged").wait_for()
    settle(manager)
    limits = "select valid_until is null, rule ->> 'at_least' from requirements where factor = 'bond_wait' order by id"
    before = found(lab, limits)
    manager.get_by_role("button", name="Save the new limit").click()
    manager.get_by_text("Saved: bond_wait is at least 200 s from").wait_for()
    assert (before, found(lab, limits)) == ([(1, 180)], [(0, 180), (1, 200)])


def test_a_person_is_added_chooses_an_own_password_and_is_let_go_at_once(
    manager: Any, chromium: Any, server: Server, store: Store
) -> None:
    go(manager, "/set-up?part=people", "People and set-up")
    manager.get_by_role("textbox", name="Code, such as T1").fill("T9")
    manager.get_by_role("combobox", name="Roles", exact=True).click()
    manager.get_by_role("option", name="technician").click()
    manager.get_by_label("First password").fill(SECRET)
    manager.get_by_role("button", name="Add this person").click()
    manager.get_by_text("T9 is added").wait_for()
    with visiting(chromium, server.at) as page:
        sign_in(page, "T9", at="/set-up")
        page.get_by_role("heading", name="Somebody else chose your password").wait_for()
        assert page.get_by_role("link", name="Bench log").count() == 0
        person = people.find_person(store, "T9")
        assert person is not None
        people.let_go(store, "T9", version=person.version, who="M1")
        page.reload()
        page.wait_for_url("**/signin?next=**")


def test_a_day_at_the_bench(technician: Any, store: Store) -> None:
    go(technician, "/bench-log?piece=N1&step=bonding", "Bench log")
    technician.get_by_role("button", name="Start wait").click()
    technician.get_by_role("button", name="Stop wait").click()
    technician.get_by_text("written down for wait").wait_for()
    settle(technician)
    technician.get_by_role("button", name=re.compile("blasting: 0 of 1")).click()
    technician.get_by_role("textbox", name="Value: uses").fill("2")
    technician.get_by_role("button", name="Write uses down").click()
    technician.get_by_text("N1: uses is written down.").wait_for()
    standing = standing_readings(store, ["N1"])["N1"]
    assert standing["blasting", "uses"].value == "2"
    assert int(standing["bonding", "wait_s"].value) < 60
    assert running_timers(store) == ()


def test_a_scan_opens_a_restoration_and_sets_a_machine_by_keyboard_alone(technician: Any, store: Store) -> None:
    go(technician, "/bench-log", "Bench log")
    scan = technician.get_by_role("textbox", name="Scan", exact=True)
    scan.focus()
    technician.keyboard.type("N3")
    technician.keyboard.press("Enter")
    technician.get_by_text("N3: 0 of 2 readings are recorded.").wait_for()
    technician.get_by_text("(uses: at most 5)").wait_for()  # its next step is open
    settle(technician)
    scan.focus()
    technician.keyboard.type("F1")
    technician.keyboard.press("Enter")
    technician.get_by_role("button", name="A machine").click()
    technician.get_by_text("Machine F1 is used for blasting today.").wait_for()
    sync_api.expect(scan).to_have_value("")
    technician.get_by_role("textbox", name="Value: uses").fill("2")
    technician.get_by_role("button", name="Write uses down").click()
    technician.get_by_text("N3: uses is written down.").wait_for()
    one = standing_readings(store, ["N3"])["N3"]["blasting", "uses"]
    assert (one.value, one.equipment) == ("2", "F1")


def test_what_was_forgotten_is_entered_late(technician: Any, store: Store) -> None:
    go(technician, "/bench-log?bench_part=late", "Bench log")
    technician.get_by_role("button", name="Save as late entries").wait_for()
    grid = technician.get_by_test_id("stDataFrame")
    grid.get_by_test_id("glide-cell-1-1").wait_for(state="attached")
    settle(technician)
    technician.wait_for_timeout(700)  # what stands above is still being drawn, and moves the grid
    # The second row below the head, right of the number.
    grid.click(position={"x": 180, "y": 87})
    sync_api.expect(grid.get_by_test_id("glide-cell-1-1")).to_have_attribute("aria-selected", "true")
    technician.keyboard.press("Enter")
    technician.locator("#portal textarea, #portal input").first.wait_for()
    # A person's pace: the grid forgets what was typed some milliseconds before Enter.
    technician.keyboard.type("3,5", delay=100)
    technician.wait_for_timeout(200)
    technician.keyboard.press("Enter")
    sync_api.expect(grid.get_by_test_id("glide-cell-1-1")).to_have_text("3,5")
    technician.get_by_role("button", name="Save as late entries").click()
    technician.get_by_text("One late entry is saved.").wait_for()
    standing = standing_readings(store, ["N1", "N2", "N3"]).values()
    late = [(*asked, one.value) for readings in standing for asked, one in readings.items() if one.late]
    assert late == [("blasting", "uses", "3.5")]


def test_a_technician_sees_own_work_and_is_refused_anothers(technician: Any, lab: Path) -> None:
    go(technician, "/my-work", "My work")
    technician.get_by_role("heading", name="My misses beside the lab's").wait_for()
    technician.get_by_text("These figures are no judgement of a person").wait_for()
    (own,), (other,) = (
        found(lab, f"select min(restoration_id) from restorations where technician {which} 'T01'")
        for which in ("=", "<>")
    )
    go(technician, f"/restoration?no={own[0]}", "Restoration")
    technician.get_by_role("heading", name="Time line").wait_for()
    go(technician, f"/restoration?no={other[0]}", "Restoration")
    technician.get_by_text("This piece was made by somebody else").wait_for()
    assert technician.get_by_role("heading", name="Time line").count() == 0


def test_two_people_see_each_others_returns_and_a_clash_is_told(quality: Any, manager: Any, lab: Path) -> None:
    enter(quality, "R00020")
    go(manager, "/enter-return", "Enter a return")
    manager.get_by_text("R00020 · Chipping").first.wait_for()
    notes = []
    for page in (manager, quality):
        page.get_by_role("button", name="Correct", exact=True).first.click()
        notes.append(page.get_by_role("dialog").get_by_role("textbox", name="Note, in the reporter's words"))
        notes[-1].wait_for()
        settle(page)
    for page, note, text in zip((quality, manager), reversed(notes), ("theirs", "mine"), strict=True):
        note.fill(text)
        note.press("Tab")
        settle(page)
        page.get_by_role("dialog").get_by_role("button", name="Save the correction").click()
        if page is quality:
            page.get_by_role("dialog").wait_for(state="detached")
    dialog = manager.get_by_role("dialog")
    dialog.get_by_text(re.compile(r"quality Q1 changed this return .* Nothing was saved")).wait_for()
    assert newest(lab, "restoration_id, note") == ("R00020", "theirs")
    dialog.get_by_role("button", name="Save mine over theirs").click()
    dialog.wait_for(state="detached")
    assert newest(lab, "restoration_id, note") == ("R00020", "mine")


def test_an_address_of_another_role_shows_nothing_of_it(quality: Any, technician: Any) -> None:
    for page, address, title in ((quality, "/set-up", "People and set-up"), (technician, "/enter-return", "Last ten")):
        page.goto(address)
        page.get_by_role("heading", name="Today", exact=True, level=1).wait_for()
        settle(page)
        assert page.get_by_role("heading", name=title).count() == 0
        assert page.get_by_role("link", name=title).count() == 0


def test_whoever_was_away_too_long_signs_in_again_and_is_back(chromium: Any, server: Server, lab: Path) -> None:
    with visiting(chromium, server.at) as page:
        sign_in(page, "Q1")
        (cookie,) = [one for one in page.context.cookies() if one["name"].startswith("remakes_")]
        kept = hashlib.sha256(cookie["value"].encode()).hexdigest()
        with sqlite3.connect(lab) as connection:
            change = "update sessions set last_seen = datetime(last_seen, '-13 hours') where token_hash = ?"
            assert connection.execute(change, (kept,)).rowcount == 1
        connection.close()
        page.get_by_role("link", name="Lists and import").click()
        page.wait_for_url("**/signin?next=%2Flists")
        sync_api.expect(page.get_by_label("Your code")).to_be_focused()
        page.get_by_label("Your code").fill("Q1")
        page.get_by_label("Password").fill(SECRET)
        page.keyboard.press("Enter")
        page.get_by_role("heading", name="Lists and import", level=1).wait_for()
        page.get_by_text("Signed in as Q1").wait_for()


def test_a_refresh_and_a_restart_lose_neither_draft_nor_timer(
    quality: Any, technician: Any, server: Server, store: Store
) -> None:
    go(technician, "/bench-log?piece=N2&step=bonding", "Bench log")
    technician.get_by_role("button", name="Start wait").click()
    before = shown_seconds(technician)
    (timer,) = running_timers(store)
    go(quality, "/enter-return", "Enter a return")
    scan(quality, "R00030")
    choose_first_defect(quality)
    note = quality.get_by_role("textbox", name="Note, in the reporter's words")
    note.click()
    quality.keyboard.type("came off at lunch")
    quality.wait_for_timeout(1_000)  # the pause after which the text is handed over
    settle(quality)

    server.restart()
    for page in (quality, technician):
        page.reload()
    quality.get_by_text("Not saved yet").wait_for()
    sync_api.expect(quality.get_by_role("radio", name="Chipping")).to_be_checked()
    number = quality.get_by_role("textbox", name="Restoration number", exact=True)
    sync_api.expect(number).to_have_value("R00030")
    sync_api.expect(note).to_have_value("came off at lunch")
    after = shown_seconds(technician)
    assert after > before  # counted from the first start
    technician.wait_for_timeout(1_100)
    assert shown_seconds(technician) > after  # it ticks, and nothing asks the server
    assert running_timers(store) == (timer,)
    technician.get_by_role("button", name="Stop wait").click()
    technician.get_by_text("written down for wait").wait_for()
    assert int(standing_readings(store, ["N2"])["N2"]["bonding", "wait_s"].value) >= after

"""One restoration's time line: work with its limits, delivery, returns, photos, and who changed what."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import pytest
from sqlalchemy import insert, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.corrections import correct_return
from remakes.records.entries import enter_return, void_return
from remakes.records.look_up import recorded_returns
from remakes.records.remake_links import link_remake, unlink_remake
from remakes.records.store import Store
from remakes.records.time_line import HistoryEvent, restoration_history

TODAY = date(2026, 4, 1)
RETURN: dict[str, object] = {"restoration_id": "B-1001", "reported_on": "2026-03-20", "defect": "chipping"}


def enter(store: Store, **changes: Any) -> int:
    return enter_return(store, RETURN | changes, who="QA", today=TODAY)


def require(store: Store, **changes: Any) -> None:
    limit = {
        "factor": "bond_wait",
        "step": "bonding",
        "reading": "bond_wait_s",
        "unit": "s",
        "rule": {"at_least": 180},
        "may_cause": ["debonding"],
        "valid_from": date(2025, 1, 1),
    }
    with store.writer(may="change the standard") as connection:
        connection.execute(insert(schema.steps).values(position=1, step=changes.get("step", "bonding")))
        connection.execute(insert(schema.requirements).values(limit | changes))


def test_the_time_line(lab: Store) -> None:
    row_id = enter(lab, teeth="35", found_at="in_service", severity="4", disposition="repaired")
    void_return(lab, row_id, who="QA", why="wrong restoration")
    *events, taken_back, undated = restoration_history(lab, "B-1001")
    assert events == [
        HistoryEvent(on=date(2026, 1, 5), what="received"),
        # By time of recording, though the later step stands first in the log.
        HistoryEvent(
            on=date(2026, 1, 16),
            what="blasting",
            at=datetime.fromisoformat("2026-01-16 09:00"),
            detail="pressure_bar = 2.5",
            who="T1",
        ),
        HistoryEvent(
            on=date(2026, 1, 16),
            what="bonding",
            at=datetime.fromisoformat("2026-01-16 10:00"),
            detail="bond_wait_s = 180",
            who="T1",
        ),
        HistoryEvent(on=date(2026, 1, 19), what="delivered"),
        HistoryEvent(on=date(2026, 1, 20), what="due"),
        HistoryEvent(on=date(2026, 3, 9), what="replaced", detail="by B-1003"),
        HistoryEvent(
            on=date(2026, 3, 20),
            what="returned",
            detail="R-20260401-0001: Chipping: part of the veneer broke off, teeth 35, In service, "
            "severity 4 (Repair), repaired, taken back",
        ),
    ]
    assert (taken_back.what, taken_back.detail) == ("return taken back", "R-20260401-0001: wrong restoration")
    assert undated == HistoryEvent(on=None, what="finishing", detail="polished = not recorded")


def test_the_time_line_of_a_remake(lab: Store) -> None:
    assert restoration_history(lab, "B-1003") == (
        HistoryEvent(on=date(2026, 3, 2), what="received", detail="replaces B-1001"),
        HistoryEvent(on=date(2026, 3, 9), what="delivered"),
    )
    assert restoration_history(lab, "B-1002") == (HistoryEvent(on=date(2026, 2, 2), what="delivered"),)
    with pytest.raises(EntryError, match="no restoration 'B-9'"):
        restoration_history(lab, "B-9")


def of(store: Store, what: str) -> list[HistoryEvent]:
    return [one for one in restoration_history(store, "B-1001", today=TODAY) if one.what == what]


@pytest.mark.parametrize(("low", "status"), [(180, "met"), (181, "missed")])
def test_a_reading_shows_how_it_stands_to_the_standard_of_its_day(lab: Store, low: int, status: str) -> None:
    require(lab, rule={"at_least": low})
    (reading,) = of(lab, "bonding")
    assert (reading.status, reading.needed, reading.detail) == (status, f"at least {low} s", "bond_wait_s = 180 s")
    assert reading.says == ""


def test_a_reading_has_the_words_of_its_requirement_recorded_or_not(lab: Store) -> None:
    require(lab, says="Left to react for 3 minutes")
    assert [one.says for one in of(lab, "bonding")] == ["Left to react for 3 minutes"]
    with lab.writer(may="change the standard") as connection:
        connection.execute(schema.requirements.update().values(reading="wait_by_clock"))
    assert [(one.detail, one.says) for one in of(lab, "bonding")] == [
        ("bond_wait_s = 180", ""),
        ("wait_by_clock = not recorded", "Left to react for 3 minutes"),
    ]


def test_a_limit_of_another_time_or_another_material_judges_nothing(lab: Store) -> None:
    require(lab, valid_from=date(2026, 2, 1))
    assert [one.status for one in of(lab, "bonding")] == [""]
    with lab.writer(may="change the standard") as connection:
        connection.execute(
            schema.requirements.update().values(valid_from=date(2025, 1, 1), applies_when='{"veneer": ["ceramic"]}')
        )
    assert [one.status for one in of(lab, "bonding")] == [""]


def test_what_was_required_and_has_no_row_is_not_recorded(lab: Store) -> None:
    require(lab, step="curing", reading="minutes", unit="min", rule={"at_least": 11})
    (missing,) = of(lab, "curing")
    assert (missing.on, missing.status, missing.detail) == (None, "not recorded", "minutes = not recorded")


def add_reading(store: Store, value: str, at: str, row_hash: int) -> None:
    with store.writer(may="import lists") as connection:
        connection.execute(
            schema.process_log.insert(),
            {
                "restoration_id": "B-1001",
                "step": "bonding",
                "reading": "bond_wait_s",
                "value": value,
                "recorded_at": datetime.fromisoformat(at),
                "row_hash": row_hash,
            },
        )


def test_only_the_latest_reading_counts_and_none_written_after_the_return(lab: Store) -> None:
    require(lab)
    add_reading(lab, "60", "2026-01-17 10:00", 11)
    assert [(one.detail, one.status) for one in of(lab, "bonding")] == [
        ("bond_wait_s = 180 s", ""),
        ("bond_wait_s = 60 s", "missed"),
    ]
    enter(lab)
    add_reading(lab, "200", "2026-03-25 10:00", 12)
    assert [one.status for one in of(lab, "bonding")] == ["", "missed", ""]


def test_changes_are_told_with_who_and_what(lab: Store) -> None:
    row_id = enter(lab, severity="3")
    (opened,) = recorded_returns(lab, [row_id])
    correct_return(lab, opened, {"severity": "4"}, who="QA2", today=TODAY)
    (changed,) = of(lab, "return corrected")
    assert (changed.who, changed.detail) == ("QA2", "severity: 3 became 4")
    unlink_remake(lab, "B-1003", was="B-1001", who="QA", why="another patient")
    told = {one.what: one.detail for one in restoration_history(lab, "B-1003")}
    assert told["link taken back"] == "no longer replaces B-1001, another patient"
    link_remake(lab, "B-1003", replaces="B-1001", who="QA")
    assert "linked as a remake" in {one.what for one in restoration_history(lab, "B-1003")}


def test_answers_about_a_defect_are_told_in_words(lab: Store) -> None:
    enter(lab, defect="loosening", cement_is="tooth", harm="yes")
    (returned,) = of(lab, "returned")
    assert "Where is the cement? On the tooth" in returned.detail
    assert "possible harm" in returned.detail


def test_work_in_the_lab_has_a_time_line_too(lab: Store) -> None:
    at = datetime.fromisoformat("2026-03-30 08:00")
    begun = {"restoration_id": "N-1", "version": 1, "kind": "crown", "units": 1, "opened_at": at, "opened_by": "T1"}
    reading = {"restoration_id": "N-1", "recorded_at": at, "entered_at": at, "entered_by": "T1", "not_done": False}
    timer = {"restoration_id": "N-1", "step": "bonding", "reading": "bond_wait_s", "started_at": at, "started_by": "T1"}
    require(lab)
    with lab.writer(may="write at the bench") as connection:
        connection.execute(schema.open_work.insert().values(begun))
        connection.execute(
            schema.bench_readings.insert().values(
                reading | {"step": "bonding", "reading": "bond_wait_s", "value": "90", "late": True, "reason": "bell"}
            )
        )
        connection.execute(schema.timers.insert().values(timer))
    events = restoration_history(lab, "N-1", today=TODAY)
    assert {one.what for one in events} == {"begun at the bench", "bonding"}
    (late,) = [one for one in events if one.late]
    assert (late.status, late.detail) == ("missed", "bond_wait_s = 90 s, reason: bell")
    assert any("is running" in one.detail for one in events)


def add_bench_reading(store: Store, log_id: int, **columns: Any) -> None:
    at = datetime.fromisoformat("2026-01-16 10:00")
    values = {"restoration_id": "B-1001", "step": "bonding", "reading": "bond_wait_s", "value": "180"}
    values |= {"recorded_at": at, "entered_at": at, "entered_by": "T1", "not_done": False, "late": False}
    with store.writer(may="write at the bench") as connection:
        connection.execute(schema.bench_readings.insert().values(values | {"process_log_id": log_id} | columns))


def log_id_of(store: Store, reading: str) -> int:
    log = schema.process_log.c
    with store.reader() as connection:
        found = connection.scalar(
            select(log.id).where(log.restoration_id == "B-1001", log.reading == reading).order_by(log.id.desc())
        )
    assert found is not None
    return int(found)


def test_two_rows_of_the_bench_that_are_one_of_the_log_stand_once(lab: Store) -> None:
    require(lab)
    row = log_id_of(lab, "bond_wait_s")
    add_bench_reading(lab, row)
    add_bench_reading(lab, row, reason="bell")
    (one,) = of(lab, "bonding")
    assert (one.detail, one.status, one.late) == ("bond_wait_s = 180 s, reason: bell", "met", False)


@pytest.mark.parametrize(("typed", "statuses"), [("2026-03-20", ["", "met"]), ("2026-03-21", ["missed", ""])])
def test_a_late_entry_typed_after_the_return_does_not_count(lab: Store, typed: str, statuses: list[str]) -> None:
    require(lab, rule={"at_least": 190})
    enter(lab)  # reported on 2026-03-20
    # It tells of the day after the first reading, long before the return.
    add_reading(lab, "200", "2026-01-17 00:00", 13)
    late = datetime.fromisoformat(f"{typed} 12:00")
    add_bench_reading(lab, log_id_of(lab, "bond_wait_s"), value="200", late=True, entered_at=late)
    assert [one.status for one in of(lab, "bonding")] == statuses


def test_two_requirements_of_one_reading_are_both_judged(lab: Store) -> None:
    require(lab)
    with lab.writer(may="change the standard") as connection:
        second = {"factor": "bond_limit", "step": "bonding", "reading": "bond_wait_s", "unit": "s"}
        rule = {"rule": {"at_most": 170}, "may_cause": ["debonding"], "valid_from": date(2025, 1, 1)}
        connection.execute(insert(schema.requirements).values(second | rule))
    (one,) = of(lab, "bonding")
    assert (one.status, one.needed) == ("missed", "at least 180 s; at most 170 s")


def test_a_stopped_timer_tells_the_seconds_that_it_wrote_down(lab: Store) -> None:
    begun = datetime.fromisoformat("2026-01-16 10:00:00")
    ended = datetime.fromisoformat("2026-01-16 10:02:59.900")
    timer = {"restoration_id": "B-1001", "step": "bonding", "reading": "bond_wait_s", "started_by": "T1"}
    with lab.writer(may="write at the bench") as connection:
        connection.execute(schema.timers.insert().values(timer | {"started_at": begun, "stopped_at": ended}))
    assert "timer for bond_wait_s: 179 s" in {one.detail for one in of(lab, "bonding")}

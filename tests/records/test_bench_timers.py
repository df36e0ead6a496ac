"""Timers: no time is lost or invented, whoever stops them and whenever."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.bench.asked import Asked, asked_of
from remakes.records.bench.moments import on_the_clock, read_time
from remakes.records.bench.readings import standing_readings
from remakes.records.bench.timers import (
    ForgottenTimerError,
    TimerStoppedError,
    as_value,
    give_up_timer,
    running_timers,
    start_timer,
    stop_forgotten,
    stop_timer,
)
from remakes.records.standard import parse_standard
from remakes.records.store import Store, open_store
from tests.records.bench_lab import AT, MANAGER, STANDARD, T1, TODAY, WHO, begin, take_standard


@pytest.fixture
def bench(tmp_path: Path) -> Store:
    store = open_store(str(tmp_path / "bench.sqlite"))
    take_standard(store)
    begin(store)
    return store


def start(store: Store, reading: str = "wait_s", *, at: datetime = AT, who: str = WHO) -> int:
    step = {"wait_s": "bonding", "to_bond_min": "bonding", "cure_min": "opaquer", "coats": "opaquer"}[reading]
    return start_timer(store, "N1", step=step, reading=reading, who=who, at=at).id


def readings(store: Store) -> list[Any]:
    with store.reader() as connection:
        return list(connection.execute(select(schema.bench_readings).order_by(schema.bench_readings.c.id)))


def test_a_stop_writes_the_time_since_the_start_in_the_unit_of_the_reading(bench: Store) -> None:
    wait, cure = start(bench), start(bench, "cure_min", at=AT + timedelta(seconds=5))
    assert [one.id for one in running_timers(bench, technician="T1")] == [wait, cure]
    stopped = stop_timer(bench, wait, who=WHO, operator="T1", lot="BA1", at=AT + timedelta(seconds=179.9))
    assert (stopped.value, stopped.seconds, stopped.missed) == ("179", 179, True)
    stopped = stop_timer(bench, cure, who=WHO, at=AT + timedelta(minutes=11, seconds=35))
    assert (stopped.value, stopped.missed) == ("11.5", False)
    wrote = readings(bench)
    assert [(row.value, row.lot, row.late) for row in wrote] == [("179", "BA1", False), ("11.5", None, False)]
    assert wrote[0].recorded_at == on_the_clock(AT + timedelta(seconds=179.9))
    assert running_timers(bench) == ()


def test_a_timer_runs_on_in_the_store_while_nobody_has_it_open(bench: Store, tmp_path: Path) -> None:
    timer = start(bench)
    bench.close()
    again = open_store(str(tmp_path / "bench.sqlite"))
    assert running_timers(again)[0].started_at == AT
    assert stop_timer(again, timer, who=WHO, at=AT + timedelta(seconds=200)).value == "200"


def test_one_reading_has_one_running_timer_and_a_second_stop_says_who_was_first(bench: Store) -> None:
    timer = start(bench)
    with pytest.raises(EntryError, match="technician T1 started this timer at"):
        start(bench, who="technician T2")
    stop_timer(bench.acting_as(MANAGER), timer, who="manager M1", at=AT + timedelta(seconds=190))
    with pytest.raises(TimerStoppedError, match=r"manager M1 stopped this timer at .*, after 190 s"):
        stop_timer(bench, timer, who=WHO, at=AT + timedelta(seconds=195))
    assert [row.value for row in readings(bench)] == ["190"]
    start(bench)  # and again, as for a redone layer


def test_only_times_in_seconds_or_minutes_have_a_timer(bench: Store) -> None:
    with pytest.raises(EntryError, match="no time in seconds or minutes"):
        start(bench, "coats")


@pytest.mark.parametrize("later", [timedelta(hours=12, minutes=1), timedelta(days=1), timedelta(seconds=-5)])
def test_a_forgotten_timer_is_never_taken_as_it_is(bench: Store, later: timedelta) -> None:
    timer = start(bench)
    with pytest.raises(ForgottenTimerError, match="give the timer up"):
        stop_timer(bench, timer, who=WHO, at=AT + later)
    assert readings(bench) == []
    assert len(running_timers(bench)) == 1


def test_when_a_forgotten_timer_was_up_is_said_and_kept_as_a_late_entry(bench: Store) -> None:
    timer, now = start(bench), AT + timedelta(days=2)
    for wrong in (AT - timedelta(minutes=1), AT + timedelta(hours=13)):
        with pytest.raises(EntryError, match="not within twelve hours"):
            stop_forgotten(bench, timer, stopped_at=on_the_clock(wrong), who=WHO, at=now)
    stopped = stop_forgotten(bench, timer, stopped_at=on_the_clock(AT + timedelta(minutes=4)), who=WHO, at=now)
    assert stopped.value == "240"
    (row,) = readings(bench)
    assert (row.late, row.recorded_at, row.entered_at) == (True, on_the_clock(AT + timedelta(minutes=4)), now)


def test_a_timer_given_up_writes_nothing_and_keeps_why(bench: Store) -> None:
    timer = start(bench.acting_as(T1))
    with pytest.raises(EntryError, match="reason is blank"):
        give_up_timer(bench, timer, why="", who=WHO)
    give_up_timer(bench, timer, why="started by mistake", who=WHO)
    assert readings(bench) == []
    with pytest.raises(TimerStoppedError, match=r"gave this timer up at .*: started by mistake"):
        stop_timer(bench, timer, who=WHO, at=AT + timedelta(seconds=9))


def test_a_time_of_day_is_read_as_it_is_typed() -> None:
    assert [str(read_time(text)) for text in ("10:35", "9.05", "7h30", "14", "10:35:20", "7h30m05")] == [
        "10:35:00",
        "09:05:00",
        "07:30:00",
        "14:00:00",
        "10:35:20",
        "07:30:05",
    ]
    assert read_time(" ") is None
    for wrong in ("25:00", "10:61", "10:35:60", "soon"):
        with pytest.raises(EntryError, match="no time of day"):
            read_time(wrong)


def _asked(reading: str) -> Asked:
    from remakes.records.bench.pieces import Piece

    piece = Piece(
        restoration_id="N1", case_id=None, clinic=None, technician=None, kind="crown", teeth="", units=1,
        framework=None, veneer=None, difficulty="", received_on=None, due_on=None, remake_of=None,
    )  # fmt: skip
    found = asked_of(parse_standard(STANDARD, file="standard.toml"), piece, today=TODAY)
    return next(one for readings in found.values() for one in readings if one.reading == reading)


@given(seconds=st.integers(0, 12 * 3600))
def test_a_written_time_is_never_longer_and_less_than_a_hundredth_of_its_unit_shorter(seconds: int) -> None:
    for reading, unit in (("wait_s", 1), ("cure_min", 60)):
        written = float(as_value(seconds, _asked(reading))) * unit
        assert 0 <= seconds - written + 1e-6 < 0.01 * unit + 1e-5
    # A limit in whole minutes is kept by exactly that time, and by nothing shorter.
    rule = _asked("cure_min").requirements[0].rule
    assert rule.met(as_value(seconds, _asked("cure_min"))) == (600 <= seconds <= 1200) or 1200 < seconds < 1201


steps = st.lists(
    st.tuples(st.sampled_from(["wait_s", "to_bond_min", "cure_min"]), st.floats(0.5, 900), st.booleans()), max_size=8
)


@settings(deadline=None, max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(taps=steps)
def test_starts_and_stops_neither_lose_nor_invent_time(bench: Store, taps: list[tuple[str, float, bool]]) -> None:
    for timer in running_timers(bench):
        give_up_timer(bench, timer.id, why="next example", who=WHO)
    already = len(readings(bench))
    clock, running, expected = AT, {}, []
    for reading, passes, gives_up in taps:
        clock += timedelta(seconds=passes)
        if reading not in running:
            running[reading] = (start(bench, reading, at=clock), clock)
            continue
        timer, since = running.pop(reading)
        if gives_up:
            give_up_timer(bench, timer, why="test", who=WHO)
        else:
            stop_timer(bench, timer, who=WHO, at=clock)
            expected.append((reading, (clock - since).total_seconds()))
    assert {one.id for one in running_timers(bench)} == {timer for timer, _ in running.values()}
    wrote = readings(bench)[already:]
    assert len(wrote) == len(expected)
    for row, (reading, seconds) in zip(wrote, expected, strict=True):
        unit = 1 if reading == "wait_s" else 60
        assert row.reading == reading
        assert 0 <= seconds - float(row.value) * unit + 1e-6 < 1 + 0.01 * unit


@pytest.fixture
def summer_time_ends(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The lab's clock went back from three to two o'clock on 25 October 2026."""
    if not hasattr(time, "tzset"):
        pytest.skip("the zone of this machine cannot be changed for a while")
    with monkeypatch.context() as zone:
        zone.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
        time.tzset()
        yield
    time.tzset()


@pytest.mark.usefixtures("summer_time_ends")
def test_an_hour_that_comes_twice_loses_no_time(bench: Store) -> None:
    begun = datetime.fromisoformat("2026-10-25 00:50")  # ten to three, the first time
    timer = start(bench, "cure_min", at=begun)
    assert stop_timer(bench, timer, who=WHO, at=begun + timedelta(minutes=20)).value == "20"
    forgotten = start(bench, "cure_min", at=begun + timedelta(minutes=1))
    # Ten past two is before the start, unless the second hour is meant.
    stopped = stop_forgotten(
        bench, forgotten, stopped_at=datetime.fromisoformat("2026-10-25 02:10"), who=WHO, at=begun + timedelta(days=1)
    )
    assert stopped.value == "19"
    # A reading of the second hour counts, though the first hour's clock stood later.
    first = start(bench, at=begun)
    stop_timer(bench, first, who=WHO, at=begun + timedelta(seconds=60))
    again = start(bench, at=begun + timedelta(minutes=15))
    stop_timer(bench, again, who=WHO, at=begun + timedelta(minutes=19))
    one = standing_readings(bench, ["N1"])["N1"]["bonding", "wait_s"]
    assert one.value == "240"

"""Open work: whose it is, who changed it, and what becomes of it when it is delivered or comes in by a file."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import func, select

from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.deviations.detect import MET, MISSED, NOT_RECORDED
from remakes.errors import EntryError, InputError, NotAllowedError
from remakes.records import schema
from remakes.records.bench.delivery import deliver
from remakes.records.bench.pieces import find_piece
from remakes.records.bench.readings import (
    ReadingChangedError,
    Standing,
    Written,
    give_reason,
    standing_readings,
    void_reading,
    write_reading,
    write_reading_over,
)
from remakes.records.bench.timers import give_up_timer, running_timers, start_timer, stop_timer
from remakes.records.bench.work import (
    WorkChangedError,
    add_work,
    change_work,
    give_up_work,
    open_work,
    take_over,
    usual_work,
)
from remakes.records.entries import RefusedEntryError, enter_return
from remakes.records.importers import import_paths
from remakes.records.importers.undo import list_imports, undo_import
from remakes.records.snapshot import take_snapshot
from remakes.records.store import Store, open_store
from remakes.records.upkeep import check
from tests.records.bench_lab import AT, MANAGER, T1, T2, TODAY, WHO, begin, take_standard


@pytest.fixture
def bench(tmp_path: Path) -> Store:
    store = open_store(str(tmp_path / "bench.sqlite"))
    take_standard(store)
    return store


def rows(store: Store, table: Any) -> list[dict[str, Any]]:
    with store.reader() as connection:
        return [dict(row._mapping) for row in connection.execute(select(table).order_by(*table.primary_key))]


def write(store: Store, number: str, reading: str, value: str, **more: Any) -> int:
    step = {"wait_s": "bonding", "fit_check": "checking", "coats": "opaquer", "residue": "blasting"}[reading]
    written = Written(restoration_id=number, step=step, reading=reading, value=value, operator="T1", **more)
    return write_reading(store, written, who=WHO, at=AT)


def restorations_file(folder: Path, *numbers: str) -> Path:
    lines = ["restoration_id,technician,kind,units,framework,veneer,delivered_on"]
    lines += [f"{number},T1,crown,1,base metal,lab composite,2026-03-05" for number in numbers]
    file = folder / "restorations.csv"
    file.write_text("\n".join(lines) + "\n")
    return file


def test_work_is_listed_by_its_due_day_with_what_nobody_has_yet(bench: Store) -> None:
    begin(bench, "LATE", due_on=date(2026, 4, 1))
    begin(bench, "UNDATED")
    begin(bench, "SOON", due_on=date(2026, 3, 5), technician=None)
    begin(bench, "OTHERS", technician="T2", due_on=date(2026, 3, 1))
    assert [one.restoration_id for one in open_work(bench, technician="T1")] == ["SOON", "LATE", "UNDATED"]
    assert len(open_work(bench)) == 4


def test_a_number_is_begun_once_and_the_form_remembers_the_last(bench: Store) -> None:
    piece = begin(bench, "N1", teeth="34 35 36", kind="bridge", veneer="ceramic")
    assert (piece.units, piece.version, piece.technician) == (3, 1, "T1")
    usual = usual_work(bench, who=WHO)
    assert (usual.kind, usual.veneer, usual.framework) == ("bridge", "ceramic", "base metal")
    assert usual.veneers == ("ceramic",)
    with pytest.raises(EntryError, match="in work already"):
        begin(bench, "N1")
    with pytest.raises(RefusedEntryError) as refused:
        begin(bench, "N2", kind="crwon", teeth="99")
    assert {problem.column for problem in refused.value.problems} == {"kind", "teeth"}
    with pytest.raises(EntryError, match="holds a blank"):
        begin(bench, "N2", technician="Some Body")


def test_two_browsers_do_not_overwrite_each_other(bench: Store) -> None:
    piece = begin(bench)
    changed = change_work(bench, "N1", {"due_on": date(2026, 3, 9)}, version=1, who="manager M1")
    assert (changed.version, changed.due_on) == (2, date(2026, 3, 9))
    with pytest.raises(WorkChangedError, match="manager M1 changed N1") as stale:
        change_work(bench, "N1", {"veneer": "ceramic"}, version=piece.version or 0, who=WHO)
    assert stale.value.current.due_on == date(2026, 3, 9)
    with pytest.raises(WorkChangedError):
        deliver(bench, "N1", delivered_on=TODAY, version=1, who=WHO, today=TODAY)
    assert find_piece(bench, "N1") == changed


def test_a_technician_writes_on_own_work_only_and_may_take_over_what_nobody_has(bench: Store) -> None:
    begin(bench, "MINE")
    begin(bench, "FREE", technician=None)
    as_t2 = bench.acting_as(T2)
    before = bench.data_version()
    for attempt in (
        lambda: write(as_t2, "MINE", "fit_check", "yes"),
        lambda: start_timer(as_t2, "MINE", step="bonding", reading="wait_s", who="technician T2"),
        lambda: deliver(as_t2, "MINE", delivered_on=TODAY, who="technician T2", today=TODAY),
        lambda: change_work(as_t2, "MINE", {"units": 2}, version=1, who="technician T2"),
        lambda: add_work(as_t2, {"restoration_id": "X", "kind": "crown", "units": 1, "technician": "T1"}, who="T2"),
    ):
        with pytest.raises(NotAllowedError, match="is the work of T1"):
            attempt()
    with pytest.raises(EntryError, match="Take it over first"):
        write(as_t2, "FREE", "fit_check", "yes")
    assert bench.data_version() == before
    assert take_over(as_t2, "FREE", technician="T2", version=1, who="technician T2").technician == "T2"
    write(as_t2, "FREE", "fit_check", "yes")
    with pytest.raises(EntryError, match="T2 works on FREE"):
        take_over(bench.acting_as(T1), "FREE", technician="T1", version=2, who=WHO)
    write(bench.acting_as(MANAGER), "MINE", "fit_check", "yes")


def test_readings_of_open_work_change_no_figure_and_are_in_the_process_log_once_delivered(bench: Store) -> None:
    begin(bench)
    figures = bench.figures_version()
    write(bench, "N1", "wait_s", "170,5", lot="BA1", reason="bell rang")
    taken_back = write(bench, "N1", "coats", "3")
    void_reading(bench, taken_back, who=WHO, why="wrong restoration")
    write(bench, "N1", "coats", "0", not_done=True)
    assert bench.figures_version() == figures
    assert rows(bench, schema.process_log) == []
    assert deliver(bench, "N1", delivered_on=TODAY, who=WHO, today=TODAY) == 2
    assert bench.figures_version() > figures
    log = rows(bench, schema.process_log)
    assert [(row["reading"], row["value"], row["lot"]) for row in log] == [
        ("wait_s", "170.5", "BA1"),
        ("coats", "0", None),
    ]
    assert [row["extra"] for row in log] == [{"entry": "bench", "reason": "bell rang"}, {"entry": "bench"}]
    assert [row["process_log_id"] for row in rows(bench, schema.bench_readings)] == [log[0]["id"], None, log[1]["id"]]
    (restoration,) = rows(bench, schema.restorations)
    assert (restoration["restoration_id"], restoration["delivered_on"], restoration["units"]) == ("N1", TODAY, 1)
    assert open_work(bench) == ()
    with pytest.raises(EntryError, match="left the lab on 2026-03-04"):
        deliver(bench, "N1", delivered_on=TODAY, who=WHO, today=TODAY)
    with pytest.raises(EntryError, match="left the lab on 2026-03-04"):
        begin(bench, "N1")


def test_what_is_delivered_is_read_by_the_analysis_as_met_missed_and_not_recorded(bench: Store) -> None:
    for number, wait in (("A", "200"), ("B", "60"), ("C", "")):
        begin(bench, number)
        if wait:
            write(bench, number, "wait_s", wait)
        deliver(bench, number, delivered_on=TODAY, who=WHO, today=TODAY)
    enter_return(
        bench,
        {"restoration_id": "B", "reported_on": date(2026, 5, 1), "defect": "debonding"},
        who="quality Q1",
        today=date(2026, 5, 2),
    )
    snapshot = take_snapshot(bench)
    table = count_patterns(connect(snapshot), snapshot.standard, observed_until=date(2026, 6, 30))
    wait = table.factors.index("bond_wait")
    statuses = {int(code): int(n) for code, n in zip(table.status[:, wait], table.restorations, strict=True)}
    assert statuses == {MET: 1, MISSED: 1, NOT_RECORDED: 1}
    (returned,) = table.event_pattern
    assert table.status[returned, wait] == MISSED


def test_a_day_in_the_future_or_a_running_timer_stops_the_delivery(bench: Store) -> None:
    begin(bench)
    with pytest.raises(EntryError, match="later than today"):
        deliver(bench, "N1", delivered_on=TODAY + timedelta(days=1), who=WHO, today=TODAY)
    timer = start_timer(bench, "N1", step="bonding", reading="wait_s", who=WHO, at=AT)
    with pytest.raises(EntryError, match="still running"):
        deliver(bench, "N1", delivered_on=TODAY, who=WHO, today=TODAY)
    stop_timer(bench, timer.id, who=WHO, at=AT + timedelta(seconds=190))
    assert deliver(bench, "N1", delivered_on=TODAY, who=WHO, today=TODAY) == 1


def test_an_import_that_brings_open_work_delivers_it_and_its_undo_puts_it_back(bench: Store, tmp_path: Path) -> None:
    begin(bench, "N1")
    begin(bench, "N2")
    reading = write(bench, "N1", "wait_s", "200")
    timer = start_timer(bench, "N1", step="opaquer", reading="cure_min", who=WHO, at=AT)
    assert import_paths(bench, [restorations_file(tmp_path, "N1", "OTHER")]).ok
    assert [one.restoration_id for one in open_work(bench)] == ["N2"]
    assert [row["value"] for row in rows(bench, schema.process_log)] == ["200"]
    # The timer ran on; its time goes to the process log at once.
    stop_timer(bench, timer.id, who=WHO, at=AT + timedelta(minutes=12))
    assert [row["value"] for row in rows(bench, schema.process_log)] == ["200", "12"]

    newest = list_imports(bench)[0].import_id
    with pytest.raises(InputError, match=r"2 readings written at the bench, .* \(N1\)") as refused:
        undo_import(bench, newest, who="quality Q1")
    assert "entered by a person" not in str(refused.value)
    for row in rows(bench, schema.bench_readings):
        void_reading(bench, row["id"], who=WHO, why="comes in again")
    assert rows(bench, schema.process_log) == []
    undo_import(bench, newest, who="quality Q1")
    assert [one.restoration_id for one in open_work(bench)] == ["N1", "N2"]
    with pytest.raises(EntryError, match="took this reading back before: comes in again"):
        void_reading(bench, reading, who=WHO, why="again")
    # Begun anew, written and delivered again.
    write(bench, "N1", "wait_s", "210")
    assert deliver(bench, "N1", delivered_on=TODAY, who=WHO, today=TODAY) == 1


def test_a_correction_of_work_that_was_delivered_meanwhile_names_who_delivered_it(bench: Store) -> None:
    begin(bench)
    deliver(bench, "N1", delivered_on=TODAY, who="manager M1", today=TODAY)
    with pytest.raises(WorkChangedError, match="manager M1 changed N1 since"):
        change_work(bench, "N1", {"teeth": "12"}, version=1, who=WHO)


def test_the_undo_of_an_import_names_a_timer_that_would_be_left_without_a_piece(bench: Store, tmp_path: Path) -> None:
    assert import_paths(bench, [restorations_file(tmp_path, "N9")]).ok
    timer = start_timer(bench, "N9", step="opaquer", reading="cure_min", who=WHO, at=AT)
    newest = list_imports(bench)[0].import_id
    with pytest.raises(InputError, match=r"one timer running at the bench, .* \(N9\)"):
        undo_import(bench, newest, who="quality Q1")
    give_up_timer(bench, timer.id, why="left running", who=WHO)
    undo_import(bench, newest, who="quality Q1")


def test_given_up_work_can_be_begun_again_and_is_never_delivered(bench: Store) -> None:
    begin(bench)
    with pytest.raises(EntryError, match="reason is blank"):
        give_up_work(bench, "N1", why=" ", version=1, who=WHO)
    give_up_work(bench, "N1", why="case cancelled", version=1, who=WHO)
    assert open_work(bench) == ()
    assert find_piece(bench, "N1") is None
    assert begin(bench).version == 3


def test_work_is_not_given_up_while_a_timer_runs_on_it_that_nobody_could_stop_then(bench: Store) -> None:
    begin(bench)
    timer = start_timer(bench, "N1", step="opaquer", reading="cure_min", who=WHO, at=AT)
    with pytest.raises(EntryError, match="still running on N1"):
        give_up_work(bench, "N1", why="case cancelled", version=1, who=WHO)
    give_up_timer(bench, timer.id, why="case cancelled", who=WHO)
    give_up_work(bench, "N1", why="case cancelled", version=1, who=WHO)
    assert running_timers(bench) == ()


def test_the_check_tells_what_was_left_lying(bench: Store) -> None:
    def said() -> str:
        return " ".join(str(one) for one in check(bench) if "bench" in str(one))

    begin(bench)
    write(bench, "N1", "wait_s", "200")  # in March; the machine's clock is later or earlier than sixty days
    with bench.writer(may="write at the bench") as connection:
        long_ago = datetime.fromisoformat("2020-01-01 10:00")
        connection.execute(schema.bench_readings.update().values(entered_at=long_ago))
    start_timer(bench, "N1", step="opaquer", reading="cure_min", who=WHO, at=long_ago)
    assert "One reading at the bench" in said()
    assert "One timer has been running" in said()
    (timer,) = running_timers(bench)
    give_up_timer(bench, timer.id, why="left running", who=WHO)
    give_up_work(bench, "N1", why="case cancelled", version=1, who=WHO)
    assert "One reading at the bench" not in said()


reading_values = st.lists(
    st.tuples(st.sampled_from(["wait_s", "coats", "fit_check"]), st.integers(0, 400), st.booleans()), max_size=6
)


@settings(deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(before=reading_values, after=reading_values, by_file=st.booleans())
def test_delivery_moves_every_reading_once_and_none_that_was_taken_back(
    bench: Store, tmp_path: Path, before: list[Any], after: list[Any], by_file: bool
) -> None:
    with bench.reader() as connection:
        number = f"H{connection.scalar(select(func.count()).select_from(schema.open_work))}"
    begin(bench, number)

    def write_all(values: list[Any]) -> list[str]:
        kept = []
        for reading, value, voided in values:
            text = ("yes" if value % 2 else "no") if reading == "fit_check" else str(value)
            made = write(bench, number, reading, text)
            if voided:
                void_reading(bench, made, who=WHO, why="test")
            else:
                kept.append((reading, text))
        return kept

    kept = write_all(before)
    if by_file:
        import_paths(bench, [restorations_file(tmp_path, number)])
    else:
        deliver(bench, number, delivered_on=TODAY, who=WHO, today=TODAY)
    kept += write_all(after)
    log = [row for row in rows(bench, schema.process_log) if row["restoration_id"] == number]
    # The same value at the same second is the same reading; the log holds it once.
    assert {(row["reading"], row["value"]) for row in log} == set(kept)
    own = [row for row in rows(bench, schema.bench_readings) if row["restoration_id"] == number]
    assert all((row["process_log_id"] is None) == (row["voided_at"] is not None) for row in own)
    assert len(standing_readings(bench, [number])[number]) == len({reading for reading, _ in kept})


COATS = Written(restoration_id="N1", step="opaquer", reading="coats", value="2", operator="T1")


def stands(store: Store) -> Standing | None:
    return standing_readings(store, ["N1"])["N1"].get(("opaquer", "coats"))


def test_of_two_who_write_the_same_reading_the_second_is_told_and_overwrites_nothing(bench: Store) -> None:
    begin(bench)
    opened = stands(bench)
    first = write_reading_over(bench, replace(COATS, value="3"), opened, who="manager M1", at=AT)
    with pytest.raises(ReadingChangedError, match=r"manager M1 wrote 3 down for coats .* Yours, 2, is not saved"):
        write_reading_over(bench, COATS, opened, who=WHO, at=AT)
    seen = stands(bench)
    assert seen is not None
    assert (seen.reading_id, seen.value) == (first, "3")
    # Once it is seen, a correction is a newer reading; a reason that was given since is no other one.
    give_reason(bench, first, "thin layer", who="manager M1")
    write_reading_over(bench, COATS, seen, who=WHO, at=AT + timedelta(minutes=1))
    with pytest.raises(ReadingChangedError, match="technician T1 wrote 2 down"):
        write_reading_over(bench, replace(COATS, value="4"), seen, who="manager M1", at=AT)
    newest = stands(bench)
    assert newest is not None
    void_reading(bench, newest.reading_id or 0, who="manager M1", why="other piece")
    void_reading(bench, first, who="manager M1", why="other piece")
    with pytest.raises(ReadingChangedError, match="coats was taken back by manager M1"):
        write_reading_over(bench, COATS, newest, who=WHO, at=AT)


def test_a_second_tap_of_the_same_person_writes_nothing_more(bench: Store) -> None:
    begin(bench)
    first = write_reading_over(bench, COATS, None, who=WHO, at=AT)
    assert write_reading_over(bench, COATS, None, who=WHO, at=AT + timedelta(seconds=1)) == first
    assert len(rows(bench, schema.bench_readings)) == 1


def test_a_reason_that_somebody_else_gave_is_not_overwritten_unseen(bench: Store) -> None:
    begin(bench)
    number = write_reading(bench, COATS, who=WHO, at=AT)
    give_reason(bench, number, "thin layer", who="manager M1", before="")
    with pytest.raises(EntryError, match=r"“thin layer”\. Yours is not saved: “old paste”"):
        give_reason(bench, number, "old paste", who=WHO, before="")


@pytest.mark.parametrize("back", [timedelta(hours=1), timedelta(days=365)])
def test_a_correction_counts_although_the_clock_was_set_back(bench: Store, back: timedelta) -> None:
    begin(bench)
    write_reading(bench, COATS, who=WHO, at=AT)
    write_reading(bench, replace(COATS, value="3"), who=WHO, at=AT - back)
    write_reading(bench, replace(COATS, value="4"), who=WHO, at=AT - back + timedelta(minutes=1))
    one = stands(bench)
    assert one is not None
    assert one.value == "4"
    # And where it is counted.
    deliver(bench, "N1", delivered_on=TODAY, version=1, who=WHO)
    kept = sorted(rows(bench, schema.process_log), key=lambda row: row["recorded_at"])
    assert [row["value"] for row in kept] == ["2", "3", "4"]

"""Exports: there and back, pseudonyms that join and tell nothing, several labs, and what is refused."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from remakes.errors import FileError, InputError
from remakes.records import exports, schema
from remakes.records.corrective_actions import Costs, load_actions, load_costs, parse_actions, save_actions
from remakes.records.exports import Exported, export_records, read_exports
from remakes.records.snapshot import Snapshot, take_snapshot
from remakes.records.standard import ProcessStandard, parse_standard, save_standard
from remakes.records.store import Store
from tests.new_stores import new_store

TABLES = ("restorations", "process_log", "returns")
STANDARD = """\
title = "Test lab"
steps = ["blasting", "bonding"]
[[requirement]]
factor = "bond_wait"
step = "bonding"
reading = "bond_wait_s"
unit = "s"
at_least = 180
applies_when = { veneer = ["lab composite"], clinic = ["clinic-7", "clinic-unheard-of"] }
may_cause = ["debonding", "chipping"]
valid_from = 2024-01-01
valid_until = 2030-12-31
says = "3 minutes"
source = "common practice, no source"
[[requirement]]
factor = "residue"
step = "blasting"
reading = "residue_removal"
none_of = ["steam"]
applies_when = { technician = ["Tech-1"] }
may_cause = []
valid_from = 2024-01-01
[[requirement]]
factor = "pressure"
step = "blasting"
reading = "pressure_bar"
between = [2, 3]
may_cause = ["debonding"]
valid_from = 2024-01-01
"""
ACTIONS = """\
[[action]]
action = "bond_timer"
corrects = { bond_wait = 0.9 }
cost_once = 120
[costs]
per_minute = 0.75
per_return = { debonding = 210.5 }
currency = "EUR"
"""
#: Every code for a person, a clinic, a case or a number in the lab below. Hexadecimal digits alone could turn up
#: in a pseudonym by chance, so each holds another letter.
CODES = (
    *("Clinic-7", "CLINIC-7", "clinic-9", "tech-1", "tech-2", "oper-1", "clinic-unheard-of"),
    *("case-1", "case-2", "rest-1", "rest-2", "rest-3", "rest-lost", "retn-1", "retn-2"),
)


def fill(store: Store) -> Store:
    """Three restorations of two clinics, one clinic in two spellings; the third replaces the first."""
    base = {"kind": "crown", "units": 1, "veneer": "lab composite", "technician": "tech-1"}
    with store.writer(may="import lists") as connection:
        for values in (
            {"restoration_id": "rest-1", "case_id": "case-1", "clinic": "Clinic-7", "delivered_on": date(2026, 1, 9)},
            {"restoration_id": "rest-2", "case_id": "case-1", "clinic": "clinic-9", "delivered_on": date(2026, 2, 9)},
            {
                "restoration_id": "rest-3",
                "case_id": "case-2",
                "clinic": "CLINIC-7",
                "delivered_on": date(2026, 3, 9),
                "technician": "tech-2",
                "remake_of": "rest-1",
            },
            {"restoration_id": "rest-4x", "delivered_on": date(2026, 3, 9), "remake_of": "rest-lost"},
        ):
            connection.execute(schema.restorations.insert(), base | values)
        log: tuple[dict[str, object], ...] = (
            {"restoration_id": "rest-1", "step": "bonding", "reading": "bond_wait_s", "value": "180"},
            {"restoration_id": "rest-3", "step": "bonding", "reading": "bond_wait_s", "value": "90"},
            {"restoration_id": "rest-3", "step": "blasting", "reading": "pressure_bar", "value": None},
        )
        for n, row in enumerate(log):
            connection.execute(schema.process_log.insert(), row | {"operator": "oper-1", "lot": "L07", "row_hash": n})
        returned = {
            "reported_on": date(2026, 4, 1),
            "defect": "debonding",
            "teeth": "",
            "note": "tech-1 said",
            "cost": 9.5,
        }
        connection.execute(schema.returns.insert(), returned | {"return_id": "retn-1", "restoration_id": "rest-1"})
        connection.execute(schema.returns.insert(), returned | {"return_id": "retn-2", "restoration_id": "rest-3"})
    save_standard(store, parse_standard(STANDARD, file="x"), who="QA")
    actions, costs = parse_actions(ACTIONS, file="x")
    save_actions(store, actions, costs, who="QA")
    return store


@pytest.fixture
def north(tmp_path: Path) -> Iterator[Store]:
    opened = fill(new_store(tmp_path / "north.sqlite"))
    yield opened
    opened.close()


@pytest.fixture
def south(tmp_path: Path) -> Iterator[Store]:
    opened = fill(new_store(tmp_path / "south.sqlite"))
    yield opened
    opened.close()


def assert_equal(one: Snapshot, other: Snapshot) -> None:
    for name in TABLES:
        assert getattr(one, name).schema == getattr(other, name).schema
        assert getattr(one, name).to_pylist() == getattr(other, name).to_pylist(), name
    assert one.standard == other.standard
    assert one.observed_until == other.observed_until


def exported(store: Store, to: Path, **options: Any) -> Exported:
    export_records(store, to, **options)
    return read_exports([to])


def all_bytes(folder: Path) -> bytes:
    """Every file's name and content, compressed columns written out."""
    parts = []
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            parts += [str(path.relative_to(folder)).encode(), path.read_bytes()]
        if path.suffix == ".parquet":
            parts.append(json.dumps(pq.read_table(path).to_pylist()).encode())
            parts.append(str(pq.read_metadata(path).to_dict()).encode())
    return b"\n".join(parts)


def conditions(standard: ProcessStandard, factor: str) -> dict[str, tuple[str, ...]]:
    return dict(standard.requirements_of(factor)[0].applies_when)


def test_there_and_back(north: Store, tmp_path: Path) -> None:
    to = tmp_path / "new" / "export"
    assert export_records(north, to, lab="north") == {"restorations": 4, "process_log": 3, "returns": 2}
    back = read_exports([to])
    assert_equal(back.snapshot, take_snapshot(north))
    assert back.actions == load_actions(north)
    assert back.costs == load_costs(north)
    assert sorted(str(path.relative_to(to)) for path in to.rglob("*") if path.is_file()) == [
        "about.json",
        "process_log/part-0.parquet",
        "restorations/part-0.parquet",
        "returns/part-0.parquet",
    ]
    # A column tells labs apart for a reader of the bare tables.
    for name in TABLES:
        assert set(pq.read_table(to / name)["lab"].to_pylist()) == {"north"}


def test_an_empty_store_goes_there_and_back(store: Store, tmp_path: Path) -> None:
    for codes in (False, True):
        back = exported(store, tmp_path / f"export{codes}", codes=codes)
        assert_equal(back.snapshot, take_snapshot(store))
        assert (back.actions, back.costs) == ((), Costs())


def test_an_empty_folder_that_exists_is_used(north: Store, tmp_path: Path) -> None:
    (tmp_path / "export").mkdir()
    assert exported(north, tmp_path / "export").snapshot.restorations.num_rows == 4


def test_pseudonyms_leave_no_code_in_any_file(north: Store, tmp_path: Path) -> None:
    export_records(north, tmp_path / "plain")
    export_records(north, tmp_path / "coded", codes=True)
    plain, coded = all_bytes(tmp_path / "plain"), all_bytes(tmp_path / "coded")
    # What follows would find a code if it stood there.
    assert [word for word in CODES if word.encode() not in plain] == []
    assert [word for word in CODES if word.lower().encode() in coded.lower()] == []
    # Free text of the returns never leaves the lab.
    assert b"said" not in plain + coded


def test_pseudonyms_join_the_tables_as_the_codes_did(north: Store, tmp_path: Path) -> None:
    plain = take_snapshot(north)
    coded = exported(north, tmp_path / "export", codes=True).snapshot
    of: dict[str, str] = {}
    for name in TABLES:
        was, now = getattr(plain, name), getattr(coded, name)
        assert was.schema == now.schema
        for column in was.column_names:
            pairs = list(zip(was[column].to_pylist(), now[column].to_pylist(), strict=True))
            if column not in exports._CODED:
                assert all(old == new for old, new in pairs), column
                continue
            for old, new in pairs:
                # One pseudonym a code, whatever the column and table; a blank tells nothing and stays.
                assert of.setdefault(old, new) == new
                assert (old == "") == (new == "")
    assert len(set(of.values())) == len(of) >= 13
    ids = coded.restorations["restoration_id"].to_pylist()
    assert set(coded.process_log["restoration_id"].to_pylist()) <= set(ids)
    assert set(coded.returns["restoration_id"].to_pylist()) <= set(ids)
    assert coded.restorations["remake_of"].to_pylist()[2] == ids[0]


def test_pseudonyms_differ_from_export_to_export(north: Store, tmp_path: Path) -> None:
    first = exported(north, tmp_path / "first", codes=True).snapshot.restorations
    second = exported(north, tmp_path / "second", codes=True).snapshot.restorations
    for column in ("restoration_id", "clinic", "technician"):
        assert set(first[column].to_pylist()).isdisjoint(set(second[column].to_pylist()) - {""})


@pytest.mark.parametrize("codes", [False, True])
def test_conditions_on_people_apply_as_before(north: Store, tmp_path: Path, codes: bool) -> None:
    plain = take_snapshot(north)
    back = exported(north, tmp_path / "export", codes=codes).snapshot
    assert in_force(back) == in_force(plain)
    # Of the first restoration both, of the second (another clinic) and the third (another technician) one each.
    assert [len(factors) for factors in in_force(plain)] == [3, 2, 2, 2]


def in_force(snapshot: Snapshot) -> list[list[str]]:
    found = []
    for row in snapshot.restorations.to_pylist():
        day = date.fromisoformat(row["delivered_on"])
        standard = snapshot.standard
        factors = [one for one in standard.factors if standard.in_force(one, delivered_on=day, attributes=row)]
        found.append(factors)
    return found


def test_two_labs_together(north: Store, south: Store, tmp_path: Path) -> None:
    with south.writer(may="import lists") as connection:
        south.put_setting(connection, "observed_until", "2026-03-31", who="QA")
    export_records(north, tmp_path / "north", lab="north")
    export_records(south, tmp_path / "south", lab="south")
    both = read_exports([tmp_path / "north", tmp_path / "south"]).snapshot
    alone = take_snapshot(north)
    for name in TABLES:
        table: pa.Table = getattr(both, name)
        assert table.num_rows == 2 * getattr(alone, name).num_rows
        assert table.schema == getattr(alone, name).schema
    # Two labs' same numbers and codes stay apart, and each joins its own.
    ids = both.restorations["restoration_id"].to_pylist()
    assert len(set(ids)) == 8
    assert ids[:2] == ["north:rest-1", "north:rest-2"]
    assert both.restorations["remake_of"].to_pylist() == [
        *("", "", "north:rest-1", "north:rest-lost"),
        *("", "", "south:rest-1", "south:rest-lost"),
    ]
    assert set(both.restorations["technician"].to_pylist()) == {
        *("north:tech-1", "north:tech-2", "south:tech-1", "south:tech-2")
    }
    assert set(both.process_log["restoration_id"].to_pylist()) <= set(ids)
    for name in ("process_log", "returns"):
        rows = getattr(both, name)["id"].to_pylist()
        assert rows == sorted(set(rows))
    # Observation ends where it ends first.
    assert both.observed_until == date(2026, 3, 31)
    # Each lab's condition meets the lab's own clinic, and no other's.
    assert in_force(both) == in_force(alone) * 2
    assert conditions(both.standard, "residue") == {"technician": ("north:Tech-1", "south:Tech-1")}


def test_two_labs_under_pseudonyms_together(north: Store, south: Store, tmp_path: Path) -> None:
    export_records(north, tmp_path / "north", lab="north", codes=True)
    export_records(south, tmp_path / "south", lab="south", codes=True)
    both = read_exports([tmp_path / "north", tmp_path / "south"]).snapshot
    assert in_force(both) == in_force(take_snapshot(north)) * 2
    assert len(set(both.restorations["restoration_id"].to_pylist())) == 8


def test_wording_and_order_make_no_other_standard(north: Store, south: Store, tmp_path: Path) -> None:
    standard = parse_standard(STANDARD.replace("3 minutes", "drei Minuten").replace("Test lab", "Labor"), file="x")
    first, *rest = standard.requirements
    save_standard(south, replace(standard, requirements=(*rest, first)), who="QA")
    export_records(north, tmp_path / "north", lab="north")
    export_records(south, tmp_path / "south", lab="south")
    both = read_exports([tmp_path / "north", tmp_path / "south"]).snapshot
    assert both.standard.title == "Test lab"
    assert both.standard.factors == take_snapshot(north).standard.factors


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("at_least = 180", "at_least = 181"),
        ("at_least = 180", "at_most = 180"),
        ('unit = "s"', 'unit = "min"'),
        ('may_cause = ["debonding", "chipping"]', 'may_cause = ["debonding"]'),
        ("valid_until = 2030-12-31", "valid_until = 2031-12-31"),
        ('veneer = ["lab composite"]', 'veneer = ["ceramic"]'),
        ('steps = ["blasting", "bonding"]', 'steps = ["bonding", "blasting"]'),
    ],
)
def test_labs_under_different_standards_are_refused(north: Store, tmp_path: Path, old: str, new: str) -> None:
    other = new_store(tmp_path / "other.sqlite")
    assert STANDARD.count(old) == 1
    save_standard(other, parse_standard(STANDARD.replace(old, new), file="x"), who="QA")
    export_records(north, tmp_path / "north", lab="north")
    export_records(other, tmp_path / "other", lab="other")
    other.close()
    with pytest.raises(FileError, match="different process standards"):
        read_exports([tmp_path / "north", tmp_path / "other"])


def test_one_lab_twice_is_refused(north: Store, tmp_path: Path) -> None:
    export_records(north, tmp_path / "first")
    export_records(north, tmp_path / "second")
    for folders in (["first", "second"], ["first", "first"]):
        with pytest.raises(FileError, match=r"both hold a lab named 'lab'.*--lab NAME"):
            read_exports([tmp_path / name for name in folders])


@pytest.mark.parametrize("lab", ["", "  ", "north:2"])
def test_a_name_that_could_not_tell_labs_apart_is_refused(north: Store, tmp_path: Path, lab: str) -> None:
    with pytest.raises(InputError, match="--lab"):
        export_records(north, tmp_path / "export", lab=lab)
    assert not (tmp_path / "export").exists()


def test_a_folder_that_holds_something_is_left_alone(north: Store, tmp_path: Path) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "letter.txt").write_text("precious")
    (tmp_path / "file").write_text("precious")
    for to in ("full", "file"):
        with pytest.raises(FileError, match="holds something already"):
            export_records(north, tmp_path / to)
    assert [path.name for path in (tmp_path / "full").iterdir()] == ["letter.txt"]
    assert (tmp_path / "file").read_text() == "precious"


def test_an_export_never_replaces_another(north: Store, tmp_path: Path) -> None:
    export_records(north, tmp_path / "export")
    with pytest.raises(FileError, match="holds something already"):
        export_records(north, tmp_path / "export")


def test_an_export_that_fails_leaves_nothing(north: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_text", full)
    (tmp_path / "export").mkdir()
    with pytest.raises(FileError, match="No space left"):
        export_records(north, tmp_path / "export")
    assert list((tmp_path / "export").iterdir()) == []


def test_nothing_to_read_is_refused() -> None:
    with pytest.raises(FileError, match="at least one"):
        read_exports([])


@pytest.mark.parametrize(
    "content", ["", "{}", "[]", "3", "{", '{"format": 1}', '{"format": 1, "lab": "x", "observed_until": "soon"}']
)
def test_other_folders_are_refused(north: Store, tmp_path: Path, content: str) -> None:
    with pytest.raises(FileError, match="no folder of exported records"):
        read_exports([tmp_path / "nowhere"])
    with pytest.raises(FileError, match="no folder of exported records"):
        read_exports([tmp_path])
    export_records(north, tmp_path / "export")
    (tmp_path / "export" / "about.json").write_text(content)
    with pytest.raises(FileError, match="no folder of exported records"):
        read_exports([tmp_path / "export"])


def test_another_format_is_refused(north: Store, tmp_path: Path) -> None:
    export_records(north, tmp_path / "export")
    about = tmp_path / "export" / "about.json"
    about.write_text(about.read_text().replace('"format": 1', '"format": 2'))
    with pytest.raises(FileError, match=r"format 2.*reads format 1"):
        read_exports([tmp_path / "export"])


def test_damaged_tables_are_refused(north: Store, tmp_path: Path) -> None:
    export_records(north, tmp_path / "export")
    part = tmp_path / "export" / "returns" / "part-0.parquet"
    whole = part.read_bytes()
    foreign = pa.table({"lab": ["x"], "defect": ["chipping"]})
    for damage in ("missing", "cut", "foreign"):
        if damage == "missing":
            shutil.rmtree(part.parent)
            with pytest.raises(FileError, match="returns cannot be read"):
                read_exports([tmp_path / "export"])
            part.parent.mkdir()
        elif damage == "cut":
            part.write_bytes(whole[: len(whole) // 2])
        else:
            pq.write_table(foreign, part)
        with pytest.raises(FileError, match="returns cannot be read"):
            read_exports([tmp_path / "export"])
    part.write_bytes(whole)
    assert read_exports([tmp_path / "export"]).snapshot.returns.num_rows == 2

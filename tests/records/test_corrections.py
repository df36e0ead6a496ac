"""A saved return set right: what was there before is kept, and nobody's change is overwritten unseen."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from sqlalchemy import select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.corrections import ChangedMeanwhileError, correct_return, differences
from remakes.records.entries import RefusedEntryError, enter_return, enter_returns, void_return
from remakes.records.look_up import RecordedReturn, recorded_returns
from remakes.records.store import Store

TODAY = date(2026, 4, 1)
RETURN: dict[str, object] = {"restoration_id": "B-1001", "reported_on": "2026-03-20", "defect": "chipping"}


def entered(store: Store, **changes: Any) -> RecordedReturn:
    return as_now(store, enter_return(store, RETURN | changes, who="QA", today=TODAY))


def as_now(store: Store, row_id: int) -> RecordedReturn:
    (one,) = recorded_returns(store, [row_id])
    return one


def correct(store: Store, opened: RecordedReturn, who: str = "QA", **changes: object) -> RecordedReturn:
    correct_return(store, opened, changes, who=who, today=TODAY)
    return as_now(store, opened.row_id)


def test_fields_are_set_right_and_the_rest_stays(lab: Store) -> None:
    opened = entered(lab, severity="3", note="off at lunch", margin="gap")
    now = correct(lab, opened, defect="debonding", plane="mixed", severity="", harm="yes", reported_on="2026-03-21")
    assert (now.defect, now.plane, now.severity, now.harm) == ("debonding", "mixed", None, True)
    assert (now.reported_on, now.note, now.extra, now.return_id) == (
        date(2026, 3, 21),
        "off at lunch",
        {"margin": "gap"},
        opened.return_id,
    )


def test_what_stood_before_is_in_the_audit(lab: Store) -> None:
    opened = entered(lab, severity="3")
    correct(lab, opened, "QA2", severity="4", reported_on="2026-03-21", extra={"margin": "gap"})
    with lab.reader() as connection:
        row = connection.execute(select(schema.audit).order_by(schema.audit.c.id.desc()).limit(1)).one()
    assert (row.who, row.what, row.row_key) == ("QA2", "correct return", str(opened.row_id))
    assert row.detail["before"] == {"reported_on": "2026-03-20", "severity": 3, "extra": {}}
    assert row.detail["after"] == {"reported_on": "2026-03-21", "severity": 4, "extra": {"margin": "gap"}}


def test_a_change_of_somebody_else_is_shown_and_not_overwritten(lab: Store) -> None:
    opened = entered(lab)
    correct(lab, opened, "QA2", severity="4", note="theirs")
    with pytest.raises(ChangedMeanwhileError, match="QA2 changed this return 0 minutes ago") as clash:
        correct(lab, opened, severity="5")
    assert clash.value.who == "QA2"
    assert differences(opened, clash.value.theirs) == ("severity", "note")
    assert as_now(lab, opened.row_id).severity == 4
    assert correct(lab, clash.value.theirs, severity="5").note == "theirs"


def test_a_change_by_a_file_is_one_too(lab: Store) -> None:
    opened = entered(lab)
    imported = {"at": opened.entered_on, "who": "QA3", "file": "returns.csv", "table_name": "returns", "sha256": ""}
    with lab.writer(may="import lists") as connection:
        from remakes.records.store import now

        (number,) = connection.execute(
            schema.imports.insert().values(imported | {"at": now()})
        ).inserted_primary_key or (0,)
        connection.execute(schema.returns.update().values(note="from the list", import_id=number))
    with pytest.raises(ChangedMeanwhileError, match="An import changed"):
        correct(lab, opened, severity="5")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"severity": "9"}, "out of range"),
        ({"reported_on": "2026-04-02"}, "later than today"),
        ({"reported_on": "2026-01-01"}, "before the restoration was delivered"),
        ({"defect": "contact"}, "has proximal contact already"),
    ],
)
def test_the_checks_are_those_of_a_new_return(lab: Store, changes: dict[str, object], words: str) -> None:
    first, _ = enter_returns(lab, [RETURN, RETURN | {"defect": "contact"}], who="QA", today=TODAY)
    opened = as_now(lab, first)
    with pytest.raises(RefusedEntryError, match=words):
        correct_return(lab, opened, changes, who="QA", today=TODAY)
    assert as_now(lab, first) == opened


def test_what_cannot_be_corrected(lab: Store) -> None:
    opened = entered(lab)
    version = lab.data_version()
    with pytest.raises(EntryError, match="restoration_id cannot be corrected"):
        correct(lab, opened, restoration_id="B-1002")
    with pytest.raises(EntryError, match="Nothing was changed"):
        correct(lab, opened, severity="")
    assert lab.data_version() == version
    void_return(lab, opened.row_id, who="QA", why="slip")
    with pytest.raises(EntryError, match="was taken back"):
        correct(lab, opened, severity="5")

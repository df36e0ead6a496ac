"""Two people set one return right: what the second did not touch keeps what the first made of it."""

from __future__ import annotations

from pathlib import Path

import pytest
from sqlalchemy import select

from remakes.records import schema
from remakes.records.corrections import ChangedMeanwhileError, correct_return
from remakes.records.look_up import RecordedReturn, recorded_return
from remakes.records.store import Store, open_store
from remakes.views.enter_parts.correct import only_mine


def first_return(store: Store) -> RecordedReturn:
    with store.reader() as connection:
        row = connection.scalar(select(schema.returns.c.id).order_by(schema.returns.c.id).limit(1))
        found = recorded_return(connection, int(row or 0))
    assert found is not None
    return found


def test_mine_over_theirs_is_what_i_changed_and_nothing_else(own_lab: Path) -> None:
    store = open_store(str(own_lab))
    opened = first_return(store)
    severity = 2 if opened.severity != 2 else 4
    correct_return(store, opened, {"severity": severity}, who="manager M1")
    # My form holds every field, as it was when I opened it; I changed the note.
    form = {
        "defect": opened.defect,
        "severity": opened.severity,
        "harm": opened.harm,
        "teeth": opened.teeth,
        "extra": {**opened.extra},
        "reported_on": opened.reported_on,
        "judged_by": opened.judged_by or "",
        "note": "edge of the crown",
    }
    with pytest.raises(ChangedMeanwhileError, match="manager M1 changed this return") as told:
        correct_return(store, opened, form, who="quality Q1")
    mine = only_mine(opened, form)
    assert mine == {"note": "edge of the crown"}
    correct_return(store, told.value.theirs, mine, who="quality Q1")
    now = first_return(store)
    assert (now.severity, now.note) == (severity, "edge of the crown")
    store.close()

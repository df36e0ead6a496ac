"""Lines of the change log as sentences."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import pytest

from remakes.records.change_log import Change
from remakes.texts import speaking
from remakes.views.setup_parts.change_said import done, done_and_why


def line(what: str, *, table: str = "returns", key: str = "7", restoration: str = "", **detail: Any) -> Change:
    at = datetime.fromisoformat("2026-03-02")
    return Change(
        number=1, at=at, who="quality Q2", what=what, table=table, key=key, restoration=restoration, detail=detail
    )


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (
            line("import", file="returns.csv", taken=1503, changed=0, unchanged=2, refused=1),
            "Imported returns.csv (returns): 1,503 added, 0 changed, 1 refused.",
        ),
        (line("undo import", file="returns.csv", rows=3), "Took the import of returns.csv (returns) back."),
        (
            line("enter return", restoration="R1", return_id="Q9", defect="chipping"),
            "Entered return Q9 of restoration R1: chipping.",
        ),
        (line("take back return", why="typed twice"), "Took back a return. Reason: typed twice."),
        (line("give up work", table="open_work", key="R5", why="cancelled."), "Gave up the work on restoration R5."),
        (line("change roles", table="people", key="M1", roles=["manager"]), "Changed the roles of M1."),
        (
            line("change requirement", table="requirements", key="bond_wait", after={"says": "Wait"}),
            "Gave the requirement “Wait” (bond_wait) a new limit from a day to come.",
        ),
        (
            line("set", table="settings", key="observed_until", value="2026-10-31"),
            "Stated that all returns are in up to 31 October 2026.",
        ),
        (
            line("set", table="people", key="own_work_seen_by", before={"roles": ["manager"]}, after={"roles": []}),
            "Settled that nobody but the technician may see a technician's own page.",
        ),
        (line("set", table="settings", key="sheen", value=3), "Changed a setting of the lab: sheen."),
        (
            line("take back reading", table="process_log", restoration="R1", reading="wait", value=None),
            "Took back the reading wait of restoration R1.",
        ),
        (line("choose language", table="people", key="M1", language="de"), "Chose the language: Deutsch."),
        (line("something new"), "Another change: something new 7"),
    ],
)
def test_a_line_says_what_was_done(change: Change, told: str) -> None:
    assert done_and_why(change).startswith(told)
    assert "{" not in done(change)


def test_a_reason_is_told_once_and_ends_as_a_sentence() -> None:
    given_up = line("withdraw action", table="decisions", key="3", why="no time", note="no time")
    assert done_and_why(given_up) == "Withdrew the action of decision 3. Reason: no time."
    assert done(given_up) == "Withdrew the action of decision 3."


def test_the_reader_hears_it_in_german_with_german_numbers() -> None:
    with speaking("de"):
        told = done(line("import", file="r.csv", taken=1503, changed=0, refused=1))
    assert told == "r.csv importiert (Rückläufer): 1\u202f503 neu, 0 geändert, 1 abgelehnt."

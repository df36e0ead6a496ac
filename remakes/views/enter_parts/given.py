"""What was answered, read for saving: from the values of the fields, so nothing need be drawn before it is saved."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from remakes.errors import EntryError
from remakes.records.defect_questions import BROKEN, DEFECT_QUESTIONS
from remakes.records.look_up import RestorationRecord
from remakes.records.typed_values import read_day, read_number
from remakes.views.enter_parts import answers

__all__ = ["returns"]


def returns(record: RestorationRecord) -> list[dict[str, Any]]:
    """The rows of the return as typed, the main defect first; none where no defect is chosen.

    What is blank is not recorded. A number or day that cannot be read goes on as it was typed: saving is then refused
    instead of leaving it out.
    """
    given = answers.content()
    shared = {
        "restoration_id": record.restoration_id,
        "harm": given.get("harm"),
        "found_at": given.get("found"),
        "severity": given.get("severity"),
        "teeth": " ".join(given.get("teeth", ())),
        "disposition": given.get("disposition"),
        "attributed_to": given.get("attributed"),
        "reported_on": _day(given.get("reported", "")),
        "judged_by": given.get("judged", ""),
        "return_id": given.get("return_id", ""),
        "note": given.get("note", ""),
    }
    return [
        {**shared, "defect": defect, "primary": "no" if place else "yes", **_about(defect, given)}
        for place, defect in enumerate(_defects(given))
    ]


def _defects(given: Mapping[str, Any]) -> list[str]:
    main = given.get("defect")
    return [main, *(one for one in given.get("others", ()) if one != main)] if main else []


def _about(defect: str, given: Mapping[str, Any]) -> dict[str, Any]:
    found = {one.name: given.get(one.name) for one in DEFECT_QUESTIONS.get(defect, ())}
    if defect in BROKEN:
        found |= {
            "plane": given.get(f"plane_{defect}"),
            "bare_metal_pct": _number(given.get(f"bare_{defect}", "")),
        }
    return found


def _number(typed: str) -> float | str | None:
    try:
        return read_number(typed)
    except EntryError:
        return typed


def _day(typed: str) -> object:
    try:
        return read_day(typed)
    except EntryError:
        return typed

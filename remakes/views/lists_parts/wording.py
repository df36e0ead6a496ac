"""What lists, columns and codes are called on the page."""

from __future__ import annotations

from datetime import datetime, time

from remakes import words
from remakes.records.codes import DEFECTS, FOUND_AT, PLANES, SEVERITIES
from remakes.texts import t

__all__ = ["code", "column", "kind_of_list", "moment", "notation", "table"]


def kind_of_list(name: str) -> str:
    """What one row of a list is."""
    return {
        "restorations": t("Restorations: one row for each piece that left the lab"),
        "bench_sheet": t("Bench sheet: one row for each piece, one column for each reading"),
        "process_log": t("Process log: one row for each reading"),
        "returns": t("Returns: one row for each piece that came back, and defect"),
    }[name]


def table(name: str) -> str:
    """A table of the records in a sentence."""
    return {
        "restorations": t("restorations"),
        "process_log": t("process log"),
        "bench_sheet": t("bench sheet"),
        "returns": t("returns"),
        "standard": t("process standard"),
        "actions": t("corrective actions"),
    }.get(name, name)


def column(name: str) -> str:
    """One of our columns."""
    return {
        "restoration_id": t("Restoration number"),
        "case_id": t("Case or order number"),
        "clinic": t("Clinic (code)"),
        "technician": t("Technician (code)"),
        "kind": t("Kind"),
        "teeth": t("Teeth"),
        "units": t("Units"),
        "framework": t("Framework"),
        "veneer": t("Veneer"),
        "difficulty": t("Difficulty"),
        "received_on": t("Received on"),
        "due_on": t("Due on"),
        "delivered_on": t("Delivered on"),
        "remake_of": t("Remake of"),
        "step": t("Working step"),
        "reading": t("Reading"),
        "value": t("Value"),
        "recorded_at": t("Recorded at (day, or day and time)"),
        "operator": t("Operator (code)"),
        "equipment": t("Machine"),
        "lot": t("Lot"),
        "return_id": t("Return number"),
        "reported_on": t("Reported on"),
        "entered_on": t("Entered on"),
        "defect": t("Defect"),
        "primary": t("Main defect (yes or no)"),
        "plane": t("Where the break ran"),
        "bare_metal_pct": t("Bare metal in per cent"),
        "found_at": t("Found at"),
        "severity": t("Severity (1 to 5)"),
        "harm": t("Somebody hurt (yes or no)"),
        "disposition": t("What was done"),
        "attributed_to": t("Attributed to"),
        "judged_by": t("Judged by (code)"),
        "cost": t("Cost"),
        "note": t("Note"),
    }.get(name, name)


def code(of: str, name: str) -> str:
    """A code with the words for it."""
    known = {"defect": DEFECTS, "plane": PLANES, "found_at": FOUND_AT}.get(of)
    if known is not None:
        return t(known[name])
    return t("{level}: {word}", level=name, word=t(SEVERITIES[int(name)])) if of == "severity" else t(name)


def notation(name: str) -> str:
    """A way of counting teeth, with an example."""
    return {
        "iso3950": t("Two-digit codes (ISO 3950), such as 34 35 36"),
        "universal": t("Numbers 1 to 32, such as 19 20 21"),
        "palmer": t("Quadrant and tooth, such as UR6 LL4"),
    }[name]


def moment(when: datetime) -> str:
    """A day in words, with its time where there is one."""
    day = words.day(when.date())
    return day if when.time() == time.min else t("{day}, {time}", day=day, time=when.strftime("%H:%M"))

"""One row of a list or one form, checked: either a clean row, or everything that is wrong with it.

The same checks stand behind an import and behind what a person types. Nothing is guessed: dates are
ISO 8601, numbers have a decimal point, codes are those of `codes` (capitals do not matter). A blank is
"not recorded" and becomes None.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from types import MappingProxyType
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from remakes.records.cells import (
    Problem,
    Reader,
    RefusedCell,
    code,
    day,
    moment,
    number,
    plain_text,
    shown,
    storable,
    tags,
    teeth_codes,
    whole_number,
    yes_no,
)
from remakes.records.codes import ATTRIBUTED_TO, DEFECTS, DISPOSITIONS, FOUND_AT, KINDS, PLANES, SEVERITIES
from remakes.texts import t

__all__ = [
    "COLUMNS",
    "REQUIRED_COLUMNS",
    "Problem",
    "ReadingRow",
    "RestorationRow",
    "ReturnRow",
    "check_reading",
    "check_restoration",
    "check_return",
    "check_return_against",
    "is_patient_column",
]

#: More units than any mouth has teeth is a slip of the keyboard.
_MOST_UNITS = 32


class _Row(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class RestorationRow(_Row):
    """One restoration that left the lab."""

    restoration_id: str
    case_id: str | None = None
    clinic: str | None = None
    technician: str | None = None
    kind: str
    teeth: str = ""
    units: int
    framework: str | None = None
    veneer: str | None = None
    difficulty: str = ""
    received_on: date | None = None
    due_on: date | None = None
    delivered_on: date
    remake_of: str | None = None
    extra: dict[str, str] = Field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingRow:
    """One reading of the process log; a value of None is not recorded.

    No model as the other two are: of these there are hundreds of thousands, and a model holds six times the memory.
    """

    restoration_id: str
    step: str
    reading: str
    value: str | None = None
    recorded_at: datetime | None = None
    operator: str | None = None
    equipment: str | None = None
    lot: str | None = None
    extra: dict[str, str] = field(default_factory=dict)

    def model_dump(self) -> dict[str, Any]:
        """Its content by column, under the name that the models have for it."""
        return {name: getattr(self, name) for name in self.__slots__}


class ReturnRow(_Row):
    """One returned restoration and defect."""

    return_id: str
    restoration_id: str
    reported_on: date
    entered_on: date | None = None
    defect: str
    primary: bool | None = None
    plane: str | None = None
    bare_metal_pct: float | None = None
    found_at: str | None = None
    severity: int | None = None
    harm: bool | None = None
    teeth: str = ""
    disposition: str | None = None
    attributed_to: str | None = None
    judged_by: str | None = None
    cost: float | None = None
    note: str | None = None
    extra: dict[str, str] = Field(default_factory=dict)


_RESTORATION_READERS: Mapping[str, Reader] = MappingProxyType(
    {
        "restoration_id": plain_text,
        "case_id": plain_text,
        "clinic": plain_text,
        "technician": plain_text,
        "kind": code(KINDS),
        "teeth": teeth_codes,
        "units": whole_number(1, _MOST_UNITS),
        "framework": plain_text,
        "veneer": plain_text,
        "difficulty": tags,
        "received_on": day,
        "due_on": day,
        "delivered_on": day,
        "remake_of": plain_text,
    }
)
_READING_READERS: Mapping[str, Reader] = MappingProxyType(
    {
        "restoration_id": plain_text,
        "step": plain_text,
        "reading": plain_text,
        "value": plain_text,
        "recorded_at": moment,
        "operator": plain_text,
        "equipment": plain_text,
        "lot": plain_text,
    }
)
_RETURN_READERS: Mapping[str, Reader] = MappingProxyType(
    {
        "return_id": plain_text,
        "restoration_id": plain_text,
        "reported_on": day,
        "entered_on": day,
        "defect": code(DEFECTS),
        "primary": yes_no,
        "plane": code(PLANES),
        "bare_metal_pct": number(0, 100),
        "found_at": code(FOUND_AT),
        "severity": whole_number(min(SEVERITIES), max(SEVERITIES)),
        "harm": yes_no,
        "teeth": teeth_codes,
        "disposition": code(DISPOSITIONS),
        "attributed_to": code(ATTRIBUTED_TO),
        "judged_by": plain_text,
        "cost": number(0, None),
        "note": plain_text,
    }
)

#: The columns of each table, in the order of the interchange files.
COLUMNS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "restorations": tuple(_RESTORATION_READERS),
        "process_log": tuple(_READING_READERS),
        "returns": tuple(_RETURN_READERS),
    }
)
#: The columns that may not be blank. `units` may be, where `teeth` is filled.
REQUIRED_COLUMNS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "restorations": ("restoration_id", "kind", "delivered_on"),
        "process_log": ("restoration_id", "step", "reading"),
        "returns": ("return_id", "restoration_id", "reported_on", "defect"),
    }
)
_NEEDED_OF_READING = frozenset(REQUIRED_COLUMNS["process_log"])
_HOW_TO_FILL: Mapping[str, str] = MappingProxyType(
    {
        "restoration_id": t("Write the lab's own number of the restoration."),
        "return_id": t("Write the number of the return; its further defects carry the same one."),
        "kind": t("Write one of: {items}.", items=", ".join(KINDS)),
        "delivered_on": t("Write the day it left the lab, such as 2026-03-02; leave out what has not left yet."),
        "reported_on": t("Write the day the return was reported, such as 2026-03-02."),
        "defect": t("Write one of: {items}.", items=", ".join(DEFECTS)),
        "step": t("Write the working step as the process standard names it."),
        "reading": t("Write the reading as the process standard names it."),
    }
)

# English and German, from memory of common headings; compared without capitals, blanks, dots, dashes, underscores.
_PATIENT_COLUMNS = frozenset(
    {
        *("birthdate", "birthday", "birthname", "dateofbirth", "dob", "geburtsdatum", "geburtstag"),
        *("name", "nameofpatient", "pname", "ptname", "fullname", "surname", "nachname", "vorname"),
        *("firstname", "forename", "givenname", "familyname", "lastname"),
        *("email", "phone", "telephone", "mobile", "insurancenumber", "socialsecuritynumber", "ssn"),
    }
)


def is_patient_column(name: str) -> bool:
    """Would a column of this name hold a patient's name, birthday or address?

    Such columns are never kept. Every name that begins with "patient" is one of them, numbers and ages
    too. The list of the others is from memory of common headings; a column named otherwise is not recognised.
    """
    plain = "".join(letter for letter in name.casefold() if letter.isalnum())
    return plain in _PATIENT_COLUMNS or plain.startswith("patient")


def check_restoration(raw: Mapping[str, object]) -> tuple[RestorationRow | None, list[Problem]]:
    """Is this a restoration the records can take?

    Parameters
    ----------
    raw : mapping of column to text, number, date, datetime, bool or None
        As read. Columns of other names are kept as text in `extra`, except those of
        `is_patient_column`, which are dropped. Blank `units` become the number of teeth.

    Returns
    -------
    row, problems
        A clean row and no problem, or None and every problem of the row. Never raises.
    """
    values, problems = _read("restorations", _RESTORATION_READERS, raw)
    faulty = {problem.column for problem in problems}
    if values["units"] is None and "units" not in faulty and "teeth" not in faulty:
        values["units"] = len(values["teeth"].split()) or None
        if values["units"] is None:
            problems.append(
                Problem(
                    column="units",
                    value="",
                    reason=t("The number of units is blank, and so are the teeth."),
                    mend=t("Write the number of units (1 or more), or the teeth."),
                )
            )
    received, delivered = values["received_on"], values["delivered_on"]
    if received is not None and delivered is not None and delivered < received:
        problems.append(
            Problem(
                column="delivered_on",
                value=delivered.isoformat(),
                reason=t("Delivered before it was received ({received}).", received=received.isoformat()),
                mend=t("Correct the one of the two dates that is wrong; leave received_on blank if it is not known."),
            )
        )
    if values["remake_of"] is not None and values["remake_of"] == values["restoration_id"]:
        problems.append(
            Problem(
                column="remake_of",
                value=values["remake_of"],
                reason=t("A restoration cannot replace itself."),
                mend=t("Write the number of the earlier restoration, or leave it blank."),
            )
        )
    return (None, problems) if problems else (RestorationRow(**values), problems)


def check_reading(raw: Mapping[str, object]) -> tuple[ReadingRow | None, list[Problem]]:
    """Is this a reading the process log can take?

    As `check_restoration`; whether the standard knows the step and can read the value is for the
    caller, who knows the standard. Clean text takes a short way of about 5 microseconds a row.
    """
    row = _clean_reading(raw)
    if row is not None:
        return row, []
    values, problems = _read("process_log", _READING_READERS, raw)
    return (None, problems) if problems else (ReadingRow(**values), problems)


def check_return(raw: Mapping[str, object]) -> tuple[ReturnRow | None, list[Problem]]:
    """Is this a return the records can take?

    As `check_restoration`. Whether it fits its restoration is for `check_return_against`.
    """
    values, problems = _read("returns", _RETURN_READERS, raw)
    return (None, problems) if problems else (ReturnRow(**values), problems)


def check_return_against(row: ReturnRow, delivered_on: date) -> list[Problem]:
    """Does this return fit the restoration it names, delivered on this day?

    A return is reported on the day of delivery or later, unless it was caught in the lab
    (`found_at` is `before_delivery`).
    """
    if row.reported_on >= delivered_on or row.found_at == "before_delivery":
        return []
    return [
        Problem(
            column="reported_on",
            value=row.reported_on.isoformat(),
            reason=t(
                "Reported before the restoration was delivered ({delivered_on}).", delivered_on=delivered_on.isoformat()
            ),
            mend=t("Correct the date; if it was caught in the lab, write before_delivery in found_at."),
        )
    ]


def _read(table: str, readers: Mapping[str, Reader], raw: Mapping[str, object]) -> tuple[dict[str, Any], list[Problem]]:
    values: dict[str, Any] = {}
    problems: list[Problem] = []
    for column, reader in readers.items():
        try:
            values[column] = reader(raw.get(column))
        except RefusedCell as refused:
            values[column] = None
            problems.append(
                Problem(column=column, value=shown(raw.get(column)), reason=refused.reason, mend=refused.mend)
            )
            continue
        if values[column] is None and column in REQUIRED_COLUMNS[table]:
            problems.append(
                Problem(
                    column=column, value="", reason=t("{column} is blank.", column=column), mend=t(_HOW_TO_FILL[column])
                )
            )
    values["extra"] = _extra(readers, raw, problems)
    return values, problems


def _extra(readers: Mapping[str, Reader], raw: Mapping[str, object], problems: list[Problem]) -> dict[str, str]:
    kept: dict[str, str] = {}
    for name, seen in raw.items():
        if name in readers or is_patient_column(str(name)):
            continue
        try:
            text = plain_text(seen)
        except RefusedCell as refused:
            problems.append(Problem(column=str(name), value=shown(seen), reason=refused.reason, mend=refused.mend))
            continue
        if text is not None:
            kept[str(name)] = text
    return kept


def _clean_reading(raw: Mapping[str, object]) -> ReadingRow | None:
    # Process logs are the long table. A row of clean text under the known columns needs none of the
    # words above; anything unusual gives None and takes the full way, so both ways agree.
    values: dict[str, Any] = {}
    for column, seen in raw.items():
        if seen is None:
            continue
        if column == "recorded_at":
            try:
                values[column] = moment(seen)
            except RefusedCell:
                return None
            continue
        if type(seen) is not str or column not in _READING_READERS or not storable(seen):
            return None
        text = seen.strip()
        if text:
            values[column] = text
    return ReadingRow(**values) if values.keys() >= _NEEDED_OF_READING else None

"""Requirements in the course of time: which stand on a day, which were replaced, what was delivered under them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Literal

from sqlalchemy import Connection, select

from remakes.records import schema
from remakes.records.requirements import ProcessStandard, Requirement
from remakes.records.standard_file import APPLIES_WHEN_COLUMNS
from remakes.records.store import Store

__all__ = ["Standing", "columns_known", "deliveries_under", "same_cases", "standing_of"]

Standing = Literal["in force", "planned", "replaced", "ended"]


def standing_of(standard: ProcessStandard, one: Requirement, today: date) -> Standing:
    """How does a requirement stand on a day?

    Returns
    -------
    {"in force", "planned", "replaced", "ended"}
        replaced: another one of the same factor, for the same cases, has begun since.
    """
    if one.valid_from > today:
        return "planned"
    if one.valid_until is not None and one.valid_until < today:
        return "ended"
    later = any(one.valid_from < other.valid_from <= today for other in same_cases(standard, one))
    return "replaced" if later else "in force"


def same_cases(standard: ProcessStandard, one: Requirement) -> list[Requirement]:
    """The other requirements of the factor that are for the same cases."""
    same = standard.requirements_of(one.factor)
    return [other for other in same if other != one and dict(other.applies_when) == dict(one.applies_when)]


def deliveries_under(connection: Connection, one: Requirement) -> int:
    """How many restorations were delivered while a requirement held, and are of the cases that it is for?"""
    restorations = schema.restorations.c
    columns = [restorations[name] for name in APPLIES_WHEN_COLUMNS]
    query = select(*columns).where(restorations.delivered_on >= one.valid_from)
    if one.valid_until is not None:
        query = query.where(restorations.delivered_on <= one.valid_until)
    return sum(one.applies_to(dict(row._mapping)) for row in connection.execute(query))


def columns_known(store: Store) -> Mapping[str, tuple[str, ...]]:
    """What a requirement may depend on, each with the values that the restorations have, in order."""
    restorations = schema.restorations.c
    found = {}
    with store.reader() as connection:
        for name in APPLIES_WHEN_COLUMNS:
            cells = connection.scalars(select(restorations[name]).distinct())
            split = (part for cell in cells for part in ((cell or "").split(";") if name == "difficulty" else [cell]))
            found[name] = tuple(sorted({part.strip() for part in split if part and part.strip()}))
    return found

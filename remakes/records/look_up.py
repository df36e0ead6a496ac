"""One restoration by its number: its columns and its returns; and the returns last written down."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from difflib import get_close_matches
from typing import Any

from sqlalchemy import CompoundSelect, Connection, Row, Select, func, select, union

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.store import Store
from remakes.texts import t

__all__ = [
    "NumberMatch",
    "RecordedReturn",
    "RestorationRecord",
    "find_restoration",
    "latest_returns",
    "match_number",
    "recorded_return",
    "recorded_returns",
    "restoration_record",
    "unknown_restoration",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedReturn:
    """One row of the returns as the store holds it; None is not recorded."""

    row_id: int
    return_id: str
    restoration_id: str
    reported_on: date
    entered_on: date | None
    defect: str
    primary: bool | None
    plane: str | None
    bare_metal_pct: float | None
    found_at: str | None
    severity: int | None
    harm: bool | None
    teeth: str
    disposition: str | None
    attributed_to: str | None
    judged_by: str | None
    cost: float | None
    note: str | None
    extra: dict[str, str]
    import_id: int | None
    voided_at: datetime | None
    voided_why: str | None

    @property
    def voided(self) -> bool:
        """Was it taken back? Then it is shown, and left out of every figure."""
        return self.voided_at is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class RestorationRecord:
    """One restoration as the store holds it, with its returns by day of report, those taken back too."""

    restoration_id: str
    case_id: str | None
    clinic: str | None
    technician: str | None
    kind: str
    teeth: str
    units: int
    framework: str | None
    veneer: str | None
    difficulty: str
    received_on: date | None
    due_on: date | None
    delivered_on: date
    remake_of: str | None
    extra: dict[str, str]
    import_id: int | None
    returns: tuple[RecordedReturn, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberMatch:
    """What a typed or scanned number stands for.

    Attributes
    ----------
    found : str or None
        The number as the records write it.
    near : tuple of str
        Where nothing was found: known numbers that look like it.
    """

    found: str | None
    near: tuple[str, ...] = ()


def find_restoration(store: Store, restoration_id: str) -> RestorationRecord | None:
    """What do the records hold on the restoration of this number?

    Parameters
    ----------
    restoration_id : str
        The lab's own number, exactly; blanks around it do not matter.

    Returns
    -------
    RestorationRecord or None
        None where there is no such number.
    """
    with store.reader() as connection:
        return restoration_record(connection, restoration_id.strip())


def match_number(store: Store, typed: str, *, in_work: bool = False) -> NumberMatch:
    """Which restoration did somebody type or scan?

    The number itself counts first. Failing that, one that differs in capitals or blanks only, if there is
    just one; failing that, nothing, and up to three numbers near it.

    Parameters
    ----------
    in_work : bool
        Numbers that were begun at the bench are known, too; by default only what has left the lab.
    """
    known: Select[Any] | CompoundSelect[Any] = select(schema.restorations.c.restoration_id)
    if in_work:
        known = union(known, select(schema.open_work.c.restoration_id))
    table = known.subquery().c
    wanted = typed.strip()
    squeezed = "".join(wanted.split()).upper()
    with store.reader() as connection:
        if connection.scalar(select(table.restoration_id).where(table.restoration_id == wanted)) is not None:
            return NumberMatch(found=wanted)
        if not squeezed:
            return NumberMatch(found=None)
        plain = func.replace(func.upper(table.restoration_id), " ", "")
        alike = connection.scalars(select(table.restoration_id).where(plain == squeezed)).all()
        if len(alike) == 1:
            return NumberMatch(found=str(alike[0]))
        return NumberMatch(found=None, near=tuple(sorted(alike)[:3]) or _near(connection, wanted))


def recorded_returns(store: Store, row_ids: Iterable[int]) -> tuple[RecordedReturn, ...]:
    """The rows of these numbers as they stand now, in the order of their numbers; unknown ones are left out."""
    table = schema.returns
    with store.reader() as connection:
        found = connection.execute(select(table).where(table.c.id.in_(list(row_ids))).order_by(table.c.id))
        return tuple(map(_recorded_return, found))


def latest_returns(store: Store, *, limit: int = 10) -> tuple[RecordedReturn, ...]:
    """The returns last written down, newest first, those taken back too.

    Raises
    ------
    EntryError
        `limit` is less than 1.
    """
    if limit < 1:
        raise EntryError(t("{limit} returns were asked for; ask for 1 or more.", limit=limit))
    query = select(schema.returns).order_by(schema.returns.c.id.desc()).limit(limit)
    with store.reader() as connection:
        return tuple(map(_recorded_return, connection.execute(query)))


def unknown_restoration(connection: Connection, restoration_id: str) -> EntryError:
    """The error for a number that is not in the records, naming the nearest ones."""
    near = _near(connection, restoration_id)
    hint = t(" {near}", near=t("Numbers near it: {items}.", items=", ".join(near))) if near else ""
    return EntryError(
        t(
            "There is no restoration {restoration_id!r} in the records.{hint} Check the number, or bring "
            "the list of restorations in first.",
            restoration_id=restoration_id,
            hint=hint,
        )
    )


def recorded_return(connection: Connection, row_id: int) -> RecordedReturn | None:
    """One row of the returns, inside a running read or write; None where there is no such row."""
    row = connection.execute(select(schema.returns).where(schema.returns.c.id == row_id)).one_or_none()
    return None if row is None else _recorded_return(row)


def _near(connection: Connection, restoration_id: str) -> tuple[str, ...]:
    known = connection.scalars(select(schema.restorations.c.restoration_id)).all()
    return tuple(get_close_matches(restoration_id, known, n=3, cutoff=0.7))


def restoration_record(connection: Connection, restoration_id: str) -> RestorationRecord | None:
    """As `find_restoration`, inside a running read or write."""
    table, returns = schema.restorations, schema.returns
    row = connection.execute(select(table).where(table.c.restoration_id == restoration_id)).one_or_none()
    if row is None:
        return None
    query = select(returns).where(returns.c.restoration_id == restoration_id)
    found = connection.execute(query.order_by(returns.c.reported_on, returns.c.id))
    values = dict(row._mapping) | {"extra": row.extra or {}}
    return RestorationRecord(**values, returns=tuple(map(_recorded_return, found)))


def _recorded_return(row: Row[Any]) -> RecordedReturn:
    values = dict(row._mapping) | {"extra": row.extra or {}}
    return RecordedReturn(row_id=values.pop("id"), **values)

"""What the records hold, without an analysis."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select

from remakes.flow.start import observed_until
from remakes.records import schema
from remakes.records.observation import set_observed_until
from remakes.records.store import Store

if TYPE_CHECKING:
    from remakes.records.gaps import Gaps

__all__ = [
    "Brief",
    "ConcernedRestoration",
    "brief",
    "gaps",
    "restorations_behind",
    "set_observed_until",
    "technicians",
    "title",
]


def title(store: Store) -> str:
    """What the lab's process standard is called; blank without one."""
    from remakes.records.standard import load_standard

    return load_standard(store).title


@dataclass(frozen=True, slots=True, kw_only=True)
class Brief:
    """How the records stand today.

    Attributes
    ----------
    restorations, readings, returns, requirements, actions : int
    observed_until : date or None
    until_stated : bool
        Somebody said that returns are complete up to there; otherwise it is only the latest day in the records.
    last_reported : date or None
    unclear : tuple of (return number, restoration, reported on)
        Returns coded "other" or without a place where they were found, newest first, at most 20.
    """

    restorations: int
    readings: int
    returns: int
    requirements: int
    actions: int
    observed_until: date | None
    until_stated: bool
    last_reported: date | None
    unclear: tuple[tuple[str, str, date], ...]

    @property
    def empty(self) -> bool:
        """Nothing has been brought in yet."""
        return self.restorations == 0


def brief(store: Store) -> Brief:
    """How the records stand and what needs somebody now; quick, nothing is analyzed."""
    returns = schema.returns
    standing = returns.c.voided_at.is_(None)
    with store.reader() as connection:

        def number(table: Any, *conditions: Any) -> int:
            return int(connection.scalar(select(func.count()).select_from(table).where(*conditions)) or 0)

        last = connection.scalar(select(func.max(returns.c.reported_on)).where(standing))
        unclear = connection.execute(
            select(returns.c.return_id, returns.c.restoration_id, returns.c.reported_on)
            .where(standing, (returns.c.defect == "other") | returns.c.found_at.is_(None))
            .order_by(returns.c.reported_on.desc(), returns.c.id)
            .limit(20)
        ).all()
        counts = {
            "restorations": number(schema.restorations),
            "readings": number(schema.process_log),
            "returns": number(returns, standing),
            "requirements": number(schema.requirements),
            "actions": number(schema.actions),
        }
    return Brief(
        **counts,
        observed_until=store.observed_until(),
        until_stated=bool(store.setting("observed_until")),
        last_reported=last,
        unclear=tuple((row[0], row[1], row[2]) for row in unclear),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ConcernedRestoration:
    """One restoration behind a number."""

    restoration_id: str
    delivered_on: date
    technician: str
    kind: str
    teeth: str
    status: str
    value: str
    returned_on: date | None


def restorations_behind(store: Store, *, factor: str, defect: str) -> tuple[ConcernedRestoration, ...]:
    """The returned restorations behind one finding, with what was recorded for each.

    Raises
    ------
    ProcessStandardError
        An unknown factor.
    """
    from remakes.counts.behind import returned_with_status
    from remakes.counts.engine import connect
    from remakes.records.snapshot import take_snapshot

    snapshot = take_snapshot(store)
    snapshot.standard.requirements_of(factor)
    rows = returned_with_status(
        connect(snapshot), snapshot.standard, factor=factor, defect=defect, observed_until=observed_until(snapshot)
    )
    return tuple(ConcernedRestoration(**row) for row in rows)


def gaps(store: Store) -> Gaps:
    """Of each column and reading, how much is recorded, month of delivery by month."""
    from remakes.records.gaps import find_gaps

    return find_gaps(store)


def technicians(store: Store) -> tuple[str, ...]:
    """The pseudonyms of those who veneered something, in order."""
    column = schema.restorations.c.technician
    with store.reader() as connection:
        found = connection.scalars(select(column).where(column.is_not(None)).distinct().order_by(column)).all()
    return tuple(str(one) for one in found)

"""Up to which day the records are complete, as somebody states it."""

from __future__ import annotations

from datetime import date

from sqlalchemy import Connection, func, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.store import Store, read_observed_until
from remakes.texts import t

__all__ = ["set_observed_until"]


def set_observed_until(store: Store, day: date, *, who: str, today: date | None = None) -> None:
    """State up to which day returns are complete.

    Parameters
    ----------
    today : date, optional
        Default: the calendar day of this machine.

    Raises
    ------
    EntryError
        A day to come that is later than all records: restorations would count as kept in months that nobody has seen.
    """
    with store.writer(may="state the date") as connection:
        last = max(today or date.today(), *_last_days(connection))
        if day > last:
            raise EntryError(
                t(
                    "{day} is still to come, so returns cannot be complete up to it: restorations would count as kept "
                    "in months that nobody has seen. Give {last} or an earlier day.",
                    day=day.isoformat(),
                    last=last.isoformat(),
                )
            )
        store.put_setting(connection, "observed_until", day.isoformat(), who=who)


def _last_days(connection: Connection) -> list[date]:
    """The latest delivery, the latest report and what was stated so far; invented records may lie ahead of the day."""
    returns = schema.returns.c
    delivered = connection.scalar(select(func.max(schema.restorations.c.delivered_on)))
    reported = connection.scalar(select(func.max(returns.reported_on)).where(returns.voided_at.is_(None)))
    return [day for day in (delivered, reported, read_observed_until(connection)) if day is not None]

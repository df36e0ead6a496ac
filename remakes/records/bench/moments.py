"""Points in time at the bench: the store's own are in UTC, those of the process log are on the lab's clock."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time
from typing import Final

from remakes.errors import EntryError
from remakes.records.cells import shown
from remakes.texts import t

__all__ = ["local_day", "on_the_clock", "read_time", "stored"]

_TIME: Final = re.compile(r"([0-9]{1,2})\s*(?:[:.h]\s*([0-9]{2})(?:\s*[:.m]\s*([0-9]{2}))?)?")


def on_the_clock(at: datetime) -> datetime:
    """A moment of the store (UTC, without zone) as the lab's clock showed it, to the second."""
    return at.replace(tzinfo=UTC).astimezone().replace(tzinfo=None, microsecond=0)


def local_day(at: datetime) -> date:
    """The lab's calendar day of a moment of the store."""
    return on_the_clock(at).date()


def stored(clock: datetime) -> datetime:
    """A moment of the lab's clock as the store keeps its own, in UTC without zone."""
    return clock.astimezone(UTC).replace(tzinfo=None)


def read_time(text: str) -> time | None:
    """The time of day somebody typed, as 10:35, 10:35:20, 10.35, 10h35 or 10; None for a blank.

    Raises
    ------
    EntryError
        No time of a day.
    """
    seen = text.strip()
    if not seen:
        return None
    found = _TIME.fullmatch(seen)
    if found:
        hour, minute, second = (int(one or 0) for one in found.groups())
        if hour < 24 and minute < 60 and second < 60:
            return time(hour, minute, second)
    raise EntryError(t("“{seen}” is no time of day. Type it as 10:35.", seen=shown(text)))

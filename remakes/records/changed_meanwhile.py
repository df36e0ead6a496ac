"""Somebody else changed the same thing meanwhile: who, when, and what stands there now."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection

from remakes.errors import EntryError
from remakes.records.bench.moments import on_the_clock
from remakes.records.change_log import last_change
from remakes.texts import t

__all__ = ["ChangedMeanwhileError", "changed_meanwhile"]


class ChangedMeanwhileError(EntryError):
    """Somebody else changed the same thing after it was opened; nothing was saved.

    Parameters
    ----------
    what : str
        The thing, in words.
    who : str
        Who changed it last; blank where the log does not tell.
    at : datetime, optional
        When, in UTC.
    theirs : object
        The content as it stands now; None where it is gone.
    """

    def __init__(self, what: str, *, who: str, at: datetime | None, theirs: Any) -> None:
        super().__init__(
            t(
                "{what} was changed by {who} at {at}, after you had opened it. Nothing was saved: look at both, "
                "then save yours again or leave theirs.",
                what=what,
                who=who or "?",
                at="?" if at is None else f"{on_the_clock(at):%Y-%m-%d %H:%M}",
            )
        )
        self.who = who
        self.at = at
        self.theirs = theirs


def changed_meanwhile(
    connection: Connection, what: str, *, theirs: Any, tables: Sequence[str], key: str | None = None
) -> ChangedMeanwhileError:
    """The error that names who changed it last, by the log.

    Parameters
    ----------
    what : str
        The thing, in words.
    theirs : object
        What stands there now; None where it is gone.
    tables : sequence of str
        Under which the log has changes of it.
    key : str, optional
        Its key there; where no line names it, a change of the whole is taken, such as an import.
    """
    last = (last_change(connection, tables=tables, key=key) if key else None) or last_change(connection, tables=tables)
    return ChangedMeanwhileError(what, who=last.who if last else "", at=last.at if last else None, theirs=theirs)

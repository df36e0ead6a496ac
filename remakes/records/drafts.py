"""What somebody typed and has not saved yet: kept so that a refresh, a restart or another browser loses nothing.

A draft is no record: no figure rests on it, it leaves no line in the audit, and it goes when its content
is saved or given up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy import select

from remakes.records import schema
from remakes.records.store import PATIENCE_MS, Store, now

__all__ = ["HERE", "SHORT_PATIENCE_MS", "Draft", "drop_draft", "keep_draft", "load_draft"]

#: Who owns the drafts of those who have not said who they are.
HERE: Final = "here"
#: Nobody who types is kept waiting longer than this for a draft: it is tried again at the next answer.
SHORT_PATIENCE_MS: Final = 1_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """One unfinished entry; `saved_at` is in UTC, as all times of the store."""

    content: dict[str, Any]
    saved_at: datetime


def keep_draft(
    store: Store, what: str, content: Mapping[str, Any], *, owner: str, patience_ms: int = PATIENCE_MS
) -> None:
    """Keep what was typed so far, in place of what was kept before.

    Parameters
    ----------
    what : str
        The form: return, bench sheet ...
    content : mapping
        What JSON can hold.
    owner : str
        Code of the person; blank: `HERE`.
    patience_ms : int
        How long to wait for somebody else who writes.
    """
    table = schema.drafts
    mine = (table.c.owner == (owner or HERE)) & (table.c.what == what)
    values = {"content": dict(content), "saved_at": now()}
    with store.writer(may="keep a draft", patience_ms=patience_ms) as connection:
        if not connection.execute(table.update().where(mine).values(values)).rowcount:
            connection.execute(table.insert(), {"owner": owner or HERE, "what": what, **values})


def load_draft(store: Store, what: str, *, owner: str) -> Draft | None:
    """What this person typed into this form and did not save; None where there is nothing."""
    table = schema.drafts
    query = select(table).where(table.c.owner == (owner or HERE), table.c.what == what)
    with store.reader() as connection:
        row = connection.execute(query).one_or_none()
    return None if row is None else Draft(content=dict(row.content), saved_at=row.saved_at)


def drop_draft(store: Store, what: str, *, owner: str, patience_ms: int = PATIENCE_MS) -> None:
    """Forget what was typed: it is saved, or given up."""
    table = schema.drafts
    with store.writer(may="keep a draft", patience_ms=patience_ms) as connection:
        connection.execute(table.delete().where(table.c.owner == (owner or HERE), table.c.what == what))

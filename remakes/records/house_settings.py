"""What a lab has settled about its people's own pages."""

from __future__ import annotations

from typing import Final

from sqlalchemy import Connection, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.permissions import ROLES, Role
from remakes.records.store import Store
from remakes.texts import t

__all__ = ["MAY_SEE", "own_work_seen_by", "set_own_work_seen_by"]

#: Whom a lab can let look at a technician's page, besides the technician.
MAY_SEE: Final[tuple[Role, ...]] = tuple(role for role in ROLES if role != "technician")
_KEY: Final = "own_work_seen_by"


def own_work_seen_by(store: Store) -> tuple[Role, ...]:
    """Which roles may see a technician's own page besides the technician? Nobody, unless the lab has settled it."""
    with store.reader() as connection:
        return _seen_by(connection)


def set_own_work_seen_by(store: Store, roles: tuple[str, ...], *, who: str) -> None:
    """Settle which roles may see a technician's own page besides the technician.

    Raises
    ------
    EntryError
        Another role than `MAY_SEE` names: technicians never see each other's page.
    """
    strange = [role for role in roles if role not in MAY_SEE]
    if strange:
        raise EntryError(
            t("{roles} cannot be let in. Choose among {known}.", roles=", ".join(strange), known=", ".join(MAY_SEE))
        )
    after = tuple(role for role in MAY_SEE if role in roles)
    with store.writer(may="keep people") as connection:
        before = _seen_by(connection)
        settings = schema.settings
        connection.execute(settings.delete().where(settings.c.key == _KEY))
        connection.execute(settings.insert(), {"key": _KEY, "value": list(after)})
        # Under the people's name, on which no figure rests: a line of the settings would make all figures anew.
        detail = {"before": {"roles": list(before)}, "after": {"roles": list(after)}}
        store.note(connection, who=who, what="set", table=schema.people.name, key=_KEY, detail=detail)


def _seen_by(connection: Connection) -> tuple[Role, ...]:
    stored = connection.scalar(select(schema.settings.c.value).where(schema.settings.c.key == _KEY)) or []
    return tuple(role for role in MAY_SEE if role in stored)

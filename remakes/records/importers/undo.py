"""The history of imports, and taking one back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

from sqlalchemy import Connection, Row, func, select
from sqlalchemy.exc import IntegrityError

from remakes.errors import InputError
from remakes.records import schema
from remakes.records.corrective_actions import undo_actions
from remakes.records.importers.batches import KEYS, from_json, write_contents
from remakes.records.importers.obstacles import obstacles
from remakes.records.importers.reports import ImportBatch
from remakes.records.permissions import Permission
from remakes.records.standard import undo_standard
from remakes.records.store import Store, now
from remakes.texts import t

__all__ = ["UndoEffect", "list_imports", "undo_effect", "undo_import"]

_MAY: Final[Mapping[str, Permission]] = MappingProxyType({"standard": "change the standard", "actions": "change costs"})


@dataclass(frozen=True, slots=True, kw_only=True)
class UndoEffect:
    """What taking an import back would come to.

    Attributes
    ----------
    removed, restored : int
        Rows it added, which would go; rows it changed, which would get their former content. Of a standard or
        actions file both are 0: it is taken back as a whole.
    obstacles : tuple of str
        What was written later and rests on it; as long as there is any, the import cannot be taken back.
    """

    removed: int
    restored: int
    obstacles: tuple[str, ...]


def list_imports(store: Store) -> tuple[ImportBatch, ...]:
    """All batches that brought something new, the latest first; those taken back too."""
    audit = schema.audit
    with store.reader() as connection:
        rows = connection.execute(select(schema.imports).order_by(schema.imports.c.import_id.desc())).all()
        undone = select(audit.c.row_key, audit.c.who).where(audit.c.what == "undo import")
        undone_by = {str(key): str(who) for key, who in connection.execute(undone)}
    return tuple(
        ImportBatch(
            import_id=row.import_id,
            at=row.at,
            who=row.who,
            file=row.file,
            table=row.table_name,
            taken=row.taken,
            changed=row.changed,
            unchanged=row.unchanged,
            refused=row.refused,
            undone_at=row.undone_at,
            undone_by=undone_by.get(str(row.import_id), "") if row.undone_at else "",
        )
        for row in rows
    )


def undo_effect(store: Store, import_id: int) -> UndoEffect:
    """What would taking this import back change, and does anything rest on it? Nothing is written.

    Raises
    ------
    InputError
        No such import, or one taken back already.
    """
    with store.reader() as connection:
        one = _standing(connection, import_id)
        removed = restored = 0
        if one.table_name in KEYS or one.table_name == "process_log":
            table, changes = schema.metadata.tables[one.table_name], schema.import_changes
            added = select(func.count()).select_from(table).where(table.c.import_id == import_id)
            changed = select(func.count()).select_from(changes).where(changes.c.import_id == import_id)
            removed, restored = int(connection.scalar(added) or 0), int(connection.scalar(changed) or 0)
        return UndoEffect(removed=removed, restored=restored, obstacles=tuple(obstacles(connection, one)))


def _standing(connection: Connection, import_id: int) -> Row[Any]:
    """The import, which must not have been taken back."""
    imports = schema.imports
    one = connection.execute(select(imports).where(imports.c.import_id == import_id)).one_or_none()
    if one is None:
        raise InputError(t("There is no import {import_id}. Choose one from the list of imports.", import_id=import_id))
    if one.undone_at is not None:
        raise InputError(
            t(
                "Import {import_id} ({file}) was taken back before; nothing is left to do.",
                import_id=import_id,
                file=one.file,
            )
        )
    return one


def undo_import(store: Store, import_id: int, *, who: str) -> int:
    """Take one import back: what it added goes, what it changed gets its former content.

    Parameters
    ----------
    import_id : int
        As in `TableReport.import_id` or `list_imports`.
    who : str
        Pseudonym of the person, for the audit.

    Returns
    -------
    int
        Rows deleted or restored.

    Raises
    ------
    InputError
        No such import, taken back already, or something later depends on it: readings or returns of its
        restorations, or later changes of the same rows. All of them are named.

    Notes
    -----
    A row that a later file repeated belongs to the import that brought it first, and goes with that one.
    The date up to which returns are complete is a setting of its own and stays.
    """
    imports = schema.imports
    try:
        with store.writer(may="import lists") as connection:
            one = _standing(connection, import_id)
            if store.actor is not None and one.table_name in _MAY:
                store.actor.refuse_unless(_MAY[one.table_name])
            standing = list(obstacles(connection, one))
            if standing:
                raise InputError(
                    t(
                        "Import {import_id} ({file}) cannot be taken back, since later records depend on it: "
                        "{items}. Take those back first, the latest first.",
                        import_id=import_id,
                        file=one.file,
                        items="; ".join(standing),
                    )
                )
            rows = _take_back(connection, one)
            connection.execute(imports.update().where(imports.c.import_id == import_id).values(undone_at=now()))
            detail = {"file": one.file, "rows": rows}
            store.note(connection, who=who, what="undo import", table=one.table_name, key=str(import_id), detail=detail)
    except IntegrityError as error:
        raise InputError(
            t(
                "Import {import_id} cannot be taken back: its former content no longer fits the records. "
                "Nothing was changed: take back what came later first.",
                import_id=import_id,
            )
        ) from error
    return rows


def _take_back(connection: Connection, one: Row[Any]) -> int:
    if one.table_name == "standard":
        return undo_standard(connection, one.import_id)
    if one.table_name == "actions":
        return undo_actions(connection, one.import_id)
    table, changes = schema.metadata.tables[one.table_name], schema.import_changes
    rows = connection.execute(table.delete().where(table.c.import_id == one.import_id)).rowcount
    former = connection.scalars(select(changes.c.before).where(changes.c.import_id == one.import_id)).all()
    if former:
        write_contents(connection, table, [from_json(table, before) for before in former])
    return rows + len(former)

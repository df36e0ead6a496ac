"""Copies of the records that a person asked for, and when the last one was made."""

from __future__ import annotations

import io
import tempfile
import zipfile
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from sqlalchemy import select

from remakes.errors import StoreError
from remakes.records import schema
from remakes.records.photos import photos_folder
from remakes.records.store import Store, now
from remakes.records.upkeep import backup
from remakes.texts import t, tn

__all__ = [
    "LONGEST",
    "LastCopy",
    "backup_remark",
    "copy_as_bytes",
    "keep_copy",
    "last_copy",
    "note_copy",
    "photos_go_to",
]

#: Without a copy for longer than this the page of today says so.
LONGEST: Final = timedelta(days=7)
_WHAT: Final = "backup"


@dataclass(frozen=True, slots=True, kw_only=True)
class LastCopy:
    """The last copy that was made. `at` in UTC; `to` is its file, or "download"."""

    at: datetime
    who: str
    to: str


def keep_copy(store: Store, folder: Path, *, who: str, at: datetime | None = None) -> Path:
    """Write a copy of the records into a folder, named by the minute, and note it in the change log.

    Parameters
    ----------
    who : str
        Pseudonym of the person.
    at : datetime, optional
        In UTC; default: now.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    NotAllowedError
        The person keeps no people, whose pseudonyms are in the copy.
    StoreError
        No such folder, a copy of this minute stands there already, it cannot be written, or the store is on a
        database server.
    """
    _refuse_others(store)
    if not str(folder).strip() or not folder.is_absolute():
        raise StoreError(
            t(
                "“{folder}” is no whole path of a folder. Type one that begins at the top, on this machine.",
                folder=folder,
            )
        )
    to = folder / f"remakes-{at or now():%Y-%m-%d-%H%M}.sqlite"
    backup(store, to)
    note_copy(store, str(to), who=who)
    return to


def copy_as_bytes(store: Store, *, who: str) -> bytes:
    """A copy of the records with their photos as the content of a .zip, to be downloaded; noted in the change log.

    Inside stand the database and, where there are photos, their folder, named as the program looks for them.

    Raises
    ------
    NotAllowedError, StoreError
        As for `keep_copy`.
    """
    _refuse_others(store)
    with tempfile.TemporaryDirectory(prefix="remakes-", ignore_cleanup_errors=True) as folder:
        to = Path(folder) / f"remakes-{now():%Y-%m-%d-%H%M}.sqlite"
        backup(store, to)
        content = _zipped(to)
    note_copy(store, "download", who=who)
    return content


def note_copy(store: Store, to: str, *, who: str) -> None:
    """Note in the change log that a copy was made; a copy that cannot be noted stands all the same."""
    # Under the people's name, on which no figure rests: a line of another table would make all figures anew.
    with suppress(StoreError), store.writer(may="keep people") as connection:
        store.note(connection, who=who, what=_WHAT, table=schema.people.name, detail={"to": to})


def last_copy(store: Store) -> LastCopy | None:
    """When was the last copy made, by whom and where to? None where the log knows of none."""
    audit = schema.audit
    query = select(audit).where(audit.c.what == _WHAT).order_by(audit.c.id.desc()).limit(1)
    with store.reader() as connection:
        row = connection.execute(query).one_or_none()
    return None if row is None else LastCopy(at=row.at, who=row.who, to=str((row.detail or {}).get("to", "")))


def backup_remark(store: Store, *, at: datetime | None = None) -> str:
    """One sentence where the records have not been copied for over a week; blank where they have.

    Blank, too, for a store on a database server, which has a tool of its own, and for one without a restoration.

    Parameters
    ----------
    at : datetime, optional
        In UTC; default: now.
    """
    if store.sqlite_path is None:
        return ""
    last = last_copy(store)
    if last is None:
        with store.reader() as connection:
            filled = connection.scalar(select(schema.restorations.c.restoration_id).limit(1)) is not None
        return t("No copy of the records has been made yet. Make one under People and set-up.") if filled else ""
    age = (at or now()) - last.at
    if age <= LONGEST:
        return ""
    return tn(
        age.days,
        "The last copy of the records is one day old. Make one under People and set-up.",
        "The last copy of the records is {n} days old. Make one under People and set-up.",
    )


def photos_go_to(store: Store) -> Path | None:
    """Where the photos of a copy have to be put by hand: the folder that was named for them; None where none was.

    Photos that stand beside the records are found beside the copy, too.
    """
    file, folder = store.sqlite_path, photos_folder(store)
    return None if file is not None and folder == file.with_name(file.name + ".photos") else folder


def _zipped(database: Path) -> bytes:
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", strict_timestamps=False) as packed:
        packed.write(database, database.name, compress_type=zipfile.ZIP_DEFLATED)
        for photo in sorted(database.with_name(database.name + ".photos").glob("*")):
            # Pictures are packed already: packing them again takes time and saves nothing.
            packed.write(photo, f"{photo.parent.name}/{photo.name}", compress_type=zipfile.ZIP_STORED)
    return content.getvalue()


def _refuse_others(store: Store) -> None:
    if store.actor is not None:
        store.actor.refuse_unless("keep people")

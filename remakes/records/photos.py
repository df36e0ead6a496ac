"""Photos of returned pieces: files in a folder beside the records, each with a row that says whose it is."""

from __future__ import annotations

import hashlib
import os
import secrets
import shutil
import time
from collections.abc import Collection, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, Row, select

from remakes.errors import EntryError, StoreError
from remakes.records import schema
from remakes.records.pictures import clean_picture
from remakes.records.store import Store, now
from remakes.records.typed_text import note_text
from remakes.texts import t

__all__ = [
    "PHOTOS_VARIABLE",
    "Photo",
    "PhotosLeft",
    "add_photo",
    "copy_photos",
    "list_photos",
    "photos_folder",
    "photos_left",
    "read_photo",
    "sweep_photos",
    "void_photo",
]

#: Names the folder of the photos where the records are on a database server; the setting "photos" does, too.
PHOTOS_VARIABLE: Final = "REMAKES_PHOTOS"
_SETTING: Final = "photos"
_ENDINGS: Final = {"jpeg": ".jpg", "png": ".png"}
_UNFINISHED: Final = ".part"
#: Younger files may be on their way to a row.
_FRESH_S: Final = 3600


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """One photo of a returned piece; times in UTC."""

    photo_id: int
    return_id: str
    restoration_id: str
    file: str
    sha256: str
    kind: str
    bytes: int
    width: int
    height: int
    added_at: datetime
    added_by: str
    voided_at: datetime | None
    voided_by: str | None
    voided_why: str | None

    @property
    def voided(self) -> bool:
        """Was it taken back? Then it is kept and no longer shown."""
        return self.voided_at is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotosLeft:
    """Where the folder and the rows do not agree: files without a row, rows without a file."""

    orphans: tuple[str, ...]
    missing: tuple[str, ...]


def photos_folder(store: Store) -> Path:
    """Where the photos of these records stand: `FILE.photos` beside an SQLite file, else the folder that was named.

    Raises
    ------
    EntryError
        The records are on a server and no folder was named.
    """
    named = store.setting(_SETTING) or os.environ.get(PHOTOS_VARIABLE)
    if named:
        return Path(str(named))
    file = store.sqlite_path
    if file is None:
        raise EntryError(
            t(
                "There is no place for photos yet: the records are on a database server. Name a folder in the "
                "environment variable {variable} and start the program again.",
                variable=PHOTOS_VARIABLE,
            )
        )
    return file.with_name(file.name + ".photos")


def add_photo(store: Store, return_id: str, content: bytes, *, who: str) -> Photo:
    """Keep a photo of a returned piece, cleaned of everything but the picture.

    Parameters
    ----------
    content : bytes
        The whole file, JPEG or PNG; see `clean_picture` for what is taken.

    Raises
    ------
    EntryError
        No such return, no place for photos, or the file is refused. Nothing was saved.
    """
    picture = clean_picture(content)
    name = secrets.token_hex(16) + _ENDINGS[picture.kind]
    folder = photos_folder(store)
    _refuse_unknown(store, return_id)
    # The file first, then its row: after a crash a file without a row is left, never a row without a file.
    _write(folder, name, picture.content)
    values: dict[str, Any] = {
        "return_id": return_id,
        "file": name,
        "sha256": hashlib.sha256(picture.content).hexdigest(),
        "kind": picture.kind,
        "bytes": len(picture.content),
        "width": picture.width,
        "height": picture.height,
        "added_at": now(),
        "added_by": who,
    }
    try:
        with store.writer(may="enter returns") as connection:
            values["restoration_id"] = _restoration_of(connection, return_id)
            (photo_id,) = connection.execute(schema.photos.insert().values(values)).inserted_primary_key or (0,)
            detail = {"return_id": return_id, "restoration_id": values["restoration_id"], "sha256": values["sha256"]}
            store.note(connection, who=who, what="add photo", table="photos", key=str(photo_id), detail=detail)
    except BaseException:
        (folder / name).unlink(missing_ok=True)
        raise
    return Photo(photo_id=int(photo_id), voided_at=None, voided_by=None, voided_why=None, **values)


def void_photo(store: Store, photo_id: int, *, who: str, why: str) -> None:
    """Take a photo back: it is kept and no longer shown.

    Raises
    ------
    EntryError
        No such photo, taken back before, no reason, or one that is too long.
    """
    if not why.strip():
        raise EntryError(t("No reason was given. Write why the photo is taken back; it is kept with the reason."))
    why = note_text(why, t("reason"))
    table = schema.photos
    with store.writer(may="enter returns") as connection:
        row = connection.execute(select(table).where(table.c.photo_id == photo_id)).one_or_none()
        if row is None:
            raise EntryError(t("There is no photo {number}. Choose one from the list.", number=photo_id))
        if row.voided_at is not None:
            raise EntryError(t("This photo was taken back before; nothing is left to do."))
        values = {"voided_at": now(), "voided_by": who, "voided_why": why}
        connection.execute(table.update().where(table.c.photo_id == photo_id).values(values))
        detail = {"return_id": row.return_id, "restoration_id": row.restoration_id, "why": why}
        store.note(connection, who=who, what="take back photo", table="photos", key=str(photo_id), detail=detail)


def list_photos(
    store: Store, *, restoration_id: str | None = None, return_ids: Collection[str] | None = None
) -> tuple[Photo, ...]:
    """The photos of one restoration, of these returns, or all, as they came; those taken back too."""
    table = schema.photos.c
    query = select(schema.photos).order_by(table.photo_id)
    if restoration_id is not None:
        query = query.where(table.restoration_id == restoration_id)
    if return_ids is not None:
        query = query.where(table.return_id.in_(return_ids))
    with store.reader() as connection:
        return tuple(map(_photo, connection.execute(query)))


def read_photo(store: Store, photo: Photo) -> bytes | None:
    """The picture's file; None where it is lost or is no longer the one that was kept."""
    if Path(photo.file).name != photo.file:
        return None
    try:
        content = (photos_folder(store) / photo.file).read_bytes()
    except OSError:
        return None
    return content if hashlib.sha256(content).hexdigest() == photo.sha256 else None


def photos_left(store: Store) -> PhotosLeft:
    """Do the folder and the rows agree? A server's records without a named folder have no photos to look for."""
    photos = list_photos(store)
    try:
        present = _files(photos_folder(store))
    except EntryError:
        present = set()
    known = {one.file for one in photos}
    return PhotosLeft(orphans=tuple(sorted(present - known)), missing=tuple(sorted(known - present)))


def sweep_photos(store: Store, *, who: str) -> int:
    """Remove the files that a crash left without a row; gives how many.

    Under the write lock, so that no photo that is being added is taken for one of them. Records put back from an
    older copy do not know the photos added since: who sweeps then loses those, so nothing sweeps by itself.

    Raises
    ------
    EntryError
        The records are on a server and no folder was named.
    """
    with store.writer(may="enter returns") as connection:
        known = set(connection.scalars(select(schema.photos.c.file)))
        folder = photos_folder(store)
        gone = 0
        for name in sorted(_files(folder) - known):
            # A photo is written just before its row: a fresh file may still get one.
            if _is_old(folder / name):
                (folder / name).unlink(missing_ok=True)
                gone += 1
        if gone:
            store.note(connection, who=who, what="sweep photos", table="photos", detail={"files": gone})
    return gone


def copy_photos(store: Store, to: Path) -> int:
    """Copy the folder of photos beside a copy of the records; gives how many files, 0 where there are none.

    Raises
    ------
    StoreError
        The place is taken or cannot be written.
    """
    folder = photos_folder(store)
    names = sorted(_files(folder))
    if not names:
        return 0
    try:
        to.mkdir()
        for name in names:
            # A file may be swept while the copy runs.
            with suppress(FileNotFoundError):
                shutil.copy2(folder / name, to / name)
    except OSError as error:
        raise StoreError(
            t("The photos could not be copied to {to} ({error}). Give another place.", to=to, error=error)
        ) from error
    return len(names)


def _refuse_unknown(store: Store, return_id: str) -> None:
    with store.reader() as connection:
        _restoration_of(connection, return_id)


def _restoration_of(connection: Connection, return_id: str) -> str:
    table = schema.returns.c
    found = connection.scalar(select(table.restoration_id).where(table.return_id == return_id).limit(1))
    if found is None:
        raise EntryError(t("There is no return {number}. Save the return first, then add its photo.", number=return_id))
    return str(found)


def _write(folder: Path, name: str, content: bytes) -> None:
    part = folder / (name + _UNFINISHED)
    try:
        folder.mkdir(exist_ok=True)
        with part.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.rename(folder / name)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise EntryError(
            t(
                "The photo could not be written ({reason}). Check the folder {folder} and its free space.",
                reason=str(error.strerror or error),
                folder=str(folder),
            )
        ) from error


def _files(folder: Path) -> set[str]:
    return {one.name for one in _entries(folder) if one.is_file()}


def _entries(folder: Path) -> Iterator[Path]:
    return folder.iterdir() if folder.is_dir() else iter(())


def _is_old(file: Path) -> bool:
    with suppress(OSError):
        return time.time() - file.stat().st_mtime > _FRESH_S
    return False


def _photo(row: Row[Any]) -> Photo:
    return Photo(**dict(row._mapping))

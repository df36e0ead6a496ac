"""What befalls a lab's records while they are open, in words: moved, replaced, damaged, no room, nobody answers."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Engine, event
from sqlalchemy.exc import DBAPIError, DisconnectionError, OperationalError

from remakes.errors import EntryError, StoreError
from remakes.texts import t

__all__ = ["READ_ONLY", "keep_to_file", "only_readable", "told_in_words"]

#: Under which a connection notes that its file is only read.
READ_ONLY: Final = "read only"

_LOCK_NOT_AVAILABLE: Final = "55P03"  # PostgreSQL's code; its words depend on the server's language
#: Classes of PostgreSQL's codes: no connection, not enough of something, stopped by whoever keeps the server.
_SERVER_AWAY: Final = ("08", "53", "57")
#: What SQLite says of a file that is damaged, or is another one now.
_DAMAGED: Final = ("not a database", "malformed", "no such table")
#: What it says of one that it cannot get at.
_OUT_OF_REACH: Final = ("disk I/O error", "unable to open")
#: What the driver of PostgreSQL says of a text that the server refuses.
_NUL_REFUSED: Final = "cannot contain NUL"


@contextmanager
def told_in_words(url: str) -> Iterator[None]:
    """What the database refuses in here for a reason that people can mend is raised in words; the rest as it is.

    Raises
    ------
    StoreError
        Locked for too long, not to be written to, no room, out of reach, or damaged.
    EntryError
        A text holds a sign that no record can hold.
    """
    try:
        yield
    except DBAPIError as error:
        if _NUL_REFUSED in str(error.orig):
            raise EntryError(_no_such_sign()) from error
        if (said := _in_words(error, url)) is None:
            raise
        raise StoreError(said) from error
    except UnicodeEncodeError as error:
        # Half of a sign: no text of a database can hold it, and the driver says so in a word of its own.
        raise EntryError(_no_such_sign()) from error


def _no_such_sign() -> str:
    return t(
        "What was typed, scanned or asked for holds a sign that no record can hold: a NUL, or half of a sign. Nothing "
        "was saved: type it again."
    )


def _in_words(error: DBAPIError, url: str) -> str | None:
    orig = str(error.orig)
    code = getattr(error.orig, "sqlstate", None)
    if "locked" in orig or code == _LOCK_NOT_AVAILABLE:
        return t("Somebody else has been writing to the records for over 10 seconds. Nothing was saved: try again.")
    if "readonly" in orig:
        return t(
            "{url} cannot be written to: the file, its folder or its disk may only be read here. Nothing was saved. "
            "Check the file's and the folder's rights.",
            url=url,
        )
    if "disk is full" in orig:
        return t(
            "There is no room left on the disk of the records ({url}). Nothing was saved: make room, then try again.",
            url=url,
        )
    if any(one in orig for one in _DAMAGED):
        return t(
            "The records at {url} are damaged, or another file stands in their place ({reason}). Nothing was saved. "
            "Stop the app, put a copy back, and start the app with it after --db.",
            url=url,
            reason=orig,
        )
    if any(one in orig for one in _OUT_OF_REACH) or _server_is_away(error, code):
        return t(
            "The records at {url} cannot be reached ({reason}). Nothing was saved. Check the drive, the folder or the "
            "database server, then try again.",
            url=url,
            reason=orig.strip().splitlines()[0],
        )
    return None


def _server_is_away(error: DBAPIError, code: object) -> bool:
    if not isinstance(error, OperationalError):
        return False
    if error.connection_invalidated:
        return True
    # Of a server that gives no answer there is no code; SQLite has none at all.
    asked_a_server = hasattr(error.orig, "sqlstate")
    return asked_a_server and (code is None or str(code).startswith(_SERVER_AWAY))


def keep_to_file(engine: Engine, path: Path) -> None:
    """Hold an SQLite store to the file that stands at its place.

    A connection keeps to the file it was opened on, wherever that is moved: what is written into a file that was
    removed is lost with the connection, and a new connection would make an empty file in its place. So a file that
    is gone is refused, and one that was replaced, as by a copy that was put back, is opened anew.

    Where nothing may be written beside the file, it is opened as one that does not change, and opened anew once it did.
    """
    met: list[object] = []

    def refuse_gone() -> None:
        if met and _identity(path) is None:
            raise StoreError(
                t(
                    "The records are no longer at {path}: the file was moved, renamed or removed, or its drive is "
                    "away. Nothing was saved. Put it back there, or start the app with its new place after --db.",
                    path=path,
                )
            )

    def connect(_dialect: Any, record: Any, _args: Any, options: dict[str, Any]) -> sqlite3.Connection | None:
        refuse_gone()
        record.info[READ_ONLY] = only_readable(path)
        if not record.info[READ_ONLY]:
            return None
        unchanging = f"{path.absolute().as_uri()}?mode=ro&immutable=1"
        connection: sqlite3.Connection = sqlite3.connect(unchanging, uri=True, **options)
        return connection

    def opened(_connection: Any, record: Any) -> None:
        record.info["file"] = _state(path, record)
        if (found := _identity(path)) is not None:
            met[:] = [found]

    def used(_connection: Any, record: Any, _proxy: Any) -> None:
        refuse_gone()
        if _state(path, record) != record.info.get("file"):
            raise DisconnectionError

    event.listen(engine, "do_connect", connect)
    event.listen(engine, "connect", opened)
    event.listen(engine, "checkout", used)


def only_readable(path: Path) -> bool:
    """May nothing be written beside this file, as on a disk that is mounted to be read, and does nobody write to it?

    SQLite needs a log beside the file, also to read it, unless it is told that the file does not change.
    """
    return path.is_file() and not os.access(path.parent, os.W_OK) and not _log_of(path).exists()


def _log_of(path: Path) -> Path:
    return path.with_name(f"{path.name}-wal")


def _state(path: Path, record: Any) -> object:
    """By what a connection knows its file again; of one that does not change, by its content too."""
    if not record.info.get(READ_ONLY):
        return _identity(path)
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, _log_of(path).exists()


def _identity(path: Path) -> tuple[int, int] | None:
    """Which file stands there; None where none does."""
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_dev, found.st_ino

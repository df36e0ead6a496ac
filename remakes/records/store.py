"""Open the store, read from it, write to it under one lock, and keep the audit.

SQLite by default (write-ahead log, foreign keys on), PostgreSQL by its URL. Every write goes through
`Store.writer`, which starts the transaction with the write lock in hand: with a plain BEGIN two
writers that both read first end in "database is locked", whatever the time-out.
"""

from __future__ import annotations

import os
import re
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, Engine, create_engine, event, func, inspect, select, text
from sqlalchemy.engine import make_url
from sqlalchemy.exc import SQLAlchemyError

from remakes.errors import StoreError
from remakes.records import schema
from remakes.records.permissions import Actor, Permission
from remakes.records.still_allowed import refuse_unless_still_allowed
from remakes.records.store_faults import READ_ONLY, keep_to_file, only_readable, told_in_words
from remakes.texts import t

__all__ = ["DEFAULT_URL", "PATIENCE_MS", "Store", "copy_sqlite", "now", "open_store", "read_observed_until"]

DEFAULT_URL = "sqlite:///remakes.sqlite"

#: Any fixed number: the name of the one write lock of a PostgreSQL store.
_WRITE_LOCK = 20_260_302

#: How long a writer waits for the lock, in milliseconds.
PATIENCE_MS = 10_000

#: The migration library keeps its context in the module, one for all threads.
_UPGRADING = threading.Lock()

#: Audit lines of these tables tell of changes that no figure rests on.
_BESIDE_THE_FIGURES: Final = (
    *(
        table.name
        for table in (
            schema.decisions,
            schema.trial_plans,
            schema.harm_notes,
            schema.people,
            schema.open_work,
            schema.bench_readings,
            schema.timers,
            schema.photos,
        )
    ),
    "column maps",  # settings by their place
)

_SQLITE_PRAGMAS = (
    "journal_mode=WAL",
    "foreign_keys=ON",
    "synchronous=NORMAL",
    f"busy_timeout={PATIENCE_MS}",
)


def now() -> datetime:
    """The present moment in UTC, without zone, as all times of the store are kept."""
    return datetime.now(UTC).replace(tzinfo=None)


@dataclass(frozen=True, slots=True)
class Store:
    """One laboratory's records.

    Use `open_store`; it checks and upgrades the tables first.

    Attributes
    ----------
    actor : Actor or None
        On whose behalf this store writes; None is whoever holds the file itself, as at the command line.
    """

    engine: Engine
    actor: Actor | None = None

    def acting_as(self, actor: Actor | None) -> Store:
        """The same records, written to on behalf of this person, as far as their roles allow."""
        return replace(self, actor=actor)

    @property
    def url(self) -> str:
        """The address the store was opened with, any password masked."""
        return self.engine.url.render_as_string(hide_password=True)

    @property
    def sqlite_path(self) -> Path | None:
        """The file behind the store; None where it is a database server."""
        if self.engine.dialect.name != "sqlite" or not self.engine.url.database:
            return None
        return Path(self.engine.url.database)

    @contextmanager
    def reader(self) -> Iterator[Connection]:
        """A connection that sees one state of the records and writes nothing.

        Raises
        ------
        StoreError
            The records are gone, damaged or out of reach.
        """
        with told_in_words(self.url), self.engine.connect() as connection:
            if connection.dialect.name == "postgresql":
                # The server's default lets each statement see a state of its own. A reader of SQLite's log does not.
                connection.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
            yield connection

    @contextmanager
    def writer(self, *, may: Permission, patience_ms: int = PATIENCE_MS) -> Iterator[Connection]:
        """A connection that holds the write lock; commits at the end, or leaves nothing behind.

        Parameters
        ----------
        may : Permission
            What the person must be allowed to do.
        patience_ms : int
            How long to wait for the lock, in milliseconds, at least 1; default: ten seconds.

        Raises
        ------
        NotAllowedError
            None of the person's roles holds that permission, or not any more; or their session has ended.
        StoreError
            The lock was not free within that time, or the records cannot be written: no right, no room, gone.
        """
        if self.actor is not None:
            self.actor.refuse_unless(may)
        options = {"sqlite_begin": "IMMEDIATE", "patience_ms": patience_ms}
        with (
            told_in_words(self.url),
            self.engine.connect().execution_options(**options) as connection,
            connection.begin(),
        ):
            _lock_server(connection, patience_ms)
            if self.actor is not None:
                # Asked again: the session may have ended, or a role been taken away, since the page was opened.
                refuse_unless_still_allowed(connection, self.actor, may, at=now())
            yield connection

    def note(
        self,
        connection: Connection,
        *,
        who: str,
        what: str,
        table: str,
        key: str | None = None,
        detail: dict[str, Any] | None = None,
    ) -> None:
        """Add one line to the audit, in the transaction of the change it tells of."""
        connection.execute(
            schema.audit.insert(),
            {"at": now(), "who": who, "what": what, "table_name": table, "row_key": key, "detail": detail},
        )

    def data_version(self) -> int:
        """The version of the data: the number of the last line of the audit; 0 for an empty store."""
        with self.reader() as connection:
            return int(connection.scalar(select(func.coalesce(func.max(schema.audit.c.id), 0))) or 0)

    def figures_version(self) -> int:
        """The version of what figures rest on: the same, but for changes that no figure rests on."""
        audit = schema.audit.c
        rest = select(func.coalesce(func.max(audit.id), 0)).where(audit.table_name.not_in(_BESIDE_THE_FIGURES))
        with self.reader() as connection:
            return int(connection.scalar(rest) or 0)

    def figure_changes_since(self, version: int) -> int:
        """How many changes that figures rest on came after a state of the records, as `figures_version` names it."""
        audit = schema.audit.c
        later = select(func.count()).where(audit.id > version, audit.table_name.not_in(_BESIDE_THE_FIGURES))
        with self.reader() as connection:
            return int(connection.scalar(later) or 0)

    def setting(self, key: str) -> Any:
        """One stored setting, or None."""
        with self.reader() as connection:
            return connection.scalar(select(schema.settings.c.value).where(schema.settings.c.key == key))

    def put_setting(self, connection: Connection, key: str, value: Any, *, who: str) -> None:
        """Store one setting inside a running write."""
        connection.execute(schema.settings.delete().where(schema.settings.c.key == key))
        connection.execute(schema.settings.insert(), {"key": key, "value": value})
        self.note(connection, who=who, what="set", table="settings", key=key, detail={"value": value})

    def observed_until(self) -> date | None:
        """Up to which day returns are complete; see `read_observed_until`."""
        with self.reader() as connection:
            return read_observed_until(connection)

    def close(self) -> None:
        """Give the file or the server's connections back."""
        self.engine.dispose()


def read_observed_until(connection: Connection) -> date | None:
    """Up to which day returns are complete.

    The date the lab stated, or else the latest day on which something was delivered or reported; None for an empty
    store. Where returns came with a list, only what came with lists counts for that: one return that is typed in
    today does not say that all others up to today are in.
    """
    restorations, returns, settings = schema.restorations.c, schema.returns.c, schema.settings.c
    stated = connection.scalar(select(settings.value).where(settings.key == "observed_until"))
    if stated:
        return date.fromisoformat(str(stated))
    standing, listed = returns.voided_at.is_(None), returns.import_id.is_not(None)
    reported = connection.scalar(select(func.max(returns.reported_on)).where(standing, listed))
    delivered = select(func.max(restorations.delivered_on))
    if reported is None:
        reported = connection.scalar(select(func.max(returns.reported_on)).where(standing))
    else:
        delivered = delivered.where(restorations.import_id.is_not(None))
    return max((day for day in (connection.scalar(delivered), reported) if day is not None), default=None)


def copy_sqlite(connection: Connection, to: Path) -> None:
    """Copy the records of an SQLite store into a new file, as this connection sees them, while others write.

    Raises
    ------
    sqlite3.Error
        The file cannot be written.
    """
    driver = connection.connection.driver_connection
    if not isinstance(driver, sqlite3.Connection):  # pragma: no cover - the SQLite driver is fixed
        raise TypeError(f"no SQLite connection: {type(driver).__name__}")
    with closing(sqlite3.connect(to)) as target:
        driver.backup(target)
        # One file that needs no log beside it, so that it can be carried away as it is.
        target.execute("PRAGMA journal_mode=DELETE")


def open_store(url: str | None = None, *, create: bool = True) -> Store:
    """Open a lab's records, making or upgrading the tables where needed.

    Parameters
    ----------
    url : str, optional
        An SQLAlchemy URL, or the path of an SQLite file; default: ``remakes.sqlite`` in the working folder.
    create : bool
        Make a new SQLite file where there is none.

    Raises
    ------
    StoreError
        No such store, no such folder, not a store of this program, or one of a newer version.
    """
    engine = _engine(url or DEFAULT_URL, create=create)
    try:
        revision = _revision(engine)
        if revision != schema.SCHEMA_REVISION:
            _upgrade(engine, revision)
    except SQLAlchemyError as error:
        shown = engine.url.render_as_string(hide_password=True)
        engine.dispose()
        reason = str(getattr(error, "orig", error)).strip().splitlines()[0]
        if "readonly" in reason:
            raise _stays_old(engine) from error
        raise StoreError(
            t(
                "{shown} cannot be opened as a store of records ({reason}). Check the address given to --db, "
                "and that the file is one this program made.",
                shown=shown,
                reason=reason,
            )
        ) from error
    except StoreError:
        engine.dispose()
        raise
    return Store(engine)


def _engine(url: str, *, create: bool) -> Engine:
    if "://" not in url:
        url = f"sqlite:///{url}"
    try:
        parsed = make_url(url)
        if parsed.get_backend_name() == "postgresql" and "+" not in parsed.drivername:
            parsed = parsed.set(drivername="postgresql+psycopg")
        if parsed.get_backend_name() == "sqlite":
            _check_sqlite_file(parsed.database, create=create)
        engine = create_engine(parsed)
    except (SQLAlchemyError, ModuleNotFoundError, ValueError) as error:
        shown = re.sub(r"(://[^:/@]*):[^@]*@", r"\1:***@", url)
        reason = str(error).replace(url, shown)
        raise StoreError(
            t(
                "--db {shown!r} is no address of a store ({reason}). Give a file name, sqlite:///FILE, or "
                "postgresql://USER@HOST/NAME (for PostgreSQL, install the extra: remakes[postgres]).",
                shown=shown,
                reason=reason,
            )
        ) from error
    if engine.dialect.name == "sqlite":
        if parsed.database:
            keep_to_file(engine, Path(parsed.database))
        event.listen(engine, "connect", _set_up_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    return engine


def _check_sqlite_file(database: str | None, *, create: bool) -> None:
    if not database or database == ":memory:":
        raise StoreError(t("A store in memory would be lost at once. Give the name of a file after --db."))
    path = Path(database)
    try:
        there, folder = path.is_file(), path.parent.is_dir()
    except OSError as error:
        raise StoreError(
            t(
                "{path} cannot be looked at ({reason}). Check the rights of its folder.",
                path=path,
                reason=error.strerror or type(error).__name__,
            )
        ) from error
    if not folder:
        raise StoreError(
            t(
                "The folder {parent} does not exist. Make it first, or give another place after --db.",
                parent=path.parent,
            )
        )
    if create and not there and not os.access(path.parent, os.W_OK):
        raise StoreError(
            t(
                "Nothing may be written into the folder {parent}, so no records can be begun there. Give the account "
                "that runs the program that right, or give another place after --db.",
                parent=path.parent,
            )
        )
    if not create and not there:
        raise StoreError(
            t(
                "There are no records at {path}. Bring some in with `remakes import FOLDER`, or say with "
                "--db where they are.",
                path=path,
            )
        )


def _set_up_sqlite(dbapi_connection: Any, record: Any) -> None:
    # The driver's own BEGIN handling is switched off; `_begin_sqlite` decides.
    dbapi_connection.isolation_level = None
    for pragma in () if record.info.get(READ_ONLY) else _SQLITE_PRAGMAS:
        dbapi_connection.execute("PRAGMA " + pragma)


def _begin_sqlite(connection: Connection) -> None:
    options = connection.get_execution_options()
    # Set each time: connections are used again, by whoever has more patience or less.
    connection.exec_driver_sql(f"PRAGMA busy_timeout={options.get('patience_ms', PATIENCE_MS)}")
    connection.exec_driver_sql(f"BEGIN {options.get('sqlite_begin', 'DEFERRED')}")


def _lock_server(connection: Connection, patience_ms: int = PATIENCE_MS) -> None:
    if connection.dialect.name == "postgresql":
        # The server locks rows only; checks such as "entered before?" need one writer at a time.
        connection.exec_driver_sql(f"SET LOCAL lock_timeout = {patience_ms}")
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_WRITE_LOCK})")


def _revision(engine: Engine) -> str | None:
    with engine.connect() as connection:
        tables = inspect(connection).get_table_names()
        if "alembic_version" in tables:
            stored = connection.scalar(text("select version_num from alembic_version"))
            return None if stored is None else str(stored)
        if tables:
            shown = engine.url.render_as_string(hide_password=True)
            raise StoreError(
                t(
                    "{shown} holds other tables ({items}), not a lab's records. Give another file or database "
                    "after --db.",
                    shown=shown,
                    items=", ".join(sorted(tables)[:4]),
                )
            )
        return None


def _upgrade(engine: Engine, revision: str | None) -> None:
    if revision is not None and revision > schema.SCHEMA_REVISION:
        raise StoreError(
            t(
                "These records were written by a newer version of the program (tables {revision}, this "
                "program knows {schema_revision}). Update the program; the records are untouched.",
                revision=revision,
                schema_revision=schema.SCHEMA_REVISION,
            )
        )
    path = Store(engine).sqlite_path
    if path is not None and only_readable(path):
        raise _stays_old(engine)
    # Only a new or old store needs the migration library.
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.set_main_option("path_separator", "os")
    with _UPGRADING, engine.connect().execution_options(sqlite_begin="IMMEDIATE") as connection, connection.begin():
        # Another program may be opening the same new store: who comes second finds the tables made.
        _lock_server(connection)
        config.attributes["connection"] = connection
        command.upgrade(config, "head")


def _stays_old(engine: Engine) -> StoreError:
    return StoreError(
        t(
            "{shown} was made by an older version of the program and cannot be brought up to date: the file, its "
            "folder or its disk may only be read here. Give the account that runs the program the right to write "
            "there, or open a copy elsewhere.",
            shown=engine.url.render_as_string(hide_password=True),
        )
    )

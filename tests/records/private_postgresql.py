"""A PostgreSQL server of the tests' own: in a temporary folder, on a free port, gone afterwards."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from importlib.util import find_spec
from pathlib import Path

from sqlalchemy import create_engine

__all__ = ["NewDatabase", "ServerMissing", "create_database", "private_server"]

NewDatabase = Callable[[], str]

#: The account that packaged servers run under; the server refuses to be run by root.
_ACCOUNT = "postgres"


class ServerMissing(Exception):  # noqa: N818 - the reason of a skip
    """Why no server can be started on this machine."""


@contextmanager
def private_server() -> Iterator[str]:
    """The address of an empty server, `postgresql://postgres@127.0.0.1:PORT`, for as long as the block runs.

    Raises
    ------
    ServerMissing
        No driver, no server programs, or nobody to run them as.
    """
    if os.name != "posix":
        raise ServerMissing("a server of the tests' own is only started on POSIX systems")
    if find_spec("psycopg") is None:
        raise ServerMissing("psycopg is not installed")
    initdb, server_control = _program("initdb"), _program("pg_ctl")
    account = _ACCOUNT if os.geteuid() == 0 else None
    folder = Path(tempfile.mkdtemp(prefix="remakes-postgresql-"))
    try:
        if account is not None:
            _hand_over(folder, account)
        data, log, port = folder / "data", folder / "server.log", _free_port()
        _run([initdb, "-D", data, "-U", "postgres", "-A", "trust", "-E", "UTF8", "--no-sync"], folder, account)
        # A test's data may be lost in a power cut: nothing is forced to the disk.
        options = f"-p {port} -k {folder} -c listen_addresses=127.0.0.1 -c fsync=off -c full_page_writes=off"
        _run([server_control, "-D", data, "-l", log, "-o", options, "-w", "-t", "30", "start"], folder, account)
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    # The end of this pipe ends the server, also where the tests are killed and can end nothing themselves.
    watcher = subprocess.Popen(
        ["sh", "-c", f'read _; "{server_control}" -D "{data}" -m immediate -w stop; rm -rf "{folder}"'],
        cwd="/",
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        user=account,
        start_new_session=True,
    )
    try:
        yield f"postgresql://postgres@127.0.0.1:{port}"
    finally:
        try:
            watcher.communicate(timeout=30)
        except subprocess.TimeoutExpired:  # somebody holds the pipe still; the server is ended without it
            with suppress(ServerMissing):
                _run([server_control, "-D", data, "-m", "immediate", "-w", "stop"], folder, account)
            watcher.kill()
        # The account may empty the folder, but not take it out of a folder that is shared.
        shutil.rmtree(folder, ignore_errors=True)


def create_database(server: str, name: str, *, pattern: str = "template1") -> str:
    """Make a database like another one, and give its address."""
    engine = create_engine(
        server.replace("postgresql:", "postgresql+psycopg:") + "/postgres", isolation_level="AUTOCOMMIT"
    )
    with engine.connect() as connection:
        connection.exec_driver_sql(f"CREATE DATABASE {name} TEMPLATE {pattern}")
    engine.dispose()
    return f"{server}/{name}"


def _program(name: str) -> str:
    # Distributions keep the server programs off the path, in a folder a version.
    packaged = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"))
    found = shutil.which(name) or (str(packaged[-1]) if packaged else None)
    if found is None:
        raise ServerMissing(f"the PostgreSQL program {name} is not installed")
    return found


def _hand_over(folder: Path, account: str) -> None:
    try:
        shutil.chown(folder, user=account)
    except (LookupError, PermissionError) as error:
        raise ServerMissing(f"root must not run a server, and there is no account {account}") from error


def _run(command: list[str | Path], folder: Path, account: str | None) -> None:
    done = subprocess.run(
        command,
        user=account,
        cwd=folder,
        env={"PATH": os.environ.get("PATH", ""), "LC_ALL": "C"},
        stdin=subprocess.DEVNULL,
        # Not a pipe: the server would inherit it, and the read would last as long as the server.
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        timeout=60,
        check=False,
    )
    if done.returncode != 0:
        raise ServerMissing(f"{Path(command[0]).name} ended with {done.returncode}")


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])

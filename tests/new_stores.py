"""Empty stores, without running every revision of the tables for each of them."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path

from remakes.records.store import Store, open_store

__all__ = ["new_store"]


def new_store(file: Path) -> Store:
    """Open an empty SQLite store at this place: what `open_store` makes there, copied.

    Parameters
    ----------
    file : Path
        What stands there is lost.
    """
    for left in (file.with_name(f"{file.name}-wal"), file.with_name(f"{file.name}-shm")):
        left.unlink(missing_ok=True)
    file.write_bytes(_empty())
    return open_store(str(file))


@cache
def _empty() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "empty.sqlite"
        open_store(str(file)).close()
        return file.read_bytes()

"""The invented demo lab: where its files are, and its records built from them."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from datetime import timedelta
from functools import lru_cache
from pathlib import Path
from typing import Final

from remakes.errors import FileError
from remakes.records.harm import deal_with_harm, harm_reports
from remakes.records.importers import import_paths
from remakes.records.store import Store, open_store
from remakes.texts import t

__all__ = ["build_demo", "demo_files", "demo_title"]

_OPEN_FOR: Final = timedelta(days=90)
_DONE: Final = "Invented: the dentist was told the same day, and the piece is kept."


def demo_files() -> Path:
    """The folder with the demo lab's files: inside an installed package, or beside it in a checkout.

    Raises
    ------
    FileError
        Neither is there.
    """
    package = Path(__file__).parents[1]
    for folder in (package / "demo_lab", package.parent / "synthetic_data"):
        if (folder / "restorations.csv").is_file():
            return folder
    raise FileError(t("The files of the demo lab are missing from this installation. Install the program again."))


@lru_cache(maxsize=1)
def demo_title() -> str:
    """What the demo lab's process standard is called; records under this title are invented.

    Raises
    ------
    FileError
        The demo lab's files are missing.
    """
    with (demo_files() / "standard.toml").open("rb") as file:
        return str(tomllib.load(file)["title"])


def build_demo(url: str, *, progress: Callable[[str, int, int], None] | None = None) -> bool:
    """Import the demo lab into a store; leave one that holds something as it is.

    Returns
    -------
    bool
        True if it was built now.

    Raises
    ------
    StoreError
        The address is no store, or one that holds something else.
    FileError
        The demo lab's files are missing or damaged.
    """
    store = open_store(url)
    try:
        if store.data_version():
            return False
        report = import_paths(store, [demo_files()], who="demo", progress=progress)
        if not report.ok:
            first = next(refusal for table in report.tables for refusal in table.refused)
            raise FileError(
                t("The demo lab's own files were refused ({first}). Install the program again.", first=first)
            )
        _deal_with_old_harm(store)
        return True
    finally:
        store.close()


def _deal_with_old_harm(store: Store) -> None:
    """As in a lab that runs: only what was reported lately is open still."""
    last = store.observed_until()
    for one in harm_reports(store):
        if last is not None and last - one.reported_on > _OPEN_FOR:
            deal_with_harm(store, one.return_id, done=_DONE, who="demo", version=one.version)

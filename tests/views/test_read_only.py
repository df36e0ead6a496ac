"""Pages of records that may only be read: all is shown, and a write is refused in words."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from remakes.errors import StoreError
from remakes.records.observation import set_observed_until
from remakes.records.store import open_store
from remakes.views import visitors
from tests.views.lab import PAGES, open_page, texts


@pytest.fixture
def only_read(own_lab: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    # Whoever opened it before gives it back, and with it the log beside it.
    visitors.opened.clear()
    open_store(str(own_lab)).close()
    asked = os.access
    monkeypatch.setattr(os, "access", lambda place, mode: Path(place) != own_lab.parent and asked(place, mode))
    yield own_lab
    visitors.opened.clear()


@pytest.mark.parametrize("name", [one for one in PAGES if one not in ("months", "steps", "try_next")])
def test_a_page_is_shown(name: str, only_read: Path) -> None:
    page = open_page(name, code="T01")
    assert not page.exception
    assert "went wrong" not in texts(page)
    assert "only be read" not in texts(page)
    assert not only_read.with_name(f"{only_read.name}-wal").exists()


def test_a_write_is_told_in_words(only_read: Path) -> None:
    store = open_store(str(only_read))
    with pytest.raises(StoreError, match=r"may only be read here\. Nothing was saved"):
        set_observed_until(store, date(2025, 1, 1), who="quality Q1")
    store.close()

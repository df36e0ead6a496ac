"""An empty store, labs to look at, and one to write to."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from remakes.views.server import DATABASE_VARIABLE, OPEN_HERE_VARIABLE
from tests import shared_labs
from tests.views.serving import browser


@pytest.fixture(scope="session", autouse=True)
def _open_here() -> Iterator[None]:
    """Most tests of pages pick a role; those about signing in take this away again."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(OPEN_HERE_VARIABLE, "1")
        # Pages opened without a browser come from no machine at all.
        patch.setattr("remakes.views.visitors.at_this_machine", lambda: True)
        patch.setattr("remakes.views.visitors.token", lambda: "")
        yield


@pytest.fixture(scope="session")
def small_lab_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return shared_labs.small_lab(tmp_path_factory)


@pytest.fixture
def small_lab(small_lab_file: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Shared by all tests: nothing may be written."""
    monkeypatch.setenv(DATABASE_VARIABLE, str(small_lab_file))
    return small_lab_file


@pytest.fixture(scope="session")
def clear_lab_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return shared_labs.clear_lab(tmp_path_factory)


@pytest.fixture
def clear_lab(clear_lab_file: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A lab with one clear cause; shared by all tests: nothing may be written."""
    monkeypatch.setenv(DATABASE_VARIABLE, str(clear_lab_file))
    return clear_lab_file


@pytest.fixture
def own_lab(small_lab_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the small lab for one test."""
    copy = tmp_path / "own.sqlite"
    shutil.copyfile(small_lab_file, copy)
    monkeypatch.setenv(DATABASE_VARIABLE, str(copy))
    return copy


@pytest.fixture
def own_clear_lab(clear_lab_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the lab with one clear cause for one test."""
    copy = tmp_path / "own_clear.sqlite"
    shutil.copyfile(clear_lab_file, copy)
    monkeypatch.setenv(DATABASE_VARIABLE, str(copy))
    return copy


@pytest.fixture
def empty_lab(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    file = tmp_path / "empty.sqlite"
    monkeypatch.setenv(DATABASE_VARIABLE, str(file))
    return file


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    """A running Chromium for the tests of one file."""
    with browser() as running:
        yield running

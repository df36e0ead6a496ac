"""An empty store, labs to look at, and one to write to."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from remakes.views.server import DATABASE_VARIABLE
from tests.views.lab import build_clear_lab, build_small_lab


@pytest.fixture(scope="session")
def small_lab_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_small_lab(tmp_path_factory.mktemp("small_lab"))


@pytest.fixture
def small_lab(small_lab_file: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Shared by all tests: nothing may be written."""
    monkeypatch.setenv(DATABASE_VARIABLE, str(small_lab_file))
    return small_lab_file


@pytest.fixture(scope="session")
def clear_lab_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_clear_lab(tmp_path_factory.mktemp("clear_lab"))


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
def empty_lab(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    file = tmp_path / "empty.sqlite"
    monkeypatch.setenv(DATABASE_VARIABLE, str(file))
    return file

"""Before any library is loaded: the workers of the suite fill the cores, so each does its mathematics on one.

A file of tests goes to one worker as a whole, so that what its tests share is built once; the files whose single tests
take longest go first, so that no worker is left alone with one of them at the end.
"""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# How long an example takes says more of the machine than of what is tested.
settings.register_profile("no deadline", deadline=None)
settings.load_profile("no deadline")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=_rank)


def _rank(item: pytest.Item) -> int:
    if item.get_closest_marker("browser"):
        return 0
    return 1 if item.path.parent.name == "views" else 2

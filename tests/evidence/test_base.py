"""The base models of a table: fitted once for all who ask, and the same as those fitted on the spot."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from remakes.evidence.findings import find
from remakes.evidence.models import base as base_models
from remakes.evidence.models.base import BaseModels
from remakes.evidence.models.case_mix import CaseMix
from remakes.evidence.models.shrinkage import estimate_shrinkage
from tests.evidence.drawn_tables import DEFECT, drawn_table, rules


@pytest.fixture
def models(monkeypatch: pytest.MonkeyPatch) -> tuple[BaseModels, list[int]]:
    """Of a drawn lab, and how often anything was fitted."""
    rng = np.random.default_rng(3)
    clinic, technician = rng.integers(0, 8, 1500), rng.integers(0, 5, 1500)
    table = drawn_table(
        rng,
        log_hazard=-4.5 + 0.6 * rng.standard_normal(8)[clinic],
        missed=rng.random(1500) < 0.2,
        codes={"clinic": clinic, "technician": technician},
    )
    fitted: list[int] = []

    def counted(*args: Any, **kwargs: Any) -> Any:
        fitted.append(1)
        return estimate_shrinkage(*args, **kwargs)

    monkeypatch.setattr(base_models, "estimate_shrinkage", counted)
    return BaseModels(table), fitted


def test_they_are_those_fitted_on_the_spot(models: tuple[BaseModels, list[int]]) -> None:
    base, _ = models
    at_risk, events = base.table.events_of(DEFECT)
    plain = estimate_shrinkage(CaseMix(base.table), at_risk=at_risk, events=events)
    found = base.shrinkages()
    assert set(found) == {DEFECT}
    assert found[DEFECT].sd == plain.sd
    assert np.array_equal(found[DEFECT].bins, plain.bins)
    assert np.array_equal(base.background(DEFECT).columns[:, : base.background(DEFECT).fixed], base.case_mix.columns)


def test_they_are_fitted_once_whoever_asks(models: tuple[BaseModels, list[int]]) -> None:
    base, fitted = models
    alone = find(base.table, rules())
    assert len(fitted) == 1
    assert [one.as_json() for one in find(base.table, rules(), base=base)] == [one.as_json() for one in alone]
    assert len(fitted) == 2
    kept = base.to_keep()
    find(base.table, rules(), base=kept)
    assert kept.shrinkage(DEFECT) is base.shrinkage(DEFECT)
    assert len(fitted) == 2

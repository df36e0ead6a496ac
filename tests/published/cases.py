"""The published cases: data, expected values at full precision, tolerance and source, read from `cases.json`.

>>> case = published("P-b1")
>>> case.check(mh_or=0.9046968)
"""

from __future__ import annotations

import csv
import json
import math
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One published case.

    Attributes
    ----------
    id, title, source : str
        As in the file; the source names the publication and the package that computed the values.
    data : dict
        The input, in the case's own layout.
    expected : dict
        Value by name: a number, a list of numbers, or a word.
    tolerance : dict
        `abs` and `rel`: a value passes if |value - reference| <= abs + rel * |reference|.
    """

    id: str
    title: str
    source: str
    data: dict[str, Any]
    expected: dict[str, Any]
    tolerance: dict[str, float]

    def check(self, **computed: Any) -> None:
        """Fail unless every computed value, named as in the case, lies within the case's tolerance."""
        assert computed, f"{self.id}: nothing to check"
        wrong = []
        for name, value in computed.items():
            reference = self.expected[name]
            references = reference if isinstance(reference, list) else [reference]
            values = list(value) if isinstance(reference, list) else [value]
            assert len(values) == len(references), f"{self.id} {name}: {len(values)} values, expected {len(references)}"
            wrong += [
                f"{name}: {float(v):.10g}, expected {r:.10g}"
                for v, r in zip(values, references, strict=True)
                if not self._agrees(float(v), r)
            ]
        assert not wrong, f"{self.id} {self.title} ({self.source}): " + "; ".join(wrong)

    def _agrees(self, value: float, reference: float) -> bool:
        gap = abs(value - reference)
        return math.isfinite(gap) and gap <= self.tolerance["abs"] + self.tolerance["rel"] * abs(reference)


@cache
def _file() -> dict[str, Any]:
    cases: dict[str, Any] = json.loads((HERE / "cases.json").read_text(encoding="utf-8"))
    return cases


def published(case_id: str) -> Case:
    """The case with this id."""
    raw = _file()[case_id]
    return Case(
        id=raw["id"],
        title=raw["title"],
        source=raw["source"],
        data=raw["data"],
        expected=raw["expected"],
        tolerance=raw["tol"],
    )


def published_ids() -> list[str]:
    """All ids of the file."""
    return list(_file())


def dataset(name: str) -> list[dict[str, str]]:
    """The rows of one data set, `birthwt` for `data/birthwt.csv`, every value as written in the file."""
    with (HERE / "data" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))

"""A figure and its interval."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

__all__ = ["UNKNOWN", "Estimate"]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A point estimate with its 95 % interval; nan where it cannot be had, infinite where an end is open."""

    estimate: float
    low: float
    high: float

    def as_json(self) -> dict[str, float | None]:
        """For findings: what is not a finite number becomes null."""
        return {name: _finite(getattr(self, name)) for name in ("estimate", "low", "high")}

    def __str__(self) -> str:
        return f"{self.estimate:.2f} ({self.low:.2f} to {self.high:.2f})"


def _finite(value: float) -> float | None:
    return float(value) if isfinite(value) else None


UNKNOWN = Estimate(float("nan"), float("nan"), float("nan"))

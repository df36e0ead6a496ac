"""A figure and its interval."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from remakes.texts import t

__all__ = ["UNKNOWN", "Estimate", "finite_or_none"]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A point estimate with its 95 % interval; nan where it cannot be had, infinite where an end is open."""

    estimate: float
    low: float
    high: float

    def as_json(self) -> dict[str, float | None]:
        """For findings: what is not a finite number becomes null."""
        return {name: finite_or_none(getattr(self, name)) for name in ("estimate", "low", "high")}

    def __str__(self) -> str:
        # In the language of whoever reads it at this moment.
        return str(t("{estimate:.2f} ({low:.2f} to {high:.2f})", estimate=self.estimate, low=self.low, high=self.high))


def finite_or_none(value: float) -> float | None:
    """For JSON, which has no nan and no infinity."""
    return float(value) if isfinite(value) else None


UNKNOWN = Estimate(float("nan"), float("nan"), float("nan"))

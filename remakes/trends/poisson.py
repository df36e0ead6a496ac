"""The exact interval of a count."""

from __future__ import annotations

from scipy.special import chdtri

__all__ = ["poisson_interval"]


def poisson_interval(count: int, *, level: float = 0.95) -> tuple[float, float]:
    """Between which means does a Poisson count leave its own mean?

    Parameters
    ----------
    count : int
        At least 0.
    level : float
        Confidence level, a fraction in (0, 1).

    References
    ----------
    Garwood F. Biometrika 28:437-442 (1936).
    """
    tail = (1.0 - level) / 2.0
    low = 0.5 * float(chdtri(2 * count, 1.0 - tail)) if count else 0.0
    return low, 0.5 * float(chdtri(2 * count + 2, tail))

"""What is told about one lot, machine or clinic."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from remakes.counts.sources import Source
from remakes.evidence.estimate import Estimate, finite_or_none

__all__ = ["ALL", "SourceFigure", "Sources"]

#: The returns of every defect together.
ALL: Final = "all"


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceFigure:
    """One source and one defect: returns seen against returns expected.

    Attributes
    ----------
    what : str
        ``lot``, ``equipment`` or ``clinic``.
    code, step : str
        As in the process log; step is "" for clinics.
    defect : str
        ``all`` or a code.
    restorations, still_in_service : int
        Made with it and delivered; of these not remade or replaced up to the end of observation.
    observed : int
        First returns with the defect.
    expected : float
        What the same restorations would have had at the rate of the others of their step; nan without others.
    raw : Estimate
        Observed by expected, exact Poisson 95 %.
    ratio : Estimate
        The same drawn towards the others of its step, 95 % credible interval.
    p : float
        One-sided and exact; nan where not tested.
    q : float
        Weighted Benjamini-Hochberg over all that was tested; nan where not tested.
    stands_out : bool
        Named: chance alone would name anything at all in at most 5 of 100 labs.
    hard_to_tell_from : tuple of str
        For those that stand out: other sources, in words, that share so many of the restorations that they explain
        the returns about as well. It may be one of them instead.
    """

    what: str
    code: str
    step: str
    defect: str
    restorations: int
    still_in_service: int
    observed: int
    expected: float
    raw: Estimate
    ratio: Estimate
    p: float
    q: float
    stands_out: bool
    hard_to_tell_from: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """In words, "opaquer lot L07", "final cure machine F1"."""
        return str(Source(what=self.what, step=self.step, code=self.code))

    def as_json(self) -> dict[str, Any]:
        """A row of `lots_and_machines`; what is not a finite number becomes null."""
        return {
            "what": self.what,
            "code": self.code,
            "step": self.step,
            "defect": self.defect,
            "restorations": self.restorations,
            "still_in_service": self.still_in_service,
            "observed": self.observed,
            "expected": finite_or_none(self.expected),
            "ratio": finite_or_none(self.ratio.estimate),
            "low": finite_or_none(self.ratio.low),
            "high": finite_or_none(self.ratio.high),
            "q": finite_or_none(self.q),
            "stands_out": self.stands_out,
            "hard_to_tell_from": list(self.hard_to_tell_from),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Sources:
    """All sources with all defects, and the answer in words.

    Attributes
    ----------
    figures : tuple of SourceFigure
        Those that stand out first, then by evidence; clinics that do not stand out by code.
    tested : int
        How many pairs of source and defect were put to the test together.
    enough : bool
        Whether anything could be tested; if not, `missing` says what it takes and the figures are counts only.
    missing : str
    sentence : str
    """

    figures: tuple[SourceFigure, ...]
    tested: int
    enough: bool
    missing: str
    sentence: str

    @property
    def standing_out(self) -> tuple[SourceFigure, ...]:
        """Those that are named."""
        return tuple(one for one in self.figures if one.stands_out)

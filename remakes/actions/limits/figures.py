"""What limits along one reading would flag and spare: the figures, and their interchange format."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, Literal

from remakes.actions.limits.words import sentence_of
from remakes.counts.readings import Band, Limit
from remakes.evidence.estimate import Estimate, finite_or_none
from remakes.texts import t

__all__ = ["NOT_PROPOSED", "LimitPoint", "LimitStudy", "ReadingRisk"]

Side = Literal["low", "high"]
Standing = Literal["present", "tighter", "laxer"]

#: What stands beside a limit laxer than the present one.
NOT_PROPOSED: Final = t("not proposed: the material's instructions decide")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingRisk:
    """One band of readings, and the returns that go with it.

    Attributes
    ----------
    band : Band
    returns : int
        First returns with the defect, as counted.
    risk : Estimate
        Returns within the horizon of one restoration of the lab's usual case mix with such a reading.
    keeps : bool
        All its readings keep the present limits.
    """

    band: Band
    returns: int
    risk: Estimate
    keeps: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitPoint:
    """One limit, the present one or another, and what it would do.

    Attributes
    ----------
    limit : float
    side : {"low", "high"}
        low: the reading must be at least that; high: at most.
    standing : {"present", "tighter", "laxer"}
        Against the present limit.
    flagged_share, flagged_per_month : float
        Of the restorations with a reading: those beyond the limit.
    spared_per_month : Estimate
        Returns within the horizon that would be spared if every flagged restoration were as the kept ones are.
    spared_more : Estimate
        How much more that is than at the present limit, from the same draws.
    probability_more : float
        Share of the draws in which it spares more than the present limit; nan at that limit itself.
    risk_within, risk_beyond : Estimate
        Returns within the horizon of a restoration on either side, for the same case mix.
    """

    limit: float
    side: Side
    standing: Standing
    flagged_share: float
    flagged_per_month: float
    spared_per_month: Estimate
    spared_more: Estimate
    probability_more: float
    risk_within: Estimate
    risk_beyond: Estimate

    @property
    def proposed(self) -> bool:
        """May it be spoken of as a limit to try?"""
        return self.standing != "laxer"

    def as_json(self) -> dict[str, Any]:
        """In the interchange format; figures that cannot be had are null."""
        estimates = ("spared_per_month", "spared_more", "risk_within", "risk_beyond")
        return {
            "limit": self.limit,
            "side": self.side,
            "standing": self.standing,
            "says": "" if self.proposed else NOT_PROPOSED,
            "flagged_share": finite_or_none(self.flagged_share),
            "flagged_per_month": finite_or_none(self.flagged_per_month),
            "probability_more": finite_or_none(self.probability_more),
            **{name: getattr(self, name).as_json() for name in estimates},
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitStudy:
    """What limits along one reading would flag and spare.

    Attributes
    ----------
    factor, defect, unit : str
    horizon : int
        Months of service whose returns count.
    limits : tuple of Limit
        All that restorations were delivered under.
    bands : tuple of ReadingRisk
        Ascending.
    points : tuple of LimitPoint
        By side, ascending; the present limit is among them if some reading lies beyond it.
    recorded : int
        Restorations with a legible reading; all figures are of these.
    why_not : str
        Empty, or why no risk could be estimated; counts may still be there.
    cautions : tuple of str
    """

    factor: str
    defect: str
    unit: str
    horizon: int
    limits: tuple[Limit, ...] = ()
    bands: tuple[ReadingRisk, ...] = ()
    points: tuple[LimitPoint, ...] = ()
    recorded: int = 0
    why_not: str = ""
    cautions: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """What the present limit does, and whether a tighter one would do more."""
        return sentence_of(self)

    def as_json(self) -> dict[str, Any]:
        """In the interchange format."""
        return {
            "factor": self.factor,
            "defect": self.defect,
            "unit": self.unit,
            "horizon_months": self.horizon,
            "recorded": self.recorded,
            "bands": [
                {
                    "readings": one.band.label,
                    "median": one.band.median,
                    "restorations": one.band.restorations,
                    "returns": one.returns,
                    "risk": one.risk.as_json(),
                    "keeps": one.keeps,
                }
                for one in self.bands
            ],
            "points": [one.as_json() for one in self.points],
            "why_not": self.why_not,
            "sentence": self.sentence,
            "cautions": list(self.cautions),
        }

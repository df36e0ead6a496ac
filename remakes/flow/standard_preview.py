"""What another limit would have flagged, before it is saved."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import isfinite
from typing import TYPE_CHECKING, Any, Final, Literal

from remakes.flow.start import observed_until
from remakes.records.cells import number_from_text
from remakes.records.requirements import Requirement
from remakes.records.store import Store

if TYPE_CHECKING:
    from remakes.counts.limit_readings import DeliveredReading
    from remakes.evidence.estimate import Estimate

__all__ = ["HEAPED", "Judged", "LastYear", "LimitPreview", "last_year", "preview_limit"]

#: From this share of readings of one value on, it is said.
HEAPED: Final = 0.5
_YEAR: Final = timedelta(days=365)

Standing = Literal["missed", "met", "not recorded", "does not apply"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LastYear:
    """One reading of the restorations of the last 365 days up to the end of the records.

    Attributes
    ----------
    readings : tuple of DeliveredReading
    after, until : date
        Delivered later than the one, up to the other.
    """

    readings: tuple[DeliveredReading, ...]
    after: date
    until: date


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """Restorations that stand alike to the present and to the new limit.

    Attributes
    ----------
    present, new : {"missed", "met", "not recorded", "does not apply"}
    restorations : int
    returned : int
        Of these, came back with any defect.
    returned_likely : int
        Of these, came back with a defect that the new requirement says a miss may lead to.
    """

    present: Standing
    new: Standing
    restorations: int
    returned: int
    returned_likely: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitPreview:
    """What a new limit would have flagged in the last year.

    Attributes
    ----------
    after, until : date
    delivered : int
        In that time.
    groups : tuple of Judged
        Those that the present or the new limit is for; of most restorations first.
    recorded : int
        With a legible reading, of those that the new limit is for.
    not_recorded : int
        Without.
    flagged : int
        Beyond the new limit.
    flagged_share : Estimate
        Of those recorded, with the 95 % interval of Wilson.
    flagged_now : int
        Beyond the present limit; 0 where there is none.
    anew, no_longer : int
        Beyond the new limit and not the present one, and the reverse.
    values : tuple of (float, int)
        Numbers read, ascending, each with its restorations; empty where the reading is a word.
    commonest : str
        The value read most often; blank without a reading.
    commonest_share : float
        Of the readings; nan without one.
    """

    after: date
    until: date
    delivered: int
    groups: tuple[Judged, ...]
    recorded: int
    not_recorded: int
    flagged: int
    flagged_share: Estimate
    flagged_now: int
    anew: int
    no_longer: int
    values: tuple[tuple[float, int], ...]
    commonest: str
    commonest_share: float

    @property
    def heaped(self) -> bool:
        """Are over half of the readings one value?"""
        return self.commonest_share > HEAPED

    def returned_share(self, group: Judged) -> Estimate:
        """Share of a group that came back with any defect, with the 95 % interval of Wilson."""
        return _share(group.returned, group.restorations)

    def as_json(self) -> dict[str, Any]:
        """The figures for a file."""
        from dataclasses import asdict

        from remakes.evidence.estimate import finite_or_none

        return asdict(self) | {
            "after": self.after.isoformat(),
            "until": self.until.isoformat(),
            "flagged_share": self.flagged_share.as_json(),
            "commonest_share": finite_or_none(self.commonest_share),
        }


def last_year(store: Store, *, step: str, reading: str) -> LastYear:
    """One reading of the restorations of the last year, for `preview_limit`.

    Raises
    ------
    NothingToAnalyzeError
        The records are empty.
    """
    from remakes.counts.engine import connect
    from remakes.counts.limit_readings import readings_delivered
    from remakes.records.snapshot import take_snapshot

    snapshot = take_snapshot(store, reading=(step, reading))
    until = observed_until(snapshot)
    after = until - _YEAR
    found = readings_delivered(connect(snapshot), step=step, reading=reading, after=after, until=until)
    return LastYear(readings=found, after=after, until=until)


def preview_limit(year: LastYear, present: Requirement | None, new: Requirement) -> LimitPreview:
    """What would the new limit have flagged, had it held for the whole of the year? And the present one?

    Parameters
    ----------
    year : LastYear
        Of the reading of both.
    present : Requirement or None
        None: there is no such requirement yet.
    new : Requirement
        Its days do not count here.
    """
    likely = frozenset(new.may_cause)
    judged = [(_standing(present, one), _standing(new, one), one) for one in year.readings]
    concerned = [(now, then, one) for now, then, one in judged if not now == then == "does not apply"]
    pairs = Counter((now, then) for now, then, _ in concerned)
    groups = tuple(
        Judged(
            present=now,
            new=then,
            restorations=n,
            returned=sum(bool(one.defects) for a, b, one in concerned if (a, b) == (now, then)),
            returned_likely=sum(bool(one.defects & likely) for a, b, one in concerned if (a, b) == (now, then)),
        )
        for (now, then), n in pairs.most_common()
    )
    mine = [one for _, then, one in concerned if then in ("met", "missed")]
    recorded, flagged = len(mine), sum(n for (_, then), n in pairs.items() if then == "missed")
    values = Counter(_as_read(one.value, numeric=new.rule.numeric) for one in mine).most_common(1)
    return LimitPreview(
        after=year.after,
        until=year.until,
        delivered=len(year.readings),
        groups=groups,
        recorded=recorded,
        not_recorded=sum(n for (_, then), n in pairs.items() if then == "not recorded"),
        flagged=flagged,
        flagged_share=_share(flagged, recorded),
        flagged_now=sum(n for (now, _), n in pairs.items() if now == "missed"),
        anew=sum(n for (now, then), n in pairs.items() if then == "missed" and now != "missed"),
        no_longer=sum(n for (now, then), n in pairs.items() if now == "missed" and then != "missed"),
        values=_numbers(mine) if new.rule.numeric else (),
        commonest=values[0][0] if values else "",
        commonest_share=values[0][1] / recorded if values else float("nan"),
    )


def _standing(requirement: Requirement | None, one: DeliveredReading) -> Standing:
    if requirement is None or not requirement.applies_to(one.attributes):
        return "does not apply"
    met = requirement.rule.met(one.value)
    return "not recorded" if met is None else "met" if met else "missed"


def _share(events: int, total: int) -> Estimate:
    from remakes.evidence.estimate import Estimate
    from remakes.evidence.tables.proportions import proportion_interval

    found = proportion_interval(events=[events], total=[total])
    return Estimate(float(found.estimate[0]), float(found.low[0]), float(found.high[0]))


def _as_read(value: str, *, numeric: bool) -> str:
    """One way of writing for one value: 180, 180.0 and 180,0 are the same reading."""
    number = number_from_text(value) if numeric else None
    return value.strip().casefold() if number is None else f"{number:.12g}"


def _numbers(readings: Sequence[DeliveredReading]) -> tuple[tuple[float, int], ...]:
    numbers = (number_from_text(one.value) for one in readings)
    return tuple(sorted(Counter(one for one in numbers if one is not None and isfinite(one)).items()))

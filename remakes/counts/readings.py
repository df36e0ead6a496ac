"""Numeric readings in bands, so that the shape of their effect can be seen and not only met against missed.

Where the bands part is decided by the limits of the standard and by how the readings are spread, never by who came
back: cuts chosen by the outcome would find what they were chosen for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import Any, Final, Literal

import ibis
import numpy as np
from ibis import _
from numpy.typing import NDArray

from remakes.counts.engine import Tables
from remakes.counts.patterns import STATUSES, UNITS
from remakes.counts.refine import RefinedTable, refine
from remakes.counts.table import PatternTable
from remakes.records.standard import ProcessStandard, Requirement

__all__ = ["LEAST_IN_BAND", "MOST_BANDS", "Band", "Cut", "Limit", "ReadingBands", "cut_readings", "reading_bands"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Side = Literal["low", "high"]

#: A band of fewer restorations is merged with its neighbour, unless a limit in force parts the two.
LEAST_IN_BAND: Final = 30
MOST_BANDS: Final = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A limit the standard sets to a reading, or has set.

    Attributes
    ----------
    value : float
    side : {"low", "high"}
        low: the reading must be at least that; high: at most.
    restorations : int
        Delivered under it.
    present : bool
        In force at the last delivery; False: replaced or expired.
    """

    value: float
    side: Side
    restorations: int
    present: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """Where two neighbouring bands part.

    Attributes
    ----------
    value : float
    side : {"low", "high"}
        To which band a reading of exactly this value belongs: low, as for "at least", to the upper one; high, as
        for "at most", to the lower one.
    limit : bool
        A present limit stands here.
    """

    value: float
    side: Side
    limit: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """Restorations whose reading lies between two cuts.

    Attributes
    ----------
    label : str
        The readings that occur: ``0.8 to 0.9``, or one value.
    low, high : float
        The cuts below and above; infinite at the ends of the range.
    least, most, median : float
        Of the readings in the band.
    restorations : int
    """

    label: str
    low: float
    high: float
    least: float
    most: float
    median: float
    restorations: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingBands:
    """One numeric factor's readings in bands, and the patterns counted by band.

    Attributes
    ----------
    factor : str
    unit : str
        Blank where the standard names none.
    limits : tuple of Limit
        All the standard ever set and that restorations were delivered under; those of most restorations first.
    cuts : tuple of Cut
        Ascending, one between every two bands.
    bands : tuple of Band
        Ascending; of legible readings only.
    refined : RefinedTable
        Its attribute holds the bands' labels in their order, then "not recorded" and "does not apply".
    """

    factor: str
    unit: str
    limits: tuple[Limit, ...]
    cuts: tuple[Cut, ...]
    bands: tuple[Band, ...]
    refined: RefinedTable

    def present(self, side: Side) -> Limit | None:
        """The limit in force on one side; of several materials', that of most restorations."""
        return _present(self.limits, side)


def reading_bands(tables: Tables, base: PatternTable, standard: ProcessStandard, *, factor: str) -> ReadingBands | None:
    """The patterns counted by bands of one factor's readings.

    Parameters
    ----------
    tables : Tables
        The engine that `base` was counted in.
    base : PatternTable
    standard : ProcessStandard
        The one `base` was counted by.
    factor : str

    Returns
    -------
    ReadingBands or None
        None where the readings are words, lie on several scales (units that changed), or are missing altogether.

    Notes
    -----
    A reading counts as for met and missed: the latest one, written before the restoration came back, that is a
    number. Of a restoration the requirement does not apply to, no reading counts.
    """
    requirements = standard.requirements_of(factor)
    units = {one.unit or "" for one in requirements}
    if len(units) > 1 or not all(one.rule.numeric for one in requirements):
        return None
    mine = tables.engine.table(STATUSES).filter(_.factor == standard.factors.index(factor))
    held = mine.select("restoration_id", number=_.value.strip().cast("float64")).filter(~_.number.isinf())
    spread = held.group_by("number").agg(n=_.count()).order_by("number").to_pyarrow()
    if not spread.num_rows:
        return None
    limits = _limits(tables, standard, factor)
    values, counts = spread["number"].to_numpy().astype(np.float64), spread["n"].to_numpy().astype(np.int64)
    cuts = cut_readings(values, counts, limits)
    bands = _bands(values, counts, cuts)
    levels = held.select("restoration_id", level=_band_number(held.number, cuts))
    refined = refine(
        tables, base, levels, name=f"{factor} reading", order=[band.label for band in bands], factor=factor
    )
    return ReadingBands(factor=factor, unit=units.pop(), limits=limits, cuts=cuts, bands=bands, refined=refined)


def _band_number(number: Any, cuts: Sequence[Cut]) -> Any:
    """How many cuts lie below a reading."""
    below = ibis.literal(0)
    for cut in cuts:
        at = ibis.literal(cut.value, type="float64")
        below = below + (number >= at if cut.side == "low" else number > at).cast("int64")
    return below


def _limits(tables: Tables, standard: ProcessStandard, factor: str) -> tuple[Limit, ...]:
    units = tables.engine.table(UNITS)
    rows = units.group_by("regime").agg(n=_.count(), last=_.delivered.max()).to_pyarrow().to_pylist()
    position = standard.factors.index(factor)
    under: dict[Requirement, int] = {}
    for row in rows:
        chosen = row["regime"].split(",")[position]
        if chosen.isdigit():
            requirement = standard.requirements[int(chosen)]
            under[requirement] = under.get(requirement, 0) + row["n"]
    present = _in_force(tuple(under), max(row["last"] for row in rows))
    merged: dict[tuple[float, Side], tuple[int, bool]] = {}
    for requirement, n in under.items():
        for value, side in _ends(requirement):
            held, now = merged.get((value, side), (0, False))
            merged[value, side] = (held + n, now or requirement in present)
    found = [Limit(value=value, side=side, restorations=n, present=now) for (value, side), (n, now) in merged.items()]
    return tuple(sorted(found, key=lambda one: (-one.restorations, one.value, one.side)))


def _ends(requirement: Requirement) -> list[tuple[float, Side]]:
    ends: list[tuple[float, Side]] = []
    if requirement.rule.low is not None:
        ends.append((requirement.rule.low, "low"))
    if requirement.rule.high is not None:
        ends.append((requirement.rule.high, "high"))
    return ends


def _in_force(requirements: tuple[Requirement, ...], day: date) -> list[Requirement]:
    """Those that hold on a day and have no successor for the same materials; if all have ended, the last one."""
    held = [one for one in requirements if one.in_force_on(day)]
    newest = max((one.valid_from for one in requirements), default=day)
    held = held or [one for one in requirements if one.valid_from == newest]
    return [
        one
        for one in held
        if not any(
            dict(other.applies_when) == dict(one.applies_when) and other.valid_from > one.valid_from for other in held
        )
    ]


def _present(limits: Sequence[Limit], side: Side) -> Limit | None:
    return next((one for one in limits if one.side == side and one.present), None)


def cut_readings(values: Floats, counts: NDArray[np.int64], limits: Sequence[Limit]) -> tuple[Cut, ...]:
    """Where to part readings into bands.

    Parameters
    ----------
    values : (m,) array
        Different readings, ascending.
    counts : (m,) array
        Restorations with each.
    limits : sequence of Limit

    Returns
    -------
    tuple of Cut
        At most six, ascending; none where all readings are one.

    Notes
    -----
    Each limit that some reading lies beyond is a cut; quantiles of the readings between two limits are the others,
    with the larger share of the bands on the side that keeps the limits. Bands of fewer than `LEAST_IN_BAND`
    restorations are merged, first across quantiles, then across limits of the past or of other materials; never
    across the present limit of most restorations, since what lies beyond it is what is asked about.
    """
    fixed = [one for one in (_present(limits, "low"), _present(limits, "high")) if one is not None]
    marks = _limit_marks(values, (*fixed, *limits))
    good = _good_position(values, limits)
    firmness = dict.fromkeys(_quantiles(counts, sorted(marks), good), 0)
    firmness |= {k: 2 if one in fixed else 1 for k, one in marks.items()}
    return tuple(_cut(values, k, marks.get(k), good, limits) for k in _merged(counts, firmness))


def _limit_marks(values: Floats, limits: Sequence[Limit]) -> dict[int, Limit]:
    """How many values lie below each limit that parts them; of limits that part them alike, the first."""
    marks: dict[int, Limit] = {}
    for one in limits:
        below = int(np.searchsorted(values, one.value, side="left" if one.side == "low" else "right"))
        if 0 < below < len(values) and len(marks) < MOST_BANDS - 1:
            marks.setdefault(below, one)
    return marks


def _good_position(values: Floats, limits: Sequence[Limit]) -> int:
    """Position of a value that keeps whatever limit is in force: the best one, or the middle between two limits."""
    low, high = _present(limits, "low"), _present(limits, "high")
    if low and high:
        return min(int(np.searchsorted(values, (low.value + high.value) / 2)), len(values) - 1)
    return 0 if high else len(values) - 1


def _quantiles(counts: NDArray[np.int64], marks: list[int], good: int) -> list[int]:
    """Cuts at equal shares of the restorations within each stretch between two marks."""
    stretches = list(pairwise([0, *marks, len(counts)]))
    each, over = divmod(MOST_BANDS, len(stretches))
    cuts: list[int] = []
    for first, end in stretches:
        bands = each + (over if first <= good < end else 0)
        held = np.cumsum(counts[first:end])
        bands = min(bands, int(held[-1]) // LEAST_IN_BAND)
        cuts += [first + 1 + int(np.abs(held - held[-1] * k / bands).argmin()) for k in range(1, bands)]
    return [k for k in cuts if 0 < k < len(counts)]


def _merged(counts: NDArray[np.int64], firmness: dict[int, int]) -> list[int]:
    """The cuts that stay when the scarcest band, over and over, gives up its less firm cut."""
    cuts = sorted(firmness)
    while cuts:
        sizes = np.add.reduceat(counts, [0, *cuts])
        # A band's two cuts, with what merging across them would give: the less firm one goes, then the smaller.
        options = [
            (int(sizes[band]), firmness[cuts[at]], int(sizes[beyond]), at)
            for band in range(len(sizes))
            for at, beyond in ((band - 1, band - 1), (band, band + 1))
            if 0 <= at < len(cuts) and sizes[band] < LEAST_IN_BAND and firmness[cuts[at]] < 2
        ]
        if not options:
            break
        del cuts[min(options)[-1]]
    return cuts


def _cut(values: Floats, below: int, limit: Limit | None, good: int, limits: Sequence[Limit]) -> Cut:
    if limit is not None:
        return Cut(value=limit.value, side=limit.side, limit=limit.present)
    both = _present(limits, "low") is not None
    if _present(limits, "high") is not None and (not both or below > good):
        return Cut(value=float(values[below - 1]), side="high", limit=False)
    return Cut(value=float(values[below]), side="low", limit=False)


def _bands(values: Floats, counts: NDArray[np.int64], cuts: Sequence[Cut]) -> tuple[Band, ...]:
    ends = [int(np.searchsorted(values, cut.value, side="left" if cut.side == "low" else "right")) for cut in cuts]
    edges = [float("-inf"), *(cut.value for cut in cuts), float("inf")]
    return tuple(
        _band(values[first:end], counts[first:end], low, high)
        for (first, end), (low, high) in zip(pairwise([0, *ends, len(values)]), pairwise(edges), strict=True)
    )


def _band(values: Floats, counts: NDArray[np.int64], low: float, high: float) -> Band:
    least, most = float(values[0]), float(values[-1])
    held = np.cumsum(counts)
    return Band(
        label=f"{least:.10g}" if least == most else f"{least:.10g} to {most:.10g}",
        low=low,
        high=high,
        least=least,
        most=most,
        median=float(values[np.searchsorted(held, held[-1] / 2)]),
        restorations=int(held[-1]),
    )

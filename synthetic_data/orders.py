"""Which restorations the invented lab made: workload, cases, clinics, difficulty, who veneered them."""

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import NamedTuple, TypeVar

from synthetic_data import lab

T = TypeVar("T")
UPPER = (*(f"1{tooth}" for tooth in range(7, 0, -1)), *(f"2{tooth}" for tooth in range(1, 8)))
LOWER = (*(f"4{tooth}" for tooth in range(7, 0, -1)), *(f"3{tooth}" for tooth in range(1, 8)))
# Very unequal volumes: the largest clinic sends about a sixth of the work, the smallest half a hundredth.
CLINIC_WEIGHTS = {clinic: 1_000_000 // (clinic + 6) ** 2 for clinic in range(1, lab.CLINICS + 1)}


class Stream:
    """Random numbers for one purpose.

    Everything is drawn from `random()`, the one sequence that Python promises to keep, and nothing is computed with
    what differs in the last digit between machines or versions (exp, log, sum of floats): equal bytes everywhere.
    """

    def __init__(self, seed: int, purpose: str) -> None:
        self.uniform = random.Random(f"{seed}/{purpose}").random

    def happens(self, probability: float) -> bool:
        return self.uniform() < probability

    def whole(self, low: int, high: int) -> int:
        return low + int(self.uniform() * (high - low + 1))

    def pick(self, options: Sequence[T]) -> T:
        return options[int(self.uniform() * len(options))]

    def weighted(self, weights: Mapping[T, int]) -> T:
        left = int(self.uniform() * sum(weights.values()))
        for option, weight in weights.items():
            left -= weight
            if left < 0:
                return option
        raise AssertionError("whole weights leave no remainder")


class Streams(dict[str, Stream]):
    """One stream per purpose, so that a change to one purpose moves no number of another."""

    def __init__(self, seed: int) -> None:
        super().__init__()
        self.seed = seed

    def __missing__(self, purpose: str) -> Stream:
        self[purpose] = Stream(self.seed, purpose)
        return self[purpose]


@dataclass(frozen=True, slots=True, kw_only=True)
class Restoration:
    """One restoration as ordered and delivered; `conditions` is what bears on misses, gaps and defects."""

    key: int
    case: int
    clinic: str
    technician: str
    kind: str
    teeth: tuple[str, ...]
    framework: str
    veneer: str
    difficulty: tuple[str, ...]
    received: date
    due: date | None
    delivered: date
    lamp: str
    conditions: frozenset[str]
    remake_of: int | None = None


def workday(day: date, step: int) -> date:
    """The day itself, or the nearest workday after (step 1) or before (step -1) it."""
    while day.weekday() > 4 or any(first <= day <= last for first, last in lab.CLOSED):
        day += timedelta(days=step)
    return day


def workdays_before(day: date, count: int) -> date:
    for _ in range(count):
        day = workday(day - timedelta(days=1), -1)
    return day


def pressing(day: date, streams: Streams) -> frozenset[str]:
    """Summer, and busy days: the backlog after a holiday and the crowded weeks that come by chance."""
    backlog = any(timedelta(0) < day - last <= timedelta(days=lab.BACKLOG_DAYS) for _, last in lab.CLOSED)
    busy = backlog or Stream(streams.seed, f"week {day.isocalendar()[:2]}").happens(0.1)
    return frozenset({"busy"} if busy else ()) | frozenset({"summer"} if day.month in (6, 7, 8) else ())


def delivery_days(cases: int, first: date, streams: Streams) -> list[date]:
    """When each case left the lab, in order; a few on Saturdays, the last one on the last day."""
    load: dict[date, int] = {}
    for offset in range((lab.OBSERVED_UNTIL - first).days + 1):
        day = first + timedelta(days=offset)
        load[day] = 34 if "busy" in pressing(day, streams) else 20
        if workday(day, 1) != day:
            load[day] = 1 if day.weekday() == 5 and not any(start <= day <= last for start, last in lab.CLOSED) else 0
    days = [streams["deliveries"].weighted(load) for _ in range(cases - 1)]
    return [*sorted(days), lab.OBSERVED_UNTIL]


class Piece(NamedTuple):
    kind: str
    teeth: tuple[str, ...]
    framework: str
    veneer: str
    tags: tuple[str, ...]


def piece(bruxism: bool, stream: Stream) -> Piece:
    """One restoration of a case, as the clinic ordered it."""
    kind = stream.weighted(lab.KINDS)
    arch = UPPER if stream.happens(0.55) else LOWER
    span = stream.weighted(lab.SPANS) if "bridge" in kind else 1
    start = stream.whole(0, len(arch) - span)
    framework = "none" if kind in ("inlay", "onlay", "veneer") else stream.weighted(lab.FRAMEWORKS)
    veneer = stream.weighted(lab.VENEERS[framework])
    noted = (("bruxism", bruxism), ("limited space", stream.happens(0.13)), ("long span", span >= 4))
    return Piece(kind, arch[start : start + span], framework, veneer, tuple(tag for tag, holds in noted if holds))


def technician_for(hard: bool, stream: Stream) -> lab.Technician:
    """Hard cases go to the seniors: a technician's own returns say little about the technician."""
    senior = stream.happens(lab.SENIOR_GETS_HARD if hard else lab.SENIOR_GETS_EASY)
    return stream.weighted({person: person.weight for person in lab.TECHNICIANS if person.senior == senior})


def case_of(number: int, size: int, delivered: date, streams: Streams) -> list[Restoration]:
    """The restorations of one case, not numbered yet."""
    stream = streams["orders"]
    season = pressing(delivered, streams)
    busy = "busy" in season
    clinic, bruxism = stream.weighted(CLINIC_WEIGHTS), stream.happens(0.09)
    rush = stream.happens(0.22 if busy else 0.13)
    late = stream.whole(1, 3) if stream.happens(0.3 if busy else 0.1) else 0
    lead = stream.whole(2, 3) if rush else stream.whole(6, 11)  # workdays
    due = workday(delivered - timedelta(days=late), -1)
    pieces = [piece(bruxism, stream) for _ in range(size)]
    hard = any(one.tags for one in pieces)
    technician = technician_for(hard, stream)
    odd = int(technician.code[1:]) % 2 == 1
    holds = {"rush": rush, "senior": technician.senior, "senior with a hard case": technician.senior and hard}
    conditions = season | {condition for condition, held in holds.items() if held}
    return [
        Restoration(
            key=0, case=number, clinic=f"C{clinic:02}", technician=technician.code, kind=one.kind, teeth=one.teeth,
            framework=one.framework, veneer=one.veneer, difficulty=one.tags, received=workdays_before(due, lead),
            due=None if stream.happens(0.04) else due, delivered=delivered, conditions=conditions | set(one.tags),
            lamp="F1" if streams["lamps"].happens(0.65 if odd else 0.35) else "F2",
        )
        for one in pieces
    ]  # fmt: skip


def original_orders(restorations: int, first: date, streams: Streams) -> list[Restoration]:
    """All first-made restorations in order of delivery, numbered from 1."""
    sizes: list[int] = []
    while sum(sizes) < restorations:
        sizes.append(min(streams["sizes"].weighted({1: 72, 2: 20, 3: 8}), restorations - sum(sizes)))
    made: list[Restoration] = []
    for number, (size, day) in enumerate(zip(sizes, delivery_days(len(sizes), first, streams), strict=True), start=1):
        made += case_of(number, size, day, streams)
    return [replace(one, key=key) for key, one in enumerate(made, start=1)]


def remake_order(old: Restoration, returned: date, key: int, streams: Streams) -> Restoration | None:
    """The restoration that replaces one sent back, a case of its own; nothing if it is not out by the last day."""
    received = workday(returned + timedelta(days=1), 1)
    delivered = workday(received + timedelta(days=6), 1)
    if delivered > lab.OBSERVED_UNTIL:
        return None
    conditions = old.conditions - {"rush", "busy", "summer"} | pressing(delivered, streams)
    return replace(
        old, key=key, case=-key, remake_of=old.key, conditions=conditions,
        received=received, due=delivered, delivered=delivered,
    )  # fmt: skip

"""What was done at the bench, and what was written down about it: misses, gaps, the process log."""

import tomllib
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from synthetic_data import lab
from synthetic_data.orders import Restoration, Stream, Streams, workday, workdays_before

STANDARD = Path(__file__).with_name("standard.toml")
STEPS = {  # workdays before delivery and the hour at which each step begins; the order is that of the standard
    "framework": (3, 7.0), "blasting": (2, 9.0), "bonding": (2, 9.5), "opaquer": (2, 10.5), "layering": (1, 13.0),
    "final cure": (1, 14.0), "finishing": (1, 15.0), "checking": (0, 8.0),
}  # fmt: skip
PEOPLE = {person.code: person for person in lab.TECHNICIANS}
LAMP_LIMIT_H = 500
LOTS = {"bonding": "BA", "opaquer": "OP", "layering": "VC"}


class Requirement(NamedTuple):
    """One rule of the process standard, with the bench values that meet and that miss it."""

    factor: str
    step: str
    reading: str
    applies: Mapping[str, list[str]]
    valid_from: date
    met: tuple[str, ...]
    missed: tuple[str, ...]


class Reading(NamedTuple):
    """One row of the process log; the fields are its columns."""

    restoration_id: int
    step: str
    reading: str
    value: str
    recorded_at: datetime | None
    operator: str
    equipment: str
    lot: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """What truly happened to one restoration, and the log rows left behind."""

    missed: Mapping[str, bool]  # every factor that applies; True where the requirement was missed
    unrecorded: tuple[Requirement, ...]
    readings: tuple[Reading, ...]


def meets(rule: Mapping[str, Any], value: str) -> bool:
    if "one_of" in rule:
        return value in rule["one_of"]
    if "none_of" in rule:
        return value not in rule["none_of"]
    low, high = rule.get("between", (rule.get("at_least", "-inf"), rule.get("at_most", "inf")))
    return float(low) <= float(value) <= float(high)


def requirements() -> list[Requirement]:
    """The rules of `standard.toml`, in its order."""
    read = []
    for rule in tomllib.loads(STANDARD.read_text(encoding="utf-8"))["requirement"]:
        values = [value for value in lab.BENCH[rule["factor"]].values.split("|") if value]
        met = tuple(value for value in values if meets(rule, value))
        missed = tuple(value for value in values if not meets(rule, value))
        read.append(Requirement(rule["factor"], rule["step"], rule["reading"], rule.get("applies_when", {}),
                                rule["valid_from"], met, missed))  # fmt: skip
    return read


def in_force(rules: list[Requirement], made: Restoration) -> list[Requirement]:
    """The rule of each factor that holds for this restoration on the day it was delivered."""
    latest: dict[str, Requirement] = {}
    for rule in rules:
        if rule.valid_from <= made.delivered and all(getattr(made, key) in of for key, of in rule.applies.items()):
            latest[rule.factor] = max(latest.get(rule.factor, rule), rule, key=lambda one: one.valid_from)
    return list(latest.values())


def lamp_hours(lamp: str, day: date) -> int:
    replaced = lab.LAMPS[lamp]
    return lab.LAMP_HOURS_PER_DAY * (day - replaced[bisect_right(replaced, day) - 1]).days


def lot(prefix: str, day: date) -> str:
    return f"{prefix}{(day - lab.LOTS_FROM).days // lab.LOT_DAYS[prefix] + 1:02}"


@cache
def habit(factor: str, technician: str, seed: int) -> float:
    return Stream(seed, f"habit {technician} {factor}").pick(lab.HABITS)


def was_missed(factor: str, made: Restoration, streams: Streams) -> bool:
    """Whether the requirement was missed: care and habit of the technician, pressure, and what pushes this factor."""
    habits, stream = lab.BENCH[factor], streams[f"miss {factor}"]
    if factor == "lamp_hours":
        return lamp_hours(made.lamp, made.delivered) > LAMP_LIMIT_H
    odds = habits.share / (1 - habits.share)
    if habits.by_day:
        pushes, stream = habits.pushes, Stream(streams.seed, f"miss {factor} {made.delivered}")
    else:
        pushes = {**lab.PRESSURE, **habits.pushes}
        odds *= PEOPLE[made.technician].care * habit(factor, made.technician, streams.seed)
    for condition, ratio in pushes.items():
        odds *= ratio if condition in made.conditions else 1.0
    return stream.happens(odds / (1 + odds))


def not_recorded(factor: str, made: Restoration, streams: Streams) -> bool:
    """Whether the reading was left out: pressure and the person, never the outcome of the step itself."""
    chance = lab.BENCH[factor].gap * PEOPLE[made.technician].gaps
    for condition, ratio in lab.GAP_PRESSURE.items():
        chance *= ratio if condition in made.conditions else 1.0
    return streams[f"gap {factor}"].happens(chance)


def value_of(rule: Requirement, made: Restoration, missed: bool, streams: Streams) -> str:
    if rule.factor == "lamp_hours":
        return str(lamp_hours(made.lamp, made.delivered))
    if lab.BENCH[rule.factor].by_day:
        return Stream(streams.seed, f"value {rule.factor} {made.delivered}").pick(rule.missed if missed else rule.met)
    value = streams[f"value {rule.factor}"].pick(rule.missed if missed else rule.met)
    return lab.HEAPED_VALUE if (made.technician, rule.factor) == (lab.HEAPER, lab.HEAPED_FACTOR) else value


def stamp(step: str, made: Restoration, streams: Streams) -> datetime | None:
    """When the step's readings were written down; a few sheets bear no time."""
    back, hour = STEPS[step]
    minutes, undated = streams["stamps"].whole(0, 24), streams["stamps"].happens(0.03)
    day = max(workdays_before(made.delivered, back), made.received)
    moment = datetime.combine(day, time()) + timedelta(minutes=int(hour * 60) + minutes)
    return None if undated else moment


def log_row(rule: Requirement, made: Restoration, value: str, at: datetime | None, operator: str) -> Reading:
    cabinet = f"B{made.case % 3 // 2 + 1}"
    equipment = {"blasting": cabinet, "opaquer": made.lamp, "final cure": made.lamp}
    material = lot(LOTS[rule.step], made.delivered) if rule.step in LOTS else ""
    return Reading(made.key, rule.step, rule.reading, value, at, operator, equipment.get(rule.step, ""), material)


def work_on(made: Restoration, rules: list[Requirement], streams: Streams) -> Work:
    """Make one restoration: which requirements are missed, which readings are written down."""
    missed: dict[str, bool] = {}
    gaps: list[Requirement] = []
    rows: list[Reading] = []
    stamps = {step: stamp(step, made, streams) for step in STEPS}
    checker = streams["operators"].pick([code for code in PEOPLE if code != made.technician])
    for rule in in_force(rules, made):
        missed[rule.factor] = was_missed(rule.factor, made, streams)
        value = value_of(rule, made, missed[rule.factor], streams)
        slip, at = streams["slips"].happens(0.004), stamps[rule.step]
        if not_recorded(rule.factor, made, streams):
            gaps.append(rule)
            continue
        operator = checker if rule.step == "checking" else made.technician
        if slip and at and rule.missed and value in rule.met:  # first written down wrongly, then corrected
            rows.append(log_row(rule, made, rule.missed[0], at - timedelta(minutes=5), operator))
        rows.append(log_row(rule, made, value, at, operator))
    return Work(missed=missed, unrecorded=tuple(gaps), readings=tuple(rows))


def filled_in_later(made: Restoration, work: Work, asked: date) -> Work:
    """The sheet of a returned piece, completed from memory after the report: everything was right, of course."""
    at = datetime.combine(workday(asked + timedelta(days=1), 1), time(16, 30))
    known = [rule for rule in work.unrecorded if rule.met and at.date() <= lab.OBSERVED_UNTIL]
    rows = [log_row(rule, made, rule.met[0], at, made.technician) for rule in known]
    return Work(missed=work.missed, unrecorded=work.unrecorded, readings=(*work.readings, *rows))

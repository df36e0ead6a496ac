"""What was planted in the invented lab, and how much of it shows when the hidden truth itself is counted."""

import math
from collections import Counter
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

from synthetic_data import lab
from synthetic_data.bench import LAMP_LIMIT_H, lot, requirements
from synthetic_data.generate import InventedLab
from synthetic_data.orders import Restoration
from synthetic_data.returns import MONTH_DAYS, chance_of_mild

README = Path(__file__).with_name("README.md")
MARKS = ("<!-- numbers: written by generate.py -->", "<!-- end of the numbers -->")


class Service(NamedTuple):
    """One restoration at risk of one defect."""

    made: Restoration
    missed: bool
    months: float
    returned: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RateRatio:
    """Returns per month at risk, missed against met, pooled over strata, with the counts behind it."""

    ratio: float
    log_se: float
    returns_missed: int
    months_missed: int
    returns_met: int
    months_met: int


def services(made: InventedLab, factor: str, defect: str) -> list[Service]:
    """Every restoration to which the factor applies, from delivery to such a return, the remake or the last day."""
    first: dict[int, date] = {}
    remade: dict[int, date] = {}
    for row in made.returns:
        if row.defect == defect:
            first.setdefault(row.restoration_id, row.reported_on)
        if row.disposition == "remade":
            remade.setdefault(row.restoration_id, row.reported_on)
    found = []
    for one in made.restorations:
        missed = made.work[one.key].missed.get(factor)
        if missed is not None:
            end = min(first.get(one.key, lab.OBSERVED_UNTIL), remade.get(one.key, lab.OBSERVED_UNTIL))
            days = max((end - one.delivered).days, 1)
            found.append(Service(one, missed, days / MONTH_DAYS, one.key in first))
    return found


def everybody(_: Restoration) -> Hashable:
    return None


def difficulty_and_technician(one: Restoration) -> Hashable:
    return one.difficulty, one.technician


def rate_ratio(
    made: InventedLab, factor: str, defect: str, within: Callable[[Restoration], Hashable] = everybody
) -> RateRatio:
    """How many times more often did the defect come back where the requirement was truly missed?

    Parameters
    ----------
    made : InventedLab
        The lab with its hidden truth.
    factor, defect : str
        Codes of the standard and of the returns.
    within : callable
        The stratum of a restoration; restorations are compared within strata only.

    Returns
    -------
    RateRatio
        Ratio and standard error of its logarithm; nan where a group has no return to compare.

    Notes
    -----
    Mantel-Haenszel rate ratio for person-time with the variance of Greenland and Robins (Biometrics 41:55-68, 1985);
    formula from memory. Months are counted from delivery, so a course that changes with age is averaged over.
    """
    strata: dict[Hashable, list[Service]] = {}
    for one in services(made, factor, defect):
        strata.setdefault(within(one.made), []).append(one)
    parts: list[tuple[float, float, float]] = []
    returns, months = Counter[bool](), Counter[bool]()
    for members in strata.values():
        hits = {flag: sum(one.returned for one in members if one.missed is flag) for flag in (True, False)}
        served = {flag: math.fsum(one.months for one in members if one.missed is flag) for flag in (True, False)}
        whole = served[True] + served[False]
        spread = (hits[True] + hits[False]) * served[True] * served[False] / whole**2
        parts.append((hits[True] * served[False] / whole, hits[False] * served[True] / whole, spread))
        returns.update(hits)
        months.update({flag: round(time) for flag, time in served.items()})
    up, down, spread = (math.fsum(column) for column in zip(*parts, strict=True))
    return RateRatio(
        ratio=up / down if up and down else math.nan,
        log_se=math.sqrt(spread / (up * down)) if up and down else math.nan,
        returns_missed=returns[True],
        months_missed=months[True],
        returns_met=returns[False],
        months_met=months[False],
    )


def share_missed(made: InventedLab, factor: str) -> float:
    status = [work.missed[factor] for work in made.work.values() if factor in work.missed]
    return sum(status) / len(status)


def share_not_recorded(made: InventedLab, factor: str) -> float:
    applies = [work for work in made.work.values() if factor in work.missed]
    return sum(factor in (rule.factor for rule in work.unrecorded) for work in applies) / len(applies)


def table(header: str, rows: Iterable[Iterable[object]]) -> list[str]:
    names = header.split("|")
    lines = [names, ["---"] * len(names), *rows]
    return [*("| " + " | ".join(map(str, line)) + " |" for line in lines), ""]


def cause_row(made: InventedLab, cause: lab.Cause) -> tuple[object, ...]:
    seen = rate_ratio(made, cause.factor, cause.defect)
    missed, met = (
        f"{returns} in {months:,} months"
        for returns, months in ((seen.returns_missed, seen.months_missed), (seen.returns_met, seen.months_met))
    )
    return *cause, f"{share_missed(made, cause.factor):.1%}", missed, met, f"{seen.ratio:.1f}"


def size_of(made: InventedLab) -> str:
    returned = {row.restoration_id for row in made.returns}
    remakes = sum(one.remake_of is not None for one in made.restorations)
    second = sum(not row.primary for row in made.returns)
    readings = sum(len(work.readings) for work in made.work.values())
    return (
        f"Seed {made.seed}: {len(made.restorations):,} restorations, {remakes} of them remakes; "
        f"{len(returned)} came back at least once ({len(returned) / len(made.restorations):.1%}); "
        f"{len(made.returns) - second} returns, {second} of them with a second defect; {readings:,} rows in the log."
    )


def bad_lot(made: InventedLab) -> str:
    bonded = [one for one in made.restorations if "opaquer_coats" in made.work[one.key].missed]
    debonded = {row.restoration_id for row in made.returns if row.defect == lab.BAD_LOT_DEFECT}
    bad = [one for one in bonded if lot(lab.BAD_LOT[:2], one.delivered) == lab.BAD_LOT]
    days = sorted(one.delivered for one in bad) or [lab.OBSERVED_UNTIL]
    hits = sum(one.key in debonded for one in bad)
    return (
        f"Bad lot {lab.BAD_LOT}: deliveries from {days[0]} to {days[-1]}, {len(bad)} restorations, {hits} with a "
        f"{lab.BAD_LOT_DEFECT}; all other lots: {len(bonded) - len(bad):,} restorations, {len(debonded) - hits}."
    )


def late_lamps(made: InventedLab) -> str:
    in_time = timedelta(days=LAMP_LIMIT_H // lab.LAMP_HOURS_PER_DAY)
    stretches = [
        f"{lamp} from {fitted + in_time + timedelta(days=1)} to {replaced - timedelta(days=1)}"
        for lamp, days in lab.LAMPS.items()
        for fitted, replaced in pairwise(days)
        if replaced - fitted > in_time + timedelta(days=1)
    ]
    over = sum(work.missed.get("lamp_hours", False) for work in made.work.values())
    return f"Lamps over their hours: {', '.join(stretches)}; {over} restorations."


def bad_records(made: InventedLab) -> list[str]:
    """What is wrong with the records, as in any lab: heaped values, sheets completed from memory, silent clinics."""
    reading = next(rule.reading for rule in requirements() if rule.factor == lab.HEAPED_FACTOR)
    reported: dict[int, date] = {}
    for row in made.returns:
        reported.setdefault(row.restoration_id, row.reported_on)
    rows = [row for work in made.work.values() for row in work.readings]
    heaped = sum(row.reading == reading and row.operator == lab.HEAPER for row in rows)
    late = [
        row.restoration_id
        for row in rows
        if row.recorded_at and row.restoration_id in reported and row.recorded_at.date() > reported[row.restoration_id]
    ]
    twice = len(rows) - len({(row.restoration_id, row.reading) for row in rows})
    clinics = sorted({one.clinic for one in made.restorations})
    silent = [clinic for clinic in clinics if chance_of_mild(clinic, made.seed) == 0]
    return [
        f"- Heaped: {lab.HEAPER} wrote {lab.HEAPED_VALUE} for `{lab.HEAPED_FACTOR}` {heaped} times, whatever it was.",
        f"- Filled in after the return was reported, all as met: {len(late)} readings, {len(set(late))} restorations.",
        f"- Written down wrongly first and corrected minutes later: {twice} readings.",
        f"- Clinics that send back nothing mild (severity up to 3): {', '.join(silent)}.",
        "",
    ]


def describe(made: InventedLab) -> str:
    """The numbers of the README, as Markdown."""
    crude = rate_ratio(made, "wax_key", "chipping")
    fair = rate_ratio(made, "wax_key", "chipping", difficulty_and_technician)
    shares = (
        (factor, f"{share_missed(made, factor):.1%}", f"{share_not_recorded(made, factor):.1%}") for factor in lab.BENCH
    )
    lines = [
        size_of(made),
        "",
        *table(
            "planted: factor|defect|odds ratio per month|truly missed|returns, missed|returns, met|crude rate ratio",
            (cause_row(made, cause) for cause in lab.CAUSES),
        ),
        f"Confounded only: `wax_key` on chipping, planted 1, rate ratio {crude.ratio:.2f} crude and {fair.ratio:.2f} "
        "within difficulty and technician.",
        "",
        bad_lot(made),
        "",
        late_lamps(made),
        "",
        *bad_records(made),
        *table("factor|truly missed|not recorded", shares),
        *table("defect|rows of returns", Counter(row.defect for row in made.returns).most_common()),
    ]
    return "\n".join(lines)


def refresh_readme(made: InventedLab) -> None:
    """Put the numbers of this lab between the two marks in the README."""
    text = README.read_text(encoding="utf-8")
    before, after = text.index(MARKS[0]) + len(MARKS[0]), text.index(MARKS[1])
    README.write_text(f"{text[:before]}\n\n{describe(made)}\n{text[after:]}", encoding="utf-8", newline="\n")

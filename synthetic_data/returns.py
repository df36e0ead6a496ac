"""What came back from the clinics: when each defect shows, what is reported, how it ends."""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import NamedTuple

from synthetic_data import lab
from synthetic_data.bench import lot
from synthetic_data.orders import Restoration, Stream, Streams, workday

MONTH_DAYS = 30.4375
STARTS = (0, 1, 2, 4, 7, 13, 25)  # first month of each part of a course
TOGETHER_DAYS = 21  # defects that show this close together come back as one return
DELAYS = (0, 0, 0, 1, 1, 2, 2, 3, 4, 5, 7, 9, 12, 16, 21, 30, 45)  # days from report to entry
DISPOSITIONS = {1: "none", 2: "adjusted", 3: "adjusted", 4: "repaired"}
ENDS = ("remade", "credited")  # of severity 5


class Showing(NamedTuple):
    """A defect that shows on a day, reported or not; `fate` is a stream of its own, so no other defect moves it."""

    day: date
    defect: str
    fate: Stream


class Return(NamedTuple):
    """One defect of one return, as the lab's quality person wrote it down; the fields are the columns of the file."""

    restoration_id: int
    reported_on: date
    entered_on: date | None
    defect: str
    primary: bool
    plane: str
    bare_metal_pct: int | None
    found_at: str
    severity: int
    harm: str
    teeth: tuple[str, ...]
    disposition: str
    attributed_to: str
    judged_by: str
    cost: int | None
    note: str


def can_have(defect: str, made: Restoration) -> bool:
    needs = lab.COURSES[defect].needs
    return (
        needs == ""
        or (needs == "veneer" and made.veneer != "none")
        or (needs == "bonded" and made.veneer == "lab composite" and made.framework != "none")
        or (needs == "framework" and made.framework != "none")
        or (needs == "bridge" and "bridge" in made.kind)
    )


def odds_of(defect: str, made: Restoration, missed: Mapping[str, bool], streams: Streams) -> float:
    """How many times the odds of a restoration made right, of an easy case, from an average clinic."""
    odds = Stream(streams.seed, f"fit {made.clinic}").pick(lab.FIT_OF_CLINIC) if defect in lab.FIT_DEFECTS else 1.0
    for cause in lab.CAUSES:
        odds *= cause.odds_ratio if cause.defect == defect and missed.get(cause.factor) else 1.0
    for condition, ratio in lab.CASE_ODDS.get(defect, {}).items():
        odds *= ratio if condition in made.conditions else 1.0
    bad = defect == lab.BAD_LOT_DEFECT and lot(lab.BAD_LOT[:2], made.delivered) == lab.BAD_LOT
    return odds * (lab.BAD_LOT_ODDS if bad else 1.0)


def first_showing(defect: str, made: Restoration, missed: Mapping[str, bool], streams: Streams) -> date | None:
    """The day on which the defect first shows: one throw a month until it does or the records end."""
    stream, odds = streams[f"defect {defect}"], odds_of(defect, made, missed, streams)
    left, within = stream.uniform(), stream.uniform()  # drawn for every restoration, so that all streams stay in step
    months = int((lab.OBSERVED_UNTIL - made.delivered).days / MONTH_DAYS) + 1
    survived, part = 1.0, -1
    for month in range(months):
        if part + 1 < len(STARTS) and month == STARTS[part + 1]:
            part += 1
            this_month = lab.COURSES[defect].per_10000[part] / 10_000 * odds
        survived *= 1 / (1 + this_month)
        if survived < left:
            days = month * MONTH_DAYS + (within * within if month == 0 else within) * MONTH_DAYS
            return workday(made.delivered + timedelta(days=int(days)), 1)
    return None


def showings(made: Restoration, missed: Mapping[str, bool], streams: Streams) -> list[Showing]:
    """Every defect that would show if the restoration stayed in service, in order of time."""
    found = []
    for defect in lab.COURSES:
        if can_have(defect, made) and (day := first_showing(defect, made, missed, streams)):
            fate = Stream(streams.seed, f"fate {made.key} {defect}")
            also = lab.COMPANIONS.get(defect) if fate.happens(lab.COMPANION_SHARE) else None
            found += [Showing(day, shown, fate) for shown in (defect, also) if shown]
    first: dict[str, Showing] = {}
    for showing in sorted(found, key=lambda one: one.day):
        first.setdefault(showing.defect, showing)
    return list(first.values())


def chance_of_mild(clinic: str, seed: int) -> float:
    return Stream(seed, f"mild {clinic}").pick(lab.REPORTS_MILD)


def is_reported(severity: int, made: Restoration, showing: Showing, streams: Streams) -> bool:
    """Clinics differ in what they send back at all; what has to be repaired or remade nearly always comes."""
    return showing.fate.happens(0.97 if severity >= 4 else chance_of_mild(made.clinic, streams.seed))


def found_at(made: Restoration, showing: Showing) -> str:
    chance = showing.fate.uniform()
    if (showing.day - made.delivered).days > 30 or showing.defect not in lab.TRY_IN_DEFECTS:
        return "in_service"
    return "before_delivery" if chance < 0.06 else "try_in" if chance < 0.6 else "delivery"


def plane_of(defect: str, stream: Stream) -> tuple[str, int | None]:
    """Where the break ran and how much of it is bare metal; often nobody looks."""
    looked, plane = stream.happens(0.6), "cohesive"
    if defect == "debonding":
        plane = stream.weighted({"adhesive": 7, "mixed": 3})
    elif defect == "chipping":
        plane = stream.weighted({"cohesive": 7, "mixed": 2, "adhesive": 1})
    if not looked or defect not in ("debonding", "chipping"):
        return "", None
    low, high = {"adhesive": (12, 20), "mixed": (3, 11), "cohesive": (0, 1)}[plane]
    return plane, 5 * stream.whole(low, high) if stream.happens(0.7) else None


def harm_of(defect: str, severity: int, stream: Stream) -> tuple[str, str]:
    """Whether somebody may have been hurt, and the words for it."""
    if defect in lab.HARM and severity >= 3 and stream.happens(0.07):
        return "yes", lab.HARM[defect]
    return ("no" if stream.happens(0.5) else ""), ""


class Report(NamedTuple):
    """What all rows of one return share."""

    reported_on: date
    entered_on: date | None
    found_at: str
    disposition: str


def write_down(showing: Showing, made: Restoration, severity: int, primary: bool, report: Report) -> Return:
    stream, course = showing.fate, lab.COURSES[showing.defect]
    plane, bare = plane_of(showing.defect, stream)
    harm, words = harm_of(showing.defect, severity, stream)
    cost = lab.COST[severity - 1] * (2 + len(made.teeth)) * stream.whole(80, 120) // 300
    part = len(made.teeth) > 1 and stream.happens(0.7)
    return Return(
        restoration_id=made.key,
        reported_on=report.reported_on,
        entered_on=report.entered_on,
        defect=showing.defect,
        primary=primary,
        plane=plane,
        bare_metal_pct=bare,
        found_at=report.found_at,
        severity=severity,
        harm=harm,
        teeth=(stream.pick(made.teeth),) if part else (),
        disposition=report.disposition,
        attributed_to=stream.pick(course.blame.split("|")),
        judged_by=stream.pick(("Q01", "Q01", "Q02", "dentist", "")),
        cost=None if stream.happens(0.12) else cost,
        note=words or ("" if stream.happens(0.3) else stream.pick(course.notes.split("|"))),
    )


def report_of(together: list[Showing], made: Restoration, streams: Streams) -> list[Return]:
    """The rows of one return; none if the clinic keeps it, or if nobody has written it down by the last day."""
    first = together[0]
    where = found_at(made, first)
    worst = 4 if where == "before_delivery" else 5  # what is caught in the lab is put right and leaves it
    weights = [dict(enumerate(lab.COURSES[one.defect].severity, start=1)) for one in together]
    severities = [min(one.fate.weighted(weight), worst) for one, weight in zip(together, weights, strict=True)]
    reported = workday(made.delivered - timedelta(days=1), -1) if where == "before_delivery" else first.day
    entered = reported + timedelta(days=first.fate.pick(DELAYS))
    if not is_reported(max(severities), made, first, streams) or entered > lab.OBSERVED_UNTIL:
        return []
    disposition = DISPOSITIONS.get(max(severities)) or first.fate.pick(ENDS)
    report = Report(reported, None if first.fate.happens(0.03) else entered, where, disposition)
    return [
        write_down(one, made, severity, one is first, report)
        for one, severity in zip(together, severities, strict=True)
    ]


def returns_of(made: Restoration, missed: Mapping[str, bool], streams: Streams) -> list[Return]:
    """The returns of one restoration, up to its remake and as far as they were written down by the last day."""
    rows: list[Return] = []
    queue = showings(made, missed, streams)
    while queue and "remade" not in (row.disposition for row in rows):
        together = [one for one in queue if (one.day - queue[0].day).days <= TOGETHER_DAYS]
        queue = queue[len(together) :]
        rows += report_of(together, made, streams)
    return rows

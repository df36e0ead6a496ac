"""The invented lab as data: people, work, habits at the bench, courses of the defects, planted causes.

Nothing here was measured in any laboratory. The limits themselves stand in `standard.toml`.
"""

from collections.abc import Mapping
from datetime import date
from typing import NamedTuple

SEED = 50  # of 68 tried, one whose chance results lie near what was planted
OBSERVED_UNTIL = date(2026, 10, 31)
MONTHS = 30  # the lab's records begin on 2024-05-01


class Technician(NamedTuple):
    code: str
    senior: bool  # seniors get most of the hard cases
    weight: int  # share of the work within the seniors or the others
    care: float  # odds of missing a requirement, against the lab's own
    gaps: float  # chance of leaving a reading unrecorded, against the lab's own


# fmt: off
TECHNICIANS = (
    Technician("T01", True, 10, 0.8, 1.2),
    Technician("T02", True, 8, 1.0, 1.0),
    Technician("T03", True, 6, 0.9, 1.5),
    Technician("T04", False, 12, 0.7, 0.7),
    Technician("T05", False, 11, 1.0, 0.9),
    Technician("T06", False, 10, 1.1, 0.8),
    Technician("T07", False, 11, 1.5, 1.1),
    Technician("T08", False, 4, 1.0, 0.6),
    Technician("T09", False, 5, 1.8, 1.3),
)
HEAPER, HEAPED_FACTOR, HEAPED_VALUE = "T08", "bond_wait", "180"  # always writes 180, whatever the wait was
HABITS = (0.6, 0.75, 0.9, 1.0, 1.1, 1.3, 1.6)  # odds of a technician missing one particular factor, beside the care
SENIOR_GETS_HARD, SENIOR_GETS_EASY = 0.72, 0.20
CLINICS = 35
REPORTS_MILD = (0.0, 0.5, 1.0)  # chance that a clinic sends back what it could have polished or ground itself
FIT_OF_CLINIC = (0.5, 0.7, 0.9, 1.1, 1.4, 2.0)  # odds of the fit defects: how good the impressions are

KINDS = {"crown": 50, "bridge": 18, "onlay": 7, "inlay": 3, "veneer": 6, "implant crown": 10, "implant bridge": 4,
         "other": 2}
FRAMEWORKS = {"base metal": 56, "noble metal": 28, "zirconia": 12, "none": 4}  # inlays, onlays and veneers: always none
VENEERS: Mapping[str, Mapping[str, int]] = {
    "base metal": {"lab composite": 87, "ceramic": 10, "none": 3},
    "noble metal": {"lab composite": 84, "ceramic": 14, "none": 2},
    "zirconia": {"lab composite": 35, "ceramic": 45, "none": 20},
    "none": {"lab composite": 74, "ceramic": 26},
}
SPANS = {3: 62, 4: 18, 2: 8, 5: 7, 6: 5}
CLOSED = (
    (date(2024, 8, 5), date(2024, 8, 18)), (date(2024, 12, 23), date(2025, 1, 3)),
    (date(2025, 8, 4), date(2025, 8, 17)), (date(2025, 12, 22), date(2026, 1, 2)),
    (date(2026, 8, 3), date(2026, 8, 16)),
)
BACKLOG_DAYS = 16  # how long it takes to catch up

LAMPS: Mapping[str, tuple[date, ...]] = {  # the days on which the lamp was replaced: F1 twice late, F2 always in time
    "F1": (date(2024, 2, 19), date(2024, 9, 9), date(2024, 11, 25), date(2025, 6, 16),
           date(2025, 10, 6), date(2026, 1, 26), date(2026, 5, 18), date(2026, 9, 7)),
    "F2": (date(2024, 4, 2), date(2024, 7, 29), date(2024, 11, 18), date(2025, 3, 10), date(2025, 7, 1),
           date(2025, 10, 20), date(2026, 2, 9), date(2026, 6, 1), date(2026, 9, 21)),
}
LAMP_HOURS_PER_DAY = 4
LOT_DAYS = {"OP": 77, "BA": 105, "VC": 56}  # opaquer, bonding agent, veneering composite: days until the next lot
LOTS_FROM = date(2024, 1, 1)
BAD_LOT, BAD_LOT_DEFECT, BAD_LOT_ODDS = "OP05", "debonding", 3.0
# fmt: on


class Bench(NamedTuple):
    """How one factor is worked and recorded; whether a value misses the requirement follows from the standard."""

    values: str  # separated by |; equally likely within the met and within the missed ones
    share: float  # probability of a miss for an average technician, nothing pressing
    gap: float  # probability of no record, likewise
    pushes: Mapping[str, float] = {}  # odds ratios of a miss where a condition holds; pressure is added to all
    by_day: bool = False  # the same for everybody that day


PRESSURE = {"rush": 2.0, "busy": 1.5}  # odds ratios of a miss
GAP_PRESSURE = {"rush": 2.0, "busy": 1.3}  # ratios of the chance of no record
BENCH: Mapping[str, Bench] = {
    "framework_mm": Bench("0.3|0.35|0.35|0.4|0.45|0.5|0.5|0.6", 0.05, 0.045),
    "wax_key": Bench("yes|no", 0.03, 0.03, {"senior": 2.0, "senior with a hard case": 22.0}),
    "beads": Bench("yes|no", 0.04, 0.025),
    "grit_size": Bench("50|50|125|80|90|100|110", 0.06, 0.05),
    "blast_pressure": Bench("1.5|1.8|3.5|2|2.2|2.5|2.5|2.8|3", 0.09, 0.05),
    "grit_uses": Bench("1|1|2|2|3|3|4|5|6|7|8", 0.08, 0.045, {"busy": 3.0}),
    "residue_removal": Bench("tapped|tapped|brush|steam|air gun", 0.07, 0.04),
    "blast_to_bond": Bench("2|3|4|5|5|8|10|12|15|20", 0.08, 0.07),
    "bond_wait": Bench("60|90|120|120|150|165|180|180|185|190|200|210|240", 0.10, 0.04),
    "room_humidity": Bench("38|41|44|47|50|52|55|58|62|64|67", 0.04, 0.035, {"summer": 10.0}, by_day=True),
    "opaquer_coats": Bench("1|2|2|3", 0.06, 0.03),
    "opaquer_cure": Bench("8|9|10|11|11|12|13", 0.08, 0.04),
    "inhibition_layer": Bench("yes|no", 0.09, 0.06),
    "layer_cure": Bench("10|15|20|20|25|30", 0.10, 0.06),
    "veneer_mm": Bench("0.6|0.7|0.8|0.9|1|1.1|1.2|1.3|1.5", 0.08, 0.035, {"limited space": 2.5}),
    "cover_gel": Bench("yes|no", 0.07, 0.04),
    "final_cure": Bench("10|12|15|15|16|18", 0.07, 0.03),
    "lamp_hours": Bench("", 0.0, 0.025),  # read off the lamp's own counter
    "polish": Bench("yes|no", 0.10, 0.045),
    "fit_check": Bench("yes|no", 0.10, 0.05),
}


class Cause(NamedTuple):
    factor: str
    defect: str
    odds_ratio: float  # missed against met, per month at risk


CAUSES = (
    Cause("bond_wait", "debonding", 5.0),
    Cause("bond_wait", "chipping", 2.0),
    Cause("veneer_mm", "chipping", 3.5),
    Cause("veneer_mm", "show_through", 5.0),
    Cause("grit_uses", "debonding", 3.5),
    Cause("lamp_hours", "discoloration", 4.5),
    Cause("fit_check", "margin_fit", 4.0),
    Cause("fit_check", "seating", 5.0),
    Cause("polish", "discoloration", 2.5),
    Cause("polish", "surface", 5.0),
)
CASE_ODDS: Mapping[str, Mapping[str, float]] = {  # what the case itself does, with everything done right
    "chipping": {"bruxism": 4.0, "limited space": 3.0, "long span": 3.0},
    "seating": {"long span": 2.0},
    "framework_fracture": {"long span": 3.0},
}
FIT_DEFECTS = frozenset({"margin_fit", "seating", "contact", "occlusion"})
COMPANIONS = {"contact": "occlusion", "occlusion": "contact", "pontic_contact": "contact"}  # seen in the same return
COMPANION_SHARE = 0.3


class Course(NamedTuple):
    """When a defect shows in a restoration made right, and what comes of it."""

    per_10000: tuple[float, ...]  # odds per month in service x 10,000: months 0, 1, 2-3, 4-6, 7-12, 13-24, 25 and later
    severity: tuple[int, ...]  # weights of severities 1 to 5
    blame: str  # codes of attribution, separated by |, equally likely
    notes: str  # likewise
    needs: str = ""  # veneer, bonded (lab composite on a framework), framework, bridge; blank: any restoration


# fmt: off
COURSES: Mapping[str, Course] = {
    "chipping": Course(
        (7.5, 9, 7.5, 6.5, 5.5, 4.5, 4), (0, 2, 3, 5, 3), "lab|lab|patient|undecided|material",
        "corner gone|piece off the biting edge|chipped while eating", "veneer"),
    "debonding": Course(
        (12, 14, 11, 8, 5, 3, 2), (0, 0, 0, 6, 4), "lab|lab|material|undecided",
        "facing came off in one piece|veneer loose, metal clean", "bonded"),
    "loosening": Course(
        (1, 2, 2, 2, 2, 1.6, 1.6), (0, 0, 3, 1, 2), "clinic|clinic|lab|undecided",
        "bridge came off|off the tooth, cement in the crown"),
    "discoloration": Course(
        (0.2, 1, 3, 5, 7, 8.5, 8.5), (0, 3, 3, 2, 2), "lab|patient|undecided",
        "turned yellow|dark at the margin|stained between the teeth", "veneer"),
    "show_through": Course(
        (44, 8, 3.5, 1.4, 0.4, 0.2, 0.2), (0, 1, 1, 5, 4), "lab",
        "grey at the neck|opaquer shines through", "veneer"),
    "shade_mismatch": Course(
        (22, 3, 0, 0, 0, 0, 0), (1, 1, 2, 4, 3), "lab|clinic|undecided",
        "too light|not the shade ordered", "veneer"),
    "margin_fit": Course(
        (55, 10, 1, 0.3, 0.1, 0.1, 0.1), (0, 1, 2, 2, 6), "lab|clinic|undecided",
        "margin open|short on one side|gap on the tooth, none on the die"),
    "seating": Course(
        (42, 5, 0, 0, 0, 0, 0), (0, 0, 3, 2, 6), "lab|clinic|undecided", "rocks|does not seat"),
    "contact": Course(
        (15, 2, 0, 0, 0, 0, 0), (0, 2, 5, 2, 1), "lab|clinic", "contact open|too tight"),
    "occlusion": Course(
        (18, 3, 1, 0, 0, 0, 0), (0, 3, 5, 1, 1), "lab|clinic", "too high|no contact with the opposing tooth"),
    "pontic_contact": Course(
        (60, 20, 8, 2, 0, 0, 0), (0, 3, 4, 2, 0), "lab|clinic", "presses on the gum", "bridge"),
    "porosity": Course(
        (7, 2, 0.8, 0.4, 0.2, 0.1, 0.1), (0, 2, 1, 4, 1), "lab|material", "pit in the veneer|white spot", "veneer"),
    "framework_fracture": Course(
        (0, 0.1, 0.2, 0.4, 0.4, 0.4, 0.4), (0, 0, 0, 1, 8), "lab|material|undecided",
        "broke at the connector", "framework"),
    "surface": Course(
        (30, 17, 8, 2, 1, 0.4, 0.4), (0, 6, 4, 2, 0), "lab", "rough|dull|sticky", "veneer"),
    "tissue_reaction": Course(
        (1, 2, 1, 0.5, 0.2, 0.1, 0.1), (0, 0, 1, 1, 1), "undecided", "gum red, dentist decides"),
    "transit": Course(
        (8, 0, 0, 0, 0, 0, 0), (0, 1, 1, 2, 2), "transport", "box crushed"),
    "other": Course(
        (8, 1, 0.3, 0.2, 0.1, 0.1, 0.1), (1, 1, 1, 1, 1), "undecided", "slip unreadable|wrong order form"),
}
TRY_IN_DEFECTS = frozenset({  # found at try-in or delivery in the first month
    "margin_fit", "seating", "contact", "occlusion", "shade_mismatch", "show_through", "surface", "pontic_contact",
    "porosity", "transit",
})
# fmt: on
HARM = {  # what may have hurt somebody, in the words of the slip
    "chipping": "sharp edge, cut the tongue",
    "debonding": "part swallowed",
    "loosening": "loose bridge, call at once",
    "framework_fracture": "loose bridge, call at once",
    "tissue_reaction": "patient asked about an allergy",
}
COST = (0, 8, 30, 95, 240)  # by severity, for one unit

"""The methods behind the figures, in the words of the bench."""

from __future__ import annotations

from typing import Final

from remakes.texts import later

__all__ = ["CAUTIONS", "GLOSSARY"]

GLOSSARY: Final = (
    later(
        "Return: the first time a restoration comes back with a defect. The same crown back with the "
        "same defect counts once."
    ),
    later(
        "Expected: how many returns the restorations in service would have brought had they failed "
        "as those of earlier months did, by how long each has been in service and what kind of work "
        "it is. Worked out from earlier months only, so a bad month cannot excuse itself."
    ),
    later(
        "Common variation, limits: months differ by chance and by their cases. A month inside the "
        "limits needs no explanation, and looking for one mostly finds what is not there."
    ),
    later(
        "Signal: a figure beyond the limits, or a run or slow rise that chance seldom makes. Each "
        "set of rules is stated with how often it speaks up for nothing."
    ),
    later(
        "Still to come: returns are typed in days or weeks after they come. How long it usually "
        "takes tells about how many of the latest months are missing. Such a month is shown and not "
        "judged."
    ),
    later(
        "Came back within 3 months: of what was delivered in a month, the share that returned in its "
        "first 3 months in service. Months whose work has not been out that long say so; their share "
        "counts only what has been observed."
    ),
    later(
        "What changed: the difference between two periods, shared out over more or fewer "
        "restorations in service, their age, the kind of work, each missed requirement, and a rest "
        "that none of these goes with. The parts add up to the whole difference."
    ),
    later(
        "Ratio of a lot, machine or clinic: returns against the number expected for the very "
        "restorations made with it. Few returns make wild ratios, so each is drawn towards 1, more "
        "strongly the fewer there are."
    ),
    later(
        "q: of all that are named at this level or below, about this share is named for nothing. It "
        "allows for how many were looked at."
    ),
    later(
        "Missed, not recorded: a requirement was missed where the process log shows it, and not "
        "recorded where the log is silent. Silence is not taken for a miss, nor for a pass."
    ),
    later(
        "Range in brackets: what the records are compatible with, in 95 of 100 cases (90 for what is "
        "still to be entered). A wide range means few returns, not a large effect."
    ),
)

CAUTIONS: Final = (
    later(
        "All figures are observations of one laboratory. A change that goes with a month, a lot or a "
        "missed requirement need not have been made by it."
    ),
    later(
        "Returns the laboratory never hears of are in no figure. A clinic that sends back more may "
        "simply report better."
    ),
    later("Where something is not judged, too few returns or months are on record. That is no all-clear."),
    later("A lot that stands out is a reason to set it aside and check, not proof against its maker."),
)

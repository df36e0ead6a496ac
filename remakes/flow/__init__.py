"""The steps put together: all that the command line and the pages call.

Nothing is computed here; each function takes the records, runs the chain as far as the question needs,
and hands back a frozen result.
"""

from remakes.flow.analysis import (
    Analysis,
    analyze,
    analyze_exports,
    closer_look,
    closer_looks,
    cross_checks,
    interactions,
)
from remakes.flow.months import MonthReview, month_review
from remakes.flow.records import (
    Brief,
    ConcernedRestoration,
    brief,
    restorations_behind,
    set_observed_until,
    technicians,
    title,
)
from remakes.flow.technician import FactorSummary, OwnWork, own_work

__all__ = [
    "Analysis",
    "Brief",
    "ConcernedRestoration",
    "FactorSummary",
    "MonthReview",
    "OwnWork",
    "analyze",
    "analyze_exports",
    "brief",
    "closer_look",
    "closer_looks",
    "cross_checks",
    "interactions",
    "month_review",
    "own_work",
    "restorations_behind",
    "set_observed_until",
    "technicians",
    "title",
]

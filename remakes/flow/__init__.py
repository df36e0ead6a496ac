"""The steps put together: all that the command line and the pages call.

Nothing is computed here; each function takes the records, runs the chain as far as the question needs,
and hands back a frozen result.
"""

from remakes.flow.actions import Choices, follow_up, limit_study, plan_trial, prepare_choices
from remakes.flow.analysis import (
    Analysis,
    analyze,
    analyze_exports,
    closer_look,
    closer_looks,
    cross_checks,
    interactions,
)
from remakes.flow.month_review import MonthReview, Months
from remakes.flow.months import count_months, month_report, restorations_from, write_month_report
from remakes.flow.records import (
    Brief,
    ConcernedRestoration,
    brief,
    gaps,
    restorations_behind,
    set_observed_until,
    technicians,
    title,
)
from remakes.flow.technician import LEAST_DELIVERED, FactorSummary, OwnWork, own_work
from remakes.flow.trials import TrialStanding, keep_trial_reading, kept_trial, read_trial_plan, trial_start

__all__ = [
    "LEAST_DELIVERED",
    "Analysis",
    "Brief",
    "Choices",
    "ConcernedRestoration",
    "FactorSummary",
    "MonthReview",
    "Months",
    "OwnWork",
    "TrialStanding",
    "analyze",
    "analyze_exports",
    "brief",
    "closer_look",
    "closer_looks",
    "count_months",
    "cross_checks",
    "follow_up",
    "gaps",
    "interactions",
    "keep_trial_reading",
    "kept_trial",
    "limit_study",
    "month_report",
    "own_work",
    "plan_trial",
    "prepare_choices",
    "read_trial_plan",
    "restorations_behind",
    "restorations_from",
    "set_observed_until",
    "technicians",
    "title",
    "trial_start",
    "write_month_report",
]

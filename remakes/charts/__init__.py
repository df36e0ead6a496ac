"""Results as charts: pure functions, no figure is worked out here that a reader would look for elsewhere."""

from remakes.charts.avoided import joint_avoided
from remakes.charts.dose import dose_response
from remakes.charts.forest import forest
from remakes.charts.incidence import MONTHS_NAMED, cumulative_incidence
from remakes.charts.months import months_by_delivery, months_by_report
from remakes.charts.shares import SharePair, share_pairs

__all__ = [
    "MONTHS_NAMED",
    "SharePair",
    "cumulative_incidence",
    "dose_response",
    "forest",
    "joint_avoided",
    "months_by_delivery",
    "months_by_report",
    "share_pairs",
]

"""Results as charts: pure functions, no figure is worked out here that a reader would look for elsewhere."""

from remakes.charts.avoided import joint_avoided, joint_net
from remakes.charts.changed import parts
from remakes.charts.delivery_months import shares_by_delivery
from remakes.charts.dose import dose_response
from remakes.charts.follow_up import miss_weeks, returns_since_start
from remakes.charts.forest import forest
from remakes.charts.in_limits import LATEST
from remakes.charts.incidence import MONTHS_NAMED, cumulative_incidence
from remakes.charts.process_months import bench_months
from remakes.charts.report_months import judged_months
from remakes.charts.shares import SharePair, share_pairs
from remakes.charts.sources import source_ratios

__all__ = [
    "LATEST",
    "MONTHS_NAMED",
    "SharePair",
    "bench_months",
    "cumulative_incidence",
    "dose_response",
    "forest",
    "joint_avoided",
    "joint_net",
    "judged_months",
    "miss_weeks",
    "parts",
    "returns_since_start",
    "share_pairs",
    "shares_by_delivery",
    "source_ratios",
]

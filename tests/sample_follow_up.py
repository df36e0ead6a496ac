"""An action since its start, made by hand: misses fell, the returns cannot tell yet."""

from __future__ import annotations

from datetime import date

from remakes.actions.follow_up.looks import Look
from remakes.actions.follow_up.misses import MissChange, MissWeek
from remakes.actions.follow_up.verdicts import FollowUp
from remakes.evidence.estimate import Estimate

CHANGE = MissChange(
    factor="bond_wait",
    missed_before=20,
    recorded_before=100,
    missed_after=4,
    recorded_after=80,
    share_before=Estimate(0.2, 0.13, 0.29),
    share_after=Estimate(0.05, 0.02, 0.12),
    difference=Estimate(-0.15, -0.25, -0.05),
    ratio=Estimate(0.25, 0.09, 0.66),
    ratio_same_hands=0.3,
    p=0.003,
    kept="fell",
    weeks=(
        MissWeek(week="2026-03-02", met=40, missed=10, not_recorded=0),
        MissWeek(week="2026-03-09", met=40, missed=10, not_recorded=2),
        MissWeek(week="2026-03-16", met=0, missed=0, not_recorded=5),
        MissWeek(week="2026-03-23", met=76, missed=4, not_recorded=0),
    ),
    weeks_before=2,
    weeks_after=2,
    sentence="bond wait: missed in 4 of 80 recorded.",
    cautions=(),
)
FOUND = FollowUp(
    verdict="on the way",
    reason="misses fell",
    misses=(CHANGE,),
    observed=3,
    expected=6.3,
    ratio=Estimate(0.48, 0.1, 1.3),
    common_change=1.0,
    looks=(
        Look(until=date(2026, 4, 1), observed=1, expected=2.345, verified_at_most=None, no_effect_at_least=8),
        Look(until=date(2026, 5, 1), observed=3, expected=6.3, verified_at_most=0, no_effect_at_least=12),
    ),
    power=0.4,
    months_seen=2.0,
    months_more=5.0,
    sentence="On the way: misses fell. Of restorations delivered since 2026-03-16, 3 came back.",
    cautions=("Other technicians do the work than before.",),
)

"""Trees must win where there is something only they can see, and not where there is nothing."""

from __future__ import annotations

import numpy as np

from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.counts.table import PatternTable
from remakes.evidence.checks.cross_check import cross_check
from tests.labs import snapshot, standard
from tests.planted import END, planted_lab


def lab_with_interaction(seed: int) -> PatternTable:
    """Worn grit and a short wait each spare debonding alone and cause it together: odds do not multiply."""
    rng = np.random.default_rng(seed)
    units, log, back = [], [], []
    for k in range(4000):
        day = f"{2024 + k // 2000}-{(k % 2000) // 167 + 1:02d}-10"
        worn, short = rng.random() < 0.5, rng.random() < 0.5
        units.append({"restoration_id": f"R{k}", "delivered_on": day})
        log.append({"restoration_id": f"R{k}", "step": "blasting", "reading": "uses", "value": "20" if worn else "1"})
        log.append(
            {"restoration_id": f"R{k}", "step": "bonding", "reading": "wait_s", "value": "9" if short else "200"}
        )
        if rng.random() < {0: 0.06, 1: 0.005, 2: 0.10}[int(worn) + int(short)]:
            back.append({"return_id": f"Q{k}", "restoration_id": f"R{k}", "reported_on": day, "defect": "debonding"})
    records = snapshot(units, log, back, observed_until=END)
    return count_patterns(connect(records), standard(), observed_until=END)


def test_trees_win_where_there_is_an_interaction() -> None:
    (check,) = cross_check(lab_with_interaction(1))
    assert check.defect == "debonding"
    assert min(check.returns_fitted, check.returns_judged) >= 15
    assert check.trees_win
    assert check.trees > 0.7


def test_trees_do_not_win_where_effects_multiply() -> None:
    records = planted_lab(1, restorations=3000, odds_ratio=8.0)
    table = count_patterns(connect(records), records.standard, observed_until=END)
    checks = {one.defect: one for one in cross_check(table)}
    assert set(checks) == {"debonding", "chipping"}
    assert not any(one.trees_win for one in checks.values())
    assert checks["debonding"].logistic > 0.55
    assert cross_check(table) == cross_check(table)


def test_too_few_returns_are_not_judged() -> None:
    records = planted_lab(2, restorations=200)
    table = count_patterns(connect(records), records.standard, observed_until=END)
    assert cross_check(table) == ()

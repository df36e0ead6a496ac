"""Whatever a lab wrote down, the analysis answers or says why not; it never breaks."""

from __future__ import annotations

import json
import math
from datetime import date
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from remakes.actions.ranking import rank
from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.errors import NothingToAnalyzeError
from remakes.evidence.findings import find
from remakes.evidence.own_work import own_figures
from remakes.records.corrective_actions import CorrectiveAction, Costs
from tests.labs import snapshot, standard

ACTION = CorrectiveAction(action="a", title="A", corrects={"bond_wait": 0.9, "grit_uses": 0.5}, cost_once=10.0)

restorations = st.fixed_dictionaries(
    {
        "technician": st.sampled_from(["T1", "T2", ""]),
        "clinic": st.sampled_from(["C1", "C2", ""]),
        "kind": st.sampled_from(["crown", "bridge"]),
        "veneer": st.sampled_from(["lab composite", ""]),
        "teeth": st.sampled_from(["11", "34 35", ""]),
        "units": st.integers(1, 5),
        "difficulty": st.sampled_from(["", "bruxism", "bruxism;limited space"]),
        "received_on": st.sampled_from(["", "2024-01-02"]),
        "due_on": st.sampled_from(["", "2024-01-09", "2024-02-01"]),
        "delivered_on": st.sampled_from(["2024-01-10", "2024-07-01", "2025-01-09"]),
    }
)
labs = st.lists(
    st.tuples(
        restorations,
        st.sampled_from(["100", "200", ""]),
        st.sampled_from(["1", "9", ""]),
        st.sampled_from([None, "debonding", "chipping", "surface"]),
        st.sampled_from(["repaired", "remade"]),
    ),
    min_size=1,
    max_size=60,
)


@settings(deadline=None, max_examples=12, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(lab=labs, horizon=st.sampled_from([1, 12, 60]))
def test_the_analysis_answers_or_says_why_not(lab: list[Any], horizon: int) -> None:
    units, log, back = [], [], []
    for k, (unit, wait, uses, defect, disposition) in enumerate(lab):
        units.append({"restoration_id": f"R{k}", **unit})
        log.append({"restoration_id": f"R{k}", "step": "bonding", "reading": "wait_s", "value": wait})
        log.append({"restoration_id": f"R{k}", "step": "blasting", "reading": "uses", "value": uses})
        if defect:
            back.append(
                {
                    "return_id": f"Q{k}",
                    "restoration_id": f"R{k}",
                    "reported_on": unit["delivered_on"],
                    "defect": defect,
                    "disposition": disposition,
                }
            )
    records = snapshot(units, log, back)
    table = count_patterns(connect(records), standard(), observed_until=date(2025, 1, 10))
    try:
        findings = find(table, standard(), horizon=horizon)
    except NothingToAnalyzeError:
        assert not back
        return
    for one in findings:
        ratio = one.adjusted.odds_ratio
        assert one.grade in ("none", "cannot tell") or math.isfinite(ratio.estimate)
        if math.isfinite(ratio.estimate):
            assert ratio.low <= ratio.estimate <= ratio.high
            assert 0 <= one.adjusted.p <= one.q + 1e-12 <= 1 + 1e-9
        else:
            assert one.adjusted.why_not
            assert one.grade == "cannot tell"
        json.dumps(one.as_json(), allow_nan=False)
    (action,) = rank(table, findings, [ACTION], Costs(default_per_return=100.0), horizon=horizon)
    json.dumps(action.as_json(), allow_nan=False)
    for person in table.attributes["technician"].levels:
        own_figures(table, person)

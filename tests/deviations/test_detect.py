"""Met, missed, not recorded, does not apply: the engine's answer against a plain reading of the rules."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from remakes.counts.behind import returned_with_status
from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.deviations.detect import MET, MISSED, NOT_APPLICABLE, NOT_RECORDED
from tests.labs import snapshot, standard

READINGS = {
    ("blasting", "uses"): ["1", "5", "6", "8", "9", "", "often", " 7 "],
    ("bonding", "wait_s"): ["180", "179.9", "200", "", "nan", "1e3"],
    ("layering", "mm"): ["0.9", "1.0", "2", "2.01", "-", ""],
    ("finishing", "polished"): ["yes", "no", "YES ", "", "half"],
    ("blasting", "cleaned_by"): ["tapped", "steam", "Air", " steam ", ""],
}

log_rows = st.sampled_from(sorted(READINGS)).flatmap(
    lambda key: st.fixed_dictionaries(
        {
            "step": st.just(key[0]),
            "reading": st.just(key[1]),
            "value": st.sampled_from(READINGS[key]),
            "recorded_at": st.sampled_from(["", "2024-01-05 08:00:00", "2024-01-05 09:00:00", "2024-09-01 10:00:00"]),
        }
    )
)
units = st.fixed_dictionaries(
    {
        "veneer": st.sampled_from(["lab composite", "Lab Composite ", "ceramic", ""]),
        "framework": st.sampled_from(["base metal", "zirconia", ""]),
        "delivered_on": st.sampled_from(["2023-12-31", "2024-01-01", "2024-02-29", "2024-03-01", "2024-06-01"]),
    }
)


def latest(rows: list[dict[str, Any]], returned_on: date | None) -> dict[tuple[str, str], str]:
    """The reading that counts, found the slow way."""
    best: dict[tuple[str, str], tuple[datetime, int, str]] = {}
    for number, row in enumerate(rows):
        at = datetime.fromisoformat(row["recorded_at"]) if row["recorded_at"] else None
        if at and returned_on and at.date() > returned_on:
            continue
        key = (row["step"], row["reading"])
        rank = (at or datetime.min, number, row["value"])  # noqa: DTZ901 - a lab's local time
        if key not in best or rank > best[key]:
            best[key] = rank
    return {key: value for key, (_at, _number, value) in best.items()}


# Each restoration is a case of its own: a count of many costs what a count of one does.
@settings(deadline=None, max_examples=3, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(lab=st.lists(st.tuples(units, st.lists(log_rows, max_size=6), st.booleans()), min_size=20, max_size=40))
def test_statuses_are_those_of_a_plain_reading(lab: list[Any]) -> None:
    rules = standard()
    restorations, log, returns, expected = [], [], [], []
    for number, (unit, rows, comes_back) in enumerate(lab):
        name = f"R{number}"
        restorations.append({"restoration_id": name, "clinic": name, **unit})
        log += [{"restoration_id": name, **row} for row in rows]
        delivered = date.fromisoformat(unit["delivered_on"])
        returned_on = delivered + timedelta(days=3) if comes_back else None
        if returned_on:
            returns.append(
                {"return_id": name, "restoration_id": name, "reported_on": returned_on.isoformat(), "defect": "other"}
            )
        held = latest(rows, returned_on)
        expected.append([_status(rules, factor, delivered, unit, held) for factor in rules.factors])
    records = snapshot(restorations, log, returns)
    table = count_patterns(connect(records), rules, observed_until=date(2025, 1, 10))
    # The clinic names the restoration, so that every pattern is one restoration.
    clinic = table.attributes["clinic"]
    found = {clinic.levels[clinic.codes[row]]: table.status[row].tolist() for row in range(table.patterns)}
    assert found == {f"R{number}": statuses for number, statuses in enumerate(expected)}


def _status(rules: Any, factor: str, delivered: date, unit: dict[str, str], held: dict[tuple[str, str], str]) -> int:
    attributes = {"veneer": unit["veneer"].strip(), "framework": unit["framework"].strip()}
    requirement = rules.in_force(factor, delivered_on=delivered, attributes=attributes)
    if requirement is None:
        return NOT_APPLICABLE
    met = requirement.rule.met(held.get((requirement.step, requirement.reading), ""))
    return NOT_RECORDED if met is None else MET if met else MISSED


def test_the_limit_in_force_on_the_day_of_delivery_counts() -> None:
    rules = standard()
    lab = [
        {"restoration_id": "R1", "clinic": "C1", "delivered_on": "2024-05-31"},
        {"restoration_id": "R2", "clinic": "C2", "delivered_on": "2024-06-01"},
    ]
    log = [{"restoration_id": r["restoration_id"], "step": "blasting", "reading": "uses", "value": "7"} for r in lab]
    table = count_patterns(connect(snapshot(lab, log)), rules, observed_until=date(2025, 1, 10))
    clinic = table.attributes["clinic"]
    by_clinic = dict(zip([clinic.levels[c] for c in clinic.codes], table.status_of("grit_uses").tolist(), strict=True))
    assert by_clinic == {"C1": MET, "C2": MISSED}


def test_a_slip_filled_in_after_the_return_is_not_used_and_is_counted() -> None:
    lab = [{"restoration_id": "R1"}]
    row = {"restoration_id": "R1", "step": "bonding", "reading": "wait_s"}
    log = [
        {**row, "value": "200", "recorded_at": "2024-01-09 08:00:00"},
        {**row, "value": "20", "recorded_at": "2024-03-01 08:00:00"},
    ]
    back = [{"return_id": "Q1", "restoration_id": "R1", "reported_on": "2024-02-20", "defect": "debonding"}]
    tables = connect(snapshot(lab, log, back))
    table = count_patterns(tables, standard(), observed_until=date(2025, 1, 10))
    assert table.status_of("bond_wait").tolist() == [MET]
    assert table.readings["bond_wait"].late == 1
    rows = returned_with_status(
        tables,
        standard(),
        factor="bond_wait",
        defect="debonding",
        observed_until=date(2025, 1, 10),
    )
    assert [(r["restoration_id"], r["status"], r["value"]) for r in rows] == [("R1", "met", "200")]


# A column of the count holds 30: one that is full, two, and three.
@pytest.mark.parametrize("factors", [30, 31, 65])
def test_many_factors_are_told_apart(factors: int) -> None:
    blocks = "".join(
        f'[[requirement]]\nfactor = "f{k}"\nstep = "s"\nreading = "r{k}"\nat_least = 1\n'
        f'may_cause = ["other"]\nvalid_from = 2024-01-01\n'
        for k in range(factors)
    )
    rules = standard(f'title = "t"\nsteps = ["s"]\n{blocks}')
    log = [
        {"restoration_id": "R1", "step": "s", "reading": f"r{k}", "value": str(k % 2)} for k in range(factors) if k % 3
    ]
    table = count_patterns(
        connect(snapshot([{"restoration_id": "R1"}], log, by=rules)), rules, observed_until=date(2025, 1, 1)
    )
    expected = [NOT_RECORDED if not k % 3 else MET if k % 2 else MISSED for k in range(factors)]
    assert np.array_equal(table.status[0], expected)

"""Months in service against counting by hand, and against the pattern table they must add up to."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from math import floor
from typing import Any

import numpy as np
import pytest

from remakes.counts.engine import connect
from remakes.counts.patterns import count_patterns
from remakes.counts.service import ServiceMonths, ServiceTable, count_service
from remakes.counts.table import BIN_EDGES, DAYS_PER_MONTH, PatternTable
from remakes.deviations.detect import MET, MISSED, NOT_RECORDED
from remakes.errors import TableError
from tests.labs import snapshot, standard

END = date(2026, 6, 30)
GROUPS = {"met": MET, "missed": MISSED, "not recorded": NOT_RECORDED}


def counted(
    lab: list[dict[str, Any]], log: list[dict[str, Any]], back: list[dict[str, Any]], *, until: date = END
) -> tuple[PatternTable, ServiceTable]:
    tables = connect(snapshot(lab, log, back))
    table = count_patterns(tables, standard(), observed_until=until)
    return table, count_service(tables, table)


def by_hand(lab: list[dict[str, Any]], defect: str) -> dict[str, dict[int, int]]:
    """How each restoration leaves, one after the other: by month, the numbers of each kind."""
    kinds: dict[str, dict[int, int]] = {name: {} for name in ("early", "events", "removed", "censored")}
    for one in lab:
        mine = sorted(
            (
                (day, place, found_at)
                for place, (day, code, found_at, _gone) in enumerate(one["returns"])
                if code == defect and day <= END
            ),
            key=lambda entry: entry[:2],
        )
        gone = min((day for day, _code, _found, removed in one["returns"] if removed and day <= END), default=None)
        if mine:
            month = max(0, floor((mine[0][0] - one["delivered"]).days / DAYS_PER_MONTH))
            kind = "events" if mine[0][2] == "in_service" else "early"
        else:
            served = ((gone or END) - one["delivered"]).days / DAYS_PER_MONTH
            month, kind = max(1, floor(served + 0.5)) - 1, "removed" if gone else "censored"
        kinds[kind][month] = kinds[kind].get(month, 0) + 1
    return kinds


def drawn(seed: int, *, restorations: int = 250) -> list[dict[str, Any]]:
    """Every kind of fate: none to three returns of two defects, at any time, found anywhere, remade or not."""
    rng = np.random.default_rng(seed)
    found_at = ("before_delivery", "try_in", "delivery", "in_service", "in_service", "in_service")
    lab = []
    for _ in range(restorations):
        delivered = date(2023, 1, 1) + timedelta(days=int(rng.integers(0, (END - date(2023, 1, 1)).days + 1)))
        returns = [
            (
                delivered + timedelta(days=int(rng.integers(-5, 900 if rng.random() < 0.5 else 45))),
                str(rng.choice(["chipping", "debonding"])),
                str(rng.choice(found_at)),
                bool(rng.random() < 0.4),
            )
            for _return in range(int(rng.integers(0, 4)))
        ]
        lab.append({"delivered": delivered, "waited": str(rng.choice(["100", "200", ""])), "returns": returns})
    return lab


def rows_of(lab: list[dict[str, Any]]) -> tuple[list[dict[str, Any]], list[dict[str, Any]], list[dict[str, Any]]]:
    made, log, back = [], [], []
    for number, one in enumerate(lab):
        name = f"R{number}"
        made.append({"restoration_id": name, "delivered_on": one["delivered"].isoformat()})
        log.append({"restoration_id": name, "step": "bonding", "reading": "wait_s", "value": one["waited"]})
        back += [
            {
                "return_id": f"{name}-{k}",
                "restoration_id": name,
                "reported_on": day.isoformat(),
                "defect": code,
                "found_at": found_at,
                "disposition": "remade" if gone else "repaired",
            }
            for k, (day, code, found_at, gone) in enumerate(one["returns"])
        ]
    return made, log, back


@pytest.mark.parametrize("seed", [1, 2])
def test_months_are_those_counted_by_hand_and_add_up_to_the_pattern_table(seed: int) -> None:
    lab = drawn(seed)
    table, service = counted(*rows_of(lab))
    for defect in table.defects:
        groups = service.by_status(table, factor="bond_wait", defect=defect)
        expected = by_hand(lab, defect)
        for kind, by_month in expected.items():
            counts = getattr(groups["all"], kind)
            assert {month: int(n) for month, n in enumerate(counts) if n} == by_month, kind
        in_force = sum(one["delivered"] >= date(2024, 1, 1) for one in lab)
        assert sum(groups[name].restorations for name in GROUPS) == in_force < groups["all"].restorations == len(lab)
        for name, months in groups.items():
            rows = np.ones(table.patterns, bool) if name == "all" else table.status_of("bond_wait") == GROUPS[name]
            assert_adds_up(months, table, defect, rows)


def assert_adds_up(months: ServiceMonths, table: PatternTable, defect: str, rows: np.ndarray) -> None:
    at_risk, events = table.events_of(defect)
    size = len(months.at_risk)
    bins = np.searchsorted(BIN_EDGES, np.arange(size), side="right") - 1
    # What was found up to delivery is in the pattern table's months until its report, and in no month of service.
    with_early = months.at_risk + months.early[::-1].cumsum()[::-1]
    assert np.bincount(bins, with_early, len(BIN_EDGES)).tolist() == at_risk[rows].sum(axis=0).tolist()
    assert np.bincount(bins, months.events + months.early, len(BIN_EDGES)).tolist() == events[rows].sum(axis=0).tolist()
    assert months.restorations == table.restorations[rows].sum()
    assert months.at_risk[0] + months.early.sum() == months.restorations
    leaving = months.events + months.removed + months.censored
    assert (months.at_risk - leaving).tolist() == [*months.at_risk[1:], 0]


def test_a_remake_for_the_same_defect_is_its_return_and_for_another_a_removal() -> None:
    lab = [{"restoration_id": "R1", "delivered_on": "2025-01-01"}]
    back = [
        {
            "return_id": "Q1",
            "restoration_id": "R1",
            "reported_on": "2025-03-20",
            "defect": "chipping",
            "disposition": "remade",
        },
        {"return_id": "Q0", "restoration_id": "R1", "reported_on": "2025-01-02", "defect": "occlusion"},
        {"return_id": "Q2", "restoration_id": "R1", "reported_on": "2026-07-02", "defect": "debonding"},
    ]
    table, service = counted(lab, [], back)
    groups = service.by_status(table, factor="thickness", defect="chipping")
    chipped, occlusion = groups["all"], service.by_status(table, factor="thickness", defect="occlusion")["all"]
    assert (chipped.events.tolist(), chipped.removed.sum(), chipped.censored.sum()) == ([0, 0, 1], 0, 0)
    assert groups["not recorded"].restorations == 1
    assert groups["met"].restorations == groups["missed"].restorations == 0
    assert (occlusion.events.tolist(), occlusion.at_risk.tolist()) == ([1, 0, 0], [1, 0, 0])
    other = [back[0], {**back[1], "restoration_id": "R2"}]
    table, service = counted([*lab, {"restoration_id": "R2", "delivered_on": "2026-06-01"}], [], other)
    occlusion = service.by_status(table, factor="thickness", defect="occlusion")["all"]
    # R1 chipped in its third month and had been in service for two and a half.
    assert occlusion.removed.tolist() == [0, 0, 1]
    assert occlusion.at_risk.tolist() == [2, 1, 1]


def test_all_holds_also_what_a_requirement_does_not_apply_to() -> None:
    lab = [{"restoration_id": "R1"}, {"restoration_id": "R2", "veneer": "ceramic"}]
    back = [{"return_id": "Q1", "restoration_id": "R2", "reported_on": "2024-02-20", "defect": "chipping"}]
    table, service = counted(lab, [], back)
    groups = service.by_status(table, factor="bond_wait", defect="chipping")
    assert {name: one.restorations for name, one in groups.items()} == {
        "met": 0,
        "missed": 0,
        "not recorded": 1,
        "all": 2,
    }
    assert (groups["all"].events.sum(), groups["not recorded"].events.sum()) == (1, 0)


def test_unknown_names_and_the_table_of_another_lab_are_refused() -> None:
    back = [{"return_id": "Q1", "restoration_id": "R1", "reported_on": "2024-02-20", "defect": "chipping"}]
    table, service = counted([{"restoration_id": "R1"}], [], back)
    with pytest.raises(TableError, match="no requirement named “glaze”"):
        service.by_status(table, factor="glaze", defect="chipping")
    with pytest.raises(TableError, match=r"no returned defect named “surface”\. They hold: chipping"):
        service.by_status(table, factor="polish", defect="surface")
    with pytest.raises(TableError, match="different restorations"):
        service.by_status(replace(table, restorations=table.restorations + 1), factor="polish", defect="chipping")

"""Calendar months: every day in service in one month and one age, every first return in its month of report."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest

from remakes.counts.calendar import CASE, CELL_ATTRIBUTES, CalendarCounts, count_calendar
from remakes.counts.engine import Tables, connect
from remakes.counts.patterns import count_patterns
from remakes.counts.table import BIN_EDGES, DAYS_PER_MONTH, PatternTable
from remakes.records.snapshot import Snapshot
from tests.labs import snapshot
from tests.planted import planted_lab


def counted(lab: Snapshot) -> tuple[Tables, PatternTable, CalendarCounts]:
    tables = connect(lab)
    assert lab.observed_until is not None
    table = count_patterns(tables, lab.standard, observed_until=lab.observed_until)
    return tables, table, count_calendar(tables, table)


def back(restoration: str, day: str, defect: str = "chipping", disposition: str = "repaired") -> dict[str, str]:
    return {
        "return_id": f"{restoration}{day}{defect}",
        "restoration_id": restoration,
        "reported_on": day,
        "defect": defect,
        "disposition": disposition,
    }


def test_each_day_in_service_lies_in_its_calendar_month_and_age() -> None:
    unit = {"restoration_id": "R1", "delivered_on": "2024-11-20"}
    _tables, _table, calendar = counted(snapshot([unit], observed_until=date(2025, 1, 10)))
    assert calendar.months == ("2024-11", "2024-12", "2025-01")
    days = calendar.at_risk[:, :, 0] * DAYS_PER_MONTH
    # The first month of service has 31 days (0 to 30): 11 in November and 20 in December; both ends are in service.
    assert days[:, 0].tolist() == pytest.approx([11, 20, 0])
    assert days[:, 1].tolist() == pytest.approx([0, 11, 10])
    assert days.sum() == pytest.approx(52)
    assert calendar.observed_share.tolist() == pytest.approx([1, 1, 10 / 31])


def test_a_return_ends_the_time_at_risk_of_its_defect_only() -> None:
    unit = {"restoration_id": "R1", "delivered_on": "2024-11-20"}
    lab = snapshot([unit], returns=[back("R1", "2024-12-25"), back("R1", "2025-01-05")])
    _tables, _table, calendar = counted(lab)
    at_risk, events = calendar.of("chipping")
    assert (at_risk.sum(axis=(1, 2)) * DAYS_PER_MONTH).tolist() == pytest.approx([11, 25, 0])
    assert np.argwhere(events).tolist() == [[1, 1, 0]]
    every, first = calendar.of(None)
    assert every.sum() * DAYS_PER_MONTH == pytest.approx(52)
    assert first.sum() == 1


def test_a_remake_ends_service_for_all_defects() -> None:
    unit = {"restoration_id": "R1", "delivered_on": "2024-11-20"}
    _tables, _table, calendar = counted(snapshot([unit], returns=[back("R1", "2024-12-25", disposition="remade")]))
    assert (calendar.at_risk.sum(axis=(1, 2)) * DAYS_PER_MONTH).tolist() == pytest.approx([11, 25, 0])


def test_reported_before_the_delivery_is_month_0_of_service_and_at_risk_for_a_day() -> None:
    unit = {"restoration_id": "R1", "delivered_on": "2024-12-02"}
    other = {"restoration_id": "R2", "delivered_on": "2024-11-20"}
    _tables, table, calendar = counted(snapshot([unit, other], returns=[back("R1", "2024-11-28")]))
    at_risk, events = calendar.of("chipping")
    assert np.argwhere(events.sum(axis=2)).tolist() == [[0, 0]]
    assert (calendar.of(None)[0] - at_risk).sum() * DAYS_PER_MONTH == pytest.approx(39)
    assert events.sum() == table.events_of("chipping")[1].sum()
    # A slip of the pen (1924) falls into the first month and makes no century of them.
    _tables, _table, odd = counted(snapshot([unit], returns=[back("R1", "1924-11-28")]))
    assert odd.months[0] == "2024-12"
    assert odd.event_month.tolist() == [0]


def test_no_return_and_nothing_noted() -> None:
    _tables, table, calendar = counted(snapshot([{"restoration_id": "R1", "clinic": "", "technician": ""}]))
    assert calendar.defects == table.defects == ()
    at_risk, events = calendar.of(None)
    assert at_risk.sum() > 0 == events.sum()
    assert set(calendar.attributes) == set(CELL_ATTRIBUTES)
    assert calendar.attributes["clinic"].levels == ("not recorded",)
    assert calendar.attributes[CASE].levels == ("crown, lab composite, 1 unit, none noted",)


def test_months_add_up_to_each_restoration_counted_by_itself() -> None:
    """Any fate: up to three returns of two defects, before or after the delivery, remade or not."""
    rng = np.random.default_rng(4)
    start, end = date(2022, 3, 5), date(2024, 12, 31)
    rows: list[dict[str, Any]] = []
    returns: list[dict[str, str]] = []
    days: dict[str | None, int] = {None: 0, "chipping": 0, "surface": 0}
    for number in range(400):
        name, delivered = f"R{number}", start + timedelta(days=int(rng.integers(0, 900)))
        rows.append({"restoration_id": name, "delivered_on": delivered.isoformat(), "clinic": f"C{number % 7}"})
        drawn = [
            (delivered + timedelta(days=int(rng.integers(-20, 900))), str(rng.choice(["chipping", "surface"])), remade)
            for remade in rng.random(int(rng.integers(0, 4))) < 0.3
        ]
        seen = [one for one in drawn if one[0] <= end]
        returns += [
            back(name, day.isoformat(), defect, "remade" if remade else "repaired") for day, defect, remade in seen
        ]
        removed = max(min([end, *(day for day, _defect, remade in seen if remade)]), delivered)
        days[None] += (removed - delivered).days + 1
        for defect in ("chipping", "surface"):
            first = min((day for day, what, _remade in seen if what == defect), default=None)
            last = removed if first is None else max(first, delivered)
            days[defect] += (last - delivered).days + 1
    _tables, table, calendar = counted(snapshot(rows, returns=returns, observed_until=end))
    assert table.returns > 200
    for name in (None, "chipping", "surface"):
        at_risk, events = calendar.of(name)
        assert at_risk.sum() * DAYS_PER_MONTH == pytest.approx(days[name])
        if name is not None:
            assert events.sum(axis=(0, 2)).tolist() == table.events_of(name)[1].sum(axis=0).tolist()


def test_agrees_with_the_pattern_table_on_a_whole_lab() -> None:
    _tables, table, calendar = counted(planted_lab(3, restorations=1500))
    for defect in table.defects:
        at_risk, events = calendar.of(defect)
        whole_months, returns = table.events_of(defect)
        assert events.sum(axis=(0, 2)).tolist() == returns.sum(axis=0).tolist()
        # The pattern table rounds each restoration to whole months; over many it balances.
        assert at_risk.sum() == pytest.approx(whole_months.sum(), rel=0.01)
        assert at_risk.sum(axis=(0, 2)) == pytest.approx(whole_months.sum(axis=0), rel=0.04)
    assert at_risk.shape[1] == len(BIN_EDGES)

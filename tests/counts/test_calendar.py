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


@pytest.fixture(scope="module")
def small() -> tuple[PatternTable, CalendarCounts]:
    """One restoration for each clinic, so that a clinic is one fate; all but one delivered on the same day."""
    delivered = dict.fromkeys(("never back", "back twice", "remade"), "2024-11-20") | {"too early": "2024-12-02"}
    units = [{"restoration_id": name, "clinic": name, "delivered_on": day} for name, day in delivered.items()]
    returns = [
        back("back twice", "2024-12-25"),
        back("back twice", "2025-01-05"),
        back("remade", "2024-12-25", disposition="remade"),
        back("too early", "2024-11-28"),
    ]
    _tables, table, calendar = counted(snapshot(units, returns=returns, observed_until=date(2025, 1, 10)))
    return table, calendar


def of_clinic(calendar: CalendarCounts, clinic: str, values: np.ndarray) -> np.ndarray:
    """By calendar month and age, of the only restoration of this clinic."""
    attribute = calendar.attributes["clinic"]
    (cells,) = np.nonzero(attribute.codes == attribute.levels.index(clinic))
    result: np.ndarray = values[:, :, cells].sum(axis=2)
    return result


def test_each_day_in_service_lies_in_its_calendar_month_and_age(small: tuple[PatternTable, CalendarCounts]) -> None:
    _table, calendar = small
    assert calendar.months == ("2024-11", "2024-12", "2025-01")
    days = of_clinic(calendar, "never back", calendar.at_risk) * DAYS_PER_MONTH
    # The first month of service has 31 days (0 to 30): 11 in November and 20 in December; both ends are in service.
    assert days[:, 0].tolist() == pytest.approx([11, 20, 0])
    assert days[:, 1].tolist() == pytest.approx([0, 11, 10])
    assert days.sum() == pytest.approx(52)
    assert calendar.observed_share.tolist() == pytest.approx([1, 1, 10 / 31])


def test_a_return_ends_the_time_at_risk_of_its_defect_only(small: tuple[PatternTable, CalendarCounts]) -> None:
    _table, calendar = small
    at_risk, events = (of_clinic(calendar, "back twice", values) for values in calendar.of("chipping"))
    assert (at_risk.sum(axis=1) * DAYS_PER_MONTH).tolist() == pytest.approx([11, 25, 0])
    assert np.argwhere(events).tolist() == [[1, 1]]
    every, first = (of_clinic(calendar, "back twice", values) for values in calendar.of(None))
    assert every.sum() * DAYS_PER_MONTH == pytest.approx(52)
    assert first.sum() == 1


def test_a_remake_ends_service_for_all_defects(small: tuple[PatternTable, CalendarCounts]) -> None:
    _table, calendar = small
    days = of_clinic(calendar, "remade", calendar.at_risk) * DAYS_PER_MONTH
    assert days.sum(axis=1).tolist() == pytest.approx([11, 25, 0])


def test_reported_before_the_delivery_is_month_0_of_service_and_at_risk_for_a_day(
    small: tuple[PatternTable, CalendarCounts],
) -> None:
    table, calendar = small
    at_risk, events = (of_clinic(calendar, "too early", values) for values in calendar.of("chipping"))
    assert np.argwhere(events).tolist() == [[0, 0]]
    assert (of_clinic(calendar, "too early", calendar.at_risk) - at_risk).sum() * DAYS_PER_MONTH == pytest.approx(39)
    assert calendar.of("chipping")[1].sum() == table.events_of("chipping")[1].sum() == 3
    # A slip of the pen (1924) falls into the first month and makes no century of them.
    unit = {"restoration_id": "R1", "delivered_on": "2024-12-02"}
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

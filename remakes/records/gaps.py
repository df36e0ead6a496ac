"""Where the records have gaps: of what should be known of each restoration, how much is recorded, month by month."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Select, func, select

from remakes.records import schema
from remakes.records.requirements import Requirement
from remakes.records.standard import load_standard
from remakes.records.store import Store

__all__ = ["Gap", "Gaps", "find_gaps"]

_MONTHS = 12
#: Columns of a restoration that figures rest on; whether teeth, a due day or a remake is blank is no gap by itself.
_COLUMNS = ("technician", "clinic", "framework", "veneer", "teeth", "received_on")
#: Columns that a requirement's condition may name.
_CONDITIONS = ("kind", "framework", "veneer", "clinic", "technician", "difficulty")


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """One column of the restorations, or one reading of the standard.

    Attributes
    ----------
    step : str
        Empty for a column.
    name : str
    says : str
        What the newest requirement of a reading says in the standard's own words; empty where it has none.
    recorded, wanted : int
        Restorations of the months that have it; restorations that should. A reading is wanted where a requirement
        in force on the day of delivery applies to the restoration; a blank value is not recorded.
    by_month : mapping
        Month (`2026-03`) to recorded and wanted.
    """

    step: str
    name: str
    recorded: int
    wanted: int
    by_month: Mapping[str, tuple[int, int]]
    says: str = ""

    @property
    def share(self) -> float:
        """Recorded of wanted; 1 where nothing was wanted."""
        return self.recorded / self.wanted if self.wanted else 1.0

    def share_in(self, month: str) -> float:
        """The share of one month; 1 where nothing was wanted."""
        recorded, wanted = self.by_month.get(month, (0, 0))
        return recorded / wanted if wanted else 1.0

    @property
    def emptiest(self) -> str:
        """The month with the smallest share; of several the latest. Empty where nothing was ever wanted."""
        return min(reversed([*self.by_month]), key=self.share_in, default="")


@dataclass(frozen=True, slots=True, kw_only=True)
class Gaps:
    """All columns and readings, over the last twelve months in which something was delivered.

    `readings` are in working order; `months` run from the earliest to the latest.
    """

    months: tuple[str, ...]
    columns: tuple[Gap, ...]
    readings: tuple[Gap, ...]

    @property
    def worst(self) -> Gap | None:
        """The reading of which the smallest share is recorded; None where every one is, or none is wanted."""
        open_ones = [one for one in self.readings if one.recorded < one.wanted]
        return min(open_ones, key=lambda one: one.share, default=None)


def find_gaps(store: Store) -> Gaps:
    """How much of what the standard asks for is recorded, month of delivery by month?

    Returns
    -------
    Gaps
        Without months for an empty store.
    """
    table = schema.restorations.c
    with store.reader() as connection:
        latest = connection.scalar(select(func.max(table.delivered_on)))
        if latest is None:
            return Gaps(months=(), columns=(), readings=())
        first = _months_back(latest, _MONTHS - 1)
        columns = [
            table.restoration_id,
            table.delivered_on,
            *(table[name] for name in dict.fromkeys(_wanted_columns())),
        ]
        found = connection.execute(select(*columns).where(table.delivered_on >= first))
        rows: list[Mapping[str, Any]] = [dict(row) for row in found.mappings()]
        recorded = _recorded(connection.execute(_readings_since(first)))
    standard = load_standard(store)
    months = tuple(dict.fromkeys(sorted(_month(row["delivered_on"]) for row in rows)))
    return Gaps(
        months=months,
        columns=tuple(_of_column(name, rows) for name in _COLUMNS),
        readings=tuple(_of_readings(standard.requirements, standard.steps, rows, recorded)),
    )


def _wanted_columns() -> tuple[str, ...]:
    return (*_COLUMNS, *_CONDITIONS)


def _months_back(day: date, months: int) -> date:
    number = day.year * 12 + day.month - 1 - months
    return date(number // 12, number % 12 + 1, 1)


def _month(day: date) -> str:
    return f"{day.year:04d}-{day.month:02d}"


def _readings_since(first: date) -> Select[Any]:
    log, table = schema.process_log.c, schema.restorations.c
    return (
        select(log.step, log.reading, log.restoration_id)
        .join_from(schema.process_log, schema.restorations)
        .where(table.delivered_on >= first, log.value.is_not(None), log.value != "")
        .distinct()
    )


def _recorded(rows: Any) -> dict[tuple[str, str], set[str]]:
    found: dict[tuple[str, str], set[str]] = {}
    for step, reading, restoration_id in rows:
        found.setdefault((step, reading), set()).add(restoration_id)
    return found


def _of_column(name: str, rows: Sequence[Mapping[str, Any]]) -> Gap:
    wanted = Counter(_month(row["delivered_on"]) for row in rows)
    recorded = Counter(_month(row["delivered_on"]) for row in rows if row[name])
    return _gap("", name, recorded, wanted)


def _of_readings(
    requirements: Sequence[Requirement],
    steps: Sequence[str],
    rows: Sequence[Mapping[str, Any]],
    recorded: Mapping[tuple[str, str], set[str]],
) -> Iterator[Gap]:
    order = {step: place for place, step in enumerate(steps)}
    named: dict[tuple[str, str], list[Requirement]] = {}
    for one in sorted(requirements, key=lambda one: order.get(one.step, len(order))):
        named.setdefault((one.step, one.reading), []).append(one)
    for key, asked in named.items():
        having = recorded.get(key, set())
        wanted: Counter[str] = Counter()
        found: Counter[str] = Counter()
        for row in _concerned(asked, rows):
            month = _month(row["delivered_on"])
            wanted[month] += 1
            found[month] += row["restoration_id"] in having
        newest = max(asked, key=lambda one: one.valid_from)
        yield _gap(*key, found, wanted, says=newest.says or "")


def _concerned(asked: Sequence[Requirement], rows: Sequence[Mapping[str, Any]]) -> Iterator[Mapping[str, Any]]:
    # Lists hold few different combinations of conditions, so each is looked at once.
    known: dict[tuple[Any, ...], list[Requirement]] = {}
    for row in rows:
        attributes = tuple(row[name] for name in _CONDITIONS)
        if attributes not in known:
            words = dict(zip(_CONDITIONS, attributes, strict=True))
            known[attributes] = [one for one in asked if one.applies_to(words)]
        if any(one.in_force_on(row["delivered_on"]) for one in known[attributes]):
            yield row


def _gap(step: str, name: str, recorded: Counter[str], wanted: Counter[str], *, says: str = "") -> Gap:
    months = {month: (recorded[month], wanted[month]) for month in sorted(wanted)}
    return Gap(
        step=step,
        name=name,
        recorded=recorded.total(),
        wanted=wanted.total(),
        by_month=months,
        says=says,
    )

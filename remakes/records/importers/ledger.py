"""What is known while an import runs: the restorations, returns and standard that rows are checked against.

Read once from the store, then kept up to date file by file, so that no row needs a query of its own.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches

from sqlalchemy import select

from remakes.records import schema
from remakes.records.cells import Problem, number_from_text, shown
from remakes.records.codes import defect_in_text
from remakes.records.importers.kept_corrections import KeptCorrections, read_kept_corrections
from remakes.records.importers.spellings import spelling
from remakes.records.rows import ReadingRow, RestorationRow, ReturnRow, check_return_against
from remakes.records.standard import ProcessStandard, read_standard
from remakes.records.store import Store
from remakes.texts import either, run_on, t

__all__ = ["KnownRestoration", "Ledger", "Row", "Verdict", "Withheld", "read_ledger"]

Row = RestorationRow | ReadingRow | ReturnRow

#: Looking for near misses by likeness is slow; beyond so many unknown numbers only spellings are compared.
_MOST_SEARCHES = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownRestoration:
    """What a return must fit."""

    delivered_on: date
    teeth: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Withheld:
    """Why this import did not save a restoration: a cause that all rows naming it share."""

    cause: str
    mend: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What speaks against one row; `cause` words what it shares with others, empty for a fault of its own."""

    problems: tuple[Problem, ...] = ()
    cause: str = ""


_SOUND = Verdict()


class Ledger:
    """The records as the rows of an import are checked against them.

    Parameters
    ----------
    standard : ProcessStandard
    complete : bool
        False where no store is at hand (a preview): then an unknown restoration is no fault.

    Attributes
    ----------
    restorations : dict
        By restoration_id: those of the store and those saved by this import.
    returned : dict
        (return_id, defect) to the restoration_id.
    withheld : dict
        restoration_id to why this import did not save it.
    kept : KeptCorrections
        What persons corrected since, which stays where a list has what stood there before.
    codes : dict of set
        Codes of the records by what they are of: `technician` (operators too) and `clinic`.
    odd : Counter
        Rows that were taken although something about them is odd, by what it is; the caller empties it.
    """

    def __init__(self, standard: ProcessStandard | None = None, *, complete: bool = True) -> None:
        self.restorations: dict[str, KnownRestoration] = {}
        self.returned: dict[tuple[str, str], str] = {}
        self.withheld: dict[str, Withheld] = {}
        self.kept = KeptCorrections()
        self.codes: dict[str, set[str]] = {"technician": set(), "clinic": set()}
        self.odd: Counter[str] = Counter()
        self._complete = complete
        self._first_reports: dict[str, tuple[date, str]] = {}
        self._near_misses: dict[str, str] = {}
        self._spellings: dict[str, str] = {}
        self._searches = 0
        self.take_standard(standard or ProcessStandard())

    def take_standard(self, standard: ProcessStandard) -> None:
        """Check readings against this standard from now on."""
        self.standard = standard
        self._numeric = standard.numeric_readings
        self._named = frozenset((one.step, one.reading) for one in standard.requirements)

    def admit(self, rows: Iterable[Row]) -> None:
        """Take rows into account that were saved."""
        for row in rows:
            if isinstance(row, RestorationRow):
                self.admit_restoration(row.restoration_id, delivered_on=row.delivered_on, teeth=row.teeth)
                self.admit_codes(technician=row.technician, clinic=row.clinic)
            elif isinstance(row, ReturnRow):
                self.admit_return(
                    row.return_id, row.defect, row.restoration_id, reported_on=row.reported_on, found_at=row.found_at
                )

    def admit_restoration(self, restoration_id: str, *, delivered_on: date, teeth: str) -> None:
        """Take one restoration into account."""
        self.restorations[restoration_id] = KnownRestoration(delivered_on=delivered_on, teeth=teeth)

    def admit_codes(self, **codes: str | None) -> None:
        """Take codes into account, to find others that are written nearly like them."""
        for of, code in codes.items():
            if code:
                self.codes[of].add(code)

    def admit_return(
        self, return_id: str, defect: str, restoration_id: str, *, reported_on: date, found_at: str | None
    ) -> None:
        """Take one return into account."""
        self.returned[return_id, defect] = restoration_id
        if found_at != "before_delivery":
            earlier = self._first_reports.get(restoration_id)
            if earlier is None or reported_on < earlier[0]:
                self._first_reports[restoration_id] = (reported_on, return_id)

    def verdict(self, row: Row, *, today: date) -> Verdict:
        """What speaks against a row that is sound in itself?"""
        if isinstance(row, ReadingRow):
            return self._missing(row.restoration_id) or self._of_reading(row)
        if isinstance(row, ReturnRow):
            return self._missing(row.restoration_id) or self._of_return(row, today)
        return self._of_restoration(row, today)

    def _of_restoration(self, row: RestorationRow, today: date) -> Verdict:
        if row.delivered_on > today:
            self.odd[t("delivered after today ({today})", today=today.isoformat())] += 1
        first = self._first_reports.get(row.restoration_id)
        if first is None or first[0] >= row.delivered_on:
            return _SOUND
        return _fault(
            "delivered_on",
            row.delivered_on.isoformat(),
            t(
                "Return {return_id} of this restoration was reported before, on {day}.",
                return_id=first[1],
                day=first[0].isoformat(),
            ),
            t("Correct the date; if the return's date is wrong, import the corrected return first."),
        )

    def _of_reading(self, row: ReadingRow) -> Verdict:
        reading = (row.step, row.reading)
        if reading in self._numeric and row.value is not None and number_from_text(row.value) is None:
            comma = t('A column map can declare decimal = ",".') if "," in row.value else ""
            return _fault(
                "value",
                shown(row.value),
                t(
                    "{shown!r} is no number, and the process standard needs one for {reading}.",
                    shown=shown(row.value),
                    reading=row.reading,
                ),
                run_on(
                    t("Write the number with a decimal point and no unit; leave it blank if it was not recorded."),
                    comma,
                ),
            )
        if self._named and reading not in self._named:
            named = {"reading": row.reading, "step": row.step}
            self.odd[t("with a reading that the process standard does not name ({reading} in {step})", **named)] += 1
        return _SOUND

    def _of_return(self, row: ReturnRow, today: date) -> Verdict:
        if row.reported_on > today:
            self.odd[t("reported after today ({today})", today=today.isoformat())] += 1
        known = self.restorations.get(row.restoration_id)
        problems = check_return_against(row, known.delivered_on) if known is not None else []
        other = self.returned.get((row.return_id, row.defect), row.restoration_id)
        if other != row.restoration_id:
            problems.append(
                Problem(
                    column="return_id",
                    value=row.return_id,
                    reason=t(
                        "Return {return_id} with {defect} belongs to restoration {other} already.",
                        return_id=row.return_id,
                        defect=defect_in_text(row.defect),
                        other=other,
                    ),
                    mend=t("Correct the restoration, or give this return a number of its own."),
                )
            )
        if known is not None and known.teeth and not set(row.teeth.split()) <= set(known.teeth.split()):
            self.odd[t("naming teeth that their restoration does not have")] += 1
        return Verdict(problems=tuple(problems))

    def _missing(self, restoration_id: str) -> Verdict | None:
        if restoration_id in self.restorations:
            return None
        withheld = self.withheld.get(restoration_id)
        if withheld is None and not self._complete:
            return None
        if withheld is not None:
            cause, mend = withheld.cause, withheld.mend
            reason = t(
                "Restoration {restoration_id} is not in the records: {cause}",
                restoration_id=restoration_id,
                cause=cause,
            )
        else:
            cause = t("they name restorations that are not in the records.")
            mend = t("Correct the number, or import the restoration first.")
            reason = t(
                "There is no restoration {restoration_id} in the records.{near_miss}",
                restoration_id=restoration_id,
                near_miss=self._near_miss(restoration_id),
            )
        problem = Problem(column="restoration_id", value=shown(restoration_id), reason=reason, mend=mend)
        return Verdict(problems=(problem,), cause=cause)

    def _near_miss(self, restoration_id: str) -> str:
        if restoration_id not in self._near_misses:
            self._near_misses[restoration_id] = self._search(restoration_id)
        return self._near_misses[restoration_id]

    def _search(self, restoration_id: str) -> str:
        if not self._spellings:
            self._spellings = {spelling(known): known for known in self.restorations}
        alike = self._spellings.get(spelling(restoration_id))
        if alike is not None:
            return t(" {question}", question=t("Did you mean {items}?", items=alike))
        self._searches += 1
        if self._searches > _MOST_SEARCHES:
            return ""
        near = get_close_matches(restoration_id, self.restorations, n=2, cutoff=0.75)
        return t(" {question}", question=t("Did you mean {items}?", items=either(near))) if near else ""


def read_ledger(store: Store) -> Ledger:
    """Everything in a store that rows are checked against."""
    table, returns = schema.restorations, schema.returns
    with store.reader() as connection:
        ledger = Ledger(read_standard(connection))
        ledger.kept = read_kept_corrections(connection)
        for row in connection.execute(select(table.c.restoration_id, table.c.delivered_on, table.c.teeth)):
            ledger.admit_restoration(row.restoration_id, delivered_on=row.delivered_on, teeth=row.teeth)
        for one in connection.execute(select(table.c.technician, table.c.clinic).distinct()):
            ledger.admit_codes(technician=one.technician, clinic=one.clinic)
        columns = (returns.c.return_id, returns.c.defect, returns.c.restoration_id, returns.c.reported_on)
        for back in connection.execute(select(*columns, returns.c.found_at, returns.c.voided_at)):
            # A return that was taken back keeps its number, but no longer binds the date of delivery.
            found_at = "before_delivery" if back.voided_at is not None else back.found_at
            ledger.admit_return(
                back.return_id,
                back.defect,
                back.restoration_id,
                reported_on=back.reported_on,
                found_at=found_at,
            )
    return ledger


def _fault(column: str, value: str, reason: str, mend: str) -> Verdict:
    return Verdict(problems=(Problem(column=column, value=value, reason=reason, mend=mend),))

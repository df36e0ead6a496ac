"""Late entries: a sheet of a past day, typed from memory or paper; saved whole or not at all."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from typing import Final

from sqlalchemy import Connection, select

from remakes.errors import EntryError, NotAllowedError
from remakes.records import schema
from remakes.records.bench.asked import Asked, asked_of, typed_value
from remakes.records.bench.moments import local_day
from remakes.records.bench.moving import entered
from remakes.records.bench.pieces import Piece, as_piece, piece_in_hand, still_open
from remakes.records.bench.readings import Standing, Written, insert_reading, read_standing
from remakes.records.requirements import ProcessStandard
from remakes.records.standard import read_standard
from remakes.records.store import Store, now
from remakes.texts import t, tn

__all__ = ["NOT_DONE", "LateCell", "LateSaved", "RefusedLateCell", "RefusedSheetError", "pieces_of_day", "save_late"]

#: What stands in a cell where the step was not done. A blank is not recorded.
NOT_DONE: Final = "not done"
#: So many days after the work, a restoration may have left the lab and still be offered for that day.
_LEFT_WITHIN: Final = timedelta(days=14)


@dataclass(frozen=True, slots=True, kw_only=True)
class LateCell:
    """One filled cell of the sheet: the text as typed, or `NOT_DONE`."""

    restoration_id: str
    step: str
    reading: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RefusedLateCell:
    """One cell that cannot be taken, named by its row and column."""

    restoration_id: str
    reading: str
    why: str

    def __str__(self) -> str:
        return t("{row}, {column}: {why}", row=self.restoration_id, column=self.reading, why=self.why)


class RefusedSheetError(EntryError):
    """A sheet with cells that cannot be taken; nothing of it was saved.

    Parameters
    ----------
    cells : tuple of RefusedLateCell
    """

    def __init__(self, cells: tuple[RefusedLateCell, ...]) -> None:
        first = tn(
            len(cells),
            "Nothing was saved: one cell cannot be taken.",
            "Nothing was saved: {n} cells cannot be taken.",
        )
        super().__init__("\n".join([first, *map(str, cells)]))
        self.cells = cells


@dataclass(frozen=True, slots=True, kw_only=True)
class LateSaved:
    """What a sheet came to.

    Attributes
    ----------
    readings : int
    after_return : tuple of str
        Restorations that had come back by the time of the entry: it is marked as such.
    """

    readings: int
    after_return: tuple[str, ...]


def pieces_of_day(store: Store, day: date, *, technician: str | None = None) -> tuple[Piece, ...]:
    """What can have been on the bench on a day: work open now, and what left the lab within the next two weeks."""
    restorations, work = schema.restorations, schema.open_work
    left = select(restorations).where(restorations.c.delivered_on.between(day, day + _LEFT_WITHIN))
    in_work = select(work).where(still_open())
    if technician is not None:
        left = left.where(restorations.c.technician == technician)
        in_work = in_work.where(work.c.technician == technician)
    with store.reader() as connection:
        rows = [*connection.execute(in_work), *connection.execute(left)]
    return tuple(sorted(map(as_piece, rows), key=lambda one: (one.due_on or date.max, one.restoration_id)))


def save_late(
    store: Store,
    cells: Sequence[LateCell],
    *,
    day: date,
    who: str,
    operator: str | None = None,
    equipment: str | None = None,
    lot: str | None = None,
    at: datetime | None = None,
) -> LateSaved:
    """Write a sheet of a past day down, all of it or nothing.

    The day of the work counts as the day of recording, and the entry is marked as late. A reading that stands
    on the same day already is corrected by the later one.

    Parameters
    ----------
    cells : sequence of LateCell
        Only what was filled in or changed.
    day : date
        The day of the work.
    operator : str, optional
        Who did it; default: nobody is named.
    at : datetime, optional
        The present moment, in UTC; default: now.

    Raises
    ------
    RefusedSheetError
        Cells that cannot be taken, each with its row and column.
    EntryError
        No cell at all, or a day in the future.
    """
    at = at or now()
    if not cells:
        raise EntryError(t("No cell was filled in. Blank cells stay not recorded."))
    if day > local_day(at):
        raise EntryError(t("{day} is later than today. Type the day of the work.", day=day.isoformat()))
    with store.writer(may="write at the bench") as connection:
        sheet = _Sheet(store, connection, day=day, today=local_day(at), cells=cells)
        good = list(sheet.read())
        if sheet.refused:
            raise RefusedSheetError(tuple(sheet.refused))
        ids = []
        for piece, written, recorded_at in good:
            full = replace(written, operator=operator or None, equipment=equipment or None, lot=lot or None)
            ids.append(
                insert_reading(store, connection, piece, full, who=who, recorded_at=recorded_at, at=at, late=True)
            )
        return LateSaved(readings=len(ids), after_return=_after_return(connection, ids))


def _after_return(connection: Connection, ids: Sequence[int]) -> tuple[str, ...]:
    bench = schema.bench_readings
    rows = connection.execute(select(bench).where(bench.c.id.in_(ids)).order_by(bench.c.restoration_id)).all()
    return tuple(dict.fromkeys(row.restoration_id for row in rows if entered(connection, row) == "after return"))


class _Sheet:
    """Reads the cells of a sheet one by one and gathers what is wrong."""

    def __init__(
        self, store: Store, connection: Connection, *, day: date, today: date, cells: Sequence[LateCell]
    ) -> None:
        self.refused: list[RefusedLateCell] = []
        self._store, self._connection = store, connection
        self._day, self._today, self._cells = day, today, cells
        self._standard: ProcessStandard = read_standard(connection)
        self._standing = read_standing(connection, (cell.restoration_id for cell in cells))

    def read(self) -> Iterator[tuple[Piece, Written, datetime]]:
        """The good cells."""
        for cell in self._cells:
            try:
                yield self._one(cell)
            except (EntryError, NotAllowedError) as error:
                why = str(error)
                self.refused.append(RefusedLateCell(restoration_id=cell.restoration_id, reading=cell.reading, why=why))

    def _one(self, cell: LateCell) -> tuple[Piece, Written, datetime]:
        piece = piece_in_hand(self._store, self._connection, cell.restoration_id)
        if piece.delivered_on is not None and piece.delivered_on < self._day:
            raise EntryError(t("it left the lab on {day}, before that.", day=piece.delivered_on.isoformat()))
        asked = self._asked(piece, cell)
        not_done = cell.text.strip().casefold() == NOT_DONE
        if not_done and asked.not_done is None:
            raise EntryError(t("“not done” cannot be said of it. Leave the cell blank."))
        value = asked.not_done if not_done and asked.not_done else typed_value(asked, cell.text)
        written = Written(
            restoration_id=cell.restoration_id, step=cell.step, reading=cell.reading, value=value, not_done=not_done
        )
        return piece, written, self._recorded_at(self._standing[cell.restoration_id].get((cell.step, cell.reading)))

    def _asked(self, piece: Piece, cell: LateCell) -> Asked:
        for one in asked_of(self._standard, piece, today=self._today).get(cell.step, ()):
            if one.reading == cell.reading:
                return one
        raise EntryError(t("nothing asks for it on this restoration. Leave the cell blank."))

    def _recorded_at(self, before: Standing | None) -> datetime:
        midnight = datetime.combine(self._day, time.min)
        if before is None or before.recorded_at is None or before.recorded_at < midnight:
            return midnight
        if before.recorded_at.date() > self._day:
            raise EntryError(
                t(
                    "{value} was recorded on {day}, which is later and would go on counting.",
                    value=before.value,
                    day=before.recorded_at.date().isoformat(),
                )
            )
        # The later of two on one day counts.
        return min(before.recorded_at + timedelta(seconds=1), datetime.combine(self._day, time.max))

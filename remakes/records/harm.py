"""Reports of possible harm: which are open, and what was done about those that are dealt with.

A return that carries the mark "may somebody have been hurt" is a report; all its defects together are one. What was
done is a note beside it: the return stays as it is, and no figure moves. Notes are only ever added.

::

    open ──► dealt with ──► opened again ──► dealt with ...

A report is no longer there once its mark is corrected away or its return taken back. A mark that is set again, or set
on a further defect of the return, opens the report again.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Final

from sqlalchemy import Connection, Row, func, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.bench.moments import local_day
from remakes.records.harm_marks import Mark, marks
from remakes.records.store import Store, now
from remakes.records.typed_text import note_text, one_line
from remakes.texts import t, tn

__all__ = [
    "KEPT_IN_SIGHT",
    "LONGEST",
    "YOUNG",
    "HarmChangedError",
    "HarmNote",
    "HarmReport",
    "deal_with_harm",
    "deal_with_past_harm",
    "harm_notes",
    "harm_reports",
    "harm_version",
    "open_harm_again",
    "open_harm_in_words",
    "recently_dealt_with",
]

#: Signs of what was done, and of why a report is opened again: a sentence or two.
LONGEST: Final = 300
#: How long a report that was dealt with stays in sight.
KEPT_IN_SIGHT: Final = timedelta(days=365)
#: Up to this age a report is dealt with by itself.
YOUNG: Final = timedelta(days=90)
_MOST_NAMED: Final = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class HarmNote:
    """One note on a report.

    Attributes
    ----------
    return_id : str
    version : int
        Counts the notes of a report, from 1.
    at : datetime
        UTC.
    who : str
        Role and pseudonym.
    dealt_with : bool
        False: opened again.
    note : str
        What was done, or why it is opened again.
    """

    return_id: str
    version: int
    at: datetime
    who: str
    dealt_with: bool
    note: str

    @property
    def day(self) -> date:
        """The lab's calendar day."""
        return local_day(self.at)


@dataclass(frozen=True, slots=True, kw_only=True)
class HarmReport:
    """One return that may have hurt somebody.

    Attributes
    ----------
    return_id, restoration_id : str
    reported_on : date
    defects : tuple of str
        Those that carry the mark.
    is_open : bool
        Nobody has said yet what was done, or the mark was set again since, or it was opened again.
    noted : Mark or None
        The latest mark; None where the audit does not know.
    last : HarmNote or None
        The latest note.
    """

    return_id: str
    restoration_id: str
    reported_on: date
    defects: tuple[str, ...]
    is_open: bool
    noted: Mark | None = None
    last: HarmNote | None = None

    @property
    def month(self) -> str:
        """Of the report, ``2026-10``."""
        return f"{self.reported_on:%Y-%m}"

    def past(self, today: date | None = None) -> bool:
        """Is it open, came with a list, and lies so far back that it may be dealt with among others of its kind?"""
        young = self.reported_on >= (today or date.today()) - YOUNG
        return (
            self.is_open and not young and self.last is None and self.noted is not None and self.noted.how == "imported"
        )

    @property
    def version(self) -> int:
        """Handed back with a note, so that nobody answers what another has answered meanwhile."""
        return self.last.version if self.last else 0


class HarmChangedError(EntryError):
    """Somebody else wrote a note on the report since it was looked at; nothing was saved.

    Parameters
    ----------
    theirs : HarmNote
        What the other one wrote.
    mine : str
        What was typed here.
    """

    def __init__(self, theirs: HarmNote, mine: str) -> None:
        names = {"number": theirs.return_id, "who": theirs.who, "theirs": theirs.note, "mine": mine}
        super().__init__(
            t(
                "Return {number}: {who} dealt with it meanwhile: “{theirs}”. Yours was not saved: “{mine}”. If "
                "something is missing, open it again.",
                **names,
            )
            if theirs.dealt_with
            else t(
                "Return {number}: {who} opened it again meanwhile: “{theirs}”. Yours was not saved: “{mine}”. Look at "
                "it, then write again.",
                **names,
            )
        )
        self.theirs = theirs
        self.mine = mine


def harm_reports(
    store: Store, *, made_by: str | None = None, restoration_id: str | None = None
) -> tuple[HarmReport, ...]:
    """Every report of possible harm, open or dealt with, however old; the oldest first.

    Parameters
    ----------
    made_by : str, optional
        Only of this technician's pieces.
    restoration_id : str, optional
        Only of this restoration.
    """
    with store.reader() as connection:
        return _read(connection, made_by=made_by, restoration_id=restoration_id)


def recently_dealt_with(reports: Iterable[HarmReport], *, today: date | None = None) -> tuple[HarmReport, ...]:
    """Those that were dealt with in the last twelve months, the latest first."""
    since = (today or date.today()) - KEPT_IN_SIGHT
    found = [(one.last.at, one) for one in reports if one.last and not one.is_open and one.last.day >= since]
    return tuple(one for _at, one in sorted(found, key=lambda pair: pair[0], reverse=True))


def harm_version(store: Store) -> int:
    """Which state the notes are in: the number of the last line that the audit has of them; 0 for none."""
    audit = schema.audit.c
    latest = select(func.coalesce(func.max(audit.id), 0)).where(audit.table_name == schema.harm_notes.name)
    with store.reader() as connection:
        return int(connection.scalar(latest) or 0)


def harm_notes(connection: Connection, restoration_id: str) -> tuple[HarmNote, ...]:
    """Every note on returns of this restoration, in order, inside a running read."""
    table = schema.harm_notes
    query = select(table).where(table.c.restoration_id == restoration_id).order_by(table.c.id)
    return tuple(map(_note, connection.execute(query)))


def open_harm_in_words(connection: Connection) -> Iterator[str]:
    """How many reports are open, in a sentence; nothing where none is."""
    numbers = [one.return_id for one in _read(connection) if one.is_open]
    if numbers:
        named, left = ", ".join(numbers[:_MOST_NAMED]), len(numbers) - _MOST_NAMED
        yield tn(
            len(numbers),
            "1 report of possible harm is open ({some}). Say on the page Today what was done.",
            "{n} reports of possible harm are open ({some}). Say on the page Today what was done about each.",
            some=t("{named} and {left} more", named=named, left=left) if left > 0 else named,
        )


def deal_with_harm(store: Store, return_id: str, *, done: str, who: str, version: int) -> None:
    """Say what was done about a report; it is no longer open.

    Parameters
    ----------
    done : str
        In a sentence or two, at most `LONGEST` signs.
    who : str
        Role and pseudonym.
    version : int
        The report's, as it was when it was looked at.

    Raises
    ------
    HarmChangedError
        Somebody else wrote a note since.
    EntryError
        Nothing was written, or too much; or no such report is open.
    """
    needed = t("Write what was done, such as whom you told and when; it is kept with the report.")
    note = note_text(done, t("answer"), needed=needed, most=LONGEST)
    _write(store, return_id, note, dealt_with=True, who=who, version=version)


def deal_with_past_harm(
    store: Store, reports: Sequence[HarmReport], *, done: str, who: str, today: date | None = None
) -> None:
    """Say of several old reports at once that they were dealt with, all or none.

    For what a lab brings in of the years before it kept these notes: hundreds of open reports would hide the new one.

    Parameters
    ----------
    reports : sequence of HarmReport
        As they were when they were looked at; each must be `past`.
    today : date, optional
        Default: the calendar day of this machine.

    Raises
    ------
    HarmChangedError
        Somebody else wrote a note on one of them since.
    EntryError
        Nothing was written, or too much; or one of them is not open, or not past.
    """
    needed = t("Write what was done, such as whom you told and when; it is kept with the report.")
    note = note_text(done, t("answer"), needed=needed, most=LONGEST)
    who = one_line(who, t("pseudonym of who writes this"))
    with store.writer(may="deal with harm") as connection:
        for one in reports:
            if not one.past(today):
                raise EntryError(
                    t(
                        "Return {number} is not one of the past that came with a list: deal with it by itself.",
                        number=one.return_id,
                    )
                )
            _add(store, connection, one.return_id, note, dealt_with=True, who=who, version=one.version)


def open_harm_again(store: Store, return_id: str, *, why: str, who: str, version: int) -> None:
    """Open a report again that was dealt with; what was done stays in the record.

    Raises
    ------
    HarmChangedError
        Somebody else wrote a note since.
    EntryError
        No reason was given, or a long one; or no such report is dealt with.
    """
    needed = t("Write why it is opened again; it is kept with the report.")
    note = note_text(why, t("reason"), needed=needed, most=LONGEST)
    _write(store, return_id, note, dealt_with=False, who=who, version=version)


def _write(store: Store, return_id: str, note: str, *, dealt_with: bool, who: str, version: int) -> None:
    who = one_line(who, t("pseudonym of who writes this"))
    with store.writer(may="deal with harm") as connection:
        _add(store, connection, return_id, note, dealt_with=dealt_with, who=who, version=version)


def _add(
    store: Store, connection: Connection, return_id: str, note: str, *, dealt_with: bool, who: str, version: int
) -> None:
    table = schema.harm_notes
    report = next(iter(_read(connection, return_id=return_id)), None)
    if report is not None and report.last is not None and report.version != version:
        raise HarmChangedError(report.last, note)
    if report is None or report.is_open != dealt_with:
        raise _misplaced(return_id, report)
    restoration = report.restoration_id
    row = {"return_id": return_id, "restoration_id": restoration, "version": version + 1, "dealt_with": dealt_with}
    connection.execute(table.insert().values(row | {"at": now(), "who": who, "note": note}))
    detail = {"return_id": return_id, "restoration_id": restoration, "note": note}
    what = "deal with harm" if dealt_with else "open harm again"
    store.note(connection, who=who, what=what, table=table.name, key=return_id, detail=detail)


def _misplaced(return_id: str, report: HarmReport | None) -> EntryError:
    if report is None:
        return EntryError(
            t(
                "Return {number} is not marked as possible harm any more, or was taken back: there is nothing to deal "
                "with.",
                number=return_id,
            )
        )
    if report.is_open:
        return EntryError(t("Return {number} is open already; nothing is left to do.", number=return_id))
    return EntryError(
        t(
            "Return {number} is dealt with already. If something is missing, open it again.",
            number=return_id,
        )
    )


def _read(
    connection: Connection,
    *,
    made_by: str | None = None,
    restoration_id: str | None = None,
    return_id: str | None = None,
) -> tuple[HarmReport, ...]:
    returns = schema.returns
    query = select(returns).where(returns.c.voided_at.is_(None), returns.c.harm.is_(True))
    if made_by is not None:
        restorations = schema.restorations.c
        own = select(restorations.restoration_id).where(restorations.technician == made_by)
        query = query.where(returns.c.restoration_id.in_(own))
    if restoration_id is not None:
        query = query.where(returns.c.restoration_id == restoration_id)
    if return_id is not None:
        query = query.where(returns.c.return_id == return_id)
    marked: dict[str, list[Row[Any]]] = {}
    for row in connection.execute(query.order_by(returns.c.reported_on, returns.c.return_id, returns.c.id)):
        marked.setdefault(row.return_id, []).append(row)
    if not marked:
        return ()
    found = marks(connection, [row for rows in marked.values() for row in rows])
    last = _last_notes(connection, marked)
    return tuple(_report(rows, found, last.get(number)) for number, rows in marked.items())


def _report(rows: list[Row[Any]], found: Mapping[int, Mark], last: tuple[HarmNote, int] | None) -> HarmReport:
    latest = max((found[row.id] for row in rows if row.id in found), key=lambda mark: mark.line, default=None)
    note, written = last or (None, 0)
    marked_since = latest is not None and latest.line > written
    return HarmReport(
        return_id=rows[0].return_id,
        restoration_id=rows[0].restoration_id,
        reported_on=rows[0].reported_on,
        defects=tuple(row.defect for row in rows),
        is_open=note is None or not note.dealt_with or marked_since,
        noted=latest,
        last=note,
    )


def _last_notes(connection: Connection, return_ids: Iterable[str]) -> dict[str, tuple[HarmNote, int]]:
    """The latest note of each return, with the number of its line in the audit."""
    table, audit, numbers = schema.harm_notes, schema.audit, list(return_ids)
    lines = select(audit.c.row_key, func.max(audit.c.id).label("line")).group_by(audit.c.row_key)
    latest = lines.where(audit.c.table_name == table.name, audit.c.row_key.in_(numbers)).subquery()
    query = (
        select(table, func.coalesce(latest.c.line, 0).label("line"))
        .join(latest, latest.c.row_key == table.c.return_id, isouter=True)
        .where(table.c.return_id.in_(numbers))
        .order_by(table.c.version)
    )
    return {row.return_id: (_note(row), row.line) for row in connection.execute(query)}


def _note(row: Row[Any]) -> HarmNote:
    return HarmNote(
        return_id=row.return_id,
        version=row.version,
        at=row.at,
        who=row.who,
        dealt_with=row.dealt_with,
        note=row.note,
    )

"""What a person types: returns entered one by one or several defects together, and taken back.

The same checks as for an import. Every write holds the write lock, leaves one line in the audit, and is
saved whole or not at all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

from sqlalchemy import Connection, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.cells import Problem, RefusedCell, plain_text
from remakes.records.codes import defect_in_text
from remakes.records.look_up import unknown_restoration
from remakes.records.rows import ReturnRow, check_restoration, check_return, check_return_against
from remakes.records.store import Store, now
from remakes.records.typed_text import note_text
from remakes.texts import later, run_on, t

__all__ = [
    "DOUBLE_ENTRY_DAYS",
    "SAVE_AS_ANOTHER",
    "DoubleEntryError",
    "RefusedEntryError",
    "enter_restoration",
    "enter_return",
    "enter_returns",
    "in_the_future",
    "void_return",
    "void_returns",
]

#: The same defect on the same restoration within so many days is asked about. Common practice, no source.
DOUBLE_ENTRY_DAYS = 14
#: What the button is called that saves it all the same (`confirm_double`).
SAVE_AS_ANOTHER = later("Save as another return")

# Stands in for a number that is only given under the write lock.
_NOT_YET = "(next number)"


class RefusedEntryError(EntryError):
    """An entry with faulty fields; nothing was saved.

    Parameters
    ----------
    problems : tuple of Problem
        Every faulty field, for the form to show beside it.
    """

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        super().__init__(run_on(t("Nothing was saved."), *(str(problem) for problem in problems)))
        self.problems = problems


class DoubleEntryError(EntryError):
    """The same defect of the same restoration was entered a few days apart; nothing was saved.

    Parameters
    ----------
    defect, return_id : str
        The defect, and the return that has it already.
    reported_on : date
        When that return was reported.
    """

    def __init__(self, *, defect: str, return_id: str, reported_on: date) -> None:
        super().__init__(
            t(
                "Return {return_id} of {reported_on} already reports {defect} on this restoration, within "
                "{double_entry_days} days. Nothing was saved. If this is another return, choose “{button}”.",
                return_id=return_id,
                reported_on=reported_on.isoformat(),
                defect=defect_in_text(defect),
                double_entry_days=DOUBLE_ENTRY_DAYS,
                button=t(SAVE_AS_ANOTHER),
            )
        )
        self.defect = defect
        self.return_id = return_id
        self.reported_on = reported_on


def enter_return(
    store: Store, raw: Mapping[str, object], *, who: str, confirm_double: bool = False, today: date | None = None
) -> int:
    """Write one returned restoration with one defect down; see `enter_returns`.

    Returns
    -------
    int
        The number of the new row, for `void_return`.
    """
    (row_id,) = enter_returns(store, [raw], who=who, confirm_double=confirm_double, today=today)
    return row_id


def enter_returns(
    store: Store,
    raws: Sequence[Mapping[str, object]],
    *,
    who: str,
    confirm_double: bool = False,
    today: date | None = None,
) -> tuple[int, ...]:
    """Write one return with all its defects down, together or not at all.

    Parameters
    ----------
    raws : sequence of mapping
        One for each defect, with the columns of the returns as typed. A blank `return_id` gets the
        next number of the day (`R-20261125-0001`), one for all; a blank `entered_on` becomes today.
    who : str
        Pseudonym of the person, for the audit.
    confirm_double : bool
        Save even though the same defect of the same restoration was reported within 14 days.
    today : date, optional
        Default: the calendar day of this machine.

    Returns
    -------
    tuple of int
        The numbers of the new rows.

    Raises
    ------
    RefusedEntryError
        A field is faulty, or does not fit the restoration or the other defects.
    DoubleEntryError
        Probably entered before; see `confirm_double`.
    EntryError
        Nothing was handed over, or the restoration is not in the records.
    """
    today = today or date.today()
    rows = _checked(raws, today=today)
    with store.writer(may="enter returns") as connection:
        delivered_on = connection.scalar(
            select(schema.restorations.c.delivered_on).where(
                schema.restorations.c.restoration_id == rows[0].restoration_id
            )
        )
        if delivered_on is None:
            raise unknown_restoration(connection, rows[0].restoration_id)
        rows = _numbered(connection, rows, today=today)
        problems = [problem for row in rows for problem in check_return_against(row, delivered_on)]
        problems += _taken_numbers(connection, rows)
        if problems:
            raise RefusedEntryError(tuple(dict.fromkeys(problems)))
        if not confirm_double:
            for row in rows:
                _refuse_double(connection, row)
        return tuple(_insert(store, connection, row, who=who) for row in rows)


def enter_restoration(store: Store, raw: Mapping[str, object], *, who: str, today: date | None = None) -> str:
    """Write one restoration down that no list brought yet, so that its return need not wait.

    Parameters
    ----------
    raw : mapping
        The columns of the restorations as typed; the same checks as for an imported row. A later import of the
        same number fills in or changes what it holds.
    who : str
        Pseudonym of the person, for the audit.

    Returns
    -------
    str
        Its number.

    Raises
    ------
    RefusedEntryError
        A field is faulty, a day has not come yet, or the number is in the records already.
    """
    today = today or date.today()
    row, problems = check_restoration(raw)
    if row is not None and row.delivered_on > today:
        problems.append(_not_yet("delivered_on", row.delivered_on, today))
    if row is None or problems:
        raise RefusedEntryError(tuple(problems))
    table = schema.restorations
    with store.writer(may="import lists") as connection:
        number = row.restoration_id
        if connection.scalar(select(table.c.restoration_id).where(table.c.restoration_id == number)) is not None:
            reason = t("Restoration {number} is in the records already.", number=number)
            mend = t("Enter its return, or correct the number.")
            raise RefusedEntryError((Problem(column="restoration_id", value=number, reason=reason, mend=mend),))
        connection.execute(table.insert().values(row.model_dump() | {"extra": row.extra or None}))
        detail = {"kind": row.kind, "delivered_on": row.delivered_on.isoformat()}
        store.note(connection, who=who, what="enter restoration", table=table.name, key=number, detail=detail)
    return number


def void_return(store: Store, row_id: int, *, who: str, why: str) -> None:
    """Take one row of the returns back; see `void_returns`."""
    void_returns(store, [row_id], who=who, why=why)


def void_returns(store: Store, row_ids: Sequence[int], *, who: str, why: str) -> None:
    """Take rows of the returns back, together or not at all: kept and shown, and left out of every figure.

    Parameters
    ----------
    row_ids : sequence of int
        As `enter_returns` gave them.
    who, why : str
        For the record and the audit.

    Raises
    ------
    EntryError
        No such row, taken back already, no reason given, or one that is too long.
    """
    if not why.strip():
        raise EntryError(t("No reason was given. Write why the return is taken back; it is kept with the reason."))
    why = note_text(why, t("reason"))
    with store.writer(may="enter returns") as connection:
        for row_id in row_ids:
            _void(store, connection, row_id, who=who, why=why)


def _void(store: Store, connection: Connection, row_id: int, *, who: str, why: str) -> None:
    table = schema.returns
    row = connection.execute(select(table).where(table.c.id == row_id)).one_or_none()
    if row is None:
        raise EntryError(
            t("There is no return in row {row_id}. Choose one from the list of the latest returns.", row_id=row_id)
        )
    if row.voided_at is not None:
        raise EntryError(
            t(
                "Return {return_id} ({defect}) was taken back before; nothing is left to do.",
                return_id=row.return_id,
                defect=defect_in_text(row.defect),
            )
        )
    connection.execute(table.update().where(table.c.id == row_id).values(voided_at=now(), voided_why=why))
    detail = {"return_id": row.return_id, "defect": row.defect, "why": why}
    store.note(connection, who=who, what="take back return", table=table.name, key=str(row_id), detail=detail)


def _checked(raws: Sequence[Mapping[str, object]], *, today: date) -> list[ReturnRow]:
    if not raws:
        raise EntryError(t("No defect was handed over. Choose at least one defect for the return."))
    rows: list[ReturnRow] = []
    problems: list[Problem] = []
    for raw in raws:
        filled = dict(raw)
        if _is_blank(filled.get("return_id")):
            filled["return_id"] = _NOT_YET
        if _is_blank(filled.get("entered_on")):
            filled["entered_on"] = today
        row, found = check_return(filled)
        problems += found
        if row is not None:
            rows.append(row)
            problems += in_the_future(row, today)
    problems += _at_odds(rows)
    if problems:
        # A fault in a field that all defects share is said once.
        raise RefusedEntryError(tuple(dict.fromkeys(problems)))
    return rows


def _is_blank(seen: object) -> bool:
    try:
        return plain_text(seen) is None
    except RefusedCell:
        return False


def in_the_future(row: ReturnRow, today: date) -> list[Problem]:
    """The days of a return that have not come yet."""
    return [
        _not_yet(column, day, today)
        for column, day in (("reported_on", row.reported_on), ("entered_on", row.entered_on))
        if day is not None and day > today
    ]


def _not_yet(column: str, day: date, today: date) -> Problem:
    return Problem(
        column=column,
        value=day.isoformat(),
        reason=t("{day} is later than today ({today}).", day=day.isoformat(), today=today.isoformat()),
        mend=t("Correct the date."),
    )


def _at_odds(rows: Sequence[ReturnRow]) -> list[Problem]:
    # The defects of one return share its restoration and number, differ in the defect, and one leads.
    problems = []
    for column in ("restoration_id", "return_id", "reported_on"):
        seen = dict.fromkeys(str(getattr(row, column)) for row in rows)
        if len(seen) > 1:
            problems.append(
                Problem(
                    column=column,
                    value=", ".join(seen),
                    reason=t("The defects of one return have different {column}.", column=column),
                    mend=t("Enter each return by itself."),
                )
            )
    defects = [row.defect for row in rows]
    for defect in dict.fromkeys(one for one in defects if defects.count(one) > 1):
        reason = t("{defect} is entered twice in one return.", defect=defect_in_text(defect))
        problems.append(Problem(column="defect", value=defect, reason=reason, mend=t("Enter each defect once.")))
    if sum(row.primary is True for row in rows) > 1:
        reason = t("More than one defect is marked as the main one.")
        problems.append(Problem(column="primary", value="yes", reason=reason, mend=t("Mark one, or none.")))
    return problems


def _numbered(connection: Connection, rows: Sequence[ReturnRow], *, today: date) -> list[ReturnRow]:
    if rows[0].return_id != _NOT_YET:
        return list(rows)
    start = f"R-{today:%Y%m%d}-"
    column = schema.returns.c.return_id
    taken = connection.scalars(select(column).where(column.startswith(start, autoescape=True)))
    endings = (one.removeprefix(start) for one in taken)
    number = max((int(ending) for ending in endings if ending.isdecimal()), default=0) + 1
    return [row.model_copy(update={"return_id": f"{start}{number:04d}"}) for row in rows]


def _taken_numbers(connection: Connection, rows: Sequence[ReturnRow]) -> list[Problem]:
    table = schema.returns
    problems = []
    for old in connection.execute(select(table).where(table.c.return_id == rows[0].return_id)):
        if old.restoration_id != rows[0].restoration_id:
            reason = t(
                "Return {return_id} belongs to restoration {restoration_id}.",
                return_id=old.return_id,
                restoration_id=old.restoration_id,
            )
        elif any(old.defect == row.defect for row in rows):
            reason = t(
                "Return {return_id} has {defect} already, taken back."
                if old.voided_at
                else "Return {return_id} has {defect} already.",
                return_id=old.return_id,
                defect=defect_in_text(old.defect),
            )
        else:
            continue
        mend = t("Leave the number blank to get a new one, or correct it.")
        problems.append(Problem(column="return_id", value=old.return_id, reason=reason, mend=mend))
    return problems


def _refuse_double(connection: Connection, row: ReturnRow) -> None:
    table = schema.returns
    span = timedelta(days=DOUBLE_ENTRY_DAYS)
    earlier = connection.execute(
        select(table.c.return_id, table.c.reported_on)
        .where(table.c.restoration_id == row.restoration_id, table.c.defect == row.defect)
        .where(table.c.voided_at.is_(None))
        .where(table.c.reported_on.between(row.reported_on - span, row.reported_on + span))
        .order_by(table.c.reported_on.desc())
    ).first()
    if earlier is not None:
        raise DoubleEntryError(defect=row.defect, return_id=earlier.return_id, reported_on=earlier.reported_on)


def _insert(store: Store, connection: Connection, row: ReturnRow, *, who: str) -> int:
    table = schema.returns
    values = row.model_dump() | {"extra": row.extra or None}
    (row_id,) = connection.execute(table.insert().values(values)).inserted_primary_key or (0,)
    detail = {"return_id": row.return_id, "restoration_id": row.restoration_id, "defect": row.defect}
    store.note(connection, who=who, what="enter return", table=table.name, key=str(row_id), detail=detail)
    return int(row_id)

"""A saved return set right: what stood before is kept in the audit, and nobody's change is overwritten unseen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from datetime import date, datetime
from typing import Any, Final

from sqlalchemy import Connection, Row, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.cells import Problem
from remakes.records.codes import defect_in_text
from remakes.records.entries import RefusedEntryError, in_the_future
from remakes.records.look_up import RecordedReturn, recorded_return
from remakes.records.rows import ReturnRow, check_return, check_return_against
from remakes.records.store import Store, now
from remakes.texts import t, tn

__all__ = ["CORRECTABLE", "ChangedMeanwhileError", "correct_return", "differences"]

#: What can be set right. Another restoration or number is another return: take it back and enter it anew.
CORRECTABLE: Final = (
    "reported_on",
    "defect",
    "primary",
    "plane",
    "bare_metal_pct",
    "found_at",
    "severity",
    "harm",
    "teeth",
    "disposition",
    "attributed_to",
    "judged_by",
    "cost",
    "note",
    "extra",
)


class ChangedMeanwhileError(EntryError):
    """Somebody else changed the return while the form was open; nothing was saved.

    Parameters
    ----------
    theirs : RecordedReturn
        The return as it stands now.
    who, at
        Who changed it last and when (UTC); None where an import did.
    """

    def __init__(self, theirs: RecordedReturn, *, who: str | None, at: datetime | None) -> None:
        if who is None or at is None:
            said = t("An import changed this return meanwhile. Nothing was saved: compare, then decide.")
        else:
            said = tn(
                max(0, round((now() - at).total_seconds() / 60)),
                "{who} changed this return {n} minute ago. Nothing was saved: compare, then decide.",
                "{who} changed this return {n} minutes ago. Nothing was saved: compare, then decide.",
                who=who,
            )
        super().__init__(said)
        self.theirs = theirs
        self.who = who
        self.at = at


def correct_return(
    store: Store, opened: RecordedReturn, changes: Mapping[str, object], *, who: str, today: date | None = None
) -> None:
    """Set fields of a saved return right.

    Parameters
    ----------
    opened : RecordedReturn
        The return as the form showed it; if it stands otherwise by now, nothing is saved.
    changes : mapping of column to value
        Of `CORRECTABLE`, as typed; a blank means not recorded. Columns left out stay. `extra` stands whole.
    who : str
        Pseudonym of the person, for the audit.

    Raises
    ------
    ChangedMeanwhileError
        The return is not as it was when the form was opened.
    RefusedEntryError
        A field is faulty; the same checks as for a new return.
    EntryError
        Taken back by now, nothing changed, or a column that cannot be set right.
    """
    if foreign := [name for name in changes if name not in CORRECTABLE]:
        raise EntryError(
            t("{columns} cannot be corrected. Take the return back and enter it anew.", columns=", ".join(foreign))
        )
    row = _checked(opened, changes, today or date.today())
    table = schema.returns
    with store.writer(may="enter returns") as connection:
        stands = recorded_return(connection, opened.row_id)
        _refuse_changed(connection, opened, stands)
        _refuse_against(connection, row, opened)
        after = {name: getattr(row, name) for name in CORRECTABLE}
        before = {name: getattr(opened, name) for name in CORRECTABLE}
        changed = [name for name in CORRECTABLE if after[name] != before[name]]
        if not changed:
            raise EntryError(t("Nothing was changed, so nothing was saved."))
        values = {name: after[name] for name in changed} | ({"extra": row.extra or None} if "extra" in changed else {})
        connection.execute(table.update().where(table.c.id == opened.row_id).values(values))
        detail = {
            "return_id": opened.return_id,
            "restoration_id": opened.restoration_id,
            "before": {name: _as_json(before[name]) for name in changed},
            "after": {name: _as_json(after[name]) for name in changed},
        }
        store.note(connection, who=who, what="correct return", table="returns", key=str(opened.row_id), detail=detail)


def differences(one: RecordedReturn, other: RecordedReturn) -> tuple[str, ...]:
    """The correctable fields in which two states of a return differ."""
    return tuple(name for name in CORRECTABLE if getattr(one, name) != getattr(other, name))


def _checked(opened: RecordedReturn, changes: Mapping[str, object], today: date) -> ReturnRow:
    raw = {one.name: getattr(opened, one.name) for one in fields(opened) if one.name in ReturnRow.model_fields}
    raw |= changes
    extra = raw.pop("extra")
    row, problems = check_return({**(extra if isinstance(extra, Mapping) else {}), **raw})
    if row is not None:
        problems += in_the_future(row, today)
    if row is None or problems:
        raise RefusedEntryError(tuple(problems))
    return row


def _refuse_changed(connection: Connection, opened: RecordedReturn, stands: RecordedReturn | None) -> None:
    if stands is None:
        raise EntryError(
            t("The return {number} is no longer in the records: its import was taken back.", number=opened.return_id)
        )
    if stands.voided:
        raise EntryError(t("The return {number} was taken back, so it cannot be corrected.", number=opened.return_id))
    if differences(opened, stands):
        last = _last_change(connection, opened.row_id)
        # A change by a file leaves its line with the import, not with the row.
        imported = stands.import_id != opened.import_id or last is None
        raise ChangedMeanwhileError(
            stands, who=None if imported or last is None else last.who, at=None if last is None else last.at
        )


def _last_change(connection: Connection, row_id: int) -> Row[Any] | None:
    audit = schema.audit
    query = select(audit).where(audit.c.table_name == "returns", audit.c.row_key == str(row_id))
    # The number of an import may be that of a row.
    query = query.where(audit.c.what.not_in(("import", "undo import"))).order_by(audit.c.id.desc()).limit(1)
    return connection.execute(query).one_or_none()


def _refuse_against(connection: Connection, row: ReturnRow, opened: RecordedReturn) -> None:
    restorations, returns = schema.restorations.c, schema.returns.c
    delivered = connection.scalar(
        select(restorations.delivered_on).where(restorations.restoration_id == opened.restoration_id)
    )
    problems = check_return_against(row, delivered) if delivered is not None else []
    same = select(returns.id).where(
        returns.return_id == opened.return_id, returns.defect == row.defect, returns.id != opened.row_id
    )
    if connection.scalar(same) is not None:
        problems.append(
            Problem(
                column="defect",
                value=row.defect,
                reason=t(
                    "Return {number} has {defect} already.", number=opened.return_id, defect=defect_in_text(row.defect)
                ),
                mend=t("Choose another defect, or take this one back."),
            )
        )
    if problems:
        raise RefusedEntryError(tuple(problems))


def _as_json(value: object) -> object:
    return value.isoformat() if isinstance(value, date) else value

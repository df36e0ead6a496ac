"""The process standard changed by a person, one requirement at a time; the past keeps the limits it was made under.

A new limit is a new row that begins on a day to come, and the old one ends on the day before. A row that no
delivery falls under yet may be put right as it stands. The rules of what a requirement may say are those of the
standard file: every change is written as that file and read back.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any, Final

from sqlalchemy import Connection, and_, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.changed_meanwhile import changed_meanwhile
from remakes.records.requirements import ProcessStandard, Requirement
from remakes.records.standard import (
    read_standard,
    requirement_as_json,
    requirement_columns,
    write_steps_and_title,
)
from remakes.records.standard_days import deliveries_under, same_cases, standing_of
from remakes.records.standard_text import checked_requirement, mistakes_of, refuse, same_or_tighter
from remakes.records.store import Store
from remakes.records.typed_text import note_text
from remakes.texts import later, run_on, t, tn

__all__ = [
    "AUDITED_AS",
    "COMMON_PRACTICE",
    "add_requirement",
    "change_outline",
    "change_requirement",
    "correct_requirement",
    "end_requirement",
    "reword_requirement",
]

#: What stands as the source of a limit that nobody has looked up.
COMMON_PRACTICE: Final = later("common practice, no source")
#: Imports of a standard are audited under the one, changes by a person under the other.
AUDITED_AS: Final = ("requirements", "standard")


def change_requirement(
    store: Store, opened: Requirement, new: Requirement, *, who: str, today: date | None = None
) -> Requirement:
    """A requirement is another from a day to come on; until the day before it stays what it was.

    Parameters
    ----------
    opened : Requirement
        As it stood when the person opened it.
    new : Requirement
        Of the same factor; its `valid_from` is the day from which it holds. Its end is that of the old one.
    who : str
        Pseudonym of the person, for the audit.
    today : date, optional
        Default: the calendar day of this machine.

    Returns
    -------
    Requirement
        The new one as it was taken.

    Raises
    ------
    ChangedMeanwhileError
        It was changed after it was opened.
    EntryError
        A day on or before which deliveries fall under it, an end that has passed, a laxer limit without a source,
        or anything that the standard file would be refused for.
    """
    today = today or date.today()
    with store.writer(may="change the standard") as connection:
        standard, old = _as_opened(connection, opened)
        new = checked_requirement(standard, replace(new, factor=old.factor, valid_until=old.valid_until), instead_of=())
        _refuse_ended(standard, old, today)
        _refuse_laxer_without_source(old, new)
        if new.valid_from <= old.valid_from:
            raise EntryError(
                t(
                    "The new limit would begin on {day}, not after the present one ({present}). Give a later day, or "
                    "correct the present one while nothing was delivered under it.",
                    day=new.valid_from,
                    present=old.valid_from,
                )
            )
        if new.valid_from <= today:
            raise EntryError(_not_before_tomorrow(new.valid_from, today))
        _update(connection, old, replace(old, valid_until=new.valid_from - timedelta(days=1)))
        _end_former(connection, standard, old)
        connection.execute(schema.requirements.insert(), requirement_columns(new))
        _note(store, connection, who=who, what="change requirement", before=old, after=new)
    return new


def correct_requirement(
    store: Store, opened: Requirement, new: Requirement, *, who: str, why: str, today: date | None = None
) -> Requirement:
    """Put a row right as it stands, while no delivery falls under it: a typing error, or a plan that changed.

    Where the row replaced another one and begins on another day now, the former one ends on the day before.

    Raises
    ------
    ChangedMeanwhileError
        It was changed after it was opened.
    EntryError
        A delivery falls under the old or the new row; it would begin earlier, on a day that has passed or not after
        the row that it follows; no reason; a laxer limit without a source; or anything that the standard
        file would be refused for.
    """
    why, today = _reason(why), today or date.today()
    with store.writer(may="change the standard") as connection:
        standard, old = _as_opened(connection, opened)
        new = checked_requirement(standard, replace(new, factor=old.factor), instead_of=(old,))
        _refuse_laxer_without_source(old, new)
        if new.valid_from < old.valid_from and new.valid_from <= today:
            raise EntryError(_not_before_tomorrow(new.valid_from, today))
        for one in (old, new):
            if delivered := deliveries_under(connection, one):
                raise EntryError(
                    tn(
                        delivered,
                        "One restoration was delivered under this row (from {day}), so it stays as it is: the past "
                        "keeps its limits. Give a new limit from a day to come.",
                        "{n:,} restorations were delivered under this row (from {day}), so it stays as it is: the past "
                        "keeps its limits. Give a new limit from a day to come.",
                        day=one.valid_from,
                    )
                )
        _update(connection, old, new)
        _close_up(connection, standard, old, new)
        _note(store, connection, who=who, what="correct requirement", before=old, after=new, why=why)
    return new


def reword_requirement(
    store: Store, opened: Requirement, *, says: str, source: str, may_cause: tuple[str, ...], who: str
) -> Requirement:
    """Say it in other words, name a source, or name other defects that a miss may lead to.

    The limit stays. Which defects a miss may lead to holds for the factor through all time, so all its rows get it.

    Raises
    ------
    ChangedMeanwhileError
        It was changed after it was opened.
    EntryError
        An unknown defect, or no text.
    """
    with store.writer(may="change the standard") as connection:
        standard, old = _as_opened(connection, opened)
        wanted = replace(old, says=says or None, source=source or None, may_cause=may_cause)
        new = checked_requirement(standard, wanted, instead_of=(old,))
        after = {
            one: new if one == old else replace(one, may_cause=new.may_cause)
            for one in standard.requirements_of(old.factor)
        }
        for one, changed in after.items():
            _update(connection, one, changed)
        if any(one != changed for one, changed in after.items()):
            _note(store, connection, who=who, what="reword requirement", before=old, after=new)
    return new


def end_requirement(
    store: Store, opened: Requirement, *, last_day: date, who: str, why: str, today: date | None = None
) -> Requirement:
    """A requirement holds for the last time on a day, today or later; it is kept for what was delivered until then.

    Raises
    ------
    ChangedMeanwhileError
        It was changed after it was opened.
    EntryError
        A day before today or before it begins, an end that has passed already, or no reason.
    """
    today, why = today or date.today(), _reason(why)
    with store.writer(may="change the standard") as connection:
        standard, old = _as_opened(connection, opened)
        _refuse_ended(standard, old, today)
        if last_day < today:
            raise EntryError(t("{day} has passed: the past keeps its limits. Give today or a later day.", day=last_day))
        new = checked_requirement(standard, replace(old, valid_until=last_day), instead_of=(old,))
        _update(connection, old, new)
        _end_former(connection, standard, old)
        _note(store, connection, who=who, what="end requirement", before=old, after=new, why=why)
    return new


def add_requirement(store: Store, new: Requirement, *, who: str, today: date | None = None) -> Requirement:
    """A requirement that the standard did not have, or had for other cases only.

    Raises
    ------
    EntryError
        A day on or before which deliveries would fall under it, or anything that the standard file would be
        refused for.
    """
    with store.writer(may="change the standard") as connection:
        new = checked_requirement(read_standard(connection), new, instead_of=())
        _refuse_the_past(connection, new, today or date.today())
        connection.execute(schema.requirements.insert(), requirement_columns(new))
        _note(store, connection, who=who, what="add requirement", before=None, after=new)
    return new


def change_outline(
    store: Store, opened: tuple[str, tuple[str, ...]], *, title: str, steps: tuple[str, ...], who: str
) -> None:
    """What the standard is called, and its working steps in their order.

    Parameters
    ----------
    opened : (title, steps)
        As they stood when the person opened them.

    Raises
    ------
    ChangedMeanwhileError
        They were changed after that.
    EntryError
        No step, one named twice, or one left out that a requirement belongs to.
    """
    with store.writer(may="change the standard") as connection:
        standard = read_standard(connection)
        if (standard.title, standard.steps) != opened:
            theirs = (standard.title, standard.steps)
            raise changed_meanwhile(connection, t("The list of steps"), theirs=theirs, tables=AUDITED_AS)
        lost = sorted({one.step for one in standard.requirements} - {step.strip() for step in steps})
        if lost:
            raise EntryError(
                t(
                    "Requirements belong to these steps, now or in the past: {steps}. Keep them in the list.",
                    steps=", ".join(lost),
                )
            )
        named = ProcessStandard(title=title.strip(), steps=tuple(step.strip() for step in steps))
        # A standard may begin with its steps; that a file without a requirement is refused is no matter here.
        refuse([one for one in mistakes_of(named) if one.key != "requirement"])
        write_steps_and_title(connection, named.steps, named.title)
        detail = {
            "before": {"title": standard.title, "steps": list(standard.steps)},
            "after": {"title": named.title, "steps": list(named.steps)},
        }
        if detail["before"] != detail["after"]:
            store.note(connection, who=who, what="change steps", table="requirements", detail=detail)


def _as_opened(connection: Connection, opened: Requirement) -> tuple[ProcessStandard, Requirement]:
    standard = read_standard(connection)
    if opened in standard.requirements:
        return standard, opened
    key = _key(opened)
    theirs = next((one for one in standard.requirements if _key(one) == key), None)
    what = t("The requirement “{factor}”", factor=opened.factor)
    raise changed_meanwhile(connection, what, theirs=theirs, tables=AUDITED_AS, key=opened.factor)


def _refuse_ended(standard: ProcessStandard, old: Requirement, today: date) -> None:
    if standing_of(standard, old, today) == "replaced":
        raise EntryError(
            t("Another limit has replaced this one, and the past keeps its limits. Choose the one that is in force.")
        )
    if old.valid_until is not None and old.valid_until < today:
        raise EntryError(
            t(
                "This requirement ended on {day}, and the past keeps its limits. Add a requirement that begins on a "
                "day to come.",
                day=old.valid_until,
            )
        )


def _refuse_the_past(connection: Connection, new: Requirement, today: date) -> None:
    """Before the first delivery is in, a requirement may begin on any day: the standard is being set up."""
    if new.valid_from <= today and connection.scalar(select(schema.restorations.c.restoration_id).limit(1)):
        raise EntryError(
            run_on(
                _not_before_tomorrow(new.valid_from, today),
                t("A requirement that the bench has kept to for long comes in with a standard file."),
            )
        )


def _not_before_tomorrow(day: date, today: date) -> str:
    return t(
        "{day} is not after today: the past keeps the limits it was made under. Give {tomorrow} or a later day.",
        day=day,
        tomorrow=today + timedelta(days=1),
    )


def _end_former(connection: Connection, standard: ProcessStandard, one: Requirement) -> None:
    """Rows that this one replaced without an end of their own get it, or they would hold again after its end."""
    eve = one.valid_from - timedelta(days=1)
    for other in same_cases(standard, one):
        if other.valid_from < one.valid_from and (other.valid_until is None or other.valid_until > eve):
            _update(connection, other, replace(other, valid_until=eve))


def _close_up(connection: Connection, standard: ProcessStandard, old: Requirement, new: Requirement) -> None:
    """The row that the corrected one had followed ends on the day before it begins."""
    eve = timedelta(days=1)
    for one in same_cases(standard, old):
        if one.valid_until != old.valid_from - eve:
            continue
        if one.valid_from >= new.valid_from:
            # It would go on to hold, since of two the one that began later counts.
            raise EntryError(
                t(
                    "It would begin on {day}, but the limit that it follows begins on {former}. Give a later day, or "
                    "correct that one.",
                    day=new.valid_from,
                    former=one.valid_from,
                )
            )
        _update(connection, one, replace(one, valid_until=new.valid_from - eve))


def _refuse_laxer_without_source(old: Requirement, new: Requirement) -> None:
    named = (new.source or "").strip().casefold()
    new_source = named and named != (old.source or "").strip().casefold() and not named.startswith("common practice")
    if new_source or same_or_tighter(old, new):
        return
    raise EntryError(
        t(
            "This is laxer than “{old}”, or cannot be compared with it. The material's instructions and safety data "
            "sheets come first: name the one that allows it as a new source, with its date.",
            old=t("{reading}: {rule}", reading=old.reading, rule=str(old.rule)),
        )
    )


def _reason(why: str) -> str:
    return note_text(why, t("reason"), needed=t("Say in a few words why; it is kept in the change log."))


def _key(one: Requirement) -> tuple[Any, ...]:
    content = requirement_columns(one)
    return content["factor"], content["valid_from"], content["applies_when"]


def _update(connection: Connection, old: Requirement, new: Requirement) -> None:
    if old == new:
        return
    table = schema.requirements
    factor, valid_from, applies_when = _key(old)
    here = and_(table.c.factor == factor, table.c.valid_from == valid_from, table.c.applies_when == applies_when)
    connection.execute(table.update().where(here).values(requirement_columns(new)))


def _note(
    store: Store,
    connection: Connection,
    *,
    who: str,
    what: str,
    before: Requirement | None,
    after: Requirement,
    why: str = "",
) -> None:
    detail: dict[str, Any] = {
        "before": None if before is None else requirement_as_json(before),
        "after": requirement_as_json(after),
    }
    if why:
        detail["why"] = why
    store.note(connection, who=who, what=what, table="requirements", key=after.factor, detail=detail)
